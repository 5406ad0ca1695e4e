//! Assessment of each course on each line, and why it is decided so; how the numbers came about is in `working`.

use super::summary::capital;
use super::{DocumentWriter, tone_of};
use crate::assessment::{CourseAssessment, LineAssessment, RunNote};
use crate::document::{DocumentTable, Tone};
use crate::template::Working;
use backwall_survey::integrity::Decision;

/// Of more courses on lines a table names those that decide, and the others stand in a table of decisions.
const MOST_ROWS: usize = 16;

/// Remarks before the numbers, where only what decides is shown.
const MOST_REMARKS: usize = 2;

impl DocumentWriter<'_> {
    pub(super) fn unseen(&mut self) {
        let (Some(found), unit) = (&self.job.unseen, self.wanted.unit) else { return };
        self.out.heading(2, found.title());
        self.out.paragraph(found.statement(unit));
        let mut rows = found.rows(unit).into_iter();
        let head: Vec<String> = rows.next().unwrap_or_default().into_iter().map(|head| format!("{head}>")).collect();
        let mut table = DocumentTable::of(&head.iter().map(String::as_str).collect::<Vec<_>>());
        rows.for_each(|row| table.row(row));
        self.out.table(table);
        self.out.paragraph(format!("So {}.", found.summary(unit)));
    }

    pub(super) fn assessment(&mut self) {
        let Some(assessment) = &self.job.assessment else {
            return self.out.paragraph("No run was made, so there is nothing to assess.");
        };
        let mut remarks = assessment.remarks.clone();
        if self.wanted.template.working == Working::Governing && remarks.len() > MOST_REMARKS {
            let more = remarks.len() - MOST_REMARKS;
            remarks.truncate(MOST_REMARKS);
            remarks.push(format!("{more} more remarks, run by run: the template 'complete' has all"));
        }
        self.out.notice(Tone::Watch, assessment.caution, remarks);
        let left_out: Vec<String> = assessment.runs.iter().filter(|run| !run.used).map(|run| self.left_out(run)).collect();
        if !left_out.is_empty() {
            self.out.notice(Tone::Bad, "Left out of all numbers in this section", left_out);
        }
        if assessment.lines.is_empty() {
            return self.out.paragraph("No run is left to assess.");
        }
        self.courses(&assessment.lines);
        self.reasons(&assessment.lines);
    }

    /// Whether only what decides a course is shown in full, and the others in the table of decisions.
    fn has_many_rows(&self, lines: &[LineAssessment]) -> bool {
        let rows = lines.iter().map(|line| line.courses.len()).sum::<usize>();
        self.wanted.template.working == Working::Governing && rows > MOST_ROWS
    }

    /// Why each is decided so: all of them, or those that decide a course and, of few, those that are not met.
    fn reasons(&mut self, lines: &[LineAssessment]) {
        let (all, few) = (self.wanted.template.working == Working::All, !self.has_many_rows(lines));
        let said: Vec<String> = lines
            .iter()
            .flat_map(|line| line.courses.iter().map(move |course| (line, course)))
            .filter(|(line, course)| all || self.governs(line, course) || few && course.summary.decision == Decision::NotMet)
            .map(|(line, course)| {
                let (decision, why) = (course.summary.decision.word(), &course.summary.decision_why);
                let rests =
                    if all && !course.rests_on.is_empty() { format!(". {}", capital(&course.rests_on.join("; "))) } else { String::new() };
                let checks =
                    if course.checks.is_empty() { String::new() } else { format!(". TO BE CHECKED: {}", course.checks.join("; ")) };
                format!("{} on {}: {decision}: {why}{rests}{checks}", capital(&named(course)), line.line)
            })
            .collect();
        self.out.heading(2, if all { "Reasons for each decision" } else { "Reasons for the decisions that count" });
        self.out.bullets(said);
    }

    /// Whether it is the line that decides for its course.
    pub(super) fn governs(&self, line: &LineAssessment, course: &CourseAssessment) -> bool {
        let rolled = self.job.assessment.iter().flat_map(|assessment| &assessment.roll_up.courses);
        let mut rolled = rolled.filter(|rolled| Some(rolled.course) == course.course);
        course.course.is_none() || rolled.any(|rolled| rolled.governing_line.as_deref() == Some(line.line.as_str()))
    }

    fn left_out(&self, run: &RunNote) -> String {
        format!("Run {} on {}, min {}: {}", run.run, run.line, self.thickness_or(run.least, "no thickness"), run.why)
    }

    fn courses(&mut self, lines: &[LineAssessment]) {
        let unit = self.wanted.unit;
        let mut table = DocumentTable::of(&[
            "Line",
            "Course",
            &self.head("Required"),
            &self.head("t1"),
            &self.head("t2"),
            "Decision",
            &format!("Rate ± U, {}>", unit.rate_symbol()),
            "Life, years>",
            "Next by",
            "COV>",
            &self.head("Minimum expected"),
        ]);
        let of_lines = || lines.iter().flat_map(|line| line.courses.iter().map(move |course| (line, course)));
        let is_brief = self.has_many_rows(lines);
        if is_brief {
            self.decisions(lines);
        }
        for (line, course) in of_lines().filter(|(line, course)| !is_brief || self.governs(line, course)) {
            let summary = &course.summary;
            let dash = |text: Option<String>| text.unwrap_or_else(|| "–".to_owned());
            table.toned(
                tone_of(summary.decision),
                [
                    line.line.clone(),
                    name(course),
                    self.bare(summary.required),
                    dash(summary.average_high.map(|_| summary.average_words(unit))),
                    self.bare(summary.least),
                    summary.decision.word().to_owned(),
                    summary.rate_words(unit),
                    dash(summary.life_ends.map(|_| summary.life_words())),
                    dash(summary.next.map(|next| next.to_string())),
                    dash(summary.cov.map(|cov| format!("{:.1} %", cov * 100.0))),
                    self.bare(summary.least_expected_low),
                ],
            );
        }
        self.out.table(table);
        self.out.paragraph(
            "Decision: met, not met, or not decided where what was read proves neither. Life: from the short end, which counts and gives the date, \
             to the long one. The minimum to expect on the whole surface is not under the one given.",
        );
    }

    /// Of every line through each course its decision and minimum reading.
    fn decisions(&mut self, lines: &[LineAssessment]) {
        let mut numbers: Vec<Option<u16>> = lines.iter().flat_map(|line| line.courses.iter().map(|course| course.course)).collect();
        numbers.sort_unstable();
        numbers.dedup();
        let head = |number: &Option<u16>| number.map_or_else(|| "Course not known".to_owned(), |number| format!("Course {number}"));
        let heads: Vec<String> = std::iter::once("Line".to_owned()).chain(numbers.iter().map(head)).collect();
        let mut table = DocumentTable::of(&heads.iter().map(String::as_str).collect::<Vec<_>>());
        for line in lines {
            let cell = |number: &Option<u16>| {
                let course = line.courses.iter().find(|course| course.course == *number);
                course.map_or_else(String::new, |course| format!("{} {}", self.bare(course.summary.least), course.summary.decision.word()))
            };
            let of_line = line.courses.iter().map(|course| course.summary.decision).reduce(Decision::and);
            table.toned(of_line.map_or(Tone::Plain, tone_of), std::iter::once(line.line.clone()).chain(numbers.iter().map(cell)));
        }
        self.out.paragraph(format!(
            "Minimum reading, {}, and decision of each line through each course; then what decides a course in full.",
            self.wanted.unit.thickness_symbol()
        ));
        self.out.table(table);
    }
}

fn name(course: &CourseAssessment) -> String {
    course.course.map_or_else(|| "not known".to_owned(), |number| number.to_string())
}

pub(super) fn named(course: &CourseAssessment) -> String {
    course.course.map_or_else(|| "course not known".to_owned(), |number| format!("course {number}"))
}
