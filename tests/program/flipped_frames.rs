//! Every bit of every kind of frame, flipped one by one: what has a check is read right or not at all, and costs no frame but its own and, where its end was
//! hit, the next.

use crate::devices::{cookbook, sent};
use backwall_stream::{DecodedWhat, Decoder, Profile, packet};
use backwall_survey::reading::{Header, Record};
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Length, Temperature, Time};
use std::sync::Arc;

/// What is read, without numbers that the decoder gave itself.
fn read(profile: &Arc<Profile>, bytes: &[u8]) -> Vec<String> {
    let (mut decoder, mut out) = (Decoder::new(Arc::clone(profile)), Vec::new());
    decoder.push(bytes, &mut out);
    decoder.finish(&mut out);
    let said = |record: Record| match record {
        Record::Gauge(gauge) => format!("{:?} {:?} {:?}", gauge.encoder, gauge.across, gauge.value),
        record => format!("{record:?}"),
    };
    out.into_iter().filter_map(|one| if let DecodedWhat::Record(record) = one.what { Some(said(record)) } else { None }).collect()
}

/// Flips every bit of `bytes`. `most` records may be lost with one of them.
fn every_bit(what: &str, profile: &Arc<Profile>, bytes: &[u8], records: usize, most: usize) {
    let whole = read(profile, bytes);
    assert_eq!(whole.len(), records, "{what}: {whole:?}");
    for bit in 0..bytes.len() * 8 {
        let mut damaged = bytes.to_vec();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let left = read(profile, &damaged);
        // In their order, and nothing else among them.
        let mut known = whole.iter();
        assert!(left.iter().all(|record| known.any(|known| known == record)), "{what}, bit {bit}: {left:?} of {whole:?}");
        assert!(left.len() + most >= whole.len(), "{what}, bit {bit}: {} of {} left", left.len(), whole.len());
    }
}

#[test]
fn every_bit_of_every_kind_of_frame_of_the_open_packet() {
    let profile = Arc::new(Profile::load("open-packet").unwrap());
    let mut header = Vec::new();
    let base = TimeBase { rate: Frequency::mhz(50.0), first: Time::ns(-120.0), bits: 12 };
    packet::encode_header(&Header { base, samples: 8, device_id: 7, device_name: "crawler".to_owned() }, &mut header);
    let samples = [0, 1, -2, 300, -300, 2047, -2048, 5];
    let encoded = |encode: &dyn Fn(&mut Vec<u8>)| {
        let mut frame = Vec::new();
        encode(&mut frame);
        frame
    };
    let gain = Decibel::db(38.5);
    let kinds = [
        ("shot", encoded(&|out| packet::encode_shot(0, 1000, -2, gain, &samples, out))),
        ("weaving shot", encoded(&|out| packet::encode_weaving_shot((0, 1000), [-2, 40], gain, &samples, out))),
        ("status", encoded(&|out| packet::encode_status(1000, Some(11_800), Some(Temperature::celsius(-12.34)), out))),
        ("gauge", encoded(&|out| packet::encode_gauge(0, 1000, -2, Some(Length::mm(6.204)), out))),
        ("gauge without an echo", encoded(&|out| packet::encode_gauge(0, 1000, -2, None, out))),
    ];
    for (what, frame) in kinds {
        let mut last = Vec::new();
        packet::encode_gauge(9, 9000, 9, Some(Length::mm(9.0)), &mut last);
        // With the header in front the frame's own bits are flipped, behind it that of the next.
        let whole = read(&profile, &[&header[..], &frame, &last].concat());
        assert_eq!(whole.len(), 3, "{what}");
        for bit in 0..frame.len() * 8 {
            let mut damaged = frame.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            let left = read(&profile, &[&header[..], &damaged, &last].concat());
            assert!(left.iter().all(|record| whole.contains(record)) && left.first() == whole.first(), "{what}, bit {bit}: {left:?}");
            let is_end = bit / 8 + 1 == frame.len();
            assert!(left.len() >= 2 || is_end && left.len() == 1, "{what}, bit {bit}: {left:?}");
        }
    }
    // Without its header no shot is read; a status and a value are.
    let mut shot = Vec::new();
    packet::encode_shot(0, 1000, -2, Decibel::db(38.5), &samples, &mut shot);
    every_bit("header", &profile, &[&header[..], &shot].concat(), 2, 2);
}

#[test]
fn every_bit_of_frames_with_a_check_as_the_guide_has_them() {
    for (name, records, most) in [("sentences", 2, 2), ("registers", 2, 1), ("length", 5, 4)] {
        let profile = Arc::new(Profile::parse(name, &cookbook(name)).unwrap());
        every_bit(name, &profile, &sent(name), records, most);
    }
}
