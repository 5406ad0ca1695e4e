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
        let Found { phases, re, im, envelope } = found;
        phases.clear();
        phases.resize(self.step * stride, 0.0);
        for (phase, row) in phases.chunks_exact_mut(stride).enumerate() {
            let places = &mut row[self.lead / self.step..];
            for (place, sample) in places.iter_mut().zip(samples.iter().skip(phase).step_by(self.step)) {
                *place = (i32::from(*sample) - mean) as f32;
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

/// Sums of products of two stretches of the signal with each other: real and imaginary part of the sum of `a`'s
/// conjugate times `b`.
pub fn correlation(a: (&[f32], &[f32]), b: (&[f32], &[f32])) -> (f64, f64) {
    pulp::Arch::new().dispatch(Likeness { a, b })
}
