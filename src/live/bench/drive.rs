//! Drives the bench: the stream in, what is asked of it, the newest state out. One stream serves all, or, where
//! nothing is real, a virtual crawler is put on each block in turn.

use super::{Bench, BenchCommand, BenchView, Fitted, Hold, Start};
use crate::live::connecting::{ConnectError, Connecting, connect};
use crate::live::now_us;
use backwall_simulate::wall::{DrivenLine, Leg};
use backwall_simulate::{Crawler, CrawlerError, StreamEnd, VirtualWall};
use backwall_stream::feed::{self, FeedItem, Source, SourceOptions, StreamError};
use backwall_stream::profile::Profile;
use backwall_stream::spec::StreamSpec;
use backwall_survey::reading::Record;
use backwall_units::{Length, Speed};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// Where the probe's shots come from.
pub enum BenchStream {
    Device {
        spec: StreamSpec,
        options: SourceOptions,
    },
    /// Simulated blocks, and a simulated drive; everything in it is invented.
    Simulated(Box<VirtualWall>),
}

pub struct BenchRequest {
    pub stream: BenchStream,
    pub profile: Profile,
    pub start: Start,
    /// How whoever waits for the stream can stop waiting.
    pub connecting: Connecting,
}

/// A bench that is running; it ends when its commands are dropped.
pub struct BenchHandle {
    pub view: watch::Receiver<Arc<BenchView>>,
    pub commands: mpsc::Sender<BenchCommand>,
}

/// How long the stream may take to be given back.
const CLOSING: Duration = Duration::from_millis(1500);

/// Ends a bench, also from where its view is not looked at.
#[derive(Clone)]
pub struct BenchEnd(mpsc::Sender<BenchCommand>);

impl BenchHandle {
    pub fn end(&self) -> BenchEnd {
        BenchEnd(self.commands.clone())
    }

    /// Ends the bench and waits until its stream can be opened by others.
    pub fn close(self) {
        self.end().close();
    }
}

impl BenchEnd {
    /// Ends the bench and waits until its stream can be opened by others.
    pub fn close(&self) {
        if self.0.try_send(BenchCommand::Stop).is_err() {
            return;
        }
        let began = Instant::now();
        while !self.0.is_closed() && began.elapsed() < CLOSING {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    #[error(transparent)]
    Connect(#[from] ConnectError),
    #[error(transparent)]
    Stream(#[from] StreamError),
    #[error(transparent)]
    Crawler(#[from] CrawlerError),
}

const COMMANDS: usize = 64;
const BATCH: usize = 64;
/// How often the link is looked at when nothing comes.
const TICK: Duration = Duration::from_millis(250);
/// The simulated crawler on the measured distance.
const DRIVE_MM_S: f64 = 100.0;
/// Long enough for anybody to look at it.
const REST_S: f64 = 36_000.0;

/// Opens the stream and the bench. Must be called in a multi-threaded tokio runtime.
pub fn start(request: BenchRequest) -> Result<BenchHandle, BenchError> {
    let bench = Bench::new(request.start.clone());
    let (view_tx, view) = watch::channel(Arc::new(bench.view.clone()));
    let (commands, asked) = mpsc::channel(COMMANDS);
    let BenchRequest { stream, profile, connecting, .. } = request;
    let mut driver = BenchDriver { bench, stream, profile, connecting, source: None, view: view_tx, commands: asked };
    driver.open(None)?;
    tokio::spawn(driver.drive());
    Ok(BenchHandle { view, commands })
}

type FitTask = JoinHandle<(u64, Result<Arc<Fitted>, String>)>;

struct BenchDriver {
    bench: Bench,
    stream: BenchStream,
    profile: Profile,
    connecting: Connecting,
    source: Option<Source>,
    view: watch::Sender<Arc<BenchView>>,
    commands: mpsc::Receiver<BenchCommand>,
}

impl BenchDriver {
    /// Opens the stream for what the probe is put on. `driven` is the distance a simulated crawler sets off on.
    fn open(&mut self, driven: Option<Length>) -> Result<(), BenchError> {
        if let Some(source) = self.source.take() {
            source.stop.stop();
        }
        let source = match &self.stream {
            BenchStream::Device { spec, options } => {
                tokio::task::block_in_place(|| connect(spec, &self.profile, options.clone(), &self.connecting)).map(Some)?
            }
            BenchStream::Simulated(wall) => match simulated(wall, self.bench.view.hold.as_ref(), driven)? {
                Some((what, crawler)) => Some(feed::open_paced(&what, crawler, &self.profile)?),
                None => None,
            },
        };
        self.bench.opened();
        self.bench.view.commands = source.as_ref().map_or_else(|| Arc::from([]), |source| source.stop.commands().into());
        if source.is_none() && self.bench.view.hold.is_some() {
            self.bench.ended("the simulated wall has no line to drive along".to_owned());
        }
        self.source = source;
        Ok(())
    }

    async fn drive(mut self) {
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut batch = Vec::with_capacity(BATCH);
        let mut fit: Option<FitTask> = None;
        loop {
            if fit.is_none()
                && let Some(job) = self.bench.fit_job()
            {
                fit = Some(tokio::task::spawn_blocking(move || job.run()));
            }
            self.publish();
            tokio::select! {
                biased;
                command = self.commands.recv() => match command {
                    None | Some(BenchCommand::Stop) => break,
                    Some(command) => self.command(command),
                },
                done = wait(&mut fit), if fit.is_some() => {
                    fit = None;
                    match done {
                        Some(done) => self.bench.fitted(done),
                        None => self.bench.say("the fit stopped; take the last block again"),
                    }
                }
                taken = take(&mut self.source, &mut batch), if self.source.is_some() => {
                    if taken == 0 {
                        self.gone();
                    }
                    let behind = self.is_behind();
                    for feed in batch.drain(..) {
                        match feed.item {
                            FeedItem::Record(record @ (Record::Shot(_) | Record::Gauge(_))) if behind => self.bench.pass(&record, feed.host_time_us),
                            FeedItem::Record(record) => self.bench.record(record, feed.host_time_us),
                            FeedItem::Ordered { order, became } => self.bench.ordered(&order, &became),
                            FeedItem::Ended => self.gone(),
                            _ => {}
                        }
                    }
                }
                _ = tick.tick() => {}
            }
        }
        if let Some(mut source) = self.source.take() {
            source.stop.stop();
            // The feed ends when the reader has let go of the line.
            let _ = tokio::time::timeout(CLOSING / 2, async { while source.feed.recv().await.is_some() {} }).await;
        }
    }

    /// Whether a device sends faster than its shots can be measured here: what is shown and taken must be of now.
    fn is_behind(&self) -> bool {
        let is_live = matches!(&self.stream, BenchStream::Device { spec, .. } if spec.is_live());
        is_live && self.source.as_ref().is_some_and(|source| source.feed.is_half_full())
    }

    /// Nothing comes any more.
    fn gone(&mut self) {
        let Some(source) = self.source.take() else { return };
        let fault = source.link.borrow().fault.clone();
        self.bench.ended(fault.unwrap_or_else(|| "the stream has ended".to_owned()));
    }

    fn command(&mut self, command: BenchCommand) {
        if let (BenchCommand::Send(order), Some(source)) = (&command, &self.source)
            && source.stop.send(order.clone())
        {
            // What became of it comes with the stream.
            return;
        }
        let is_simulated = matches!(self.stream, BenchStream::Simulated(_));
        let held = matches!(command, BenchCommand::Hold(_) | BenchCommand::GiveUp);
        let distance = match (&command, &self.bench.view.hold) {
            (BenchCommand::Take, Some(Hold::Encoder { distance })) if is_simulated && self.bench.view.travelled.is_none() => {
                Some(*distance)
            }
            _ => None,
        };
        self.bench.command(command, now_us());
        // A device streams on whatever the probe stands on; a simulated one must be put there. A file is played again.
        let again = (held && (is_simulated || self.bench.view.ended.is_some())) || distance.is_some();
        if again && let Err(error) = self.open(distance) {
            self.bench.ended(error.to_string());
        }
    }

    fn publish(&mut self) {
        if let Some(source) = &self.source {
            self.bench.view.link = source.link.borrow().clone();
        }
        self.view.send_replace(Arc::new(self.bench.view.clone()));
    }
}

async fn take(source: &mut Option<Source>, batch: &mut Vec<feed::Feed>) -> usize {
    match source {
        Some(source) => source.feed.recv_many(batch, BATCH).await,
        None => std::future::pending().await,
    }
}

async fn wait(fit: &mut Option<FitTask>) -> Option<(u64, Result<Arc<Fitted>, String>)> {
    match fit {
        Some(task) => task.await.ok(),
        None => std::future::pending().await,
    }
}

/// The virtual crawler for what the probe is put on.
fn simulated(wall: &VirtualWall, hold: Option<&Hold>, driven: Option<Length>) -> Result<Option<(String, Crawler)>, CrawlerError> {
    Ok(match hold {
        None => None,
        Some(Hold::Block(piece) | Hold::Verify { piece, .. }) => {
            let crawler = Crawler::on_block(wall, piece.thickness, StreamEnd::Never)?;
            Some((format!("simulated block of {:.3} mm", piece.thickness.as_mm()), crawler))
        }
        Some(Hold::Encoder { .. }) => match wall.lines.first() {
            None => None,
            Some(line) => {
                let rest = Leg { pause_s: Some(REST_S), ..Leg::default() };
                let way = driven.map(|way| Leg { forward: Some(way), speed: Some(Speed::mm_s(DRIVE_MM_S)), ..Leg::default() });
                let line = DrivenLine { legs: way.into_iter().chain([rest]).collect(), ..line.clone() };
                let wall = VirtualWall { lines: vec![line.clone()], ..wall.clone() };
                Some(("simulated drive".to_owned(), Crawler::on_line(&wall, &line.name, StreamEnd::Never)?))
            }
        },
    })
}
