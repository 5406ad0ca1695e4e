//! How far an earlier survey's positions lie from the present ones, found by laying its thickness profile over the
//! present one. Where the profiles have too little shape in common, or fit in more than one place, no offset is named.
//!
//! Both profiles are medians in steps of distance, with a moving mean taken off so that course steps and slow trends do
//! not decide. Their correlation coefficient is taken at every shift, and tested by Fisher's transform with the number of
//! independent steps that Bartlett's formula (1935) leaves of profiles that resemble themselves from step to step.

use super::{CompareSettings, FURTHEST_MM, Point};
use crate::strip::statistics::quantile;
use backwall_units::Length;
use serde::Serialize;
use std::collections::BTreeMap;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// One shift fits, and clearly better than any other.
    Found,
    /// More than one shift fits about as well.
    Ambiguous,
    /// No shift fits better than chance: flat walls, or not the same wall.
    NoShape,
    /// The earlier profile fits turned end for end.
    Reversed,
    /// Too little wall that both surveys read.
    TooShort,
}

/// A shift and the correlation coefficient there.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OffsetFit {
    #[serde(rename = "offset_mm")]
    pub offset: Length,
    pub correlation: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alignment {
    pub verdict: Verdict,
    /// What to add to the earlier positions; only where one was found, to the step.
    #[serde(rename = "offset_mm")]
    pub offset: Option<Length>,
    /// The best fit, believed or not, and the best one elsewhere.
    pub best: Option<OffsetFit>,
    pub runner_up: Option<OffsetFit>,
    /// The correlation with nothing shifted.
    pub unshifted: Option<f64>,
    /// For the operator.
    pub why: String,
}

/// So many steps must overlap, and half of the shorter survey.
const LEAST_STEPS: usize = 20;
/// Slower changes than this do not decide.
const TREND: Length = Length::mm(500.0);
/// A fit counts at this many standard deviations: some hundred shifts are tried, and one in a million would pass by chance.
const SIGNIFICANT: f64 = 5.0;
const LEAST_CORRELATION: f64 = 0.4;
/// Beyond this many steps a profile without its trend does not resemble itself.
const FURTHEST_LAG: usize = 500;
/// A fit elsewhere with this part of the best one's correlation makes the best one doubtful.
const RIVAL: f64 = 0.8;

/// Finds the offset of `earlier` against `now`.
pub fn align(now: &[Point], earlier: &[Point], settings: &CompareSettings) -> Alignment {
    let (now, earlier) = (WallProfile::of(now, settings.step), WallProfile::of(earlier, settings.step));
    let reach = (settings.search / settings.step).clamp(1.0, 1e5) as i64;
    let fits = now.fits(&earlier, reach);
    let Some(best) = strongest(&fits) else {
        return nothing(Verdict::TooShort, "the two surveys read too little of the same wall to find an offset".to_owned());
    };
    let fit = |shift: &Shift| OffsetFit { offset: settings.step * shift.steps as f64, correlation: shift.correlation };
    let unshifted = fits.iter().find(|shift| shift.steps == 0).map(|shift| shift.correlation);
    let rival = strongest_elsewhere(&fits, best);
    let said = |verdict, why| Alignment {
        verdict,
        offset: (verdict == Verdict::Found).then_some(settings.step * best.steps as f64),
        best: Some(fit(best)),
        runner_up: rival.map(fit),
        unshifted,
        why,
    };
    let turned = now.fits(&earlier.reversed(), reach + (now.first - earlier.first).abs());
    if let Some(turned) = strongest(&turned)
        && turned.counts()
        && turned.correlation > best.correlation + 0.2
    {
        let why = format!(
            "the earlier survey fits turned end for end (correlation {:.2}, {:.2} as it is): check its direction and its datum",
            turned.correlation, best.correlation
        );
        return said(Verdict::Reversed, why);
    }
    if !best.counts() {
        let why = format!("no offset fits better than chance (best correlation {:.2}): flat walls, or not the same wall", best.correlation);
        return said(Verdict::NoShape, why);
    }
    let offset = |shift: &Shift| settings.unit.offset(settings.step * shift.steps as f64);
    if let Some(rival) = rival.filter(|rival| rival.correlation >= RIVAL * best.correlation) {
        let why = format!(
            "offsets of {} and {} fit about as well (correlation {:.2} and {:.2})",
            offset(best),
            offset(rival),
            best.correlation,
            rival.correlation
        );
        return said(Verdict::Ambiguous, why);
    }
    if fits.first() == Some(best) || fits.last() == Some(best) {
        let why = format!("the best fit is at the end of the search, {}: the true offset may lie beyond", offset(best));
        return said(Verdict::Ambiguous, why);
    }
    let why = format!(
        "{} added to the earlier positions fits best (correlation {:.2} over {} steps of {})",
        offset(best),
        best.correlation,
        best.count,
        settings.unit.offset(settings.step).trim_start_matches('+')
    );
    said(Verdict::Found, why)
}

fn nothing(verdict: Verdict, why: String) -> Alignment {
    Alignment { verdict, offset: None, best: None, runner_up: None, unshifted: None, why }
}

/// The profiles laid over each other with one shift.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Shift {
    steps: i64,
    correlation: f64,
    /// Steps that both have.
    count: usize,
    /// The correlation in standard deviations of chance.
    deviations: f64,
}

impl Shift {
    fn counts(&self) -> bool {
        self.correlation >= LEAST_CORRELATION && self.deviations >= SIGNIFICANT
    }
}

fn strongest(fits: &[Shift]) -> Option<&Shift> {
    fits.iter().max_by(|a, b| a.correlation.total_cmp(&b.correlation))
}

/// The strongest fit outside the hill of the best one, which ends where it has fallen to half.
fn strongest_elsewhere<'a>(fits: &'a [Shift], best: &Shift) -> Option<&'a Shift> {
    let at = fits.iter().position(|shift| shift.steps == best.steps)?;
    let low = |shift: &Shift| shift.correlation < best.correlation / 2.0;
    let before = fits[..at].iter().rposition(low).unwrap_or(0);
    let after = fits[at..].iter().position(low).map_or(fits.len(), |ahead| at + ahead);
    fits[..before].iter().chain(&fits[after..]).max_by(|a, b| a.correlation.total_cmp(&b.correlation))
}

/// Thickness by step of distance, less its moving mean.
struct WallProfile {
    first: i64,
    values: Vec<Option<f64>>,
}

impl WallProfile {
    fn of(points: &[Point], step: Length) -> Self {
        let mut steps: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        let fit = |point: &&Point| point.along.is_finite() && point.along.as_mm().abs() <= FURTHEST_MM && point.thickness.is_finite();
        for point in points.iter().filter(fit) {
            steps.entry((point.along / step).floor() as i64).or_default().push(point.thickness.as_mm());
        }
        let (first, last) = match (steps.keys().next(), steps.keys().next_back()) {
            (Some(first), Some(last)) => (*first, *last),
            _ => return Self { first: 0, values: Vec::new() },
        };
        let mut values = vec![None; (last - first + 1) as usize];
        for (index, mut found) in steps {
            found.sort_by(f64::total_cmp);
            values[(index - first) as usize] = quantile(&found, 0.5);
        }
        let values = without_trend(&values, ((TREND / step / 2.0).ceil() as usize).max(1));
        Self { first, values }
    }

    /// Turned end for end about its own middle.
    fn reversed(&self) -> Self {
        Self { first: self.first, values: self.values.iter().rev().copied().collect() }
    }

    fn get(&self, index: i64) -> Option<f64> {
        usize::try_from(index - self.first).ok().and_then(|index| self.values.get(index).copied().flatten())
    }

    fn known(&self) -> usize {
        self.values.iter().flatten().count()
    }

    /// How much the profile resembles itself `lag` steps on.
    fn resemblance(&self, lag: usize) -> f64 {
        let pairs = self.values.iter().zip(self.values.iter().skip(lag)).filter_map(|(a, b)| a.zip(*b));
        correlation(pairs).map_or(0.0, |(correlation, _)| correlation)
    }

    /// Which part of the steps two profiles share is independent: 1 / (1 + 2 Σ ρ₁(k) ρ₂(k)), summed while both resemble
    /// themselves.
    fn independent(&self, other: &Self) -> f64 {
        let lags = 1..self.values.len().min(other.values.len()).min(FURTHEST_LAG);
        let shared = lags.map(|lag| (self.resemblance(lag), other.resemblance(lag))).take_while(|(a, b)| *a > 0.0 && *b > 0.0);
        1.0 / (1.0 + 2.0 * shared.map(|(a, b)| a * b).sum::<f64>())
    }

    /// The correlation at every shift up to `reach` each way that leaves enough overlap.
    fn fits(&self, earlier: &Self, reach: i64) -> Vec<Shift> {
        let least = LEAST_STEPS.max(self.known().min(earlier.known()) / 2);
        let independent = self.independent(earlier);
        (-reach..=reach)
            .filter_map(|steps| {
                let mine = self.values.iter().zip(self.first..);
                let pairs = mine.filter_map(|(value, index)| value.zip(earlier.get(index - steps)));
                let (correlation, count) = correlation(pairs)?;
                let freedom = count as f64 * independent - 3.0;
                let deviations = if freedom > 0.0 { libm::atanh(correlation.min(0.999_999)) * freedom.sqrt() } else { 0.0 };
                (count >= least).then_some(Shift { steps, correlation, count, deviations })
            })
            .collect()
    }
}

/// Takes the mean over `half` steps each way off every value; steps without a value have no part in it.
fn without_trend(values: &[Option<f64>], half: usize) -> Vec<Option<f64>> {
    let mut sums = vec![(0.0, 0usize)];
    for value in values {
        let (sum, count) = sums[sums.len() - 1];
        sums.push(value.map_or((sum, count), |value| (sum + value, count + 1)));
    }
    let off = |(index, value): (usize, &Option<f64>)| {
        let ((low, before), (high, after)) = (sums[index.saturating_sub(half)], sums[(index + half + 1).min(values.len())]);
        value.map(|value| value - (high - low) / (after - before).max(1) as f64)
    };
    values.iter().enumerate().map(off).collect()
}

/// Pearson's coefficient and the number of pairs; `None` where one side does not vary.
fn correlation(pairs: impl Iterator<Item = (f64, f64)>) -> Option<(f64, usize)> {
    let (mut n, mut mean_a, mut mean_b, mut aa, mut bb, mut ab) = (0usize, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (a, b) in pairs {
        n += 1;
        let (da, db) = (a - mean_a, b - mean_b);
        mean_a += da / n as f64;
        mean_b += db / n as f64;
        aa += da * (a - mean_a);
        bb += db * (b - mean_b);
        ab += da * (b - mean_b);
    }
    // Less than a hundredth of a micrometre of variation is rounding.
    let varies = |squares: f64| squares > n as f64 * 1e-10;
    (varies(aa) && varies(bb)).then(|| (ab / (aa * bb).sqrt(), n))
}
