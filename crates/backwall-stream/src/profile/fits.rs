//! Whether records and frames fit each other: how many bytes a record takes, and how many a frame can hold.

use super::FixedHeader;
use super::findings::ProfileFindings;
use super::written::{FramingKind, WrittenProfile};
use crate::check::{CheckPlace, FrameCheck};
use crate::framing::{Framing, LengthRule};
use crate::layout::{Count, FramePlace, Layout, LayoutField, RecordRule};
use crate::meaning::{Meaning, RecordKind};

/// Holds every record against the frame it comes in.
pub fn frames(
    framing: &Framing,
    check: &FrameCheck,
    max: usize,
    records: &[RecordRule],
    header: &FixedHeader,
    found: &mut ProfileFindings<'_>,
) {
    let check_end = if check.place == CheckPlace::End { check.width() } else { 0 };
    for (index, rule) in records.iter().enumerate() {
        let Some((least, exact)) = takes(rule, header) else { continue };
        let key = format!("record[{index}].fields");
        match framing {
            Framing::Packed(packed) => {
                let around = packed.head + packed.tail.len() + check_end;
                let frame = least + around;
                match packed.length {
                    LengthRule::Fixed(size) if frame > size || exact && frame != size => {
                        let body = size.saturating_sub(around);
                        found.add(
                            "framing.frame_bytes",
                            format!("{size} leave a body of {body} bytes, and record[{index}] takes {least}: one of them is wrong"),
                        );
                    }
                    LengthRule::Field { width, times, adds, .. } => {
                        let most = (1usize << (8 * width.min(4))) - 1;
                        let longest = most.saturating_mul(times).saturating_add(adds);
                        if frame > longest {
                            found.add(
                                "framing.length_type",
                                format!("says at most {longest} bytes, and record[{index}] makes a frame of {frame}"),
                            );
                        } else if frame > max {
                            too_long(index, frame, max, found);
                        }
                    }
                    LengthRule::Fixed(_) => {}
                }
            }
            // A delimiter, and a byte of overhead.
            Framing::Cobs if least + check_end + 1 > max => too_long(index, least + check_end + 1, max, found),
            Framing::Line { .. } if least > max => too_long(index, least, max, found),
            _ => {}
        }
        let bits = header.bits.filter(|_| rule.kind == RecordKind::Shot);
        if let (Some(bits), Some(wide)) = (bits, sample_bits(rule))
            && usize::from(bits) > wide
        {
            found.add("header.converter_bits", format!("{bits} do not fit into samples of {wide} bits: {key} and it say different things"));
        }
    }
    if let Framing::Packed(packed) = framing
        && let LengthRule::Fixed(size) = packed.length
        && check.width() > 0
        && check.from >= size.saturating_sub(check_end + packed.tail.len())
    {
        found.add("check.from_byte", format!("{} leaves nothing to check in a frame of {size} bytes", check.from));
    }
}

/// Keys that do not go with this kind of frames.
pub fn kinds(written: &WrittenProfile, found: &mut ProfileFindings<'_>) {
    if written.framing.kind.is_some_and(|kind| !matches!(kind, FramingKind::Line | FramingKind::Json)) {
        found.of_no_use("check.hex_behind", &written.check.hex_behind, "in binary frames: the check is at the end, or at at_byte");
        if written.link.data_bits.is_some_and(|bits| bits < 8) {
            found.add("link.data_bits", "fewer than 8 carry text only, and these frames are bytes");
        }
        if written.link.flow == Some(super::Flow::Software) {
            found.add("link.flow", "software takes the bytes 11 and 13 (hexadecimal) out of the frames: none or hardware");
        }
    } else {
        let at = written.check.at_byte.filter(|_| written.check.hex_behind.is_none());
        found.of_no_use("check.at_byte", &at, "in lines: the check comes after a sign, set hex_behind");
    }
}

fn too_long(index: usize, frame: usize, max: usize, found: &mut ProfileFindings<'_>) {
    found.add(
        "framing.max_frame_bytes",
        format!("{max} are too few: record[{index}] makes a frame of {frame} bytes, and a longer one is dropped"),
    );
}

fn sample_bits(rule: &RecordRule) -> Option<usize> {
    let samples = rule.fields.iter().find(|field| field.meaning == Some(Meaning::Samples))?;
    match samples.place {
        FramePlace::Bytes { wire, .. } => wire.width().map(|bytes| 8 * bytes),
        _ => None,
    }
}

/// The fewest bytes of a record's body, and whether it always has so many.
fn takes(rule: &RecordRule, header: &FixedHeader) -> Option<(usize, bool)> {
    if rule.kind == RecordKind::Ignore {
        return None;
    }
    let samples = header.samples.map_or(0, usize::from);
    match rule.layout {
        Layout::Binary => {
            let (mut at, mut reached, mut exact) = (0, 0, true);
            for LayoutField { place, meaning, .. } in &rule.fields {
                let FramePlace::Bytes { wire, count, at: placed, .. } = place else { continue };
                at = placed.unwrap_or(at);
                at += match count {
                    Count::One => wire.width().unwrap_or(0),
                    Count::Bytes(bytes) => *bytes,
                    Count::Rest => {
                        exact &= *meaning == Some(Meaning::Samples) && samples > 0;
                        samples * wire.width().unwrap_or(0)
                    }
                };
                reached = reached.max(at);
            }
            Some((rule.when.len() + reached, exact))
        }
        // A character and a delimiter each.
        _ if rule.kind == RecordKind::Shot => Some((rule.when.len() + 2 * samples, false)),
        _ => Some((rule.when.len(), false)),
    }
}
