//! How fast a wall goes, and how surely: long- and short-term rate, each with its uncertainty. No change is no rate: it is a bound.

use super::decision::ONE_SIDED;
use super::worked::{FormulaSource, Refusal, Worked, WorkedAnswer};
use backwall_units::{Length, LossRate, Years};
use chrono::{Months, NaiveDate};
use serde::Serialize;

pub(super) const RATES: FormulaSource =
    FormulaSource::published("API 570 7.1 and API 510 7.1, long- and short-term corrosion rate and remaining life");

/// The convention of every span of time here.
pub const DATE_CONVENTION: &str = "years are days / 365.25; keys that count months as twelfths differ in the third figure";

/// The time from one day to another; negative where the second is earlier.
pub fn years_between(from: NaiveDate, to: NaiveDate) -> Years {
    Years::new((to - from).num_days() as f64 / 365.25)
}

/// A day so many years on: whole years by the calendar, the rest in days, never rounded up. `None` beyond the calendar.
pub fn date_after(from: NaiveDate, time: Years) -> Option<NaiveDate> {
    let years = time.as_years();
    if !(0.0..=5000.0).contains(&years) {
        return None;
    }
    let whole = years.floor();
    let days = ((years - whole) * 365.25).floor() as u64;
    from.checked_add_months(Months::new(whole as u32 * 12))?.checked_add_days(chrono::Days::new(days))
}

/// Which two states a rate lies between.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Term {
    /// Since the wall was new.
    Long,
    /// Since the last survey.
    Short,
}

/// A wall once, with its standard uncertainty (k = 1) where one is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DatedWall {
    pub thickness: Length,
    pub uncertainty: Option<Length>,
}

impl DatedWall {
    pub const fn of(thickness: Length) -> Self {
        Self { thickness, uncertainty: None }
    }
}

/// How fast a wall went, and what is known of that.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rate {
    /// What counts as a rate, never less than 0. `None` where nothing changed by more than U: then only `upper` is known.
    #[serde(rename = "rate_mm_y")]
    pub rate: Option<LossRate>,
    /// What the numbers give; negative where the later wall reads thicker.
    #[serde(rename = "measured_mm_y")]
    pub measured: LossRate,
    /// Standard uncertainty (k = 1), where all of it is known.
    #[serde(rename = "uncertainty_mm_y")]
    pub uncertainty: Option<LossRate>,
    /// The rate is not above this (one-sided 95 %): the safe end. Without an uncertainty the rate itself.
    #[serde(rename = "upper_mm_y")]
    pub upper: LossRate,
}

impl Rate {
    /// What `measured` is worth with this standard uncertainty: a rate where it is a loss beyond U (k = 2), else a bound.
    pub fn judged(measured: LossRate, uncertainty: Option<LossRate>) -> Self {
        let loss = measured.max(LossRate::ZERO);
        match uncertainty {
            None => Self { rate: Some(loss), measured, uncertainty, upper: loss },
            Some(u) => Self { rate: Some(loss).filter(|loss| *loss > u * 2.0), measured, uncertainty, upper: loss + u * ONE_SIDED },
        }
    }

    pub fn expanded(&self) -> Option<LossRate> {
        self.uncertainty.map(|u| u * 2.0)
    }

    /// Writes down what it is worth.
    pub(super) fn working(&self, worked: Worked) -> Worked {
        let mut worked = match self.rate {
            Some(rate) => worked.gives("", "rate", rate.as_mm_y(), "mm/y"),
            None => worked.gives("", "measured", self.measured.as_mm_y(), "mm/y"),
        };
        match self.expanded() {
            Some(expanded) => {
                worked = worked.gives("U", "its expanded uncertainty (k = 2)", expanded.as_mm_y(), "mm/y");
                worked = worked.gives("", "upper limit, one-sided 95 %", self.upper.as_mm_y(), "mm/y");
            }
            None => {
                worked = worked.caution("an uncertainty is not known: whether the loss is real is not known, and the rate may be higher")
            }
        }
        worked
            .caution_if(self.rate.is_none(), "no change beyond U: this is not a rate, only a bound (U over the years)")
            .caution_if(self.measured < LossRate::ZERO, "the wall reads thicker than before: counts as no loss; compare places and set-ups")
    }
}

/// The rate between two thicknesses: (earlier − present)/years. A wall that reads thicker than before has lost nothing.
pub fn rate(term: Term, earlier: DatedWall, present: DatedWall, time: Years) -> Result<WorkedAnswer<Rate>, Refusal> {
    let (title, symbol, meaning) = match term {
        Term::Long => ("Long-term corrosion rate", "t_initial", "thickness when new"),
        Term::Short => ("Short-term corrosion rate", "t_previous", "thickness at the last survey"),
    };
    if !(time.is_finite() && time > Years::ZERO) {
        return Err(Refusal::impossible(
            title,
            format!("{} years between the two: the earlier day must be before the later", time.as_years()),
        ));
    }
    if !(earlier.thickness.is_finite() && present.thickness.is_finite()) {
        return Err(Refusal::impossible(title, "a thickness is not a number"));
    }
    let uncertainty = earlier.uncertainty.zip(present.uncertainty).map(|(a, b)| crate::strip::compare::of_difference(a, b, 0.0) / time);
    let value = Rate::judged((earlier.thickness - present.thickness) / time, uncertainty);
    let worked = Worked::new(title, format!("rate = ({symbol} - t_actual) / years; u = (u_1^2 + u_2^2)^0.5 / years"), RATES)
        .given(symbol, meaning, earlier.thickness.as_mm(), "mm")
        .given("t_actual", "thickness now", present.thickness.as_mm(), "mm")
        .given("years", "time between", time.as_years(), "y");
    Ok(WorkedAnswer::new(value, value.working(worked).caution(DATE_CONVENTION)))
}

/// A rate that an engineer gives by their own judgement; it has no uncertainty of its own.
pub fn given_rate(value: LossRate, by: &str) -> Result<WorkedAnswer<Rate>, Refusal> {
    let title = "Corrosion rate given by the basis";
    if !(value.is_finite() && value >= LossRate::ZERO) {
        return Err(Refusal::impossible(title, "it must be 0 or greater"));
    }
    let rate = Rate { rate: Some(value), measured: value, uncertainty: Some(LossRate::ZERO), upper: value };
    let worked = Worked::new(title, "as given", FormulaSource::practice("the engineer's own judgement"))
        .gives("", "rate", value.as_mm_y(), "mm/y")
        .caution(format!("it is not a measurement: the basis '{by}' gives it"));
    Ok(WorkedAnswer::new(rate, worked))
}
