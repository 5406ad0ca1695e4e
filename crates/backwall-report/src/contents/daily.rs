//! What one day came to and what is left, for the office in the evening: two pages, preliminary, and said so.

use super::summary::capital;
use super::{DocumentWriter, RunFacts, fact};
use crate::document::{DocumentTable, Tone};
use crate::words::{self, count, safe_text};
use backwall_store::RunState;
use backwall_survey::job::left::Weight;
use backwall_survey::job::{Said, Statement};
use backwall_survey::strip::Level;
use backwall_units::Length;

/// Spots the day's list has at most.
const MOST_SPOTS: usize = 12;
const DAY_US: i64 = 24 * 3_600_000_000;

impl<'a> DocumentWriter<'a> {
    /// What was driven and found on the day of issue.
    pub(super) fn day(&mut self) {
        self.out.notice(
            Tone::Watch,
            "PRELIMINARY: a daily report is not the survey report. Calibrations may still be open and findings unproven; act on them by the procedure.",
            vec![],
        );
        let runs = self.runs_of_the_day();
        self.day_facts(&runs);
        if runs.is_empty() {
            return self.out.paragraph("Nothing was scanned on this day.");
        }
        let thickness = self.wanted.unit.thickness_symbol();
        let mut table = DocumentTable::of(&[
            "Run>",
            "Line",
            "From, to",
            "Readings>",
            "No echo>",
            &format!("Minimum, {thickness}>"),
            "Spots>",
            "State",
            "Calibration",
        ]);
        for run in &runs {
            let summary = &run.summary;
            let state = match summary.state {
                RunState::Open => "being recorded",
                RunState::Closed => "closed",
                RunState::Interrupted => "INTERRUPTED",
            };
            table.row([
                summary.id.to_string(),
                safe_text(&summary.start.line),
                summary.from.zip(summary.to).map_or_else(|| "–".to_owned(), |(from, to)| self.stretch(from, to)),
                summary.readings.to_string(),
                summary.no_echo.to_string(),
                self.bare(summary.least),
                summary.spots.to_string(),
                state.to_owned(),
                run.validity.word().to_owned(),
            ]);
        }
        self.out.table(table);
        self.findings(&runs);
    }

    fn day_facts(&mut self, runs: &[&RunFacts]) {
        let mut facts = Vec::new();
        if let Some(left) = &self.wanted.left {
            let ((read, planned), (done, lines)) = (left.read(), left.lines_done());
            facts.push(fact("Lines done", format!("{done} of {lines}")));
            facts.push(fact("Read", format!("{} of {}", self.place(Some(read)), self.place(Some(planned)))));
        }
        let (mut metres, mut seconds) = (Length::ZERO, 0.0);
        for run in runs {
            let summary = &run.summary;
            metres = summary.from.zip(summary.to).map_or(metres, |(from, to)| metres + (to - from));
            seconds += summary.closed_us.map_or(0.0, |end| (end - summary.start.started_us) as f64 / 1e6);
        }
        facts.push(fact("Driven on this day", format!("{} in {}", self.place(Some(metres)), words::hours(seconds))));
        if let Some(left) = &self.wanted.left {
            let open = left.items.iter().filter(|item| item.weight == Weight::StopsScanning).count() as u64;
            let ready = if open == 0 { "nothing stops it".to_owned() } else { format!("{} open, see below", count(open, "item")) };
            facts.push(fact("Before the next run", ready));
        }
        self.out.facts(facts);
    }

    /// The worst spots of the day, THIN first.
    fn findings(&mut self, runs: &[&RunFacts]) {
        let mut spots: Vec<_> = runs.iter().flat_map(|run| run.wall.spots.iter().map(move |spot| (*run, spot))).collect();
        spots.sort_by(|(_, a), (_, b)| b.level.cmp(&a.level).then(a.least.total_cmp(&b.least)));
        self.out.heading(2, "Findings");
        if spots.is_empty() {
            return self.out.paragraph("No spot under a limit was found.");
        }
        let total = spots.len();
        let mut table =
            DocumentTable::of(&["Level", "Line", "At", &self.head("Minimum"), &self.head("Required"), "Judged as", "Acknowledged"]);
        for (run, spot) in spots.into_iter().take(MOST_SPOTS) {
            table.toned(
                if spot.level == Level::Thin { Tone::Bad } else { Tone::Watch },
                [
                    spot.level.word().to_owned(),
                    safe_text(&run.summary.start.line),
                    self.place(spot.least_at),
                    self.bare(Some(spot.least)),
                    self.bare(run.summary.start.limits.required(spot.course)),
                    spot.finding.map_or("not judged", |finding| finding.kind.word()).to_owned(),
                    if spot.acknowledged { "yes" } else { "no" }.to_owned(),
                ],
            );
        }
        self.out.table(table);
        if total > MOST_SPOTS {
            self.out.paragraph(format!("{} more are in the job; `backwall export --what spots` writes all of them.", total - MOST_SPOTS));
        }
    }

    /// What is left to do, worst first.
    pub(super) fn left(&mut self) {
        let Some(left) = &self.wanted.left else {
            return self.out.paragraph("Not looked for.");
        };
        if left.items.is_empty() {
            return self.out.paragraph("Nothing is left to do.");
        }
        for weight in Weight::ALL {
            let of_weight = left.items.iter().filter(|item| item.weight == weight);
            let due = |due_us: Option<i64>| due_us.map_or_else(String::new, |at_us| format!("; due {}", self.time(at_us)));
            let items: Vec<String> = of_weight.map(|item| safe_text(&capital(&item.words)) + &due(item.due_us)).collect();
            if items.is_empty() {
                continue;
            }
            self.out.heading(2, weight.heading());
            let most = self.wanted.template.list_rows;
            let more = items.len().saturating_sub(most);
            self.out.bullets(items.into_iter().take(most).collect());
            if more > 0 {
                self.out.paragraph(format!("{more} more; `backwall status` lists all of them."));
            }
        }
    }

    /// Who worked when, in what weather, and what was handed over.
    pub(super) fn shifts(&mut self) {
        let mut table = DocumentTable::of(&["Shift", "Hours>", "Crew", "Weather", "Gas", "Handed over"]);
        let daily = self.wanted.template.is_daily;
        for (begun, ended) in self.signed_on().into_iter().filter(|shift| !daily || self.reaches_the_day(shift)) {
            table.row(self.shift(begun, ended));
        }
        if table.rows.is_empty() {
            return self.out.paragraph("No shift was signed on.");
        }
        self.out.table(table);
    }

    /// Each shift from sign-on to sign-off, as far as it was signed off.
    fn signed_on(&self) -> Vec<(&'a Statement, Option<&'a Statement>)> {
        let contents = &self.job.contents;
        let mut shifts: Vec<(&Statement, Option<&Statement>)> = Vec::new();
        for statement in contents.statements.iter().filter(|statement| contents.force.stands(statement.id)) {
            match (&statement.said, shifts.last_mut()) {
                (Said::SignOn(_), _) => shifts.push((statement, None)),
                (Said::SignOff(_), Some((_, ended))) if ended.is_none() => *ended = Some(statement),
                _ => {}
            }
        }
        shifts
    }

    fn shift(&self, begun: &Statement, ended: Option<&Statement>) -> Vec<String> {
        let Said::SignOn(shift) = &begun.said else { return Vec::new() };
        let mut crew = vec![begun.by.name.clone()];
        crew.extend(shift.crew.iter().cloned());
        let handover = match ended.map(|ended| &ended.said) {
            Some(Said::SignOff(off)) => safe_text(&off.handover),
            _ => "not signed off".to_owned(),
        };
        let hours = ended.map_or_else(|| "–".to_owned(), |ended| words::hours((ended.by.at_us - begun.by.at_us) as f64 / 1e6));
        vec![self.time(begun.by.at_us), hours, safe_text(&crew.join(", ")), safe_text(&shift.weather), safe_text(&shift.gas), handover]
    }

    /// A shift that reaches into the day of issue belongs to it as a whole: a night shift is one day's work.
    fn reaches_the_day(&self, (begun, ended): &(&Statement, Option<&Statement>)) -> bool {
        let goes_on = ended.is_none() && (0..DAY_US).contains(&(self.wanted.issued_us - begun.by.at_us));
        goes_on || self.is_of_the_day(begun.by.at_us) || ended.is_some_and(|ended| self.is_of_the_day(ended.by.at_us))
    }

    /// The runs of the day of issue and of the shifts that reach into it.
    fn runs_of_the_day(&self) -> Vec<&'a RunFacts> {
        let mut shifts = self.signed_on();
        shifts.retain(|shift| self.reaches_the_day(shift));
        let is_of_the_day = |at_us| {
            let within = |(begun, ended): &(&Statement, Option<&Statement>)| {
                begun.by.at_us <= at_us && at_us <= ended.map_or(self.wanted.issued_us, |ended| ended.by.at_us)
            };
            self.is_of_the_day(at_us) || shifts.iter().any(within)
        };
        self.job.runs.iter().filter(|run| is_of_the_day(run.summary.start.started_us)).collect()
    }

    /// Whether a time lies on the day of issue, by the report's clock.
    fn is_of_the_day(&self, at_us: i64) -> bool {
        let day = |us| words::day(us, self.job.contents.plan.zone());
        day(at_us).is_some() && day(at_us) == day(self.wanted.issued_us)
    }
}
