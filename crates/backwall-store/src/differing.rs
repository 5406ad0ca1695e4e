//! In what the set-up of an evaluation differs from those its run was made with, in words and in the units of whoever reads them.
//! What is kept in the file for other tools is in metres.

use super::contents::{JobContents, RunSummary};
use super::evaluation::EvaluationStart;
use backwall_ultrasound::Setup;
use backwall_units::{LengthUnit, Time, Velocity};

impl JobContents {
    /// Of an evaluation in the job; in millimetres as it was kept.
    pub fn differs(&self, start: &EvaluationStart, unit: LengthUnit) -> String {
        let known = self.any_run(start.run).filter(|_| unit != LengthUnit::Mm);
        known.map_or_else(
            || start.differs.clone(),
            |run| {
                let other = start.setup_id.filter(|id| run.start.setup_id != Some(*id));
                differences_in(run, &start.setup, other, unit)
            },
        )
    }
}

/// What differs between the set-up of a run and another; of a run by several set-ups each is compared.
pub fn differences_in(run: &RunSummary, after: &Setup, setup_id: Option<i64>, unit: LengthUnit) -> String {
    let own = std::iter::once((0, &run.start.setup)).chain(run.changes.iter().map(|change| (change.from_row, &change.setup)));
    let found: Vec<(u64, String)> = own.map(|(from, before)| (from, differences(before, after, None, unit))).collect();
    let one = |words: &str| setup_id.map_or_else(|| words.to_owned(), |id| format!("set-up {id}: {words}"));
    match &found[..] {
        [_] => differences(&run.start.setup, after, setup_id, unit),
        several => {
            let each: Vec<_> = several.iter().map(|(from, words)| format!("from reading {} on {words}", from + 1)).collect();
            one(&each.join("; "))
        }
    }
}

/// What differs between a run's set-up and another, in words.
pub fn differences(before: &Setup, after: &Setup, setup_id: Option<i64>, unit: LengthUnit) -> String {
    let mut found = Vec::new();
    if let Some(id) = setup_id {
        found.push(format!("set-up {id}"));
    }
    let mut compare = |name: &str, before: String, after: String| {
        if before != after {
            found.push(format!("{name} {before} -> {after}"));
        }
    };
    let us = |time: Time| format!("{} µs", time.as_us());
    let velocity = |velocity: Velocity| match unit {
        LengthUnit::Mm => velocity.to_string(),
        LengthUnit::Inch => format!("{} {}", unit.velocity(velocity), unit.velocity_symbol()),
    };
    compare("gate start", us(before.gate.start), us(after.gate.start));
    compare("gate length", us(before.gate.length), us(after.gate.length));
    compare("threshold", format!("{} %", before.gate.threshold_pct), format!("{} %", after.gate.threshold_pct));
    compare("picker", before.picker.to_string(), after.picker.to_string());
    compare("mode", before.mode.to_string(), after.mode.to_string());
    compare("velocity", velocity(before.velocity), velocity(after.velocity));
    compare("zero", before.zero.to_string(), after.zero.to_string());
    if found.is_empty() { "nothing".to_owned() } else { found.join(", ") }
}
