//! The signal at the full rate about an echo, with every tap: what an echo that counts is timed on.
//!
//! A tap is a whole number of more than twenty bits, kept as a coarse and a fine one of sixteen, and a record's codes are whole numbers
//! too. Their products add up exactly, so that no order and no width of registers can change a sum; what rounding the taps adds lies
//! 130 dB under an echo.

use super::filter::Complex;
use super::pairs::{self, Pairs, SIDE, pair};

/// Samples filtered together about an echo.
pub const NEIGHBOURS: usize = 7;
/// Taps are taken in whole registers of the widest processor.
const REGISTER: usize = 32;
/// A coarse tap is worth so many fine ones.
const COARSE: i32 = 256;
/// Taps in a stretch, none of whose sums of products leaves thirty-two bits: fine taps are 128 at most, codes 2^15.
const STRETCH: usize = 480;
/// As much as the coarse taps of a stretch may add up to.
const MOST: i32 = 65_500;
/// The largest coarse tap is no less than this, however many there are.
const LEAST_LARGEST: f64 = 2_000.0;

/// Complex taps at the full rate.
pub struct Fine {
    /// How many taps lie before the reference sample.
    before: usize,
    stretches: Vec<TapStretch>,
    /// Sums of all taps, real and imaginary: what a code that stands throughout adds.
    total: [i64; 2],
    /// What a sum is worth, codes.
    unit: f64,
}

/// Some taps in pairs, whole registers of them: real and imaginary parts.
struct TapStretch {
    coarse: [Vec<i32>; 2],
    fine: [Vec<i32>; 2],
}

impl TapStretch {
    fn taps(&self) -> usize {
        2 * self.coarse[0].len()
    }
}

impl Fine {
    /// From taps of which `before` lie before the reference sample.
    pub fn new(re: &[f64], im: &[f64], before: usize) -> Self {
        let sum = |taps: &[f64]| taps.iter().map(|tap| tap.abs()).sum::<f64>().max(f64::MIN_POSITIVE);
        let largest = re.iter().chain(im).map(|tap| tap.abs()).fold(f64::MIN_POSITIVE, f64::max);
        let room = (65_000.0 / sum(re).max(sum(im))).max(LEAST_LARGEST / largest).min(32_000.0 / largest) * f64::from(COARSE);
        let whole = [re, im].map(|taps| {
            let mut whole: Vec<i32> = taps.iter().map(|tap| libm::round(tap * room) as i32).collect();
            whole.resize(taps.len().next_multiple_of(REGISTER), 0);
            whole
        });
        let coarse = whole.each_ref().map(|taps| taps.iter().map(|tap| (tap + COARSE / 2).div_euclid(COARSE)).collect::<Vec<i32>>());
        let mut stretches = Vec::new();
        let mut from = 0;
        while from < whole[0].len() {
            let size = |to: usize| coarse.iter().map(|taps| taps[from..to].iter().map(|tap| tap.abs()).sum::<i32>()).fold(0, i32::max);
            let mut to = from + REGISTER;
            while to < whole[0].len() && to - from < STRETCH && size(to + REGISTER) <= MOST {
                to += REGISTER;
            }
            let paired = |of: &dyn Fn(usize, usize) -> i32, part: usize| -> Vec<i32> {
                (from..to).step_by(2).map(|at| pair(of(part, at) as i16, of(part, at + 1) as i16)).collect()
            };
            let rest = |part: usize, at: usize| whole[part][at] - COARSE * coarse[part][at];
            stretches.push(TapStretch {
                coarse: [0, 1].map(|part| paired(&|part, at| coarse[part][at], part)),
                fine: [0, 1].map(|part| paired(&rest, part)),
            });
            from = to;
        }
        let total = whole.each_ref().map(|taps| taps.iter().map(|tap| i64::from(*tap)).sum());
        Self { before, stretches, total, unit: 1.0 / room }
    }

    /// The analytic signal at [`NEIGHBOURS`] samples from each of some places on.
    ///
    /// `record` is the samples with their mean, which is taken off; samples outside count as zero then.
    pub fn beside<const PLACES: usize>(&self, record: (&[i16], i16), firsts: [usize; PLACES]) -> [[Complex; NEIGHBOURS]; PLACES] {
        pairs::dispatch(TapsBeside { taps: self, samples: record.0, mean: record.1, firsts })
    }
}

/// The work of [`Fine::beside`].
struct TapsBeside<'a, const PLACES: usize> {
    taps: &'a Fine,
    samples: &'a [i16],
    mean: i16,
    firsts: [usize; PLACES],
}

impl<const PLACES: usize> pairs::PairWork for TapsBeside<'_, PLACES> {
    type Output = [[Complex; NEIGHBOURS]; PLACES];

    #[inline(always)]
    fn with<P: Pairs>(self, simd: P) -> Self::Output {
        let mut all = [[Complex::default(); NEIGHBOURS]; PLACES];
        for (out, first) in all.iter_mut().zip(self.firsts) {
            let mut sums = self.taps.total.map(|total| [-total * i64::from(self.mean); SIDE]);
            let mut at = first as i64 - self.taps.before as i64;
            for stretch in &self.taps.stretches {
                let count = stretch.taps() + NEIGHBOURS;
                let edge;
                let near = match usize::try_from(at).ok().and_then(|at| self.samples.get(at..at + count)) {
                    Some(inside) => inside,
                    None => {
                        edge = self.edge(at);
                        &edge[..count]
                    }
                };
                let coarse = products(simd, near, &stretch.coarse);
                let fine = products(simd, near, &stretch.fine);
                for part in 0..2 {
                    for k in 0..SIDE {
                        sums[part][k] += i64::from(COARSE) * i64::from(coarse[part][k]) + i64::from(fine[part][k]);
                    }
                }
                at += stretch.taps() as i64;
            }
            for (k, out) in out.iter_mut().enumerate() {
                *out = Complex { re: sums[0][k] as f64 * self.taps.unit, im: sums[1][k] as f64 * self.taps.unit };
            }
        }
        all
    }
}

impl<const PLACES: usize> TapsBeside<'_, PLACES> {
    /// The samples from one on; outside the record stands its mean.
    #[cold]
    fn edge(&self, from: i64) -> [i16; STRETCH + REGISTER] {
        let mut all = [self.mean; STRETCH + REGISTER];
        let inside = self.samples.get(from.max(0) as usize..).unwrap_or_default();
        all.iter_mut().skip(from.min(0).unsigned_abs() as usize).zip(inside).for_each(|(out, sample)| *out = *sample);
        all
    }
}

/// The sums of products of codes with real taps, then with imaginary ones, for each neighbour and a place that stays empty.
#[inline(always)]
fn products<P: Pairs>(simd: P, near: &[i16], taps: &[Vec<i32>; 2]) -> [[i32; SIDE]; 2] {
    let (mut re, mut im) = ([simd.zero(); SIDE], [simd.zero(); SIDE]);
    let registers = taps[0].chunks_exact(P::LANES).zip(taps[1].chunks_exact(P::LANES));
    for (codes, (tap_re, tap_im)) in near.windows(2 * P::LANES + NEIGHBOURS - 1).step_by(2 * P::LANES).zip(registers) {
        let (tap_re, tap_im) = (simd.load(tap_re), simd.load(tap_im));
        for k in 0..NEIGHBOURS {
            let x = simd.load_codes(&codes[k..]);
            (re[k], im[k]) = (simd.add(re[k], x, tap_re), simd.add(im[k], x, tap_im));
        }
    }
    [simd.totals(re), simd.totals(im)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pairs::{PairWork, Plain};

    /// The same sums one by one, in a hundred and twenty-eight bits, on every way of doing the work; far more taps than a stretch holds, too.
    #[test]
    fn every_output_is_the_sum_the_definition_gives_to_the_bit() {
        let samples: Vec<i16> = (0..3000).map(|k| ((k * 7919) % 65_536 - 32_768) as i16).collect();
        for (count, before) in [(37, 18), (381, 190), (2500, 1000)] {
            let re: Vec<f64> = (0..count).map(|k| libm::sin(k as f64 * 0.37)).collect();
            let im: Vec<f64> = re.iter().rev().map(|tap| tap * 0.4).collect();
            let fine = Fine::new(&re, &im, before);
            let firsts = [0, 5, 1500, 2995];
            let got = fine.beside((&samples, -7), firsts);
            assert_eq!(got, TapsBeside { taps: &fine, samples: &samples, mean: -7, firsts }.with(Plain));
            for (first, got) in firsts.iter().zip(&got) {
                for (n, got) in got.iter().enumerate() {
                    let sum = |taps: &[f64]| {
                        let of = |k: usize| {
                            let at = usize::try_from((first + n + k) as i64 - before as i64).ok();
                            let sample = at.and_then(|at| samples.get(at)).map_or(0, |sample| i128::from(*sample) + 7);
                            sample * libm::round(taps[k] / fine.unit) as i128
                        };
                        (0..taps.len()).map(of).sum::<i128>() as f64 * fine.unit
                    };
                    assert_eq!((got.re.to_bits(), got.im.to_bits()), (sum(&re).to_bits(), sum(&im).to_bits()), "{count} taps at {first}");
                }
            }
        }
    }
}
