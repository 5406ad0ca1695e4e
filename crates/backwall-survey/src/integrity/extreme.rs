//! The minimum wall to expect where nobody scanned: Gumbel's distribution of minima, fitted to the least wall of each block
//! of a scanned line. It is given only where its conditions hold, and says which one does not.

use super::pivot::{factor, reduced};
use super::worked::{FormulaSource, Refusal, Worked, WorkedAnswer, positive};
use crate::strip::statistics::{deviation, mean};
use backwall_units::{Length, LengthUnit};
use serde::Serialize;

const GUMBEL: FormulaSource = FormulaSource::published(
    "Gumbel's distribution of minima with a return period (Shibata, J. Res. NIST 99, 327, 1994); conditions after UK HSE Research Report 016 (2002)",
);

/// Fewer block minima than this say nothing of a tail (common practice, no source; the five minima printed in HSE RR016 as
/// an example are far too few for a decision). With few, the limit lies far under the estimate, and the limit is what counts.
pub const LEAST_BLOCKS: usize = 10;
/// A surface of more blocks than this is out of reach of the method (optimum sampling study, Corros. Eng. Jpn 43(5) 258).
pub const MOST_BLOCKS: f64 = 500.0;
/// The same study wants this share of the surface scanned.
const ENOUGH_SHARE: f64 = 0.03;
/// Two-sided 5 % of the normal distribution.
const NORMAL_5: f64 = 1.959_964;
const EULER: f64 = 0.577_215_664_901_532_9;

/// F(t) = 1 − exp(−exp((t − location)/scale)).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Minima {
    pub location_mm: f64,
    pub scale_mm: f64,
}

impl Minima {
    /// By moments: scale = s·√6/π, location = mean + 0.5772·scale.
    pub fn by_moments(values: &[f64]) -> Option<Self> {
        let (mean, deviation) = (mean(values)?, deviation(values)?);
        let scale_mm = deviation * libm::sqrt(6.0) / std::f64::consts::PI;
        (scale_mm > 0.0).then_some(Self { location_mm: mean + EULER * scale_mm, scale_mm })
    }

    /// By greatest likelihood, which is better than moments for few values.
    pub fn by_likelihood(values: &[f64]) -> Option<Self> {
        let start = Self::by_moments(values)?.scale_mm;
        let greatest = values.iter().copied().fold(f64::MIN, f64::max);
        let mean = mean(values)?;
        // The scale is where b = Σ x·e^(x/b)/Σ e^(x/b) − mean; the right side falls less than the left rises.
        let excess = |scale: f64| {
            let (mut sum, mut weighted) = (0.0, 0.0);
            for value in values {
                let weight = libm::exp((value - greatest) / scale);
                sum += weight;
                weighted += value * weight;
            }
            scale - (weighted / sum - mean)
        };
        let (mut low, mut high) = (start * 1e-3, start * 1e3);
        if excess(low) > 0.0 || excess(high) < 0.0 {
            return None;
        }
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if excess(middle) < 0.0 { low = middle } else { high = middle }
        }
        let scale_mm = 0.5 * (low + high);
        let sum: f64 = values.iter().map(|value| libm::exp((value - greatest) / scale_mm)).sum();
        Some(Self { location_mm: greatest + scale_mm * libm::log(sum / values.len() as f64), scale_mm })
    }

    /// The chance that a block's least wall lies under `thickness`.
    pub fn chance_below(&self, thickness: Length) -> f64 {
        -libm::expm1(-libm::exp((thickness.as_mm() - self.location_mm) / self.scale_mm))
    }

    /// The wall that one block of `blocks` is expected to fall under: location + scale·ln(−ln(1 − 1/T)).
    pub fn return_level(&self, blocks: f64) -> Length {
        Length::mm(self.location_mm + self.scale_mm * libm::log(-libm::log1p(-1.0 / blocks)))
    }

    /// The standard error of the level of one block of `blocks`, from `values` values fitted by greatest likelihood:
    /// scale·√((1.1087 + 0.5140 y + 0.6079 y²)/n), y = −ln(−ln(1 − 1/T)).
    pub fn level_error(&self, blocks: f64, values: usize) -> Length {
        let y = reduced(blocks);
        Length::mm(self.scale_mm * libm::sqrt((1.1087 + 0.5140 * y + 0.6079 * y * y) / values as f64))
    }

    /// The distance of the values from this distribution, Anderson and Darling's A².
    pub fn anderson_darling(&self, values: &[f64]) -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let n = sorted.len();
        let reduced = |value: f64| (value - self.location_mm) / self.scale_mm;
        // ln F and ln (1 − F), each kept from rounding to 0 or 1.
        let below = |value: f64| libm::log(-libm::expm1(-libm::exp(reduced(value)))).max(-700.0);
        let above = |value: f64| -libm::exp(reduced(value));
        let sum: f64 = (0..n).map(|i| (2 * i + 1) as f64 * (below(sorted[i]) + above(sorted[n - 1 - i]))).sum();
        -(n as f64) - sum / n as f64
    }
}

/// Gumbel's distribution of maxima, as for pit depths: F(x) = exp(−exp(−(x − location)/scale)).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Maxima {
    pub location: f64,
    pub scale: f64,
}

impl Maxima {
    /// By greatest likelihood: the minima of the turned values.
    pub fn by_likelihood(values: &[f64]) -> Option<Self> {
        let turned: Vec<f64> = values.iter().map(|value| -value).collect();
        Minima::by_likelihood(&turned).map(|fit| Self { location: -fit.location_mm, scale: fit.scale_mm })
    }
    pub fn chance_below(&self, value: f64) -> f64 {
        libm::exp(-libm::exp(-(value - self.location) / self.scale))
    }
    /// The value with this chance of not being exceeded.
    pub fn quantile(&self, chance: f64) -> f64 {
        self.location - self.scale * libm::log(-libm::log(chance))
    }
}

/// The chance of at least one place under a limit on the whole surface, from that of the inspected part:
/// 1 − (1 − p)^(A_total/A_inspected).
pub fn whole_surface(chance: f64, ratio: f64) -> f64 {
    -libm::expm1(ratio * libm::log1p(-chance.clamp(0.0, 1.0)))
}

/// Blocks of one line: least walls in order of place, and what surface one block stands for.
#[derive(Debug, Clone, PartialEq)]
pub struct Blocks {
    pub minima: Vec<Length>,
    pub block_length: Length,
    /// Blocks with too little read in them, left out.
    pub left_out: usize,
}

/// A block counts when so much of it has been read.
const READ_SHARE: f64 = 0.8;

impl Blocks {
    /// Cuts readings (place, thickness) from `from` to `to` into blocks of `length`; what remains at the end is left out.
    /// Of each block that was read at 80 % of its millimetres, or as densely as `spacing` allows, the least counts.
    pub fn of(readings: &[(Length, Length)], (from, to): (Length, Length), length: Length, spacing: Length) -> Self {
        let none = Self { minima: Vec::new(), block_length: length, left_out: 0 };
        let whole = ((to - from) / length).floor();
        if !((1.0..2e4).contains(&whole) && length > Length::ZERO && spacing > Length::ZERO) {
            return none;
        }
        let cells = (length / spacing).floor().clamp(1.0, 1e6);
        let mut least: Vec<Option<Length>> = vec![None; whole as usize];
        let mut read = vec![std::collections::HashSet::new(); whole as usize];
        for (along, wall) in readings.iter().filter(|(along, wall)| along.is_finite() && wall.is_finite() && *along >= from) {
            let place = (*along - from) / length;
            let index = place.floor() as usize;
            if index < least.len() {
                least[index] = Some(least[index].map_or(*wall, |known| known.min(*wall)));
                read[index].insert((place.fract() * cells) as u32);
            }
        }
        let full = |index: &usize| read[*index].len() as f64 >= READ_SHARE * cells;
        let minima: Vec<Length> = (0..least.len()).filter(full).filter_map(|index| least[index]).collect();
        Self { left_out: least.len() - minima.len(), minima, ..none }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Expected {
    pub fit: Minima,
    /// How many blocks the whole surface makes.
    pub blocks: f64,
    #[serde(rename = "minimum_mm")]
    pub least: Length,
    /// The one-sided 95 % limit under it: what counts.
    #[serde(rename = "minimum_low_mm")]
    pub low: Length,
}

/// The minimum wall to expect on a surface of `surface_mm2`, from the blocks of a line that reads `track` wide.
/// Words are in `unit`.
pub fn least_expected(blocks: &Blocks, track: Length, surface_mm2: f64, unit: LengthUnit) -> Result<WorkedAnswer<Expected>, Refusal> {
    let title = "Minimum wall to expect on the whole surface";
    positive(title, "block length", blocks.block_length.as_mm())?;
    positive(title, "width of the track", track.as_mm())?;
    positive(title, "surface", surface_mm2)?;
    let values: Vec<f64> = blocks.minima.iter().map(|wall| wall.as_mm()).collect();
    let block_mm2 = blocks.block_length.as_mm() * track.as_mm();
    let ratio = surface_mm2 / block_mm2;
    let mut why = Vec::new();
    if values.len() < LEAST_BLOCKS {
        why.push(format!("{} blocks with a minimum wall, and {LEAST_BLOCKS} are wanted", values.len()));
    }
    let fit = Minima::by_likelihood(&values);
    match fit {
        None => why.push("the minima of the blocks do not vary".to_owned()),
        Some(fit) if values.len() >= LEAST_BLOCKS => why.extend(broken_conditions(&values, fit)),
        Some(_) => {}
    }
    if ratio > MOST_BLOCKS {
        let reach = unit.area(MOST_BLOCKS * block_mm2 / 1e6);
        why.push(format!("the surface makes {} blocks, and more than {MOST_BLOCKS} ({reach}) is out of reach", ratio.round()));
    }
    let blocks_total = ratio.max(values.len() as f64);
    let (true, Some(fit), Some(factor)) = (why.is_empty(), fit, factor(values.len(), blocks_total)) else {
        return Err(Refusal::Conditions { title: title.to_owned(), why });
    };
    let least = fit.return_level(blocks_total);
    let low = least - Length::mm(factor * fit.scale_mm);
    let share = values.len() as f64 / blocks_total;
    let worked = Worked::new(title, "t_T = location + scale ln(-ln(1 - 1/T)), T = A_total / A_block; limit = t_T - K scale", GUMBEL)
        .given("n", "blocks", values.len() as f64, "")
        .given("", "block length", blocks.block_length.as_mm(), "mm")
        .given("", "width of the track", track.as_mm(), "mm")
        .given("A_total", "surface", surface_mm2 / 1e6, "m2")
        .given("T", "return period", blocks_total, "blocks")
        .gives("", "location", fit.location_mm, "mm")
        .gives("", "scale", fit.scale_mm, "mm")
        .given("K", "factor of the one-sided 95 % limit for n and T", factor, "")
        .gives("t_T", "minimum wall to expect", least.as_mm(), "mm")
        .gives("", "its standard error", fit.level_error(blocks_total, values.len()).as_mm(), "mm")
        .gives("", "lower limit, one-sided 95 %", low.as_mm(), "mm")
        .caution_if(low <= Length::ZERO, "a limit of nothing or less: the blocks are too few or too uneven to exclude a hole")
        .caution_if(share < ENOUGH_SHARE, "less than 3 % of the surface is scanned")
        .caution_if(blocks.left_out > 0, format!("{} blocks with too little read in them are left out", blocks.left_out))
        .caution("the limit is of the estimate, not of the wall: about two surfaces of three have a place thinner than the level itself")
        .caution("only for wall of the same material, age and service as the line: not for splash zone, interface, vapour space or dead legs it did not cross");
    Ok(WorkedAnswer::new(Expected { fit, blocks: blocks_total, least, low }, worked))
}

/// Which of the conditions of the method the block minima break.
fn broken_conditions(values: &[f64], fit: Minima) -> Vec<String> {
    let mut why = Vec::new();
    let n = values.len() as f64;
    // Neighbouring blocks must not resemble each other: lag-1 autocorrelation within ±1.96/√n (Box and Jenkins).
    let (resemblance, limit) = (lag_one(values), NORMAL_5 / libm::sqrt(n));
    if resemblance.abs() > limit {
        why.push(format!("neighbouring blocks are not independent (correlation {resemblance:.2}, limit {limit:.2}): take longer blocks"));
    }
    // The wall must be of one kind along the line: Mann (1945) and Kendall's test for a trend.
    let z = mann_kendall(values);
    if z.abs() > NORMAL_5 {
        why.push(format!("the wall changes along the line (Mann-Kendall z {z:.2}, limit {NORMAL_5:.2}): it is not one population"));
    }
    // The distribution must fit: Anderson-Darling with both parameters fitted, 5 % (Stephens 1977).
    let (distance, limit) = (fit.anderson_darling(values), 0.757 / (1.0 + 0.2 / libm::sqrt(n)));
    if distance > limit {
        why.push(format!("the minima do not follow the distribution (Anderson-Darling {distance:.3}, limit {limit:.3})"));
    }
    why
}

/// The correlation of each value with the next.
pub fn lag_one(values: &[f64]) -> f64 {
    let Some(mean) = mean(values) else { return 0.0 };
    let all: f64 = values.iter().map(|value| (value - mean) * (value - mean)).sum();
    let next: f64 = values.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    if all > 0.0 { next / all } else { 0.0 }
}

/// The normal score of Kendall's S against the order of the values, with ties and the continuity correction.
pub fn mann_kendall(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mut s = 0.0;
    for (index, value) in values.iter().enumerate() {
        for later in &values[index + 1..] {
            s += f64::from(i8::from(later > value) - i8::from(later < value));
        }
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let spread = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let ties: f64 = sorted.chunk_by(|a, b| a == b).map(|tied| spread(tied.len() as f64)).sum();
    let variance = (spread(n) - ties) / 18.0;
    if variance <= 0.0 || s == 0.0 { 0.0 } else { (s - f64::signum(s)) / libm::sqrt(variance) }
}
