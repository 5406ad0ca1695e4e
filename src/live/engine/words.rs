//! The engine's longer words: the zero and what has moved it, dropped frames, the first shot.

use backwall_survey::reading::{Cause, Reading, Zero};
use backwall_survey::travel::Path;
use backwall_units::{Length, LengthUnit};
use std::collections::BTreeMap;

/// `+240 ns, 0.71 mm, from 85 shots`, and behind a colon what has moved it where that shows.
pub fn zero_words(zero: &Zero, length: Length, unit: LengthUnit) -> String {
    let (ns, length, symbol) = (zero.late.as_ns(), unit.thickness(length.abs()), unit.thickness_symbol());
    let words = format!("{ns:+.0} ns, {length} {symbol}, from {} shots", zero.shots);
    match zero.cause() {
        None => words,
        Some(Cause::Tyre) => format!("{words}: tyre"),
        Some(Cause::Surface) => format!("{words}: surface"),
        Some(Cause::Both) => format!("{words}: tyre {:+.0} ns", zero.tyre.map_or(0.0, |tyre| tyre.late.as_ns())),
    }
}

/// What the word behind the zero means.
pub fn cause_words(cause: Cause) -> &'static str {
    match cause {
        Cause::Tyre => "the echo of the tyre's inner face has moved as far: the tyre is worn or warm",
        Cause::Surface => "the echo of the tyre's inner face has not moved: paint, coating or a gap is between tyre and wall",
        Cause::Both => "the echo of the tyre's inner face has moved by another amount: the tyre, and paint, coating or a gap as well",
    }
}

/// `12 frames dropped: 8 the check fails, 4 gauge: not 4 columns`.
pub fn dropped_words(frames: u64, reasons: &BTreeMap<String, u64>) -> String {
    let mut reasons: Vec<_> = reasons.iter().collect();
    reasons.sort_by_key(|(_, count)| std::cmp::Reverse(**count));
    let why: Vec<String> = reasons.iter().map(|(why, count)| format!("{count} {why}")).collect();
    format!("{frames} {} dropped: {}", if frames == 1 { "frame" } else { "frames" }, why.join(", "))
}

/// `first shot: seq 0, encoder 5000, taken to be at 2000.0 mm, where the line starts`.
pub fn first_words(reading: &Reading, path: &Path) -> String {
    let place = match (reading.encoder, reading.place.along) {
        (Some(encoder), Some(along)) => {
            let from = match path.offset {
                Length::ZERO => "where the line starts".to_owned(),
                offset => format!("{:.1} mm from where the line starts", offset.as_mm()),
            };
            format!("encoder {encoder}, taken to be at {:.1} mm, {from}", along.as_mm())
        }
        _ => "no encoder: readings have no place".to_owned(),
    };
    format!("first shot: seq {}, {place}", reading.seq)
}
