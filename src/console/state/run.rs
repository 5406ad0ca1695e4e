//! What stands on the scan screen and at the bench: a run that goes on or is played again, and where one looks on its wall.

use crate::console::replay::Replay;
use crate::console::review::EarlierOutline;
use crate::live::bench::BenchView;
use crate::live::{LiveView, LiveWall, Phase};
use backwall_store::RunId;
use backwall_stream::feed::LinkState;
use backwall_survey::reading::Reading;
use backwall_survey::strip::Spot;
use backwall_ultrasound::Waveform;
use backwall_units::Length;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Millimetres of wall in one row (or column), from near to far.
pub const ZOOMS: [f64; 12] = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0];

/// Where the operator looks on the wall.
#[derive(Debug, Clone, Copy)]
pub struct WallLook {
    pub zoom: usize,
    /// The place looked at; `None` follows the crawler.
    pub back: Option<Length>,
}

impl Default for WallLook {
    fn default() -> Self {
        Self { zoom: 5, back: None }
    }
}

impl WallLook {
    pub fn step(&self) -> Length {
        Length::mm(ZOOMS[self.zoom.min(ZOOMS.len() - 1)])
    }
}

/// A waveform held still.
#[derive(Debug, Clone)]
pub struct Frozen {
    pub waveform: Waveform,
    pub reading: Reading,
}

/// The automatic height of the A-scan: it grows at once, and shrinks only when a lesser one has been enough for a while, so that the
/// picture does not jump from shot to shot.
#[derive(Debug, Clone, Copy, Default)]
pub struct WaveScale {
    height: f64,
    /// The greatest height needed since a lesser one than `height` was enough, and from when on.
    lesser: Option<(f64, i64)>,
}

/// A lesser height must have been enough for so long. Common practice, no source.
const SHRINKS_AFTER_US: i64 = 2_000_000;

impl WaveScale {
    pub fn height(&self) -> f64 {
        self.height
    }

    /// Takes what the newest shot needs.
    pub fn take(&mut self, needed: f64, now_us: i64) {
        if needed >= self.height {
            *self = Self { height: needed, lesser: None };
            return;
        }
        let (most, since) = self.lesser.map_or((needed, now_us), |(most, since)| (most.max(needed), since));
        self.lesser = Some((most, since));
        if now_us - since >= SHRINKS_AFTER_US {
            *self = Self { height: most, lesser: None };
        }
    }
}

/// A run on screen, going on or just ended.
#[derive(Debug, Clone)]
pub struct ShownRun {
    pub view: Arc<LiveView>,
    pub wall: Arc<Mutex<LiveWall>>,
    pub look: WallLook,
    pub frozen: Option<Frozen>,
    /// What an earlier survey has of the line.
    pub behind: Option<Arc<EarlierOutline>>,
    /// The height of the live A-scan.
    pub scale: WaveScale,
    /// Size of the job file and time when first seen: how fast it grows.
    pub size_at_start: Option<(u64, i64)>,
    /// It is no run that is going on, but a stored one played again.
    pub replay: Option<Replay>,
    /// The runs of the other channels of the stream, in the order they come up.
    pub beside: Vec<Self>,
}

/// What stands on a screen is not of now when nothing has come for [`STALE_S`]; how old it then is, s.
fn stale_s(link: &LinkState, now_us: i64) -> Option<f64> {
    let age = (now_us - link.last_byte_us?) as f64 / 1e6;
    (age > STALE_S).then_some(age)
}

impl BenchShown {
    /// How old the last byte is, when that is worth saying.
    pub fn stale_s(&self, now_us: i64) -> Option<f64> {
        stale_s(&self.view.link, now_us)
    }
}

impl ShownRun {
    pub fn new(view: Arc<LiveView>, wall: Arc<Mutex<LiveWall>>) -> Self {
        Self {
            view,
            wall,
            behind: None,
            look: WallLook::default(),
            frozen: None,
            scale: WaveScale::default(),
            size_at_start: None,
            replay: None,
            beside: Vec::new(),
        }
    }

    /// This run and those beside it.
    pub fn all(&self) -> impl Iterator<Item = &Self> {
        std::iter::once(self).chain(&self.beside)
    }

    /// The run with this number, of all of them.
    pub fn of_run(&mut self, run: RunId) -> Option<&mut Self> {
        if self.view.run == run { Some(self) } else { self.beside.iter_mut().find(|beside| beside.view.run == run) }
    }

    /// Looks at the next channel; this one comes up again behind the others.
    pub fn next_channel(&mut self) {
        let mut beside = std::mem::take(&mut self.beside);
        if beside.is_empty() {
            return;
        }
        let next = beside.remove(0);
        beside.push(std::mem::replace(self, next));
        self.beside = beside;
    }

    /// Back along the wall, away from the crawler, or towards it.
    pub fn look_back(&mut self, by: usize, back: bool) {
        let from = self.view.reading.as_ref().and_then(|reading| reading.place.along);
        let way = self.look.step() * by as f64;
        let here = self.look.back.or(from).unwrap_or(Length::ZERO);
        self.look.back = Some(if back { here + way } else { here - way });
    }

    pub fn zoom(&mut self, out: bool) {
        self.look.zoom = if out { (self.look.zoom + 1).min(ZOOMS.len() - 1) } else { self.look.zoom.saturating_sub(1) };
    }

    /// Locks the wall, for no longer than it takes to copy out of it what is needed. A writer that panicked has left whole readings behind.
    pub fn wall(&self) -> MutexGuard<'_, LiveWall> {
        self.wall.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub fn is_over(&self) -> bool {
        matches!(self.view.phase, Phase::Ended(_) | Phase::Failed(_))
    }

    /// The spot the alarm line shows: the worst that nobody has acknowledged, the newest of equals.
    pub fn alarm(&self) -> Option<(Spot, usize)> {
        self.wall().alarm()
    }

    /// Seconds the saved state is behind what has come.
    pub fn lag_s(&self, now_us: i64) -> f64 {
        let Some(reading) = &self.view.reading else {
            return 0.0;
        };
        if self.view.saved.run == Some(self.view.run) && self.view.saved.seq == Some(reading.seq) {
            return 0.0;
        }
        let since = if self.view.saved.at_us > 0 { self.view.saved.at_us.max(self.view.started_us) } else { self.view.started_us };
        (now_us.max(reading.host_time_us) - since).max(0) as f64 / 1e6
    }

    /// Seconds until the disk is full at the rate the job file has grown; `None` until that is known.
    pub fn disk_seconds(&self) -> Option<f64> {
        let (size, at) = self.size_at_start?;
        let saved = &self.view.saved;
        let seconds = (saved.at_us - at) as f64 / 1e6;
        let grown = saved.file_bytes.checked_sub(size)?;
        (seconds >= 5.0 && grown > 0).then_some(())?;
        Some(saved.free_bytes? as f64 / (grown as f64 / seconds))
    }

    /// How old the last byte is, when that is worth saying: what stands on screen is then no longer what is.
    pub fn stale_s(&self, now_us: i64) -> Option<f64> {
        if self.is_over() {
            return None;
        }
        stale_s(&self.view.link, now_us)
    }
}

/// A reading older than this is not shown as if it were now. Common practice, no source.
const STALE_S: f64 = 2.0;

/// What stands where the live waveform does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum RunPicture {
    #[default]
    Wave,
    Residuals,
    Pulse,
    /// The result in full.
    Words,
}

/// The calibration bench on screen.
#[derive(Debug, Clone)]
pub struct BenchShown {
    pub view: Arc<BenchView>,
    /// How much of what it found was handed on to be stored.
    pub handed_on: usize,
    pub picture: RunPicture,
    /// What was typed last, for the next block of the set.
    pub serial: String,
    pub tolerance: String,
    pub keep_velocity: bool,
}
