//! Echo to echo: the wall from the spacing of its back-wall echoes. Paint, tyre and zero cancel.
//!
//! With two elements the spacing is not 2 d/c: each echo has its own slanted path, so the wall is solved for together
//! with one common delay, every echo weighted by its power.

use super::model::Model;

/// The arrival of the `m`-th back-wall echo.
#[derive(Debug, Clone, Copy)]
pub struct Repeat {
    pub m: usize,
    pub time_ns: f64,
    pub height: f64,
}

#[derive(Debug, Clone, Copy)]
pub struct Spaced {
    pub depth: f64,
    /// What the first echo comes later than the path says: paint, and drift of the zero.
    pub delay_ns: f64,
    /// Change of the wall with the noise over height of one echo, mm per (ns of timing at height 1 code).
    pub sensitivity: f64,
}

/// The wall for which the echoes lie as found. Needs two different repeats.
pub fn solve(model: &Model, echoes: &[Repeat]) -> Option<Spaced> {
    let (first, second) = (echoes.first()?, echoes.get(1)?);
    let late = |e: &Repeat, d: f64| model.residual(d, e.m);
    let mut depth = model.path.depth_from_spacing(second.time_ns - first.time_ns, first.m as f64, second.m as f64)?;
    let mut delay = 0.0;
    let mut spread = f64::NAN;
    for _ in 0..8 {
        let total: f64 = echoes.iter().map(|e| e.height * e.height).sum();
        let mean = |value: &dyn Fn(&Repeat) -> f64| echoes.iter().map(|e| e.height * e.height * value(e)).sum::<f64>() / total;
        let rest = |e: &Repeat| e.time_ns - model.path.time(depth, e.m as f64) - late(e, depth);
        let rate = |e: &Repeat| {
            let m = e.m as f64;
            m * m * depth / model.path.slope_base(m * depth)
        };
        let (mean_rest, mean_rate) = (mean(&rest), mean(&rate));
        let bend = mean(&|e| (rate(e) - mean_rate) * (rate(e) - mean_rate));
        let pull = mean(&|e| (rate(e) - mean_rate) * (rest(e) - mean_rest));
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
