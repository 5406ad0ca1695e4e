//! A straight line through the walls of three or more surveys.

use super::worked::{Answer, Refusal, Source, Worked};
use backwall_units::{Length, LossRate, Years};
use serde::Serialize;

const TREND: Source = Source::published(
    "UK HSE Research Report 016 (2002), 5.3.1, trend through repeated surveys; ordinary least squares with the usual standard errors",
);

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Trend {
    /// Positive where the wall becomes thinner.
    #[serde(rename = "rate_mm_y")]
    pub rate: LossRate,
    #[serde(rename = "rate_error_mm_y")]
    pub rate_error: LossRate,
    /// The line at time 0.
    #[serde(rename = "intercept_mm")]
    pub intercept: Length,
    #[serde(rename = "intercept_error_mm")]
    pub intercept_error: Length,
    /// Standard deviation of the walls about the line, n − 2.
    #[serde(rename = "residual_mm")]
    pub residual: Length,
    /// When the line reaches the required thickness, on the same time as the inputs.
    #[serde(rename = "reaches_years")]
    pub reaches: Option<Years>,
}

/// Fits a line through (time, thickness); `required` asks when the line reaches it.
pub fn regression(surveys: &[(Years, Length)], required: Option<Length>) -> Result<Answer<Trend>, Refusal> {
    let title = "Trend through the surveys";
    let count = surveys.len() as f64;
    if surveys.len() < 3 {
        return Err(Refusal::Conditions {
            title: title.to_owned(),
            why: vec![format!("a trend needs three surveys; there are {}", surveys.len())],
        });
    }
    if surveys.iter().any(|(time, wall)| !time.is_finite() || !wall.is_finite()) {
        return Err(Refusal::impossible(title, "a day or a thickness is not a number"));
    }
    let xs = || surveys.iter().map(|(time, _)| time.as_years());
    let ys = || surveys.iter().map(|(_, wall)| wall.as_mm());
    let (x, y) = (xs().sum::<f64>() / count, ys().sum::<f64>() / count);
    let sxx: f64 = xs().map(|value| (value - x) * (value - x)).sum();
    if sxx <= 1e-6 {
        return Err(Refusal::impossible(title, "all surveys are of the same day"));
    }
    let slope = xs().zip(ys()).map(|(time, wall)| (time - x) * (wall - y)).sum::<f64>() / sxx;
    let intercept = y - slope * x;
    let squares: f64 = xs().zip(ys()).map(|(time, wall)| wall - intercept - slope * time).map(|rest| rest * rest).sum();
    let residual = libm::sqrt(squares / (count - 2.0));
    let slope_error = residual / libm::sqrt(sxx);
    let intercept_error = residual * libm::sqrt(1.0 / count + x * x / sxx);
    let reaches = required
        .filter(|_| slope < 0.0)
        .map(|required| Years::new((required.as_mm() - intercept) / slope))
        .filter(|years| years.is_finite());
    let trend = Trend {
        rate: LossRate::mm_y(-slope),
        rate_error: LossRate::mm_y(slope_error),
        intercept: Length::mm(intercept),
        intercept_error: Length::mm(intercept_error),
        residual: Length::mm(residual),
        reaches,
    };
    let mut worked = Worked::new(title, "t = a + b years, least squares; s.e.(b) = s / (sum (x - mean x)^2)^0.5, s with n - 2", TREND);
    for (time, wall) in surveys {
        worked = worked.given("", format!("at {:.2} y", time.as_years()), wall.as_mm(), "mm");
    }
    worked = worked
        .gives("b", "slope", slope, "mm/y")
        .gives("", "its standard error", slope_error, "mm/y")
        .gives("a", "intercept", intercept, "mm")
        .gives("", "its standard error", intercept_error, "mm")
        .gives("s", "scatter about the line", residual, "mm");
    if let (Some(required), Some(reaches)) = (required, reaches) {
        worked = worked.given("t_required", "required thickness", required.as_mm(), "mm").gives(
            "",
            "the line reaches it at",
            reaches.as_years(),
            "y",
        );
    }
    let worked = worked
        .caution_if(slope >= 0.0, "the line does not fall: no loss can be drawn from it")
        .caution_if(slope < 0.0 && -slope < 2.0 * slope_error, "the slope is smaller than twice its standard error: it may be none")
        .caution_if(surveys.len() < 5, "with so few surveys the standard error itself is uncertain")
        .caution("a straight line beyond the last survey is an assumption");
    Ok(Answer::new(trend, worked))
}
