//! How far a chosen echo can be trusted: its flags and its one word.

use super::decide::{DecidedWall, EVEN, WallCandidate};
use super::filter::Filter;
use super::measurement::{Flag, Flags, Quality};
use super::model::Model;
use super::setup::Mode;

/// A phase this far from the blocks' is told, radians (22 degrees).
pub const PHASE_DOUBT: f64 = 0.38;
/// A turn this large leaves the cycle in doubt, radians.
pub const CYCLE_DOUBT: f64 = 1.2;
/// A wall under this part of the blocks' height may hide a pit beside it. Half a millimetre outside a pit's edge a beam
/// 3 mm wide keeps 0.65 of itself on the plate; another 2.3 dB are left to coupling.
const WEAK: f64 = 0.85;
const VERY_WEAK: f64 = 0.25;
/// An echo this high is none of the blocks', so that height tells nothing; only a second echo does then.
const LOUD: f64 = 1.2;
/// A second echo against what the blocks' own second echo was. A flat wall keeps 0.77 and more of it, a wall read beside a pit
/// 0.6 and less (simulated waves), at any gain.
const EVEN_AS_BLOCKS: f64 = 0.7;
/// Alone, without a height to go with it, only one this high is proof: a wall beside a pit kept 0.79 of it in one of 2268 shots.
const EVEN_ALONE: f64 = 0.85;
/// More than this is no repeat's; common practice, no source.
const EVEN_MOST: f64 = 1.5;
/// The second echo is missed only where the blocks let it be expected this high over the noise and whole in the record.
const SECOND_OVER_NOISE: f64 = 12.0;
const SECOND_ROOM_NS: f64 = 300.0;
/// Something behind the chosen echo that is none of its repeats and this high beside it.
const BESIDE: f64 = 0.4;
/// Paint's own ring is looked for this near its place, and only where there is enough of it to stand apart.
const PAINT_RING_NS: f64 = 70.0;
const PAINT_LEAST_NS: f64 = 150.0;
/// A wall this far from the blocks' temperature moves the tyre's delay by more than the verification's 0.1 mm, kelvin.
pub const DRIFT_K: f64 = 5.0;
/// Lengths of the mode-converted echo's path in walls, around which it is expected; one lies behind each repeat too, less
/// high than the repeat.
const MODE_CONVERTED: (f64, f64) = (1.3, 1.6);
const BEHIND_REPEAT: f64 = 0.8;

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

/// Whether repeats show that the wall is even under the whole beam. A second echo higher than the wall's own is that of another
/// reflector at twice the depth.
fn even(wall: &DecidedWall) -> bool {
    wall.second.is_some_and(|second| second.level >= EVEN * wall.chosen.level && second.level <= EVEN_MOST * wall.chosen.level)
}

/// What the second echo says of the wall under the beam. Unlike the first echo's height this holds at any gain.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Evenness {
    /// Too weak on the blocks, outside the record, or not clear enough to be proof without a height.
    Unknown,
    Even,
    /// A second echo that must be there is weak or gone.
    Uneven,
}

pub fn evenness(wall: &DecidedWall, model: &Model, noise: f64, end_ns: f64) -> Evenness {
    let depth = wall.chosen.depth;
    let place = wall.chosen.place;
    let due = model.time(place, 2);
    let level = model.repeat_part(place) * wall.chosen.level;
    let expected =
        model.knows_repeat(2) && model.knows_second_height(depth) && level * model.height(2.0 * depth) > SECOND_OVER_NOISE * noise;
    if wall.order > 1 || !model.calibrated() || !expected || due + SECOND_ROOM_NS >= end_ns {
        Evenness::Unknown
    } else {
        let part = wall.second.map_or(0.0, |second| second.level / level);
        match part {
            _ if part < EVEN_AS_BLOCKS => Evenness::Uneven,
            _ if part < EVEN_ALONE && !model.heights_compare() => Evenness::Unknown,
            _ => Evenness::Even,
        }
    }
}

/// `late_ns`: by how much the spacing says that all echoes come later than calibrated.
pub fn echo_flags(wall: &DecidedWall, candidates: &[WallCandidate], model: &Model, mode: Mode, evenness: Evenness, late_ns: f64) -> Flags {
    let mut flags = Flags::NONE;
    if !model.calibrated() {
        return flags;
    }
    if wall.chosen.level < WEAK && !even(wall) {
        flags = flags.with(Flag::Weak);
    }
    if evenness == Evenness::Uneven {
        flags = flags.with(Flag::Uneven);
    }
    if evenness == Evenness::Unknown && !model.heights_compare() {
        flags = flags.with(Flag::Unproven);
    }
    // Paint moves the first echo against its repeats and rings itself: places tell nothing then, nor do they when the first echo was not seen.
    if mode == Mode::EchoToEcho || wall.order > 1 {
        return flags;
    }
    let depth_of = |c: &WallCandidate| if late_ns == 0.0 { Some(c.depth) } else { model.path.depth(c.time_ns - late_ns) };
    let Some(own) = depth_of(&wall.chosen) else { return flags };
    let beside = |c: &&WallCandidate| {
        let Some(depth) = depth_of(c) else { return false };
        let walls = depth / own;
        let repeat = (walls - walls.round()).abs() < 0.04 * walls;
        let second = wall.second.filter(|second| c.level < BEHIND_REPEAT * second.level);
        let extra = if second.is_some() { (walls - 1.0).floor().max(0.0) } else { 0.0 };
        let converted = walls - extra > MODE_CONVERTED.0 && walls - extra < MODE_CONVERTED.1;
        // Paint sends each echo once more through itself, as late again as it made the first.
        let after = |echo: &WallCandidate| (c.time_ns - echo.time_ns - late_ns).abs() < PAINT_RING_NS;
        let paint = late_ns > PAINT_LEAST_NS && (after(&wall.chosen) || wall.second.as_ref().is_some_and(after));
        c.time_ns > wall.chosen.time_ns + 150.0 && c.level > BESIDE * wall.chosen.level && !repeat && !converted && !paint
    };
    if candidates.iter().any(|c| beside(&c)) {
        flags = flags.with(Flag::InnerReflector);
    }
    flags
}

pub fn quality(wall: &DecidedWall, flags: Flags, snr: f64, evenness: Evenness) -> Quality {
    const DOUBTS: [Flag; 12] = [
        Flag::EarlyEcho,
        Flag::Ambiguous,
        Flag::GateEdge,
        Flag::InnerReflector,
        Flag::Weak,
        Flag::Phase,
        Flag::Saturated,
        Flag::Multiple,
        Flag::Uneven,
        Flag::Drift,
        Flag::Unproven,
        Flag::Uncalibrated,
    ];
    let doubts = DOUBTS.iter().filter(|flag| flags.has(**flag)).count();
    if flags.has(Flag::Ambiguous) || snr < FAIR_SNR || (flags.has(Flag::Weak) && wall.chosen.level < VERY_WEAK) {
        Quality::Poor
    } else if doubts > 0 || snr < GOOD_SNR || (wall.chosen.level > LOUD && evenness == Evenness::Unknown) {
        Quality::Fair
    } else {
        Quality::Good
    }
}
