//! What was found, line by line and course by course, and what was not.

use super::{DocumentWriter, captioned, count};
use crate::document::{DocumentTable, Paper, Tone};
use crate::figure::{data, map};
use crate::template::Working;
use crate::words::percent;
use backwall_survey::strip::Level;
use backwall_survey::strip::statistics::{Percentiles, Statistics};
use backwall_units::Length;

/// Of more runs than this a table gives their number only.
const MOST_RUNS: usize = 3;

impl DocumentWriter<'_> {
    pub(super) fn results(&mut self) {
        let unit = self.wanted.unit;
        let mut table = DocumentTable::of(&[
            "Line",
            "Run",
            &format!("Scanned, {}", unit.place_symbol()),
            "Readings>",
            "No echo>",
            &self.head("Minimum"),
            &self.head("± U"),
            &format!("At, {}>", unit.place_symbol()),
            "THIN>",
            "WATCH>",
            "Covered>",
            "Calibration",
        ]);
        for line in &self.job.contents.plan.lines {
            let mut scanned = false;
            for run in self.job.runs.iter().filter(|run| run.summary.start.line == line.name) {
                scanned = true;
                let summary = &run.summary;
                let statistics = &run.statistics;
                let least = run
                    .thinnest
                    .iter()
                    .min_by(|a, b| a.measurement.thickness.unwrap_or_default().total_cmp(&b.measurement.thickness.unwrap_or_default()));
                let (tone, _) = run.calibration(self.wanted.unit);
                let tone = if run.spots_of(Level::Thin) > 0 { Tone::Bad } else { tone };
                table.toned(
                    if tone == Tone::Good { Tone::Plain } else { tone },
                    [
                        line.name.clone(),
                        summary.id.to_string(),
                        summary
                            .from
                            .zip(summary.to)
                            .map_or_else(|| "–".to_owned(), |(from, to)| format!("{} to {}", unit.place(from), unit.place(to))),
                        statistics.readings.to_string(),
                        statistics.no_echo_share.map_or_else(|| "–".to_owned(), percent),
                        self.bare(statistics.least.map(|found| found.thickness)),
                        self.bare(least.and_then(|reading| reading.measurement.uncertainty).map(|u| u * 2.0)),
                        statistics.least.and_then(|found| found.along).map_or_else(|| "–".to_owned(), |along| unit.place(along)),
                        run.spots_of(Level::Thin).to_string(),
                        run.spots_of(Level::Watch).to_string(),
                        statistics.coverage.and_then(|coverage| coverage.share).map_or_else(|| "–".to_owned(), percent),
                        run.validity.word().to_owned(),
                    ],
                );
            }
            if !scanned {
                table.toned(Tone::Watch, [line.name.clone(), "–".to_owned(), "NOT SCANNED".to_owned()]);
            }
        }
        if table.rows.is_empty() {
            self.out.paragraph("The job plan has no lines.");
        }
        if !table.rows.is_empty() {
            self.out.paragraph(format!(
                "THIN and WATCH count spots. Covered is the share of the planned line without gaps longer than {}. U: k = 2.",
                self.long(self.job.contents.plan.limits.max_gap)
            ));
        }
        self.out.table(table);
        self.by_hand();
    }

    pub(super) fn map(&mut self) {
        let paper = match (self.wanted.template.working, self.job.map.ground.is_sphere()) {
            (Working::All, _) => map::PAPER,
            (Working::Governing, false) => self.as_low_as_its_paper(map::LOW),
            (Working::Governing, true) => self.as_low_as_its_paper(map::LOW_SPHERE),
        };
        let figure = data::map_figure(&self.job.contents, &self.job.map, self.wanted.unit, paper);
        let share = self.job.map.scanned_share().map_or_else(|| "not known".to_owned(), |share| self.share_of_surface(share));
        let caption = format!("The unrolled wall. Scanned share of its surface: {share}. Blank wall was not scanned.");
        self.out.figures(vec![captioned(figure, caption)]);
    }

    /// A figure made for A4, on lower paper by as much lower.
    fn as_low_as_its_paper(&self, (width, height): (f64, f64)) -> (f64, f64) {
        (width, height - (Paper::A4.text_height() - self.wanted.paper.text_height()))
    }

    pub(super) fn statistics(&mut self) {
        if self.job.runs.is_empty() {
            return self.out.paragraph("No run was made.");
        }
        let unit = self.wanted.unit.thickness_symbol();
        self.out.paragraph(format!(
            "Thicknesses in {unit}; gap is the longest stretch without one. Every reading counts once, so where the crawler crept the mean leans towards that place. Percentiles are linear between order \
             statistics. Readings without an echo are counted and have no thickness."
        ));
        let mut table = self.statistics_table();
        for run in &self.job.runs {
            let by_hand = |course: Option<Option<u16>>| {
                let on_line = self.job.contents.force.hand_on(&run.summary.start.line);
                let path = &run.summary.start.path;
                let found = on_line.filter(|(_, along)| course.is_none_or(|course| path.course_at(*along) == course)).count();
                if found == 0 { String::new() } else { format!(", beside it {found} by hand") }
            };
            for course in &run.courses {
                let name = course.course.map_or_else(|| "not known".to_owned(), |number| number.to_string());
                let name = name + &by_hand(Some(course.course));
                let required = run.summary.start.limits.required(course.course);
                table.row(self.statistics_row(run, name, &course.statistics, required));
            }
            table.row(self.statistics_row(run, "all".to_owned() + &by_hand(None), &run.statistics, None));
        }
        self.out.table(table);
    }

    fn statistics_table(&self) -> DocumentTable {
        let at = format!("At, {}>", self.wanted.unit.place_symbol());
        let heads = [
            "Line",
            "Run>",
            "Course",
            "Readings>",
            "No echo>",
            "Required>",
            "Minimum>",
            &at,
            "5 %>",
            "Median>",
            "Mean>",
            "St. dev.>",
            "Greatest>",
            "Gap>",
            "Covered>",
        ];
        DocumentTable::of(&heads)
    }

    fn statistics_row(&self, run: &super::RunFacts, name: String, of: &Statistics, required: Option<Length>) -> Vec<String> {
        let unit = self.wanted.unit;
        let percentile = |pick: fn(&Percentiles) -> Length| self.bare(of.percentiles.as_ref().map(pick));
        vec![
            run.summary.start.line.clone(),
            run.summary.id.to_string(),
            name,
            of.readings.to_string(),
            of.no_echo_share.map_or_else(|| "–".to_owned(), percent),
            self.bare(required),
            self.bare(of.least.map(|found| found.thickness)),
            of.least.and_then(|found| found.along).map_or_else(|| "–".to_owned(), |along| unit.place(along)),
            percentile(|p| p.p5),
            percentile(|p| p.p50),
            self.bare(of.mean),
            self.bare(of.deviation),
            self.bare(of.greatest.map(|found| found.thickness)),
            of.coverage.map_or_else(|| "–".to_owned(), |coverage| self.long(coverage.largest_gap.length())),
            of.coverage.and_then(|coverage| coverage.share).map_or_else(|| "–".to_owned(), percent),
        ]
    }

    pub(super) fn missing(&mut self) {
        if self.wanted.template.is_brief {
            let lines = self.missing_briefly(0);
            return self.out.bullets(if lines.is_empty() { vec!["Nothing planned is missing.".to_owned()] } else { lines });
        }
        let doubtful: Vec<String> =
            self.calibrations().into_iter().filter(|(tone, _)| *tone != Tone::Good).map(|(_, words)| words).collect();
        if doubtful.is_empty() && !self.job.runs.is_empty() {
            self.out.paragraph("No run is suspect or without calibration.");
        }
        if !doubtful.is_empty() {
            self.out.notice(Tone::Bad, "Runs whose thicknesses are not to be relied on", doubtful);
        }
        let all = self.wanted.template.working == Working::All;
        let missing = if all { self.missing_lines() } else { self.missing_briefly(MOST_RUNS) };
        if missing.is_empty() {
            self.out.paragraph("Nothing planned is missing.");
        } else {
            self.out.notice(Tone::Watch, "What is missing", missing);
        }
        let off: Vec<_> = self.job.map.off.iter().map(|(line, why)| format!("Line {line} is not on the map: {why}")).collect();
        self.out.bullets(off);
        self.noted();
        self.amendments();
        self.gaps();
        self.flags();
    }

    /// Gaps of all runs, longest first.
    fn gaps(&mut self) {
        let mut gaps: Vec<_> = self.job.runs.iter().flat_map(|run| run.gaps.iter().map(move |gap| (run, *gap))).collect();
        gaps.sort_by(|(_, a), (_, b)| b.length().total_cmp(&a.length()));
        let mut table = DocumentTable::of(&["Run", "Gap", "Length>", "Within it"]);
        for (run, gap) in gaps {
            let inside = run.wall.strip.stretch(gap.from, gap.to);
            let why = match inside.lost {
                0 => "not driven: no shot was taken".to_owned(),
                lost => format!("{} without an echo", count(u64::from(lost), "reading")),
            };
            table.row([run.name(), self.stretch(gap.from, gap.to), self.long(gap.length()), why]);
        }
        if !table.rows.is_empty() {
            self.out.heading(2, "Gaps over the procedure's limit, longest first");
            self.shortened(table, "gaps", "shorter ones");
        }
    }

    /// Flags on readings over all runs.
    fn flags(&mut self) {
        let mut found: Vec<(backwall_ultrasound::Flag, u64, Vec<String>)> = Vec::new();
        for run in &self.job.runs {
            for (flag, readings) in &run.readings_by_flag {
                let words = format!("{} in run {}", readings, run.summary.id);
                match found.iter_mut().find(|(known, ..)| known == flag) {
                    Some((_, all, runs)) => {
                        *all += readings;
                        runs.push(words);
                    }
                    None => found.push((*flag, *readings, vec![words])),
                }
            }
        }
        found.sort_by_key(|(_, readings, _)| std::cmp::Reverse(*readings));
        let mut table = DocumentTable::of(&["Flag", "Readings>", "Of them", "Means"]);
        for (flag, readings, runs) in found {
            let of_them = if runs.len() > MOST_RUNS { format!("in {} runs", runs.len()) } else { runs.join(", ") };
            table.row([flag.word().to_owned(), readings.to_string(), of_them, flag.explanation().to_owned()]);
        }
        if !table.rows.is_empty() {
            self.out.heading(2, "Flags on readings");
            self.shortened(table, "flags", "rarer ones");
        }
    }
}
