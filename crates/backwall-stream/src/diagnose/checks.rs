//! Which check of the catalogue comes out for all frames, and over which bytes.

use super::rules::{hex, order_words};
use super::{FRAMES, LEAST};
use crate::check::{ByteOrder, CheckKind, CheckPlace, FrameCheck};
use crate::crc;

/// Bytes at the beginning that a check may leave out, and those behind it.
pub const LEFT_OUT: usize = 8;
const ENDING: usize = 2;

/// A check at the end of frames.
#[derive(Debug, Clone)]
pub struct CheckFound {
    /// As a profile names it.
    pub name: String,
    pub check: FrameCheck,
    frames: usize,
    /// The bytes behind it.
    pub tail: Vec<u8>,
}

impl CheckFound {
    /// For how many frames it came out.
    pub fn frames(&self) -> usize {
        self.frames
    }

    pub fn words(&self) -> String {
        let Self { name, check, frames, tail } = self;
        let order = if check.width() > 1 { format!(", byte_order = \"{}\"", &order_words(check.order)[2..]) } else { String::new() };
        let behind = if tail.is_empty() { String::new() } else { format!(", in front of end_hex = \"{}\"", hex(tail)) };
        format!("this check comes out for {frames} frames: {name}, from_byte = {}{order}{behind}", check.from)
    }

    /// The lines of a profile's `[check]`.
    pub fn written(&self) -> String {
        let order =
            if self.check.width() > 1 { format!("byte_order = \"{}\"\n", &order_words(self.check.order)[2..]) } else { String::new() };
        let sign = match self.check.place {
            CheckPlace::HexBehind(sign) => format!("hex_behind = \"{}\"\n", char::from(sign)),
            CheckPlace::End | CheckPlace::At(_) => String::new(),
        };
        let order = if sign.is_empty() { order } else { String::new() };
        format!("[check]\n{}\n{sign}from_byte = {}\n{order}", self.name.replace(", ", "\n"), self.check.from)
    }
}

/// Those that come out for all frames; nothing where too few are different.
pub fn find(frames: &[&[u8]]) -> Option<Vec<CheckFound>> {
    let mut different: Vec<&[u8]> = frames.to_vec();
    different.sort_unstable();
    different.dedup();
    if different.len() < LEAST {
        return None;
    }
    different.truncate(FRAMES);
    let mut found = Vec::new();
    for ending in 0..=ENDING {
        let tail = &different[0][different[0].len().saturating_sub(ending)..];
        if !different.iter().all(|frame| frame.ends_with(tail)) {
            break;
        }
        let cut: Vec<&[u8]> = different.iter().map(|frame| &frame[..frame.len() - ending]).collect();
        for check in all() {
            found.extend(covers(&cut, check).map(|found| CheckFound { tail: tail.to_vec(), ..found }));
        }
    }
    Some(found)
}

/// The one that comes out for lines, in hexadecimal behind a sign.
pub fn find_in_lines(lines: &[&[u8]]) -> Vec<CheckFound> {
    let mut found = Vec::new();
    for digits in [8, 4, 2] {
        let Some(first) = lines.first() else { continue };
        let Some(sign) = first.len().checked_sub(digits + 1).map(|at| first[at]).filter(u8::is_ascii_punctuation) else { continue };
        let ends = |line: &&[u8]| {
            line.len() > digits && line[line.len() - digits - 1] == sign && line[line.len() - digits..].iter().all(u8::is_ascii_hexdigit)
        };
        let mut checked: Vec<&[u8]> = lines.iter().copied().filter(ends).take(FRAMES).collect();
        checked.sort_unstable();
        checked.dedup();
        if checked.len() < LEAST {
            continue;
        }
        for (name, kind) in all() {
            let mut check = FrameCheck { kind, place: CheckPlace::HexBehind(sign), ..FrameCheck::NONE };
            if check.width() * 2 != digits {
                continue;
            }
            let from = (0..=LEFT_OUT).find(|from| {
                check.from = *from;
                checked.iter().all(|line| check.body_end(line).is_some())
            });
            if from.is_some() {
                found.push(CheckFound { name, check, frames: checked.len(), tail: Vec::new() });
            }
        }
    }
    found
}

/// Every check there is, without its place.
fn all() -> impl Iterator<Item = (String, CheckKind)> {
    let crcs = crc::NAMES
        .iter()
        .rev()
        .filter_map(|name| Some((format!("kind = \"crc\", algorithm = \"{}\"", crc::printed(name)), crc::by_name(name)?)));
    let crcs = crcs.filter(|(_, sum)| sum.is_bytes()).map(|(words, sum)| (words, CheckKind::Crc(sum)));
    crcs.chain([("kind = \"xor\"".to_owned(), CheckKind::Xor), ("kind = \"sum\"".to_owned(), CheckKind::Sum)])
}

/// Over which bytes a check at the end comes out for all frames.
fn covers(frames: &[&[u8]], (name, kind): (String, CheckKind)) -> Option<CheckFound> {
    let orders = [ByteOrder::Little, ByteOrder::Big];
    let mut check = FrameCheck { kind, ..FrameCheck::NONE };
    let orders = if check.width() > 1 { &orders[..] } else { &orders[..1] };
    for order in orders {
        for from in 0..=LEFT_OUT {
            (check.order, check.from) = (*order, from);
            if frames.iter().all(|frame| frame.len() > from + check.width() && check.body_end(frame).is_some()) {
                return Some(CheckFound { name, check, frames: frames.len(), tail: Vec::new() });
            }
        }
    }
    None
}
