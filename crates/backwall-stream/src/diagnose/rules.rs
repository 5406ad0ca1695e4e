//! How frames follow each other: the bytes they begin with, and the rule that leads from one to the next.

use super::{LEAST, LOOKED_AT};
use crate::check::ByteOrder;

/// Where a length may stand behind the sync, and how much of a frame it may leave out.
const LENGTH_WITHIN: usize = 8;
const MOST_LEFT_OUT: usize = 24;

/// How frames follow each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    Fixed(usize),
    Length { at: usize, width: usize, order: ByteOrder, adds: usize },
}

impl Rule {
    fn size(self, frame: &[u8]) -> Option<usize> {
        match self {
            Self::Fixed(size) => Some(size),
            Self::Length { at, width, order, adds } => {
                usize::try_from(order.unsigned(frame.get(at..at + width)?)).ok().filter(|size| *size < LOOKED_AT).map(|size| size + adds)
            }
        }
    }

    /// The lines of a profile's `[framing]`, with the longest frame it may take.
    pub fn written(self, sync: &[u8], longest: usize) -> String {
        let sync = hex(sync);
        match self {
            Self::Fixed(size) => format!("kind = \"fixed\"\nsync_hex = \"{sync}\"\nframe_bytes = {size}\n"),
            Self::Length { at, width, adds, .. } => {
                let wire = ["u8", "u16", "u24", "u32"][width - 1];
                format!(
                    "kind = \"sync-length\"\nsync_hex = \"{sync}\"\nmax_frame_bytes = {longest}\nlength_type = \"{wire}\"\n\
                     length_at_byte = {at}\nlength_adds_bytes = {adds}\n"
                )
            }
        }
    }

    /// Bytes in front of the body.
    pub fn head(self, sync: &[u8]) -> usize {
        match self {
            Self::Fixed(_) => sync.len(),
            Self::Length { at, width, .. } => at + width,
        }
    }

    pub fn words(self) -> String {
        match self {
            Self::Fixed(size) => format!("every frame has {size} bytes: kind = \"fixed\", frame_bytes = {size}"),
            Self::Length { at, width, order, adds } => {
                let (wire, order) = (["u8", "u16", "u24", "u32"][width - 1], if width > 1 { order_words(order) } else { String::new() });
                format!(
                    "the length stands at byte {at} ({wire}{order}): length_type = \"{wire}\", length_at_byte = {at}, length_adds_bytes = {adds}"
                )
            }
        }
    }
}

pub fn order_words(order: ByteOrder) -> String {
    format!(", {}", if order == ByteOrder::Little { "little" } else { "big" })
}

pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

pub fn places(bytes: &[u8], sync: &[u8]) -> Vec<usize> {
    if sync.is_empty() { Vec::new() } else { memchr::memmem::find_iter(bytes, sync).collect() }
}

/// Two bytes that come again and again, most often at one distance.
pub fn repeated_sync(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut counts = std::collections::BTreeMap::<[u8; 2], usize>::new();
    for pair in bytes.windows(2).filter(|pair| pair[0] != pair[1]) {
        *counts.entry([pair[0], pair[1]]).or_default() += 1;
    }
    let mut often: Vec<_> = counts.into_iter().filter(|(_, count)| *count >= LEAST).collect();
    often.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    let most = often.first()?.1;
    let mut likely: Vec<(usize, Vec<u8>)> = often
        .into_iter()
        .take_while(|(_, count)| count * 10 >= most * 9)
        .take(64)
        .filter_map(|(sync, _)| Some((memchr::memmem::find(bytes, &sync)?, sync.to_vec())))
        .collect();
    // What stands at the same place in all frames comes as often as the sync; the sync comes first.
    likely.sort();
    likely.into_iter().map(|(_, sync)| sync).find(|sync| rule(bytes, sync, &places(bytes, sync)).is_some())
}

/// The rule that leads from sync to sync most often, with the frames it cuts.
pub fn rule<'b>(bytes: &'b [u8], sync: &[u8], starts: &[usize]) -> Option<(Rule, Vec<&'b [u8]>)> {
    if starts.len() < LEAST {
        return None;
    }
    let mut best: Option<(usize, Rule, Vec<&[u8]>)> = None;
    for rule in candidates(bytes, sync, starts) {
        let frames = follow(bytes, sync, starts, rule);
        let covered: usize = frames.iter().map(|frame| frame.len()).sum();
        // A rule that covers no more than another is no better: the first, simpler one stays.
        if frames.len() >= LEAST && best.as_ref().is_none_or(|best| covered > best.0) {
            best = Some((covered, rule, frames));
        }
    }
    best.map(|(_, rule, frames)| (rule, frames))
}

fn candidates(bytes: &[u8], sync: &[u8], starts: &[usize]) -> Vec<Rule> {
    let mut distances: Vec<usize> = starts.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let uniform = distances.iter().all(|distance| *distance == distances[0]);
    distances.sort_unstable();
    distances.dedup();
    let mut rules: Vec<Rule> = distances.iter().take(if uniform { 1 } else { 8 }).map(|distance| Rule::Fixed(*distance)).collect();
    // A short length in a wide field has zeros beside it: the wide field is meant.
    for width in (1..=4).rev() {
        for order in [ByteOrder::Little, ByteOrder::Big] {
            if width == 1 && order == ByteOrder::Big {
                continue;
            }
            for at in sync.len()..sync.len() + LENGTH_WITHIN {
                for adds in 0..=MOST_LEFT_OUT {
                    rules.push(Rule::Length { at, width, order, adds });
                }
            }
        }
    }
    rules.retain(|rule| starts.iter().take(2 * LEAST).filter(|start| leads(bytes, sync, **start, *rule)).count() >= LEAST / 2);
    rules
}

fn leads(bytes: &[u8], sync: &[u8], start: usize, rule: Rule) -> bool {
    rule.size(&bytes[start..]).is_some_and(|size| size > sync.len() && bytes.get(start + size..).is_some_and(|rest| rest.starts_with(sync)))
}

/// The frames that a rule cuts, one behind the other.
fn follow<'b>(bytes: &'b [u8], sync: &[u8], starts: &[usize], rule: Rule) -> Vec<&'b [u8]> {
    let mut frames = Vec::new();
    let mut at = 0;
    for start in starts {
        if *start >= at && leads(bytes, sync, *start, rule) {
            let size = rule.size(&bytes[*start..]).unwrap_or(1);
            frames.push(&bytes[*start..start + size]);
            at = start + size;
        }
    }
    frames
}
