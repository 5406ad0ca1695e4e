//! Bytes in, records out, without any link: the same for a cable, a file and a test.

use super::draft::{Draft, FrameOutcome, Memory};
use super::first::{self, FirstLine, WholeBy};
use super::framing::{FrameCut, Framer};
use super::layout::{LayoutError, RecordRule};
use super::meaning::RecordKind;
use super::profile::Profile;
use backwall_survey::reading::Record;
use std::collections::BTreeMap;
use std::sync::Arc;

/// What came of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded {
    pub what: DecodedWhat,
    /// The frame as it came; empty unless the decoder was made with [`Decoder::keeping_bytes`].
    pub bytes: Vec<u8>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum DecodedWhat {
    Record(Record),
    /// A good frame of a kind the profile does not know.
    Unknown,
    /// A frame the profile knows and has no use for.
    Ignored,
    /// The answer to an order.
    Answer,
    /// A shot before any header; not evaluated.
    BeforeHeader,
    /// A good frame of another channel than the one that is read.
    OtherChannel {
        channel: String,
        /// The device's number of it, where it numbers.
        seq: Option<u32>,
    },
    Dropped {
        why: String,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct DecodeCounts {
    /// Good frames of a known kind.
    pub frames: u64,
    /// Dropped frames.
    pub bad_frames: u64,
    /// Good frames of an unknown kind.
    pub unknown: u64,
    /// All bytes that came in.
    pub bytes: u64,
    /// Shots that came before any header (also in `frames`).
    pub before_header: u64,
    /// Bytes that belong to no good frame.
    pub garbage_bytes: u64,
    /// Frames of channels that are not read (also in `frames`).
    pub other_channels: u64,
    /// Frames that the profile passes over (also in `frames`): a line that begins with a sign may be of anything.
    pub ignored: u64,
}

impl DecodeCounts {
    /// Good frames that show whose they are: those that are passed over do not.
    pub const fn telling(&self) -> u64 {
        self.frames - self.ignored
    }
}

pub struct Decoder {
    framer: Framer,
    reader: RecordReader,
}

struct RecordReader {
    profile: Arc<Profile>,
    memory: Memory,
    counts: DecodeCounts,
    /// Dropped frames by why.
    reasons: BTreeMap<String, u64>,
    first: FirstLine,
    /// The request that was sent last.
    asked: Option<usize>,
    /// What the body of the answer begins with that an order waits for.
    awaited: Option<Vec<u8>>,
    keep_bytes: bool,
    started: bool,
}

impl Decoder {
    pub fn new(profile: Arc<Profile>) -> Self {
        let framer = profile.framer();
        let memory = Memory::of(profile.channel.clone());
        let (counts, reasons) = (DecodeCounts::default(), BTreeMap::new());
        let reader = RecordReader {
            profile,
            memory,
            counts,
            reasons,
            first: FirstLine::default(),
            asked: None,
            awaited: None,
            keep_bytes: false,
            started: false,
        };
        Self { framer, reader }
    }

    /// Keeps each frame's bytes beside what came of it.
    pub fn keeping_bytes(mut self) -> Self {
        self.reader.keep_bytes = true;
        self
    }

    pub fn push(&mut self, bytes: &[u8], out: &mut Vec<Decoded>) {
        self.reader.start(out);
        self.reader.counts.bytes += bytes.len() as u64;
        let reader = &mut self.reader;
        self.framer.push(bytes, &mut |cut: FrameCut<'_>| reader.cut(cut, out));
    }

    /// The stream is over.
    pub fn finish(&mut self, out: &mut Vec<Decoded>) {
        let reader = &mut self.reader;
        self.framer.finish(&mut |cut: FrameCut<'_>| reader.cut(cut, out));
        reader.first.forget();
    }

    /// Bytes were lost between the last push and the next.
    pub fn resync(&mut self) {
        self.framer.resync();
        self.reader.first.forget();
    }

    /// What comes from here on answers this request of the profile; whether the one before was answered.
    pub fn asked(&mut self, request: usize, answered: bool) {
        self.reader.asked = Some(request);
        if !answered {
            self.framer.forget();
        }
    }

    /// The next frame whose body begins so is an order's answer and no record; `None` where none is waited for any more.
    pub fn awaits(&mut self, answer: Option<Vec<u8>>) {
        self.reader.awaited = answer;
    }

    /// Dropped frames by why.
    pub fn reasons(&self) -> &BTreeMap<String, u64> {
        &self.reader.reasons
    }

    /// The channel that is read, where the device has channels.
    pub fn channel(&self) -> Option<&str> {
        self.reader.memory.channel.as_deref()
    }

    pub fn counts(&self) -> DecodeCounts {
        let garbage_bytes = self.framer.garbage_bytes + self.reader.first.lost_bytes;
        DecodeCounts { bad_frames: self.framer.bad_frames, garbage_bytes, ..self.reader.counts }
    }
}

impl RecordReader {
    /// A device that never sends a header has it in its profile.
    fn start(&mut self, out: &mut Vec<Decoded>) {
        if !std::mem::replace(&mut self.started, true)
            && let Some(header) = self.profile.header_of_profile()
        {
            self.memory.header = Some(header.clone());
            out.push(Decoded { what: DecodedWhat::Record(Record::Header(header)), bytes: Vec::new() });
        }
    }

    fn kept(&self, raw: &[u8]) -> Vec<u8> {
        if self.keep_bytes { raw.to_vec() } else { Vec::new() }
    }

    /// The first line, of which no check shows that it is whole: read now where its own form shows it, or kept until the next line does.
    fn first(&mut self, raw: &[u8], body: &[u8], out: &mut Vec<Decoded>) {
        match first::proof(&self.profile.records, body) {
            WholeBy::Whole => {
                let (what, _) = self.body(body);
                out.push(Decoded { what, bytes: self.kept(raw) });
            }
            WholeBy::ByNext => self.first.keep(raw, body),
            WholeBy::None => self.first.lose(raw),
        }
    }

    /// Reads the first line that was kept, where the line behind it proves that it was whole.
    fn first_by_next(&mut self, body: &[u8], out: &mut Vec<Decoded>) {
        let Some(kept) = self.first.take() else { return };
        if first::is_followed(&self.profile, &kept.body, body) {
            let (what, _) = self.body(&kept.body);
            out.push(Decoded { what, bytes: self.kept(&kept.raw) });
        } else {
            self.first.lose(&kept.raw);
        }
    }

    /// Answers whether the frame was good.
    fn cut(&mut self, cut: FrameCut<'_>, out: &mut Vec<Decoded>) -> bool {
        let base = self.memory.header.as_ref().map(|header| header.base);
        let (raw, what, good) = match cut {
            FrameCut::Bad { raw, why } => {
                *self.reasons.entry(why.to_owned()).or_default() += 1;
                (raw, DecodedWhat::Dropped { why: why.to_owned() }, false)
            }
            FrameCut::First { raw, body } => {
                self.first(raw, body, out);
                return true;
            }
            FrameCut::Frame { raw, body } => {
                self.first_by_next(body, out);
                let (what, good) = self.body(body);
                (raw, what, good)
            }
        };
        // A shot that says when it began to be sampled: the time base of the shots from here on.
        if let (DecodedWhat::Record(Record::Shot(_)), Some(header)) = (&what, &self.memory.header)
            && base != Some(header.base)
        {
            out.push(Decoded { what: DecodedWhat::Record(Record::Header(header.clone())), bytes: Vec::new() });
        }
        out.push(Decoded { what, bytes: self.kept(raw) });
        good
    }

    fn body(&mut self, body: &[u8]) -> (DecodedWhat, bool) {
        if self.awaited.take_if(|answer| body.starts_with(answer)).is_some() {
            self.counts.frames += 1;
            return (DecodedWhat::Answer, true);
        }
        let profile = Arc::clone(&self.profile);
        let mut wrong = None;
        for rule in &profile.records {
            let Some(fields) = body.strip_prefix(rule.when.as_slice()) else { continue };
            if rule.answers.is_some() && rule.answers != self.asked {
                continue;
            }
            match rule.is_for(fields) {
                Ok(true) => return self.record(&profile, rule, fields),
                Ok(false) => {}
                Err(error) => wrong = wrong.or(Some((rule.kind, error))),
            }
        }
        match wrong {
            Some((kind, error)) => self.dropped(kind, &error),
            None => {
                self.counts.unknown += 1;
                (DecodedWhat::Unknown, true)
            }
        }
    }

    fn record(&mut self, profile: &Profile, rule: &RecordRule, fields: &[u8]) -> (DecodedWhat, bool) {
        let mut draft = Draft::default();
        let outcome = rule.read(fields, &mut draft).and_then(|()| draft.finish(rule.kind, &profile.fixed_header, &mut self.memory));
        let outcome = match outcome {
            Ok(outcome) => outcome,
            Err(error) => return self.dropped(rule.kind, &error),
        };
        self.counts.frames += 1;
        let what = match outcome {
            FrameOutcome::Record(record) => DecodedWhat::Record(record),
            FrameOutcome::Ignored => {
                self.counts.ignored += 1;
                DecodedWhat::Ignored
            }
            FrameOutcome::BeforeHeader => {
                self.counts.before_header += 1;
                DecodedWhat::BeforeHeader
            }
            FrameOutcome::OtherChannel { channel, seq } => {
                self.counts.other_channels += 1;
                DecodedWhat::OtherChannel { channel, seq }
            }
        };
        (what, true)
    }

    fn dropped(&mut self, kind: RecordKind, error: &LayoutError) -> (DecodedWhat, bool) {
        *self.reasons.entry(format!("{}: {}", kind.word(), error.reason())).or_default() += 1;
        (DecodedWhat::Dropped { why: format!("{}: {error}", kind.word()) }, false)
    }
}
