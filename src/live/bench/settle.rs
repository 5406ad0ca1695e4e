//! What becomes of what the bench found: which set-up comes into force, which checks are kept, which runs they make suspect.
//! Console and command line both store what is said here.

use super::{BenchFound, BenchView, Fitted};
use crate::live::verdict;
use backwall_store::JobContents;
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::validity::{Check, Validity};
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use backwall_units::{Length, Wording};

/// A set-up to be stored, with how it came about.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptSetup {
    pub setup: Setup,
    pub origin: Wording,
}

/// What verifications lead to.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Settled {
    /// A new set-up that comes into force with its checks.
    pub kept: Option<KeptSetup>,
    pub checks: Vec<Check>,
    /// The checks failed a fit that nobody has kept: what is written down of it, the checks are not stored.
    pub note: Option<Wording>,
}

/// Whether a set-up's calibration is the one in force.
pub fn in_force(job: &JobContents, setup: &Setup) -> bool {
    let calibration = job.setup_in_force().and_then(|entry| entry.setup.calibration.as_ref());
    calibration.is_some() && calibration == setup.calibration.as_ref()
}

/// What is kept without a verification: a fit, or else the gate where it was moved; nothing where nothing is new.
pub fn kept(view: &BenchView, job: &JobContents) -> Option<KeptSetup> {
    let kept = match view.fitted().filter(|fitted| !in_force(job, &fitted.setup)) {
        Some(fitted) => fit_kept(view, fitted, false),
        None => {
            let before = job.setup_in_force().map_or_else(|| job.setup_without_calibration(), |entry| entry.setup.clone());
            KeptSetup { setup: with_shown_gate(view, before), origin: "gate set on the live waveform".into() }
        }
    };
    job.setup_in_force().is_none_or(|entry| entry.setup != kept.setup).then_some(kept)
}

fn fit_kept(view: &BenchView, fitted: &Fitted, verified: bool) -> KeptSetup {
    let is_out = |index: usize| fitted.left_out.iter().any(|out| out.index == index);
    let blocks = view.blocks.iter().enumerate().filter(|(index, _)| !is_out(*index));
    let mut origin = verdict::origin(blocks.map(|(_, taken)| (taken.piece.thickness, taken.piece.serial.as_str())), verified);
    for out in &fitted.left_out {
        origin = origin.say("; ").length(out.thickness, 3).say(" left out: ").then(&out.why.wording());
    }
    for words in &view.sent {
        origin = origin.say(format!("; after {words}"));
    }
    let setup = with_shown_gate(view, fitted.setup.clone());
    if setup.gate != fitted.setup.gate {
        origin = origin.say("; gate and threshold set on the live waveform");
    } else if let Some(gate) = &fitted.gate {
        origin = origin.say("; ").then(gate);
    }
    KeptSetup { setup, origin }
}

fn with_shown_gate(view: &BenchView, setup: Setup) -> Setup {
    Setup { gate: view.setup.as_ref().map_or(setup.gate, |shown| shown.gate), ..setup }
}

/// A check as it is stored; none for anything else that was found.
pub fn check_of(found: &BenchFound, job: &JobContents, by: &Signed) -> Option<Check> {
    let BenchFound::Checked { piece, tolerance, temperature, check, .. } = found else { return None };
    Some(Check {
        setup_id: job.setup_in_force().map_or(0, |entry| entry.id),
        block: piece.serial.clone(),
        truth: piece.thickness,
        // An unsteady reading inside the tolerance is none.
        measured: check.measured.filter(|_| check.within || check.error.is_some_and(|error| error.abs() > *tolerance)),
        spread: check.spread,
        shots: check.shots as u32,
        tolerance: *tolerance,
        temperature: *temperature,
        by: by.clone(),
    })
}

/// A new calibration comes into force when all its verifications pass; one in force only gets its checks, passed or failed.
pub fn settle(view: &BenchView, found: &[BenchFound], job: &JobContents, by: &Signed) -> Settled {
    let checks: Vec<Check> = found.iter().filter_map(|found| check_of(found, job, by)).collect();
    let new = found.iter().find_map(|found| match found {
        BenchFound::Checked { fitted, .. } => fitted.as_ref().filter(|fitted| !in_force(job, &fitted.setup)),
        BenchFound::Encoder(..) | BenchFound::Sent { .. } => None,
    });
    let Some(fitted) = new else { return Settled { checks, ..Settled::default() } };
    let kept = fit_kept(view, fitted, true);
    match checks.iter().find(|check| !check.passed()) {
        None => Settled { kept: Some(kept), checks, note: None },
        Some(failed) => {
            let note = Wording::from("new calibration NOT taken into force: ").then(&check_words(failed));
            let note = note.say(" (").then(&kept.origin).say(")");
            Settled { kept: None, checks: Vec::new(), note: Some(note) }
        }
    }
}

/// Runs that further checks make suspect, by number and line.
pub fn suspect_with(job: &JobContents, checks: &[Check]) -> Vec<(i64, String)> {
    let mut after = job.clone();
    after.checks.extend(checks.iter().cloned());
    let is_suspect = |run: &&backwall_store::RunSummary| matches!(after.validity(run), Validity::Suspect(_));
    after.runs.iter().filter(is_suspect).map(|run| (run.id, run.start.line.clone())).collect()
}

/// A verification in words.
pub fn check_words(check: &Check) -> Wording {
    let word = if check.passed() { "PASSED" } else { "FAILED" };
    let said = Wording::from(format!("verification {word}: {} ", check.block)).length(check.truth, 3);
    match (check.measured, check.error()) {
        (Some(measured), Some(error)) => {
            said.say(" read ").length(measured, 3).say(", ").signed(to_be_seen(error), 3).say(" of ±").length(check.tolerance, 3)
        }
        _ => said.say(" gave no steady reading"),
    }
}

/// What rounds to nothing has no sign to go by.
fn to_be_seen(length: Length) -> Length {
    if length.as_nanometres().abs() < 500 { Length::ZERO } else { length }
}

/// An encoder check in words.
pub fn encoder_words(check: &EncoderCheck) -> Wording {
    let word = if check.judge().is_ok() { "accepted" } else { "REFUSED" };
    let said = Wording::from(format!("encoder {word}: ")).length(check.distance, 0);
    said.say(format!(", {:.3} counts/mm, {:+.2} %", check.solved(), check.error() * 100.0))
}
