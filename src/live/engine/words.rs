//! The engine's longer words: the zero and what has moved it, dropped frames, the first shot.

use backwall_survey::reading::{Cause, Reading, Zero};
use backwall_survey::travel::Path;
use backwall_units::{Length, Wording};
use std::collections::BTreeMap;

/// `+240 ns, 0.71 mm, from 85 shots`, and behind a colon what has moved it where that shows.
pub fn zero_words(zero: &Zero, length: Length) -> Wording {
    let words =
        Wording::from(format!("{:+.0} ns, ", zero.late.as_ns())).thickness(length.abs()).say(format!(", from {} shots", zero.shots));
    match zero.cause() {
        None => words,
        Some(Cause::Tyre) => words.say(": tyre"),
        Some(Cause::Surface) => words.say(": surface"),
        Some(Cause::Both) => words.say(format!(": tyre {:+.0} ns", zero.tyre.map_or(0.0, |tyre| tyre.late.as_ns()))),
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
pub fn first_words(reading: &Reading, path: &Path) -> Wording {
    let first = Wording::from(format!("first shot: seq {}, ", reading.seq));
    let (Some(encoder), Some(along)) = (reading.encoder, reading.place.along) else {
        return first.say("no encoder: readings have no place");
    };
    let at = first.say(format!("encoder {encoder}, taken to be at ")).length(along, 1).say(", ");
    let at = if path.offset == Length::ZERO { at } else { at.length(path.offset, 1).say(" from ") };
    at.say("where the line starts")
}
