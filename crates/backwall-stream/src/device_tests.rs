//! Invented devices, by their profiles and bytes: counters that run backwards, delays with every shot, status words, channels, JSON.

use crate::{DecodedWhat, Decoder, Profile};
use backwall_survey::job::Plan;
use backwall_survey::reading::{GaugeValue, Record};
use backwall_survey::travel::{Moment, Odometer, Path};
use backwall_units::{Length, Time};
use proptest::prelude::*;
use std::sync::Arc;

fn decoder(profile: &str) -> Decoder {
    Decoder::new(Arc::new(Profile::parse("t.toml", profile).unwrap_or_else(|error| panic!("{error}"))))
}

fn all(profile: &str, bytes: &[u8]) -> (Vec<DecodedWhat>, Decoder) {
    let mut decoder = decoder(profile);
    let mut out = Vec::new();
    decoder.push(bytes, &mut out);
    decoder.finish(&mut out);
    (out.into_iter().map(|one| one.what).collect(), decoder)
}

fn records(profile: &str, bytes: &[u8]) -> Vec<Record> {
    let records = all(profile, bytes).0.into_iter();
    records.filter_map(|what| if let DecodedWhat::Record(record) = what { Some(record) } else { None }).collect()
}

fn gauges(profile: &str, bytes: &[u8]) -> Vec<(u32, Option<i32>, GaugeValue)> {
    let of = |record: Record| if let Record::Gauge(gauge) = record { Some((gauge.seq, gauge.encoder, gauge.value)) } else { None };
    records(profile, bytes).into_iter().filter_map(of).collect()
}

fn mm(value: f64) -> GaugeValue {
    GaugeValue::Thickness(Some(Length::mm(value)))
}

// A drive of 299 mm with 100 counts a mm, begun close to where each counter goes round: 29,900 counts back from where it began.
#[test]
fn a_counter_that_is_turned_round_keeps_its_place_whatever_its_type() {
    for (wire, bytes, start) in [
        ("u16", 2, 40_000i64),
        ("i16", 2, -20_000),
        ("u24", 3, 16_770_000),
        ("i24", 3, 8_380_000),
        ("u32", 4, u32::MAX.into()),
        ("i32", 4, i32::MAX.into()),
    ] {
        let profile = format!(
            "name = \"t\"\n[framing]\nkind = \"fixed\"\nsync_hex = \"5A A5\"\nframe_bytes = {}\n[[record]]\nkind = \"gauge\"\n\
             fields = [{{ meaning = \"encoder\", type = \"{wire}\", scale = -1 }}, {{ meaning = \"thickness\", type = \"u16\", unit = \"um\" }}]\n",
            4 + bytes
        );
        let mut sent = Vec::new();
        for shot in 0..300i64 {
            sent.extend([0x5A, 0xA5]);
            sent.extend(&(start + 100 * shot).to_le_bytes()[..bytes]);
            sent.extend(9_000u16.to_le_bytes());
        }
        let places: Vec<i32> = gauges(&profile, &sent).iter().map(|gauge| gauge.1.unwrap()).collect();
        let due: Vec<i32> = (0..300).map(|shot| -100 * shot).collect();
        assert_eq!(places.iter().map(|at| at.wrapping_sub(places[0])).collect::<Vec<_>>(), due, "{wire}");
    }
    let text = "name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\ndelimiter = \",\"\ncolumns = 2\n\
        fields = [{ meaning = \"encoder\", column = 1, wraps_at = 1000, scale = -10 }, { meaning = \"thickness\", column = 2, unit = \"mm\" }]\n";
    let places: Vec<i32> = gauges(text, b"999.8,9\n0.1,9\n1,9\n999.9,9\n").iter().map(|gauge| gauge.1.unwrap()).collect();
    assert_eq!(places, [-9_998, -10_001, -10_010, -9_999]);
}

/// Places of a walk in mm from where it began, by a device whose counter has this type; nothing where it is text that goes round at `wraps_at`.
fn walked(wire: Option<(&str, u32)>, wraps_at: i64, scale: i32, counts: &[i64]) -> Vec<f64> {
    let (profile, sent) = match wire {
        Some((wire, bytes)) => {
            let profile = format!(
                "name = \"t\"\n[framing]\nkind = \"fixed\"\nsync_hex = \"5A A5\"\nframe_bytes = {}\n[[record]]\nkind = \"gauge\"\n\
                 fields = [{{ meaning = \"encoder\", type = \"{wire}\", scale = {scale} }}, {{ meaning = \"thickness\", type = \"u16\", unit = \"um\" }}]\n",
                4 + bytes
            );
            let frame = |at: &i64| [&[0x5A_u8, 0xA5][..], &at.to_le_bytes()[..bytes as usize], &9_000u16.to_le_bytes()[..]].concat();
            (profile, counts.iter().flat_map(frame).collect::<Vec<u8>>())
        }
        None => {
            let profile = format!(
                "name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\ndelimiter = \",\"\ncolumns = 2\n\
                 fields = [{{ meaning = \"encoder\", column = 1, wraps_at = {wraps_at}, scale = {scale} }}, {{ meaning = \"thickness\", column = 2, unit = \"mm\" }}]\n"
            );
            (profile, counts.iter().map(|at| format!("{},9.0\n", at.rem_euclid(wraps_at))).collect::<String>().into_bytes())
        }
    };
    let plan = Plan::parse("plan.toml", include_str!("../../../demo-stream/plan.toml")).unwrap();
    // Long enough for any walk here, on both sides; 40 counts a mm.
    let start = Length::metres(1000.0);
    let path = Path { start, length: Length::metres(2000.0), max_speed: None, ..plan.path(&plan.lines[0]) };
    let mut odometer = Odometer::new(path).unwrap();
    let mut place = |counts: i32| odometer.place(Some(counts), None, Moment { device_us: None, host_us: 0 }).0.along.unwrap();
    gauges(&profile, &sent).into_iter().map(|(_, counts, _)| (place(counts.unwrap()) - start).as_mm()).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    /// From the bytes of every type of counter to the place on the wall: turned round, a walk is the mirror of itself, and never farther from its
    /// start than was walked. A counter cannot be followed over half of its way round and more from one shot to the next.
    #[test]
    fn a_walk_whose_counter_is_turned_round_is_its_mirror_whatever_type_it_has(
        start in any::<i64>(), steps in prop::collection::vec(-1000i64..=1000, 1..80),
    ) {
        let types = [("u8", 1), ("i8", 1), ("u16", 2), ("i16", 2), ("u24", 3), ("i24", 3), ("u32", 4), ("i32", 4)];
        let texts = [100, 1000, 100_000];
        let ways = types.map(|(wire, bytes)| (Some((wire, bytes)), 1i64 << (8 * bytes))).into_iter().chain(texts.map(|at| (None, at)));
        for (wire, round) in ways {
            let most = round / 2 - 1;
            let steps: Vec<i64> = steps.iter().map(|step| (*step).clamp(-most, most)).collect();
            let mut at = start.rem_euclid(round);
            let counts: Vec<i64> = std::iter::once(at).chain(steps.iter().map(|step| { at += step; at })).collect();
            let (forwards, turned) = (walked(wire, round, 1, &counts), walked(wire, round, -1, &counts));
            prop_assert_eq!((forwards.len(), turned.len()), (counts.len(), counts.len()));
            let mut walked = 0;
            for (index, (there, mirrored)) in forwards.iter().zip(&turned).enumerate() {
                walked += if index == 0 { 0 } else { steps[index - 1].abs() };
                let due = (counts[index] - counts[0]) as f64 / 40.0;
                prop_assert!((there - due).abs() < 1e-3, "{:?} {} {}: {} for {}", wire, round, index, there, due);
                prop_assert!((there + mirrored).abs() < 2e-3, "{:?} {} {}: {} and {}", wire, round, index, there, mirrored);
                prop_assert!(mirrored.abs() <= walked as f64 / 40.0 + 1e-3, "{:?} {}: {} is farther than {} counts", wire, round, mirrored, walked);
            }
        }
    }
}

#[test]
fn a_device_that_starts_anew_is_not_taken_for_one_that_went_round() {
    let profile = "name = \"t\"\n[framing]\nkind = \"fixed\"\nsync_hex = \"5A A5\"\nframe_bytes = 12\n[[record]]\nkind = \"gauge\"\n\
        fields = [{ meaning = \"seq\", type = \"u16\" }, { meaning = \"device-time\", type = \"u32\", unit = \"us\" }, { meaning = \"encoder\", type = \"i16\" }, { meaning = \"thickness\", type = \"u16\", unit = \"um\" }]\n";
    let mut sent = Vec::new();
    for (seq, time, encoder) in [(40_000u16, 4_000_000_000u32, 32_700i16), (40_001, 4_000_010_000, -32_736), (0, 1_000, 0), (1, 11_000, 50)]
    {
        sent.extend([0x5A, 0xA5]);
        sent.extend(seq.to_le_bytes());
        sent.extend(time.to_le_bytes());
        sent.extend(encoder.to_le_bytes());
        sent.extend(9_000u16.to_le_bytes());
    }
    let of = |record: Record| {
        if let Record::Gauge(gauge) = record {
            (gauge.seq, gauge.device_time_us.unwrap(), gauge.encoder.unwrap())
        } else {
            panic!("{record:?}")
        }
    };
    let found: Vec<_> = records(profile, &sent).into_iter().map(of).collect();
    assert_eq!(found, [(40_000, 4_000_000_000, 32_700), (40_001, 4_000_010_000, 32_800), (0, 1_000, 0), (1, 11_000, 50)]);
}

const DELAYED: &str = "name = \"t\"\n[framing]\nkind = \"fixed\"\nsync_hex = \"5A A5\"\nframe_bytes = 10\n[header]\nsample_rate_hz = 40000000\nconverter_bits = 8\nsamples = 4\n[[record]]\nkind = \"shot\"\n\
    fields = [{ meaning = \"seq\", type = \"u16\" }, { meaning = \"first-sample\", type = \"u16\", unit = \"ns\" }, { meaning = \"samples\", type = \"i8\", rest = true }]\n";

#[test]
fn a_delay_that_comes_with_each_shot_is_that_shots_time_base() {
    let frame = |seq: u8, first: u16| [&[0x5A, 0xA5, seq, 0], &first.to_le_bytes()[..], &[1, 2, 3, 4]].concat();
    let sent = [frame(0, 500), frame(1, 500), frame(2, 1_250)].concat();
    let found = records(DELAYED, &sent);
    let of = |record: &Record| match record {
        Record::Header(header) => ("header", header.base.first.as_ns() as u32),
        Record::Shot(shot) => ("shot", shot.seq),
        other => panic!("{other:?}"),
    };
    let found: Vec<_> = found.iter().map(of).collect();
    assert_eq!(found, [("header", 0), ("header", 500), ("shot", 0), ("shot", 1), ("header", 1_250), ("shot", 2)]);
    let first = Time::ns(1_250.0);
    assert_eq!(all(DELAYED, &sent).1.counts().frames, 3, "{first:?}");
}

const STATUS: &str = "name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\ndelimiter = \",\"\ncolumns = 3\n\
    fields = [{ meaning = \"encoder\", column = 1 }, { meaning = \"thickness\", column = 2, unit = \"mm\" }, { name = \"state\", column = 3, COND }]\n";

#[test]
fn a_status_word_makes_a_reading_no_coupling_at_its_place() {
    let sent = b"0,9.84,ST=OK\n10,9.84,ST=LC\n20,---,ST=LC\n30,---,ST=OK\n";
    for condition in ["valid_when = \"ST=OK\"", "flag_when = [\"ST=LC\", \"ST=ER\"]"] {
        let profile = STATUS.replace("COND", condition);
        let due = [(0, Some(0), mm(9.84)), (1, Some(10), GaugeValue::NoCoupling), (2, Some(20), GaugeValue::NoCoupling)];
        assert_eq!(gauges(&profile, sent), due, "{condition}");
        // What is valid and cannot be read is a mistake still.
        assert_eq!(all(&profile, sent).1.counts().bad_frames, 1);
    }
    let bits = STATUS.replace("COND", "flag_when = { mask = 0x06, is = 0x04 }");
    let values: Vec<_> = gauges(&bits, b"0,9,0x01\n1,9,0x05\n2,9,6\n3,9,4\n").into_iter().map(|gauge| gauge.2).collect();
    assert_eq!(values, [mm(9.0), GaugeValue::NoCoupling, mm(9.0), GaugeValue::NoCoupling]);
}

#[test]
fn records_are_known_by_any_of_their_fields() {
    let profile = "name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\ndelimiter = \",\"\n\
        fields = [{ meaning = \"thickness\", column = 1, unit = \"mm\" }, { name = \"kind\", column = 2, only_when = \"W\" }]\n\
        [[record]]\nkind = \"status\"\ndelimiter = \",\"\nfields = [{ meaning = \"battery\", column = 1, unit = \"V\" }, { name = \"kind\", column = 2, only_when = [\"B\", \"P\"] }]\n";
    let (found, decoder) = all(profile, b"9.5,W\n3.7,B\n3.6,P\n1,X\n");
    assert!(
        matches!(
            &found[..],
            [
                DecodedWhat::Record(Record::Gauge(_)),
                DecodedWhat::Record(Record::Status(_)),
                DecodedWhat::Record(Record::Status(_)),
                DecodedWhat::Unknown
            ]
        ),
        "{found:?}"
    );
    assert_eq!((decoder.counts().frames, decoder.counts().unknown, decoder.counts().bad_frames), (3, 1, 0));
}

#[test]
fn bits_of_a_number_are_fields_of_their_own() {
    let profile = "name = \"t\"\nbyte_order = \"big\"\n[framing]\nkind = \"fixed\"\nsync_hex = \"5A A5\"\nframe_bytes = 6\n[[record]]\nkind = \"gauge\"\n\
        fields = [{ name = \"coupled\", type = \"u16\", at_byte = 0, bits = [15, 1], valid_when = 1 }, { meaning = \"thickness\", type = \"u16\", at_byte = 0, bits = [0, 12], unit = \"mm\", scale = 0.01 }, { meaning = \"encoder\", type = \"i16\", bits = [4, 12] }]\n";
    let sent = [0x5A, 0xA5, 0x83, 0xD8, 0xFF, 0xF7, 0x5A, 0xA5, 0x03, 0xD8, 0x00, 0x10];
    assert_eq!(gauges(profile, &sent), [(0, Some(-1), mm(9.84)), (1, Some(1), GaugeValue::NoCoupling)]);
}

#[test]
fn samples_come_as_24_bits_as_differences_and_in_base64() {
    let shot = |frame: usize, bits: u8, samples: &str| {
        format!(
            "name = \"t\"\n[framing]\nkind = \"fixed\"\nsync_hex = \"5A A5\"\nframe_bytes = {frame}\n[header]\nsample_rate_hz = 40000000\nfirst_sample_ns = 0\nconverter_bits = {bits}\nsamples = 3\n\
             [[record]]\nkind = \"shot\"\nfields = [{{ meaning = \"samples\", {samples}, rest = true }}]\n"
        )
    };
    let samples = |profile: &str, bytes: &[u8]| match records(profile, bytes).pop() {
        Some(Record::Shot(shot)) => shot.samples.to_vec(),
        other => panic!("{other:?}"),
    };
    let wide = [0x5A, 0xA5, 0x00, 0x01, 0x00, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0x7F];
    assert_eq!(samples(&shot(11, 16, "type = \"i24\", scale = 0.00390625"), &wide), [1, -1, 32_767]);
    assert_eq!(
        samples(
            &shot(5, 12, "type = \"i8\", encoding = \"delta\"").replace("converter_bits = 12", "converter_bits = 8"),
            &[0x5A, 0xA5, 100, 27, 0x80]
        ),
        [100, 127, -1]
    );
    let text = "name = \"t\"\n[framing]\nkind = \"line\"\n[header]\nsample_rate_hz = 40000000\nfirst_sample_ns = 0\nconverter_bits = 12\n\
        [[record]]\nkind = \"shot\"\ndelimiter = \",\"\ncolumns = 2\nfields = [{ meaning = \"seq\", column = 1 }, { meaning = \"samples\", column = 2, encoding = \"base64\", type = \"i16\" }]\n";
    // Python: base64.b64encode(struct.pack("<4h", 1, -2, 300, -2048)).
    assert_eq!(samples(text, b"7,AQD+/ywBAPg=\n"), [1, -2, 300, -2048]);
    assert_eq!(all(text, b"7,AQD+/ywBAP\n").1.counts().bad_frames, 1);
}

const CHANNELS: &str = "name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\ndelimiter = \",\"\ncolumns = 3\n\
    fields = [{ meaning = \"channel\", column = 1 }, { meaning = \"encoder\", column = 2 }, { meaning = \"thickness\", column = 3, unit = \"mm\" }]\n";

#[test]
fn one_channel_is_read_and_another_is_never_merged_with_it() {
    let sent = b"1,0,9\n2,0,12\n1,10,9.1\n2,10,12.1\n";
    let (found, decoder) = all(CHANNELS, sent);
    assert_eq!(gauges(CHANNELS, sent), [(0, Some(0), mm(9.0)), (1, Some(10), mm(9.1))], "the first that comes");
    assert_eq!(found.iter().filter(|what| **what == DecodedWhat::OtherChannel { channel: "2".to_owned(), seq: None }).count(), 2);
    assert_eq!(decoder.counts().other_channels, 2);
    let chosen = Profile::parse("t.toml", CHANNELS).unwrap().on_channel("2").unwrap();
    assert_eq!(gauges(&chosen.text, sent), [(0, Some(0), mm(12.0)), (1, Some(10), mm(12.1))], "the text that is kept says so");
    assert!(chosen.on_channel("1").is_err() && Profile::load("delimited-text").unwrap().on_channel("1").is_err());
}

#[test]
fn json_lines_are_read_by_their_paths() {
    let profile = "name = \"t\"\n[framing]\nkind = \"json\"\n[[record]]\nkind = \"gauge\"\n\
        fields = [{ name = \"kind\", path = \"type\", only_when = \"wall\" }, { meaning = \"seq\", path = \"n\" }, { meaning = \"encoder\", path = \"at[0]\" }, { meaning = \"thickness\", path = \"wall.value\", unit_path = \"wall.unit\", absent = \"\" }, { name = \"coupled\", path = \"ok\", valid_when = true }]\n\
        [[record]]\nkind = \"ignore\"\nfields = [{ path = \"type\", only_when = \"hello\" }]\n";
    let sent = b"pe\": 3}\n{\"type\":\"hello\"}\n{\"type\":\"wall\",\"n\":7,\"at\":[12,0],\"wall\":{\"value\":0.5,\"unit\":\"in\"},\"ok\":true}\n\
        {\"type\":\"wall\",\"n\":8,\"at\":[13],\"wall\":{\"value\":null},\"ok\":true}\n{\"type\":\"wall\",\"n\":9,\"at\":[14],\"wall\":{\"value\":9,\"unit\":\"mm\"},\"ok\":false}\n{\"type\":\"wall\",\"n\":10\n";
    let mut decoder = decoder(profile);
    decoder.resync();
    let mut out = Vec::new();
    decoder.push(sent, &mut out);
    let found: Vec<_> = out
        .into_iter()
        .filter_map(|one| match one.what {
            DecodedWhat::Record(Record::Gauge(gauge)) => Some((gauge.seq, gauge.encoder, gauge.value)),
            _ => None,
        })
        .collect();
    assert_eq!(found, [(7, Some(12), mm(12.7)), (8, Some(13), GaugeValue::Thickness(None)), (9, Some(14), GaugeValue::NoCoupling)]);
    assert_eq!((decoder.counts().bad_frames, decoder.reasons().get("not one JSON object").copied()), (1, None), "{:?}", decoder.reasons());
}

#[test]
fn the_first_frame_counts_where_its_check_proves_it_and_the_rest_of_one_is_no_bad_frame() {
    let mut decoder = Decoder::new(Arc::new(Profile::load("keyed-text-xor").unwrap()));
    decoder.resync();
    let mut out = Vec::new();
    decoder.push(b"TOF=3.378,U=us*51\r\n$UTWT,N=9998,T=5.120,E=-204,TOF=3.378,U=us*51\r\n", &mut out);
    assert_eq!((decoder.counts().frames, decoder.counts().bad_frames, out.len()), (1, 0, 1));
    let mut whole = Decoder::new(Arc::new(Profile::load("keyed-text-xor").unwrap()));
    whole.resync();
    whole.push(b"$UTWT,N=9998,T=5.120,E=-204,TOF=3.378,U=us*51\r\n", &mut out);
    assert_eq!(whole.counts().frames, 1);
}

/// What was read of text that a live link brought: seq of each.
fn opened(profile: &str, sent: &[u8]) -> Vec<u32> {
    let mut decoder = decoder(profile);
    decoder.resync();
    let mut out = Vec::new();
    decoder.push(sent, &mut out);
    decoder.finish(&mut out);
    assert_eq!(decoder.counts().bad_frames, 0, "{:?}", decoder.reasons());
    let seq = |one: crate::Decoded| if let DecodedWhat::Record(Record::Gauge(gauge)) = one.what { Some(gauge.seq) } else { None };
    out.into_iter().filter_map(seq).collect()
}

#[test]
fn a_first_line_without_a_check_counts_where_the_next_number_or_its_own_form_proves_it_and_nowhere_else() {
    let numbered = include_str!("../../../profiles/stream/delimited-text.toml");
    assert_eq!(opened(numbered, b"1017;10;-4;6.2\n1018;20;-4;6.2\n"), [1017, 1018]);
    for torn in 1..14 {
        assert_eq!(opened(numbered, &b"1017;10;-4;6.2\n1018;20;-4;6.2\n"[torn..]), [1018], "{torn}");
    }
    assert_eq!(opened(numbered, b"017;10;-4;6.2\n0018;20;-4;6.2\n"), [17, 18], "it lost nothing but a zero");
    assert_eq!(opened(numbered, b"1017;10;-4;6.2\n1019;20;-4;6.2\n"), [1019], "a shot between was lost: nothing proves it");
    assert_eq!(opened(numbered, b"\n1017;10;-4;6.2\n"), [1017], "an end of line stands before it");
    let begins = "name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\nwhen = \"R,\"\ndelimiter = \",\"\ncolumns = 3\n\
        fields = [{ meaning = \"encoder\", column = 1 }, { meaning = \"seq\", column = 2 }, { meaning = \"thickness\", column = 3, unit = \"mm\" }]\n";
    assert_eq!(opened(begins, b"R,-4,17,6.2\nR,-4,19,6.2\n"), [17, 19]);
    for torn in 1..11 {
        assert_eq!(opened(begins, &b"R,-4,17,6.2\nR,-4,18,6.2\n"[torn..]), [18], "{torn}");
    }
    let bare = begins.replace("when = \"R,\"\n", "");
    assert_eq!(opened(&bare, b"1204,17,6.2\n1204,18,6.2\n"), [18], "its encoder may have lost digits");
    let signed = begins.replace("kind = \"line\"", "kind = \"line\"\nstart = \"R\"");
    assert_eq!(opened(&signed, b"4,16,6.2R,-4,17,6.2\n"), [17]);
}

#[test]
fn dropped_frames_are_counted_by_why() {
    let (_, decoder) =
        all(&std::fs::read_to_string("../../profiles/stream/delimited-text.toml").unwrap(), b"1;10;-4;6.2\n2;20;x;6\n3;30;y;6\n4;40\n");
    let reasons: Vec<_> = decoder.reasons().iter().map(|(why, count)| (why.as_str(), *count)).collect();
    assert_eq!(reasons, [("gauge: no value for 'encoder'", 2), ("gauge: not 4 columns", 1)]);
}

#[test]
fn answers_are_known_by_what_was_asked() {
    let profile = "name = \"t\"\n[framing]\nkind = \"line\"\n[poll]\nrequests = [\"T?\", \"B?\"]\n[[record]]\nkind = \"gauge\"\nanswers = 1\nfields = [{ meaning = \"thickness\", column = 1, unit = \"mm\" }]\n\
        [[record]]\nkind = \"status\"\nanswers = 2\nfields = [{ meaning = \"battery\", column = 1, unit = \"V\" }]\n";
    let mut decoder = decoder(profile);
    let mut out = Vec::new();
    for (request, answer) in [(0, "9.5\n"), (1, "3.7\n"), (0, "9.")] {
        decoder.asked(request, true);
        decoder.push(answer.as_bytes(), &mut out);
    }
    decoder.asked(1, false);
    decoder.push(b"3.6\n", &mut out);
    let kinds = out.iter().map(|one| match &one.what {
        DecodedWhat::Record(Record::Gauge(_)) => "gauge",
        DecodedWhat::Record(Record::Status(_)) => "status",
        _ => "other",
    });
    assert_eq!(kinds.collect::<Vec<_>>(), ["gauge", "status", "status"], "half an answer is no part of the next");
}
