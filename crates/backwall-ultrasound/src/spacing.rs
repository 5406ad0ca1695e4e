//! Echo to echo: the wall from the spacing of its back-wall echoes. Paint, tyre and zero cancel.
//!
//! With two elements the spacing is not 2 d/c: each echo has its own slanted path, so the wall is solved for together
//! with one common delay, every echo weighted by its power.

use super::curve::CurvePlace;
use super::model::Model;

/// As many echoes are solved for at once.
pub const MOST_ECHOES: usize = 4;

/// The arrival of the `m`-th back-wall echo.
#[derive(Debug, Clone, Copy)]
pub struct Repeat {
    pub m: usize,
    pub time_ns: f64,
    pub height: f64,
}

impl Repeat {
    fn power(&self) -> f64 {
        self.height * self.height
    }
}

#[derive(Debug, Clone, Copy)]
pub struct Spaced {
    pub depth: f64,
    /// What the first echo comes later than the path says: paint, and drift of the zero.
    pub delay_ns: f64,
    /// Change of the wall with the noise over height of one echo, mm per (ns of timing at height 1 code).
    pub sensitivity: f64,
}

/// A step under this is the last, mm: each is under a tenth of the one before.
const SETTLED_MM: f64 = 1e-7;

/// The wall for which the echoes, [`MOST_ECHOES`] at most, lie as found. Needs two different repeats.
pub fn solve(model: &Model, echoes: &[Repeat]) -> Option<Spaced> {
    let (first, second) = (echoes.first()?, echoes.get(1)?);
    let mut depth = model.path.depth_from_spacing(second.time_ns - first.time_ns, first.m as f64, second.m as f64)?;
    let mut delay = 0.0;
    let mut spread = f64::NAN;
    let total: f64 = echoes.iter().map(Repeat::power).sum();
    let mut weights = [0.0; MOST_ECHOES];
    weights.iter_mut().zip(echoes).for_each(|(weight, echo)| *weight = echo.power() / total);
    // What is left of each echo's time, and how fast it changes with the wall; nothing of echoes that are not there.
    let (mut rests, mut rates) = ([0.0; MOST_ECHOES], [0.0; MOST_ECHOES]);
    for _ in 0..8 {
        let place = CurvePlace::from(depth);
        for ((echo, rest), rate) in echoes.iter().zip(&mut rests).zip(&mut rates) {
            let (time, slope) = model.path.time_and_slope(depth, echo.m as f64);
            *rest = echo.time_ns - time - model.residual(place, echo.m);
            *rate = slope;
        }
        let (mean_rest, mean_rate) = (weighted(&weights, &rests, &[1.0; MOST_ECHOES]), weighted(&weights, &rates, &[1.0; MOST_ECHOES]));
        let apart = rates.map(|rate| rate - mean_rate);
        let (bend, pull) = (weighted(&weights, &apart, &apart), weighted(&weights, &apart, &rests.map(|rest| rest - mean_rest)));
        if bend <= 0.0 || bend.is_nan() {
            return None;
        }
        delay = mean_rest;
        spread = bend * total;
        let step = pull / bend;
        depth += step;
        if depth <= 0.0 || !depth.is_finite() {
            return None;
        }
        if step.abs() < SETTLED_MM {
            break;
        }
    }
    Some(Spaced { depth, delay_ns: delay, sensitivity: 1.0 / spread.sqrt() })
}

fn weighted(weights: &[f64; MOST_ECHOES], a: &[f64; MOST_ECHOES], b: &[f64; MOST_ECHOES]) -> f64 {
    let part = |k: usize| weights[k] * a[k] * b[k];
    (part(0) + part(1)) + (part(2) + part(3))
}
