//! Zero, half separation and velocity from the blocks' times, and how well the blocks tell them.
//!
//! Least squares with what was typed as weak prior knowledge (a Gaussian prior is one more line of the normal equations;
//! S. M. Kay, Estimation Theory, 1993, ch. 11), so that three blocks are enough for three unknowns and blocks too alike
//! cannot send one of them astray.

use super::{CalibrationError, CalibrationInput, distinct, mean};
use crate::path::SoundPath;
use backwall_units::Length;

/// What a block's time may be off by, ns: its thickness to 0.01 mm, its echo's time. Judgement.
const TIME_NS: f64 = 5.0;
/// What a straight path leaves of a real probe, ns: up to 0.08 mm of steel in simulated waves.
const PATH_NS: f64 = 20.0;
/// The effective half separation against the drawing's, relative: 1.7 for 2.75 mm in simulated waves.
const DRAWING: f64 = 0.4;
/// A wall's velocity against the typed one, relative.
const TYPED_VELOCITY: f64 = 0.02;
/// Blocks that narrow the drawing's half separation by less than this factor do not tell it.
const NARROWED: f64 = 0.5;
const HALF_STEP_MM: f64 = 0.01;

/// What the blocks say, with standard uncertainties (k = 1).
#[derive(Debug, Clone, Copy)]
pub(super) struct Fit {
    pub path: SoundPath,
    pub velocity: f64,
    /// None where the velocity is as typed.
    pub velocity_u: Option<f64>,
    /// None where the half separation is as typed.
    pub half_u_mm: Option<f64>,
}

/// Whether so many different blocks are enough to look for the path between the elements, which blocks too alike may
/// still not tell.
pub fn finds_path(typed_half: Length, blocks: usize) -> bool {
    typed_half > Length::ZERO && blocks >= 3
}

/// The blocks' times and ways, at the velocities the fit starts from.
struct Times<'a> {
    thickness: Vec<f64>,
    velocities: &'a [f64],
    times: &'a [f64],
    /// Typed velocity over the present one and how far it may be off; none where the velocity is kept.
    stretch: Option<(f64, f64)>,
    half: (f64, f64),
}

impl Times<'_> {
    fn leg(&self, half: f64, block: usize) -> f64 {
        libm::hypot(self.thickness[block], half)
    }
    fn way(&self, half: f64, block: usize) -> f64 {
        2.0 * self.leg(half, block) / self.velocities[block]
    }

    /// Zero, stretch of all ways, and the cost, for one half separation. `told` weighs what was typed as well.
    fn solve(&self, half: f64, told: bool) -> (f64, f64, f64) {
        let ways: Vec<f64> = (0..self.times.len()).map(|i| self.way(half, i)).collect();
        let (mt, mw) = (mean(self.times.iter().copied()), mean(ways.iter().copied()));
        let weight = |spread: f64| if told { TIME_NS * TIME_NS / (spread * spread) } else { 0.0 };
        let stretch = self.stretch.map_or(1.0, |(typed, spread)| {
            let cross: f64 = self.times.iter().zip(&ways).map(|(t, w)| (t - mt) * (w - mw)).sum();
            let square: f64 = ways.iter().map(|w| (w - mw) * (w - mw)).sum();
            (cross + weight(spread) * typed) / (square + weight(spread))
        });
        let zero = mt - stretch * mw;
        let misfit: f64 = self.times.iter().zip(&ways).map(|(t, w)| (t - zero - stretch * w) * (t - zero - stretch * w)).sum();
        let typed = self.stretch.map_or(0.0, |(typed, spread)| weight(spread) * (stretch - typed) * (stretch - typed));
        let drawing = weight(self.half.1) * (half - self.half.0) * (half - self.half.0);
        (zero, stretch, misfit + typed + drawing)
    }

    /// How well stretch and half separation are told.
    fn told(&self, half: f64) -> Told {
        let centred = |values: Vec<f64>| {
            let centre = mean(values.iter().copied());
            values.into_iter().map(move |v| v - centre).collect::<Vec<f64>>()
        };
        let count = self.times.len();
        let by_stretch = centred((0..count).map(|i| self.way(half, i)).collect());
        let by_half = centred((0..count).map(|i| 2.0 * half / (self.leg(half, i) * self.velocities[i])).collect());
        let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>() / (TIME_NS * TIME_NS);
        // What is kept as typed is told by an endless weight.
        let weight = |spread: f64| 1.0 / (spread * spread).max(1e-18);
        let (stretch_prior, half_prior) = (weight(self.stretch.map_or(0.0, |(_, spread)| spread)), weight(self.half.1));
        let (ss, sh, hh) = (product(&by_stretch, &by_stretch), product(&by_stretch, &by_half), product(&by_half, &by_half));
        let (a, b, c) = (ss + stretch_prior, sh, hh + half_prior);
        let determinant = a * c - b * b;
        // The estimate's weights are those of good blocks, its errors those of a path that is not quite straight.
        let wide = (PATH_NS / TIME_NS) * (PATH_NS / TIME_NS);
        let (m, n, o) = (wide * ss + stretch_prior, wide * sh, wide * hh + half_prior);
        let spread = |x: f64, y: f64| libm::sqrt((x * x * m + 2.0 * x * y * n + y * y * o).max(0.0)) / determinant;
        Told {
            half_at_best: libm::sqrt(a / determinant),
            stretch: spread(c, -b).min(1.0 / libm::sqrt(stretch_prior)),
            half: spread(-b, a).min(1.0 / libm::sqrt(half_prior)),
        }
    }
}

/// Standard uncertainties; `half_at_best` by the blocks' own weights alone, the others with what a straight path leaves.
struct Told {
    half_at_best: f64,
    stretch: f64,
    half: f64,
}

/// `velocities` are those of the blocks at their own temperatures where the wall's is `present`; mm per ns and m/s.
pub(super) fn fit(input: &CalibrationInput, velocities: &[f64], times: &[f64], present: f64, typed: f64) -> Result<Fit, CalibrationError> {
    let typed_half = input.setup.half_separation.as_mm();
    let typed_stretch = present / typed;
    let blocks = Times {
        thickness: input.blocks.iter().map(|b| b.thickness.as_mm()).collect(),
        velocities,
        times,
        stretch: input.fit_velocity.then_some((typed_stretch, TYPED_VELOCITY * typed_stretch)),
        half: (typed_half, DRAWING * typed_half),
    };
    let steps = (2.0 * typed_half.max(2.5) / HALF_STEP_MM) as usize;
    let found = finds_path(Length::mm(typed_half), distinct(input.blocks))
        .then(|| (0..=steps).map(|k| k as f64 * HALF_STEP_MM).min_by(|a, b| blocks.solve(*a, true).2.total_cmp(&blocks.solve(*b, true).2)))
        .flatten()
        .filter(|half| blocks.told(*half).half_at_best <= NARROWED * blocks.half.1);
    let half = found.unwrap_or(typed_half);
    let told = blocks.told(half);
    let (zero_ns, stretch, _) = blocks.solve(half, found.is_some());
    let velocity = present / stretch;
    if !(500.0..=15_000.0).contains(&velocity) {
        return Err(CalibrationError::ImpossibleVelocity { velocity });
    }
    Ok(Fit {
        path: SoundPath { zero_ns, half_mm: half, mm_per_ns: velocity * 1e-6 },
        velocity,
        velocity_u: input.fit_velocity.then(|| velocity * told.stretch / stretch),
        half_u_mm: found.map(|_| told.half),
    })
}
