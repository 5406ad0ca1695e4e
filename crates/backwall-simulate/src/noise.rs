//! Random numbers that are the same on every machine: xoshiro256++ and normal deviates from a ziggurat whose tables
//! are made with `libm` alone.

/// xoshiro256++ (D. Blackman, S. Vigna, "Scrambled linear pseudorandom number generators", ACM TOMS 47(4), 2021),
/// seeded by SplitMix64 as its authors advise.
#[derive(Debug, Clone)]
pub struct Random {
    state: [u64; 4],
}

/// One step of SplitMix64.
pub fn split_mix(seed: &mut u64) -> u64 {
    *seed = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *seed;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl Random {
    pub fn new(mut seed: u64) -> Self {
        Self { state: std::array::from_fn(|_| split_mix(&mut seed)) }
    }

    pub fn next(&mut self) -> u64 {
        let s = &mut self.state;
        let result = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        result
    }

    /// Evenly in 0 (excluded) to 1.
    pub fn uniform(&mut self) -> f64 {
        ((self.next() >> 11) + 1) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }
}

const LAYERS: usize = 256;
/// Where the tail begins and the area of a layer, for 256 layers (Marsaglia and Tsang, "The ziggurat method for
/// generating random variables", J. Statistical Software 5(8), 2000).
const TAIL: f64 = 3.654_152_885_361_009;
const AREA: f64 = 0.004_928_673_233_974_658;

/// Normal deviates of mean 0 and standard deviation 1.
#[derive(Debug, Clone)]
pub struct Normal {
    x: [f64; LAYERS + 1],
    f: [f64; LAYERS + 1],
}

impl Normal {
    pub fn new() -> Self {
        let density = |x: f64| libm::exp(-0.5 * x * x);
        let mut x = [0.0; LAYERS + 1];
        x[0] = AREA / density(TAIL);
        x[1] = TAIL;
        for layer in 2..LAYERS {
            let below = x[layer - 1];
            x[layer] = libm::sqrt(-2.0 * libm::log(AREA / below + density(below)));
        }
        Self { f: x.map(density), x }
    }

    pub fn draw(&self, random: &mut Random) -> f64 {
        loop {
            let bits = random.next();
            let layer = (bits & 0xff) as usize;
            let u = ((bits >> 11) as f64) * (2.0 / (1u64 << 53) as f64) - 1.0;
            let x = u * self.x[layer];
            if x.abs() < self.x[layer + 1] {
                return x;
            }
            if layer == 0 {
                return if u < 0.0 { -Self::tail(random) } else { Self::tail(random) };
            }
            let height = self.f[layer + 1] + (self.f[layer] - self.f[layer + 1]) * random.uniform();
            if height < libm::exp(-0.5 * x * x) {
                return x;
            }
        }
    }

    fn tail(random: &mut Random) -> f64 {
        loop {
            let x = -libm::log(random.uniform()) / TAIL;
            let y = -libm::log(random.uniform());
            if y + y >= x * x {
                return TAIL + x;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // First outputs of SplitMix64 from state 1234567, as published with the algorithm (S. Vigna, prng.di.unimi.it;
    // also the check values of the Rosetta Code task "Pseudo-random numbers/Splitmix64").
    #[test]
    fn split_mix_gives_its_published_numbers() {
        let mut seed = 1_234_567;
        assert_eq!(split_mix(&mut seed), 6_457_827_717_110_365_317);
        assert_eq!(split_mix(&mut seed), 3_203_168_211_198_807_973);
    }

    // Moments and tail shares of the normal distribution (any table: P(|x|>1) 0.3173, P(|x|>3) 0.0027, kurtosis 3).
    #[test]
    fn normal_deviates_have_the_normal_moments_and_tails() {
        let (normal, mut random) = (Normal::new(), Random::new(7));
        let n = 400_000;
        let (mut sum, mut square, mut fourth, mut one, mut three, mut four) = (0.0, 0.0, 0.0, 0, 0, 0);
        for _ in 0..n {
            let x = normal.draw(&mut random);
            sum += x;
            square += x * x;
            fourth += x * x * x * x;
            one += i32::from(x.abs() > 1.0);
            three += i32::from(x.abs() > 3.0);
            four += i32::from(x.abs() > 4.0);
        }
        let count = f64::from(n);
        assert!((sum / count).abs() < 0.006, "{}", sum / count);
        assert!((square / count - 1.0).abs() < 0.01, "{}", square / count);
        assert!((fourth / count - 3.0).abs() < 0.08, "{}", fourth / count);
        assert!((f64::from(one) / count - 0.3173).abs() < 0.003);
        assert!((f64::from(three) / count - 0.0027).abs() < 0.0004);
        assert!((8..60).contains(&four), "{four}: 25 expected beyond 4");
    }
}
