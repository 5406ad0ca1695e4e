//! How fast a wall goes: long- and short-term rate, and the life that leaves.

use super::worked::{Answer, Refusal, Source, Worked};
use backwall_units::{Length, LossRate, Years};
use chrono::{Months, NaiveDate};

const RATES: Source = Source::published("API 570 7.1 and API 510 7.1, long- and short-term corrosion rate and remaining life");

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
pub struct Wall {
    pub thickness: Length,
    pub uncertainty: Option<Length>,
}

impl Wall {
    pub const fn of(thickness: Length) -> Self {
        Self { thickness, uncertainty: None }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// What counts: never less than 0.
    pub rate: LossRate,
    /// What the two thicknesses give; negative where the later one is thicker.
    pub measured: LossRate,
    /// Expanded (k = 2), where both tell their uncertainty.
    pub expanded: Option<LossRate>,
    pub time: Years,
}

/// The rate between two thicknesses: (earlier − present)/years. A wall that reads thicker than before has lost nothing.
pub fn rate(term: Term, earlier: Wall, present: Wall, time: Years) -> Result<Answer<Rate>, Refusal> {
    let (title, symbol, meaning) = match term {
        Term::Long => ("Long-term corrosion rate", "t_initial", "thickness when new"),
        Term::Short => ("Short-term corrosion rate", "t_previous", "thickness at the last survey"),
    };
    if !(time.is_finite() && time > Years::ZERO) {
        return Err(Refusal::impossible(
            title,
            format!("{} years between the two: the earlier day must lie before the later", time.as_years()),
        ));
    }
    if !(earlier.thickness.is_finite() && present.thickness.is_finite()) {
        return Err(Refusal::impossible(title, "a thickness is not a number"));
    }
    let measured = (earlier.thickness - present.thickness) / time;
    let expanded = earlier.uncertainty.zip(present.uncertainty).map(|(a, b)| crate::strip::compare::combined(a, b) / time);
    let value = Rate { rate: measured.max(LossRate::ZERO), measured, expanded, time };
    let mut worked = Worked::new(title, format!("rate = ({symbol} - t_actual) / years"), RATES)
        .given(symbol, meaning, earlier.thickness.as_mm(), "mm")
        .given("t_actual", "thickness now", present.thickness.as_mm(), "mm")
        .given("years", "time between", time.as_years(), "y")
        .gives("", "rate", value.rate.as_mm_y(), "mm/y");
    if let Some(expanded) = expanded {
        worked = worked.gives("U", "its expanded uncertainty (k = 2)", expanded.as_mm_y(), "mm/y");
        worked = worked
            .caution_if(measured.abs() <= expanded, "the loss is not larger than the uncertainty of both surveys together: it may be none");
    } else {
        worked = worked.caution("an uncertainty is not known: whether the loss is real is not known");
    }
    let worked =
        worked.caution_if(measured < LossRate::ZERO, "the wall reads thicker than before: reported as no loss; compare places and set-ups");
    Ok(Answer::new(value, worked.caution(DATE_CONVENTION)))
}

/// The rate that counts: the greatest. `None` where there is none.
pub fn controlling(rates: &[LossRate]) -> Option<LossRate> {
    rates.iter().copied().filter(|rate| rate.is_finite()).reduce(LossRate::max)
}

/// Years until the required thickness at this rate: (t_actual − t_required)/rate. Nothing lost, nothing foretold.
pub fn remaining_life(actual: Length, required: Length, rate: LossRate) -> Result<Answer<Years>, Refusal> {
    let title = "Remaining life";
    if !(actual.is_finite() && required.is_finite() && rate.is_finite()) {
        return Err(Refusal::impossible(title, "an input is not a number"));
    }
    if rate <= LossRate::ZERO {
        return Err(Refusal::impossible(title, "no loss was measured: a remaining life cannot be drawn from that"));
    }
    let spent = actual <= required;
    let value = if spent { Years::ZERO } else { (actual - required) / rate };
    let worked = Worked::new(title, "RL = (t_actual - t_required) / rate", RATES)
        .given("t_actual", "thickness now", actual.as_mm(), "mm")
        .given("t_required", "required thickness", required.as_mm(), "mm")
        .given("rate", "controlling rate", rate.as_mm_y(), "mm/y")
        .gives("RL", "remaining life", value.as_years(), "y")
        .caution_if(spent, "the wall is at or below its required thickness now")
        .caution("by the minimum single reading; a thinned area of a tank shell is judged by its averages as well")
        .caution("the rate of the past is taken for the future: a change of service or coating makes it void");
    Ok(Answer::new(value, worked))
}
