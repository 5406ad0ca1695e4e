//! The search's own filter: the whole record at once, at the few looks a period the envelope needs.
//!
//! Taps and samples are whole numbers of sixteen bits, and so are exact sums of their products: the results are the same on every
//! processor. The record is laid out by phase (every `step`-th sample together), so that two taps of a phase meet many neighbouring
//! outputs at a time. Sixteen bits are ample here: what rounding the taps adds lies 80 dB under an echo, and echoes that count are
//! timed again in double precision at the full rate.

use super::pairs::{Pairs, Plain, pair};

/// Sums kept side by side where two stretches are held against each other.
const LANES: usize = 16;

/// Complex taps laid out by phase.
pub struct Search {
    /// Samples from one output to the next.
    pub step: usize,
    /// Zeros in front of the record, a multiple of `step`.
    lead: usize,
    /// Pairs of taps of one phase.
    width: usize,
    re: Vec<i32>,
    im: Vec<i32>,
    /// What a sum is worth, codes.
    unit: f32,
}

/// The filter's work as the dispatch takes it: a method that is inlined into the code for each width.
struct Run<'a> {
    search: &'a Search,
    samples: &'a [i16],
    mean: i32,
    found: &'a mut Found,
}

impl pulp::WithSimd for Run<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) {
        let any: &dyn std::any::Any = &simd;
        #[cfg(target_arch = "x86_64")]
        {
            if let Some(v4) = any.downcast_ref::<pulp::x86::V4>() {
                return self.search.filter(*v4, self.samples, self.mean, self.found);
            }
            if let Some(v3) = any.downcast_ref::<pulp::x86::V3>() {
                return self.search.filter(*v3, self.samples, self.mean, self.found);
            }
        }
        let _ = any;
        self.search.filter(Plain, self.samples, self.mean, self.found);
    }
}

/// Two stretches of the signal to be held against each other.
struct Likeness<'a> {
    a: (&'a [f32], &'a [f32]),
    b: (&'a [f32], &'a [f32]),
}

impl pulp::WithSimd for Likeness<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> (f64, f64) {
        let Self { a, b } = self;
        let (mut re, mut im) = ([0.0f32; LANES], [0.0f32; LANES]);
        let count = a.0.len().min(b.0.len());
        let whole = count - count % LANES;
        for at in (0..whole).step_by(LANES) {
            let (ar, ai) = (&a.0[at..at + LANES], &a.1[at..at + LANES]);
            let (br, bi) = (&b.0[at..at + LANES], &b.1[at..at + LANES]);
            for lane in 0..LANES {
                re[lane] += ar[lane] * br[lane] + ai[lane] * bi[lane];
                im[lane] += ar[lane] * bi[lane] - ai[lane] * br[lane];
            }
        }
        let (mut sum_re, mut sum_im) = (0.0, 0.0);
        for lane in 0..LANES {
            sum_re += f64::from(re[lane]);
            sum_im += f64::from(im[lane]);
        }
        for at in whole..count {
            sum_re += f64::from(a.0[at] * b.0[at] + a.1[at] * b.1[at]);
            sum_im += f64::from(a.0[at] * b.1[at] - a.1[at] * b.0[at]);
        }
        (sum_re, sum_im)
    }
}

/// Reusable working space, and the analytic signal that [`Search::run`] leaves in it.
#[derive(Default)]
pub struct Found {
    row: Vec<i16>,
    phases: Vec<i32>,
    sums: Vec<i32>,
    pub re: Vec<f32>,
    pub im: Vec<f32>,
    pub envelope: Vec<f32>,
    /// Magnitudes of some of the record's sixth differences, which an echo's band hardly reaches.
    pub differences: Vec<u32>,
}

/// Registers of sums kept side by side, for the real and the imaginary part each: fewer wait for each other, more do not fit.
const SIDE: usize = 4;

impl Search {
    /// From full-rate taps of which `before` lie before the reference sample.
    pub fn new(re: &[f64], im: &[f64], before: usize, step: usize) -> Self {
        let lead = before.div_ceil(step) * step;
        let shift = lead - before;
        let width = (shift + re.len()).div_ceil(step).div_ceil(2);
        // No sum of products with samples of sixteen bits may leave thirty-two.
        let total = |taps: &[f64]| taps.iter().map(|tap| tap.abs()).sum::<f64>();
        let largest = re.iter().chain(im).map(|tap| tap.abs()).fold(0.0, f64::max);
        let room = (65_000.0 / total(re).max(total(im)).max(f64::MIN_POSITIVE)).min(32_000.0 / largest.max(f64::MIN_POSITIVE));
        let laid_out = |taps: &[f64]| {
            let whole = |phase: usize, k: usize| {
                let tap = (k * step + phase).checked_sub(shift).and_then(|k| taps.get(k)).copied().unwrap_or(0.0);
                libm::round(tap * room) as i16
            };
            (0..step)
                .flat_map(|phase| (0..width).map(move |k| (phase, 2 * k)))
                .map(|(phase, k)| pair(whole(phase, k), whole(phase, k + 1)))
                .collect()
        };
        Self { step, lead, width, re: laid_out(re), im: laid_out(im), unit: (1.0 / room) as f32 }
    }

    /// The analytic signal and its envelope at every `step`-th sample; `mean` is taken off the samples, and what lies
    /// outside the record counts as zero.
    pub fn run(&self, samples: &[i16], mean: i32, found: &mut Found) {
        pulp::Arch::new().dispatch(Run { search: self, samples, mean, found });
    }

    #[inline(always)]
    fn filter<P: Pairs>(&self, simd: P, samples: &[i16], mean: i32, found: &mut Found) {
        let block = SIDE * P::LANES;
        let outputs = samples.len().div_ceil(self.step);
        let rows = outputs.next_multiple_of(block);
        let stride = rows + 2 * self.width;
        let Found { row, phases, sums, re, im, envelope, differences } = found;
        sixth_differences(samples, differences);
        phases.clear();
        let lead = self.lead / self.step;
        for phase in 0..self.step {
            row.clear();
            row.resize(stride + 1, 0);
            match self.step {
                1 => lay_out::<1>(samples, mean, phase, &mut row[lead..]),
                2 => lay_out::<2>(samples, mean, phase, &mut row[lead..]),
                3 => lay_out::<3>(samples, mean, phase, &mut row[lead..]),
                4 => lay_out::<4>(samples, mean, phase, &mut row[lead..]),
                5 => lay_out::<5>(samples, mean, phase, &mut row[lead..]),
                8 => lay_out::<8>(samples, mean, phase, &mut row[lead..]),
                10 => lay_out::<10>(samples, mean, phase, &mut row[lead..]),
                step => {
                    for (place, sample) in row[lead..].iter_mut().zip(samples.iter().skip(phase).step_by(step)) {
                        *place = without(*sample, mean);
                    }
                }
            }
            phases.extend(row[..stride].iter().zip(&row[1..]).map(|(first, second)| pair(*first, *second)));
        }
        sums.clear();
        sums.resize(2 * block, 0);
        for out in [&mut *re, &mut *im, &mut *envelope] {
            out.clear();
            out.resize(rows, 0.0);
        }
        for at in (0..rows).step_by(block) {
            self.block(simd, phases, stride, at, sums);
            let (a, b) = sums.split_at(block);
            let parts = re[at..at + block].iter_mut().zip(&mut im[at..at + block]).zip(&mut envelope[at..at + block]);
            for (((re, im), envelope), (a, b)) in parts.zip(a.iter().zip(b)) {
                (*re, *im) = (*a as f32 * self.unit, *b as f32 * self.unit);
                *envelope = (*re * *re + *im * *im).sqrt();
            }
        }
        for out in [re, im, envelope] {
            out.truncate(outputs);
        }
    }

    /// The sums of real parts, then of imaginary ones, of a block of outputs.
    #[inline(always)]
    fn block<P: Pairs>(&self, simd: P, phases: &[i32], stride: usize, at: usize, out: &mut [i32]) {
        let (mut re, mut im) = ([simd.zero(); SIDE], [simd.zero(); SIDE]);
        let (width, block) = (self.width, SIDE * P::LANES);
        for phase in 0..self.step {
            let row = &phases[phase * stride + at..][..2 * width + block - 1];
            let taps_re = &self.re[phase * width..][..width];
            let taps_im = &self.im[phase * width..][..width];
            for k in 0..width {
                let (tr, ti) = (simd.all(taps_re[k]), simd.all(taps_im[k]));
                let near = &row[2 * k..][..block];
                for side in 0..SIDE {
                    let x = simd.load(&near[side * P::LANES..]);
                    re[side] = simd.add(re[side], x, tr);
                    im[side] = simd.add(im[side], x, ti);
                }
            }
        }
        for side in 0..SIDE {
            simd.store(re[side], &mut out[side * P::LANES..]);
            simd.store(im[side], &mut out[block + side * P::LANES..]);
        }
    }
}

/// A sample without the mean; a mean far off leaves no room for the largest codes, which then count as clipped.
#[inline(always)]
fn without(sample: i16, mean: i32) -> i16 {
    (i32::from(sample) - mean).clamp(-32_767, 32_767) as i16
}

/// Sixth differences of the samples at every fourth of them, their magnitudes: 1, -6, 15, -20, 15, -6, 1. Four places on,
/// one says nearly nothing of the other (0.07 correlated); those between would tell nothing new.
#[inline(always)]
fn sixth_differences(samples: &[i16], out: &mut Vec<u32>) {
    let (fours, _) = samples.as_chunks::<4>();
    out.clear();
    out.extend(fours.iter().zip(fours.iter().skip(1)).map(|(here, next)| {
        let [a, b, c, d] = here.map(i32::from);
        let [e, f, g, _] = next.map(i32::from);
        (a + g - 6 * (b + f) + 15 * (c + e) - 20 * d).unsigned_abs()
    }));
}

/// Every `STEP`-th sample from `phase` on; a step known beforehand lets a row be filled many at a time.
#[inline(always)]
fn lay_out<const STEP: usize>(samples: &[i16], mean: i32, phase: usize, row: &mut [i16]) {
    let (whole, rest) = samples.as_chunks::<STEP>();
    for (place, chunk) in row.iter_mut().zip(whole) {
        *place = without(chunk[phase], mean);
    }
    if let (Some(sample), Some(place)) = (rest.get(phase), row.get_mut(whole.len())) {
        *place = without(*sample, mean);
    }
}

/// What a record's codes say as they are.
pub struct Codes {
    pub sum: i64,
    /// Codes at either end of the converter's range.
    pub clipped: i32,
}

/// One pass over a record; `over` and `under` are the codes from which on the converter counts as clipped.
pub fn codes(samples: &[i16], over: i32, under: i32) -> Codes {
    pulp::Arch::new().dispatch(Survey { samples, over, under })
}

struct Survey<'a> {
    samples: &'a [i16],
    over: i32,
    under: i32,
}

impl pulp::WithSimd for Survey<'_> {
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

/// Sums of products of two stretches of the signal with each other: real and imaginary part of the sum of `a`'s
/// conjugate times `b`.
pub fn correlation(a: (&[f32], &[f32]), b: (&[f32], &[f32])) -> (f64, f64) {
    pulp::Arch::new().dispatch(Likeness { a, b })
}

/// The value below which `part` of `values` lie. Found by halving the range of values: counting what lies under a bound is
/// quick on wide registers, sorting is not.
pub fn quantile(values: &[u32], part: f64) -> u32 {
    pulp::Arch::new().dispatch(Quantile { values, part })
}

struct Quantile<'a> {
    values: &'a [u32],
    part: f64,
}

impl pulp::WithSimd for Quantile<'_> {
    type Output = u32;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> u32 {
        let Self { values, part } = self;
        let (mut low, mut high) = values.iter().fold((u32::MAX, 0), |(low, high), value| (low.min(*value), high.max(*value)));
        if values.is_empty() {
            return 0;
        }
        let rank = ((values.len() - 1) as f64 * part) as u32;
        while low < high {
            let middle = low + (high - low) / 2;
            let under: u32 = values.iter().map(|value| u32::from(*value <= middle)).sum();
            if under > rank {
                high = middle;
            } else {
                low = middle + 1;
            }
        }
        low
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantile_is_what_sorting_finds() {
        let mut state = 7u32;
        for count in [1usize, 2, 7, 64, 255, 256, 1000] {
            let values: Vec<u32> = (0..count)
                .map(|_| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    state >> (state % 24)
                })
                .collect();
            let mut sorted = values.clone();
            sorted.sort_unstable();
            for part in [0.0, 0.1, 0.3, 0.5, 0.6, 1.0] {
                assert_eq!(quantile(&values, part), sorted[((count - 1) as f64 * part) as usize], "{part} of {count}");
            }
        }
        assert_eq!(quantile(&[], 0.5), 0);
    }

    /// The same sums one by one, in sixty-four bits, on every way of doing the work.
    #[test]
    fn every_output_is_the_sum_the_definition_gives_to_the_bit() {
        let taps: Vec<f64> = (0..37).map(|k| libm::sin(k as f64 * 0.37)).collect();
        let turned: Vec<f64> = taps.iter().rev().copied().collect();
        let samples: Vec<i16> = (0..200).map(|k| ((k * 7919) % 65_001 - 32_500) as i16).collect();
        for step in [1, 3, 4, 6] {
            let search = Search::new(&taps, &turned, 18, step);
            let (mut found, mut plain) = (Found::default(), Found::default());
            search.run(&samples, 3, &mut found);
            search.filter(Plain, &samples, 3, &mut plain);
            assert_eq!((&found.re, &found.im, &found.envelope), (&plain.re, &plain.im, &plain.envelope));
            assert_eq!(found.re.len(), samples.len().div_ceil(step));
            let room = 1.0 / f64::from(search.unit);
            for (m, got) in found.re.iter().enumerate() {
                let want: i64 = (0..taps.len())
                    .map(|k| {
                        let at = (m * step + k) as i64 - 18;
                        let sample = usize::try_from(at).ok().and_then(|at| samples.get(at)).map_or(0, |s| i64::from(*s) - 3);
                        sample.clamp(-32_767, 32_767) * libm::round(taps[k] * room) as i64
                    })
                    .sum();
                assert!(i32::try_from(want).is_ok());
                assert_eq!(got.to_bits(), (want as f32 * search.unit).to_bits(), "step {step}, output {m}");
            }
        }
    }
}
