//! Logarithm, exponential, sine and cosine, arc tangent for every shot: short polynomials and small tables, so that they cost a third of
//! a library's. Nothing but additions, multiplications and divisions in a fixed order: the same bits on every processor. What they may be
//! off by, some 1e-15, is nothing beside what is made of them.

use std::f64::consts::{FRAC_PI_2, LN_2};

/// Entries of each table.
const ENTRIES: usize = 64;
const LOGS: [(f64, f64); ENTRIES] = logs();
const POWERS: [f64; ENTRIES] = powers();
const ANGLES: [f64; ENTRIES / 2 + 1] = angles();

/// Reciprocals of the middles of even steps from one to two, and what their logarithms are with the sign turned.
const fn logs() -> [(f64, f64); ENTRIES] {
    let mut table = [(0.0, 0.0); ENTRIES];
    let mut k = 0;
    while k < ENTRIES {
        let reciprocal = 1.0 / (1.0 + (k as f64 + 0.5) / ENTRIES as f64);
        table[k] = (reciprocal, -2.0 * series((reciprocal - 1.0) / (reciprocal + 1.0), 1.0));
        k += 1;
    }
    table
}

/// `s + s^3/3 + s^5/5 ...`, half the logarithm of `(1 + s) / (1 - s)`; with the sign -1 every second term is taken off, which gives the
/// arc tangent (textbook). Sums the small terms first.
const fn series(s: f64, sign: f64) -> f64 {
    let mut sum = 0.0;
    let mut n = 79;
    while n > 0 {
        sum = sum * s * s * sign + 1.0 / n as f64;
        n -= 2;
    }
    sum * s
}

/// Two to the power of even steps from nought to one.
const fn powers() -> [f64; ENTRIES] {
    let mut table = [0.0; ENTRIES];
    let mut k = 0;
    while k < ENTRIES {
        let x = k as f64 / ENTRIES as f64 * LN_2;
        let (mut sum, mut n) = (0.0, 24);
        while n > 0 {
            sum = (sum + 1.0) * x / n as f64;
            n -= 1;
        }
        table[k] = sum + 1.0;
        k += 1;
    }
    table
}

/// Arc tangents of even steps from nought to one.
const fn angles() -> [f64; ENTRIES / 2 + 1] {
    let mut table = [0.0; ENTRIES / 2 + 1];
    let mut k = 0;
    while k < table.len() {
        let t = k as f64 / (ENTRIES / 2) as f64;
        // Twice halved: t = tan a, tan(a/2) = t / (1 + sqrt(1 + t t)); the root by Newton's method, which constants have to do by hand.
        table[k] = 4.0 * series(half_tangent(half_tangent(t)), -1.0);
        k += 1;
    }
    table
}

const fn half_tangent(t: f64) -> f64 {
    let square = 1.0 + t * t;
    let (mut root, mut n) = (1.2, 0);
    while n < 8 {
        root = 0.5 * (root + square / root);
        n += 1;
    }
    t / (1.0 + root)
}

/// The natural logarithm of a normal positive number.
#[inline]
pub fn ln(x: f64) -> f64 {
    let bits = x.to_bits();
    let exponent = (bits >> 52) as i64 - 1023;
    let mantissa = f64::from_bits(bits & ((1 << 52) - 1) | 1023 << 52);
    let (reciprocal, log) = LOGS[(bits >> 46) as usize % ENTRIES];
    let r = mantissa * reciprocal - 1.0;
    let square = r * r;
    let tail = (1.0 / 3.0 - r * 0.25) + square * ((0.2 - r * (1.0 / 6.0)) + square * (1.0 / 7.0));
    exponent as f64 * LN_2 + (log + (r + square * (r * tail - 0.5)))
}

/// The exponential of a number that is not beyond a few hundred.
#[inline]
pub fn exp(x: f64) -> f64 {
    // The logarithm of two in a part that whole numbers multiply exactly, and the rest.
    const HIGH: f64 = 6.931_471_803_691_238e-1 / ENTRIES as f64;
    const LOW: f64 = 1.908_214_929_270_587_7e-10 / ENTRIES as f64;
    let x = x.clamp(-700.0, 700.0);
    let steps = whole(x * (ENTRIES as f64 / LN_2));
    let r = (x - steps as f64 * HIGH) - steps as f64 * LOW;
    let power = f64::from_bits(((steps.div_euclid(ENTRIES as i64) + 1023) as u64) << 52);
    let grown = r + r * r * ((0.5 + r * (1.0 / 6.0)) + r * r * (1.0 / 24.0 + r * (1.0 / 120.0)));
    let table = POWERS[steps.rem_euclid(ENTRIES as i64) as usize];
    power * (table + table * grown)
}

/// Sine and cosine of some turns at most.
#[inline]
pub fn sincos(x: f64) -> (f64, f64) {
    // What a quarter of a turn is more than its nearest number.
    const REST: f64 = 6.123_233_995_736_766e-17;
    let quarters = whole(x * (1.0 / FRAC_PI_2));
    let r = (x - quarters as f64 * FRAC_PI_2) - quarters as f64 * REST;
    let s = r * r;
    let sin = r + r * s * polynomial(s, [-6.0, 120.0, -5040.0, 362_880.0, -39_916_800.0, 6_227_020_800.0, -1_307_674_368_000.0]);
    let cos = 1.0 - 0.5 * s + s * s * polynomial(s, [24.0, -720.0, 40_320.0, -3_628_800.0, 479_001_600.0, -87_178_291_200.0]);
    match quarters & 3 {
        0 => (sin, cos),
        1 => (cos, -sin),
        2 => (-sin, -cos),
        _ => (-cos, sin),
    }
}

/// A polynomial whose coefficients are one over these numbers.
#[inline(always)]
fn polynomial<const COUNT: usize>(x: f64, below: [f64; COUNT]) -> f64 {
    below.iter().rev().fold(0.0, |sum, below| sum * x + 1.0 / below)
}

/// The nearest whole number.
#[inline]
fn whole(x: f64) -> i64 {
    (x + 0.5f64.copysign(x)) as i64
}

/// The angle of a point, as `f64::atan2` has it.
#[inline]
pub fn atan2(y: f64, x: f64) -> f64 {
    use std::f64::consts::PI;
    let (far, near) = (x.abs().max(y.abs()), x.abs().min(y.abs()));
    if !(1e-30..1e30).contains(&far) || (x + y).is_nan() {
        return libm::atan2(y, x);
    }
    // A guess picks the entry; what is left of the angle is exact whatever it picks.
    let entry = ((near as f32 / far as f32) * (ENTRIES / 2) as f32 + 0.5) as usize % ANGLES.len();
    let slope = entry as f64 * (2.0 / ENTRIES as f64);
    let r = (near - slope * far) / (far + slope * near);
    let s = r * r;
    let rest = r + r * s * (-1.0 / 3.0 + s * (0.2 + s * (-1.0 / 7.0 + s * (1.0 / 9.0))));
    let within = ANGLES[entry] + rest;
    let quadrant = if y.abs() > x.abs() { FRAC_PI_2 - within } else { within };
    (if x < 0.0 { PI - quadrant } else { quadrant }).copysign(y)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against libm, whose errors stay under one unit in the last place.
    #[test]
    fn they_agree_with_the_library() {
        let near = |got: f64, want: f64, part: f64, what: &str| assert!((got - want).abs() <= part, "{what}: {got} for {want}");
        for k in 0..200_000 {
            let u = f64::from(k) / 200_000.0;
            let x = libm::exp(60.0 * u - 30.0);
            near(ln(x), libm::log(x), 1e-15 * libm::log(x).abs().max(1.0), "logarithm");
            let x = 80.0 * u - 40.0;
            near(exp(x), libm::exp(x), 1e-15 * libm::exp(x), "exponential");
            let ((sin, cos), (want_sin, want_cos)) = (sincos(x), libm::sincos(x));
            near(sin, want_sin, 5e-15, "sine");
            near(cos, want_cos, 5e-15, "cosine");
            let size = libm::exp(40.0 * libm::sin(x) - 10.0);
            near(atan2(size * want_sin, size * want_cos), libm::atan2(size * want_sin, size * want_cos), 1e-15, "arc tangent");
        }
        for (y, x) in
            [(0.0, 0.0), (0.0, -1.0), (-0.0, -1.0), (1.0, 0.0), (-1.0, 0.0), (3.0, 3.0), (f64::MIN_POSITIVE, 1.0), (1.0, f64::INFINITY)]
        {
            near(atan2(y, x), libm::atan2(y, x), 1e-15, "arc tangent");
        }
        assert!(atan2(f64::NAN, 1.0).is_nan() && sincos(f64::NAN).0.is_nan() && exp(f64::NAN).is_nan());
    }
}
