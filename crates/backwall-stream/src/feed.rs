//! A running source: its reader and its decoder, each in a thread of its own, and what comes out of them.

use super::decode::{Decoded, Decoder, What};
use super::link::{self, Control, Target, host_now_us};
use super::paced::{FrameSource, Paced};
use super::profile::Profile;
use super::queue::{Event, Queue};
use super::spec::{Pace, StreamSpec};
use super::unfit::{Fit, HostClock, Unfit};
use backwall_survey::reading::Record;
use backwall_units::Decibel;
use std::collections::{BTreeMap, VecDeque};
use std::fs::File;
use std::io::{self, BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};

/// Bytes of a live link that may wait for the decoder: more than ten seconds of the fastest. Held only while they wait.
pub const LIVE_BYTES: usize = 64 << 20;
/// The same of a file or a pipe, which can wait itself.
const FILE_BYTES: usize = 4 << 20;
/// Records that may wait for whoever takes them.
const FEED_LENGTH: usize = 1024;
/// How often the state of the link is told, at the most; and how long nothing may come before it is told again.
const PUBLISH_EVERY: Duration = Duration::from_millis(100);
const RATE_OVER: Duration = Duration::from_secs(1);
/// Dropped frames are said at most so often.
const DROPPED_EVERY: Duration = Duration::from_secs(10);
/// So many other channels are named.
const MOST_CHANNELS: usize = 8;
/// A gap in a file's device clock longer than this is not waited for.
const LONGEST_PAUSE: Duration = Duration::from_secs(2);

/// One thing that happened, and when by the computer's clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Feed {
    pub item: FeedItem,
    /// µs since 1970-01-01 UTC.
    pub host_time_us: i64,
}

#[derive(Debug, Clone, PartialEq)]
pub enum FeedItem {
    Record(Record),
    /// The link is open.
    Up {
        what: String,
    },
    /// The link is lost; it is tried again until it comes back or is stopped.
    Down {
        why: String,
    },
    Reconnected {
        attempts: u32,
        down_ms: u64,
    },
    /// Bytes of a live link found no room and are lost.
    Overflow {
        bytes: u64,
    },
    /// What happened between us and the device: started again, not answered.
    Said {
        words: String,
    },
    /// Frames were dropped: all up to now, by why.
    Dropped {
        frames: u64,
        reasons: BTreeMap<String, u64>,
    },
    /// Shots of a channel come that is not read.
    OtherChannel {
        words: String,
    },
    /// A shot of a channel that is not read has this number.
    Beside {
        seq: u32,
    },
    /// Bytes come and fit no frame of the profile.
    Unreadable {
        words: String,
    },
    /// The computer's clock jumped ahead of the time that passed.
    HostClock {
        ahead_us: i64,
    },
    /// Nothing comes any more; always the last.
    Ended,
}

/// The link at this moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LinkState {
    pub up: bool,
    /// Port or address.
    pub what: String,
    pub bytes: u64,
    /// Good frames.
    pub frames: u64,
    /// Bad frames.
    pub dropped: u64,
    /// Good frames of kinds the profile does not know.
    pub unknown: u64,
    /// Shots before any header.
    pub before_header: u64,
    /// Bytes in no good frame.
    pub garbage_bytes: u64,
    /// Shots of channels that are not read.
    pub other_channels: u64,
    pub reconnects: u64,
    pub overflow_bytes: u64,
    /// When the last byte came, µs since 1970-01-01 UTC.
    pub last_byte_us: Option<i64>,
    /// Shots and gauge values a second, over the last second.
    pub rate_hz: f64,
    /// What is wrong now, in words.
    pub fault: Option<String>,
}

#[derive(Debug, Clone, Default)]
pub struct SourceOptions {
    pub pace: Pace,
    /// Where all bytes go as they came.
    pub record: Option<PathBuf>,
}

#[derive(Debug, thiserror::Error)]
pub enum StreamError {
    #[error("cannot open the serial port {port}: {source}; {advice}")]
    Serial { port: String, source: io::Error, advice: String },
    #[error("cannot connect to {host}:{port}: {source}; check that the device is on and in the same network")]
    Connect { host: String, port: u16, source: io::Error },
    #[error("cannot read the stream file {}: {source}; check the path and that you may read it", path.display())]
    File { path: PathBuf, source: io::Error },
    #[error("standard input is a terminal: pipe a stream into it, or name one with --stream")]
    Terminal,
    #[error("cannot write the raw bytes to {}: {source}; name a file that does not exist yet, in a folder you may write to", path.display())]
    Record { path: PathBuf, source: io::Error },
    #[error("cannot start a reader: {0}; close other programs and try again")]
    Thread(io::Error),
}

/// A source that runs. Dropping `feed` ends it too.
pub struct Source {
    pub feed: mpsc::Receiver<Feed>,
    pub link: watch::Receiver<LinkState>,
    pub stop: StopHandle,
}

/// Ends a source: it sends the device its stop command, delivers what had come, and ends the feed.
#[derive(Clone)]
pub struct StopHandle {
    control: Arc<Control>,
    profile: Arc<Profile>,
}

impl StopHandle {
    pub fn stop(&self) {
        self.control.stop();
    }

    /// Sets the device's gain; false where its profile knows no such command.
    pub fn set_gain(&self, gain: Decibel) -> bool {
        self.profile.gain_command(gain).map(|command| self.control.send(command)).is_some()
    }
}

/// Opens a stream. A port or server that is not there is an error now; one that is lost later is told in the feed
/// and tried again. May take up to some seconds where a server does not answer.
pub fn open(spec: &StreamSpec, profile: &Profile, options: SourceOptions) -> Result<Source, StreamError> {
    let parts = Parts::new(profile, if spec.is_live() { LIVE_BYTES } else { FILE_BYTES });
    let reader = reader(spec, &parts.profile, &parts.queue, &parts.control)?;
    let log = options.record.as_deref().map(create_log).transpose()?;
    let is_file = matches!(spec, StreamSpec::File(_));
    parts.run(spec.to_string(), reader, |stage| {
        stage.log = log;
        stage.is_file = is_file;
        stage.reader_ends = matches!(spec, StreamSpec::Serial { .. } | StreamSpec::Tcp { .. });
        stage.pacer = (is_file && options.pace == Pace::Device).then(Pacer::default);
        if matches!(spec, StreamSpec::Serial { .. }) {
            stage.unfit_words.push_str(" wrong baud rate?");
        }
        if stage.reader_ends {
            // We may come in the middle of a frame.
            stage.decoder.resync();
        }
    })
}

/// Frames made in this process, sent at their own pace.
pub fn open_paced(what: &str, frames: impl FrameSource + Send + 'static, profile: &Profile) -> Result<Source, StreamError> {
    let parts = Parts::new(profile, FILE_BYTES);
    let (what, queue, control) = (what.to_owned(), Arc::clone(&parts.queue), Arc::clone(&parts.control));
    let stopped = Arc::clone(&parts.control);
    let from = Paced::new(frames, move |time| stopped.wait(time));
    let name = what.clone();
    parts.run(name, Box::new(move || link::run_to_end(from, what, &queue, &control)), |_| {})
}

/// What reader and decoder share.
struct Parts {
    profile: Arc<Profile>,
    queue: Arc<Queue>,
    control: Arc<Control>,
}

impl Parts {
    fn new(profile: &Profile, waiting: usize) -> Self {
        Self { profile: Arc::new(profile.clone()), queue: Arc::new(Queue::new(waiting)), control: Arc::default() }
    }

    /// Sets both going; `prepare` says what is special about this source.
    fn run(self, what: String, reader: Reader, prepare: impl FnOnce(&mut Stage)) -> Result<Source, StreamError> {
        let Self { profile, queue, control } = self;
        let (feed_in, feed) = mpsc::channel(FEED_LENGTH);
        let (link_in, link) = watch::channel(LinkState { what: what.clone(), ..LinkState::default() });
        let mut stage = Stage {
            decoder: Decoder::new(Arc::clone(&profile)),
            queue,
            control: Arc::clone(&control),
            feed: feed_in,
            link: link_in,
            state: LinkState { what, ..LinkState::default() },
            log: None,
            is_file: false,
            reader_ends: false,
            pacer: None,
            dropped: (0, None),
            other_channels: Vec::new(),
            unfit: Unfit::default(),
            unfit_words: format!("bytes come, none fit the profile {}: wrong profile?", profile.name),
            clock: HostClock::default(),
            rate: RateMeter::default(),
            published: Instant::now(),
            measured: 0,
        };
        prepare(&mut stage);
        link::spawn("stream-decoder", move || stage.run()).map_err(StreamError::Thread)?;
        link::spawn("stream-reader", reader).map_err(|error| {
            control.stop();
            StreamError::Thread(error)
        })?;
        Ok(Source { feed, link, stop: StopHandle { control, profile } })
    }
}

pub(super) type Reader = Box<dyn FnOnce() + Send>;

/// Opens the link; what comes back reads it to its end.
pub(super) fn reader(spec: &StreamSpec, profile: &Arc<Profile>, queue: &Arc<Queue>, control: &Arc<Control>) -> Result<Reader, StreamError> {
    let (profile, queue, control) = (Arc::clone(profile), Arc::clone(queue), Arc::clone(control));
    let mut target = match spec {
        StreamSpec::File(path) => {
            let file = File::open(path).map_err(|source| StreamError::File { path: path.clone(), source })?;
            let what = path.display().to_string();
            return Ok(Box::new(move || link::run_to_end(file, what, &queue, &control)));
        }
        StreamSpec::Stdin => {
            if io::stdin().is_terminal() {
                return Err(StreamError::Terminal);
            }
            return Ok(Box::new(move || link::run_to_end(io::stdin().lock(), "standard input".to_owned(), &queue, &control)));
        }
        StreamSpec::Serial { port, baud } => {
            let mut settings = profile.link;
            settings.baud = baud.unwrap_or(settings.baud);
            Target::serial(port, settings)
        }
        StreamSpec::Tcp { host, port } => Target::Tcp { host: host.clone(), port: *port, silence: profile.silence },
    };
    let line = target.open_first().map_err(|source| match spec {
        StreamSpec::Tcp { host, port } => StreamError::Connect { host: host.clone(), port: *port, source },
        _ => StreamError::Serial { port: spec.to_string(), advice: link::serial_advice(&source), source },
    })?;
    Ok(Box::new(move || link::run_live(line, target, &profile, &queue, &control)))
}

fn create_log(path: &Path) -> Result<BufWriter<File>, StreamError> {
    // Never over an older recording: it may be the only one.
    File::create_new(path).map(BufWriter::new).map_err(|source| StreamError::Record { path: path.to_owned(), source })
}

/// The decoder's thread.
struct Stage {
    decoder: Decoder,
    queue: Arc<Queue>,
    control: Arc<Control>,
    feed: mpsc::Sender<Feed>,
    link: watch::Sender<LinkState>,
    state: LinkState,
    log: Option<BufWriter<File>>,
    /// A file is read ahead of its pace; what counts is when its shots are delivered.
    is_file: bool,
    /// The reader sees a stop and says when it is done. One that waits for a file or a pipe may not.
    reader_ends: bool,
    pacer: Option<Pacer>,
    /// Dropped frames that were said, and when.
    dropped: (u64, Option<Instant>),
    other_channels: Vec<String>,
    unfit: Unfit,
    unfit_words: String,
    clock: HostClock,
    rate: RateMeter,
    published: Instant,
    /// Shots and gauge values delivered.
    measured: u64,
}

/// Nobody takes the feed any more.
struct Gone;

impl Stage {
    fn run(mut self) {
        if self.take_all().and_then(|()| self.tell_dropped(Duration::ZERO)).is_ok() {
            // The last word; whoever took the feed may be gone by now, which changes nothing.
            let _ = self.tell(FeedItem::Ended, host_now_us());
        }
        self.control.stop();
        self.queue.close();
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
                Some((host_time_us, Event::Bytes(bytes))) => {
                    if !self.is_file {
                        self.state.last_byte_us = Some(host_time_us);
                    }
                    self.write_log(&bytes);
                    self.decoder.push(&bytes, &mut decoded);
                    self.deliver(&mut decoded, host_time_us)?;
                }
                Some((host_time_us, Event::Overflow { bytes })) => {
                    self.state.overflow_bytes += bytes;
                    self.decoder.resync();
                    self.unfit.restart(&self.decoder.counts());
                    self.tell(FeedItem::Overflow { bytes }, host_time_us)?;
                }
                Some((_, Event::Asked { request, answered })) => self.decoder.asked(request, answered),
                Some((host_time_us, Event::Said { words })) => self.tell(FeedItem::Said { words }, host_time_us)?,
                Some((host_time_us, Event::Up { what })) => {
                    self.state.up = true;
                    self.state.what.clone_from(&what);
                    self.tell(FeedItem::Up { what }, host_time_us)?;
                }
                Some((host_time_us, Event::Down { why })) => {
                    self.state.up = false;
                    self.state.fault = Some(why.clone());
                    self.decoder.resync();
                    self.unfit.restart(&self.decoder.counts());
                    self.tell(FeedItem::Down { why }, host_time_us)?;
                }
                Some((host_time_us, Event::Reconnected { attempts, down_ms })) => {
                    self.state.up = true;
                    self.state.fault = None;
                    self.state.reconnects += 1;
                    self.tell(FeedItem::Reconnected { attempts, down_ms }, host_time_us)?;
                }
                Some((host_time_us, Event::Ended { fault })) => {
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

    /// Another channel than the one that is read is said once, and never read.
    fn other_channel(&mut self, channel: String, host_time_us: i64) -> Result<(), Gone> {
        if self.other_channels.contains(&channel) || self.other_channels.len() >= MOST_CHANNELS {
            return Ok(());
        }
        let read = self.decoder.channel().unwrap_or_default().to_owned();
        let words = format!("channel {channel} comes beside channel {read}: this run reads channel {read} only; --channel chooses another");
        self.other_channels.push(channel);
        self.tell(FeedItem::OtherChannel { words }, host_time_us)
    }

    /// Says when bytes fit no frame, and no longer when they do.
    fn watch_fit(&mut self) -> Result<(), Gone> {
        match self.unfit.look(Instant::now(), &self.decoder.counts()) {
            Some(Fit::None) => {
                self.state.fault = Some(self.unfit_words.clone());
                self.tell(FeedItem::Unreadable { words: self.unfit_words.clone() }, host_now_us())
            }
            Some(Fit::Again) => {
                self.state.fault.take_if(|fault| *fault == self.unfit_words);
                Ok(())
            }
            None => Ok(()),
        }
    }

    fn deliver(&mut self, decoded: &mut Vec<Decoded>, host_time_us: i64) -> Result<(), Gone> {
        for one in decoded.drain(..) {
            let record = match one.what {
                What::Record(record) => record,
                What::OtherChannel { channel, seq } => {
                    self.other_channel(channel, host_time_us)?;
                    if let Some(seq) = seq {
                        self.feed.blocking_send(Feed { item: FeedItem::Beside { seq }, host_time_us }).map_err(|_| Gone)?;
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
            if let (Some(pacer), Some(Some(time))) = (&mut self.pacer, time)
                && self.control.wait(pacer.pause(time))
            {
                return Ok(());
            }
            self.measured += u64::from(time.is_some());
            // A file is read ahead; what counts of it is what has been played.
            let host_time_us = if self.is_file { host_now_us() } else { host_time_us };
            self.state.last_byte_us = Some(host_time_us);
            if self.published.elapsed() >= PUBLISH_EVERY {
                self.publish();
            }
            self.feed.blocking_send(Feed { item: FeedItem::Record(record), host_time_us }).map_err(|_| Gone)?;
        }
        Ok(())
    }

    /// Tells what happened; the state of the link is told first, so that it is never older than the feed.
    fn tell(&mut self, item: FeedItem, host_time_us: i64) -> Result<(), Gone> {
        self.publish();
        self.feed.blocking_send(Feed { item, host_time_us }).map_err(|_| Gone)
    }

    fn publish(&mut self) {
        let counts = self.decoder.counts();
        let state = &mut self.state;
        state.bytes = counts.bytes;
        state.frames = counts.frames;
        state.dropped = counts.bad_frames;
        state.unknown = counts.unknown;
        state.before_header = counts.before_header;
        state.garbage_bytes = counts.garbage_bytes;
        state.other_channels = counts.other_channels;
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

/// Holds a file back to its device's clock.
#[derive(Default)]
struct Pacer {
    began: Option<(Instant, u64)>,
}

impl Pacer {
    /// How long to wait before what the device did at `time_us`.
    fn pause(&mut self, time_us: u64) -> Duration {
        let (began, first) = *self.began.get_or_insert((Instant::now(), time_us));
        let pause =
            time_us.checked_sub(first).map(|since| (began + Duration::from_micros(since)).saturating_duration_since(Instant::now()));
        match pause {
            Some(pause) if pause <= LONGEST_PAUSE => pause,
            // The clock went back or jumped: from here on anew.
            _ => {
                self.began = Some((Instant::now(), time_us));
                Duration::ZERO
            }
        }
    }
}

/// Counts over the last second.
#[derive(Default)]
struct RateMeter {
    seen: VecDeque<(Instant, u64)>,
}

impl RateMeter {
    fn at(&mut self, now: Instant, count: u64) -> f64 {
        self.seen.push_back((now, count));
        while self.seen.len() > 2 && self.seen.get(1).is_some_and(|(then, _)| now.duration_since(*then) >= RATE_OVER) {
            self.seen.pop_front();
        }
        match self.seen.front() {
            Some((then, before)) if now > *then => (count - before) as f64 / now.duration_since(*then).as_secs_f64(),
            _ => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rate_is_of_the_last_second_and_falls_to_zero() {
        let mut meter = RateMeter::default();
        let began = Instant::now();
        let mut rate = 0.0;
        for tenth in 0..=30u64 {
            rate = meter.at(began + Duration::from_millis(100 * tenth), 20 * tenth);
        }
        assert!((rate - 200.0).abs() < 1e-6, "{rate}");
        for tenth in 31..=42 {
            rate = meter.at(began + Duration::from_millis(100 * tenth), 600);
        }
        assert_eq!(rate, 0.0);
    }

    #[test]
    fn a_jump_of_the_device_clock_is_not_waited_for() {
        let mut pacer = Pacer::default();
        assert_eq!(pacer.pause(1_000_000), Duration::ZERO);
        let pause = pacer.pause(1_500_000);
        assert!(pause > Duration::from_millis(400) && pause <= Duration::from_millis(500), "{pause:?}");
        assert_eq!(pacer.pause(900_000_000_000), Duration::ZERO);
        assert_eq!(pacer.pause(5), Duration::ZERO);
        assert!(pacer.pause(100_005) > Duration::from_millis(50));
    }
}
