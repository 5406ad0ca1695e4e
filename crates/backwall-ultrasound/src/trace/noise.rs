//! The noise of a record, taken from where no echo stands.

use super::Trace;
use crate::filter::Filter;
use crate::ranks::{Pile, height_of, sorting};
use crate::search::{STRETCH, Searched};

/// Depth of the record's quantile that stands for noise alone.
const QUIET_PART: f64 = 0.30;
/// A Rayleigh-distributed envelope has its 30 % quantile at this many component rms: sqrt(-2 ln 0.7).
const QUIET_RAYLEIGH: f64 = 0.844_600;
/// The same for the lowest tenth: sqrt(-2 ln 0.9).
const QUIETEST_RAYLEIGH: f64 = 0.459_044;
/// An echo this many times over the noise is cut out before the noise is taken again.
const STRONG: f64 = 8.0;
/// How far about a strong echo is cut out, in periods of the carrier.
const CUT_PERIODS: f64 = 2.0;
/// Looks seen through together for strong echoes: fewer than are cut out on both sides of one, as two periods hold six looks and more.
const CUT_TOGETHER: usize = STRETCH / 2;
/// A converter's own rounding noise, in codes: 1/sqrt(12).
const ROUNDING: f64 = 0.288_675;

impl Trace {
    pub(super) fn noise_floor(&mut self, filter: &Filter) -> f64 {
        let white = self.white_level() * filter.noise_gain;
        self.white = white;
        let floor = white.max(ROUNDING * filter.noise_gain).max(1e-9);
        let Searched { envelope, heights, peaks, .. } = &mut self.found;
        let first = quiet(heights, floor);
        if first <= floor {
            return floor;
        }
        // Once more without the strong echoes: on a thin wall they are everywhere and the first look is too high.
        let strong = (STRONG * first) as f32;
        let cut = (CUT_PERIODS * 2.0 * std::f64::consts::PI / self.carrier / self.step as f64).ceil() as usize;
        let count = envelope.len();
        let mut done = 0;
        // What is cut out about the strong looks of one of these short stretches leaves no gap.
        for (start, peak) in (0..).step_by(STRETCH).zip(peaks.iter()) {
            if *peak <= strong {
                continue;
            }
            for (start, near) in (start..start + STRETCH).step_by(CUT_TOGETHER).zip(envelope[start..].chunks(CUT_TOGETHER)) {
                let (Some(first), Some(last)) = (near.iter().position(|h| *h > strong), near.iter().rposition(|h| *h > strong)) else {
                    continue;
                };
                let upto = (start + last + cut + 1).min(count);
                heights.leave_out((start + first).saturating_sub(cut).max(done)..upto);
                done = upto;
            }
        }
        if done == 0 {
            first
        } else if heights.count() * 8 >= count {
            quiet(heights, floor).min(first)
        } else {
            heights.fill(envelope.iter().map(sorting));
            (height_of(heights.quantile(0.10)) / QUIETEST_RAYLEIGH).max(floor).min(first)
        }
    }

    /// rms of the white noise, from the sixth difference of the record: an echo's band hardly reaches it.
    fn white_level(&mut self) -> f64 {
        const NORM: f64 = 30.397_368; // sqrt(1 + 36 + 225 + 400 + 225 + 36 + 1)
        // The median of a Gaussian's magnitude is 0.67449 rms.
        f64::from(self.found.differences.quantile(0.5)) / (NORM * 0.674_49)
    }

    /// Noise rms per component in a stretch, taken from its lower part so that single echoes do not raise it.
    /// At least the noise of the record.
    pub fn local_noise(&mut self, from: f64, to: f64) -> f64 {
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = (((to / self.step as f64).floor().max(-1.0) + 1.0) as usize).min(self.found.envelope.len());
        if start + 8 > end {
            return self.noise;
        }
        self.heights.fill(self.found.envelope[start..end].iter().map(sorting));
        quiet(&self.heights, self.noise)
    }

    /// Noise rms per component as the body of the record outside a stretch has it: its mean power, tops cut at three
    /// times what its 60 % quantile says.
    pub fn body_outside(&mut self, from: f64, to: f64) -> f64 {
        const BODY_RAYLEIGH: f64 = 1.353_73; // sqrt(-2 ln 0.4)
        const CUT: f64 = 3.0;
        const CUT_LOSS: f64 = 0.988_891; // of the power of Rayleigh noise, 1 - exp(-4.5)
        let start = ((from / self.step as f64).max(0.0) as usize).min(self.found.envelope.len());
        let end = ((to / self.step as f64).max(0.0) as usize).clamp(start, self.found.envelope.len());
        let rest = || self.found.envelope[..start].iter().chain(&self.found.envelope[end..]);
        self.heights.fill(rest().map(sorting));
        let most = CUT * height_of(self.heights.quantile(0.6)) / BODY_RAYLEIGH;
        let power: f64 = rest().map(|e| f64::from(*e).min(most) * f64::from(*e).min(most)).sum();
        libm::sqrt(power / (2.0 * CUT_LOSS * self.heights.count().max(1) as f64))
    }

    /// Noise rms per component in a stretch, its mean power weighed against the record's own noise as if that were
    /// known from a few looks more: short stretches say little.
    pub fn noise_with_grain(&self, from: f64, to: f64) -> f64 {
        const LOOKS: f64 = 4.0;
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = (((to / self.step as f64).floor().max(-1.0) + 1.0) as usize).min(self.found.envelope.len());
        let (fours, rest) = self.envelope().get(start..end).unwrap_or(&[]).as_chunks::<4>();
        let square = |e: &f32| f64::from(*e) * f64::from(*e);
        // Four sums side by side wait less for each other than one.
        let mut sums = [0.0; 4];
        for four in fours {
            sums.iter_mut().zip(four).for_each(|(sum, e)| *sum += square(e));
        }
        let power = 0.5 * ((sums[0] + sums[1]) + (sums[2] + sums[3]) + rest.iter().map(square).sum::<f64>());
        let count = end.saturating_sub(start) as f64;
        libm::sqrt((power + LOOKS * self.noise * self.noise) / (count + LOOKS)).max(self.noise)
    }
}

/// What the lower part of some heights says of their noise, or `least` if that is more.
fn quiet(heights: &Pile, least: f64) -> f64 {
    let noise = |sorting: u32| height_of(sorting) / QUIET_RAYLEIGH;
    // Most often no more is to be known than that it is not over `least`.
    let mut bound = sorting(&((least * QUIET_RAYLEIGH) as f32));
    while bound > 0 && noise(bound) > least {
        bound -= 1;
    }
    heights.quantile_over(QUIET_PART, bound).map_or(least, |found| noise(found).max(least))
}
