//! What a stream looks like before there is a profile: lines of text in columns, or frames behind a sync. Only what holds for several
//! lines or frames is said; what the numbers mean is for whoever makes the profile.

use super::checks::{self, CheckFound};
use super::rules::{self, Rule};
use super::{LEAST, LOOKED_AT};
use crate::check::ByteOrder;

/// Lines and frames that are shown.
const SHOWN: usize = 6;
/// What may stand between columns, the likely first.
const DELIMITERS: [u8; 4] = *b",;\t|";

/// What the bytes look like.
#[derive(Debug, Clone)]
pub enum Shape {
    Lines(Lines),
    Frames(Frames),
    /// Neither: too few bytes, a wrong baud, or a framing that is not known here.
    Unknown,
}

/// Lines of text in columns, of the kind that comes most often.
#[derive(Debug, Clone)]
pub struct Lines {
    /// What stands between columns; a blank stands for runs of blanks.
    pub delimiter: char,
    /// What each line begins with that is no column.
    pub when: String,
    pub check: Option<CheckFound>,
    /// The columns of the first lines.
    pub rows: Vec<Vec<String>>,
    /// Lines of other kinds.
    pub others: Vec<String>,
}

/// Frames behind a sync.
#[derive(Debug, Clone)]
pub struct Frames {
    pub sync: Vec<u8>,
    pub rule: Rule,
    pub check: Option<CheckFound>,
    /// The bodies of the first frames: without head, check and tail.
    pub bodies: Vec<Vec<u8>>,
    pub longest: usize,
}

pub fn shape(bytes: &[u8]) -> Shape {
    let bytes = &bytes[..bytes.len().min(LOOKED_AT)];
    let printable = bytes.iter().filter(|byte| matches!(byte, b' '..=b'~' | b'\t' | b'\r' | b'\n')).count();
    if printable * 100 >= bytes.len() * 97
        && let Some(lines) = lines(bytes)
    {
        return Shape::Lines(lines);
    }
    frames(bytes).map_or(Shape::Unknown, Shape::Frames)
}

fn lines(bytes: &[u8]) -> Option<Lines> {
    // The first may be the end of a longer one, and the last is not whole yet.
    let all: Vec<&[u8]> = bytes.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii).collect();
    let whole: Vec<&[u8]> = all.get(1..all.len().saturating_sub(1))?.iter().copied().filter(|line| !line.is_empty()).collect();
    if whole.len() < LEAST {
        return None;
    }
    let check = checks::find_in_lines(&whole).into_iter().next();
    let texts: Vec<String> = whole
        .iter()
        .filter_map(|line| check.as_ref().map_or(Some(*line), |found| found.check.body_end(line).map(|end| &line[..end])))
        .map(|line| String::from_utf8_lossy(line).into_owned())
        .collect();
    let delimiter =
        DELIMITERS.map(char::from).into_iter().find(|sign| texts.iter().filter(|text| text.contains(*sign)).count() * 2 > texts.len());
    let delimiter = delimiter.unwrap_or(' ');
    let columns = |text: &str| -> Vec<String> {
        match delimiter {
            ' ' => text.split_whitespace().map(str::to_owned).collect(),
            sign => text.split(sign).map(str::to_owned).collect(),
        }
    };
    // The kind that comes most often: by how many columns it has and what the first one is, where that is a word.
    let kind = |text: &String| {
        let columns = columns(text);
        let first = columns.first().filter(|first| first.starts_with(|sign: char| !sign.is_ascii_digit() && !"+-.".contains(sign)));
        (columns.len(), first.cloned().unwrap_or_default())
    };
    let mut counts = std::collections::BTreeMap::<(usize, String), usize>::new();
    texts.iter().for_each(|text| *counts.entry(kind(text)).or_default() += 1);
    // Of kinds that come as often, the one that says more.
    let most = counts.into_iter().max_by_key(|((columns, _), count)| (*count, *columns))?.0;
    let (ours, others): (Vec<String>, Vec<String>) = texts.into_iter().partition(|text| kind(text) == most);
    let when = if most.1.is_empty() { String::new() } else { format!("{}{delimiter}", most.1) };
    let rows = ours.iter().take(SHOWN).map(|text| columns(text.strip_prefix(when.as_str()).unwrap_or(text))).collect();
    let mut other_kinds: Vec<String> = Vec::new();
    for other in others {
        if other_kinds.len() < SHOWN && !other_kinds.iter().any(|known| kind(known) == kind(&other)) {
            other_kinds.push(other);
        }
    }
    Some(Lines { delimiter, when, check, rows, others: other_kinds })
}

fn frames(bytes: &[u8]) -> Option<Frames> {
    let sync = rules::repeated_sync(bytes)?;
    let (rule, frames) = rules::rule(bytes, &sync, &rules::places(bytes, &sync))?;
    let check = checks::find(&frames)?.into_iter().next();
    let (head, behind) = (rule.head(&sync), check.as_ref().map_or(0, |found| found.check.width() + found.tail.len()));
    let bodies =
        frames.iter().take(SHOWN).filter_map(|frame| frame.get(head..frame.len().checked_sub(behind)?).map(<[u8]>::to_vec)).collect();
    let longest = frames.iter().map(|frame| frame.len()).max()? * 2;
    Some(Frames { sync, rule, check, bodies, longest })
}

impl Lines {
    /// `[framing]` and `[check]` of a profile.
    pub fn written(&self) -> String {
        format!(
            "[framing]\nkind = \"line\"\nmax_frame_bytes = 1024\n\n{}",
            self.check.as_ref().map_or_else(String::new, |check| check.written() + "\n")
        )
    }
}

impl Frames {
    /// Which byte of its numbers comes first, where the length says so.
    pub fn is_big(&self) -> Option<bool> {
        match self.rule {
            Rule::Length { order, width: 2.., .. } => Some(order == ByteOrder::Big),
            Rule::Length { .. } | Rule::Fixed(_) => None,
        }
    }

    /// `[framing]` and `[check]` of a profile.
    pub fn written(&self) -> String {
        let tail = self.check.as_ref().filter(|found| !found.tail.is_empty());
        let tail = tail.map_or_else(String::new, |found| format!("end_hex = \"{}\"\n", rules::hex(&found.tail)));
        let check = self.check.as_ref().map_or_else(String::new, |found| found.written() + "\n");
        format!("[framing]\n{}{tail}\n{check}", self.rule.written(&self.sync, self.longest.clamp(64, 1 << 16)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_show_their_columns_and_what_each_begins_with() {
        let sent = "4,+0511.9,0.388in,OK\nR,00017,+0512.4,0.388in,OK\nB,3.71\nR,00018,+0512.9,9.84mm,NE\nR,00019,+0513.4,9.84mm,OK\n\
            R,00020,+0513.9,9.84mm,OK\nR,00021,+0514";
        let Shape::Lines(lines) = shape(sent.as_bytes()) else { panic!() };
        assert_eq!((lines.delimiter, lines.when.as_str(), lines.rows.len(), lines.rows[0].len()), (',', "R,", 4, 4));
        assert_eq!((lines.rows[1][1].as_str(), lines.others), ("+0512.9", vec!["B,3.71".to_owned()]));
        assert!(lines.check.is_none());
    }

    #[test]
    fn noise_is_neither_lines_nor_frames() {
        let noise: Vec<u8> = (0..8_000u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        assert!(matches!(shape(&noise[..3]), Shape::Unknown));
        assert!(!matches!(shape(&noise), Shape::Lines(_)));
    }
}
