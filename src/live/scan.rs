//! Starts a run and drives it: stream and commands in, job file and screen out. Several channels of one stream are runs side by side,
//! each with a driver of its own; they begin and end together.
//!
//! The stream's reader and decoder, this engine, the store's writer and the screen are tasks or threads of their
//! own. Stream to store is bounded and lossless: what cannot be queued from a live link is counted and told, a file
//! waits. To the screen goes the newest state only.

use super::ahead::Ahead;
use super::begin::Begin;
use super::connecting::{ConnectError, Connecting, connect_side_by_side};
use super::engine::{Engine, Notice, Outcome};
use super::unsaved::Unsaved;
use super::view::{LiveView, Phase, RunCommand};
use super::wall::LiveWall;
use backwall_store::{CloseReason, Entry, EventKind, JobContents, RunId, RunStart, RunSummary, Saved, StoreError, Writer};
use backwall_stream::feed::{Feed, FeedItem, Source, SourceOptions};
use backwall_stream::profile::Profile;
use backwall_stream::spec::StreamSpec;
use backwall_survey::job::overriding::{Override, OverrideError};
use backwall_survey::job::plan::Plan;
use backwall_survey::reading::ReadingMaker;
use backwall_survey::strip::{AlarmSettings, Section};
use backwall_survey::travel::{NotOnLine, Odometer, TravelError};
use backwall_ultrasound::SetupError;
use backwall_units::{Length, Speed};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// Why a run cannot start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    #[error("the plan has no line '{name}'; it has: {known}")]
    NoSuchLine { name: String, known: String },
    #[error(
        "scanning is not allowed:\n  {}\nAnswer and sign the checklist, calibrate on blocks (backwall calibrate JOB --at MM=STREAM ... \
         --verify MM=STREAM), or override it with a reason (--override-checklist REASON).",
        .0.join("\n  ")
    )]
    NotAllowed(Vec<String>),
    #[error(transparent)]
    NotOnLine(#[from] NotOnLine),
    #[error(transparent)]
    Override(#[from] OverrideError),
    #[error("only {} MB are free on the disk of the job file, {} MB are needed to start a run: make room, or move the job to another disk", .free / 1_000_000, LEAST_FREE / 1_000_000)]
    NoRoom { free: u64 },
    #[error(transparent)]
    Stream(#[from] ConnectError),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("encoder: {0}")]
    Travel(#[from] TravelError),
    #[error("set-up: {0}")]
    Setup(#[from] SetupError),
}

/// With less than this on the disk no run starts: it could not be closed in order. Common practice, no source.
pub const LEAST_FREE: u64 = 100_000_000;
/// With less than this a word is said: about an hour of waveforms at 200 shots a second.
pub const LOW_FREE: u64 = 2_000_000_000;

/// What there is to say of the room on the disk before a run, if anything.
pub fn low_disk(free: Option<u64>) -> Option<String> {
    let free = free.filter(|free| *free < LOW_FREE)?;
    Some(format!("only {:.2} GB are free on the disk of the job file: a long run may not fit", free as f64 / 1e9))
}

/// What one run needs of its own.
pub struct RunRequest {
    pub start: RunStart,
    pub profile: Profile,
    /// Where alarms and faults are told as they happen; for callers without a screen.
    pub notices: Option<mpsc::Sender<Notice>>,
}

/// Everything a scan needs besides the job file's writer.
pub struct ScanRequest {
    /// One for each channel that is read.
    pub runs: Vec<RunRequest>,
    pub spec: StreamSpec,
    pub options: SourceOptions,
    pub alarm: AlarmSettings,
    pub max_speed: Speed,
    pub max_gap: Length,
    pub seams: Vec<Length>,
    /// What was sent to the device behind the calibration, before the run.
    pub adjusted: Vec<String>,
    /// How whoever waits for the stream can stop waiting.
    pub connecting: Connecting,
}

/// What to scan, as an operator says it.
pub struct ScanOrder<'a> {
    pub begin: &'a Begin,
    pub spec: StreamSpec,
    /// How the device is read, with how that was proven on it, in words: one for each channel that is read.
    pub profiles: Vec<(Profile, Option<String>)>,
    pub options: SourceOptions,
    pub operator: &'a str,
    /// When: what has run out by then stops it. µs since 1970-01-01 UTC.
    pub now_us: i64,
}

impl ScanRequest {
    /// Makes a request from a job, if nothing stops scanning or that is overridden.
    pub fn new(job: &JobContents, order: ScanOrder<'_>) -> Result<Self, StartError> {
        let plan: &Plan = &job.plan;
        let begin = order.begin;
        let line = plan.line(&begin.line).ok_or_else(|| StartError::NoSuchLine {
            name: begin.line.clone(),
            known: plan.lines.iter().map(|line| line.name.as_str()).collect::<Vec<_>>().join(", "),
        })?;
        let channels: Vec<&str> = order.profiles.iter().filter_map(|(profile, _)| profile.channel.as_deref()).collect();
        let obstacles = job.obstacles_on(&job.conditions(order.now_us, Some(&begin.line), order.operator), &channels);
        let against = begin.against.as_ref().filter(|_| !obstacles.is_empty());
        match against {
            Some(against) => against.counts(plan.job.override_needs_second_name)?,
            None if !obstacles.is_empty() => return Err(StartError::NotAllowed(obstacles)),
            None => {}
        }
        let runs = order.profiles.into_iter().map(|(profile, profile_proof)| {
            let channel = profile.channel.as_deref();
            let start = RunStart {
                line: line.name.clone(),
                path: begin.path(plan.path_of(line, channel))?,
                limits: plan.limits(),
                setup: job.setup_of_channel(channel),
                setup_id: job.setup_for(channel).map(|entry| entry.id),
                wall_temperature: plan.wall_temperature(),
                profile_name: profile.name.clone(),
                profile_text: profile.text.clone(),
                profile_proof,
                stream: order.spec.to_string(),
                software: format!("backwall {}", env!("CARGO_PKG_VERSION")),
                checklist_override: against.map(Override::words),
                operator: order.operator.to_owned(),
                channel: channel.map(str::to_owned),
                started_us: order.now_us,
            };
            Ok(RunRequest { start, profile, notices: None })
        });
        Ok(Self {
            runs: runs.collect::<Result<_, StartError>>()?,
            spec: order.spec,
            options: order.options,
            alarm: plan.alarm,
            max_speed: plan.limits.max_speed,
            max_gap: plan.limits.max_gap,
            seams: plan.seams(line),
            adjusted: begin.adjusted.clone(),
            connecting: Connecting::default(),
        })
    }
}

/// A run that is under way.
pub struct Scan {
    pub run: RunId,
    pub view: watch::Receiver<Arc<LiveView>>,
    pub wall: Arc<Mutex<LiveWall>>,
    pub commands: mpsc::Sender<RunCommand>,
    /// Ends with the run's summary.
    pub task: tokio::task::JoinHandle<Result<RunSummary, StoreError>>,
}

/// Commands waiting while the engine is busy; far more than fingers can type.
const COMMANDS: usize = 64;
/// Feed items taken at once, after which the screen is told.
const BATCH: usize = 512;
/// How long the end of the stream is waited for.
const LAST_WORDS: Duration = Duration::from_millis(500);
/// How often silence and saving are looked at.
const TICK: Duration = Duration::from_millis(250);

/// Opens the stream and its runs: all of them or none. Must be called in a multi-threaded tokio runtime.
pub fn start(writer: &Writer, saved: &watch::Receiver<Saved>, request: ScanRequest) -> Result<Vec<Scan>, StartError> {
    let before = saved.borrow().clone();
    if let Some(free) = before.free_bytes.filter(|free| *free < LEAST_FREE) {
        return Err(StartError::NoRoom { free });
    }
    if let (Some(words), Some(notices)) = (low_disk(before.free_bytes), request.runs.first().and_then(|run| run.notices.as_ref())) {
        notices.try_send(Notice::Fault(words.into())).ok();
    }
    let makers = request.runs.iter().map(|RunRequest { start, .. }| {
        let odometer = Odometer::new(start.path.clone())?;
        Ok(ReadingMaker::new(start.setup.clone(), odometer, start.limits.clone(), start.wall_temperature))
    });
    let makers: Vec<ReadingMaker> = makers.collect::<Result<_, TravelError>>()?;
    let live = request.spec.is_live();
    let profiles: Vec<Profile> = request.runs.iter().map(|run| run.profile.clone()).collect();
    let sources = tokio::task::block_in_place(|| connect_side_by_side(&request.spec, &profiles, request.options, &request.connecting))?;
    let starts = request.runs.iter().map(|run| run.start.clone()).collect();
    let runs = tokio::task::block_in_place(|| writer.start_runs(starts))?;
    let ending = Arc::new(OnceLock::new());
    let all = runs.into_iter().zip(request.runs).zip(makers).zip(sources);
    let scans = all.map(|(((run, RunRequest { start, notices, .. }), maker), source)| {
        let limits = Arc::new(start.limits.clone());
        let wall = LiveWall::new(Section::new(request.alarm), request.seams.clone(), start.path.span());
        let mut engine = Engine::new(maker, limits.clone(), request.max_gap, start.path.start, wall);
        let mut first = Outcome::default();
        engine.adjusted_before(&request.adjusted, super::now_us(), &mut first);
        for entry in first.entries {
            tokio::task::block_in_place(|| writer.append_blocking(run, entry)).ok();
        }
        let wall = engine.wall.clone();
        let view = LiveView {
            saved: Saved { free_bytes: before.free_bytes, ..Saved::default() },
            commands: source.stop.commands().into(),
            ..LiveView::waiting(run, &start, limits, request.max_speed, request.max_gap)
        };
        let (view_tx, view_rx) = watch::channel(Arc::new(view));
        let (command_tx, commands) = mpsc::channel(COMMANDS);
        let driver = ScanDriver {
            run,
            writer: writer.clone(),
            saved: saved.clone(),
            source,
            live,
            ahead: Ahead::new(&engine),
            engine,
            unsaved: Unsaved::default(),
            view: view_tx,
            commands,
            notices,
            ending: Arc::clone(&ending),
        };
        Scan { run, view: view_rx, wall, commands: command_tx, task: tokio::spawn(driver.drive()) }
    });
    Ok(scans.collect())
}

struct ScanDriver {
    run: RunId,
    writer: Writer,
    saved: watch::Receiver<Saved>,
    source: Source,
    live: bool,
    engine: Engine,
    ahead: Ahead,
    unsaved: Unsaved,
    view: watch::Sender<Arc<LiveView>>,
    commands: mpsc::Receiver<RunCommand>,
    notices: Option<mpsc::Sender<Notice>>,
    /// Why this run and those beside it end: what the first of them was told.
    ending: Arc<OnceLock<CloseReason>>,
}

impl ScanDriver {
    async fn drive(mut self) -> Result<RunSummary, StoreError> {
        let reason = match self.record().await {
            // Each takes all of the stream; it may have ended because another was told to end.
            CloseReason::StreamEnded => self.ending.get().cloned().unwrap_or(CloseReason::StreamEnded),
            told => {
                let reason = self.ending.get_or_init(|| told).clone();
                self.source.stop.stop();
                reason
            }
        };
        let mut out = Outcome::default();
        self.last_words(&mut out).await;
        self.engine.phase = Phase::Ending;
        self.publish();
        self.engine.finish(&mut out);
        out.entries.extend(self.unsaved.told(super::now_us()));
        // What was queued before the end is waited for: it was seen on screen.
        for entry in out.entries {
            tokio::task::block_in_place(|| self.writer.append_blocking(self.run, entry)).ok();
        }
        let closed = tokio::task::block_in_place(|| self.writer.close_run(self.run, reason, self.engine.counts.lost));
        self.engine.phase = match &closed {
            Ok(summary) => Phase::Ended(Box::new(summary.clone())),
            Err(error) => Phase::Failed(error.to_string()),
        };
        self.publish();
        closed
    }

    /// Waits until the device has its stop command, and takes what was dropped up to then; no more readings.
    async fn last_words(&mut self, out: &mut Outcome) {
        let until_ended = async {
            while let Some(feed) = self.source.feed.recv().await {
                match feed.item {
                    FeedItem::Ended => return,
                    FeedItem::Dropped { .. } => self.engine.take(feed, out),
                    _ => {}
                }
            }
        };
        tokio::time::timeout(LAST_WORDS, until_ended).await.ok();
    }

    /// Runs until the stream ends, the operator ends it, or nobody can command it any more.
    async fn record(&mut self) -> CloseReason {
        let mut batch: Vec<Feed> = Vec::with_capacity(BATCH);
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut out = Outcome::default();
        let mut was_fault = false;
        loop {
            tokio::select! {
                biased;
                command = self.commands.recv() => match command {
                    Some(command) => {
                        let changes = matches!(command, RunCommand::Change(_));
                        if let RunCommand::Send(order) = &command
                            && self.source.stop.send(order.clone())
                        {
                            // What became of it comes with the stream, in its place between the shots.
                            continue;
                        }
                        if let Some(reason) = self.engine.command(command, super::now_us(), &mut out) {
                            return reason;
                        }
                        if changes {
                            self.ahead = Ahead::new(&self.engine);
                        }
                    }
                    // Every handle is gone: the program is on its way out.
                    None => return CloseReason::Terminated,
                },
                taken = self.source.feed.recv_many(&mut batch, BATCH) => {
                    if taken == 0 {
                        return CloseReason::StreamEnded;
                    }
                    let mut measured = self.ahead.measure(&self.engine, &batch).into_iter();
                    for feed in batch.drain(..) {
                        self.engine.take_measured(feed, measured.next().flatten(), &mut out);
                    }
                    // What a tick looks at is looked at now; without this it would make a picture of its own.
                    tick.reset();
                }
                _ = tick.tick() => {}
            }
            self.engine.tick(super::now_us(), &mut out);
            self.save(&mut out);
            self.watch_saving(&mut was_fault, &mut out);
            self.tell(&mut out);
            self.publish();
            if out.ended {
                return CloseReason::StreamEnded;
            }
        }
    }

    /// Says when saving stops, and when it works again.
    fn watch_saving(&mut self, was_fault: &mut bool, out: &mut Outcome) {
        let Saved { fault, unsaved, .. } = self.saved.borrow().of(self.run);
        match (&fault, *was_fault) {
            (Some(what), false) => out.notices.push(Notice::Fault(format!("not saved: {what}").into())),
            (None, true) => {
                let lost = match unsaved + self.engine.counts.unsaved {
                    0 => "all that waited is saved".to_owned(),
                    lost => format!("{lost} entries found no room and are not in the file"),
                };
                let text = format!("the disk was full and has room again: {lost}");
                self.engine.notify(Notice::Fault(text.clone().into()), out);
                let entry = Entry::Event { kind: EventKind::Fault, text: text.into(), seq: None, along: None, at_us: super::now_us() };
                self.writer.try_append(self.run, entry).ok();
            }
            _ => {}
        }
        *was_fault = fault.is_some();
    }

    /// Queues what is to be saved. A live link is never held up; a file waits for the disk.
    fn save(&mut self, out: &mut Outcome) {
        if self.live { self.save_live(out) } else { tokio::task::block_in_place(|| self.save_in_pace(out)) }
    }

    fn save_in_pace(&mut self, out: &mut Outcome) {
        for entry in out.entries.drain(..) {
            let is_reading = matches!(entry, Entry::Reading { .. });
            let kept = self.writer.append_in_pace(self.run, entry).is_ok();
            self.engine.counts.unsaved += u64::from(is_reading && !kept);
        }
    }

    fn save_live(&mut self, out: &mut Outcome) {
        let mut rows_run_on = true;
        for entry in out.entries.drain(..) {
            if matches!(entry, Entry::Judgement(_)) && !rows_run_on {
                continue;
            }
            let is_reading = matches!(entry, Entry::Reading { .. });
            let Err(entry) = self.writer.try_append(self.run, entry) else {
                // There is room again: what is missing is written down where it is missing.
                if let Some(told) = self.unsaved.told(super::now_us()) {
                    tokio::task::block_in_place(|| self.writer.append_blocking(self.run, told)).ok();
                }
                continue;
            };
            if is_reading {
                self.engine.counts.unsaved += 1;
                self.unsaved.lost(&entry);
                self.engine.row_lost();
                rows_run_on = false;
                continue;
            }
            tokio::task::block_in_place(|| self.writer.append_blocking(self.run, entry)).ok();
        }
    }

    fn tell(&mut self, out: &mut Outcome) {
        for notice in out.notices.drain(..) {
            if let Some(notices) = &self.notices {
                // A reader that does not read its own output loses notices, never readings.
                notices.try_send(notice).ok();
            }
        }
    }

    fn publish(&mut self) {
        let engine = &self.engine;
        let old = self.view.borrow().clone();
        let link = self.source.link.borrow().clone();
        let saved = self.saved.borrow().of(self.run);
        let phase = if engine.is_stalled() && matches!(engine.phase, Phase::Recording) {
            Phase::LinkDown("the device has gone silent".to_owned())
        } else {
            engine.phase.clone()
        };
        self.view.send_replace(Arc::new(LiveView {
            phase,
            reading: engine.reading.clone(),
            waveform: engine.waveform.clone(),
            link,
            saved,
            telemetry: engine.telemetry.clone(),
            counts: engine.counts.clone(),
            bells: engine.bells,
            rings: engine.rings,
            reach: engine.reach,
            zero: engine.zero,
            gap: engine.gap(),
            line: old.line.clone(),
            channel: old.channel.clone(),
            disagreement: engine.disagreement.now(),
            changed: engine.changed,
            device: engine.device.clone(),
            said: engine.said().cloned().collect(),
            commands: old.commands.clone(),
            setup: engine.setup.clone(),
            limits: old.limits.clone(),
            checklist_override: old.checklist_override.clone(),
            ..*old
        }));
    }
}
