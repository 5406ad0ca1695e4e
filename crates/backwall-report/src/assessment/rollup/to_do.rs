//! What follows from the roll-up of a course: what somebody has to do, most pressing first.

use super::{OnLine, RolledCourse, RollupParts};
use crate::assessment::worst::WorstPlace;
use backwall_survey::integrity::Decision;
use backwall_units::Length;
use chrono::NaiveDate;
use serde::Serialize;

/// One thing to be done.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "what", rename_all = "kebab-case")]
pub enum ToDo {
    /// A person decides on repair, re-rating or a closer look.
    Decide {
        line: Option<String>,
    },
    /// The minimum rests on readings that agree with no neighbour, or was not read by hand yet.
    ProveByHand {
        place: WorstPlace,
    },
    /// What to read again so that it can be decided.
    DriveAgain {
        line: String,
        #[serde(rename = "from_mm")]
        from: Length,
        #[serde(rename = "to_mm")]
        to: Length,
    },
    DriveFirst {
        line: String,
    },
    /// An input is missing for a decision.
    GiveRequired,
    /// No earlier thickness is known: no rate.
    KeepForRate,
    MeasureBy {
        date: NaiveDate,
    },
}

pub(super) fn to_do(parts: &RollupParts<'_>, course: &RolledCourse, lines: &[OnLine<'_>]) -> Vec<ToDo> {
    let mut list = Vec::new();
    if course.required.is_none() && !lines.is_empty() {
        list.push(ToDo::GiveRequired);
    }
    // What nothing but a proof by hand decides: under what is required, or a minimum without a U that holds.
    let is_open = |place: &WorstPlace| course.decision == Decision::NotDecided && place.even_wall_only;
    let under = |place: &WorstPlace| course.required.is_some_and(|required| place.thickness < required || is_open(place));
    let spots = || parts.worst.iter().chain(&parts.laminations).filter(|spot| spot.course == Some(course.course));
    let known = |place: &WorstPlace| {
        spots().any(|spot| {
            let here = spot.place.line == place.line && spot.place.thickness == place.thickness;
            here && spot.proven.is_some()
        })
    };
    if let Some(place) = course.minimum.clone().filter(|place| under(place) && !known(place)) {
        list.push(ToDo::ProveByHand { place });
    }
    for on in lines.iter().filter(|on| on.summary.decision == Decision::NotDecided) {
        list.extend(on.summary.drive_again.iter().map(|it| ToDo::DriveAgain { line: on.line.to_owned(), from: it.from, to: it.to }));
    }
    list.extend(course.not_driven.iter().map(|line| ToDo::DriveFirst { line: line.clone() }));
    // Also where no further reading would decide: within U of what is wanted.
    let is_left = course.decision == Decision::NotDecided && list.is_empty() && !lines.is_empty();
    if course.decision == Decision::NotMet || is_left {
        list.insert(0, ToDo::Decide { line: course.governing_line.clone() });
    }
    if !lines.is_empty() && lines.iter().all(|on| on.summary.rate_upper.is_none()) {
        list.push(ToDo::KeepForRate);
    }
    list.extend(course.next.map(|date| ToDo::MeasureBy { date }));
    list
}
