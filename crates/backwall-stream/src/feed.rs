//! A running source: its reader and its decoder, each in a thread of its own, and what comes out of them.

mod outlet;
mod pace;
mod stage;

use super::command::{CommandOrder, DeviceCommand, Ordered};
use super::decode::Decoder;
use super::link::{self, Control, Target};
use super::paced::{FrameSource, Paced};
use super::profile::Profile;
use super::queue::{ByteQueue, Inlet};
use super::spec::{Pace, StreamSpec};
use super::unfit::{HostClock, Unfit};
use backwall_survey::reading::Record;
pub use outlet::FeedReceiver;
use pace::{Pacer, RateMeter};
use stage::Stage;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufWriter, IsTerminal};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;
use tokio::sync::watch;

/// Bytes of a live link that may wait for the decoder: more than ten seconds of the fastest. Held only while they wait.
pub const LIVE_BYTES: usize = 64 << 20;
/// The same of a file or a pipe, which can wait itself.
const FILE_BYTES: usize = 4 << 20;

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
    /// What became of an order to the device.
    Ordered {
        order: CommandOrder,
        became: Ordered,
    },
    /// Frames were dropped: all up to now, by why.
    Dropped {
        frames: u64,
        reasons: BTreeMap<String, u64>,
    },
    /// Shots of a channel come that is not read here.
    OtherChannel {
        words: String,
        /// It is read at the same time.
        is_beside: bool,
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
    /// Good frames; those that the profile passes over are not among them.
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
    /// The channels that came: that which is read, then others in the order they came.
    pub channels: Vec<String>,
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
    pub feed: FeedReceiver,
    pub link: watch::Receiver<LinkState>,
    pub stop: StopHandle,
}

/// Ends a source: it sends the device its stop command, delivers what had come, and ends the feed.
#[derive(Clone)]
pub struct StopHandle {
    control: Arc<Control>,
    profile: Arc<Profile>,
    /// Its line can be written to.
    sends: bool,
}

impl StopHandle {
    pub fn stop(&self) {
        self.control.stop();
    }

    /// Hands an order to the line; false where nothing can be sent, as to a file.
    pub fn send(&self, order: CommandOrder) -> bool {
        if self.sends {
            self.control.send(order);
        }
        self.sends
    }

    /// What can be sent by name; nothing to a file.
    pub fn commands(&self) -> &[DeviceCommand] {
        if self.sends { self.profile.commands() } else { &[] }
    }
}

/// Opens a stream. A port or server that is not there is an error now; one that is lost later is told in the feed
/// and tried again. May take up to some seconds where a server does not answer.
pub fn open(spec: &StreamSpec, profile: &Profile, options: SourceOptions) -> Result<Source, StreamError> {
    let sources = open_side_by_side(spec, std::slice::from_ref(profile), options)?;
    sources.into_iter().next().ok_or_else(|| StreamError::Thread(io::Error::other("no profile")))
}

/// Opens one stream for several channels: the same device by profiles that differ in the channel only, each with a decoder and a feed of its
/// own. What one makes of the bytes is what it would make of them alone.
pub fn open_side_by_side(spec: &StreamSpec, profiles: &[Profile], options: SourceOptions) -> Result<Vec<Source>, StreamError> {
    let parts = FeedParts::new(profiles, if spec.is_live() { LIVE_BYTES } else { FILE_BYTES });
    let reader = parts.reader(spec)?;
    let mut log = options.record.as_deref().map(create_log).transpose()?;
    let is_file = matches!(spec, StreamSpec::File(_));
    parts.run(&spec.to_string(), reader, |stage| {
        stage.log = log.take();
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
    let parts = FeedParts::new(std::slice::from_ref(profile), FILE_BYTES);
    let (name, inlet, control) = (what.to_owned(), parts.inlet(), Arc::clone(&parts.control));
    let stopped = Arc::clone(&parts.control);
    let from = Paced::new(frames, move |time| stopped.wait(time));
    let sources = parts.run(what, Box::new(move || link::run_to_end(from, name, &inlet, &control)), |_| {})?;
    sources.into_iter().next().ok_or_else(|| StreamError::Thread(io::Error::other("no profile")))
}

/// What a reader shares with the decoders: one for each profile.
struct FeedParts {
    decoders: Vec<(Arc<Profile>, Arc<ByteQueue>)>,
    control: Arc<Control>,
}

impl FeedParts {
    fn new(profiles: &[Profile], waiting: usize) -> Self {
        let decoders = profiles.iter().map(|profile| (Arc::new(profile.clone()), Arc::new(ByteQueue::new(waiting)))).collect();
        Self { decoders, control: Arc::new(Control::shared_by(profiles.len())) }
    }

    fn inlet(&self) -> Inlet {
        Inlet::new(self.decoders.iter().map(|(_, queue)| Arc::clone(queue)).collect())
    }

    /// The device is the same for all of them.
    fn reader(&self, spec: &StreamSpec) -> Result<FeedReader, StreamError> {
        let (profile, _) = self.decoders.first().ok_or_else(|| StreamError::Thread(io::Error::other("no profile")))?;
        reader(spec, profile, self.inlet(), &self.control)
    }

    /// Sets all going; `prepare` says what is special about this source.
    fn run(self, what: &str, reader: FeedReader, mut prepare: impl FnMut(&mut Stage)) -> Result<Vec<Source>, StreamError> {
        let channels: Vec<String> = self.decoders.iter().filter_map(|(profile, _)| profile.channel.clone()).collect();
        let started: Result<Vec<Source>, StreamError> = self
            .decoders
            .iter()
            .map(|(profile, queue)| {
                let (feed_in, feed) = outlet::channel();
                let state = LinkState { what: what.to_owned(), ..LinkState::default() };
                let (link_in, link) = watch::channel(state.clone());
                let mut stage = Stage {
                    decoder: Decoder::new(Arc::clone(profile)),
                    queue: Arc::clone(queue),
                    control: Arc::clone(&self.control),
                    feed: feed_in,
                    batch: Vec::new(),
                    link: link_in,
                    state,
                    log: None,
                    is_file: false,
                    reader_ends: false,
                    pacer: None,
                    dropped: (0, None),
                    awaited: None,
                    beside: channels.clone(),
                    other_channels: Vec::new(),
                    unfit: Unfit::default(),
                    unfit_words: format!("bytes arrive, but none fit the profile {}: wrong profile?", profile.name),
                    clock: HostClock::default(),
                    rate: RateMeter::default(),
                    published: Instant::now(),
                    measured: 0,
                };
                prepare(&mut stage);
                let sends = stage.reader_ends;
                link::spawn("stream-decoder", move || stage.run()).map_err(StreamError::Thread)?;
                Ok(Source { feed, link, stop: StopHandle { control: Arc::clone(&self.control), profile: Arc::clone(profile), sends } })
            })
            .collect();
        started.and_then(|sources| link::spawn("stream-reader", reader).map(|()| sources).map_err(StreamError::Thread)).inspect_err(|_| {
            self.control.stop();
        })
    }
}

pub(super) type FeedReader = Box<dyn FnOnce() + Send>;

/// Opens the link; what comes back reads it to its end.
pub(super) fn reader(spec: &StreamSpec, profile: &Arc<Profile>, inlet: Inlet, control: &Arc<Control>) -> Result<FeedReader, StreamError> {
    let (profile, control) = (Arc::clone(profile), Arc::clone(control));
    let mut target = match spec {
        StreamSpec::File(path) => {
            let file = File::open(path).map_err(|source| StreamError::File { path: path.clone(), source })?;
            let what = path.display().to_string();
            return Ok(Box::new(move || link::run_to_end(file, what, &inlet, &control)));
        }
        StreamSpec::Stdin => {
            if io::stdin().is_terminal() {
                return Err(StreamError::Terminal);
            }
            return Ok(Box::new(move || link::run_to_end(io::stdin().lock(), "standard input".to_owned(), &inlet, &control)));
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
    Ok(Box::new(move || link::run_live(line, target, &profile, &inlet, &control)))
}

fn create_log(path: &Path) -> Result<BufWriter<File>, StreamError> {
    // Never over an older recording: it may be the only one.
    File::create_new(path).map(BufWriter::new).map_err(|source| StreamError::Record { path: path.to_owned(), source })
}
