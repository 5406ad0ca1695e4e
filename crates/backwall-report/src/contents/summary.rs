//! The first page: whether the numbers hold, what was found, what is missing, what was done against the rules.

use super::gather::RunFacts;
use super::{DocumentWriter, count, fact};
use crate::document::Tone;
use crate::template::{Section, Working};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::validity::Validity;
use backwall_survey::reading::Reading;
use backwall_survey::strip::Level;

/// Of what the checklist holds against scanning; the checklist's section has all.
const MOST_OBSTACLES: usize = 3;

/// Of more runs than this the first page names what stands in a table or a section of its own, and no more.
const MANY: usize = 3;

/// A list on the first page has no more lines; its section has all.
pub(super) const MOST_LINES: usize = 6;

impl DocumentWriter<'_> {
    pub(super) fn summary(&mut self) {
        self.whether_calibrated();
        self.answer();
        self.next_steps();
        self.thin_by_hand();
        self.suspected_laminations();
        self.whether_thin();
        self.what_is_missing();
        self.what_was_overridden();
        self.what_does_not_count();
        self.key_facts();
        self.seal_code();
    }

    fn whether_calibrated(&mut self) {
        let runs = &self.job.runs;
        if runs.is_empty() {
            let setup = self.job.contents.setups.last();
            let calibrated = setup.is_some_and(|entry| entry.setup.calibration.is_some());
            let line = if calibrated { "A calibration is in force." } else { "NO CALIBRATION: no block has been measured either." };
            return self.out.notice(Tone::Bad, "NOTHING WAS MEASURED: this job has no runs", vec![line.to_owned()]);
        }
        let stands: Vec<_> = runs.iter().map(|run| (run, run.calibration(self.wanted.unit))).collect();
        let of = |tone| stands.iter().filter(|(_, (found, _))| *found == tone).count() as u64;
        let suspect = runs.iter().filter(|run| matches!(run.validity, Validity::Suspect(_))).count() as u64;
        let (tone, title) = if suspect > 0 {
            (
                Tone::Bad,
                format!("CALIBRATION SUSPECT for {suspect} of {}: do not rely on their thicknesses", count(runs.len() as u64, "run")),
            )
        } else if of(Tone::Bad) > 0 {
            (
                Tone::Bad,
                format!(
                    "NO CALIBRATION for {} of {}: their thicknesses rest on typed values",
                    of(Tone::Bad),
                    count(runs.len() as u64, "run")
                ),
            )
        } else if of(Tone::Watch) > 0 {
            (Tone::Watch, format!("CALIBRATION NOT VERIFIED for {} of {}", of(Tone::Watch), count(runs.len() as u64, "run")))
        } else {
            (
                Tone::Good,
                format!(
                    "Calibration valid for {}",
                    if runs.len() == 1 { "the run".to_owned() } else { format!("all {} runs", runs.len()) }
                ),
            )
        };
        let lines = self.calibrations().into_iter().map(|(_, words)| words).collect();
        self.out.notice(tone, title, lines);
    }

    /// How the calibration of each run stands; what holds of several runs is said once.
    pub(super) fn calibrations(&self) -> Vec<(Tone, String)> {
        let mut said: Vec<(Tone, String, Vec<String>)> = Vec::new();
        for run in &self.job.runs {
            let (tone, words) = run.calibration(self.wanted.unit);
            match said.iter_mut().find(|(_, known, _)| *known == words) {
                Some((.., runs)) => runs.push(run.name()),
                None => said.push((tone, words, vec![run.name()])),
            }
        }
        said.into_iter().map(|(tone, words, runs)| (tone, format!("{}: {words}", self.named(&runs)))).collect()
    }

    /// Runs by their names; all of many are only said to be all.
    fn named(&self, runs: &[String]) -> String {
        match runs.len() {
            all if all > MANY && all == self.job.runs.len() => format!("All {all} runs"),
            _ => capital(&runs.join(", ")),
        }
    }

    /// Whether what stands in a table or a section of its own is only named on the first page: of many runs, and where the template shows
    /// what decides alone.
    pub(super) fn is_condensed(&self) -> bool {
        self.job.assessment.is_some() && (self.job.runs.len() > MANY || self.wanted.template.working == Working::Governing)
    }

    fn whether_thin(&mut self) {
        let runs = &self.job.runs;
        if runs.is_empty() {
            return;
        }
        let spots = |level| runs.iter().map(|run| run.spots_of(level)).sum::<usize>() as u64;
        let readings = |level: fn(&RunFacts) -> u64| runs.iter().map(level).sum::<u64>();
        let (thin, watch) = (readings(|run| run.statistics.thin), readings(|run| run.statistics.watch));
        let mut lines = Vec::new();
        // The assessment's minimum: of all runs it counts.
        let least = self.thinnest();
        lines.extend(least.map(|(run, reading)| format!("Minimum reading: {}", self.where_found(run, reading))));
        lines.extend(
            self.least_margin()
                .map(|(run, reading)| format!("Minimum margin over the required thickness: {}", self.where_found(run, reading))),
        );
        if self.is_condensed() {
            // Both stand in the table above and with the worst places.
            lines.clear();
        }
        if lines.len() == 2 && lines[0].split_once(": ").map(|it| it.1) == lines[1].split_once(": ").map(|it| it.1) {
            lines.truncate(1);
        }
        let least = least.and_then(|(_, reading)| reading.measurement.thickness);
        let lower =
            |run: &&RunFacts| run.alone.as_ref().is_some_and(|(reading, _)| reading.measurement.thickness < least || least.is_none());
        let standing: Vec<&RunFacts> = runs.iter().filter(lower).collect();
        let lowest = standing.iter().filter_map(|run| Some((*run, &run.alone.as_ref()?.0)));
        let lowest =
            lowest.min_by(|a, b| a.1.measurement.thickness.unwrap_or_default().total_cmp(&b.1.measurement.thickness.unwrap_or_default()));
        if let Some((run, reading)) = lowest.filter(|_| !self.is_condensed()) {
            let all = standing.iter().filter_map(|run| Some(run.alone.as_ref()?.1)).sum();
            let names: Vec<String> = standing.iter().map(|run| run.name()).collect();
            lines.push(format!(
                "no neighbour agrees with {} of {}, the lowest {}: look there by hand",
                count(all, "reading"),
                names.join(", "),
                self.where_found(run, reading)
            ));
        }
        for run in runs {
            if !run.is_counted() {
                let least = run.summary.least.map_or_else(|| "no thickness".to_owned(), |least| self.thickness(least));
                lines.push(format!(
                    "{} is suspect and left out of every assessed number: its minimum reading {least}",
                    capital(&run.name())
                ));
            }
        }
        let unseen: usize = runs.iter().map(|run| run.wall.spots.iter().filter(|spot| !spot.acknowledged).count()).sum();
        if unseen > 0 {
            lines.push(format!("{} not acknowledged by the operator", count(unseen as u64, "spot")));
        }
        let judged = self.job.contents.plan.asset.courses.iter().filter(|course| course.required.is_some()).count();
        let all = self.job.contents.plan.asset.courses.len();
        if (judged < all || all == 0) && !self.is_required_by_formula() {
            lines.push(format!("{} of {all} courses have no required thickness: their readings are not judged", all - judged));
        }
        let (tone, title) = match (thin, watch) {
            _ if runs.iter().all(|run| run.statistics.read == 0) => {
                (Tone::Bad, "NO THICKNESS was read anywhere: nothing can be said about the wall".to_owned())
            }
            (1.., _) => {
                (Tone::Bad, format!("THIN: {} under the required thickness, {}", count(thin, "reading"), count(spots(Level::Thin), "spot")))
            }
            (0, 1..) => (
                Tone::Watch,
                format!(
                    "WATCH: {} within the watch margin, {}; none under the required thickness",
                    count(watch, "reading"),
                    count(spots(Level::Watch), "spot")
                ),
            ),
            (0, 0) if judged == 0 && self.is_required_by_formula() => (
                Tone::Watch,
                "NO LEVELS: the plan gives no required thickness, so single readings have none; the decisions above go by the formula"
                    .to_owned(),
            ),
            (0, 0) if judged == 0 => (Tone::Watch, "NO LIMIT: no required thickness is known, nothing is judged".to_owned()),
            (0, 0) => (
                Tone::Plain,
                "No reading under its limit, where there was an echo: a level compares single readings and decides nothing".to_owned(),
            ),
        };
        if self.wanted.template.is_brief {
            // Where, by how much and what to do stands in the answer and with the worst places.
            lines.clear();
        }
        self.out.notice(tone, title, lines);
    }

    /// Whether the assessment has a required thickness that the plan does not give.
    fn is_required_by_formula(&self) -> bool {
        self.job.assessment.iter().flat_map(|assessment| &assessment.roll_up.courses).any(|course| course.required.is_some())
    }

    /// The least reading of all that a neighbour agrees with.
    pub(super) fn thinnest(&self) -> Option<(&RunFacts, &Reading)> {
        self.readings_of_note()
            .min_by(|a, b| a.1.measurement.thickness.unwrap_or_default().total_cmp(&b.1.measurement.thickness.unwrap_or_default()))
    }

    /// The reading with the least wall left over its required thickness.
    fn least_margin(&self) -> Option<(&RunFacts, &Reading)> {
        let margin = |(run, reading): &(&RunFacts, &Reading)| {
            Some(reading.measurement.thickness? - run.summary.start.limits.required(reading.place.course)?)
        };
        self.readings_of_note()
            .filter_map(|found| Some((margin(&found)?, found)))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, found)| found)
    }

    /// The thinnest of each course of each run that is not suspect.
    fn readings_of_note(&self) -> impl Iterator<Item = (&RunFacts, &Reading)> {
        self.job.runs.iter().filter(|run| run.is_counted()).flat_map(|run| run.thinnest.iter().map(move |reading| (run, reading)))
    }

    pub(super) fn where_found(&self, run: &RunFacts, reading: &Reading) -> String {
        let measurement = &reading.measurement;
        let thickness = measurement.thickness.map_or_else(|| "none".to_owned(), |t| self.with_uncertainty(t, measurement, &run.validity));
        let course = reading.place.course.map_or_else(|| "course not known".to_owned(), |course| format!("course {course}"));
        let limits = &run.summary.start.limits;
        let required = limits
            .required(reading.place.course)
            .map_or_else(|| "no required thickness".to_owned(), |required| format!("required {}", self.thickness(required)));
        format!("{thickness} at {}, {}, {course}, {required}, {}", self.place(reading.place.along), run.name(), reading.level)
    }

    fn what_was_overridden(&mut self) {
        let contents = &self.job.contents;
        // What was done alike several times is said once.
        let mut alike: Vec<(&str, &str, Vec<&Signed>)> = Vec::new();
        for (why, by) in &contents.overrides {
            match alike.iter_mut().find(|(known, name, _)| *known == why.as_str() && *name == by.name) {
                Some((.., all)) => all.push(by),
                None => alike.push((why, &by.name, vec![by])),
            }
        }
        let mut lines: Vec<String> = alike
            .into_iter()
            .map(|(why, name, all)| match all.as_slice() {
                [once] => format!("What stops scanning was OVERRIDDEN by {}: {why}", self.signed(once)),
                all => format!("What stops scanning was OVERRIDDEN by {name}: {why} ({} times)", all.len()),
            })
            .collect();
        let mut typed: Vec<(&str, Vec<String>)> = Vec::new();
        for run in self.job.runs.iter().filter(|run| run.summary.start.setup.calibration.is_none()) {
            let why = run.summary.start.checklist_override.as_ref().map_or("not overridden", String::as_str);
            match typed.iter_mut().find(|(known, _)| *known == why) {
                Some((_, runs)) => runs.push(run.name()),
                None => typed.push((why, vec![run.name()])),
            }
        }
        lines.extend(typed.into_iter().map(|(why, runs)| {
            let was = if runs.len() == 1 { "was" } else { "were" };
            format!("{} {was} scanned WITHOUT A CALIBRATION in force: {why}", self.named(&runs))
        }));
        let obstacles = contents.checklist.obstacles(&contents.answers, &contents.signatures, &self.conditions());
        if !obstacles.is_empty() {
            let most = if self.is_condensed() { 1 } else { MOST_OBSTACLES };
            let more = obstacles.len().saturating_sub(most);
            let more = if more > 0 { format!("; and {more} more") } else { String::new() };
            let first: Vec<_> = obstacles.iter().rev().take(most).map(ToString::to_string).collect();
            lines.push(format!("The pre-scan checklist does not allow scanning: {}{more}", first.join("; ")));
        }
        for person in contents.plan.people.iter().filter(|person| self.expired(person.expires)) {
            let until = person.expires.map_or_else(String::new, |date| date.to_string());
            lines.push(format!("The certificate of {} had EXPIRED on {until}", person.name));
        }
        for kit in contents.plan.kit.iter().filter(|kit| self.expired(kit.due)) {
            let due = kit.due.map_or_else(String::new, |date| date.to_string());
            lines.push(format!("{} {} was OVERDUE since {due}", capital(&kit.kind), kit.serial));
        }
        if !lines.is_empty() {
            self.out.notice(Tone::Bad, "AGAINST THE RULES", lines);
        }
    }

    fn key_facts(&mut self) {
        let brief = self.wanted.template.is_brief || self.is_condensed();
        if brief && self.job.unseen.is_none() {
            return;
        }
        let plan = &self.job.contents.plan;
        let scanned = plan.lines.iter().filter(|line| self.job.has_scanned(&line.name)).count();
        let (readings, none) = self.counted_readings();
        let mut facts = vec![
            fact("Lines scanned", format!("{scanned} of {} planned, in {}", plan.lines.len(), count(self.job.runs.len() as u64, "run"))),
            fact("Readings", format!("{readings}, {none} of them without an echo")),
        ];
        if let Some(share) = self.job.map.scanned_share() {
            facts.push(fact(
                "Scanned share of the surface",
                format!("{}: only the scanned lines are known, nothing is said about the wall between them", self.share_of_surface(share)),
            ));
        }
        if let Some(unseen) = &self.job.unseen {
            facts.push(fact(
                "Could not have been seen",
                format!("{}; section \u{201c}{}\u{201d}", unseen.summary(self.wanted.unit), self.wanted.template.heading(Section::Unseen)),
            ));
        }
        self.out.facts(facts);
    }

    /// Readings of all runs, and those without an echo among them.
    pub(super) fn counted_readings(&self) -> (u64, u64) {
        let total = |of: fn(&RunFacts) -> u64| self.job.runs.iter().map(of).sum::<u64>();
        (total(|run| run.statistics.readings), total(|run| run.statistics.no_echo))
    }

    pub(super) fn share_of_surface(&self, share: f64) -> String {
        let (per_m2, symbol) = crate::words::area(self.wanted.unit);
        let (scanned, whole) = (self.job.map.scanned_m2() * per_m2, self.job.map.ground.surface_m2() * per_m2);
        format!("{:.3} % ({scanned:.2} of {whole:.0} {symbol})", share * 100.0)
    }
}

/// With a capital first letter.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
