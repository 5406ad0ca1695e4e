//! Profiles: what the shipped ones read, and what is told of wrong ones.

use backwall_stream::{DecodedWhat, Decoder, Profile};
use backwall_survey::reading::{GaugeValue, Record};
use backwall_units::{Decibel, Length, Temperature, Time};
use proptest::prelude::*;
use std::sync::Arc;

fn read(profile: Profile, bytes: &[u8]) -> (Vec<Record>, Vec<String>, backwall_stream::DecodeCounts) {
    let mut decoder = Decoder::new(Arc::new(profile));
    let mut out = Vec::new();
    decoder.push(bytes, &mut out);
    decoder.finish(&mut out);
    let (mut records, mut dropped) = (Vec::new(), Vec::new());
    for one in out {
        match one.what {
            DecodedWhat::Record(record) => records.push(record),
            DecodedWhat::Dropped { why } => dropped.push(why),
            _ => {}
        }
    }
    (records, dropped, decoder.counts())
}

fn gauges(records: &[Record]) -> Vec<(u32, Option<u64>, Option<i32>, GaugeValue)> {
    records
        .iter()
        .filter_map(|record| match record {
            Record::Gauge(gauge) => Some((gauge.seq, gauge.device_time_us, gauge.encoder, gauge.value)),
            _ => None,
        })
        .collect()
}

fn mm(value: f64) -> GaugeValue {
    GaugeValue::Thickness(Some(Length::mm(value)))
}
const NO_WALL: GaugeValue = GaugeValue::Thickness(None);

#[test]
fn every_shipped_profile_is_good_and_says_what_it_is_for() {
    for (name, _) in Profile::shipped() {
        let profile = Profile::load(name).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(profile.name, name);
        assert!(!profile.about.is_empty());
    }
    let error = Profile::load("no-such-device").unwrap_err().to_string();
    assert!(error.contains("open-packet") && error.contains("delimited-text"), "{error}");
    assert!(Profile::load("./no-such-file.toml").unwrap_err().to_string().contains("no-such-file.toml"));
}

#[test]
fn delimited_lines_are_read_and_doubtful_ones_dropped() {
    let text = "# seq;time_ms;encoder;thickness\n17;5120;-204;9.84\r\n18;5130;-200;---\n19;5140\n20;5150;-192;9.8x\n\
                21;5160;-188;-0.5\n22;5170;-184;0\n23;5180;-180;9.7;9.7\n24;5190;-176;NaN\n25;5200;-172;9.6\n26;5210;-168;9.";
    let (records, dropped, counts) = read(Profile::load("delimited-text").unwrap(), text.as_bytes());
    assert_eq!(
        gauges(&records),
        [
            (17, Some(5_120_000), Some(-204), mm(9.84)),
            (18, Some(5_130_000), Some(-200), NO_WALL),
            (25, Some(5_200_000), Some(-172), mm(9.6)),
        ]
    );
    // Seven bad lines, of which the last may have lost its end.
    assert_eq!((counts.bad_frames, counts.unknown, counts.frames), (7, 0, 4));
    assert_eq!(dropped.iter().filter(|why| why.contains("ends inside")).count(), 1);
    assert_eq!(dropped.iter().filter(|why| why.contains("columns where 4 are due")).count(), 2);
}

/// Checks worked out with a separate program: exclusive-or of the bytes between `$` and `*`.
#[test]
fn keyed_sentences_are_read_with_their_unit_and_check() {
    let text = "$UTWT,N=9998,T=5.120,E=-204,TOF=3.378,U=us*51\r\nnoise$UTWT,N=9999,T=5.130,E=-200,TOF=,U=us*74\r\n\
                $UTWT,N=0,T=5.140,E=-196,TOF=3378,U=ns*5b\r\n$UTST,BAT=11.8,TS=23.5*5A\r\n$UTWT,N=1,T=5.15*00\r\n";
    let (records, _, counts) = read(Profile::load("keyed-text-xor").unwrap(), text.as_bytes());
    assert_eq!(
        gauges(&records),
        [
            (9998, Some(5_120_000), Some(-204), GaugeValue::EchoTime(Some(Time::ns(3378.0)))),
            (9999, Some(5_130_000), Some(-200), GaugeValue::EchoTime(None)),
            // The number went round at 10000 and is carried on.
            (10_000, Some(5_140_000), Some(-196), GaugeValue::EchoTime(Some(Time::ns(3378.0)))),
        ]
    );
    let Record::Status(status) = &records[3] else { panic!("{records:?}") };
    assert_eq!((status.battery_mv, status.surface_temperature), (Some(11_800), Some(Temperature::celsius(23.5))));
    assert_eq!((counts.bad_frames, counts.frames), (1, 4));
    let wrong = text.replace("TOF=3.378", "TOF=3.379");
    let (records, dropped, _) = read(Profile::load("keyed-text-xor").unwrap(), wrong.as_bytes());
    assert_eq!(gauges(&records).len(), 2);
    assert!(dropped[0].contains("check"), "{dropped:?}");
}

fn board_frame(seq: u16, time: u32, encoder: i16) -> Vec<u8> {
    let mut frame = vec![0x5A, 0xA5];
    frame.extend(seq.to_be_bytes());
    frame.extend(time.to_be_bytes());
    frame.extend(encoder.to_be_bytes());
    frame.push(77);
    frame.extend((0..240u16).map(|n| if n % 100 == 7 { 0x5A } else { n as u8 }));
    let sum = backwall_stream::crc::by_name("CRC-16/IBM-3740").unwrap().of(&frame[2..]) as u16;
    frame.extend(sum.to_be_bytes());
    frame
}

#[test]
fn fixed_frames_are_found_in_noise_and_narrow_counters_carried_on() {
    let frames = [
        board_frame(65_534, u32::MAX - 500, 32_767),
        board_frame(65_535, 499, -32_768),
        board_frame(0, 1499, -32_767),
        board_frame(1, 2499, 32_767),
    ];
    assert_eq!(frames[0].len(), 253);
    let mut bytes = b"\x5Anoise\x5A\xA5".to_vec();
    for frame in &frames {
        bytes.extend(frame);
    }
    bytes.extend(&frames[0][..100]);
    let (records, _, counts) = read(Profile::load("fixed-binary").unwrap(), &bytes);
    let Record::Header(header) = &records[0] else { panic!("{records:?}") };
    assert_eq!((header.base.rate.as_mhz(), header.base.bits, header.samples), (20.0, 8, 240));
    let shots: Vec<_> = records[1..]
        .iter()
        .map(|record| match record {
            Record::Shot(shot) => shot,
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(shots.iter().map(|shot| shot.seq).collect::<Vec<_>>(), [65_534, 65_535, 65_536, 65_537]);
    let first = u64::from(u32::MAX) - 500;
    assert_eq!(
        shots.iter().map(|shot| shot.device_time_us.unwrap()).collect::<Vec<_>>(),
        [first, first + 1000, first + 2000, first + 3000]
    );
    assert_eq!(shots.iter().map(|shot| shot.encoder.unwrap()).collect::<Vec<_>>(), [32_767, 32_768, 32_769, 32_767]);
    assert_eq!((shots[0].gain, shots[0].samples[0], shots[0].samples[200]), (Decibel::db(38.5), -128, 72));
    // The sync bytes in the noise, and the frame that was cut.
    assert_eq!((counts.frames, counts.bad_frames, counts.garbage_bytes), (4, 2, 108));
}

#[test]
fn a_damaged_fixed_frame_is_lost_alone() {
    let frames: Vec<u8> = (0..4).flat_map(|n| board_frame(n, 1000 * u32::from(n), 0)).collect();
    for place in 253..506 {
        for change in [1, 0x80, 0xFF] {
            let mut damaged = frames.clone();
            damaged[place] ^= change;
            let (records, _, counts) = read(Profile::load("fixed-binary").unwrap(), &damaged);
            assert_eq!((records.len(), counts.garbage_bytes), (4, 253), "byte {place}");
        }
    }
}

const BOARD: &str = r#"
name = "board"
byte_order = "little"
[framing]
kind = "sync-length"
sync_hex = "AA 55"
max_frame_bytes = 64
length_type = "u8"
length_adds_bytes = 8
end_hex = "0D"
[check]
kind = "crc"
algorithm = "CRC-32/ISCSI"
[[record]]
kind = "gauge"
when_hex = "47"
fields = [
    { meaning = "thickness", type = "f32", unit = "in" },
    { name = "spare", type = "skip", bytes = 2 },
    { meaning = "encoder", type = "i24", byte_order = "big" },
]
"#;

fn length_frame(value: f32, encoder: i32) -> Vec<u8> {
    let mut frame = vec![0xAA, 0x55, 10, 0x47];
    frame.extend(value.to_le_bytes());
    frame.extend([0xAA, 0x55]);
    frame.extend(&encoder.to_be_bytes()[1..]);
    let sum = backwall_stream::crc::by_name("CRC-32/ISCSI").unwrap().of(&frame) as u32;
    frame.extend(sum.to_le_bytes());
    frame.push(0x0D);
    frame
}

#[test]
fn frames_of_stated_length_survive_any_one_changed_byte() {
    let frames: Vec<Vec<u8>> = (0..4).map(|n| length_frame(0.25 * (n + 1) as f32, -5 * n)).collect();
    let bytes = frames.concat();
    let good = Profile::parse("board.toml", BOARD).unwrap();
    let (records, _, counts) = read(good.clone(), &bytes);
    // No number and no clock are sent: the decoder counts.
    assert_eq!(gauges(&records).iter().map(|gauge| gauge.0).collect::<Vec<_>>(), [0, 1, 2, 3]);
    assert_eq!(gauges(&records)[3], (3, None, Some(-15), mm(25.4)));
    assert_eq!((counts.frames, counts.bad_frames, counts.garbage_bytes), (4, 0, 0));
    for place in 0..bytes.len() {
        for change in [1, 0x80, 0xFF] {
            let mut damaged = bytes.clone();
            damaged[place] ^= change;
            let (records, _, counts) = read(good.clone(), &damaged);
            let values: Vec<_> = gauges(&records).iter().map(|gauge| gauge.3).collect();
            let mut due: Vec<_> = (1..=4).map(|n| mm(25.4 * 0.25 * f64::from(n))).collect();
            due.remove(place / frames[0].len());
            assert_eq!(values, due, "byte {place} changed by {change:02X}");
            assert_eq!(counts.garbage_bytes, frames[0].len() as u64);
        }
    }
}

/// A profile that must be good, and what one line of text then reads as.
#[test]
fn text_devices_by_example() {
    let line = |record: &str| format!("name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\n{record}");
    for (record, text, want) in [
        // A number and its unit, however the device is set.
        (r#"fields = [{ meaning = "thickness", column = 1, unit_column = 2 }]"#, "6.20 mm\n0.5 in\n7 furlong\n", vec![mm(6.2), mm(12.7)]),
        (
            r#"fields = [{ meaning = "thickness", column = 1, unit = "as-sent" }]"#,
            "6.20mm\n0.500in\n6.2\n0.5\"\n",
            vec![mm(6.2), mm(12.7), mm(12.7)],
        ),
        (
            "delimiter = \";\"\ndecimal_comma = true\nfields = [{ meaning = \"thickness\", column = 2, unit = \"mm\", absent = [0, \"\"] }]",
            "a; 6,25\na;0\na;\na;6.5\na;0,00\n",
            vec![mm(6.25), NO_WALL, NO_WALL, mm(6.5), NO_WALL],
        ),
        (
            "delimiter = \",\"\nsign = \":\"\nfields = [{ meaning = \"thickness\", key = \"THK\", unit = \"um\" }]",
            "P:3, THK: 6204\nTHK:1,THK:2\nP:3\n",
            vec![mm(6.204)],
        ),
        (
            "when = \"TH=\"\nfields = [{ meaning = \"thickness\", column = 1, unit = \"mil\", scale = 0.5 }]",
            "TH=1000\nTT=1000\n",
            vec![mm(12.7)],
        ),
        (
            "delimiter = \",\"\nfields = [{ column = 1, must_be = \"OK\" }, { meaning = \"thickness\", column = 2, unit = \"mm\" }]",
            "OK,5\nBAD,5\n",
            vec![mm(5.0)],
        ),
    ] {
        let profile = Profile::parse("t.toml", &line(record)).unwrap_or_else(|error| panic!("{record}\n{error}"));
        let (records, _, _) = read(profile, text.as_bytes());
        let values: Vec<_> = gauges(&records).iter().map(|gauge| gauge.3).collect();
        assert_eq!(values, want, "{record}");
    }
}

#[test]
fn a_text_device_may_send_waveforms_in_columns() {
    let text = r#"
name = "scope"
[framing]
kind = "line"
[[record]]
kind = "header"
when = "H,"
delimiter = ","
fields = [
    { meaning = "sample-rate", column = 1, unit = "MHz" },
    { meaning = "first-sample", column = 2, unit = "us" },
    { meaning = "converter-bits", column = 3 },
]
[[record]]
kind = "shot"
when = "S,"
delimiter = ","
fields = [{ meaning = "encoder", column = 1 }, { meaning = "samples", column = 2, rest = true }]
"#;
    let (records, _, counts) = read(Profile::parse("scope.toml", text).unwrap(), b"S,1,2,3\nH,50,-0.1,12\nS,7,-3,4,5\nS,8,40000\n");
    let [Record::Header(header), Record::Shot(shot)] = &records[..] else { panic!("{records:?}") };
    assert_eq!((header.base.rate.as_hz(), header.base.first.as_ns()), (50e6, -100.0));
    assert_eq!((shot.encoder, &shot.samples[..]), (Some(7), &[-3, 4, 5][..]));
    assert_eq!((counts.before_header, counts.bad_frames), (1, 1));
}

#[test]
fn an_endless_line_is_dropped_once_and_memory_stays_small() {
    let mut decoder = Decoder::new(Arc::new(Profile::load("delimited-text").unwrap())).keeping_bytes();
    let mut out = Vec::new();
    for _ in 0..1000 {
        decoder.push(&[b'7'; 1000], &mut out);
    }
    decoder.push(b"\n1;2;3;4\n", &mut out);
    assert_eq!(out.len(), 2);
    assert!(out[0].bytes.len() <= 256);
    assert_eq!((decoder.counts().bad_frames, decoder.counts().frames, decoder.counts().garbage_bytes), (1, 1, 1_000_001));
}

#[test]
fn every_mistake_is_told_with_file_line_and_key() {
    let text = r##"name = "bad"
[link]
bauds = 9600
data_bits = 9
[framing]
kind = "sync-length"
sync_hex = "AA 5"
length_type = "i8"
[check]
kind = "crc"
algorithm = "CRC-32/CASTAGNOLY"
[header]
sample_rate_hz = "fast"
[[record]]
kind = "shot"
fields = [
    { meaning = "thickness", type = "u16", unit = "mm" },
    { meaning = "gain", type = "i16" },
    { meaning = "device-time", type = "u32", unit = "mm" },
    { meaning = "encoder", type = "u128" },
    { meaning = "samples", type = "i16" },
    { type = "text" },
    { meaning = "seq", type = "u8", colour = 3 },
]
[[record]]
kind = "gauge"
fields = [{ meaning = "encoder", column = 0 }]
[send]
gain = "GAIN"
"##;
    let error = Profile::parse("bad.toml", text).unwrap_err();
    let told = error.to_string();
    for due in [
        "bad.toml:3: link.bauds: unknown field `bauds`",
        "bad.toml:4: link.data_bits: 9 is not possible",
        "bad.toml:5: framing.max_frame_bytes: is missing",
        "bad.toml:7: framing.sync_hex: 'AA 5' is not bytes in hexadecimal",
        "bad.toml:11: check.algorithm: 'CRC-32/CASTAGNOLY' is not in the CRC catalogue: did you mean CRC-32/CASTAGNOLI?",
        "bad.toml:13: header.sample_rate_hz: invalid type",
        "bad.toml:17: record[0].fields[0].meaning: thickness does not belong in a shot record",
        "bad.toml:18: record[0].fields[1].unit: is missing: gain is in one of dB",
        "bad.toml:19: record[0].fields[2].unit: 'mm' is not a unit of device-time",
        "bad.toml:20: record[0].fields[3].type: unknown variant `u128`",
        "bad.toml:21: record[0].fields[4].meaning: samples are numbers and take the rest",
        "bad.toml:22: record[0].fields[5].bytes: is missing",
        "bad.toml:23: record[0].fields[6].colour: unknown field `colour`",
        "bad.toml:26: record[1].kind: an earlier record takes every frame",
        "bad.toml:27: record[1].fields: a gauge record needs one field",
        "bad.toml:27: record[1].fields[0].column: 0 is not possible",
        "bad.toml:29: send.gain: unknown field `gain`",
    ] {
        assert!(told.lines().any(|line| line.starts_with(due)), "missing: {due}\nin:\n{told}");
    }
    let lines: Vec<_> = error.problems.iter().map(|problem| problem.line).collect();
    assert!(lines.is_sorted(), "{told}");
}

#[test]
fn a_mistake_that_stands_alone_is_told_alone() {
    let good = BOARD;
    assert!(Profile::parse("p.toml", good).is_ok());
    for (from, to, due) in [
        ("kind = \"sync-length\"", "kind = \"slip\"", "p.toml:5: framing.kind: unknown variant `slip`"),
        ("sync_hex = \"AA 55\"\n", "", "p.toml:4: framing.sync_hex: is missing"),
        ("length_type = \"u8\"", "length_type = \"f32\"", "p.toml:8: framing.length_type: must be u8, u16, u24 or u32"),
        ("length_adds_bytes = 8\n", "", "p.toml:4: framing.length_adds_bytes: is missing"),
        ("max_frame_bytes = 64", "max_frame_bytes = 4", "p.toml:7: framing.max_frame_bytes: 4 is not possible"),
        ("algorithm = \"CRC-32/ISCSI\"\n", "", "p.toml:11: check.algorithm: is missing"),
        ("kind = \"crc\"", "kind = \"none\"", "p.toml:13: check.algorithm: is of no use"),
        ("when_hex = \"47\"", "when_hex = \"4\"", "p.toml:16: record[0].when_hex: '4' is not bytes"),
        ("bytes = 2", "bytes = -2", "p.toml:19: record[0].fields[1].bytes: invalid value: integer `-2`"),
        (
            "unit = \"in\"",
            "unit = \"ft\"",
            "p.toml:18: record[0].fields[0].unit: 'ft' is not a unit of thickness: one of mm, um, nm, in, mil",
        ),
        (
            "meaning = \"encoder\", ",
            "meaning = \"thickness\", unit = \"mm\", ",
            "p.toml:20: record[0].fields[2].meaning: thickness is given twice",
        ),
        ("name = \"board\"", "name = \"\"", "p.toml:2: name: is missing"),
        ("end_hex = \"0D\"", "end_hex = \"0D", "p.toml:10: "),
    ] {
        assert!(good.contains(from), "{from}");
        let error = Profile::parse("p.toml", &good.replacen(from, to, 1)).map(|_| ()).expect_err(due).to_string();
        assert!(error.lines().next().unwrap().starts_with(due), "want {due}\ngot  {error}");
        assert_eq!(error.lines().count(), 1, "{error}");
    }
}

/// The guide's worked device: the profile printed there is the one that is tested, and it reads what is printed.
#[test]
fn the_worked_example_of_the_guide_is_true() {
    let guide = include_str!("../../docs/new-device.md");
    let text = include_str!("../data/stream/quorbel.toml");
    assert!(guide.contains(&format!("```toml\n{text}```")), "docs/new-device.md prints another profile");
    let sent = include_str!("../data/stream/quorbel.txt").replace("\r\n", "\n").replace('\n', "\r\n");
    let (records, dropped, _) = read(Profile::parse("quorbel.toml", text).unwrap(), sent.as_bytes());
    assert_eq!(
        gauges(&records),
        [
            // 0.388 in is 9.8552 mm, exactly.
            (17, None, Some(5124), mm(0.388 * 25.4)),
            (18, None, Some(5129), NO_WALL),
            (19, None, Some(5134), mm(9.84)),
        ]
    );
    assert_eq!(dropped.len(), 1);
    let Record::Status(status) = &records[0] else { panic!("{records:?}") };
    assert_eq!(status.battery_mv, Some(3710));
}

fn cut_up(profile: &Profile, chunks: &[&[u8]]) -> (Vec<DecodedWhat>, backwall_stream::DecodeCounts) {
    let mut decoder = Decoder::new(Arc::new(profile.clone()));
    let mut out = Vec::new();
    for chunk in chunks {
        decoder.push(chunk, &mut out);
    }
    decoder.finish(&mut out);
    (out.into_iter().map(|one| one.what).collect(), decoder.counts())
}

proptest! {
    /// For every framing: no bytes make it panic, and how they are cut up changes nothing.
    #[test]
    fn no_bytes_break_a_profile_and_chunks_do_not_matter(
        pieces in proptest::collection::vec(
            prop_oneof![
                proptest::collection::vec(any::<u8>(), 0..40),
                Just(b"1;10;-4;6.2\n".to_vec()),
                Just(b"R,00017,+0512.4,0.388in,OK\r\n".to_vec()),
                Just(b"$UTST,BAT=11.8,TS=23.5*5A\r\n".to_vec()),
                Just(vec![0x5A, 0xA5]),
                Just(vec![0xAA, 0x55, 10, 0x47]),
                Just(vec![b'7'; 300]),
                Just(board_frame(7, 8, 9)),
                Just(length_frame(0.5, 3)),
            ],
            0..12,
        ),
        cuts in proptest::collection::vec(0usize..3000, 0..12),
    ) {
        let bytes = pieces.concat();
        let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(bytes.len())).chain([0, bytes.len()]).collect();
        cuts.sort_unstable();
        let chunks: Vec<&[u8]> = cuts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
        let texts = Profile::shipped().map(|(_, text)| text).chain([BOARD, include_str!("../data/stream/quorbel.toml")]);
        for text in texts {
            let profile = Profile::parse("p.toml", text).unwrap();
            prop_assert_eq!(cut_up(&profile, &chunks), cut_up(&profile, &[&bytes]));
        }
    }
}
