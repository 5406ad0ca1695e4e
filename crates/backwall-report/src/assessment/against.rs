//! The roll-up as rows of cells, for command and screen alike; and the same readings judged by one basis and by another, side by side.

use super::rollup::RolledCourse;
use super::worst::{Worst, WorstPlace};
use super::{Assessment, RollUp};
use crate::words::{percent, safe_text, stretch};
use backwall_units::LengthUnit;

/// An assessment, and where it was asked for another of the same readings by another basis.
#[derive(Debug, Clone, PartialEq)]
pub struct Against {
    pub a: Assessment,
    pub b: Option<Assessment>,
    /// What B is judged by otherwise than A, key by key.
    pub differs: Vec<String>,
}

fn dash(text: Option<String>) -> String {
    text.unwrap_or_else(|| "-".to_owned())
}

impl Against {
    /// What A and B are, and what differs between them.
    pub fn about(&self) -> Vec<String> {
        let Some(b) = &self.b else { return vec![format!("It is {}.", safe_text(&self.a.basis))] };
        let mut lines = vec![
            format!("A is {}", safe_text(&self.a.basis)),
            format!("B is {}", safe_text(&b.basis)),
            "Nothing measured differs between them.".to_owned(),
        ];
        if self.differs.is_empty() {
            lines.push("B is the same as A.".to_owned());
        }
        lines
    }

    /// The courses of both, one row each below the other.
    pub fn rows(&self, unit: LengthUnit) -> Vec<[String; 8]> {
        let mut rows = vec![BOTH.map(str::to_owned)];
        let other = self.b.as_ref().map(|b| &b.roll_up.courses);
        for (index, a) in self.a.roll_up.courses.iter().enumerate() {
            rows.push(both_row(if other.is_some() { "A" } else { "" }, a, unit));
            rows.extend(other.and_then(|courses| courses.get(index)).map(|b| both_row("B", b, unit)));
        }
        rows
    }
}

const BOTH: [&str; 8] = ["course", "", "required", "minimum", "decision", "rate/y", "life, years", "next by"];

fn both_row(which: &str, course: &RolledCourse, unit: LengthUnit) -> [String; 8] {
    [
        course.course.to_string(),
        which.to_owned(),
        dash(course.required.map(|required| unit.thickness(required))),
        dash(course.minimum.as_ref().map(|found| unit.thickness(found.thickness))),
        course.decision.word().to_owned(),
        dash(course.rate.as_ref().map(|rate| rate.words(unit))),
        course.life_words(),
        dash(course.next.map(|next| next.to_string())),
    ]
}

const COURSES: [&str; 12] = [
    "course",
    "required",
    "minimum",
    "on line, at",
    "t1",
    "covered",
    "decision",
    "rate/y",
    "on line, at",
    "life, years",
    "next by",
    "to do",
];

const WORST: [&str; 11] =
    ["", "minimum", "line", "at", "course", "required", "margin", "under it from, to", "long", "judged as", "by hand"];

impl RollUp {
    /// A row for each course under the names of its columns.
    pub fn course_rows(&self, unit: LengthUnit) -> Vec<[String; 12]> {
        let rows = self.courses.iter().map(|course| course.row(unit));
        std::iter::once(COURSES.map(str::to_owned)).chain(rows).collect()
    }
}

/// Spots by rank under the names of their columns.
pub fn worst_rows(spots: &[Worst], unit: LengthUnit) -> Vec<[String; 11]> {
    let rows = spots.iter().enumerate().map(|(index, spot)| spot.row(index + 1, unit));
    std::iter::once(WORST.map(str::to_owned)).chain(rows).collect()
}

impl RolledCourse {
    fn row(&self, unit: LengthUnit) -> [String; 12] {
        let place = |place: &WorstPlace| {
            let at = place.at.map_or_else(String::new, |at| format!(" {}", unit.place(at)));
            safe_text(&format!("{}{at}", place.line))
        };
        [
            self.course.to_string(),
            dash(self.required.map(|required| unit.thickness(required))),
            dash(self.minimum.as_ref().map(|found| found.bare_words(unit, ""))),
            dash(self.minimum.as_ref().map(place)),
            self.average_words(unit),
            dash(self.covered_share.map(percent)),
            self.decision.word().to_owned(),
            dash(self.rate.as_ref().map(|rate| rate.words(unit))),
            dash(self.rate.as_ref().map(|rate| safe_text(&rate.where_words(unit)))),
            self.life_words(),
            dash(self.next.map(|next| next.to_string())),
            safe_text(&self.first_to_do(unit)),
        ]
    }

    /// The decision with its reason, and who says what is required.
    pub fn decision_words(&self) -> String {
        let (why, from) = (safe_text(&self.decision_why), safe_text(&self.required_from));
        format!("course {}: {}: {why}; required by {from}", self.course, self.decision.word())
    }
}

impl Worst {
    fn row(&self, rank: usize, unit: LengthUnit) -> [String; 11] {
        [
            format!("{rank}"),
            unit.thickness(self.place.thickness),
            safe_text(&self.place.line),
            dash(self.place.at.map(|at| format!("{} {}", unit.place(at), unit.place_symbol()))),
            dash(self.course.map(|course| course.to_string())),
            dash(self.required.map(|required| unit.thickness(required))),
            dash(self.left.map(|left| unit.thickness(left))),
            dash(self.under.map(|(from, to)| format!("{} to {}", unit.place(from), unit.place(to)))),
            dash(self.under_length().map(|length| stretch(unit, length))),
            self.kind.unwrap_or("-").to_owned(),
            self.proven_words(unit),
        ]
    }
}

/// What a row says, with the name of each column: for where the table is too wide. Cells that say nothing are left out.
pub fn named(head: &[String], row: &[String]) -> String {
    let mut parts: Vec<String> = Vec::new();
    for (name, cell) in head.iter().zip(row).filter(|(_, cell)| !["-", ""].contains(&cell.as_str())) {
        match name.as_str() {
            "" => parts.push(cell.clone()),
            name => parts.push(format!("{name} {cell}")),
        }
    }
    parts.join("; ")
}
