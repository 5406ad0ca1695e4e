//! What is known of the probe and its echoes: path, velocity, expected height, phase and clutter.

use super::calibration::Calibration;
use super::curve::{CurvePlace, Prepared};
use super::path::SoundPath;
use super::setup::Setup;
use backwall_units::{Decibel, Temperature};

/// A tenth of what a stored thickness is rounded to.
const SETTLED_MM: f64 = 1e-7;

/// How far beyond the blocks a height may be continued.
const SECOND_BEYOND: f64 = 1.2;

/// Curves and levels learned on blocks, heights in codes.
struct Learned {
    residuals: Vec<Prepared>,
    height: Prepared,
    phase: Prepared,
    repeat_part: Prepared,
    /// The thickest blocks that showed a first and a second echo, mm.
    first_to: f64,
    second_to: f64,
    face: Option<f64>,
    clutter: Vec<f64>,
    clutter_first_ns: f64,
    clutter_step_ns: f64,
    code_per_pct: f64,
}

/// Path and expectations at one wall temperature and gain.
pub struct Model {
    pub path: SoundPath,
    /// Gain of the shot over the blocks', as a factor; 1 where it is not known.
    louder: f64,
    /// Whether a height of this shot can be held against the blocks'.
    heights_compare: bool,
    learned: Option<Learned>,
    full_scale: f64,
}

impl Model {
    pub fn new(setup: &Setup, full_scale: f64) -> Self {
        let calibration = setup.calibration.as_deref();
        Self {
            path: setup.path(),
            louder: 1.0,
            heights_compare: false,
            learned: calibration.map(|c| Learned::of(c, full_scale)),
            full_scale,
        }
    }
    pub fn set_temperature(&mut self, setup: &Setup, wall: Temperature) {
        let wall = if wall.is_finite() { wall } else { setup.reference_temperature() };
        self.path.mm_per_ns = (setup.velocity_at(wall).as_m_s() * 1e-6).max(1e-5);
    }
    /// Tells the gain of the shots that follow, where the device tells one.
    pub fn set_gain(&mut self, setup: &Setup, gain: Option<Decibel>) {
        let apart = gain.zip(setup.calibration.as_ref().and_then(|c| c.gain)).map(|(shot, blocks)| shot.as_db() - blocks.as_db());
        let apart = apart.filter(|db| db.is_finite());
        self.heights_compare = apart.is_some();
        self.louder = apart.map_or(1.0, |db| libm::pow(10.0, db / 20.0));
    }
    /// Whether the shot's gain is known against the blocks', so that its heights tell how much of the beam comes back.
    pub fn heights_compare(&self) -> bool {
        self.heights_compare
    }
    /// Whether heights and phases were learned on blocks; without that only heights within one record compare.
    pub fn calibrated(&self) -> bool {
        self.learned.is_some()
    }
    pub fn depth(&self, time_ns: f64) -> Option<f64> {
        let mut depth = self.path.depth(time_ns)?;
        if self.learned.is_some() {
            // Each step halves the error at least (a calibration whose curve is too bent for that is refused).
            for _ in 0..40 {
                let next = self.path.depth(time_ns - self.residual(depth, 1)).unwrap_or(depth);
                let moved = (next - depth).abs();
                depth = next;
                if moved < SETTLED_MM {
                    break;
                }
            }
        }
        Some(depth)
    }
    /// Arrival of the `m`-th echo, with what the blocks taught of it.
    pub fn time(&self, depth: impl Into<CurvePlace>, m: usize) -> f64 {
        let depth = depth.into();
        self.path.time(depth.mm, m as f64) + self.residual(depth, m)
    }
    /// ns by which the `m`-th echo is later than the straight path says.
    pub fn residual(&self, depth: impl Into<CurvePlace>, m: usize) -> f64 {
        let Some(learned) = &self.learned else { return 0.0 };
        let depth = depth.into();
        let curve = |m: usize, depth: CurvePlace| learned.residuals.get(m - 1).and_then(|curve| curve.at(depth));
        curve(m, depth).or_else(|| curve(1, (m as f64 * depth.mm).into())).unwrap_or(0.0)
    }
    /// Whether the blocks showed the `m`-th echo.
    pub fn knows_repeat(&self, m: usize) -> bool {
        self.learned.as_ref().is_none_or(|l| l.residuals.get(m - 1).is_some_and(|curve| !curve.is_empty()))
    }
    /// Envelope height in codes of the first echo of a wall on the blocks, at the shot's gain.
    pub fn height(&self, depth: impl Into<CurvePlace>) -> f64 {
        let learned = self.learned.as_ref().and_then(|l| Some(l.height.at(depth)? * l.code_per_pct));
        (learned.unwrap_or(0.5 * self.full_scale) * self.louder).max(1e-6)
    }
    /// Level of the second echo against the first's on the blocks.
    pub fn repeat_part(&self, depth: impl Into<CurvePlace>) -> f64 {
        self.learned.as_ref().and_then(|l| l.repeat_part.at(depth)).unwrap_or(1.0).max(0.1)
    }
    /// Whether the blocks show how high the second echo of such a wall stands: a block near it showed its own second, or a first echo
    /// of twice the depth was seen. Further out the height is a guess and no proof.
    pub fn knows_second_height(&self, depth: f64) -> bool {
        let Some(learned) = &self.learned else { return false };
        depth <= SECOND_BEYOND * learned.second_to || 2.0 * depth <= SECOND_BEYOND * learned.first_to
    }
    /// Phase at the envelope's top on the blocks.
    pub fn phase(&self, depth: impl Into<CurvePlace>) -> f64 {
        self.learned.as_ref().and_then(|l| l.phase.at(depth)).unwrap_or(0.0)
    }
    /// Height of the echo of the wall's near face when coupled, codes, where blocks told it.
    pub fn face(&self) -> Option<f64> {
        self.learned.as_ref().and_then(|l| l.face).map(|face| face * self.louder)
    }
    /// Envelope known to stand at a time without any wall, codes.
    pub fn clutter(&self, time_ns: f64) -> f64 {
        let Some(learned) = &self.learned else { return 0.0 };
        let at = (time_ns - learned.clutter_first_ns) / learned.clutter_step_ns;
        self.louder * if at >= 0.0 { learned.clutter.get(at.round() as usize).copied().unwrap_or(0.0) } else { 0.0 }
    }
}

impl Learned {
    fn of(calibration: &Calibration, full_scale: f64) -> Self {
        let code_per_pct = full_scale / 100.0;
        Self {
            residuals: calibration.residuals.iter().map(|curve| curve.prepared()).collect(),
            height: calibration.height.prepared(),
            phase: calibration.phase.prepared(),
            repeat_part: calibration.repeat_part.prepared(),
            first_to: calibration.height.range().map_or(0.0, |range| range.1),
            second_to: calibration.repeat_part.range().map_or(0.0, |range| range.1),
            face: calibration.face_pct.map(|pct| pct * code_per_pct),
            clutter: calibration.clutter.height_pct.iter().map(|pct| pct * code_per_pct).collect(),
            clutter_first_ns: calibration.clutter.first.as_ns(),
            clutter_step_ns: calibration.clutter.step.as_ns().max(1e-3),
            code_per_pct,
        }
    }
}
