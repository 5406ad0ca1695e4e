//! Counters that go round: followed as they came, before any scale, so that a counter runs the same way whatever its
//! scale and sign are. The one place where this is done, for every type of number.

use super::layout::{Conversion, Number};

/// A counter or clock as it came.
#[derive(Debug, Clone, Copy)]
pub struct Counter {
    pub raw: Number,
    /// It starts again behind so many steps.
    pub wraps_at: Option<i128>,
    pub conversion: Conversion,
}

/// Follows a counter round and round: from one value to the next it takes the shorter way.
#[derive(Debug, Default)]
pub struct Unwrap {
    last: Option<Number>,
    turns: i128,
}

impl Unwrap {
    /// The counter as if it had never gone round, in the unit of record. A step round and longer than `longest` (in that unit) is no
    /// step: the device has started anew.
    pub fn next(&mut self, counter: Counter, longest: Option<f64>) -> i128 {
        let value = self.peek(counter, longest);
        self.turns = self.around(counter, longest).map_or(0, |around| self.turns + around);
        self.last = Some(counter.raw);
        value
    }

    /// What it would be next.
    pub fn peek(&self, counter: Counter, longest: Option<f64>) -> i128 {
        let turns = self.around(counter, longest).map_or(0, |around| self.turns + around);
        counter.conversion.whole(total(counter.raw, turns, counter.wraps_at.unwrap_or(0)))
    }

    /// The device has started anew, and its counter with it.
    pub fn anew(&mut self) {
        *self = Self::default();
    }

    /// How often it goes round with this step; `None` where that would be no step.
    fn around(&self, counter: Counter, longest: Option<f64>) -> Option<i128> {
        let (Some(last), Some(modulus)) = (self.last, counter.wraps_at) else { return Some(0) };
        let around = turns(last, counter.raw, modulus);
        let value = |raw: Number, turns: i128| counter.conversion.apply(total(raw, turns, modulus));
        let step = value(counter.raw, around) - value(last, 0);
        (around == 0 || longest.is_none_or(|longest| step.abs() <= longest)).then_some(around)
    }

    /// Whether a counter starts anew with this: not by going round, but far back towards its start.
    pub fn falls(&self, counter: Counter, longest: f64) -> bool {
        let Some(last) = self.last else { return false };
        let round = self.around(counter, Some(longest)).is_some_and(|around| around != 0);
        let (last, now) = (last.as_f64(), counter.raw.as_f64());
        !round && now >= 0.0 && now < last / 4.0
    }
}

fn total(raw: Number, turns: i128, modulus: i128) -> Number {
    match raw {
        Number::Whole(raw) => Number::Whole(raw.saturating_add(turns.saturating_mul(modulus))),
        Number::Float(raw) => Number::Float(raw + turns as f64 * modulus as f64),
    }
}

/// How often it went round from `last` to `now`; negative where it came back.
fn turns(last: Number, now: Number, modulus: i128) -> i128 {
    match (last, now) {
        (Number::Whole(last), Number::Whole(now)) => {
            let twice = now.saturating_sub(last).saturating_mul(2).saturating_sub(modulus);
            -(twice.div_euclid(2 * modulus) + i128::from(twice.rem_euclid(2 * modulus) != 0))
        }
        _ => -((now.as_f64() - last.as_f64()) / modulus as f64 - 0.5).ceil() as i128,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::Scale;
    use proptest::prelude::*;

    fn counter(raw: Number, wraps_at: i128, scale: f64) -> Counter {
        Counter { raw, wraps_at: Some(wraps_at), conversion: Conversion { scale: Scale::new(scale, 0.0), ..Conversion::ONE } }
    }

    fn followed(raw: impl IntoIterator<Item = Number>, wraps_at: i128, scale: f64) -> Vec<i128> {
        let mut unwrap = Unwrap::default();
        raw.into_iter().map(|raw| unwrap.next(counter(raw, wraps_at, scale), None)).collect()
    }

    #[test]
    fn a_counter_is_followed_both_ways_round() {
        let whole = |values: &[i128]| values.iter().map(|value| Number::Whole(*value)).collect::<Vec<_>>();
        assert_eq!(followed(whole(&[65_530, 2, 65_530]), 1 << 16, 1.0), [65_530, 65_538, 65_530]);
        assert_eq!(followed(whole(&[32_760, -32_768, -32_700]), 1 << 16, 1.0), [32_760, 32_768, 32_836]);
        assert_eq!(followed(whole(&[3, 65_533, 65_000]), 1 << 16, -1.0), [-3, 3, 536]);
        // 999.8 mm in tenths, around at 1000 mm.
        let text = [Number::Float(999.8), Number::Float(0.2), Number::Whole(1), Number::Float(999.9)];
        assert_eq!(followed(text, 1000, 10.0), [9_998, 10_002, 10_010, 9_999]);
    }

    proptest! {
        /// Whatever the width, the steps and the scale: the negated counter gives exactly the mirrored positions, and they are
        /// those of a counter that never goes round.
        #[test]
        fn a_negated_counter_gives_exactly_the_mirrored_positions(
            bits in prop::sample::select(vec![8u32, 12, 16, 24, 32, 64]), signed in any::<bool>(), decimals in any::<bool>(),
            start in any::<u32>(), steps in prop::collection::vec(-120i128..=120, 1..60),
            scale in prop::sample::select(vec![1.0, 2.0, 0.1, 10.0, 0.037]),
        ) {
            let modulus = 1i128 << bits;
            let mut at = i128::from(start) % modulus;
            let mut way = vec![at];
            way.extend(steps.iter().map(|step| { at += step; at }));
            let raw = |at: &i128| {
                let raw = at.rem_euclid(modulus) - if signed { modulus / 2 } else { 0 };
                if decimals && bits < 53 { Number::Float(raw as f64) } else { Number::Whole(raw) }
            };
            let forwards = followed(way.iter().map(raw), modulus, scale);
            let mirrored = followed(way.iter().map(raw), modulus, -scale);
            prop_assert_eq!(forwards.iter().map(|at| -at).collect::<Vec<_>>(), mirrored);
            if scale == 1.0 {
                let steps: Vec<i128> = forwards.windows(2).map(|pair| pair[1] - pair[0]).collect();
                prop_assert_eq!(steps, way.windows(2).map(|pair| pair[1] - pair[0]).collect::<Vec<_>>());
            }
        }
    }
}
