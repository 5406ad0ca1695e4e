//! Values at a rank, without sorting: how many lie up to a bound is counted many at a time, and the bound halved towards the rank.
//! Whole numbers, so that every way of counting finds the same one.

use super::pairs::{PairWork, Pairs, dispatch};

/// Values are kept in whole registers; what fills the last one lies over all others.
const FILL: u32 = u32::MAX;
const REGISTER: usize = 16;
/// The first stretch searched over a bound that is known to be too low.
const FIRST_STRETCH: u32 = 4096;
/// The first stretch searched about what was found before, as a part of it: neighbouring shots are alike.
const LIKE_BEFORE: u32 = 16;

/// Numbers to be ranked, all of them under [`FILL`].
#[derive(Default)]
pub struct Pile {
    values: Vec<u32>,
    count: usize,
    /// What was found last: where to begin, and nothing of what is found.
    before: u32,
}

impl Pile {
    #[inline(always)]
    pub fn fill(&mut self, values: impl Iterator<Item = u32>) {
        self.values.clear();
        self.values.extend(values);
        self.count = self.values.len();
        self.values.resize(self.count.next_multiple_of(REGISTER), FILL);
    }

    /// Room for some numbers, all of which are to be written.
    #[inline(always)]
    pub fn room(&mut self, count: usize) -> &mut [u32] {
        self.count = count;
        self.values.resize(count.next_multiple_of(REGISTER), FILL);
        let (room, rest) = self.values.split_at_mut(count);
        rest.fill(FILL);
        room
    }

    pub fn count(&self) -> usize {
        self.count
    }

    /// Leaves out the values at some places; each place at most once.
    pub fn leave_out(&mut self, places: std::ops::Range<usize>) {
        self.count -= places.len();
        // A handful: a loop is quicker than the call it would be made into.
        for at in places {
            self.values[at] = FILL;
        }
    }

    /// The value below which `part` of all lie; zero where there are none.
    pub fn quantile(&mut self, part: f64) -> u32 {
        let Some(rank) = self.rank(part) else { return 0 };
        self.before = dispatch(Find { values: &self.values, rank, from: From::About(self.before) }).unwrap_or(0);
        self.before
    }

    /// The same if it is over a bound: of one that is not nothing more is known then.
    pub fn quantile_over(&self, part: f64, bound: u32) -> Option<u32> {
        self.rank(part).and_then(|rank| dispatch(Find { values: &self.values, rank, from: From::Over(bound) }))
    }

    fn rank(&self, part: f64) -> Option<u32> {
        self.count.checked_sub(1).map(|last| (last as f64 * part) as u32)
    }
}

struct Find<'a> {
    values: &'a [u32],
    rank: u32,
    from: From,
}

/// Where a search begins.
#[derive(Clone, Copy)]
enum From {
    /// It ends there too if the value is not over this one.
    Over(u32),
    /// The value is likely to be near.
    About(u32),
}

impl PairWork for Find<'_> {
    type Output = Option<u32>;

    #[inline(always)]
    fn with<P: Pairs>(self, simd: P) -> Option<u32> {
        self.find(simd)
    }
}

impl Find<'_> {
    #[inline(always)]
    fn find<P: Pairs>(&self, simd: P) -> Option<u32> {
        let Self { values, rank, from } = *self;
        let (From::Over(bound) | From::About(bound)) = from;
        let mut stretch = if let From::About(before) = from { before / LIKE_BEFORE + 1 } else { FIRST_STRETCH };
        // All values under `low` are `below` many, all up to `high` are `up_to`.
        let (mut low, mut below, mut high, mut up_to) = (0, 0, bound.min(FILL - 1), simd.up_to(values, bound.min(FILL - 1)));
        if up_to > rank {
            if let From::Over(_) = from {
                return None;
            }
            while high > 0 {
                let under = high.saturating_sub(stretch);
                let count = simd.up_to(values, under);
                if count <= rank {
                    (low, below) = (under + 1, count);
                    break;
                }
                (high, up_to, stretch) = (under, count, stretch.saturating_mul(2));
            }
        } else {
            while up_to <= rank && high < FILL - 1 {
                (low, below) = (high + 1, up_to);
                high = low.saturating_add(stretch).min(FILL - 1);
                up_to = simd.up_to(values, high);
                stretch = stretch.saturating_mul(2);
            }
        }
        while low < high {
            if below == rank {
                return Some(least_over(values, low));
            }
            if up_to == rank + 1 {
                return Some(most_under(values, high));
            }
            let middle = low + (high - low) / 2;
            let under = simd.up_to(values, middle);
            if under > rank {
                (high, up_to) = (middle, under);
            } else {
                (low, below) = (middle + 1, under);
            }
        }
        Some(low)
    }
}

/// The least of the values that are not under a bound: what is under it wraps around to the far end.
#[inline(always)]
fn least_over(values: &[u32], bound: u32) -> u32 {
    bound.wrapping_add(values.iter().fold(FILL, |least, value| least.min(value.wrapping_sub(bound))))
}

/// The highest of the values that are not over a bound.
#[inline(always)]
fn most_under(values: &[u32], bound: u32) -> u32 {
    bound.wrapping_sub(values.iter().fold(FILL, |least, value| least.min(bound.wrapping_sub(*value))))
}

/// Bits of a height without those that say nothing of noise. Heights are not negative, so their bits sort as they do; what is
/// left is known to one part in eight thousand, 0.001 dB, and found in half the steps.
const SPARE_BITS: u32 = 11;

/// A height as a number to be ranked.
pub fn sorting(height: &f32) -> u32 {
    height.to_bits() >> SPARE_BITS
}

/// The middle of the heights that [`sorting`] does not tell apart.
pub fn height_of(sorting: u32) -> f64 {
    f64::from(f32::from_bits((sorting << SPARE_BITS) | (1 << (SPARE_BITS - 1))))
}

/// What a record's codes say as they are.
pub struct Codes {
    pub sum: i64,
    /// Codes at either end of the converter's range.
    pub clipped: i32,
}

/// One pass over a record; `over` and `under` are the codes from which on the converter counts as clipped.
pub fn codes(samples: &[i16], over: i32, under: i32) -> Codes {
    pulp::Arch::new().dispatch(RankSurvey { samples, over, under })
}

struct RankSurvey<'a> {
    samples: &'a [i16],
    over: i32,
    under: i32,
}

impl pulp::WithSimd for RankSurvey<'_> {
    type Output = Codes;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Codes {
        let mut all = Codes { sum: 0, clipped: 0 };
        // A sum of so many codes fits 32 bits.
        for part in self.samples.chunks(1 << 15) {
            let (mut sum, mut clipped) = (0i32, 0i32);
            for sample in part {
                let sample = i32::from(*sample);
                sum += sample;
                clipped += i32::from((sample >= self.over) | (sample <= self.under));
            }
            all.sum += i64::from(sum);
            all.clipped += clipped;
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pairs::Plain;

    #[test]
    fn a_quantile_is_what_sorting_finds() {
        let mut state = 7u32;
        for count in [1usize, 2, 7, 64, 255, 256, 1000] {
            let values: Vec<u32> = (0..count)
                .map(|_| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    (state >> (state % 24)).min(FILL - 1)
                })
                .collect();
            let mut pile = Pile::default();
            pile.fill(values.iter().copied());
            let hole = count / 3..count / 2;
            for without in [0..0, hole] {
                let mut sorted: Vec<u32> = (0..count).filter(|at| !without.contains(at)).map(|at| values[at]).collect();
                sorted.sort_unstable();
                pile.leave_out(without);
                for part in [0.0, 0.1, 0.3, 0.5, 0.6, 1.0] {
                    let rank = ((sorted.len() - 1) as f64 * part) as usize;
                    let want = sorted[rank];
                    assert_eq!(pile.quantile(part), want, "{part} of {count}");
                    for bound in [0, want.saturating_sub(1), want, want.saturating_add(1), FILL - 2] {
                        let over = (want > bound).then_some(want);
                        assert_eq!(pile.quantile_over(part, bound), over, "{part} of {count} over {bound}");
                        let find = Find { values: &pile.values, rank: rank as u32, from: From::Over(bound) };
                        assert_eq!(find.find(Plain), over, "plain");
                        let find = Find { values: &pile.values, rank: rank as u32, from: From::About(bound) };
                        assert_eq!(find.find(Plain), Some(want), "begun at {bound}");
                    }
                }
            }
        }
        assert_eq!((Pile::default().quantile(0.5), Pile::default().quantile_over(0.5, 3)), (0, None));
    }
}
