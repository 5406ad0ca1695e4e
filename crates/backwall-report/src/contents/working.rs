//! The appendix: how the numbers came about. Of every number its formula, inputs, source and cautions; or of those that decide the inputs
//! alone, and each formula once.

use super::DocumentWriter;
use super::assessed::named;
use super::summary::capital;
use crate::assessment::{CourseAssessment, LineAssessment};
use crate::document::{DocumentTable, Tone};
use crate::template::Working;
use crate::words::safe_text;
use backwall_survey::integrity::Worked;
use backwall_survey::integrity::worked::WorkedFigure;
use backwall_units::LengthUnit;

impl DocumentWriter<'_> {
    pub(super) fn working(&mut self) {
        let Some(assessment) = &self.job.assessment else {
            return self.out.paragraph("No run was made, so there is no number to explain.");
        };
        let courses = || assessment.lines.iter().flat_map(|line| line.courses.iter().map(move |course| (line, course)));
        match self.wanted.template.working {
            Working::All => courses().for_each(|(line, course)| self.worked(line, course)),
            Working::Governing => {
                let governing: Vec<_> = courses().filter(|(line, course)| self.governs(line, course)).collect();
                self.worked_together(&governing);
            }
        }
    }

    /// What the rows of the first page rest on, and each formula once.
    fn worked_together(&mut self, courses: &[(&LineAssessment, &CourseAssessment)]) {
        self.out.paragraph(
            "For each course the line that decides, with the numbers behind its row on the first page; each formula once, with the letter that \
             the numbers name it by. The template 'complete' has every number of every line, with its cautions.",
        );
        let unit = self.wanted.unit;
        let mut formulas: Vec<(String, String)> = Vec::new();
        let mut numbers = DocumentTable::of(&["Number", "By", "With"]);
        let mut checks = Vec::new();
        for (line, course) in courses {
            let on = format!("{}, {}", safe_text(&line.line), named(course));
            checks.extend(course.checks.iter().map(|check| format!("{on}: {check}")));
            for (index, number) in carrying(course).into_iter().map(|number| number.shown_in(unit)).enumerate() {
                let formula = (number.formula.clone(), number.source.to_string());
                let place = formulas.iter().position(|known| *known == formula).unwrap_or_else(|| {
                    formulas.push(formula);
                    formulas.len() - 1
                });
                let before = if index == 0 { format!("{}. ", on.to_uppercase()) } else { String::new() };
                numbers.row([format!("{before}{}", result(&number)), letter(place), list(&number.inputs)]);
            }
        }
        if !checks.is_empty() {
            self.out.notice(Tone::Bad, "These do not agree and must be checked", checks);
        }
        let mut table = DocumentTable::of(&["", "Formula", "Source"]);
        for (place, (formula, source)) in formulas.into_iter().enumerate() {
            table.row([letter(place), formula, source]);
        }
        self.out.table(table);
        self.out.table(numbers);
    }

    fn worked(&mut self, line: &LineAssessment, course: &CourseAssessment) {
        if course.numbers.is_empty() && course.missing.is_empty() && course.checks.is_empty() {
            return;
        }
        self.out.heading(2, format!("Line {}, {}", line.line, named(course)));
        if !course.checks.is_empty() {
            self.out.notice(Tone::Bad, "These do not agree and must be checked", course.checks.clone());
        }
        let mut table = DocumentTable::of(&["Number", "Formula and inputs", "Source and cautions"]);
        for number in &course.numbers {
            table.row(cells(number, self.wanted.unit));
        }
        self.out.table(table);
        if !course.missing.is_empty() {
            self.out.notice(Tone::Watch, "Not answered", course.missing.iter().map(|missing| capital(missing)).collect());
        }
    }
}

/// The numbers that the row of a course rests on: of several rates the one it shows and the one that leaves the shortest life, each once.
fn carrying(course: &CourseAssessment) -> Vec<&Worked> {
    let summary = &course.summary;
    let named = || course.numbers.iter().filter(|number| summary.names(&number.title));
    let values =
        |figures: &[WorkedFigure]| figures.iter().filter(|figure| figure.unit == RATE).map(|figure| figure.value).collect::<Vec<_>>();
    let mut wanted: Vec<f64> = summary.rate.or(summary.rate_upper).iter().map(|rate| rate.as_mm_y()).collect();
    wanted.extend(named().filter(|number| values(&number.results).is_empty()).flat_map(|number| values(&number.inputs)));
    let mut known: Vec<Vec<f64>> = Vec::new();
    let is_carrying = |number: &&Worked| {
        let rates = values(&number.results);
        if rates.is_empty() {
            return true;
        }
        let is_new = !known.contains(&rates);
        known.push(rates.clone());
        is_new && rates.iter().any(|rate| wanted.contains(rate))
    };
    named().filter(is_carrying).collect()
}

/// The unit that rates have among the figures of a number.
const RATE: &str = "mm/y";

/// A number's row.
fn cells(number: &Worked, unit: LengthUnit) -> [String; 3] {
    let number = number.shown_in(unit);
    let cautions: String = number.cautions.iter().map(|caution| format!(". Caution: {caution}")).collect();
    [result(&number), format!("{}; with {}", number.formula, list(&number.inputs)), format!("{}{cautions}", number.source)]
}

fn list(figures: &[WorkedFigure]) -> String {
    figures.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
}

fn result(number: &Worked) -> String {
    let verdict = number.verdict.as_ref().map_or_else(String::new, |verdict| format!(". {}", capital(verdict)));
    format!("{}: {}{verdict}", number.title, list(&number.results))
}

/// `A` to `Z`, then `AA` and on.
fn letter(place: usize) -> String {
    let last = char::from(b'A' + (place % 26) as u8);
    if place < 26 { last.to_string() } else { format!("{}{last}", letter(place / 26 - 1)) }
}

#[cfg(test)]
mod tests {
    use super::letter;

    #[test]
    fn letters_go_on_behind_z() {
        assert_eq!([0, 25, 26, 51, 52].map(letter), ["A", "Z", "AA", "AZ", "BA"]);
    }
}
