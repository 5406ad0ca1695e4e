//! A look at a stream as it comes, frame by frame with its bytes: for making a profile, not for measuring.

use super::decode::{DecodeCounts, Decoded, Decoder};
use super::feed::{self, StreamError};
use super::link::{self, Control};
use super::profile::Profile;
use super::queue::{Event, Queue};
use super::spec::StreamSpec;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

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

pub struct Tap {
    queue: Arc<Queue>,
    control: Arc<Control>,
    decoder: Decoder,
    decoded: Vec<Decoded>,
    ready: VecDeque<TapItem>,
    ended: bool,
}

impl Tap {
    pub fn open(spec: &StreamSpec, profile: &Profile) -> Result<Self, StreamError> {
        let profile = Arc::new(profile.clone());
        let (queue, control) = (Arc::new(Queue::new(QUEUE_BYTES)), Arc::new(Control::default()));
        let reader = feed::reader(spec, &profile, &queue, &control)?;
        link::spawn("stream-reader", reader).map_err(StreamError::Thread)?;
        let decoder = Decoder::new(profile).keeping_bytes();
        Ok(Self { queue, control, decoder, decoded: Vec::new(), ready: VecDeque::new(), ended: false })
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
                Some((_, Event::Bytes(bytes))) => self.decoder.push(&bytes, &mut self.decoded),
                Some((_, Event::Up { what })) => return TapItem::Note(format!("reading {what}")),
                Some((_, Event::Overflow { bytes })) => {
                    self.decoder.resync();
                    return TapItem::Note(format!("{bytes} bytes came faster than they were shown and are lost"));
                }
                Some((_, Event::Down { why })) => {
                    self.decoder.resync();
                    return TapItem::Note(format!("link lost: {why}; trying again"));
                }
                Some((_, Event::Reconnected { .. })) => return TapItem::Note("link found again".to_owned()),
                Some((_, Event::Ended { fault })) => {
                    self.decoder.finish(&mut self.decoded);
                    self.ready.extend(fault.map(TapItem::Note));
                    self.ended = true;
                }
            }
            self.ready.extend(self.decoded.drain(..).map(TapItem::Frame));
        }
    }

    pub fn counts(&self) -> DecodeCounts {
        self.decoder.counts()
    }
}

impl Drop for Tap {
    fn drop(&mut self) {
        self.control.stop();
        self.queue.close();
    }
}
