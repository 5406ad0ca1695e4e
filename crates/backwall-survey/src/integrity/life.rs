//! What life a rate leaves, as an interval whose short end counts.

use super::decision::{ONE_SIDED, safe_end};
use super::rate::{DatedWall, RATES, Rate};
use super::worked::{Refusal, Worked, WorkedAnswer};
use backwall_units::{Length, LossRate, Years};
use serde::Serialize;

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Life {
    /// The short end (one-sided 95 %): what counts.
    #[serde(rename = "low_years")]
    pub low: Years,
    /// By the measured numbers themselves; `None` where there is only a bound of the rate.
    #[serde(rename = "middle_years")]
    pub middle: Option<Years>,
    /// The long end; `None` where the rate may be nothing.
    #[serde(rename = "high_years")]
    pub high: Option<Years>,
}

/// Years until the required thickness: (t_actual − t_required)/rate, between the limits of Fieller (one-sided 95 % each). The present
/// wall stands in thickness and rate alike: `covariance` is that of the two, −u²/years for a rate between two surveys.
pub fn remaining_life(actual: DatedWall, required: Length, rate: &Rate, covariance: f64) -> Result<WorkedAnswer<Life>, Refusal> {
    let title = "Remaining life";
    if !(actual.thickness.is_finite() && required.is_finite() && rate.upper.is_finite()) {
        return Err(Refusal::impossible(title, "an input is not a number"));
    }
    if rate.upper <= LossRate::ZERO {
        return Err(Refusal::impossible(title, "no loss was measured and no bound of it is known: no remaining life follows from that"));
    }
    let left = actual.thickness - required;
    let safe = safe_end(actual.thickness, actual.uncertainty) - required;
    let ends = rate.rate.filter(|rate| *rate > LossRate::ZERO).zip(rate.uncertainty.zip(actual.uncertainty));
    let middle = rate.rate.filter(|rate| *rate > LossRate::ZERO).map(|rate| (left / rate).max(Years::ZERO));
    let simple = (safe / rate.upper).max(Years::ZERO);
    let (low, high) = match ends {
        Some((rate, (u_rate, u_wall))) => {
            let (low, high) = fieller((left.as_mm(), u_wall.as_mm()), (rate.as_mm_y(), u_rate.as_mm_y()), covariance);
            (low.map_or(simple, Years::new), high.map(|high| Years::new(high.max(0.0))))
        }
        None => (simple, None),
    };
    let low = low.max(Years::ZERO);
    let value = Life { low, middle, high };
    let spent = safe <= Length::ZERO;
    let mut worked = Worked::new(
        title,
        "RL = (t_actual - t_required) / rate; its ends where (t_actual - t_required - RL rate)^2 = (1.645 u)^2, u that of the whole; without a rate or a U by (t_actual - 1.645 u - t_required) / (upper limit of the rate)",
        RATES,
    )
    .given("t_actual", "thickness now", actual.thickness.as_mm(), "mm")
    .given("t_required", "required thickness", required.as_mm(), "mm")
    .given("", "upper limit of the rate", rate.upper.as_mm_y(), "mm/y");
    if let Some(u) = actual.uncertainty {
        worked = worked.given("u", "of t_actual (k = 1)", u.as_mm(), "mm");
    }
    if let Some(rate) = rate.rate {
        worked = worked.given("rate", "controlling rate", rate.as_mm_y(), "mm/y");
    }
    if let Some(u) = rate.uncertainty {
        worked = worked.given("u", "of the rate (k = 1)", u.as_mm_y(), "mm/y");
    }
    worked = worked.gives("", "short end, which counts", low.as_years(), "y");
    if let Some(middle) = middle {
        worked = worked.gives("RL", "remaining life", middle.as_years(), "y");
    }
    if let Some(high) = high {
        worked = worked.gives("", "long end", high.as_years(), "y");
    }
    worked = worked
        .caution_if(left <= Length::ZERO, "the wall is at or below its required thickness now")
        .caution_if(spent && left > Length::ZERO, "the wall may be at its required thickness now: it lies within U")
        .caution_if(rate.uncertainty.is_none(), "U of the rate is not known: the short end holds that of the thickness alone")
        .caution_if(middle.is_none(), "by a bound of the rate, not by a rate: the life is at least this")
        .caution("by the minimum single reading; a thinned area of a tank shell is judged by its averages as well")
        .caution("the rate of the past is taken for the future: a change of service or coating makes it void");
    Ok(WorkedAnswer::new(value, worked))
}

/// The ends of a ratio a/b with standard uncertainties, one-sided 95 % each (Fieller 1954): the roots of
/// (a − L b)² = z² (u_a² + L² u_b² − 2 L cov). The upper one is `None` where b may be nothing.
pub fn fieller((a, u_a): (f64, f64), (b, u_b): (f64, f64), covariance: f64) -> (Option<f64>, Option<f64>) {
    let z2 = ONE_SIDED * ONE_SIDED;
    let (square, half, rest) = (b * b - z2 * u_b * u_b, a * b - z2 * covariance, a * a - z2 * u_a * u_a);
    let root = half * half - square * rest;
    if root < 0.0 || square <= 0.0 {
        // b is not known from nothing: only the short end is, where there is one.
        let low = if root >= 0.0 && square < 0.0 {
            [(half - libm::sqrt(root)) / square, (half + libm::sqrt(root)) / square]
        } else {
            [f64::NAN; 2]
        };
        return (low.into_iter().filter(|end| *end > 0.0).reduce(f64::min), None);
    }
    let root = libm::sqrt(root);
    (Some((half - root) / square), Some((half + root) / square))
}
