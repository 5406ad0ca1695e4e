//! The command line: one file a command. Exit code 0 done, 1 the work failed, 2 bad usage.

/// A line on standard output. A reader that has closed the pipe is an error to pass on, not a panic.
macro_rules! say {
    ($($text:tt)*) => {{
        use std::io::Write as _;
        writeln!(std::io::stdout(), "{}", backwall_report::words::shown(&format!($($text)*)))?
    }};
}

mod amend;
mod assess;
mod basis;
mod calibrate;
mod checklist;
mod choice;
mod compare;
mod console;
mod demo;
mod enter;
pub mod export;
mod follow;
mod hand;
mod manual;
pub mod new;
mod note;
mod photo;
mod place;
mod ports;
mod profile;
mod reevaluate;
pub mod report;
pub mod review;
mod scan;
mod seal;
mod shift;
pub mod simulate;
mod status;
mod stream_args;
mod templates;
mod unseen;
pub mod verify;
mod witness;
mod work;

use clap::{Parser, Subcommand};
use std::io::Write;
use std::process::ExitCode;

/// Live ultrasonic wall-thickness acquisition for field operators.
///
/// Prepares a job, works through its checklist, scans, shows thin spots at once and keeps every reading in a job
/// file. What it shows are measurements and screening numbers: local codes, the procedure, and the responsible
/// engineer decide.
#[derive(Parser)]
#[command(name = "backwall", version, propagate_version = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Open the console on the bundled invented job and stream; nothing to set up
    Demo(demo::DemoArgs),
    /// Make a job file from a job plan
    New(new::NewArgs),
    /// Open the console on a job, at the first step that is not done
    Open(console::OpenArgs),
    /// Work through the pre-scan checklist and sign it
    Checklist(checklist::ChecklistArgs),
    /// Measure blocks of known thickness, verify a set-up, check the encoder
    Calibrate(calibrate::CalibrateArgs),
    /// Acquire one run along a line
    Scan(scan::ScanArgs),
    /// Show how far the job is, and what is left to do
    Status(status::StatusArgs),
    /// Begin or end a shift: who works, the weather, the gas test, what is handed over
    Shift(shift::ShiftArgs),
    /// Look at the runs of a job again
    Review(review::ReviewArgs),
    /// Evaluate the stored waveforms of a run again with another gate, picker or calibration, beside its own readings
    Reevaluate(reevaluate::ReevaluateArgs),
    /// Correct what is wrong in a job: a run on the wrong line, a plan that changed, a part that was replaced
    Amend(amend::AmendArgs),
    /// Enter a thickness read by hand: at a place, of a grid or an inspection point, and as proof of a spot
    Hand(hand::HandArgs),
    /// Add a note or a mark at a place afterwards, if wanted with a drawing in text characters
    Note(note::NoteArgs),
    /// Add a photo: copied beside the job, or only its digest kept
    Photo(photo::PhotoArgs),
    /// Enter that somebody witnessed something, with name and initials
    Witness(witness::WitnessArgs),
    /// Work out statistics, comparison with earlier surveys, corrosion rate, remaining life: screening numbers with their sources
    Assess(assess::AssessArgs),
    /// Write the client's report as PDF or HTML
    Report(report::ReportArgs),
    /// Write the data of a job for other programs
    Export(export::ExportArgs),
    /// Check a job's digests, and compute every reading again from its waveform
    Verify(verify::VerifyArgs),
    /// Show one digest over the whole job, to keep elsewhere
    Seal(seal::SealArgs),
    /// Check a stream profile, or try it on a stream
    Profile(profile::ProfileArgs),
    /// Run the virtual crawler: a stream from a wall described in TOML
    Simulate(simulate::SimulateArgs),
    /// Write man pages and shell completions
    Manual(manual::ManualArgs),
    /// List the serial ports of this machine
    Ports(ports::PortsArgs),
}

/// Parses the command line, does the work, reports.
pub fn main() -> ExitCode {
    let done = match Cli::parse().command {
        Command::Demo(args) => demo::run(args),
        Command::New(args) => new::run(&args),
        Command::Open(args) => console::open(args),
        Command::Checklist(args) => checklist::run(args),
        Command::Calibrate(args) => calibrate::run(args),
        Command::Scan(args) => scan::run(args),
        Command::Status(args) => status::run(&args),
        Command::Seal(args) => seal::run(&args),
        Command::Shift(args) => shift::run(&args),
        Command::Review(args) => review::run(&args),
        Command::Reevaluate(args) => reevaluate::run(&args),
        Command::Amend(args) => amend::run(&args),
        Command::Hand(args) => hand::run(&args),
        Command::Note(args) => note::run(&args),
        Command::Photo(args) => photo::run(&args),
        Command::Witness(args) => witness::run(&args),
        Command::Assess(args) => assess::run(&args),
        Command::Report(args) => report::run(&args),
        Command::Export(args) => export::run(&args),
        Command::Verify(args) => verify::run(&args),
        Command::Profile(args) => profile::run(args),
        Command::Simulate(args) => simulate::run(args),
        Command::Manual(args) => manual::run(&args),
        Command::Ports(args) => ports::run(args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        // A reader that closed the pipe wants no more; that is not a failure.
        Err(error) if is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            writeln!(std::io::stderr(), "backwall: {}", backwall_report::words::shown(&in_words(&error))).ok();
            ExitCode::FAILURE
        }
    }
}

/// An error with its causes; one whose words it has already is not said again.
fn in_words(error: &anyhow::Error) -> String {
    error
        .chain()
        .skip(1)
        .map(ToString::to_string)
        .fold(error.to_string(), |said, cause| if said.contains(&cause) { said } else { format!("{said}: {cause}") })
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| cause.downcast_ref::<std::io::Error>().is_some_and(|io| io.kind() == std::io::ErrorKind::BrokenPipe))
}
