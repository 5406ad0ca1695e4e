//! The first line behind the opening of a link, which may be the end of a longer one. Where no check says that it is whole, its own form
//! may, or the line behind it; where neither does, it is left out.

use super::draft::{Draft, FrameOutcome, Memory};
use super::layout::{FramePlace, Layout, RecordRule};
use super::meaning::{Meaning, RecordKind};
use super::profile::Profile;
use backwall_survey::reading::Record;

/// What shows that a line is whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WholeBy {
    /// Itself.
    Whole,
    /// Its number and that of the next line.
    ByNext,
    None,
}

/// What a first line's form shows. All of it rests on a stated count of columns: who comes in the middle of a line finds fewer of them,
/// or stands in its first column.
///
/// Where the beginning that the record asks for holds the first delimiter, as `R,`, a line that has it and all its columns lost
/// nothing in front of it. Where the first column is the number, the next line says whether digits were lost.
pub fn proof(records: &[RecordRule], body: &[u8]) -> WholeBy {
    let rule = records.iter().find(|rule| body.starts_with(&rule.when) && rule.is_for(&body[rule.when.len()..]) == Ok(true));
    let Some(rule) = rule else { return WholeBy::None };
    let Layout::Columns { delimiter: Some(delimiter), exactly: Some(_) } = rule.layout else { return WholeBy::None };
    let mut sign = [0; 4];
    let sign = delimiter.encode_utf8(&mut sign).as_bytes();
    if memchr::memmem::find(&rule.when, sign).is_some_and(|at| at > 0) {
        return WholeBy::Whole;
    }
    let number = rule.fields.iter().find(|field| field.meaning == Some(Meaning::Seq)).map(|field| &field.place);
    let is_first = matches!(number, Some(FramePlace::Column { index: 0, .. }));
    if is_first && rule.kind == RecordKind::Gauge { WholeBy::ByNext } else { WholeBy::None }
}

/// Whether the number of the line behind is one more, which it is not where the first one lost digits.
pub fn is_followed(profile: &Profile, first: &[u8], next: &[u8]) -> bool {
    let mut memory = Memory::of(profile.channel.clone());
    let mut number = |body: &[u8]| {
        let rule = profile.records.iter().find(|rule| body.starts_with(&rule.when))?;
        let mut draft = Draft::default();
        rule.read(&body[rule.when.len()..], &mut draft).ok()?;
        match draft.finish(rule.kind, &profile.fixed_header, &mut memory).ok()? {
            FrameOutcome::Record(Record::Gauge(gauge)) => Some(gauge.seq),
            _ => None,
        }
    };
    number(first).zip(number(next)).is_some_and(|(first, next)| next == first.wrapping_add(1))
}

/// The first line, kept until the next one comes.
#[derive(Debug, Default)]
pub struct FirstLine {
    kept: Option<KeptFrames>,
    /// Bytes of first lines that were left out.
    pub lost_bytes: u64,
}

#[derive(Debug)]
pub struct KeptFrames {
    pub raw: Vec<u8>,
    pub body: Vec<u8>,
}

impl FirstLine {
    pub fn keep(&mut self, raw: &[u8], body: &[u8]) {
        self.kept = Some(KeptFrames { raw: raw.to_vec(), body: body.to_vec() });
    }

    pub fn take(&mut self) -> Option<KeptFrames> {
        self.kept.take()
    }

    pub fn lose(&mut self, raw: &[u8]) {
        self.lost_bytes += raw.len() as u64 + 1;
    }

    /// Nothing proves it any more.
    pub fn forget(&mut self) {
        if let Some(kept) = self.kept.take() {
            self.lose(&kept.raw);
        }
    }
}
