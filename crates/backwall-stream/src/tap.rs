//! A look at a stream as it comes, frame by frame with its bytes: for making a profile, not for measuring.

use super::decode::{DecodeCounts, Decoded, Decoder};
use super::diagnose::{LOOKED_AT, diagnose};
use super::feed::{self, StreamError};
use super::link::{self, Control};
use super::profile::Profile;
use super::queue::{ByteQueue, Inlet, LinkEvent};
use super::spec::StreamSpec;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What is waiting; a look needs no deep queue.
const QUEUE_BYTES: usize = 1 << 20;

#[derive(Debug, Clone, PartialEq)]
pub enum TapItem {
    Frame(Decoded),
    /// Something happened to the link, in words.
    Note(String),
    /// Nothing came in the time given.
    Silence,
    Ended,
}

/// What a live link brings may have come so long before it is given out.
pub const GATHERED: Duration = super::link::GATHER;

pub struct Tap {
    queue: Arc<ByteQueue>,
    control: Arc<Control>,
    profile: Arc<Profile>,
    decoder: Decoder,
    decoded: Vec<Decoded>,
    ready: VecDeque<TapItem>,
    ended: bool,
    live: bool,
    /// The first bytes that came.
    seen: Vec<u8>,
}

impl Tap {
    pub fn open(spec: &StreamSpec, profile: &Profile) -> Result<Self, StreamError> {
        let profile = Arc::new(profile.clone());
        let (queue, control) = (Arc::new(ByteQueue::new(QUEUE_BYTES)), Arc::new(Control::default()));
        let reader = feed::reader(spec, &profile, Inlet::new(vec![Arc::clone(&queue)]), &control)?;
        link::spawn("stream-reader", reader).map_err(StreamError::Thread)?;
        let mut decoder = Decoder::new(Arc::clone(&profile)).keeping_bytes();
        // As a scan does: we may come in the middle of a frame.
        let live = matches!(spec, StreamSpec::Serial { .. } | StreamSpec::Tcp { .. });
        if live {
            decoder.resync();
        }
        Ok(Self { queue, control, profile, decoder, decoded: Vec::new(), ready: VecDeque::new(), ended: false, live, seen: Vec::new() })
    }

    pub fn next(&mut self, patience: Duration) -> TapItem {
        loop {
            if let Some(item) = self.ready.pop_front() {
                return item;
            }
            if self.ended {
                return TapItem::Ended;
            }
            match self.queue.next(patience) {
                None => return TapItem::Silence,
                Some((_, LinkEvent::Bytes(bytes))) => {
                    let room = LOOKED_AT.saturating_sub(self.seen.len());
                    self.seen.extend_from_slice(&bytes[..bytes.len().min(room)]);
                    self.decoder.push(&bytes, &mut self.decoded);
                }
                // Nothing is sent by name while a profile is tried.
                Some((_, LinkEvent::Ordered { .. })) => {}
                Some((_, LinkEvent::Up { what })) => return TapItem::Note(format!("reading {what}")),
                Some((_, LinkEvent::Overflow { bytes })) => {
                    self.decoder.resync();
                    return TapItem::Note(format!("{bytes} bytes came faster than they were shown and are lost"));
                }
                Some((_, LinkEvent::Down { why })) => {
                    self.decoder.resync();
                    return TapItem::Note(format!("link lost: {why}; trying again"));
                }
                Some((_, LinkEvent::Asked { request, answered })) => self.decoder.asked(request, answered),
                Some((_, LinkEvent::Said { words })) => return TapItem::Note(words),
                Some((_, LinkEvent::Reconnected { .. })) => return TapItem::Note("link found again".to_owned()),
                Some((_, LinkEvent::Ended { fault })) => {
                    self.decoder.finish(&mut self.decoded);
                    self.ready.extend(fault.map(TapItem::Note));
                    self.ended = true;
                }
            }
            self.ready.extend(self.decoded.drain(..).map(TapItem::Frame));
        }
    }

    /// The first bytes that came.
    pub fn seen(&self) -> &[u8] {
        &self.seen
    }

    /// What the first bytes look like, where the profile does not fit them.
    pub fn diagnose(&self) -> Vec<String> {
        diagnose(&self.profile, &self.seen)
    }

    pub fn counts(&self) -> DecodeCounts {
        self.decoder.counts()
    }
}

/// How long a line is given to send the device its stop command.
const STOPPING: Duration = Duration::from_secs(1);

impl Drop for Tap {
    fn drop(&mut self) {
        self.control.stop();
        let until = Instant::now() + STOPPING;
        while self.live && !self.ended && Instant::now() < until {
            self.ended = matches!(self.queue.next(STOPPING), Some((_, LinkEvent::Ended { .. })));
        }
        self.queue.close();
    }
}
