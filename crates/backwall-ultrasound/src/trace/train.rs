//! Whether a signal repeats itself, as the echoes of a thin wall do: they run into each other and leave no quiet part.

use super::Trace;
use crate::alike::correlation;
use crate::filter::Filter;
use crate::search::Searched;

/// An echo train fills a record where no echo stands this far over what passes for noise, ...
const FULL_RECORD: f64 = 14.0;
/// ... that noise is this far over the white noise, ...
const OVER_WHITE: f64 = 3.0;
/// ... and the signal repeats itself: correlated with itself one lag later by at least this, squared. Noise has the square
/// of its correlation distributed as exp(-looks * square) (a ratio of Gaussian sums), so the second figure over the looks
/// keeps chance under one in a million a lag.
const ALIKE: f64 = 0.49;
/// At one lag asked for, of a record that holds a wall, chance has little room.
const ALIKE_AT: f64 = 0.45;
const CHANCE: f64 = 14.0;
/// Lags, over the rms width of the band: beyond the pulse's own length, and as far as echoes still run into each other.
const LAGS: (f64, f64) = (2.0, 12.0);
/// Echoes in such a train are looked for down to six times this part of the highest.
const TRAIN_NOISE: f64 = 1.0 / 60.0;

impl Trace {
    /// The noise of a record that is a train of echoes from end to end: on a thin wall they leave no quiet part to take it from.
    pub(super) fn noise_of_train(&mut self, filter: &Filter) -> Option<f64> {
        if self.noise <= OVER_WHITE * self.white {
            return None;
        }
        let highest = f64::from(self.found.peaks.iter().copied().fold(0.0, f32::max));
        let full = highest < FULL_RECORD * self.noise && self.repeats_itself(filter);
        full.then(|| (TRAIN_NOISE * highest).clamp(self.white, self.noise))
    }

    /// Whether the record is a train of like echoes.
    fn repeats_itself(&mut self, filter: &Filter) -> bool {
        let (shortest, longest) = self.lags(filter);
        let chance = self.chance(filter);
        (shortest..=longest).any(|lag| self.likeness(lag) >= chance)
    }

    /// Whether the signal repeats itself after about `lag` samples.
    pub fn repeats_after(&mut self, filter: &Filter, lag: f64) -> bool {
        let at = (lag / self.step as f64).round() as usize;
        let (shortest, longest) = (self.lags(filter).0, self.found.re.len() / 3);
        let (from, to) = (at.saturating_sub(2).max(shortest), (at + 2).min(longest));
        from <= to
            && self.energy.may_be_alike(&self.found.envelope, (from, to), ALIKE_AT)
            && (from..=to).any(|lag| self.likeness(lag) >= ALIKE_AT)
    }

    /// The likeness that noise does not reach.
    fn chance(&self, filter: &Filter) -> f64 {
        // Noise in the pulse's own band passes it twice and is narrower by the root of two.
        let looks = self.found.re.len() as f64 * self.width(filter) / libm::sqrt(2.0 * std::f64::consts::PI);
        ALIKE.max(CHANCE / looks)
    }

    fn lags(&self, filter: &Filter) -> (usize, usize) {
        let width = self.width(filter);
        (((LAGS.0 / width).ceil() as usize).max(1), ((LAGS.1 / width) as usize).min(self.found.re.len() / 3))
    }

    fn width(&self, filter: &Filter) -> f64 {
        (filter.rms_bandwidth * self.step as f64).max(1e-6)
    }

    /// The square of the signal's correlation with itself `lag` places later.
    fn likeness(&mut self, lag: usize) -> f64 {
        let Searched { re, im, .. } = &self.found;
        let count = re.len();
        if self.power.is_empty() {
            let mut sum = 0.0;
            self.power.push(0.0);
            self.power.extend(re.iter().zip(im).map(|(re, im)| {
                sum += f64::from(re * re + im * im);
                sum
            }));
        }
        let (with_re, with_im) = correlation((&re[..count - lag], &im[..count - lag]), (&re[lag..], &im[lag..]));
        let (before, behind) = (self.power[count - lag], self.power[count] - self.power[lag]);
        (with_re * with_re + with_im * with_im) / (before * behind).max(f64::MIN_POSITIVE)
    }
}
