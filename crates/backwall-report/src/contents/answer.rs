//! The answer on the first page: one row a course over all its lines, in plain words what that means, what it rests on, and what to do
//! next. All of it comes from the roll-up and from nowhere else.

use super::summary::capital;
use super::{Writer, tone_of};
use crate::assessment::{Place, RolledCourse};
use crate::document::{Table, Tone};
use crate::words::{percent, safe_text};
use backwall_survey::integrity::Decision;

/// Doubts that the first page has room for; the assessment has all.
const MOST_DOUBTS: usize = 8;

impl Writer<'_> {
    /// Whether it is enough: in a headline, in plain words, course by course.
    pub(super) fn answer(&mut self) {
        let Some(assessment) = &self.job.assessment else { return };
        let (roll_up, unit) = (&assessment.roll_up, self.wanted.unit);
        if roll_up.courses.is_empty() {
            return;
        }
        let mut lines = roll_up.plain(&safe_text(&assessment.asset), unit);
        lines.push(format!("{}.", capital(&assessment.basis)));
        lines.push(assessment.caution.to_owned());
        self.out.notice(tone_of(roll_up.asset.decision), roll_up.headline(), lines);
        let mut table = Table::of(&[
            "Course>",
            &self.head("Required"),
            &self.head("Minimum ± U"),
            "On line, at",
            &self.head("t1"),
            "Covered>",
            "Decision",
            &format!("Rate ± U, {}>", unit.rate_symbol()),
            "On line, at",
            "Life, years>",
            "Next by",
        ]);
        for course in &roll_up.courses {
            table.toned(tone_of(course.decision), self.course_cells(course));
        }
        self.out.table(table);
        self.doubts();
    }

    fn course_cells(&self, course: &RolledCourse) -> [String; 11] {
        let unit = self.wanted.unit;
        let dash = |text: Option<String>| text.unwrap_or_else(|| "–".to_owned());
        let place = |place: &Place| {
            let at = place.at.map_or_else(String::new, |at| format!(" {} {}", unit.place(at), unit.place_symbol()));
            format!("{}{at}", safe_text(&place.line))
        };
        [
            course.course.to_string(),
            self.bare(course.required),
            dash(course.minimum.as_ref().map(|found| {
                let expanded = found.expanded.map_or_else(String::new, |expanded| format!(" ± {}", unit.thickness(expanded)));
                format!("{}{expanded}", unit.thickness(found.thickness))
            })),
            dash(course.minimum.as_ref().map(place)),
            course.average_words(unit),
            dash(course.covered_share.map(percent)),
            course.decision.word().to_owned(),
            dash(course.rate.as_ref().map(|rate| rate.words(unit))),
            dash(course.rate.as_ref().map(|rate| safe_text(&rate.where_words(unit)))),
            course.life_words(),
            dash(course.next.map(|next| next.to_string())),
        ]
    }

    /// What the reader must know of the readings beneath these numbers: each statement once, with the courses it is of.
    fn doubts(&mut self) {
        let Some(assessment) = &self.job.assessment else { return };
        let mut said: Vec<(&str, Vec<String>)> = Vec::new();
        for course in &assessment.roll_up.courses {
            for words in &course.rests_on {
                match said.iter_mut().find(|(known, _)| known == words) {
                    Some((_, courses)) => courses.push(course.course.to_string()),
                    None => said.push((words, vec![course.course.to_string()])),
                }
            }
        }
        if said.is_empty() {
            return;
        }
        let all = assessment.roll_up.courses.len();
        let more = said.len().saturating_sub(MOST_DOUBTS);
        let mut lines: Vec<String> = said
            .into_iter()
            .take(MOST_DOUBTS)
            .map(|(words, courses)| match courses.len() {
                one if one == all && all > 1 => capital(words),
                1 => format!("Course {}: {words}", courses[0]),
                _ => format!("Courses {}: {words}", courses.join(", ")),
            })
            .collect();
        if more > 0 {
            lines.push(format!("{more} more doubts stand in the assessment"));
        }
        self.out.notice(Tone::Watch, "WHAT THESE NUMBERS REST ON", lines);
    }

    /// What to do next, most pressing first.
    pub(super) fn next_steps(&mut self) {
        let Some(assessment) = &self.job.assessment else { return };
        let steps = assessment.roll_up.next_steps(self.wanted.unit);
        if steps.is_empty() {
            return;
        }
        let tone = if assessment.roll_up.asset.decision == Decision::Met { Tone::Plain } else { Tone::Watch };
        self.out.notice(tone, "WHAT TO DO NEXT", steps.iter().map(|step| safe_text(step)).collect());
    }
}
