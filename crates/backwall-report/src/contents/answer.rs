//! The answer on the first page: one row a course over all its lines, in plain words what that means, what it rests on, and what to do
//! next. All of it comes from the roll-up and from nowhere else.

use super::summary::capital;
use super::{DocumentWriter, count, tone_of};
use crate::assessment::{RolledCourse, WorstPlace};
use crate::document::{DocumentTable, Tone};
use crate::words::{percent, safe_text, short_name};
use backwall_survey::integrity::Decision;

impl DocumentWriter<'_> {
    /// Whether it is enough: in a headline, in plain words, course by course.
    pub(super) fn answer(&mut self) {
        let Some(assessment) = &self.job.assessment else { return };
        let (roll_up, unit) = (&assessment.roll_up, self.wanted.unit);
        if roll_up.courses.is_empty() {
            return;
        }
        let mut lines = roll_up.plain(&safe_text(&assessment.asset), unit);
        lines.push(format!("{}. {}", capital(&assessment.basis), assessment.caution));
        self.out.whole_notice(tone_of(roll_up.asset.decision), roll_up.headline(), lines);
        let mut table = DocumentTable::of(&[
            "Course>",
            &self.head("Required"),
            &format!("Minimum ± U, {}, on line, at", unit.thickness_symbol()),
            &self.head("t1"),
            "Covered>",
            "Decision",
            &format!("Rate ± U, {}, on line", unit.rate_symbol()),
            "Life, years>",
            "Next by",
        ]);
        for course in &roll_up.courses {
            table.toned(tone_of(course.decision), self.course_cells(course));
        }
        self.out.table(table);
        self.origins();
        self.doubts();
    }

    /// Who says what is required, each origin once with its courses.
    fn origins(&mut self) {
        let Some(assessment) = &self.job.assessment else { return };
        let mut origins: Vec<(&str, Vec<String>)> = Vec::new();
        for course in assessment.roll_up.courses.iter().filter(|course| course.required.is_some()) {
            match origins.iter_mut().find(|(known, _)| *known == course.required_from) {
                Some((_, courses)) => courses.push(course.course.to_string()),
                None => origins.push((&course.required_from, vec![course.course.to_string()])),
            }
        }
        let words: Vec<String> = origins
            .into_iter()
            .map(|(from, courses)| {
                let noun = if courses.len() == 1 { "course" } else { "courses" };
                format!("{noun} {}: {}", courses.join(", "), safe_text(from))
            })
            .collect();
        let mut said = Vec::new();
        if !words.is_empty() {
            said.push(format!("Required by: {}.", words.join("; ")));
        }
        // There is no room for a table of facts.
        if self.is_condensed() && !self.wanted.template.is_brief {
            let (readings, none) = self.counted_readings();
            said.push(format!("{}, {none} of them without an echo.", count(readings, "reading")));
            said.extend(
                self.job.map.scanned_share().map(|share| format!("Scanned share of the surface: {}.", self.share_of_surface(share))),
            );
        }
        if !said.is_empty() {
            self.out.paragraph(said.join(" "));
        }
    }

    fn course_cells(&self, course: &RolledCourse) -> [String; 9] {
        let unit = self.wanted.unit;
        let dash = |text: Option<String>| text.unwrap_or_else(|| "–".to_owned());
        let minimum = |found: &WorstPlace| {
            let at = found.at.map_or_else(String::new, |at| format!(" {} {}", unit.place(at), unit.place_symbol()));
            format!("{}, {}{at}", found.bare_words(unit, " ± ?"), short_name(&found.line))
        };
        [
            course.course.to_string(),
            self.bare(course.required),
            dash(course.minimum.as_ref().map(minimum)),
            dash(course.average.as_ref().map(|_| course.average_words(unit))),
            dash(course.covered_share.map(percent)),
            // Not torn into two rows.
            course.decision.word().replace(' ', "\u{a0}"),
            dash(course.rate.as_ref().map(|rate| format!("{}, {}", rate.words(unit), rate.where_briefly(unit)))),
            dash(course.life.as_ref().map(|_| course.life_words())),
            dash(course.next.map(|next| next.to_string())),
        ]
    }

    /// What the reader must know of the readings beneath these numbers. Calibrations stand above.
    fn doubts(&mut self) {
        let Some(assessment) = &self.job.assessment else { return };
        let lines: Vec<String> = assessment.roll_up.asset.rests_on.iter().map(|words| capital(words)).collect();
        if !lines.is_empty() {
            self.out.notice(Tone::Watch, "WHAT THESE NUMBERS REST ON", lines);
        }
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
