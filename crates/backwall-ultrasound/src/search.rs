//! The search's own filter: the whole record at once, at the few looks a period the envelope needs.
//!
//! Taps and samples are whole numbers of sixteen bits, and so are exact sums of their products: the results are the same on every
//! processor, in whatever order they are added. The record is laid out so that two neighbouring taps meet many outputs at a time.
//! Sixteen bits are ample here: what rounding the taps adds lies 80 dB under an echo, and echoes that count are timed again with
//! all taps at the full rate.

use super::pairs::{PairWork, Pairs, dispatch, pair};
use super::ranks::{Pile, sorting};

/// Complex taps laid out in pairs.
pub struct Search {
    /// Samples from one output to the next.
    pub step: usize,
    /// Zeros in front of the record, a multiple of `step`.
    lead: usize,
    /// Steps over which the taps reach.
    reach: usize,
    rows: Vec<SearchRow>,
    re: Vec<i32>,
    im: Vec<i32>,
    /// What a sum is worth, codes.
    unit: f32,
}

/// What of the record meets what of the taps: pairs of two phases (the record taken every `step` samples) side by side, or, for
/// the last phase of an odd step, of one phase with itself a step later.
#[derive(Clone, Copy)]
struct SearchRow {
    phase: usize,
    /// Whether the second of a pair is the next phase, else it is the next step.
    two_phases: bool,
    /// Pairs of taps.
    taps: usize,
}

impl SearchRow {
    /// Steps from one pair of taps to the next.
    fn stride(&self) -> usize {
        if self.two_phases { 1 } else { 2 }
    }
}

/// The filter's work as the dispatch takes it.
struct SearchRun<'a> {
    search: &'a Search,
    samples: &'a [i16],
    mean: i16,
    found: &'a mut Searched,
}

impl PairWork for SearchRun<'_> {
    type Output = ();

    #[inline(always)]
    fn with<P: Pairs>(self, simd: P) {
        // Registers of sums kept side by side, for the real and the imaginary part each: fewer wait for each other, more do not fit.
        if P::LANES >= 16 {
            self.search.filter::<P, 8>(simd, self.samples, self.mean, self.found);
        } else {
            self.search.filter::<P, 4>(simd, self.samples, self.mean, self.found);
        }
    }
}

/// Reusable working space, and the analytic signal that [`Search::run`] leaves in it.
#[derive(Default)]
pub struct Searched {
    level: Vec<i16>,
    pairs: Vec<i32>,
    sums: Vec<i32>,
    pub re: Vec<f32>,
    pub im: Vec<f32>,
    pub envelope: Vec<f32>,
    /// The highest of each [`STRETCH`] looks of the envelope: most stretches are noise from end to end.
    pub peaks: Vec<f32>,
    /// The envelope's heights, to be ranked.
    pub heights: Pile,
    /// Magnitudes of some of the record's sixth differences, which an echo's band hardly reaches.
    pub differences: Pile,
}

/// Looks that are seen through together.
pub const STRETCH: usize = 16;

impl Search {
    /// From full-rate taps of which `before` lie before the reference sample.
    pub fn new(re: &[f64], im: &[f64], before: usize, step: usize) -> Self {
        let lead = before.div_ceil(step) * step;
        let shift = lead - before;
        let reach = (shift + re.len()).div_ceil(step);
        let rows: Vec<SearchRow> = (0..step)
            .step_by(2)
            .map(|phase| {
                let two_phases = phase + 1 < step;
                SearchRow { phase, two_phases, taps: if two_phases { reach } else { reach.div_ceil(2) } }
            })
            .collect();
        // No sum of products with samples of sixteen bits may leave thirty-two.
        let total = |taps: &[f64]| taps.iter().map(|tap| tap.abs()).sum::<f64>();
        let largest = re.iter().chain(im).map(|tap| tap.abs()).fold(0.0, f64::max);
        let room = (65_000.0 / total(re).max(total(im)).max(f64::MIN_POSITIVE)).min(32_000.0 / largest.max(f64::MIN_POSITIVE));
        let laid_out = |taps: &[f64]| {
            let whole = |at: usize| {
                let tap = at.checked_sub(shift).and_then(|k| taps.get(k)).copied().unwrap_or(0.0);
                libm::round(tap * room) as i16
            };
            let mut all = Vec::new();
            for row in &rows {
                let second = if row.two_phases { 1 } else { step };
                all.extend((0..row.taps).map(|k| k * row.stride() * step + row.phase).map(|at| pair(whole(at), whole(at + second))));
            }
            all
        };
        Self { step, lead, reach, re: laid_out(re), im: laid_out(im), rows, unit: (1.0 / room) as f32 }
    }

    /// The analytic signal and its envelope at every `step`-th sample; `mean` is taken off the samples, and what lies
    /// outside the record counts as zero.
    pub fn run(&self, samples: &[i16], mean: i16, found: &mut Searched) {
        dispatch(SearchRun { search: self, samples, mean, found });
    }

    #[inline(always)]
    fn filter<P: Pairs, const SIDE: usize>(&self, simd: P, samples: &[i16], mean: i16, found: &mut Searched) {
        let block = SIDE * P::LANES;
        let outputs = samples.len().div_ceil(self.step);
        let places = outputs.next_multiple_of(block);
        let stride = places + self.reach;
        let Searched { level, pairs, sums, re, im, envelope, peaks, heights, differences } = found;
        sixth_differences(simd, samples, differences);
        level.clear();
        level.resize(self.lead, 0);
        // A mean far off leaves no room for the largest codes, which then count as clipped.
        level.extend(samples.iter().map(|sample| sample.saturating_sub(mean).max(-i16::MAX)));
        level.resize((stride + 1) * self.step, 0);
        pairs.resize(stride * self.rows.len(), 0);
        for (row, out) in self.rows.iter().zip(pairs.chunks_exact_mut(stride)) {
            match self.step {
                1 => lay_out::<1>(level, row, out),
                2 => lay_out::<2>(level, row, out),
                3 => lay_out::<3>(level, row, out),
                4 => lay_out::<4>(level, row, out),
                5 => lay_out::<5>(level, row, out),
                6 => lay_out::<6>(level, row, out),
                8 => lay_out::<8>(level, row, out),
                step => {
                    let second = row.phase + if row.two_phases { 1 } else { step };
                    for (place, at) in out.iter_mut().zip((0..).step_by(step)) {
                        *place = pair(level[at + row.phase], level[at + second]);
                    }
                }
            }
        }
        sums.resize(2 * block, 0);
        for out in [&mut *re, &mut *im, &mut *envelope] {
            out.resize(places, 0.0);
        }
        for at in (0..places).step_by(block) {
            self.block::<P, SIDE>(simd, pairs, stride, at, sums);
            let (a, b) = sums.split_at(block);
            let parts = re[at..at + block].iter_mut().zip(&mut im[at..at + block]).zip(&mut envelope[at..at + block]);
            for (((re, im), envelope), (a, b)) in parts.zip(a.iter().zip(b)) {
                (*re, *im) = (*a as f32 * self.unit, *b as f32 * self.unit);
                *envelope = (*re * *re + *im * *im).sqrt();
            }
        }
        for out in [re, im, &mut *envelope] {
            out.truncate(outputs);
        }
        heights.fill(envelope.iter().map(sorting));
        peaks.clear();
        // Bits of what is not negative sort as it does, and the highest of whole numbers is found many at a time.
        peaks.extend(envelope.chunks(STRETCH).map(|looks| f32::from_bits(looks.iter().fold(0, |most, look| most.max(look.to_bits())))));
    }

    /// The sums of real parts, then of imaginary ones, of a block of outputs.
    #[inline(always)]
    fn block<P: Pairs, const SIDE: usize>(&self, simd: P, pairs: &[i32], stride: usize, at: usize, out: &mut [i32]) {
        let (mut re, mut im) = ([simd.zero(); SIDE], [simd.zero(); SIDE]);
        let block = SIDE * P::LANES;
        let (mut taps_re, mut taps_im) = (&self.re[..], &self.im[..]);
        for (row, pairs) in self.rows.iter().zip(pairs.chunks_exact(stride)) {
            let ((own_re, rest_re), (own_im, rest_im)) = (taps_re.split_at(row.taps), taps_im.split_at(row.taps));
            for (near, (tr, ti)) in pairs[at..].windows(block).step_by(row.stride()).zip(own_re.iter().zip(own_im)) {
                let (tr, ti) = (simd.all(*tr), simd.all(*ti));
                for side in 0..SIDE {
                    let x = simd.load(&near[side * P::LANES..]);
                    re[side] = simd.add(re[side], x, tr);
                    im[side] = simd.add(im[side], x, ti);
                }
            }
            (taps_re, taps_im) = (rest_re, rest_im);
        }
        for side in 0..SIDE {
            simd.store(re[side], &mut out[side * P::LANES..]);
            simd.store(im[side], &mut out[block + side * P::LANES..]);
        }
    }
}

/// The pairs of a row; a step known beforehand lets it be filled many at a time.
#[inline(always)]
fn lay_out<const STEP: usize>(level: &[i16], row: &SearchRow, out: &mut [i32]) {
    let (steps, _) = level.as_chunks::<STEP>();
    let phase = row.phase;
    if row.two_phases {
        for (place, step) in out.iter_mut().zip(steps) {
            *place = pair(step[phase], step[(phase + 1) % STEP]);
        }
    } else {
        for (place, (step, next)) in out.iter_mut().zip(steps.iter().zip(&steps[1..])) {
            *place = pair(step[phase], next[phase]);
        }
    }
}

/// Sixth differences of the samples at every fourth of them, their magnitudes: 1, -6, 15, -20, 15, -6, 1. Four places on,
/// one says nearly nothing of the other (0.07 correlated); those between would tell nothing new.
#[inline(always)]
fn sixth_differences<P: Pairs>(simd: P, samples: &[i16], out: &mut Pile) {
    const HERE: [i16; 4] = [1, -6, 15, -20];
    const NEXT: [i16; 4] = [15, -6, 1, 0];
    let weights = |four: [i16; 4]| -> [i32; 16] { std::array::from_fn(|k| pair(four[2 * k % 4], four[2 * k % 4 + 1])) };
    let (here, next) = (simd.load(&weights(HERE)), simd.load(&weights(NEXT)));
    let differences = out.room((samples.len() / 4).saturating_sub(1));
    // Two pairs make a difference.
    let mut sums = [0; 16];
    let blocks = differences.chunks_exact_mut(P::LANES / 2);
    let done = blocks.len() * P::LANES / 2;
    for (block, near) in blocks.zip(samples.windows(2 * P::LANES + 4).step_by(2 * P::LANES)) {
        let sum = simd.add(simd.zero(), simd.load_codes(near), here);
        simd.store(simd.add(sum, simd.load_codes(&near[4..]), next), &mut sums);
        let (halves, _) = sums.as_chunks::<2>();
        block.iter_mut().zip(halves).for_each(|(out, [first, second])| *out = (first + second).unsigned_abs());
    }
    for (out, near) in differences[done..].iter_mut().zip(samples[4 * done..].windows(8).step_by(4)) {
        let sum = |from: usize, weights: [i16; 4]| -> i32 { (0..4).map(|k| i32::from(near[from + k]) * i32::from(weights[k])).sum() };
        *out = (sum(0, HERE) + sum(4, NEXT)).unsigned_abs();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pairs::Plain;

    /// The same sums one by one, in sixty-four bits, on every way of doing the work.
    #[test]
    fn every_output_is_the_sum_the_definition_gives_to_the_bit() {
        let taps: Vec<f64> = (0..37).map(|k| libm::sin(k as f64 * 0.37)).collect();
        let turned: Vec<f64> = taps.iter().rev().copied().collect();
        let samples: Vec<i16> = (0..200).map(|k| ((k * 7919) % 65_001 - 32_500) as i16).collect();
        for step in [1, 3, 4, 6] {
            let search = Search::new(&taps, &turned, 18, step);
            let (mut found, mut plain) = (Searched::default(), Searched::default());
            search.run(&samples, 3, &mut found);
            search.filter::<Plain, 4>(Plain, &samples, 3, &mut plain);
            assert_eq!((&found.re, &found.im, &found.envelope), (&plain.re, &plain.im, &plain.envelope));
            for part in [0.0, 0.2, 0.5, 0.8, 1.0] {
                let mut sixth: Vec<i32> = samples
                    .windows(8)
                    .step_by(4)
                    .map(|x| [1, -6, 15, -20, 15, -6, 1].iter().zip(x).map(|(weight, x)| weight * i32::from(*x)).sum::<i32>().abs())
                    .collect();
                sixth.sort_unstable();
                let want = sixth[((sixth.len() - 1) as f64 * part) as usize] as u32;
                assert_eq!((found.differences.quantile(part), plain.differences.quantile(part)), (want, want));
            }
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
