//! Cuts a stream of bytes into frames. Memory is bounded by the longest frame a profile allows, and what
//! fits no frame is dropped and counted, never guessed at.

use super::check::{ByteOrder, FrameCheck};
use super::cobs;

/// How one frame is told from the next.
#[derive(Debug, Clone)]
pub enum Framing {
    /// Text lines. With a `start` sign, what stands before the last one in a line is noise. A line that is `json` is one
    /// object, which shows by itself whether it is whole.
    Line { end: u8, start: Option<u8>, json: bool },
    /// COBS, ended by a zero byte.
    Cobs,
    /// Frames of stated length, found by their first bytes.
    Packed(PackedFrames),
}

#[derive(Debug, Clone)]
pub struct PackedFrames {
    /// The first bytes of every frame; may be empty where the length is fixed and a check tells.
    pub sync: Vec<u8>,
    pub length: LengthRule,
    /// Bytes in front of the body: sync, length and what else.
    pub head: usize,
    /// The last bytes of every frame, behind the check.
    pub tail: Vec<u8>,
}

#[derive(Debug, Clone, Copy)]
pub enum LengthRule {
    Fixed(usize),
    /// A number in the frame; the whole frame is so many times that, plus `adds` bytes.
    Field {
        at: usize,
        width: usize,
        order: ByteOrder,
        times: usize,
        adds: usize,
    },
}

/// What came of a stretch of bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FrameCut<'a> {
    /// A frame that passed its check: all of it, and its body.
    Frame { raw: &'a [u8], body: &'a [u8] },
    /// The same without a check, and nothing shows that it is not the end of a longer one: we came in its middle, perhaps.
    First { raw: &'a [u8], body: &'a [u8] },
    /// A frame that was dropped; of a very long one only the beginning.
    Bad { raw: &'a [u8], why: &'static str },
}

/// Who takes the frames; answers whether the body could be read.
pub trait Sink {
    fn take(&mut self, cut: FrameCut<'_>) -> bool;
}

impl<F: FnMut(FrameCut<'_>) -> bool> Sink for F {
    fn take(&mut self, cut: FrameCut<'_>) -> bool {
        self(cut)
    }
}

/// Of a frame that is too long, this much is shown.
const SHOWN_OF_LONG: usize = 64;
/// Two frames that lost the zero between them are only looked for in so much work: bytes checked.
const SPLIT_WORK: usize = 1 << 20;

pub struct Framer {
    framing: Framing,
    check: FrameCheck,
    max: usize,
    pending: Vec<u8>,
    scratch: Vec<u8>,
    /// Dropping everything up to the next delimiter.
    dropping: bool,
    /// What comes first may be the rest of a frame, which is no bad one.
    torn: bool,
    /// What comes first is a line that no check proves.
    unproven: bool,
    /// Place of `pending[0]` in the stream, and up to where a dropped frame is already counted.
    offset: u64,
    counted_to: u64,
    pub bad_frames: u64,
    /// Bytes that belong to no good frame.
    pub garbage_bytes: u64,
}

impl Framer {
    pub fn new(framing: Framing, check: FrameCheck, max: usize) -> Self {
        Self {
            framing,
            check,
            max,
            pending: Vec::new(),
            scratch: Vec::new(),
            dropping: false,
            torn: false,
            unproven: false,
            offset: 0,
            counted_to: 0,
            bad_frames: 0,
            garbage_bytes: 0,
        }
    }

    pub fn push(&mut self, chunk: &[u8], sink: &mut impl Sink) {
        match self.framing {
            Framing::Line { end, .. } => self.push_delimited(chunk, end, sink),
            Framing::Cobs => self.push_delimited(chunk, 0, sink),
            Framing::Packed(_) => {
                let mut pending = std::mem::take(&mut self.pending);
                pending.extend_from_slice(chunk);
                let used = self.scan_packed(&pending, false, sink);
                pending.drain(..used);
                self.offset += used as u64;
                self.pending = pending;
            }
        }
    }

    /// The stream is over: what is left is a frame only where a strong check says so.
    pub fn finish(&mut self, sink: &mut impl Sink) {
        let pending = std::mem::take(&mut self.pending);
        if std::mem::take(&mut self.dropping) || pending.is_empty() {
            return;
        }
        match &self.framing {
            Framing::Packed(_) => {
                let used = self.scan_packed(&pending, true, sink);
                self.offset += used as u64;
            }
            _ if self.check.is_strong() => self.delimited_frame(&pending, sink),
            _ => self.bad(&pending, pending.len(), "the stream ends inside this frame", sink),
        }
    }

    /// Bytes were lost here, or we come in the middle of a frame. What is pending cannot be completed; where no check shows that
    /// what comes is whole, a first line is given as [`Cut::First`], and anything else dropped up to its end.
    pub fn resync(&mut self) {
        self.forget();
        let delimited = !matches!(self.framing, Framing::Packed(_));
        let proven = self.check.width() > 0 || matches!(self.framing, Framing::Line { json: true, .. });
        let line = matches!(self.framing, Framing::Line { .. });
        (self.dropping, self.torn) = (delimited && !proven && !line, delimited && proven);
        self.unproven = line && !proven;
    }

    /// Nothing more comes of what is pending, and what comes next begins anew.
    pub fn forget(&mut self) {
        self.garbage_bytes += self.pending.len() as u64;
        self.offset += self.pending.len() as u64;
        self.pending.clear();
        (self.dropping, self.torn, self.unproven) = (false, false, false);
    }

    fn bad(&mut self, raw: &[u8], bytes: usize, why: &'static str, sink: &mut impl Sink) {
        self.garbage_bytes += bytes as u64;
        if !(std::mem::take(&mut self.torn) | std::mem::take(&mut self.unproven)) {
            self.bad_frames += 1;
            sink.take(FrameCut::Bad { raw, why });
        }
    }

    fn push_delimited(&mut self, mut chunk: &[u8], end: u8, sink: &mut impl Sink) {
        while !chunk.is_empty() {
            let found = memchr::memchr(end, chunk);
            let (piece, rest) = match found {
                Some(at) => (&chunk[..at], &chunk[at + 1..]),
                None => (chunk, &[][..]),
            };
            chunk = rest;
            let ended = usize::from(found.is_some());
            if self.dropping {
                self.garbage_bytes += (piece.len() + ended) as u64;
                self.dropping = found.is_none();
            } else if self.pending.len() + piece.len() > self.max {
                let mut shown = std::mem::take(&mut self.pending);
                let bytes = shown.len() + piece.len() + ended;
                shown.extend(piece.iter().take(SHOWN_OF_LONG));
                shown.truncate(SHOWN_OF_LONG);
                self.bad(&shown, bytes, "longer than framing.max_frame_bytes", sink);
                self.dropping = found.is_none();
            } else if found.is_none() {
                self.pending.extend_from_slice(piece);
            } else if self.pending.is_empty() {
                self.delimited_frame(piece, sink);
            } else {
                let mut frame = std::mem::take(&mut self.pending);
                frame.extend_from_slice(piece);
                self.delimited_frame(&frame, sink);
                frame.clear();
                self.pending = frame;
            }
        }
    }

    fn delimited_frame(&mut self, raw: &[u8], sink: &mut impl Sink) {
        match self.framing {
            Framing::Line { start, json, .. } => self.line(raw, start, json, sink),
            _ => self.cobs_frame(raw, sink),
        }
    }

    fn line(&mut self, raw: &[u8], start: Option<u8>, json: bool, sink: &mut impl Sink) {
        let mut line = raw;
        while let [head @ .., b'\r' | b'\n'] = line {
            line = head;
        }
        if line.trim_ascii().is_empty() {
            // The end of a line stands here, whatever was before it.
            self.unproven = false;
            return;
        }
        if json && self.torn && !line.trim_ascii_start().starts_with(b"{") {
            return self.bad(raw, raw.len() + 1, "the rest of a line", sink);
        }
        if let Some(start) = start {
            let Some(at) = line.iter().rposition(|byte| *byte == start) else {
                return self.bad(raw, raw.len() + 1, "the start sign is missing", sink);
            };
            self.garbage_bytes += at as u64;
            line = &line[at..];
            // A line begins with its sign, and only a line does.
            self.unproven = false;
        }
        match self.check.body_end(line) {
            None => self.bad(line, line.len() + 1, "the check fails", sink),
            Some(end) => {
                self.torn = false;
                let body = &line[..end];
                if std::mem::take(&mut self.unproven) {
                    sink.take(FrameCut::First { raw: line, body });
                } else if !sink.take(FrameCut::Frame { raw: line, body }) {
                    self.refused(line.len() + 1);
                }
            }
        }
    }

    fn refused(&mut self, bytes: usize) {
        self.bad_frames += 1;
        self.garbage_bytes += bytes as u64;
    }

    fn cobs_frame(&mut self, raw: &[u8], sink: &mut impl Sink) {
        if raw.is_empty() {
            return;
        }
        let mut scratch = std::mem::take(&mut self.scratch);
        if let Some(body) = self.cobs_body(raw, &mut scratch) {
            self.torn = false;
            if !sink.take(FrameCut::Frame { raw, body }) {
                self.refused(raw.len() + 1);
            }
        } else if let Some(at) = self.lost_zero(raw, &mut scratch) {
            // Both halves pass a strong check: only the zero between them was damaged.
            for half in [&raw[..at], &raw[at + 1..]] {
                if let Some(body) = self.cobs_body(half, &mut scratch)
                    && !sink.take(FrameCut::Frame { raw: half, body })
                {
                    self.refused(half.len() + 1);
                }
            }
        } else {
            self.bad(raw, raw.len() + 1, "not COBS, or the check fails", sink);
        }
        self.scratch = scratch;
    }

    fn cobs_body<'s>(&self, raw: &[u8], scratch: &'s mut Vec<u8>) -> Option<&'s [u8]> {
        if !cobs::decode(raw, scratch) {
            return None;
        }
        let end = self.check.body_end(scratch)?;
        Some(&scratch[..end])
    }

    /// Where a damaged zero joined two good frames.
    fn lost_zero(&self, raw: &[u8], scratch: &mut Vec<u8>) -> Option<usize> {
        if !self.check.is_strong() {
            return None;
        }
        let mut work = 0;
        cobs::block_ends(raw).find(|at| {
            work += at + 1;
            work < SPLIT_WORK && self.cobs_body(&raw[..*at], scratch).is_some() && self.cobs_body(&raw[at + 1..], scratch).is_some()
        })
    }

    /// Takes whole frames from the front of `bytes`; answers how many bytes are dealt with.
    fn scan_packed(&mut self, bytes: &[u8], last: bool, sink: &mut impl Sink) -> usize {
        let Framing::Packed(packed) = &self.framing else { return 0 };
        let packed = packed.clone();
        let mut at = 0;
        while at < bytes.len() {
            let rest = &bytes[at..];
            let found = find(rest, &packed.sync, last);
            if found > 0 {
                self.garbage_bytes += found as u64;
                at += found;
                continue;
            }
            let size = match packed.size(rest, self.max) {
                Size::Is(size) if rest.len() >= size => size,
                Size::Impossible { seen } => {
                    self.bad_packed(at, &rest[..seen], seen, "its stated length is impossible", sink);
                    at += 1;
                    continue;
                }
                Size::Is(_) | Size::Unknown if last => {
                    self.bad_packed(at, rest, rest.len(), "the stream ends inside this frame", sink);
                    at += 1;
                    continue;
                }
                Size::Is(_) | Size::Unknown => break,
            };
            let raw = &rest[..size];
            match packed.body(raw, &self.check) {
                Ok(body) if sink.take(FrameCut::Frame { raw, body }) => at += size,
                Ok(_) => {
                    self.count_packed(at, size);
                    at += 1;
                }
                Err(why) => {
                    self.bad_packed(at, raw, size, why, sink);
                    at += 1;
                }
            }
        }
        at
    }

    fn bad_packed(&mut self, at: usize, raw: &[u8], size: usize, why: &'static str, sink: &mut impl Sink) {
        if self.count_packed(at, size) {
            sink.take(FrameCut::Bad { raw, why });
        }
    }

    /// Counts a dropped frame once, however many places in it look like the start of another.
    fn count_packed(&mut self, at: usize, size: usize) -> bool {
        self.garbage_bytes += 1;
        let place = self.offset + at as u64;
        let new = place >= self.counted_to;
        if new {
            self.bad_frames += 1;
            self.counted_to = place + size as u64;
        }
        new
    }
}

enum Size {
    Is(usize),
    Impossible { seen: usize },
    Unknown,
}

impl PackedFrames {
    fn size(&self, frame: &[u8], max: usize) -> Size {
        match self.length {
            LengthRule::Fixed(size) => Size::Is(size),
            LengthRule::Field { at, width, order, times, adds } => match frame.get(at..at + width) {
                None => Size::Unknown,
                Some(bytes) => match length(order.unsigned(bytes), times, adds) {
                    Some(size) if size <= max && size >= self.head + self.tail.len() => Size::Is(size),
                    _ => Size::Impossible { seen: at + width },
                },
            },
        }
    }

    fn body<'a>(&self, raw: &'a [u8], check: &FrameCheck) -> Result<&'a [u8], &'static str> {
        let checked = raw.strip_suffix(self.tail.as_slice()).ok_or("end_hex is not where the length says the frame ends")?;
        checked.get(self.head..check.body_end(checked).ok_or("the check fails")?).ok_or("no room for a body")
    }
}

fn length(value: u64, times: usize, adds: usize) -> Option<usize> {
    usize::try_from(value).ok()?.checked_mul(times)?.checked_add(adds)
}

/// Where `sync` begins in `bytes`, or how far it surely does not. A beginning of it at the end may go on.
fn find(bytes: &[u8], sync: &[u8], last: bool) -> usize {
    if sync.is_empty() {
        return 0;
    }
    (0..bytes.len())
        .find(|at| {
            let rest = &bytes[*at..];
            if rest.len() >= sync.len() { rest.starts_with(sync) } else { !last && sync.starts_with(rest) }
        })
        .unwrap_or(bytes.len())
}
