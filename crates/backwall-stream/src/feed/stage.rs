//! The decoder's thread of a source: takes what waits, decodes it and gives on what came of it, with the state of the link.

use super::outlet::TOGETHER;
use super::pace::{Pacer, RateMeter};
use super::{Feed, FeedItem, LinkState};
use crate::command::{CommandOrder, Ordered};
use crate::decode::{Decoded, DecodedWhat, Decoder};
use crate::link::{Control, host_now_us};
use crate::queue::{ByteQueue, LinkEvent};
use crate::unfit::{FitChange, HostClock, Unfit};
use backwall_survey::reading::Record;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};

/// How often the state of the link is told, at the most.
const PUBLISH_EVERY: Duration = Duration::from_millis(100);
/// Dropped frames are said at most so often.
const DROPPED_EVERY: Duration = Duration::from_secs(10);
/// So many other channels are named.
const MOST_CHANNELS: usize = 8;

/// The decoder's thread.
pub struct Stage {
    pub decoder: Decoder,
    pub queue: Arc<ByteQueue>,
    pub control: Arc<Control>,
    pub feed: mpsc::Sender<Vec<Feed>>,
    /// What is given on together.
    pub batch: Vec<Feed>,
    pub link: watch::Sender<LinkState>,
    pub state: LinkState,
    pub log: Option<BufWriter<File>>,
    /// A file is read ahead of its pace; what counts is when its shots are delivered.
    pub is_file: bool,
    /// The reader sees a stop and says when it is done. One that waits for a file or a pipe may not.
    pub reader_ends: bool,
    pub pacer: Option<Pacer>,
    /// Dropped frames that were said, and when.
    pub dropped: (u64, Option<Instant>),
    /// The order whose answer is waited for, and until when.
    pub awaited: Option<(CommandOrder, Instant)>,
    /// Channels that are read at the same time.
    pub beside: Vec<String>,
    pub other_channels: Vec<String>,
    pub unfit: Unfit,
    pub unfit_words: String,
    pub clock: HostClock,
    pub rate: RateMeter,
    pub published: Instant,
    /// Shots and gauge values delivered.
    pub measured: u64,
}

/// Nobody takes the feed any more.
struct Gone;

impl Drop for Stage {
    fn drop(&mut self) {
        self.control.leave();
        self.queue.close();
    }
}

impl Stage {
    pub fn run(mut self) {
        if self.take_all().and_then(|()| self.unanswered()).and_then(|()| self.tell_dropped(Duration::ZERO)).is_ok() {
            // The last word; whoever took the feed may be gone by now, which changes nothing.
            let _ = self.tell(FeedItem::Ended, host_now_us());
        }
        self.flush_log();
        self.state.up = false;
        self.publish();
    }

    fn take_all(&mut self) -> Result<(), Gone> {
        let mut decoded = Vec::new();
        loop {
            if self.is_file && self.control.is_stopped() {
                return Ok(());
            }
            let next = self.queue.next(PUBLISH_EVERY);
            if self.feed.is_closed() {
                return Err(Gone);
            }
            if let Some(ahead_us) = self.clock.ahead(Instant::now(), host_now_us()) {
                self.tell(FeedItem::HostClock { ahead_us }, host_now_us())?;
            }
            match next {
                None if self.control.is_stopped() && !self.reader_ends => return Ok(()),
                None => {}
                Some((host_time_us, LinkEvent::Bytes(bytes))) => {
                    if !self.is_file {
                        self.state.last_byte_us = Some(host_time_us);
                    }
                    self.write_log(&bytes);
                    self.decoder.push(&bytes, &mut decoded);
                    self.deliver(&mut decoded, host_time_us)?;
                }
                Some((host_time_us, LinkEvent::Overflow { bytes })) => {
                    self.state.overflow_bytes += bytes;
                    self.decoder.resync();
                    self.unfit.restart(&self.decoder.counts());
                    self.tell(FeedItem::Overflow { bytes }, host_time_us)?;
                }
                Some((_, LinkEvent::Asked { request, answered })) => self.decoder.asked(request, answered),
                Some((host_time_us, LinkEvent::Ordered { order, became })) => self.ordered(order, became, host_time_us)?,
                Some((host_time_us, LinkEvent::Said { words })) => self.tell(FeedItem::Said { words }, host_time_us)?,
                Some((host_time_us, LinkEvent::Up { what })) => {
                    self.state.up = true;
                    self.state.what.clone_from(&what);
                    self.tell(FeedItem::Up { what }, host_time_us)?;
                }
                Some((host_time_us, LinkEvent::Down { why })) => {
                    self.state.up = false;
                    self.state.fault = Some(why.clone());
                    self.decoder.resync();
                    self.unfit.restart(&self.decoder.counts());
                    self.tell(FeedItem::Down { why }, host_time_us)?;
                }
                Some((host_time_us, LinkEvent::Reconnected { attempts, down_ms })) => {
                    self.state.up = true;
                    self.state.fault = None;
                    self.state.reconnects += 1;
                    self.tell(FeedItem::Reconnected { attempts, down_ms }, host_time_us)?;
                }
                Some((host_time_us, LinkEvent::Ended { fault })) => {
                    self.decoder.finish(&mut decoded);
                    self.deliver(&mut decoded, host_time_us)?;
                    if self.unfit.end(&self.decoder.counts()).is_some() {
                        self.tell(FeedItem::Unreadable { words: self.unfit_words.clone() }, host_time_us)?;
                    }
                    if fault.is_some() {
                        self.state.fault = fault;
                    }
                    return Ok(());
                }
            }
            self.watch_fit()?;
            self.watch_order()?;
            self.tell_dropped(DROPPED_EVERY)?;
            if self.published.elapsed() >= PUBLISH_EVERY {
                self.publish();
            }
        }
    }

    /// Says what was dropped since it was last said, at most every so often.
    fn tell_dropped(&mut self, every: Duration) -> Result<(), Gone> {
        let frames = self.decoder.counts().bad_frames;
        if frames == self.dropped.0 || self.dropped.1.is_some_and(|last| last.elapsed() < every) {
            return Ok(());
        }
        self.dropped = (frames, Some(Instant::now()));
        self.tell(FeedItem::Dropped { frames, reasons: self.decoder.reasons().clone() }, host_now_us())
    }

    /// Gives on what became of an order; from now on its answer is looked for.
    fn ordered(&mut self, order: CommandOrder, became: Ordered, host_time_us: i64) -> Result<(), Gone> {
        if became == Ordered::Sent && !order.answer.is_empty() {
            self.unanswered()?;
            self.decoder.awaits(Some(order.answer.clone()));
            self.awaited = Some((order.clone(), Instant::now() + order.patience));
        }
        self.tell(FeedItem::Ordered { order, became }, host_time_us)
    }

    /// Waits no longer for an answer that is overdue.
    fn watch_order(&mut self) -> Result<(), Gone> {
        if self.awaited.as_ref().is_some_and(|(_, until)| Instant::now() >= *until) { self.unanswered() } else { Ok(()) }
    }

    fn unanswered(&mut self) -> Result<(), Gone> {
        self.decoder.awaits(None);
        match self.awaited.take() {
            Some((order, _)) => self.tell(FeedItem::Ordered { order, became: Ordered::Unanswered }, host_now_us()),
            None => Ok(()),
        }
    }

    /// Another channel than the one that is read is said once, and never read.
    fn other_channel(&mut self, channel: String, host_time_us: i64) -> Result<(), Gone> {
        if self.other_channels.contains(&channel) || self.other_channels.len() >= MOST_CHANNELS {
            return Ok(());
        }
        let read = self.decoder.channel().unwrap_or_default().to_owned();
        let is_beside = self.beside.contains(&channel);
        let words = if is_beside {
            format!("the stream also has channel {channel}, which is read at the same time, as a run of its own")
        } else {
            format!("the stream also has channel {channel}: this run reads channel {read} only; --channel chooses another")
        };
        self.other_channels.push(channel);
        self.tell(FeedItem::OtherChannel { words, is_beside }, host_time_us)
    }

    /// Says when bytes fit no frame, and no longer when they do.
    fn watch_fit(&mut self) -> Result<(), Gone> {
        match self.unfit.look(Instant::now(), &self.decoder.counts()) {
            Some(FitChange::None) => {
                self.state.fault = Some(self.unfit_words.clone());
                self.tell(FeedItem::Unreadable { words: self.unfit_words.clone() }, host_now_us())
            }
            Some(FitChange::Again) => {
                self.state.fault.take_if(|fault| *fault == self.unfit_words);
                Ok(())
            }
            None => Ok(()),
        }
    }

    fn deliver(&mut self, decoded: &mut Vec<Decoded>, host_time_us: i64) -> Result<(), Gone> {
        for one in decoded.drain(..) {
            let record = match one.what {
                DecodedWhat::Record(record) => record,
                DecodedWhat::Answer => {
                    if let Some((order, _)) = self.awaited.take() {
                        self.tell(FeedItem::Ordered { order, became: Ordered::Answered }, host_time_us)?;
                    }
                    continue;
                }
                DecodedWhat::OtherChannel { channel, seq } => {
                    self.other_channel(channel, host_time_us)?;
                    if let Some(seq) = seq {
                        self.add(FeedItem::Beside { seq }, host_time_us)?;
                    }
                    continue;
                }
                _ => continue,
            };
            let time = match &record {
                Record::Shot(shot) => Some(shot.device_time_us),
                Record::Gauge(gauge) => Some(gauge.device_time_us),
                Record::Header(_) | Record::Status(_) => None,
            };
            if let (Some(pacer), Some(Some(time))) = (&mut self.pacer, time) {
                let pause = pacer.pause(time);
                self.give_on()?;
                if self.control.wait(pause) {
                    return Ok(());
                }
            }
            self.measured += u64::from(time.is_some());
            // A file is read ahead; what counts of it is what has been played.
            let host_time_us = if self.is_file { host_now_us() } else { host_time_us };
            self.state.last_byte_us = Some(host_time_us);
            if self.published.elapsed() >= PUBLISH_EVERY {
                self.publish();
            }
            self.add(FeedItem::Record(record), host_time_us)?;
        }
        self.give_on()
    }

    fn add(&mut self, item: FeedItem, host_time_us: i64) -> Result<(), Gone> {
        self.batch.push(Feed { item, host_time_us });
        if self.batch.len() >= TOGETHER { self.give_on() } else { Ok(()) }
    }

    fn give_on(&mut self) -> Result<(), Gone> {
        if self.batch.is_empty() {
            return Ok(());
        }
        self.feed.blocking_send(std::mem::take(&mut self.batch)).map_err(|_| Gone)
    }

    /// Tells what happened; the state of the link is told first, so that it is never older than the feed.
    fn tell(&mut self, item: FeedItem, host_time_us: i64) -> Result<(), Gone> {
        self.publish();
        self.add(item, host_time_us)?;
        self.give_on()
    }

    fn publish(&mut self) {
        let counts = self.decoder.counts();
        let state = &mut self.state;
        state.bytes = counts.bytes;
        state.frames = counts.telling();
        state.dropped = counts.bad_frames;
        state.unknown = counts.unknown;
        state.before_header = counts.before_header;
        state.garbage_bytes = counts.garbage_bytes;
        state.other_channels = counts.other_channels;
        if let Some(read) = self.decoder.channel().filter(|_| state.channels.len() != 1 + self.other_channels.len()) {
            state.channels = std::iter::once(read).chain(self.other_channels.iter().map(String::as_str)).map(str::to_owned).collect();
        }
        state.rate_hz = self.rate.at(Instant::now(), self.measured);
        self.link.send_replace(state.clone());
        self.published = Instant::now();
        self.flush_log();
    }

    fn write_log(&mut self, bytes: &[u8]) {
        if let Some(Err(error)) = self.log.as_mut().map(|log| log.write_all(bytes)) {
            self.log_failed(&error);
        }
    }

    fn flush_log(&mut self) {
        if let Some(Err(error)) = self.log.as_mut().map(BufWriter::flush) {
            self.log_failed(&error);
        }
    }

    fn log_failed(&mut self, error: &io::Error) {
        self.state.fault = Some(format!("the raw bytes are no longer recorded: {error}"));
        // What it still holds cannot be written; dropping it would try again.
        if let Some(log) = self.log.take() {
            drop(log.into_parts());
        }
    }
}
