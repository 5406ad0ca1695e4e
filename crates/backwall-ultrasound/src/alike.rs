//! How like itself a signal is some looks later. Exact figures are dear; whether they can be high at all, the energy in short
//! blocks shows at once (the Cauchy-Schwarz inequality: no sum of products is more than the root of the product of the energies).

/// Sums kept side by side where two stretches are held against each other.
const LANES: usize = 16;
/// Looks in a block of energy.
const BLOCK: usize = 8;
/// What rounding may take from a bound; it is far less.
const ROUNDED: f32 = 1.001;

/// Sums of products of two stretches of the signal with each other: real and imaginary part of the sum of `a`'s
/// conjugate times `b`.
pub fn correlation(a: (&[f32], &[f32]), b: (&[f32], &[f32])) -> (f64, f64) {
    pulp::Arch::new().dispatch(Likeness { a, b })
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

/// The energy of a signal in blocks of a few looks.
#[derive(Default)]
pub struct Energy {
    blocks: Vec<f32>,
}

impl Energy {
    pub fn clear(&mut self) {
        self.blocks.clear();
    }

    /// Whether the signal may be like itself at any of these lags, its correlation squared and divided by both energies as high as
    /// `least`. Where this says no it is not; where it says yes it is to be looked at.
    pub fn may_be_alike(&mut self, envelope: &[f32], (shortest, longest): (usize, usize), least: f64) -> bool {
        if self.blocks.is_empty() {
            self.blocks.resize(envelope.len().div_ceil(BLOCK), 0.0);
            pulp::Arch::new().dispatch(Fill { envelope, blocks: &mut self.blocks });
        }
        // A block meets the looks of these blocks further on at one of the lags or another.
        let meets = (shortest / BLOCK, longest.div_ceil(BLOCK));
        let before = ..(envelope.len().saturating_sub(longest) / BLOCK);
        let behind = longest.div_ceil(BLOCK)..envelope.len() / BLOCK;
        let bound = Bound { blocks: &self.blocks, meets, before: self.blocks.get(before), behind: self.blocks.get(behind) };
        let (most, before, behind) = pulp::Arch::new().dispatch(bound);
        f64::from(most * ROUNDED) * f64::from(most * ROUNDED) >= least * f64::from(before) * f64::from(behind)
    }
}

/// The most that products of the signal with itself can add up to, and the energies they are divided by.
struct Bound<'a> {
    blocks: &'a [f32],
    meets: (usize, usize),
    before: Option<&'a [f32]>,
    behind: Option<&'a [f32]>,
}

impl pulp::WithSimd for Bound<'_> {
    type Output = (f32, f32, f32);

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Self::Output {
        let sum = |part: Option<&[f32]>| {
            let (whole, rest) = part.unwrap_or_default().as_chunks::<LANES>();
            let mut lanes = [0.0f32; LANES];
            for chunk in whole {
                for lane in 0..LANES {
                    lanes[lane] += chunk[lane];
                }
            }
            together(lanes) + rest.iter().sum::<f32>()
        };
        let mut most = [0.0f32; LANES];
        for (at, own) in (0..).step_by(LANES).zip(self.blocks.chunks(LANES)) {
            let mut met = [0.0f32; LANES];
            for further in self.meets.0..=self.meets.1 {
                let near = self.blocks.get(at + further..).unwrap_or_default();
                match near.first_chunk::<LANES>() {
                    Some(near) => met.iter_mut().zip(near).for_each(|(met, energy)| *met += energy),
                    None => met.iter_mut().zip(near).for_each(|(met, energy)| *met += energy),
                }
            }
            let mut mine = [0.0f32; LANES];
            mine.iter_mut().zip(own).for_each(|(mine, energy)| *mine = *energy);
            for lane in 0..LANES {
                most[lane] += (mine[lane] * met[lane]).sqrt();
            }
        }
        (together(most), sum(self.before), sum(self.behind))
    }
}

/// The sum of all lanes, half of them at a time.
#[inline(always)]
fn together(mut lanes: [f32; LANES]) -> f32 {
    for half in [8, 4, 2, 1] {
        for lane in 0..half {
            lanes[lane] += lanes[lane + half];
        }
    }
    lanes[0]
}

struct Fill<'a> {
    envelope: &'a [f32],
    blocks: &'a mut [f32],
}

impl pulp::WithSimd for Fill<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let (whole, rest) = self.envelope.as_chunks::<BLOCK>();
        for (block, [a, b, c, d, e, f, g, h]) in self.blocks.iter_mut().zip(whole) {
            *block = ((a * a + e * e) + (b * b + f * f)) + ((c * c + g * g) + (d * d + h * h));
        }
        if let Some(block) = self.blocks.get_mut(whole.len()) {
            *block = rest.iter().map(|e| e * e).sum();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whatever the signal, the bound never denies a likeness that is there.
    #[test]
    fn the_bound_holds() {
        let mut state = 3u32;
        let mut random = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1 << 23) as f32 - 1.0
        };
        let (mut denied, mut held) = (0, 0);
        for case in 0..300 {
            let count = 40 + case % 190;
            let mut re: Vec<f32> = (0..count).map(|_| random() * 0.02).collect();
            let mut im: Vec<f32> = (0..count).map(|_| random() * 0.02).collect();
            for echo in 0..case % 5 {
                let at = (echo * (11 + case % 37) + 5) % count;
                for k in at..(at + 6).min(count) {
                    (re[k], im[k]) = (re[k] + 1.0, im[k] + random());
                }
            }
            let envelope: Vec<f32> = re.iter().zip(&im).map(|(re, im)| (re * re + im * im).sqrt()).collect();
            let power = |part: std::ops::Range<usize>| part.map(|k| f64::from(envelope[k]) * f64::from(envelope[k])).sum::<f64>();
            for lag in 1..count / 3 {
                let lags = (lag, (lag + 4).min(count / 3));
                let highest = (lags.0..=lags.1)
                    .map(|lag| {
                        let with = correlation((&re[..count - lag], &im[..count - lag]), (&re[lag..], &im[lag..]));
                        (with.0 * with.0 + with.1 * with.1) / (power(0..count - lag) * power(lag..count))
                    })
                    .fold(0.0, f64::max);
                let mut energy = Energy::default();
                if energy.may_be_alike(&envelope, lags, 0.45) {
                    held += 1;
                } else {
                    denied += 1;
                    assert!(highest < 0.45, "likeness {highest} at lags {lags:?} of case {case} was denied");
                }
            }
        }
        assert!(denied > 500 && held > 500, "denied {denied}, held {held}");
    }
}
