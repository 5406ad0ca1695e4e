//! What is asked when a stored run is evaluated again: from the command line with any set-up, from the review echo to echo.

use backwall_store::{EvaluationStart, JobContents, RunId, differences};
use backwall_survey::job::checklist::Signed;
use backwall_ultrasound::{Mode, Setup};
use backwall_units::LengthUnit;

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
        differs: differences(&start.setup, &setup, None, LengthUnit::Mm),
        setup,
        setup_id: start.setup_id,
        why: "compared with the first echo".to_owned(),
        software: software(),
        by,
    })
}
