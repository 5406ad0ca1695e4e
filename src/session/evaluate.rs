//! What is asked when a stored run is evaluated again: from the command line with any set-up, from the review echo to echo.

use backwall_store::{EvaluationStart, JobContents, RunId};
use backwall_survey::job::checklist::Signed;
use backwall_ultrasound::{Mode, Setup};
use backwall_units::Time;

/// Who computes, as it is kept with an evaluation.
pub fn software() -> String {
    format!("backwall {}", env!("CARGO_PKG_VERSION"))
}

/// A run with its own set-up, but read from echo to echo: what lies before the first echo cancels out.
pub fn echo_to_echo(contents: &JobContents, run: RunId, by: Signed) -> Option<EvaluationStart> {
    let start = &contents.runs.iter().find(|known| known.id == run)?.start;
    let setup = Setup { mode: Mode::EchoToEcho, ..start.setup.clone() };
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
