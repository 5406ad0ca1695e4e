//! From the written profile to one that can be used: what is missing, impossible or in each other's way.

use super::findings::Findings;
use super::records::rule;
use super::written::{self, CheckKind as WrittenCheck, FramingKind, LineEnd, Written};
use super::{FixedHeader, LinkSettings, Profile, Send};
use crate::check::{ByteOrder, Check, CheckKind, CheckPlace};
use crate::crc;
use crate::framing::{Framing, LengthRule, Packed};
use crate::layout::Wire;
use crate::meaning::{Meaning, RecordKind};
use backwall_survey::job::Problem;
use backwall_units::{Frequency, Time};
use std::time::Duration;

/// The longest frame where a profile sets none, and the longest it may set.
const USUAL_FRAME: usize = 1 << 16;
const LONGEST_FRAME: usize = 1 << 24;

pub fn build(text: &str, written: &Written, wrong: &[String], problems: &mut Vec<Problem>) -> Option<Profile> {
    let mut found = Findings { text, wrong, problems };
    let name = found.needed("name", written.name.clone().filter(|name| !name.trim().is_empty()), "give the profile a name");
    let order = written.byte_order.unwrap_or_default();
    let link = link(&written.link, &mut found);
    if written.link.silence_s.is_some_and(|silence| !(1.0..=86_400.0).contains(&silence)) {
        found.add("link.silence_s", "must be between 1 and 86400");
    }
    let silence = written.link.silence_s.and_then(|silence| Duration::try_from_secs_f64(silence).ok());
    let check = check(&written.check, order, written.framing.kind, &mut found);
    let max = written.framing.max_frame_bytes.unwrap_or(USUAL_FRAME);
    found.within("framing.max_frame_bytes", max, 8, LONGEST_FRAME);
    let framing = framing(&written.framing, &check, order, max, &mut found);
    let fixed_header = header(written, &mut found);
    let send = send(&written.send, &mut found);
    if written.records.is_empty() {
        found.add("record", "is missing: describe at least one [[record]], with kind and fields");
    }
    let records = written.records.iter().enumerate().filter_map(|(index, record)| rule(index, record, order, &mut found)).collect();
    whole(written, &fixed_header, &mut found);
    Some(Profile {
        text: String::new(),
        name: name?,
        about: written.about.clone().unwrap_or_default(),
        link,
        silence,
        framing: framing?,
        max_frame_bytes: max,
        check,
        fixed_header,
        records,
        send,
    })
}

fn link(written: &written::Link, found: &mut Findings<'_>) -> LinkSettings {
    let link = LinkSettings {
        baud: written.baud.unwrap_or(115_200),
        data_bits: written.data_bits.unwrap_or(8),
        parity: written.parity.unwrap_or_default(),
        stop_bits: written.stop_bits.unwrap_or(1),
        flow: written.flow.unwrap_or_default(),
    };
    found.within("link.baud", link.baud as usize, 50, 20_000_000);
    found.within("link.data_bits", link.data_bits.into(), 5, 8);
    found.within("link.stop_bits", link.stop_bits.into(), 1, 2);
    link
}

fn check(written: &written::Check, order: ByteOrder, framing: Option<FramingKind>, found: &mut Findings<'_>) -> Check {
    let mut check = Check { order: written.byte_order.unwrap_or(order), from: written.from_byte.unwrap_or(0), ..Check::NONE };
    if written.kind != WrittenCheck::Crc {
        found.of_no_use("check.algorithm", &written.algorithm, "without kind = \"crc\"");
    }
    check.kind = match written.kind {
        WrittenCheck::None => {
            for (key, given) in [
                ("check.from_byte", written.from_byte.is_some()),
                ("check.at_byte", written.at_byte.is_some()),
                ("check.hex_behind", written.hex_behind.is_some()),
            ] {
                found.of_no_use(key, &given.then_some(()), "without a check");
            }
            CheckKind::None
        }
        WrittenCheck::Xor => CheckKind::Xor,
        WrittenCheck::Sum => CheckKind::Sum,
        WrittenCheck::Crc => {
            match found.needed("check.algorithm", written.algorithm.as_ref(), "name one of the CRC catalogue, as CRC-32/ISCSI") {
                None => CheckKind::None,
                Some(name) => match crc::by_name(name) {
                    Some(sum) => CheckKind::Crc(sum),
                    None => {
                        found.add("check.algorithm", format!("'{name}' is not in the CRC catalogue{}", crc_hint(name)));
                        CheckKind::None
                    }
                },
            }
        }
    };
    check.place = match (written.at_byte, found.one_char("check.hex_behind", written.hex_behind.as_ref())) {
        (Some(_), Some(_)) => {
            found.add("check.at_byte", "cannot go with hex_behind: give one of them");
            CheckPlace::End
        }
        (Some(at), None) => {
            if check.from < at + check.width() {
                found.add(
                    "check.at_byte",
                    "the check must stand in front of what it covers: set from_byte behind it, or leave at_byte out for a check at the end",
                );
            }
            CheckPlace::At(at)
        }
        (None, Some(sign)) => CheckPlace::HexBehind(sign as u8),
        (None, None) if framing == Some(FramingKind::Line) && written.kind != WrittenCheck::None => {
            found.add("check.hex_behind", "is missing: in text lines the check stands in hexadecimal behind a sign, as \"*\"");
            CheckPlace::End
        }
        (None, None) => CheckPlace::End,
    };
    check
}

/// Names of the same width that are nearest to what was written.
fn crc_hint(name: &str) -> String {
    let width: String = name.chars().skip_while(|char| !char.is_ascii_digit()).take_while(char::is_ascii_digit).collect();
    let start = format!("CRC_{width}_");
    let near: Vec<String> = crc::NAMES
        .iter()
        .filter_map(|known| known.strip_prefix(&start))
        .take(40)
        .map(|rest| format!("CRC-{width}/{}", rest.replace('_', "-")))
        .collect();
    if near.is_empty() || width.is_empty() {
        ": write it as there, as CRC-32/ISCSI or CRC-16/MODBUS".to_owned()
    } else {
        format!(": of {width} bits it has {}", near.join(", "))
    }
}

fn framing(written: &written::Framing, check: &Check, order: ByteOrder, max: usize, found: &mut Findings<'_>) -> Option<Framing> {
    let kind = found.needed("framing.kind", written.kind, "line, cobs, sync-length or fixed")?;
    let sync = found.hex("framing.sync_hex", written.sync_hex.as_ref());
    let tail = found.hex("framing.end_hex", written.end_hex.as_ref());
    let start = found.one_char("framing.start", written.start.as_ref());
    if kind != FramingKind::Line {
        found.of_no_use("framing.start", &written.start, "outside kind = \"line\"");
        found.of_no_use("framing.line_end", &written.line_end, "outside kind = \"line\"");
    }
    if matches!(kind, FramingKind::Line | FramingKind::Cobs) {
        for (key, given) in [
            ("framing.sync_hex", written.sync_hex.is_some()),
            ("framing.end_hex", written.end_hex.is_some()),
            ("framing.body_from_byte", written.body_from_byte.is_some()),
        ] {
            found.of_no_use(key, &given.then_some(()), "where frames are recognised by their ends");
        }
    }
    if kind != FramingKind::SyncLength {
        for (key, given) in [
            ("framing.length_type", written.length_type.is_some()),
            ("framing.length_at_byte", written.length_at_byte.is_some()),
            ("framing.length_adds_bytes", written.length_adds_bytes.is_some()),
        ] {
            found.of_no_use(key, &given.then_some(()), "outside kind = \"sync-length\"");
        }
    }
    if kind != FramingKind::Fixed {
        found.of_no_use("framing.frame_bytes", &written.frame_bytes, "outside kind = \"fixed\"");
    }
    match kind {
        FramingKind::Line => {
            let end = if written.line_end.unwrap_or_default() == LineEnd::Cr { b'\r' } else { b'\n' };
            Some(Framing::Line { end, start: start.map(|start| start as u8) })
        }
        FramingKind::Cobs => Some(Framing::Cobs),
        FramingKind::Fixed => {
            let size = found.needed("framing.frame_bytes", written.frame_bytes, "say how long each frame is")?;
            found.within("framing.frame_bytes", size, 1, max);
            if sync.is_empty() && check.width() == 0 {
                found.add("framing.kind", "fixed frames need sync_hex or a [check]: without either the start of a frame cannot be found");
            }
            let head = written.body_from_byte.unwrap_or(sync.len());
            if head + tail.len() + check.width() >= size {
                found.add("framing.frame_bytes", format!("{size} leaves no room for a body"));
            }
            Some(Framing::Packed(Packed { sync, length: LengthRule::Fixed(size), head, tail }))
        }
        FramingKind::SyncLength => {
            found.needed("framing.sync_hex", written.sync_hex.as_ref(), "the bytes each frame begins with")?;
            found.needed(
                "framing.max_frame_bytes",
                written.max_frame_bytes,
                "the longest frame the device sends; a damaged length waits for no more",
            )?;
            let wire = found.needed("framing.length_type", written.length_type, "u8, u16, u24 or u32")?;
            let width = match wire {
                Wire::U8 | Wire::U16 | Wire::U24 | Wire::U32 => wire.width()?,
                _ => {
                    found.add("framing.length_type", "must be u8, u16, u24 or u32");
                    return None;
                }
            };
            let at = written.length_at_byte.unwrap_or(sync.len());
            let head = written.body_from_byte.unwrap_or(at + width);
            if at < sync.len() {
                found.add("framing.length_at_byte", "lies within sync_hex");
            }
            if head < at + width {
                found.add("framing.body_from_byte", "the body would begin before the length ends");
            }
            let adds = found.needed(
                "framing.length_adds_bytes",
                written.length_adds_bytes,
                "the bytes of a frame that its length does not count (0 where it counts all)",
            )?;
            Some(Framing::Packed(Packed { sync, length: LengthRule::Field { at, width, order, adds }, head, tail }))
        }
    }
}

fn header(written: &Written, found: &mut Findings<'_>) -> FixedHeader {
    let header = &written.header;
    if let Some(rate) = header.sample_rate_hz
        && !(rate.is_finite() && rate > 0.0)
    {
        found.add("header.sample_rate_hz", format!("{rate} is not possible: it must be greater than 0"));
    }
    if header.first_sample_ns.is_some_and(|first| !first.is_finite()) {
        found.add("header.first_sample_ns", "must be a number");
    }
    if let Some(bits) = header.converter_bits {
        found.within("header.converter_bits", bits.into(), 2, 16);
    }
    FixedHeader {
        rate: header.sample_rate_hz.map(Frequency::hz),
        first: header.first_sample_ns.map(Time::ns),
        bits: header.converter_bits,
        samples: header.samples,
        device_id: header.device_id.unwrap_or(0),
        device_name: header.device_name.clone().or_else(|| written.name.clone()).unwrap_or_default(),
    }
}

fn send(written: &written::Send, found: &mut Findings<'_>) -> Send {
    let mut either = |name: &str, text: &Option<String>, hex: &Option<String>| {
        let key = format!("send.{name}_hex");
        if text.is_some() && hex.is_some() {
            found.add(&key, format!("cannot go with send.{name}: give one of them"));
        }
        match text {
            Some(text) => text.clone().into_bytes(),
            None => found.hex(&key, hex.as_ref()),
        }
    };
    let (start, stop) = (either("start", &written.start, &written.start_hex), either("stop", &written.stop, &written.stop_hex));
    if written.gain.as_ref().is_some_and(|gain| !gain.contains("{db}")) {
        found.add("send.gain", "has no place for the value: write {db} where the gain in dB stands");
    }
    Send { start, stop, gain: written.gain.clone() }
}

/// What only the whole profile shows.
fn whole(written: &Written, fixed: &FixedHeader, found: &mut Findings<'_>) {
    let of = |kind| written.records.iter().filter(move |record| record.kind == Some(kind));
    let rest: [(&str, Meaning, bool); 3] = [
        ("sample_rate_hz", Meaning::SampleRate, fixed.rate.is_some()),
        ("first_sample_ns", Meaning::FirstSample, fixed.first.is_some()),
        ("converter_bits", Meaning::ConverterBits, fixed.bits.is_some()),
    ];
    if of(RecordKind::Shot).next().is_some() {
        for (key, meaning, fixed) in rest {
            let sent = of(RecordKind::Header).next().is_some()
                && of(RecordKind::Header).all(|record| record.fields.iter().any(|field| field.meaning == Some(meaning)));
            let told = found.wrong.iter().any(|key| key.starts_with("record") || key.starts_with("header"));
            if !sent && !fixed && !told {
                found.add(
                    &format!("header.{key}"),
                    format!("is missing: shots need it, and no header record has a field with meaning = \"{}\"", meaning.word()),
                );
            }
        }
    }
    for (index, record) in written.records.iter().enumerate() {
        let begin = |record: &written::Record| (record.when.clone().unwrap_or_default(), record.when_hex.clone().unwrap_or_default());
        if written.records[..index]
            .iter()
            .any(|earlier| begin(earlier) == begin(record) || begin(earlier) == (String::new(), String::new()))
        {
            found.add(
                &format!("record[{index}].kind"),
                "an earlier record takes every frame this one is for: give both a when, or change their order",
            );
        }
    }
}
