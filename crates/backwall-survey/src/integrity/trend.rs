//! A straight line through the walls of three or more surveys.

use super::rate::{DatedWall, Rate};
use super::worked::{FormulaSource, Refusal, Worked, WorkedAnswer};
use backwall_units::{Length, LossRate, Years};
use serde::Serialize;

const TREND: FormulaSource = FormulaSource::published(
    "UK HSE Research Report 016 (2002), 5.3.1, trend through repeated surveys; ordinary least squares with the usual standard errors",
);

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Trend {
    /// Positive where the wall becomes thinner.
    #[serde(rename = "slope_mm_y")]
    pub slope: LossRate,
    #[serde(rename = "slope_error_mm_y")]
    pub slope_error: LossRate,
    /// What the slope is worth, with the greater of what the scatter and what the surveys' own uncertainties make of it.
    pub rate: Rate,
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
pub fn regression(surveys: &[(Years, DatedWall)], required: Option<Length>) -> Result<WorkedAnswer<Trend>, Refusal> {
    let title = "Trend through the surveys";
    let count = surveys.len() as f64;
    if surveys.len() < 3 {
        return Err(Refusal::Conditions {
            title: title.to_owned(),
            why: vec![format!("a trend needs three surveys; there are {}", surveys.len())],
        });
    }
    if surveys.iter().any(|(time, wall)| !time.is_finite() || !wall.thickness.is_finite()) {
        return Err(Refusal::impossible(title, "a day or a thickness is not a number"));
    }
    let xs = || surveys.iter().map(|(time, _)| time.as_years());
    let ys = || surveys.iter().map(|(_, wall)| wall.thickness.as_mm());
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
    // Where every survey has its u: what that makes of the slope, should the walls lie on the line by chance.
    let own = surveys.iter().map(|(time, wall)| wall.uncertainty.map(|u| (time.as_years() - x) * u.as_mm())).collect::<Option<Vec<f64>>>();
    let own = own.map(|parts| libm::sqrt(parts.iter().map(|part| part * part).sum()) / sxx);
    let rate = Rate::judged(LossRate::mm_y(-slope), Some(LossRate::mm_y(own.unwrap_or_default().max(slope_error))));
    let trend = Trend {
        slope: LossRate::mm_y(-slope),
        slope_error: LossRate::mm_y(slope_error),
        rate,
        intercept: Length::mm(intercept),
        intercept_error: Length::mm(intercept_error),
        residual: Length::mm(residual),
        reaches,
    };
    let mut worked = Worked::new(title, "t = a + b years, least squares; s.e.(b) = s / (sum (x - mean x)^2)^0.5, s with n - 2", TREND);
    for (time, wall) in surveys {
        worked = worked.given("", format!("at {:.2} y", time.as_years()), wall.thickness.as_mm(), "mm");
    }
    worked = worked
        .gives("b", "slope", slope, "mm/y")
        .gives("", "its standard error", slope_error, "mm/y")
        .gives("a", "intercept", intercept, "mm")
        .gives("", "its standard error", intercept_error, "mm")
        .gives("s", "scatter about the line", residual, "mm");
    if let Some(own) = own {
        worked = worked.gives("", "standard uncertainty of the slope by the surveys' own u", own, "mm/y");
    }
    worked = rate.working(worked);
    if let (Some(required), Some(reaches)) = (required, reaches) {
        worked = worked.given("t_required", "required thickness", required.as_mm(), "mm").gives(
            "",
            "the line reaches it at",
            reaches.as_years(),
            "y",
        );
    }
    let worked = worked
        .caution_if(slope >= 0.0, "the line does not fall: it shows no loss")
        .caution_if(surveys.len() < 5, "with so few surveys the standard error itself is uncertain")
        .caution("a straight line beyond the last survey is an assumption");
    Ok(WorkedAnswer::new(trend, worked))
}
