//! What was not read: of all runs together on the first page, run by run in its section.

use super::summary::{MOST_LINES, capital};
use super::{DocumentWriter, RunFacts, count};
use crate::document::Tone;
use crate::words::percent;
use backwall_store::RunState;

impl DocumentWriter<'_> {
    pub(super) fn what_is_missing(&mut self) {
        if self.wanted.template.is_brief {
            return;
        }
        let lines = self.missing_briefly(MOST_LINES);
        match lines.is_empty() {
            true => self.out.notice(Tone::Good, "Every planned line was scanned without a gap over the procedure's limit", vec![]),
            false => self.out.notice(Tone::Watch, "MISSING DATA", lines),
        }
    }

    /// The same for the first page: of many runs what they miss together, and by name those with more than lost shots and gaps.
    pub(super) fn missing_briefly(&self, most: usize) -> Vec<String> {
        let runs = &self.job.runs;
        let mut lines = self.missing_lines();
        if lines.len() <= most.max(1) {
            return lines;
        }
        let total = |of: fn(&RunFacts) -> u64| runs.iter().map(of).sum::<u64>();
        let (readings, none, lost) =
            (total(|run| run.statistics.readings), total(|run| run.statistics.no_echo), total(|run| run.summary.lost));
        let gaps = || runs.iter().flat_map(|run| run.gaps.iter().map(move |gap| (run, gap)));
        let longest = gaps().max_by(|a, b| a.1.length().total_cmp(&b.1.length()));
        let longest = longest.map_or_else(String::new, |(run, gap)| {
            format!(", the longest {} ({}, {})", self.long(gap.length()), self.stretch(gap.from, gap.to), run.name())
        });
        let share = if readings > 0 { none as f64 / readings as f64 } else { 0.0 };
        let lost = if lost > 0 { format!("{} lost {}; ", count(runs.len() as u64, "run"), count(lost, "shot")) } else { String::new() };
        let together = format!(
            "{lost}no echo in {none} of {readings} readings ({}); {} longer than {}{longest}",
            percent(share),
            count(gaps().count() as u64, "gap"),
            self.long(self.job.contents.plan.limits.max_gap)
        );
        lines.retain(|line| line.contains("NOT SCANNED"));
        lines.push(capital(&together));
        for run in runs.iter().filter(|run| run.summary.state != RunState::Closed || run.statistics.read == 0) {
            lines.push(format!("{} {}", capital(&run.name()), run.flaws().join("; it ")));
        }
        lines
    }

    /// Lines never scanned, then each run's holes and flaws.
    pub(super) fn missing_lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        let plan = &self.job.contents.plan;
        let never: Vec<_> = plan.lines.iter().filter(|line| !self.job.has_scanned(&line.name)).map(|line| line.name.as_str()).collect();
        if !never.is_empty() {
            lines.push(format!("{} of {} planned lines NOT SCANNED: {}", never.len(), plan.lines.len(), never.join(", ")));
        }
        for run in &self.job.runs {
            let mut found = run.flaws();
            let statistics = &run.statistics;
            if let (Some(share), true) = (statistics.no_echo_share, statistics.no_echo > 0 && statistics.read > 0) {
                found.push(format!("has no echo in {} of {} readings ({})", statistics.no_echo, statistics.readings, percent(share)));
            }
            if let Some(coverage) = statistics.coverage.filter(|coverage| coverage.gaps_over.is_some_and(|gaps| gaps > 0)) {
                found.push(format!(
                    "has {} longer than {}, the longest {} ({}); covered {}",
                    count(coverage.gaps_over.unwrap_or_default(), "gap"),
                    self.long(plan.limits.max_gap),
                    self.long(coverage.largest_gap.length()),
                    self.stretch(coverage.largest_gap.from, coverage.largest_gap.to),
                    coverage.share.map_or_else(|| "share not known".to_owned(), percent)
                ));
            }
            if !found.is_empty() {
                lines.push(format!("{} {}", capital(&run.name()), found.join("; it ")));
            }
        }
        lines
    }
}
