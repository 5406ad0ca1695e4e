//! From the written profile to one that can be used: what is missing, impossible or in each other's way.

use super::commands;
use super::findings::ProfileFindings;
use super::records::{self, rule};
use super::written::{self, FramingKind, LineEnd, WrittenCheckKind as WrittenCheck, WrittenProfile};
use super::{FixedHeader, LinkSettings, Poll, Profile, SendOrder, fits};
use crate::check::{ByteOrder, CheckKind, CheckPlace, FrameCheck};
use crate::crc;
use crate::framing::{Framing, LengthRule, PackedFrames};
use crate::layout::Wire;
use crate::meaning::{Meaning, RecordKind};
use backwall_survey::job::Problem;
use backwall_units::{Frequency, Time};
use std::time::Duration;

/// What waveforms of ultrasound are sampled at, Hz; and how long behind the pulse, ns. Common practice, no source.
const LEAST_RATE: f64 = 1e6;
const MOST_RATE: f64 = 1e10;
const MOST_DELAY_NS: f64 = 1e7;
/// Silence in which a device's start command is sent again, s.
const USUAL_START_AGAIN: f64 = 3.0;
/// The longest frame where a profile sets none, and the longest it may set.
const USUAL_FRAME: usize = 1 << 16;
const LONGEST_FRAME: usize = 1 << 24;

pub fn build(text: &str, written: &WrittenProfile, wrong: &[String], problems: &mut Vec<Problem>) -> Option<Profile> {
    let mut found = ProfileFindings { text, wrong, problems };
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
    let mut fixed_header = header(written, &mut found);
    let send = send(&written.send, &mut found);
    let poll = poll(written, &check, &mut found);
    let commands = commands::commands(written, &check, order, &mut found);
    if written.records.is_empty() {
        found.add("record", "is missing: describe at least one [[record]], with kind and fields");
    }
    let about = records::RecordAbout { order, json: written.framing.kind == Some(FramingKind::Json), bits: fixed_header.bits };
    let records: Vec<_> =
        written.records.iter().enumerate().filter_map(|(index, record)| rule(index, record, &about, &mut found)).collect();
    whole(written, &mut fixed_header, &mut found);
    fits::kinds(written, &mut found);
    // What is wrong by itself may fit nothing for that.
    if let Some(framing) = framing.as_ref().filter(|_| found.problems.is_empty()) {
        fits::frames(framing, &check, max, &records, &fixed_header, &mut found);
    }
    let channel = channel(written, &mut found);
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
        channel,
        poll,
        send,
        commands,
    })
}

fn link(written: &written::Link, found: &mut ProfileFindings<'_>) -> LinkSettings {
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

fn check(written: &written::WrittenCheck, order: ByteOrder, framing: Option<FramingKind>, found: &mut ProfileFindings<'_>) -> FrameCheck {
    let mut check = FrameCheck { order: written.byte_order.unwrap_or(order), from: written.from_byte.unwrap_or(0), ..FrameCheck::NONE };
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
                        found.add("check.algorithm", format!("'{name}' is not in the CRC catalogue{}", crc::hint(name)));
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
                    "the check must come before what it covers: set from_byte after it, or leave at_byte out for a check at the end",
                );
            }
            CheckPlace::At(at)
        }
        (None, Some(sign)) => CheckPlace::HexBehind(sign as u8),
        (None, None) if framing == Some(FramingKind::Line) && written.kind != WrittenCheck::None => {
            found.add("check.hex_behind", "is missing: in text lines the check is in hexadecimal after a sign, as \"*\"");
            CheckPlace::End
        }
        (None, None) => CheckPlace::End,
    };
    check
}

fn framing(
    written: &written::WrittenFraming,
    check: &FrameCheck,
    order: ByteOrder,
    max: usize,
    found: &mut ProfileFindings<'_>,
) -> Option<Framing> {
    let kind = found.needed("framing.kind", written.kind, "line, json, cobs, sync-length or fixed")?;
    let sync = found.hex("framing.sync_hex", written.sync_hex.as_ref());
    let tail = found.hex("framing.end_hex", written.end_hex.as_ref());
    let start = found.one_char("framing.start", written.start.as_ref());
    if kind != FramingKind::Line {
        found.of_no_use("framing.start", &written.start, "outside kind = \"line\"");
    }
    if !matches!(kind, FramingKind::Line | FramingKind::Json) {
        found.of_no_use("framing.line_end", &written.line_end, "outside lines");
    }
    if matches!(kind, FramingKind::Line | FramingKind::Json | FramingKind::Cobs) {
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
            ("framing.length_times", written.length_times.is_some()),
        ] {
            found.of_no_use(key, &given.then_some(()), "outside kind = \"sync-length\"");
        }
    }
    if kind != FramingKind::Fixed {
        found.of_no_use("framing.frame_bytes", &written.frame_bytes, "outside kind = \"fixed\"");
    }
    match kind {
        FramingKind::Line | FramingKind::Json => {
            let end = if written.line_end.unwrap_or_default() == LineEnd::Cr { b'\r' } else { b'\n' };
            Some(Framing::Line { end, start: start.map(|start| start as u8), json: kind == FramingKind::Json })
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
            Some(Framing::Packed(PackedFrames { sync, length: LengthRule::Fixed(size), head, tail }))
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
                found.add("framing.length_at_byte", "is within sync_hex");
            }
            if head < at + width {
                found.add("framing.body_from_byte", "the body would begin before the length ends");
            }
            let adds = found.needed(
                "framing.length_adds_bytes",
                written.length_adds_bytes,
                "the bytes of a frame that its length does not count (0 where it counts all)",
            )?;
            let times = written.length_times.unwrap_or(1);
            found.within("framing.length_times", times, 1, 16);
            Some(Framing::Packed(PackedFrames { sync, length: LengthRule::Field { at, width, order, times, adds }, head, tail }))
        }
    }
}

fn header(written: &WrittenProfile, found: &mut ProfileFindings<'_>) -> FixedHeader {
    let header = &written.header;
    if let Some(rate) = header.sample_rate_hz
        && !(LEAST_RATE..=MOST_RATE).contains(&rate)
    {
        found.add("header.sample_rate_hz", format!("{rate} is not possible: it must be between 1e6 and 1e10, in Hz (40 MHz is 40000000)"));
    }
    if header.first_sample_ns.is_some_and(|first| !first.is_finite() || first.abs() > MOST_DELAY_NS) {
        found.add("header.first_sample_ns", "must be a number between -10000000 and 10000000, in ns");
    }
    if header.samples == Some(0) {
        found.add("header.samples", "0 is not possible: leave it out where shots have different counts of samples");
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

fn send(written: &written::WrittenSend, found: &mut ProfileFindings<'_>) -> SendOrder {
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
    let again = written.start_again_s.unwrap_or(USUAL_START_AGAIN);
    if !(again == 0.0 || (0.5..=3_600.0).contains(&again)) {
        found.add("send.start_again_s", format!("{again} is not possible: between 0.5 and 3600, or 0 for never"));
    }
    if start.is_empty() {
        found.of_no_use("send.start_again_s", &written.start_again_s, "without a start command");
    }
    let start_again = Duration::try_from_secs_f64(again).ok().filter(|again| !again.is_zero());
    SendOrder { start, stop, start_again }
}

fn poll(written: &WrittenProfile, check: &FrameCheck, found: &mut ProfileFindings<'_>) -> Option<Poll> {
    let Some(poll) = &written.poll else {
        for (index, record) in written.records.iter().enumerate() {
            found.of_no_use(&format!("record[{index}].answers"), &record.answers, "without [poll]");
        }
        return None;
    };
    let hex = poll.requests_hex.iter().map(|request| found.hex("poll.requests_hex", Some(request)));
    let mut requests: Vec<Vec<u8>> = poll.requests.iter().map(|request| request.clone().into_bytes()).chain(hex).collect();
    if !poll.requests.is_empty() && !poll.requests_hex.is_empty() {
        found.add("poll.requests_hex", "cannot go with requests: give one of them");
    }
    if requests.is_empty() || requests.iter().any(Vec::is_empty) {
        found.add("poll.requests", "is missing: what the device is asked, as text, or as bytes in requests_hex");
    }
    if poll.add_check && (check.width() == 0 || check.place != CheckPlace::End) {
        found.add("poll.add_check", "needs a [check] at the end of a frame");
    } else if poll.add_check {
        requests.iter_mut().for_each(|request| check.append(request));
    }
    for (index, record) in written.records.iter().enumerate() {
        if record.answers.is_some_and(|answers| !(1..=requests.len()).contains(&answers)) {
            found.add(&format!("record[{index}].answers"), format!("there are {} requests, counted from 1", requests.len()));
        }
    }
    let (period, patience) = (poll.period_ms.unwrap_or(0), poll.timeout_ms.unwrap_or(500));
    found.within("poll.period_ms", period as usize, 0, 600_000);
    found.within("poll.timeout_ms", patience as usize, 10, 60_000);
    Some(Poll { requests, period: Duration::from_millis(period), patience: Duration::from_millis(patience) })
}

/// The channel that is read.
fn channel(written: &WrittenProfile, found: &mut ProfileFindings<'_>) -> Option<String> {
    let channel = match written.channel.as_ref()? {
        toml::Value::Integer(channel) => channel.to_string(),
        toml::Value::String(channel) if !channel.is_empty() => channel.clone(),
        _ => {
            found.add("channel", "must be a number or a text, as the device sends it");
            return None;
        }
    };
    if !written.records.iter().any(|record| record.fields.iter().any(|field| field.meaning == Some(Meaning::Channel))) {
        found.of_no_use("channel", &written.channel, "where no field has meaning = \"channel\"");
    }
    Some(channel)
}

/// What only the whole profile shows.
fn whole(written: &WrittenProfile, fixed: &mut FixedHeader, found: &mut ProfileFindings<'_>) {
    let of = |kind| written.records.iter().filter(move |record| record.kind == Some(kind));
    // Where every shot says when it began to be sampled, nothing else needs to.
    let in_shots = of(RecordKind::Shot).all(|record| record.fields.iter().any(|field| field.meaning == Some(Meaning::FirstSample)));
    if in_shots && of(RecordKind::Shot).next().is_some() {
        fixed.first.get_or_insert(Time::ZERO);
    }
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
        let begin =
            |record: &written::WrittenRecord| (record.when.clone().unwrap_or_default(), record.when_hex.clone().unwrap_or_default());
        let takes_all =
            |record: &&written::WrittenRecord| record.answers.is_none() && record.fields.iter().all(|field| field.only_when.is_none());
        if written.records[..index]
            .iter()
            .filter(takes_all)
            .any(|earlier| begin(earlier) == begin(record) || begin(earlier) == (String::new(), String::new()))
        {
            found.add(
                &format!("record[{index}].kind"),
                "an earlier record takes every frame this one is for: give both a when or a field with only_when, or change their order",
            );
        }
    }
}
