//! Thicknesses counted in equal steps.

use backwall_units::Length;
use serde::Serialize;

/// Counts of thicknesses in equal steps. Step `i` runs from `first + i·step` up to, but not including, the next edge.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Histogram {
    /// The lower edge of the first step, a whole multiple of the step.
    #[serde(rename = "first_mm")]
    pub first: Length,
    #[serde(rename = "step_mm")]
    pub step: Length,
    pub counts: Vec<u64>,
}

/// More steps than this nobody reads.
pub const MOST_STEPS: usize = 1000;
/// So many steps a chosen width makes, about.
const STEPS: f64 = 20.0;
/// No step is finer than what is shown of a thickness.
const FINEST_NM: i64 = 10_000;

impl Histogram {
    /// Counts in steps of `step`, or of a width from the series 1, 2, 5. A step so fine that there would be more than
    /// [`MOST_STEPS`] is replaced by one from the series.
    pub fn of(values: impl Iterator<Item = Length>, step: Option<Length>) -> Option<Self> {
        // Whole nanometres, so that a value on an edge always falls above it.
        let values: Vec<i64> = values.map(Length::as_nanometres).collect();
        let (least, greatest) = (*values.iter().min()?, *values.iter().max()?);
        let range = greatest.saturating_sub(least);
        let wanted = step.filter(|step| step.is_finite()).map(Length::as_nanometres);
        let step = match wanted.filter(|step| *step > 0 && range / step < MOST_STEPS as i64) {
            Some(step) => step,
            None => nice(range as f64 / STEPS),
        };
        let first = least.div_euclid(step);
        let mut counts = vec![0; (greatest.div_euclid(step) - first + 1) as usize];
        for value in values {
            counts[(value.div_euclid(step) - first) as usize] += 1;
        }
        Some(Self { first: Length::nanometres(first * step), step: Length::nanometres(step), counts })
    }

    /// Lower edge, upper edge and count of each step.
    pub fn steps(&self) -> impl Iterator<Item = (Length, Length, u64)> + '_ {
        let edge = |index: usize| self.first + self.step * index as f64;
        self.counts.iter().enumerate().map(move |(index, count)| (edge(index), edge(index + 1), *count))
    }
}

/// The next width of 1, 2 or 5 times a power of ten, in nanometres.
fn nice(nanometres: f64) -> i64 {
    let mut decade = FINEST_NM;
    loop {
        for factor in [1, 2, 5] {
            if (decade * factor) as f64 >= nanometres {
                return decade * factor;
            }
        }
        match decade.checked_mul(10) {
            Some(next) if next < i64::MAX / 100 => decade = next,
            _ => return decade,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(values: &[f64], step: Option<f64>) -> Histogram {
        Histogram::of(values.iter().copied().map(Length::mm), step.map(Length::mm)).unwrap()
    }

    #[test]
    fn a_value_on_an_edge_falls_into_the_step_above() {
        let histogram = of(&[9.0, 9.05, 9.1, 9.3, 9.299999], Some(0.1));
        assert_eq!((histogram.first, histogram.step), (Length::mm(9.0), Length::mm(0.1)));
        assert_eq!(histogram.counts, [2, 1, 1, 1]);
        assert_eq!(histogram.steps().map(|step| step.2).sum::<u64>(), 5);
    }

    #[test]
    fn a_width_is_chosen_that_can_be_read() {
        assert_eq!(of(&[4.0, 10.0], None).step, Length::mm(0.5));
        assert_eq!(of(&[9.51, 9.53], None).step, Length::mm(0.01));
        assert_eq!(of(&[9.5], None).counts, [1]);
        assert_eq!(of(&[4.0, 10.0], Some(1e-6)).step, Length::mm(0.5));
        assert_eq!(Histogram::of(std::iter::empty(), None), None);
    }
}
