//! The standard uncertainty of one reading: timing from the shot itself, the rest from the budget.
//!
//! Combined as the square root of the sum of squares of sensitivity times uncertainty (JCGM 100:2008, equation 10).

use super::calibration::{Budget, Calibration, TYRE_NS_K};
use super::model::Model;
use super::quick;
use super::setup::{Mode, Setup};
use backwall_units::{Length, Temperature};

/// What one shot tells of its own accuracy.
pub struct ShotEvidence {
    pub depth: f64,
    /// From noise, mm.
    pub scatter_mm: f64,
    /// How far correlation and envelope disagree against the blocks, ns, and what noise alone explains of it.
    pub shape_ns: f64,
    pub shape_noise_ns: f64,
    /// What the second echo lacks against the blocks', both against the first.
    pub uneven: f64,
    /// Whether height, second echo or phase show that the wall is not even under the beam.
    pub sloped: bool,
}

/// The part of a disagreement between correlation and envelope that shows up as error; fitted on simulated rough walls.
const SHAPE_PART: f64 = 0.5;
/// A weaker second echo than the blocks' tells of a rough or uneven wall; error in mm when all of it is missing, and what
/// coupling alone explains. Fitted on simulated rough walls.
const UNEVEN_MM: f64 = 0.03;
const UNEVEN_FREE: f64 = 0.08;
/// Where the wall is not even its minimum within 1.5 mm of the centre is what counts: on simulated slopes of 2 to 15 degrees it lies
/// up to 0.25 mm under the reading.
const SLOPED_MM: f64 = 0.13;
/// Away from the nearest block, mm for each unit of the logarithm of thickness; from simulated flat plates.
const NEAREST_MM: f64 = 0.008;
/// Between two blocks, for each square unit of it and each mm the probe bends away from a straight path over the blocks; and
/// how far it may where three blocks or less cannot show it. From simulated waves in flat plates, blocks 0.3 to 1 unit apart.
const BENT: f64 = 0.9;
const BENT_UNSEEN_MM: f64 = 0.1;
/// What paint does to the phase of each bounce, mm; fitted on simulated painted plate.
const PAINT_MM: f64 = 0.0016;
/// What a noise estimate from one shot falls short of; fitted so that ±2u covers 95 % of simulated even walls.
pub const NOISE_FACTOR: f64 = 0.9;
/// Thinner than the thinnest block, mm for the square of the logarithm of the thickness over the block's: what two elements
/// do there is not known; from simulated waves in flat plates.
const THINNER_MM: f64 = 0.35;
/// Beyond the blocks a reading loses this much certainty for each mm, up to a limit.
const BEYOND_MM: f64 = 0.006;
const BEYOND_MOST_MM: f64 = 0.06;

/// What a curve through the blocks may be off by at a thickness, mm: the product of the distances to the blocks on either
/// side (the error of an interpolation, textbook).
fn between(calibration: &Calibration, model: &Model, depth: f64) -> f64 {
    // The nearest block on either side: one logarithm each instead of one for every block.
    let blocks = || calibration.points.iter().map(|point| point.thickness.as_mm());
    let under = blocks().filter(|block| *block <= depth).fold(f64::NEG_INFINITY, f64::max);
    let over = blocks().filter(|block| *block >= depth).fold(f64::INFINITY, f64::min);
    let thinner = if under > 0.0 { quick::ln(depth / under) } else { f64::INFINITY };
    let thicker = if over.is_finite() { quick::ln(over / depth) } else { f64::INFINITY };
    let nearest = NEAREST_MM * thinner.min(thicker).min(1.0);
    if !(thinner.is_finite() && thicker.is_finite()) {
        return nearest;
    }
    let seen = calibration.residuals.first().filter(|curve| curve.len() > 3);
    let bent = seen.map_or(BENT_UNSEEN_MM, |curve| curve.span() * model.path.mm_per_ns / 2.0);
    libm::hypot(nearest, BENT * bent * thinner * thicker)
}

/// One thing a reading's uncertainty is made of; standard uncertainty (k = 1) of the thickness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BudgetPart {
    pub name: &'static str,
    pub size: Length,
}

/// What a reading is uncertain by, and of what.
pub struct Combined {
    pub total: Length,
    /// Without the noise of this shot and without what the zero may be off by: for whoever knows both better.
    pub rest: Length,
}

/// What a part of the budget comes from.
#[derive(Clone, Copy, PartialEq)]
enum BudgetOf {
    Shot,
    Zero,
    Rest,
}

/// What a wall changes by with the elements' half separation at one time of flight, or one spacing, times the half separation:
/// the derivatives of the mirror-image path.
fn by_half(mode: Mode, half: f64, depth: f64) -> f64 {
    let leg = |m: f64| libm::hypot(m * depth, half);
    match mode {
        Mode::FirstEcho => half * half / depth,
        Mode::EchoToEcho => half * half * (1.0 / leg(1.0) - 1.0 / leg(2.0)) / (4.0 * depth / leg(2.0) - depth / leg(1.0)),
    }
}

/// Fills `parts` with what a reading's uncertainty is made of.
pub fn of_reading(setup: &Setup, model: &Model, wall: Temperature, evidence: &ShotEvidence, parts: &mut Vec<BudgetPart>) -> Combined {
    let budget = setup.calibration.as_ref().map_or_else(Budget::typed, |calibration| calibration.budget);
    let depth = evidence.depth;
    let per_ns = model.path.slope(depth);
    let stretch = model.path.slope(depth) * 2.0 / model.path.mm_per_ns;
    let velocity = depth * stretch * stretch;
    let relative_k = (setup.velocity_slope_m_s_k / setup.velocity_at(wall).as_m_s()).abs();
    let shape = (evidence.shape_ns.abs() - 2.0 * evidence.shape_noise_ns).max(0.0);
    let beyond =
        setup.calibration.as_ref().and_then(|c| c.range()).map_or(0.0, |(thin, thick)| {
            (thin.as_mm() - depth).max(depth - thick.as_mm()).clamp(0.0, BEYOND_MOST_MM / BEYOND_MM) * BEYOND_MM
        });
    let between = setup.calibration.as_ref().map_or(0.0, |c| between(c, model, depth));
    let thinner = setup.calibration.as_ref().and_then(|c| c.range()).map_or(0.0, |(thin, _)| {
        let over = thin.as_mm() / depth.max(0.1);
        let over = if over > 1.0 { quick::ln(over).min(1.0) } else { 0.0 };
        THINNER_MM * over * over
    });
    parts.clear();
    let mut rest = 0.0;
    let mut part = |name, of: BudgetOf, mm: f64| {
        rest += if of == BudgetOf::Rest { mm * mm } else { 0.0 };
        parts.push(BudgetPart { name, size: Length::mm(mm) });
    };
    part("noise of this shot", BudgetOf::Shot, NOISE_FACTOR * evidence.scatter_mm);
    part("shape of the echo", BudgetOf::Rest, SHAPE_PART * shape * per_ns);
    let sloped = if evidence.sloped { SLOPED_MM } else { 0.0 };
    part("uneven wall", BudgetOf::Rest, libm::hypot(sloped, UNEVEN_MM * (evidence.uneven - UNEVEN_FREE).clamp(0.0, 1.0)));
    part("velocity", BudgetOf::Rest, velocity * budget.velocity_relative);
    part("wall temperature", BudgetOf::Rest, velocity * relative_k * budget.temperature_k);
    part("blocks", BudgetOf::Rest, budget.block.as_mm());
    part("beyond the blocks", BudgetOf::Rest, libm::hypot(beyond, thinner));
    part("between the blocks", BudgetOf::Rest, between);
    part("element separation", BudgetOf::Rest, budget.separation_relative * by_half(setup.mode, model.path.half_mm, depth.max(0.1)));
    part("zero", BudgetOf::Zero, budget.zero.as_ns() * per_ns);
    if setup.mode == Mode::FirstEcho {
        let drift = (wall - setup.reference_temperature()).as_celsius();
        part("tyre temperature", BudgetOf::Zero, budget.delay_ns_k * budget.temperature_k * per_ns);
        part("tyre drift", BudgetOf::Zero, budget.delay_ns_k.max(TYRE_NS_K) * drift * per_ns);
        part("coupling", BudgetOf::Zero, budget.coupling.as_mm());
    } else {
        part("paint", BudgetOf::Rest, PAINT_MM);
    }
    let squares: f64 = parts.iter().map(|part| part.size.as_mm() * part.size.as_mm()).sum();
    Combined { total: Length::mm(libm::sqrt(squares).max(1e-5)), rest: Length::mm(libm::sqrt(rest)) }
}
