//! The numbers of a course in one line, and the cells of the table that shows them.

use backwall_survey::integrity::Decision;
use backwall_survey::integrity::average::BinStretch;
use backwall_survey::integrity::life::Life;
use backwall_units::{Length, LengthUnit, LossRate, Years};
use chrono::NaiveDate;
use serde::Serialize;

/// The numbers of the one-line summary.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Summary {
    #[serde(rename = "required_mm")]
    pub required: Option<Length>,
    /// Whether lowest average and minimum reading are enough.
    pub decision: Decision,
    /// Why, in words that can stand alone.
    pub decision_why: String,
    /// Lowest average over the code's averaging length: unread wall as nothing, and as nominal.
    #[serde(rename = "t1_low_mm")]
    pub average_low: Option<Length>,
    #[serde(rename = "t1_high_mm")]
    pub average_high: Option<Length>,
    /// The same where all of it was read.
    #[serde(rename = "t1_mm")]
    pub average: Option<Length>,
    /// The averages are met if the wall that was not read averages at least this.
    #[serde(rename = "unread_must_average_mm")]
    pub unread_must: Option<Length>,
    /// What to drive again so that it can be decided.
    #[serde(rename = "drive_again_mm")]
    pub again: Option<Length>,
    pub drive_again: Vec<BinStretch>,
    /// Least thickness.
    #[serde(rename = "t2_mm")]
    pub least: Option<Length>,
    /// Whether it is for an even wall only: part of the beam stood on something else, and no U holds for the least wall under it.
    #[serde(rename = "t2_even_wall_only")]
    pub least_even_only: bool,
    /// Its U (k = 2), where one holds.
    #[serde(rename = "t2_expanded_mm")]
    pub least_expanded: Option<Length>,
    /// Its place where it was read by hand; else that of the statistics.
    #[serde(rename = "t2_by_hand_at_mm")]
    pub least_at: Option<Length>,
    /// The greatest rate that is one: beyond its U, or of which no U is known.
    #[serde(rename = "rate_mm_y")]
    pub rate: Option<LossRate>,
    /// Its U (k = 2).
    #[serde(rename = "rate_expanded_mm_y")]
    pub rate_expanded: Option<LossRate>,
    /// No rate is above this (one-sided 95 %); a bound where nothing changed by more than U.
    #[serde(rename = "rate_upper_mm_y")]
    pub rate_upper: Option<LossRate>,
    /// What the greatest rate, or the highest bound, was found between.
    pub greatest_from: Option<String>,
    /// Where along the line, as far as it has a place.
    #[serde(rename = "greatest_at_mm")]
    pub greatest_at: Option<BinStretch>,
    /// Which rate leaves the shortest life.
    pub rate_from: Option<String>,
    /// The short end of the remaining life: what counts.
    #[serde(rename = "remaining_life_years")]
    pub life: Option<Years>,
    #[serde(rename = "life")]
    pub life_ends: Option<Life>,
    /// By the short end of the life.
    pub next: Option<NaiveDate>,
    /// By its middle: to compare with.
    pub next_middle: Option<NaiveDate>,
    /// Variation of the thickness, a part of the mean.
    pub cov: Option<f64>,
    #[serde(rename = "least_expected_mm")]
    pub least_expected: Option<Length>,
    /// The limit under it (one-sided 95 %): what counts.
    #[serde(rename = "least_expected_low_mm")]
    pub least_expected_low: Option<Length>,
}

/// How the titles of numbers begin that a row always rests on.
const CARRYING: [&str; 4] = ["Required thickness", "Lowest average", "Remaining life", "Corrosion rate given"];

/// The cells of the summary's table, the same on screen and in the report.
impl Summary {
    /// Whether its row rests on the number of this title.
    pub fn names(&self, title: &str) -> bool {
        let is = |named: &Option<String>| named.as_deref() == Some(title);
        is(&self.greatest_from) || is(&self.rate_from) || CARRYING.iter().any(|known| title.starts_with(known))
    }

    /// The lowest average: one number where all was read, else from unread wall as nothing to unread wall as nominal.
    pub fn average_words(&self, unit: LengthUnit) -> String {
        match (self.average_low, self.average_high) {
            (Some(low), Some(high)) if unit.thickness(low) == unit.thickness(high) => unit.thickness(low),
            (Some(low), Some(high)) => format!("{} to {}", unit.thickness(low), unit.thickness(high)),
            _ => "-".to_owned(),
        }
    }

    /// The rate with its U, or the bound where there is none.
    pub fn rate_words(&self, unit: LengthUnit) -> String {
        match (self.rate, self.rate_expanded, self.rate_upper) {
            (Some(rate), Some(expanded), _) => format!("{} ± {}", unit.rate(rate), unit.rate(expanded)),
            (Some(rate), None, _) => format!("{} ± ?", unit.rate(rate)),
            (None, _, Some(upper)) => format!("under {}", unit.rate(upper)),
            (None, ..) => "-".to_owned(),
        }
    }

    /// The short end, which counts, and the long one.
    pub fn life_words(&self) -> String {
        self.life_ends.as_ref().map_or_else(|| "-".to_owned(), crate::assessment::life_words)
    }
}
