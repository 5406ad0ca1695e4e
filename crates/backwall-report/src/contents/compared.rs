//! Comparison with earlier surveys: what has changed, in words, tables and figures.

use super::assessed::named;
use super::summary::capital;
use super::{DocumentWriter, captioned, count, fact};
use crate::assessment::{CourseAssessment, LineAssessment, LineComparison};
use crate::document::{Captioned, DocumentTable, Tone};
use crate::figure::change;
use crate::template::Working;
use crate::words::file_name;
use backwall_survey::strip::compare::{Change, Difference};
use backwall_units::Length;

/// More comparisons than this are shown as a table.
const MOST_COMPARISONS: usize = 3;

/// Of them so many are drawn along their line.
const MOST_DRAWN: usize = 3;

/// The lowest of all lines at each survey, course by course.
fn together(lines: &[&LineAssessment]) -> Vec<change::ChangeOfCourse> {
    let mut courses: Vec<change::ChangeOfCourse> = Vec::new();
    for course in lines.iter().flat_map(|line| &line.courses) {
        let name = named(course);
        let index = courses.iter().position(|known| known.name == name).unwrap_or_else(|| {
            courses.push(change::ChangeOfCourse { name, minima: Vec::new(), required: course.summary.required });
            courses.len() - 1
        });
        let minima = &mut courses[index].minima;
        for at in &course.minima {
            let found = change::Minimum { date: at.date, thickness: at.thickness, expanded: at.expanded };
            match minima.iter_mut().find(|known| known.date == found.date) {
                Some(known) if known.thickness > found.thickness => *known = found,
                Some(_) => {}
                None => minima.push(found),
            }
        }
    }
    courses.iter_mut().for_each(|course| course.minima.sort_by_key(|minimum| minimum.date));
    courses
}

/// Whether an earlier survey is the newest that a line was compared with.
fn is_newest(line: &LineAssessment, with: &LineComparison) -> bool {
    let newest = line.comparisons.iter().filter(|other| other.comparison.is_some()).max_by_key(|other| other.date);
    newest.is_some_and(|newest| std::ptr::eq(newest, with))
}

const NOT_JUDGED: &str = "not judged";

impl DocumentWriter<'_> {
    pub(super) fn comparison(&mut self) {
        let Some(assessment) = &self.job.assessment else {
            return self.out.paragraph("No run was made, so there is nothing to compare.");
        };
        let compared: Vec<_> = assessment.lines.iter().filter(|line| !line.comparisons.is_empty()).collect();
        if compared.is_empty() {
            return self.out.paragraph("No earlier survey was given to compare with.");
        }
        self.out.paragraph(
            "A change no larger than the expanded uncertainty of the difference, U = 2·√(u₁² + u₂²), is no change (JCGM 100:2008, equation 10). \
             Only stretches that both surveys read are compared. A negative difference means a thinner wall now.",
        );
        // Of many comparisons a row each line, all minima in one figure, and drawn along only some of the lines that decide.
        let all = self.wanted.template.working == Working::All;
        if !all && compared.iter().map(|line| line.comparisons.len()).sum::<usize>() > MOST_COMPARISONS {
            return self.compared_together(&compared);
        }
        let drawn: Vec<_> = compared.iter().filter(|line| self.is_drawn(&line.line)).filter_map(|line| self.over_the_years(line)).collect();
        self.out.figures(drawn);
        for line in compared {
            for with in &line.comparisons {
                self.compared(line, with);
            }
        }
    }

    fn compared_together(&mut self, compared: &[&LineAssessment]) {
        let paper = (self.wanted.paper.text_width(), change::HIGH);
        let figure = change::by_year("Minimum of each course by year", &together(compared), self.wanted.unit, paper);
        let caption =
            "The lowest of all lines that were read in that survey. Bars: U (k = 2), where it is known. The minima need not be one place.";
        self.out.figures(figure.into_iter().map(|figure| captioned(figure, caption.to_owned())).collect());
        self.every_comparison(compared);
        let newest = compared.iter().flat_map(|line| line.comparisons.iter().map(move |with| (*line, with)));
        let mut newest: Vec<_> = newest.filter(|(line, with)| self.is_drawn(&line.line) && is_newest(line, with)).collect();
        // Those that lost most.
        let lost = |with: &LineComparison| with.comparison.as_ref().and_then(|found| Some(found.whole.as_ref()?.least.difference));
        newest.sort_by(|a, b| lost(a.1).unwrap_or_default().total_cmp(&lost(b.1).unwrap_or_default()));
        for (line, with) in newest.into_iter().take(MOST_DRAWN) {
            self.along_the_line(line, with, change::LOW);
        }
    }

    /// Each line against its newest earlier survey in a row.
    fn every_comparison(&mut self, lines: &[&LineAssessment]) {
        let unit = self.wanted.unit;
        let heads = ["Mean, by", "± U", "Minimum, by", "± U"].map(|name| self.head(name));
        let mut table = DocumentTable::of(&["Line", "Against", "Offset", &heads[0], &heads[1], "", &heads[2], &heads[3], "", "Stretches>"]);
        let mut unjudged = false;
        for line in lines {
            for with in line.comparisons.iter().filter(|with| with.comparison.is_none() || is_newest(line, with)) {
                let day = with.date.map_or_else(|| file_name(&with.source).to_owned(), |day| day.to_string());
                let start = [line.line.clone(), day];
                let Some((comparison, whole)) = with.comparison.as_ref().and_then(|found| Some((found, found.whole.as_ref()?))) else {
                    let why = with.not_compared.clone().unwrap_or_else(|| "single points".to_owned());
                    table.toned(Tone::Watch, start.into_iter().chain([why]));
                    continue;
                };
                let cells = |found: &Difference| {
                    let by = unit.thickness(found.difference.abs());
                    let sign = if found.difference < Length::ZERO { "−" } else { "+" };
                    // Why it is not is said once, under the table.
                    let change = if found.change == Change::Unjudged { NOT_JUDGED } else { found.change.word() };
                    [format!("{sign}{by}"), self.bare(found.expanded), change.to_owned()]
                };
                unjudged |= [&whole.mean, &whole.least].iter().any(|found| found.change == Change::Unjudged);
                let rest = [unit.offset(comparison.offset)].into_iter().chain(cells(&whole.mean)).chain(cells(&whole.least));
                let stretches = comparison.stretches.len().to_string();
                let thinner = comparison.stretches.iter().any(|found| found.mean.change == Change::Thinner);
                let tone = if thinner { Tone::Watch } else { Tone::Plain };
                table.toned(tone, start.into_iter().chain(rest).chain([stretches]));
            }
        }
        self.out.table(table);
        let why = if unjudged { " Not judged: an uncertainty is not known." } else { "" };
        self.out.paragraph(format!(
            "Mean and minimum of all that both read, against the newest earlier survey, and how many stretches changed.{why} Drawn are those of the \
             lines that decide whose minimum lost most; the template 'complete' has every line against every survey, with the stretches that changed."
        ));
    }

    fn compared(&mut self, line: &LineAssessment, with: &LineComparison) {
        let day = with.date.map_or_else(|| "day not known".to_owned(), |day| day.to_string());
        self.out.heading(2, format!("Line {} against {} ({day})", line.line, file_name(&with.source)));
        if !with.warnings.is_empty() {
            self.out.notice(Tone::Watch, "Before comparing", with.warnings.iter().map(|warning| capital(warning)).collect());
        }
        if let Some(why) = &with.not_compared {
            return self.out.notice(Tone::Bad, format!("Not compared: {why}"), vec![]);
        }
        if !with.points.is_empty() {
            self.points(with);
        }
        let Some(comparison) = &with.comparison else { return };
        let mut facts = Vec::new();
        if let Some(alignment) = &with.alignment {
            facts.push(fact("Positions", alignment.why.clone()));
        }
        facts.push(fact(
            "Used",
            format!("{}: {} added to the earlier positions", with.offset_used.word(), self.wanted.unit.offset(comparison.offset)),
        ));
        let only = format!("{} only now, {} only earlier", comparison.only_now, comparison.only_earlier);
        facts.push(fact("Stretches of wall", format!("{} read by both, {only}", comparison.bins.len())));
        if let Some(whole) = &comparison.whole {
            facts.push(fact("Mean of what both read", self.changed(&whole.mean)));
            facts.push(fact("Minimum of what both read", self.changed(&whole.least)));
        }
        let judged = comparison.bins.iter().any(|bin| bin.mean.change != Change::Unjudged);
        let found = match (comparison.stretches.len() as u64, judged) {
            (_, false) => "nothing is judged: an uncertainty is not known".to_owned(),
            (0, true) => "no stretch has changed by more than U".to_owned(),
            (some, true) => {
                format!("{} changed by more than U; {}", count(some, "stretch"), comparison.chance_words())
            }
        };
        facts.push(fact("Changes", found));
        self.out.facts(facts);
        let unit = self.wanted.unit;
        let mut table = DocumentTable::of(&[
            &format!("Stretch, {}", unit.place_symbol()),
            &self.head("Mean then"),
            &self.head("now"),
            &self.head("± U"),
            "",
            &self.head("Minimum then"),
            &self.head("now"),
            &self.head("± U"),
            "",
        ]);
        for stretch in &comparison.stretches {
            let cells = |found: &Difference| {
                [self.bare(Some(found.earlier)), self.bare(Some(found.now)), self.bare(found.expanded), found.change.word().to_owned()]
            };
            let thinner = stretch.mean.change == Change::Thinner || stretch.least.change == Change::Thinner;
            let edges = format!("{} to {}", unit.place(stretch.from), unit.place(stretch.to));
            let row: Vec<String> = std::iter::once(edges).chain(cells(&stretch.mean)).chain(cells(&stretch.least)).collect();
            table.toned(if thinner { Tone::Watch } else { Tone::Plain }, row);
        }
        self.shortened(table, "changed stretches", "upward along the line");
        let all = self.wanted.template.working == Working::All;
        if self.is_drawn(&line.line) && (all || is_newest(line, with)) {
            self.along_the_line(line, with, change::HEIGHT);
        }
    }

    /// An earlier survey of single points: each with the reading nearest to it now.
    fn points(&mut self, with: &LineComparison) {
        let unit = self.wanted.unit;
        let heads = ["Then", "Nearest now", "± U", "Lowest near it"].map(|name| self.head(name));
        let mut table = DocumentTable::of(&[&format!("At, {}>", unit.place_symbol()), &heads[0], &heads[1], &heads[2], "", &heads[3]]);
        for point in &with.points {
            let of = |of: fn(&Difference) -> Length| self.bare(point.nearest.as_ref().map(of));
            let change = point.nearest.map_or("nothing was read there now", |nearest| nearest.change.word());
            let thinner = point.nearest.is_some_and(|nearest| nearest.change == Change::Thinner);
            table.toned(
                if thinner { Tone::Watch } else { Tone::Plain },
                [
                    unit.place(point.at),
                    of(|nearest| nearest.earlier),
                    of(|nearest| nearest.now),
                    self.bare(point.nearest.and_then(|nearest| nearest.expanded)),
                    change.to_owned(),
                    self.bare(point.lowest),
                ],
            );
        }
        self.out.paragraph("The earlier survey is one of single points: each is shown beside the reading nearest to it now.");
        self.shortened(table, "points", "upward along the line");
    }

    /// Whether a line is shown in figures: of all lines, or of those that decide for a course.
    fn is_drawn(&self, line: &str) -> bool {
        let governing = || self.job.assessment.iter().flat_map(|assessment| &assessment.roll_up.courses);
        self.wanted.template.working == Working::All || governing().any(|course| course.governing_line.as_deref() == Some(line))
    }

    /// The minimum of each course of a line over the years.
    fn over_the_years(&self, line: &LineAssessment) -> Option<Captioned> {
        let course = |course: &CourseAssessment| change::ChangeOfCourse {
            name: named(course),
            minima: course
                .minima
                .iter()
                .map(|at| change::Minimum { date: at.date, thickness: at.thickness, expanded: at.expanded })
                .collect(),
            required: course.summary.required,
        };
        let courses: Vec<change::ChangeOfCourse> = line.courses.iter().map(course).collect();
        let title = format!("Line {}: minimum by year", line.line);
        let half = (self.wanted.paper.text_width() - 4.0) / 2.0;
        let figure = change::by_year(&title, &courses, self.wanted.unit, (half, change::HEIGHT))?;
        Some(captioned(figure, "Bars: U (k = 2), where it is known. The minima need not be one place.".to_owned()))
    }

    /// What has changed along the line.
    fn along_the_line(&mut self, line: &LineAssessment, with: &LineComparison, high: f64) {
        let Some(comparison) = &with.comparison else { return };
        let then = with.date.map_or_else(|| file_name(&with.source).to_owned(), |day| day.to_string());
        let title = format!("Line {}: now less {then}", line.line);
        if let Some(figure) = change::along(&title, comparison, self.wanted.unit, (self.wanted.paper.text_width(), high)) {
            let caption =
                "Line: mean of each bin that both read. Dots: its minimum. Grey: U (k = 2) of the mean; what is within it is no change.";
            self.out.figures(vec![captioned(figure, caption.to_owned())]);
        }
    }

    fn changed(&self, found: &Difference) -> String {
        let expanded = found.expanded.map_or_else(|| "U not known".to_owned(), |expanded| format!("U {}", self.thickness(expanded)));
        let by = self.thickness(found.difference.abs());
        let sign = match found.difference.as_mm() {
            _ if !by.contains(|c: char| c.is_ascii_digit() && c != '0') => "",
            less if less < 0.0 => "−",
            _ => "+",
        };
        format!(
            "{} then, {} now: {sign}{by}, {expanded}: {}",
            self.thickness(found.earlier),
            self.thickness(found.now),
            found.change.word()
        )
    }
}
