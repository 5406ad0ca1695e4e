//! One bad block does not lose the others: it is left out, with its reason, and the rest is fitted.

use super::{Block, Calibration, CalibrationError, CalibrationInput, distinct, learn};
use backwall_units::Length;

/// Fewer blocks than this are not fitted in place of all that were measured.
const LEAST_LEFT: usize = 2;
/// Two blocks contradict each other and one must go: without it the others fit so many times better (sums of squares) than
/// without the next one, or nobody can say which it is. Judgement.
const CLEARLY: f64 = 4.0;
/// What a straight path leaves of sound blocks, ns, and how far a typed velocity may be off; as in the fit.
const PATH_NS: f64 = 20.0;
const VELOCITY: f64 = 0.02;

/// A block that is not part of a calibration, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// Its place among the blocks measured.
    pub index: usize,
    pub thickness: Length,
    pub why: CalibrationError,
}

/// A calibration, and the blocks that are no part of it.
#[derive(Debug, Clone)]
pub struct Calibrated {
    pub calibration: Calibration,
    pub left_out: Vec<LeftOut>,
}

/// Learns a calibration from the blocks that hold; at least two must remain where any is left out.
pub fn calibrate_what_holds(input: &CalibrationInput) -> Result<Calibrated, CalibrationError> {
    let mut places: Vec<usize> = (0..input.blocks.len()).collect();
    let mut left_out = Vec::new();
    loop {
        let refusal = match fit_of(input, &places) {
            Ok(calibration) => return Ok(Calibrated { calibration, left_out }),
            Err(refusal) => refusal,
        };
        let bad = refusal.block.or_else(|| contradicting(input, &places, &refusal.why));
        let Some(bad) = bad.filter(|_| places.len() > LEAST_LEFT) else { return Err(refusal.why) };
        let index = places.remove(bad);
        left_out.push(LeftOut { index, thickness: input.blocks[index].thickness, why: refusal.why });
    }
}

fn fit_of(input: &CalibrationInput, places: &[usize]) -> Result<Calibration, super::BlocksRefusal> {
    let blocks: Vec<Block> = places.iter().filter_map(|place| input.blocks.get(*place).cloned()).collect();
    let fit_velocity = input.fit_velocity && (distinct(&blocks) > 1 || places.len() == input.blocks.len());
    learn(&CalibrationInput { setup: input.setup, base: input.base, blocks: &blocks, fit_velocity })
}

/// Which of two blocks that contradict each other the rest speaks against, as a place among `places`.
fn contradicting(input: &CalibrationInput, places: &[usize], why: &CalibrationError) -> Option<usize> {
    let CalibrationError::Contradiction { thin, thick, .. } = why else { return None };
    let mut without: Vec<(f64, usize)> = (0..places.len())
        .filter_map(|at| {
            let rest: Vec<usize> = places.iter().enumerate().filter(|(k, _)| *k != at).map(|(_, place)| *place).collect();
            Some((misfit(input, &fit_of(input, &rest).ok()?), at))
        })
        .collect();
    without.sort_by(|a, b| a.0.total_cmp(&b.0));
    let named = |at: usize| [*thin, *thick].contains(&input.blocks[places[at]].thickness.as_mm());
    match without[..] {
        [(_, only)] => Some(only),
        [(best, at), (next, _), ..] if named(at) && next > CLEARLY * best.max(1.0) => Some(at),
        _ => None,
    }
}

fn misfit(input: &CalibrationInput, calibration: &Calibration) -> f64 {
    let late = calibration.residuals.first().map_or(0.0, |curve| curve.squares()) / (PATH_NS * PATH_NS);
    let typed = input.setup.velocity_at(calibration.temperature).as_m_s();
    let velocity = (calibration.velocity.as_m_s() / typed - 1.0) / VELOCITY;
    late + velocity * velocity
}
