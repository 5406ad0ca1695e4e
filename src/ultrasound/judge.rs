//! How far a chosen echo can be trusted: its flags and its one word.

use super::decide::{Candidate, Wall};
use super::filter::Filter;
use super::measurement::{Flag, Flags, Quality};
use super::model::Model;
use super::setup::Mode;

/// A phase this far from the blocks' is told, radians (22 degrees).
pub const PHASE_DOUBT: f64 = 0.38;
/// A turn this large leaves the cycle in doubt, radians.
pub const CYCLE_DOUBT: f64 = 1.2;
/// A wall under this part of the blocks' height may hide a pit beside it; -3.1 dB, from simulated pits.
const WEAK: f64 = 0.7;
const VERY_WEAK: f64 = 0.25;
/// A second echo this high against the first (both against the blocks') needs an even wall under the whole beam.
const EVEN: f64 = 0.75;
/// Something behind the chosen echo that is none of its repeats and this high beside it.
const BESIDE: f64 = 0.4;
/// Lengths of the mode-converted echo's path in walls, around which it is expected.
const MODE_CONVERTED: (f64, f64) = (1.3, 1.6);

/// SNR behind the filter, dB.
const GOOD_SNR: f64 = 24.0;
const FAIR_SNR: f64 = 20.0;

/// Noise of an echo's marks, from its noise over height.
pub struct Signal<'a> {
    pub noise_part: f64,
    pub filter: &'a Filter,
}

impl Signal<'_> {
    /// Samples; the Cramér-Rao bound for a known pulse.
    pub fn timing_noise(&self) -> f64 {
        self.noise_part / self.filter.rms_frequency
    }
    /// Samples; the bound for an unknown phase.
    pub fn envelope_noise(&self) -> f64 {
        self.noise_part / self.filter.rms_bandwidth.max(1e-9)
    }
    /// Radians, of the phase at the envelope's top.
    pub fn phase_noise(&self) -> f64 {
        self.filter.carrier * self.envelope_noise()
    }
}

/// Whether repeats show that the wall is even under the whole beam.
fn even(wall: &Wall) -> bool {
    wall.second.is_some_and(|second| second.level >= EVEN * wall.chosen.level)
}

pub fn echo_flags(wall: &Wall, candidates: &[Candidate], model: &Model, mode: Mode) -> Flags {
    let mut flags = Flags::NONE;
    if !model.calibrated() {
        return flags;
    }
    if wall.chosen.level < WEAK && !even(wall) {
        flags = flags.with(Flag::Weak);
    }
    // Paint moves the first echo against its repeats and rings itself: places tell nothing then, nor do they when the first echo was not seen.
    if mode == Mode::EchoToEcho || wall.order > 1 {
        return flags;
    }
    let beside = |c: &&Candidate| {
        let walls = c.depth / wall.chosen.depth;
        let repeat = (walls - walls.round()).abs() < 0.04 * walls;
        let converted = walls > MODE_CONVERTED.0 && walls < MODE_CONVERTED.1;
        c.time_ns > wall.chosen.time_ns + 150.0 && c.level > BESIDE * wall.chosen.level && !repeat && !converted
    };
    if candidates.iter().any(|c| beside(&c)) {
        flags = flags.with(Flag::InnerReflector);
    }
    flags
}

pub fn quality(wall: &Wall, flags: Flags, snr: f64) -> Quality {
    const DOUBTS: [Flag; 8] =
        [Flag::EarlyEcho, Flag::Ambiguous, Flag::GateEdge, Flag::InnerReflector, Flag::Weak, Flag::Phase, Flag::Saturated, Flag::Multiple];
    let doubts = DOUBTS.iter().filter(|flag| flags.has(**flag)).count();
    if flags.has(Flag::Ambiguous) || snr < FAIR_SNR || (flags.has(Flag::Weak) && wall.chosen.level < VERY_WEAK) {
        Quality::Poor
    } else if doubts > 0 || snr < GOOD_SNR {
        Quality::Fair
    } else {
        Quality::Good
    }
}
