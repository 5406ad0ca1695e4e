//! Whether what an encoder says can be: no crawler stands far beyond its line, none goes many times as fast as it can.

use super::odometer::Path;
use backwall_units::Length;

/// Why a place is not believed; neither where it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Doubt {
    /// Beyond the planned line.
    pub off_line: bool,
    /// Reached faster than a crawler goes, and not yet left the same way.
    pub jumped: bool,
}

impl Doubt {
    pub const fn is_any(self) -> bool {
        self.off_line || self.jumped
    }
}

/// When a shot was taken, by both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    pub device_us: Option<u64>,
    pub host_us: i64,
}

impl Moment {
    /// By the device's clock where it goes on, else by the computer's.
    fn seconds_since(self, before: Moment) -> f64 {
        let by_device = self.device_us.zip(before.device_us).and_then(|(now, then)| now.checked_sub(then)).filter(|us| *us > 0);
        let by_host = || u64::try_from(self.host_us.saturating_sub(before.host_us)).unwrap_or(0);
        by_device.unwrap_or_else(by_host) as f64 / 1e6
    }
}

/// A crawler may stand this part of the line's length beyond either end, or this far. Common practice, no source.
const BEYOND_PART: f64 = 0.05;
const BEYOND: Length = Length::mm(200.0);
/// A jump is over so many times the procedure's fastest speed, and longer than this. Common practice, no source.
const TIMES_FASTEST: f64 = 10.0;
pub(super) const SHORTEST_JUMP: Length = Length::mm(50.0);
/// Across it need not be so long: a scanner swings some mm from shot to shot. Common practice, no source.
pub const ACROSS_JUMP: Length = Length::mm(20.0);

/// Whether a place lies beyond its line. Runs whose path knows no fastest speed were recorded before places were doubted.
pub(super) fn is_off_line(path: &Path, along: Length) -> bool {
    let (from, to) = path.span();
    let beyond = BEYOND.max(path.length * BEYOND_PART);
    path.max_speed.is_some() && (along < from - beyond || along > to + beyond)
}

/// Whether a step is longer than a crawler goes from one moment to the next.
fn is_jump(path: &Path, shortest: Length, step: Length, before: Moment, now: Moment) -> bool {
    let Some(fastest) = path.max_speed else { return false };
    step > shortest && step.as_mm() > fastest.as_mm_s() * TIMES_FASTEST * now.seconds_since(before)
}

/// The counts of one encoder. A jump is kept apart until it is taken back: what is driven meanwhile counts, where the crawler is does not
/// follow from a jump.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Steps {
    travelled: i64,
    /// Counts of jumps that were not taken back yet; zero where the place is believed.
    jumped: i32,
}

impl Steps {
    /// `shortest` is the shortest step of this encoder that may be a jump.
    pub fn go_on(&mut self, path: &Path, (counts_per_mm, shortest): (f64, Length), step: i32, (before, now): (Moment, Moment)) {
        let length = |counts: i32| (Length::mm(f64::from(counts) / counts_per_mm)).abs();
        let is_long = length(step) > shortest;
        let together = self.jumped.wrapping_add(step);
        let is_back = self.jumped != 0 && length(together) <= shortest;
        let is_apart = is_long && is_back || is_jump(path, shortest, length(step), before, now);
        if !is_apart {
            self.travelled = self.travelled.saturating_add(i64::from(step));
            return;
        }
        self.jumped = if is_back { 0 } else { together };
        self.travelled = self.travelled.saturating_add(if is_back { i64::from(together) } else { 0 });
    }

    pub fn is_believed(self) -> bool {
        self.jumped == 0
    }

    /// Without what jumped.
    pub fn believed(self) -> i64 {
        self.travelled
    }

    pub fn all(self) -> i64 {
        self.travelled.saturating_add(i64::from(self.jumped))
    }

    /// Jumps that were not taken back are forgotten.
    pub fn forget(&mut self) {
        self.jumped = 0;
    }
}
