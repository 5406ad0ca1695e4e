//! Spots that may be laminations: what the first page says of them, and what speaks for each.

use super::summary::capital;
use super::{DocumentWriter, RunFacts, count};
use crate::document::Tone;
use backwall_survey::neighbours::{Finding, Kind};
use backwall_survey::strip::Spot;

/// Suspected laminations whose evidence the first page has; the others are named.
const MOST_EVIDENCE: usize = 2;

impl RunFacts {
    /// Its spots that may be laminations.
    pub fn laminations(&self) -> impl Iterator<Item = (&Spot, &Finding)> {
        let spots = self.wall.spots.iter().filter_map(|spot| Some((spot, spot.finding.as_ref()?)));
        spots.filter(|(_, finding)| finding.kind == Kind::Lamination)
    }
}

impl DocumentWriter<'_> {
    /// Which spots may be laminations, and that they count as wall until that is proven.
    pub(super) fn suspected_laminations(&mut self) {
        let (mut lines, mut open, mut more) = (Vec::new(), 0, Vec::new());
        if self.is_condensed() {
            return self.laminations_briefly();
        }
        let most = if self.wanted.template.is_brief { 0 } else { MOST_EVIDENCE };
        for run in &self.job.runs {
            for (spot, finding) in run.wall.spots.iter().filter_map(|spot| Some((spot, spot.finding?))) {
                if finding.kind == Kind::Lamination {
                    let place = spot.edges.map_or_else(String::new, |(from, to)| format!(" at {}", self.stretch(from, to)));
                    let proven = self.proven_sentence(run.summary.id, spot);
                    open += usize::from(proven.is_none());
                    if lines.len() >= most && proven.is_none() {
                        more.push(format!("spot {} of {}{place}", spot.id, run.name()));
                        continue;
                    }
                    let proven = proven.map_or_else(String::new, |proven| format!(". {proven}"));
                    lines.push(format!("Spot {} of {}{place}: {}{proven}", spot.id, run.name(), finding.evidence(self.wanted.unit)));
                }
            }
        }
        let all = lines.len() + more.len();
        if !more.is_empty() {
            let like = if lines.is_empty() { "" } else { "Like it: " };
            lines.push(capital(&format!("{like}{}", more.join("; "))));
        }
        if lines.is_empty() {
            return;
        }
        let title = format!("LAMINATION? {} may be an inner reflector and not the wall", count(all as u64, "spot"));
        if open > 0 {
            lines.push(capital(Kind::Lamination.advice()));
        }
        lines.push("Their depth counts as wall in every minimum, average, rate and date of this report, proven or not".to_owned());
        self.out.notice(Tone::Watch, title, lines);
    }

    /// Where they are; what speaks for each stands with the worst places.
    fn laminations_briefly(&mut self) {
        let suspected = || self.job.runs.iter().flat_map(|run| run.laminations().map(move |(spot, _)| (run, spot)));
        let place = |spot: &Spot| spot.edges.map_or_else(String::new, |(from, to)| format!(" {}", self.stretch(from, to)));
        let named: Vec<String> = suspected().map(|(run, spot)| format!("{}{}", run.summary.start.line, place(spot))).collect();
        if named.is_empty() {
            return;
        }
        let open = suspected().any(|(run, spot)| self.proven_sentence(run.summary.id, spot).is_none());
        let title = format!("LAMINATION? {} may be an inner reflector and not the wall", count(named.len() as u64, "spot"));
        let mut lines = vec![named.join("; ")];
        if open {
            lines.push(capital(Kind::Lamination.advice()));
        }
        lines.push("Their depth counts as wall in every minimum, average, rate and date of this report, proven or not".to_owned());
        self.out.notice(Tone::Watch, title, lines);
    }

    /// What speaks for each suspected lamination, of many runs: some of them, and the others counted.
    pub(super) fn lamination_evidence(&self) -> Vec<String> {
        let suspected = self.job.runs.iter().flat_map(|run| run.laminations().map(move |found| (run, found)));
        let all: Vec<String> = suspected
            .map(|(run, (spot, finding))| {
                let place = spot.edges.map_or_else(String::new, |(from, to)| format!(" at {}", self.stretch(from, to)));
                let proven = self.proven_sentence(run.summary.id, spot).map_or_else(String::new, |proven| format!(". {proven}"));
                format!("Spot {} of {}{place}: {}{proven}", spot.id, run.name(), finding.evidence(self.wanted.unit))
            })
            .collect();
        let most = self.wanted.template.list_rows.div_ceil(2);
        let more = all.len().saturating_sub(most);
        let mut shown: Vec<String> = all.into_iter().take(most).collect();
        if more > 0 {
            shown.push(format!("and {more} more, in the complete report"));
        }
        shown
    }
}
