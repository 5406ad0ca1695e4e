//! What is asked when a stored run is evaluated again: from the command line with any set-up, from the review echo to echo.

use backwall_store::{EvaluationStart, JobContents, RunId, RunSummary};
use backwall_survey::job::checklist::Signed;
use backwall_ultrasound::{Mode, Setup};
use backwall_units::Time;

/// Who computes, as it is kept with an evaluation.
pub fn software() -> String {
    format!("backwall {}", env!("CARGO_PKG_VERSION"))
}

/// A run with its own set-up, but read from echo to echo: what lies before the first echo cancels out. Nothing for a run by several set-ups.
pub fn echo_to_echo(contents: &JobContents, run: RunId, by: Signed) -> Option<EvaluationStart> {
    let known = contents.runs.iter().find(|known| known.id == run)?;
    let (start, own) = (&known.start, known.only_setup()?);
    let setup = Setup { mode: Mode::EchoToEcho, ..own.clone() };
    Some(EvaluationStart {
        run,
        differs: differences(&start.setup, &setup, None),
        setup,
        setup_id: start.setup_id,
        why: "compared with the first echo".to_owned(),
        software: software(),
        by,
    })
}

/// The same for a run; of one by several set-ups each is compared.
pub fn differences_in(run: &RunSummary, after: &Setup, setup_id: Option<i64>) -> String {
    let own = std::iter::once((0, &run.start.setup)).chain(run.changes.iter().map(|change| (change.from_row, &change.setup)));
    let found: Vec<(u64, String)> = own.map(|(from, before)| (from, differences(before, after, None))).collect();
    let one = |words: &str| setup_id.map_or_else(|| words.to_owned(), |id| format!("set-up {id}: {words}"));
    match &found[..] {
        [_] => differences(&run.start.setup, after, setup_id),
        several => {
            let each: Vec<_> = several.iter().map(|(from, words)| format!("from reading {} on {words}", from + 1)).collect();
            one(&each.join("; "))
        }
    }
}

/// What differs between a run's set-up and another, in words.
pub fn differences(before: &Setup, after: &Setup, setup_id: Option<i64>) -> String {
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
    compare("gate start", us(before.gate.start), us(after.gate.start));
    compare("gate length", us(before.gate.length), us(after.gate.length));
    compare("threshold", format!("{} %", before.gate.threshold_pct), format!("{} %", after.gate.threshold_pct));
    compare("picker", before.picker.to_string(), after.picker.to_string());
    compare("mode", before.mode.to_string(), after.mode.to_string());
    compare("velocity", before.velocity.to_string(), after.velocity.to_string());
    compare("zero", before.zero.to_string(), after.zero.to_string());
    if found.is_empty() { "nothing".to_owned() } else { found.join(", ") }
}
