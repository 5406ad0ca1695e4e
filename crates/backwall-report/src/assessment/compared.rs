//! One line laid over the same line of an earlier survey.

use super::Request;
use crate::earlier::EarlierTable;
use backwall_survey::strip::compare::{
    Alignment, AtPoint, Change, Comparison, Point, SurveyLine, Verdict, align, at_points, compare, is_sparse, other_datum, warnings,
};
use backwall_units::Length;
use chrono::NaiveDate;
use serde::Serialize;

/// Where the offset that was used came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum OffsetUsed {
    /// Positions stand as they are.
    None,
    Told,
    /// Found by correlation and accepted.
    Accepted,
}

impl OffsetUsed {
    pub const fn word(self) -> &'static str {
        match self {
            Self::None => "positions as recorded",
            Self::Told => "offset given",
            Self::Accepted => "offset found and accepted",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineComparison {
    pub source: String,
    pub date: Option<NaiveDate>,
    /// Why nothing is compared.
    pub not_compared: Option<String>,
    pub warnings: Vec<String>,
    pub alignment: Option<Alignment>,
    pub offset_used: OffsetUsed,
    /// Another offset was found than the one used: what changed from place to place is not to be believed.
    pub misaligned: bool,
    pub comparison: Option<Comparison>,
    /// Where the earlier survey is one of single points: each of them, and no stretches.
    pub points: Vec<AtPoint>,
    /// The earlier readings at their places on this line.
    #[serde(skip)]
    pub earlier: Vec<Point>,
}

pub(super) fn of_line(now: &SurveyLine, survey: &EarlierTable, request: &Request) -> LineComparison {
    let mut found = LineComparison {
        source: survey.source.clone(),
        date: None,
        not_compared: None,
        warnings: Vec::new(),
        alignment: None,
        offset_used: OffsetUsed::None,
        misaligned: false,
        comparison: None,
        points: Vec::new(),
        earlier: Vec::new(),
    };
    let Some(earlier) = survey.line(&now.line) else {
        let known: Vec<&str> = survey.lines.iter().map(|line| line.line.as_str()).collect();
        found.not_compared = Some(format!("it has no line {}; it has {}", now.line, known.join(", ")));
        return found;
    };
    found.date = earlier.date;
    found.warnings = warnings(now, earlier, request.settings.unit);
    let across = |line: &SurveyLine| line.direction.map(|direction| direction.is_upright());
    if let (Some(one), Some(other)) = (across(now), across(earlier))
        && one != other
    {
        found.not_compared = Some("one runs up or down and the other across: these are not the same places".to_owned());
        return found;
    }
    if let (Some(now), Some(then)) = (now.date, earlier.date)
        && then >= now
    {
        found.warnings.push(format!("it was made on {then}, not before the present survey of {now}: no rate is taken from it"));
    }
    let alignment = align(&now.points, &earlier.points, &request.settings);
    let (offset, used) = match (request.offset, alignment.offset) {
        (Some(told), _) => (told, OffsetUsed::Told),
        (None, Some(offset)) if request.accept_offset => (offset, OffsetUsed::Accepted),
        _ => (Length::ZERO, OffsetUsed::None),
    };
    let apart = used == OffsetUsed::None && alignment.offset.is_some_and(|found| found.abs() > request.settings.bin / 2.0);
    let reversed = alignment.verdict == Verdict::Reversed;
    let why = alignment.why.clone();
    found.alignment = Some(alignment);
    found.offset_used = used;
    found.misaligned = apart;
    // Laid over each other at places that are known to differ, walls would seem to have come and gone.
    if used == OffsetUsed::None && other_datum(now, earlier) {
        let what = "the two count from different datums: give the distance between them (--offset), or take an offset that is found (--accept-offset)";
        found.not_compared = Some(what.to_owned());
        return found;
    }
    if used != OffsetUsed::Told && reversed {
        found.not_compared = Some(format!("{why}; for a table, --earlier-direction and --earlier-start give it"));
        return found;
    }
    let moved = || earlier.points.iter().map(|point| Point { along: point.along + offset, ..*point });
    if is_sparse(&earlier.points, &request.settings) {
        found.earlier = moved().collect();
        found.points = at_points(&now.points, &found.earlier, &request.settings);
        return found;
    }
    let comparison = compare(&now.points, &earlier.points, offset, &request.settings);
    if comparison.bins.is_empty() {
        found.not_compared = Some("the two surveys have no stretch of wall in common".to_owned());
    }
    if comparison.stretches.iter().any(|stretch| stretch.mean.change == Change::Thicker) {
        let what =
            "a wall does not grow: stretches that read thicker point to another place, another set-up or a wrong reading, now or then";
        found.warnings.push(what.to_owned());
    }
    found.comparison = Some(comparison);
    found.earlier = moved().collect();
    found
}
