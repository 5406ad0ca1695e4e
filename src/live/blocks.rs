//! The probe held on a block: shots taken from a stream until they are stable; and an encoder driven over a
//! measured distance.

use backwall_stream::feed::{self, FeedItem, SourceOptions, StreamError};
use backwall_stream::profile::Profile;
use backwall_stream::spec::{Pace, StreamSpec};
use backwall_survey::reading::{Record, told};
use backwall_ultrasound::{Evaluator, Measurement, Setup, SetupError, TimeBase, Waveform};
use backwall_ultrasound::{MOST_SPREAD_MM, STABLE_SHOTS, Stability, stability as stability_of};
use backwall_units::{Decibel, Length, Temperature};
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;

/// Shots kept of a block: more than enough for its mean, few enough to have been taken in one hold.
pub const KEEP_SHOTS: usize = 4 * STABLE_SHOTS;
/// A live probe that is not stable after this long will not become so.
const PATIENCE: Duration = Duration::from_secs(120);

#[derive(Debug, thiserror::Error)]
pub enum BlockError {
    #[error(transparent)]
    Stream(#[from] StreamError),
    #[error("set-up: {0}")]
    Setup(#[from] SetupError),
    #[error("{stream} brought no shots with a waveform: a block can be measured on waveforms only")]
    NoShots { stream: String },
    #[error(
        "{stream} was not stable: of the last {STABLE_SHOTS} shots {readings} had an echo, with a spread of {spread:.3} mm; \
         hold the probe still on the block, look at coupling and gain, and measure again"
    )]
    NotStable { stream: String, readings: usize, spread: f64 },
    #[error("{stream} changed its time base while the block was measured: measure it again")]
    TimeBaseChanged { stream: String },
    #[error("{stream} has no encoder counts")]
    NoEncoder { stream: String },
}

/// What was taken on one block.
#[derive(Debug, Clone)]
pub struct BlockShots {
    pub base: TimeBase,
    pub shots: Vec<Arc<[i16]>>,
    /// Their gain, where the stream tells one and it was the same for all.
    pub gain: Option<Decibel>,
    pub stability: Stability,
    /// Surface temperature, where the stream tells one.
    pub temperature: Option<Temperature>,
}

/// What an operator sees while the probe settles.
#[derive(Debug, Clone)]
pub struct Progress {
    pub waveform: Waveform,
    pub measurement: Measurement,
    pub stability: Stability,
    pub shots: usize,
}

/// Takes shots until they are stable and enough.
pub struct Collector {
    setup: Setup,
    evaluator: Option<Evaluator>,
    wall: Temperature,
    temperature: Option<Temperature>,
    readings: VecDeque<Option<Length>>,
    shots: VecDeque<Arc<[i16]>>,
    gains: VecDeque<Option<Decibel>>,
    changed: bool,
}

impl Collector {
    pub fn new(setup: &Setup) -> Self {
        Self {
            evaluator: None,
            setup: setup.clone(),
            wall: setup.block_temperature,
            temperature: None,
            readings: VecDeque::new(),
            shots: VecDeque::new(),
            gains: VecDeque::new(),
            changed: false,
        }
    }

    /// Takes a record; progress when it was a shot.
    pub fn take(&mut self, record: Record) -> Result<Option<Progress>, SetupError> {
        match record {
            Record::Header(header) if self.evaluator.as_ref().is_none_or(|known| known.base() != header.base) => {
                self.changed |= !self.shots.is_empty();
                self.evaluator = Some(Evaluator::new(&self.setup, header.base)?);
            }
            Record::Status(status) => {
                if let Some(temperature) = status.surface_temperature {
                    (self.wall, self.temperature) = (temperature, Some(temperature));
                }
            }
            Record::Shot(shot) => {
                let Some(evaluator) = &mut self.evaluator else { return Ok(None) };
                let measurement = evaluator.measure_at(&shot.samples, self.wall, told(shot.gain));
                let waveform = Waveform { base: evaluator.base(), samples: shot.samples.clone() };
                self.readings.push_back(measurement.thickness);
                self.shots.push_back(shot.samples);
                self.gains.push_back(told(shot.gain));
                if self.shots.len() > KEEP_SHOTS {
                    self.shots.pop_front();
                    self.readings.pop_front();
                    self.gains.pop_front();
                }
                return Ok(Some(Progress { waveform, measurement, stability: self.stability(), shots: self.shots.len() }));
            }
            Record::Header(_) | Record::Gauge(_) => {}
        }
        Ok(None)
    }

    /// Surface temperature, where the stream has told one.
    pub fn temperature(&self) -> Option<Temperature> {
        self.temperature
    }

    pub fn stability(&self) -> Stability {
        let readings: Vec<_> = self.readings.iter().copied().collect();
        stability_of(&readings)
    }

    /// Whether there are as many shots as are kept, and the last of them are stable.
    pub fn is_done(&self) -> bool {
        self.shots.len() >= KEEP_SHOTS && self.stability().stable
    }

    /// What was taken, if it is stable. `stream` stands for the source in messages.
    pub fn finish(&self, stream: &str) -> Result<BlockShots, BlockError> {
        let stream = || stream.to_owned();
        let Some(evaluator) = &self.evaluator else { return Err(BlockError::NoShots { stream: stream() }) };
        if self.shots.is_empty() {
            return Err(BlockError::NoShots { stream: stream() });
        }
        if self.changed {
            return Err(BlockError::TimeBaseChanged { stream: stream() });
        }
        let stability = self.stability();
        if !stability.stable {
            return Err(BlockError::NotStable { stream: stream(), readings: stability.readings, spread: stability.spread.as_mm() });
        }
        // Those before the last may be from before the probe settled: they count only if they are as steady.
        let earlier: Vec<_> = self.readings.iter().copied().take(self.readings.len().saturating_sub(STABLE_SHOTS)).collect();
        let stable = STABLE_SHOTS + if still(&stability_of(&earlier), &stability) { STABLE_SHOTS } else { 0 };
        let settled = self.shots.len().saturating_sub(stable);
        let shots = self.shots.iter().skip(settled).cloned().collect();
        let gain = self.gains.back().copied().flatten().filter(|last| self.gains.iter().skip(settled).all(|gain| *gain == Some(*last)));
        Ok(BlockShots { gain, base: evaluator.base(), shots, stability, temperature: self.temperature })
    }
}

/// Whether the probe was still from one stretch of shots to the next.
fn still(before: &Stability, after: &Stability) -> bool {
    let moved = before.mean.zip(after.mean).map(|(before, after)| (after - before).abs());
    before.stable && after.stable && moved.is_some_and(|moved| moved.as_mm() <= MOST_SPREAD_MM)
}

/// Takes a block from a stream; tells progress on the way.
pub async fn collect(
    spec: &StreamSpec,
    profile: &Profile,
    setup: &Setup,
    progress: Option<watch::Sender<Option<Progress>>>,
) -> Result<BlockShots, BlockError> {
    let name = spec.to_string();
    let mut source = feed::open(spec, profile, SourceOptions { pace: Pace::Max, record: None })?;
    let mut collector = Collector::new(setup);
    let patience = tokio::time::sleep(PATIENCE);
    tokio::pin!(patience);
    loop {
        let item = tokio::select! {
            item = source.feed.recv() => item,
            () = &mut patience => None,
        };
        let Some(item) = item else { break };
        match item.item {
            FeedItem::Record(record) => {
                if let (Some(state), Some(progress)) = (collector.take(record)?, &progress) {
                    progress.send_replace(Some(state));
                }
            }
            FeedItem::Ended => break,
            _ => {}
        }
        if collector.is_done() {
            break;
        }
    }
    source.stop.stop();
    collector.finish(&name)
}

/// Encoder counts from the first to the last record of a recorded or ended stream.
pub async fn count_travel(spec: &StreamSpec, profile: &Profile) -> Result<i64, BlockError> {
    let mut source = feed::open(spec, profile, SourceOptions { pace: Pace::Max, record: None })?;
    let mut last: Option<i32> = None;
    let mut travelled = 0i64;
    while let Some(item) = source.feed.recv().await {
        let counts = match item.item {
            FeedItem::Record(Record::Shot(shot)) => shot.encoder,
            FeedItem::Record(Record::Gauge(gauge)) => gauge.encoder,
            FeedItem::Ended => break,
            _ => None,
        };
        if let Some(counts) = counts {
            travelled += last.map_or(0, |last| i64::from(counts.wrapping_sub(last)));
            last = Some(counts);
        }
    }
    source.stop.stop();
    if last.is_none() {
        return Err(BlockError::NoEncoder { stream: spec.to_string() });
    }
    Ok(travelled)
}
