//! Echo to echo: the wall from the spacing of its back-wall echoes. Paint, tyre and zero cancel.
//!
//! With two elements the spacing is not 2 d/c: each echo has its own slanted path, so the wall is solved for together
//! with one common delay, every echo weighted by its power.

use super::curve::Place;
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

/// The wall for which the echoes, [`MOST_ECHOES`] at most, lie as found. Needs two different repeats.
pub fn solve(model: &Model, echoes: &[Repeat]) -> Option<Spaced> {
    let (first, second) = (echoes.first()?, echoes.get(1)?);
    let mut depth = model.path.depth_from_spacing(second.time_ns - first.time_ns, first.m as f64, second.m as f64)?;
    let mut delay = 0.0;
    let mut spread = f64::NAN;
    let total: f64 = echoes.iter().map(Repeat::power).sum();
    let mut of_echo = [(0.0, 0.0); MOST_ECHOES];
    for _ in 0..8 {
        let place = Place::from(depth);
        for (echo, (rest, rate)) in echoes.iter().zip(&mut of_echo) {
            let m = echo.m as f64;
            *rest = echo.time_ns - model.path.time(depth, m) - model.residual(place, echo.m);
            *rate = m * m * depth / model.path.slope_base(m * depth);
        }
        let (mean_rest, mean_rate) =
            (weighted(echoes, &of_echo, |(rest, _)| rest) / total, weighted(echoes, &of_echo, |(_, rate)| rate) / total);
        let bend = weighted(echoes, &of_echo, |(_, rate)| (rate - mean_rate) * (rate - mean_rate)) / total;
        let pull = weighted(echoes, &of_echo, |(rest, rate)| (rate - mean_rate) * (rest - mean_rest)) / total;
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
        if step.abs() < 1e-9 {
            break;
        }
    }
    Some(Spaced { depth, delay_ns: delay, sensitivity: 1.0 / libm::sqrt(spread) })
}

/// The sum of something of each echo, weighted by its power.
fn weighted(echoes: &[Repeat], of_echo: &[(f64, f64)], value: impl Fn((f64, f64)) -> f64) -> f64 {
    echoes.iter().zip(of_echo).map(|(echo, of)| echo.power() * value(*of)).sum()
}
