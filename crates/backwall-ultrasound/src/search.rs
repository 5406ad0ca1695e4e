//! The search's own filter: the whole record at once, at the few looks a period the envelope needs.
//!
//! The record is laid out by phase (every `step`-th sample together), so that one tap meets sixteen neighbouring outputs
//! at a time. Each lane sums in one fixed order and nothing is fused, so the results are the same bits on every
//! processor, whatever the width of its registers; the dispatch only chooses that width. Single precision is ample here:
//! echoes that count are timed again in double precision at the full rate.

/// Sums kept side by side where two stretches are held against each other.
const LANES: usize = 16;

/// Complex taps laid out by phase.
pub struct Search {
    /// Samples from one output to the next.
    pub step: usize,
    /// Zeros in front of the record, a multiple of `step`.
    lead: usize,
    /// Taps of one phase.
    width: usize,
    re: Vec<f32>,
    im: Vec<f32>,
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
    fn with_simd<S: pulp::Simd>(self, _: S) {
        // Two sums a lane, eight registers of them: fewer wait for each other, more do not fit.
        match S::F32_LANES {
            16 => self.search.filter::<64>(self.samples, self.mean, self.found),
            8 => self.search.filter::<32>(self.samples, self.mean, self.found),
            _ => self.search.filter::<16>(self.samples, self.mean, self.found),
        }
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
    phases: Vec<f32>,
    pub re: Vec<f32>,
    pub im: Vec<f32>,
    pub envelope: Vec<f32>,
    /// Magnitudes of some of the record's sixth differences, which an echo's band hardly reaches.
    pub differences: Vec<u32>,
}

impl Search {
    /// From full-rate taps of which `before` lie before the reference sample.
    pub fn new(re: &[f64], im: &[f64], before: usize, step: usize) -> Self {
        let lead = before.div_ceil(step) * step;
        let shift = lead - before;
        let width = (shift + re.len()).div_ceil(step);
        let laid_out = |taps: &[f64]| {
            let mut out = vec![0.0; step * width];
            for (k, tap) in (shift..).zip(taps) {
                out[(k % step) * width + k / step] = *tap as f32;
            }
            out
        };
        Self { step, lead, width, re: laid_out(re), im: laid_out(im) }
    }

    /// The analytic signal and its envelope at every `step`-th sample; `mean` is taken off the samples, and what lies
    /// outside the record counts as zero.
    pub fn run(&self, samples: &[i16], mean: i32, found: &mut Found) {
        pulp::Arch::new().dispatch(Run { search: self, samples, mean, found });
    }

    #[inline(always)]
    fn filter<const L: usize>(&self, samples: &[i16], mean: i32, found: &mut Found) {
        let outputs = samples.len().div_ceil(self.step);
        let rows = outputs.next_multiple_of(L);
        let stride = rows + self.width + L;
        let Found { phases, re, im, envelope, differences } = found;
        sixth_differences(samples, differences);
        phases.clear();
        phases.resize(self.step * stride, 0.0);
        let (laid_out, lead) = (phases.chunks_exact_mut(stride), self.lead / self.step);
        match self.step {
            1 => lay_out::<1>(samples, mean, laid_out, lead),
            2 => lay_out::<2>(samples, mean, laid_out, lead),
            3 => lay_out::<3>(samples, mean, laid_out, lead),
            4 => lay_out::<4>(samples, mean, laid_out, lead),
            5 => lay_out::<5>(samples, mean, laid_out, lead),
            8 => lay_out::<8>(samples, mean, laid_out, lead),
            10 => lay_out::<10>(samples, mean, laid_out, lead),
            step => {
                for (phase, row) in laid_out.enumerate() {
                    for (place, sample) in row[lead..].iter_mut().zip(samples.iter().skip(phase).step_by(step)) {
                        *place = (i32::from(*sample) - mean) as f32;
                    }
                }
            }
        }
        for out in [&mut *re, &mut *im, &mut *envelope] {
            out.clear();
            out.resize(rows, 0.0);
        }
        for at in (0..rows).step_by(L) {
            let (a, b) = self.block::<L>(phases, stride, at);
            for lane in 0..L {
                re[at + lane] = a[lane];
                im[at + lane] = b[lane];
                envelope[at + lane] = (a[lane] * a[lane] + b[lane] * b[lane]).sqrt();
            }
        }
        for out in [re, im, envelope] {
            out.truncate(outputs);
        }
    }

    #[inline(always)]
    fn block<const L: usize>(&self, phases: &[f32], stride: usize, at: usize) -> ([f32; L], [f32; L]) {
        let (mut re, mut im) = ([0.0f32; L], [0.0f32; L]);
        let width = self.width;
        for phase in 0..self.step {
            let row = &phases[phase * stride + at..][..width + L];
            let taps_re = &self.re[phase * width..][..width];
            let taps_im = &self.im[phase * width..][..width];
            for k in 0..width {
                let (tr, ti) = (taps_re[k], taps_im[k]);
                let Some(x) = row[k..].first_chunk::<L>() else { break };
                for lane in 0..L {
                    re[lane] += x[lane] * tr;
                    im[lane] += x[lane] * ti;
                }
            }
        }
        (re, im)
    }
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

/// Lays samples out by phase, each row with the zeros that lead it; a step known beforehand lets rows be filled many at a time.
#[inline(always)]
fn lay_out<const STEP: usize>(samples: &[i16], mean: i32, rows: std::slice::ChunksExactMut<'_, f32>, lead: usize) {
    let (whole, rest) = samples.as_chunks::<STEP>();
    for (phase, row) in rows.enumerate() {
        let places = &mut row[lead..][..whole.len() + 1];
        for (place, chunk) in places.iter_mut().zip(whole) {
            *place = (i32::from(chunk[phase]) - mean) as f32;
        }
        if let Some(sample) = rest.get(phase) {
            places[whole.len()] = (i32::from(*sample) - mean) as f32;
        }
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

    /// The same sums one by one: in the order of the taps within each phase, phase by phase.
    #[test]
    fn every_output_is_the_sum_the_definition_gives_to_the_bit() {
        let taps: Vec<f64> = (0..37).map(|k| libm::sin(k as f64 * 0.37)).collect();
        let turned: Vec<f64> = taps.iter().rev().copied().collect();
        let samples: Vec<i16> = (0..200).map(|k| ((k * 7919) % 4001 - 2000) as i16).collect();
        for step in [1, 3, 4, 6] {
            let search = Search::new(&taps, &turned, 18, step);
            let mut found = Found::default();
            search.run(&samples, 3, &mut found);
            assert_eq!(found.re.len(), samples.len().div_ceil(step));
            let shift = 18usize.div_ceil(step) * step - 18;
            for (m, got) in found.re.iter().enumerate() {
                let mut want = 0.0f32;
                for phase in 0..step {
                    for k in (0..search.width).map(|k| k * step + phase) {
                        let tap = k.checked_sub(shift).and_then(|k| taps.get(k)).copied().unwrap_or(0.0) as f32;
                        let at = (m * step + k) as i64 - (shift + 18) as i64;
                        let sample = usize::try_from(at).ok().and_then(|at| samples.get(at)).map_or(0.0, |s| f32::from(*s) - 3.0);
                        want += sample * tap;
                    }
                }
                assert_eq!(got.to_bits(), want.to_bits(), "step {step}, output {m}");
            }
        }
    }
}
