//! The open packet stream through its profile: what is written comes back, and what is damaged is lost alone.

use backwall_stream::{DecodeCounts, Decoded, DecodedWhat, Decoder, Profile, packet};
use backwall_survey::reading::{GaugeValue, Header, Record};
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Length, Temperature, Time};
use proptest::prelude::*;
use std::sync::Arc;

fn open_packet() -> Arc<Profile> {
    Arc::new(Profile::load("open-packet").unwrap())
}

fn decode(profile: &Arc<Profile>, chunks: &[&[u8]]) -> (Vec<DecodedWhat>, DecodeCounts) {
    let mut decoder = Decoder::new(Arc::clone(profile));
    let mut out = Vec::new();
    for chunk in chunks {
        decoder.push(chunk, &mut out);
    }
    decoder.finish(&mut out);
    (out.into_iter().map(|decoded| decoded.what).collect(), decoder.counts())
}

fn records(what: Vec<DecodedWhat>) -> Vec<Record> {
    what.into_iter().filter_map(|what| if let DecodedWhat::Record(record) = what { Some(record) } else { None }).collect()
}

fn header() -> Header {
    Header {
        base: TimeBase { rate: Frequency::mhz(50.0), first: Time::ns(-120.0), bits: 12 },
        samples: 64,
        device_id: 0xDEAD_0001,
        device_name: "crawler Ä".to_owned(),
    }
}

fn samples(seq: u32) -> Vec<i16> {
    (0..64).map(|n| ((n * n * 7 + seq as i32 * 13) % 300 - 150) as i16 * i16::from(n % 5 != 0)).collect()
}

/// A header and `shots` shots; each frame's start is noted.
fn stream(shots: u32) -> (Vec<u8>, Vec<usize>) {
    let (mut bytes, mut starts) = (Vec::new(), vec![0]);
    packet::encode_header(&header(), &mut bytes);
    for seq in 0..shots {
        starts.push(bytes.len());
        packet::encode_shot(seq, 1000 * u64::from(seq), seq as i32 - 2, Decibel::db(38.5), &samples(seq), &mut bytes);
    }
    (bytes, starts)
}

#[test]
fn every_record_comes_back_as_it_was_written() {
    let mut bytes = Vec::new();
    packet::encode_header(&header(), &mut bytes);
    packet::encode_shot(u32::MAX, u64::MAX - 1, -77, Decibel::db(-3.5), &samples(9), &mut bytes);
    packet::encode_status(5, None, None, &mut bytes);
    packet::encode_status(6, Some(11_800), Some(Temperature::celsius(-12.34)), &mut bytes);
    packet::encode_gauge(7, 8, 9, Some(Length::mm(6.204)), &mut bytes);
    packet::encode_gauge(8, 9, 10, None, &mut bytes);
    let (what, counts) = decode(&open_packet(), &[&bytes]);
    let records = records(what);
    assert_eq!(records[0], Record::Header(header()));
    let Record::Shot(shot) = &records[1] else { panic!("{records:?}") };
    assert_eq!((shot.seq, shot.device_time_us, shot.encoder, shot.gain), (u32::MAX, Some(u64::MAX - 1), Some(-77), Decibel::db(-3.5)));
    assert_eq!(shot.samples[..], samples(9));
    let status: Vec<_> =
        records[2..4].iter().map(|record| if let Record::Status(status) = record { status.clone() } else { panic!() }).collect();
    assert_eq!((status[0].battery_mv, status[0].surface_temperature), (None, None));
    assert_eq!((status[1].battery_mv, status[1].surface_temperature), (Some(11_800), Some(Temperature::celsius(-12.34))));
    let values: Vec<_> = records[4..].iter().map(|record| if let Record::Gauge(gauge) = record { gauge.value } else { panic!() }).collect();
    assert_eq!(values, [GaugeValue::Thickness(Some(Length::mm(6.204))), GaugeValue::Thickness(None)]);
    assert_eq!(counts, DecodeCounts { frames: 6, bytes: bytes.len() as u64, ..DecodeCounts::default() });
}

/// The worked example of the stream's definition: 1 000 000 µs, 12 000 mV, 25.00 °C.
#[test]
fn the_worked_frame_is_read() {
    let frame = [0x05, 0x03, 0x40, 0x42, 0x0F, 1, 1, 1, 1, 0x09, 0xE0, 0x2E, 0xC4, 0x09, 0xCE, 0xC4, 0xE1, 0xF8, 0x00];
    let (what, _) = decode(&open_packet(), &[&frame]);
    let [DecodedWhat::Record(Record::Status(status))] = &what[..] else { panic!("{what:?}") };
    assert_eq!(status.device_time_us, Some(1_000_000));
    assert_eq!(status.battery_mv, Some(12_000));
    assert_eq!(status.surface_temperature, Some(Temperature::celsius(25.0)));
}

#[test]
fn shots_before_the_header_are_counted_and_not_delivered() {
    let (bytes, starts) = stream(3);
    let late = [&bytes[starts[1]..], &bytes[..starts[1]], &bytes[starts[2]..starts[3]]].concat();
    let (what, counts) = decode(&open_packet(), &[&late]);
    assert_eq!((counts.before_header, counts.frames), (3, 5));
    assert_eq!(what[..3], [DecodedWhat::BeforeHeader, DecodedWhat::BeforeHeader, DecodedWhat::BeforeHeader]);
    assert_eq!(records(what).len(), 2);
}

#[test]
fn unknown_kinds_and_versions_are_skipped() {
    let (mut bytes, _) = stream(1);
    // Kind 0x09, its CRC-32C made with the decoder's own check value test vector: see crc.rs.
    let mut body = vec![0x09, 1, 2, 3];
    body.extend(backwall_stream::crc::by_name("CRC-32/ISCSI").unwrap().of(&body).to_le_bytes().iter().take(4));
    backwall_stream::cobs::encode(&body, &mut bytes);
    bytes.push(0);
    let mut body = vec![0x01, 2, 0, 0];
    body.extend(backwall_stream::crc::by_name("CRC-32/ISCSI").unwrap().of(&body).to_le_bytes().iter().take(4));
    backwall_stream::cobs::encode(&body, &mut bytes);
    bytes.push(0);
    let (what, counts) = decode(&open_packet(), &[&bytes]);
    assert_eq!((counts.frames, counts.unknown, counts.bad_frames), (2, 1, 1));
    assert!(matches!(&what[3], DecodedWhat::Dropped { why } if why.contains("version")), "{what:?}");
}

#[test]
fn a_shot_of_another_length_than_the_header_says_is_dropped() {
    let (mut bytes, _) = stream(1);
    packet::encode_shot(1, 0, 0, Decibel::ZERO, &samples(1)[..63], &mut bytes);
    packet::encode_shot(2, 0, 0, Decibel::ZERO, &samples(2), &mut bytes);
    let (what, counts) = decode(&open_packet(), &[&bytes]);
    assert_eq!((records(what).len(), counts.bad_frames), (3, 1));
}

#[test]
fn any_one_changed_byte_loses_at_most_its_own_frame() {
    let profile = open_packet();
    let (bytes, starts) = stream(4);
    let whole = records(decode(&profile, &[&bytes]).0);
    for place in 0..bytes.len() {
        for change in [0x01, 0x80, 0xFF, bytes[place]] {
            if change == 0 {
                continue; // nothing would change
            }
            let mut damaged = bytes.clone();
            damaged[place] ^= change;
            let (what, counts) = decode(&profile, &[&damaged]);
            let frame = starts.iter().rposition(|start| *start <= place).unwrap();
            let left = records(what);
            if frame == 0 && left.first() != whole.first() {
                assert_eq!((left.len(), counts.before_header), (0, 4), "byte {place}");
                continue;
            }
            let without: Vec<_> = whole.iter().enumerate().filter(|(n, _)| *n != frame).map(|(_, record)| record.clone()).collect();
            assert!(left == whole || left == without, "byte {place} changed by {change:02X}: {} of {} left", left.len(), whole.len());
        }
    }
}

#[test]
fn garbage_between_frames_costs_nothing_behind_its_zero() {
    let (bytes, starts) = stream(3);
    let mut noisy = bytes[..starts[2]].to_vec();
    noisy.extend(b"\x07noise\xFF\x00\x00\x00");
    noisy.extend(&bytes[starts[2]..]);
    let (what, counts) = decode(&open_packet(), &[&noisy]);
    assert_eq!(records(what).len(), 4);
    assert_eq!((counts.bad_frames, counts.garbage_bytes), (1, 8));
}

#[test]
fn a_stream_cut_anywhere_keeps_its_whole_frames() {
    let profile = open_packet();
    let (bytes, starts) = stream(3);
    for cut in 0..bytes.len() {
        let (what, _) = decode(&profile, &[&bytes[..cut]]);
        // A frame is whole without its ending zero too.
        let whole = starts.iter().skip(1).chain([&bytes.len()]).filter(|end| **end <= cut + 1).count();
        assert_eq!(records(what).len(), whole, "cut at {cut}");
    }
}

#[test]
fn an_endless_frame_is_dropped_and_the_next_one_read() {
    let mut decoder = Decoder::new(open_packet());
    let mut out: Vec<Decoded> = Vec::new();
    let (bytes, starts) = stream(1);
    decoder.push(&bytes[..starts[1]], &mut out);
    for _ in 0..100 {
        decoder.push(&[0x55; 10_000], &mut out);
    }
    decoder.push(&[0], &mut out);
    decoder.push(&bytes[starts[1]..], &mut out);
    assert_eq!(decoder.counts().bad_frames, 1);
    assert_eq!(decoder.counts().garbage_bytes, 1_000_001);
    assert_eq!(records(out.into_iter().map(|one| one.what).collect()).len(), 2);
}

#[test]
fn after_a_break_the_rest_of_the_cut_frame_is_not_read() {
    let (bytes, starts) = stream(3);
    let mut decoder = Decoder::new(open_packet());
    let mut out = Vec::new();
    decoder.push(&bytes[..starts[2] + 20], &mut out);
    decoder.resync();
    decoder.push(&bytes[starts[2] + 60..], &mut out);
    let seqs: Vec<_> =
        out.iter().filter_map(|one| if let DecodedWhat::Record(Record::Shot(shot)) = &one.what { Some(shot.seq) } else { None }).collect();
    assert_eq!(seqs, [0, 2]);
}

proptest! {
    #[test]
    fn random_bytes_never_panic_and_chunks_do_not_matter(
        noise in proptest::collection::vec(prop_oneof![3 => any::<u8>(), 1 => Just(0u8)], 0..600),
        cuts in proptest::collection::vec(0usize..2000, 0..12),
        at in 0usize..900,
    ) {
        let profile = open_packet();
        let (mut bytes, _) = stream(4);
        let at = at.min(bytes.len());
        bytes.splice(at..at, noise);
        let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(bytes.len())).chain([0, bytes.len()]).collect();
        cuts.sort_unstable();
        let chunks: Vec<&[u8]> = cuts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
        prop_assert_eq!(decode(&profile, &chunks), decode(&profile, &[&bytes]));
    }
}
