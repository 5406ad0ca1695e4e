//! `backwall calibrate`: blocks of known thickness to a set-up, a further block to verify it, the encoder over a
//! measured distance.

use super::console::{OpenArgs, ScreenArgs};
use super::stream_args::StreamArgs;
use crate::console::text::signed;
use crate::live::blocks::{BlockShots, collect, count_travel};
use crate::live::verdict;
use crate::session::{Session, runtime};
use anyhow::{Context, bail};
use backwall_store::JobContents;
use backwall_stream::profile::Profile;
use backwall_stream::spec::{Pace, StreamSpec};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::validity::{Check, Validity};
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::{Block, CalibrationInput, calibrate, verify_block};
use backwall_ultrasound::{Calibration, Setup};
use backwall_units::{Length, LengthUnit, Temperature, parse_length};
use clap::Args;
use serde_json::{Value, json};
use std::io::Write;
use std::path::PathBuf;
use std::str::FromStr;
use std::sync::Arc;

/// A known length and the stream taken on it: `5.00=file:block5.shots`.
#[derive(Debug, Clone)]
pub struct At {
    pub length: Length,
    pub spec: StreamSpec,
}

impl FromStr for At {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let (length, stream) = text.split_once('=').ok_or("write it as THICKNESS=STREAM, for example 5.00=file:block5.shots")?;
        let length = parse_length(length, LengthUnit::Mm).map_err(|error| error.to_string())?;
        if length <= Length::ZERO {
            return Err(format!("{length} is not possible: it must be greater than 0"));
        }
        Ok(Self { length, spec: stream.parse().map_err(|error| format!("{error}"))? })
    }
}

/// What is measured on, and how.
#[derive(Args, Debug, Default)]
pub struct MeasureArgs {
    /// A block of known thickness in mm (or with mm, in behind it) and the stream taken on it; two or more are fitted together
    #[arg(long, value_name = "MM=STREAM")]
    pub at: Vec<At>,
    /// A further block to verify on; without --at it verifies the set-up in force, after scanning or in between
    #[arg(long, value_name = "MM=STREAM")]
    pub verify: Vec<At>,
    /// A measured distance of 500 mm or more and the stream taken while driving it
    #[arg(long, value_name = "MM=STREAM")]
    pub encoder: Option<At>,
    /// Verification tolerance in mm; if not given the plan's: 0.1 mm or 1 %, whichever is more, unless it says otherwise
    #[arg(long, value_name = "MM")]
    pub tolerance: Option<f64>,
    /// Take the velocity as typed instead of fitting it to the blocks
    #[arg(long)]
    pub keep_velocity: bool,
    /// Temperature of the blocks in °C; that of the stream or the plan if not given
    #[arg(long, value_name = "CELSIUS", allow_hyphen_values = true)]
    pub temperature: Option<f64>,
    /// Serial number of the block set; that of the plan's kit if not given
    #[arg(long, value_name = "SERIAL", default_value = "")]
    pub block_serial: String,
    /// A profile's path, or the name of a shipped or user profile
    #[arg(long, default_value = "open-packet")]
    pub profile: String,
}

#[derive(Args, Debug)]
pub struct CalibrateArgs {
    /// The job file
    pub job: PathBuf,
    #[command(flatten)]
    pub measure: MeasureArgs,
    /// On the console: the probe's stream, serial:PORT[@BAUD], tcp:HOST:PORT or file:PATH
    #[arg(long, conflicts_with_all = ["at", "verify", "encoder", "headless"])]
    pub stream: Option<StreamSpec>,
    /// Who calibrates, if not the plan's operator
    #[arg(long, value_name = "NAME")]
    pub operator: Option<String>,
    /// No screen: measure what was given and say what came out
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object
    #[arg(long, requires = "headless")]
    pub json: bool,
    #[command(flatten)]
    pub screen: ScreenArgs,
}

pub fn run(args: CalibrateArgs) -> anyhow::Result<()> {
    let measure = &args.measure;
    let nothing = measure.at.is_empty() && measure.verify.is_empty() && measure.encoder.is_none();
    if nothing && args.headless {
        bail!("nothing to measure: give --at 5.00=STREAM for each block, --verify 10.00=STREAM, or --encoder 1000=STREAM");
    }
    if nothing {
        let stream = StreamArgs { stream: args.stream, profile: args.measure.profile, pace: Pace::Device, record: None };
        return super::console::calibrate(OpenArgs { stream, operator: args.operator, ..OpenArgs::of(args.job, args.screen) });
    }
    if measure.tolerance.is_some_and(|mm| !(mm.is_finite() && mm > 0.0)) {
        bail!("--tolerance must be greater than 0 mm");
    }
    let session = Session::open(&args.job, args.operator.as_deref())?;
    let runtime = runtime()?;
    let done = runtime.block_on(work(&session, measure));
    runtime.shutdown_background();
    let closed = session.file.close();
    let (text, object, failed) = done?;
    closed?;
    let mut out = std::io::stdout().lock();
    if args.json {
        writeln!(out, "{object}")?
    } else {
        writeln!(out, "{text}")?
    }
    match failed {
        None => Ok(()),
        Some(why) => bail!("{why}"),
    }
}

/// What was said and found, and why it failed if it did.
pub type Done = (String, Value, Option<String>);

/// Measures what is asked for and keeps it in the job.
pub async fn work(session: &Session, args: &MeasureArgs) -> anyhow::Result<Done> {
    let profile = Profile::load(&args.profile)?;
    let contents = session.file.contents()?;
    let in_force = contents.setups.last();
    let typed = Setup { calibration: None, ..in_force.map_or_else(|| contents.plan.typed_setup(), |entry| entry.setup.clone()) };
    let by = Signed { at_us: crate::live::now_us(), ..session.operator.clone() };
    let writer = session.file.writer();
    let mut text = Vec::new();
    let mut object = json!({"event": "calibrated"});
    let mut failed = None;

    if let Some(at) = &args.encoder {
        let check = EncoderCheck {
            distance: at.length,
            counts: count_travel(&at.spec, &profile).await?,
            set_counts_per_mm: contents.plan.encoder.counts_per_mm,
        };
        let judged = check.judge();
        text.push(format!(
            "encoder: {} counts over {:.1} mm, {:.4} counts per mm against {:.4} set, {:+.2} %",
            check.counts,
            at.length.as_mm(),
            check.solved(),
            check.set_counts_per_mm,
            check.error() * 100.0
        ));
        object["encoder"] = json!({
            "distance_mm": at.length.as_mm(), "counts": check.counts, "counts_per_mm": check.solved(),
            "error_pct": check.error() * 100.0, "accepted": judged.is_ok(),
        });
        writer.add_encoder_check(check, by.clone())?;
        failed = judged.err().map(|error| format!("encoder check refused: {error}"));
    }

    let serial = match args.block_serial.as_str() {
        "" => verdict::block_serial(&contents.plan),
        serial => serial,
    };
    let mut candidate = None;
    if !args.at.is_empty() {
        let (calibration, setup) = fit(args, &profile, &typed).await?;
        text.push(describe(&calibration, &typed, contents.plan.wall_temperature()));
        object["calibration"] = json!({
            "velocity_m_s": calibration.velocity.as_m_s(), "velocity_fitted": calibration.velocity_fitted,
            "zero_ns": calibration.zero.as_ns(), "half_separation_mm": calibration.half_separation.as_mm(),
            "velocity_u_m_s": calibration.velocity_u.map(|u| u.as_m_s()),
            "half_separation_u_mm": calibration.half_separation_u.map(|u| u.as_mm()),
            "gain_db": calibration.gain.map(|gain| gain.as_db()),
            "temperature_c": calibration.temperature.as_celsius(), "points": calibration.points, "warnings": calibration.warnings,
        });
        candidate = Some(setup);
    }

    let setup = candidate.clone().or(in_force.map(|entry| entry.setup.clone()));
    let mut checks = Vec::new();
    for at in &args.verify {
        let setup = setup.as_ref().context("no set-up is in force to verify: calibrate first, or enter one")?;
        let shots = collect(&at.spec, &profile, setup, None).await?;
        let temperature = block_temperature(args, &shots, setup);
        let tolerance = args.tolerance.map_or_else(|| contents.plan.verification.tolerance(at.length), Length::mm);
        let found = verify_block(setup, shots.base, at.length, temperature, &shots.shots, tolerance)?;
        let check = Check {
            setup_id: 0,
            block: serial.to_owned(),
            truth: at.length,
            measured: found.measured.filter(|_| found.within || found.error.is_some_and(|error| error.abs() > tolerance)),
            spread: found.spread,
            shots: found.shots as u32,
            tolerance,
            temperature,
            by: by.clone(),
        };
        text.push(describe_check(&check));
        if !check.passed() {
            failed.get_or_insert_with(|| format!("verification failed: {}", describe_check(&check)));
        }
        checks.push(check);
    }
    object["verified"] = json!(checks.iter().map(|check| json!({"check": check, "passed": check.passed()})).collect::<Vec<_>>());

    // A new set-up comes into force only when its verification passes; a failed check of the old one is kept, for it makes suspect.
    let passed = checks.iter().all(Check::passed);
    let setup_id = match candidate {
        Some(setup) if passed && failed.is_none() => {
            let origin = verdict::origin(args.at.iter().map(|at| (at.length, serial)), !checks.is_empty());
            let id = writer.add_setup(setup, origin, by)?;
            if checks.is_empty() {
                text.push("No verification block was given: the set-up is in force, but every run stays pending.".to_owned());
            }
            Some(id)
        }
        Some(_) => {
            text.push("The new set-up is NOT in force; the one before stands.".to_owned());
            None
        }
        None => in_force.map(|entry| entry.id),
    };
    object["setup_id"] = json!(setup_id);
    if let Some(setup_id) = setup_id {
        for check in checks {
            writer.add_check(Check { setup_id, ..check })?;
        }
    }
    let suspect = suspect(&session.file.contents()?);
    for (run, why) in &suspect {
        text.push(format!("run {run} is SUSPECT: {why}"));
    }
    object["suspect_runs"] = json!(suspect.iter().map(|(run, why)| json!({"run": run, "why": why})).collect::<Vec<_>>());
    Ok((text.join("\n"), object, failed))
}

/// Every run whose calibration later failed, by number, with the reason.
fn suspect(contents: &JobContents) -> Vec<(i64, String)> {
    contents
        .runs
        .iter()
        .filter_map(|run| match contents.validity(run) {
            Validity::Suspect(why) => Some((run.id, why)),
            _ => None,
        })
        .collect()
}

async fn fit(args: &MeasureArgs, profile: &Profile, typed: &Setup) -> anyhow::Result<(Calibration, Setup)> {
    let mut blocks = Vec::new();
    let mut base = None;
    for at in &args.at {
        let taken = collect(&at.spec, profile, typed, None).await?;
        if base.is_some_and(|base| base != taken.base) {
            bail!("{} has another time base than the blocks before it: measure all blocks with the same settings", at.spec);
        }
        base = Some(taken.base);
        let temperature = block_temperature(args, &taken, typed);
        blocks.push(Block { thickness: at.length, temperature, gain: taken.gain, shots: taken.shots });
    }
    let base = base.context("no block was given")?;
    let distinct = args.at.iter().any(|at| (at.length - args.at[0].length).abs() > Length::mm(0.01));
    let input = CalibrationInput { setup: typed, base, blocks: &blocks, fit_velocity: distinct && !args.keep_velocity };
    let calibration = calibrate(&input)?;
    let setup = typed.with_calibration(Arc::new(calibration.clone()));
    Ok((calibration, setup))
}

fn block_temperature(args: &MeasureArgs, shots: &BlockShots, setup: &Setup) -> Temperature {
    args.temperature.map(Temperature::celsius).or(shots.temperature).unwrap_or(setup.block_temperature)
}

fn describe(calibration: &Calibration, typed: &Setup, wall: Temperature) -> String {
    let mut text = format!("{:>10} {:>10} {:>9} {:>9} {:>6}\n", "block mm", "read mm", "error mm", "spread", "shots");
    for point in &calibration.points {
        text += &format!(
            "{:>10.3} {:>10.3} {:>9} {:>9.4} {:>6}\n",
            point.thickness.as_mm(),
            point.measured.as_mm(),
            signed(LengthUnit::Mm, point.error),
            point.spread.as_mm(),
            point.shots
        );
    }
    text += &format!(
        "velocity {:.1} m/s ({}), zero {:.1} ns, half element separation {:.3} mm",
        calibration.velocity.as_m_s(),
        if calibration.velocity_fitted { "measured on the blocks" } else { "typed" },
        calibration.zero.as_ns(),
        calibration.half_separation.as_mm()
    );
    let verdict = verdict::of(calibration, typed, wall);
    for words in &verdict.says {
        text += &format!("\n{words}");
    }
    for warning in &verdict.warns {
        text += &format!("\nWARNING: {warning}");
    }
    text
}

fn describe_check(check: &Check) -> String {
    let found = match (check.measured, check.error()) {
        (Some(measured), Some(error)) => format!("read {:.3} mm, error {} mm", measured.as_mm(), signed(LengthUnit::Mm, error)),
        _ => "gave no stable reading".to_owned(),
    };
    format!(
        "block of {:.3} mm {found}, spread {:.4} mm over {} shots, tolerance {:.3} mm: {}",
        check.truth.as_mm(),
        check.spread.as_mm(),
        check.shots,
        check.tolerance.as_mm(),
        if check.passed() { "PASSED" } else { "FAILED" }
    )
}
