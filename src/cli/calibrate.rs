//! `backwall calibrate`: blocks of known thickness to a set-up, a further block to verify it, the encoder over a
//! measured distance.

use super::console::{OpenArgs, ScreenArgs};
use super::stream_args::StreamArgs;
use crate::console::text::signed;
use crate::live::bench::{
    self, Attempt, BenchFound, BlockPiece, FitState, Fitted, Hold, KeptSetup, Start, Unattended, UnattendedRefused, check_words,
    encoder_words,
};
use crate::live::verdict;
use crate::session::{Session, runtime};
use anyhow::bail;
use backwall_store::{JobContents, Note};
use backwall_stream::profile::Profile;
use backwall_stream::spec::{Pace, StreamSpec};
use backwall_survey::job::Plan;
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::validity::{Check, Validity};
use backwall_units::{Length, LengthUnit, Temperature, Wording, parse_length, parse_number};
use clap::Args;
use serde_json::{Value, json};
use std::io::Write;
use std::path::PathBuf;
use std::str::FromStr;

/// A known length and the stream taken on it: `5.00=file:block5.shots`.
#[derive(Debug, Clone)]
pub struct AtBlock {
    pub length: Length,
    pub spec: StreamSpec,
}

impl FromStr for AtBlock {
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
    /// A block of known thickness in mm (or followed by mm or in) and the stream taken on it; two or more are fitted together
    #[arg(long, value_name = "MM=STREAM")]
    pub at: Vec<AtBlock>,
    /// A further block to verify on; without --at it verifies the set-up in force, after scanning or in between
    #[arg(long, value_name = "MM=STREAM")]
    pub verify: Vec<AtBlock>,
    /// A measured distance of 500 mm or more and the stream taken while driving it
    #[arg(long, value_name = "MM=STREAM")]
    pub encoder: Option<AtBlock>,
    /// Verification tolerance in mm; if not given the plan's: 0.1 mm or 1 %, whichever is more, unless it says otherwise
    #[arg(long, value_name = "MM", value_parser = parse_number)]
    pub tolerance: Option<f64>,
    /// Take the velocity as typed instead of fitting it to the blocks
    #[arg(long)]
    pub keep_velocity: bool,
    /// Temperature of the blocks in °C; that of the stream or the plan if not given
    #[arg(long, value_name = "CELSIUS", allow_hyphen_values = true, value_parser = parse_number)]
    pub temperature: Option<f64>,
    /// Serial number of the block set; that of the plan's kit if not given
    #[arg(long, value_name = "SERIAL", default_value = "")]
    pub block_serial: String,
    /// A profile's path, or the name of a shipped or user profile
    #[arg(long, default_value = "open-packet")]
    pub profile: String,
    /// The channel to read, where the device has several
    #[arg(long)]
    pub channel: Option<String>,
    /// With --at or --verify: send the device this command of its profile before each block, as gain=26; may be given again
    #[arg(long, value_name = "NAME[=VALUE]")]
    pub send: Vec<String>,
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
    if nothing && !measure.send.is_empty() {
        bail!("--send goes with --at, --verify or --encoder; on the console s on Calibrate sends a command");
    }
    if nothing {
        let stream = StreamArgs {
            stream: args.stream,
            profile: args.measure.profile,
            channel: args.measure.channel.into_iter().collect(),
            pace: Pace::Device,
            record: None,
        };
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
pub type CalibrateDone = (String, Value, Option<String>);

/// Measures what is asked for and keeps it in the job: the bench without a screen.
pub async fn work(session: &Session, args: &MeasureArgs) -> anyhow::Result<CalibrateDone> {
    let profile = Profile::load(&args.profile)?;
    let profile = args.channel.as_deref().map_or(Ok(profile.clone()), |channel| profile.clone().on_channel(channel))?;
    let stored = session.file.contents()?;
    let contents = stored.of_channel(profile.channel.as_deref());
    if args.at.is_empty() && !args.verify.is_empty() && contents.setups.is_empty() {
        bail!("no set-up is in force to verify: calibrate first, or enter one");
    }
    let by = Signed { at_us: crate::live::now_us(), ..session.operator.clone() };
    let start = Start::of(&contents, profile.channel.as_deref());
    let attempts = attempts(args, &contents.plan);
    let can_be_sent = |attempt: &Attempt| matches!(attempt.spec, StreamSpec::Serial { .. } | StreamSpec::Tcp { .. });
    if !args.send.is_empty() && !attempts.iter().all(can_be_sent) {
        bail!("--send needs a device that can be written to: MM=serial:PORT[@BAUD] or MM=tcp:HOST:PORT");
    }
    let orders = super::scan::orders(profile.commands(), &args.send, &session.operator.name)?;
    let found = bench::unattended(start, &profile, args.keep_velocity, attempts, &orders).await?;
    let mut said = CalibrateSaid { text: Vec::new(), object: json!({"event": "calibrated"}), failed: None, no_fit: None };
    said.refused(&found.refused);
    said.encoder(&found.view.found);
    said.fit(&found);
    let checks = found.view.found.iter().filter_map(|found| bench::check_of(found, &contents, &by)).collect::<Vec<_>>();
    said.checks(&checks);

    let writer = session.file.writer();
    for encoder in found.view.found.iter().filter_map(|found| if let BenchFound::Encoder(check, _) = found { Some(check) } else { None }) {
        writer.add_encoder_check(*encoder, by.clone())?;
    }
    let mut setup_id = contents.setup_in_force().map(|entry| entry.id);
    if said.fit_missing(args) {
        // What was verified was not what was asked for.
    } else if found.refused.iter().any(|refused| matches!(refused.hold, Hold::Verify { .. })) {
        said.fail("a verification could not be made".to_owned());
        if found.view.fitted().is_some() {
            said.text.push(NOT_IN_FORCE.to_owned());
        }
    } else {
        let settled = bench::settle(&found.view, &found.view.found, &contents, &by);
        let kept = if checks.is_empty() && !args.at.is_empty() { bench::kept(&found.view, &contents) } else { settled.kept };
        if let Some(text) = settled.note {
            writer.note(Note { run: None, along: None, text, at_us: by.at_us })?;
            said.text.push(NOT_IN_FORCE.to_owned());
        }
        if let Some(KeptSetup { setup, origin }) = kept {
            setup_id = Some(writer.add_setup(setup, origin, by)?);
            if checks.is_empty() {
                said.text.push("No verification block was given: the set-up is in force, but every run stays pending.".to_owned());
            }
        }
        for check in settled.checks {
            writer.add_check(Check { setup_id: setup_id.unwrap_or(check.setup_id), ..check })?;
        }
    }
    let suspect = suspect(&session.file.contents()?);
    for (run, why) in &suspect {
        said.text.push(format!("run {run} is SUSPECT: {why}"));
    }
    said.object["setup_id"] = json!(setup_id);
    said.object["suspect_runs"] = json!(suspect.iter().map(|(run, why)| json!({"run": run, "why": why})).collect::<Vec<_>>());
    Ok((said.text.join("\n"), said.object, said.failed))
}

const NOT_IN_FORCE: &str = "The new set-up is NOT in force; the previous one stays in force.";

/// What the probe is put on, in the order of a calibration.
fn attempts(args: &MeasureArgs, plan: &Plan) -> Vec<Attempt> {
    let serial = match args.block_serial.as_str() {
        "" => verdict::block_serial(plan),
        serial => serial,
    };
    let piece = |at: &AtBlock| BlockPiece {
        serial: serial.to_owned(),
        thickness: at.length,
        temperature: args.temperature.map(Temperature::celsius),
    };
    let tolerance = |at: &AtBlock| args.tolerance.map_or_else(|| plan.verification.tolerance(at.length), Length::mm);
    let blocks = args.at.iter().map(|at| Attempt { hold: Hold::Block(piece(at)), spec: at.spec.clone() });
    let verify =
        args.verify.iter().map(|at| Attempt { hold: Hold::Verify { piece: piece(at), tolerance: tolerance(at) }, spec: at.spec.clone() });
    let encoder = args.encoder.iter().map(|at| Attempt { hold: Hold::Encoder { distance: at.length }, spec: at.spec.clone() });
    encoder.chain(blocks).chain(verify).collect()
}

/// What is said of the work.
struct CalibrateSaid {
    text: Vec<String>,
    object: Value,
    failed: Option<String>,
    /// Why blocks gave no calibration, if they gave none.
    no_fit: Option<String>,
}

impl CalibrateSaid {
    /// The first failure counts.
    fn fail(&mut self, why: String) {
        self.failed.get_or_insert(why);
    }

    fn refused(&mut self, all: &[UnattendedRefused]) {
        let mut listed = Vec::new();
        for UnattendedRefused { hold, why } in all {
            match hold {
                Hold::Block(piece) => {
                    let words = format!("LEFT OUT: the {:.3} mm block was {why}", piece.thickness.as_mm());
                    self.no_fit.get_or_insert(words.clone());
                    self.text.push(words);
                    listed.push(json!({"thickness_mm": piece.thickness.as_mm(), "why": why}));
                }
                Hold::Verify { piece, .. } => {
                    let words = format!("verification on {:.3} mm: {why}", piece.thickness.as_mm());
                    self.text.push(words.clone());
                    self.fail(words);
                }
                Hold::Encoder { .. } => {
                    let words = format!("encoder check: {why}");
                    self.text.push(words.clone());
                    self.fail(words);
                }
            }
        }
        self.object["left_out"] = json!(listed);
    }

    fn encoder(&mut self, found: &[BenchFound]) {
        for (check, judged) in
            found.iter().filter_map(|f| if let BenchFound::Encoder(check, judged) = f { Some((check, judged)) } else { None })
        {
            self.text.push(format!("{}, {} counts", encoder_words(check), check.counts));
            self.object["encoder"] = json!({
                "distance_mm": check.distance.as_mm(), "counts": check.counts, "counts_per_mm": check.solved(),
                "error_pct": check.error() * 100.0, "accepted": judged.is_ok(),
            });
            if let Err(error) = judged {
                self.fail(format!("encoder check refused: {error}"));
            }
        }
    }

    fn fit(&mut self, found: &Unattended) {
        match &found.view.fit {
            FitState::Done(fitted) => {
                self.text.push(describe(fitted));
                let calibration = &fitted.calibration;
                self.object["calibration"] = json!({
                    "velocity_m_s": calibration.velocity.as_m_s(), "velocity_fitted": calibration.velocity_fitted,
                    "zero_ns": calibration.zero.as_ns(), "half_separation_mm": calibration.half_separation.as_mm(),
                    "velocity_u_m_s": calibration.velocity_u.map(|u| u.as_m_s()),
                    "half_separation_u_mm": calibration.half_separation_u.map(|u| u.as_mm()),
                    "gain_db": calibration.gain.map(|gain| gain.as_db()),
                    "temperature_c": calibration.temperature.as_celsius(), "points": calibration.points,
                    "warnings": calibration.warnings.iter().map(Wording::to_string).collect::<Vec<_>>(),
                    "gate": fitted.setup.gate, "gate_from": fitted.gate.as_ref().map(Wording::to_string),
                });
                if let Some(listed) = self.object["left_out"].as_array_mut() {
                    listed.extend(
                        fitted.left_out.iter().map(|out| json!({"thickness_mm": out.thickness.as_mm(), "why": out.why.to_string()})),
                    );
                }
            }
            FitState::Refused(why) => {
                self.no_fit.get_or_insert(why.clone());
                self.text.push(format!("no calibration: {why}"));
            }
            FitState::None | FitState::Working => {}
        }
    }

    fn checks(&mut self, checks: &[Check]) {
        for check in checks {
            let words = check_words(check).to_string();
            self.text.push(format!("{words}, spread {:.4} mm over {} shots", check.spread.as_mm(), check.shots));
            if !check.passed() {
                self.fail(words);
            }
        }
        self.object["verified"] = json!(checks.iter().map(|check| json!({"check": check, "passed": check.passed()})).collect::<Vec<_>>());
    }

    /// Whether blocks were given and gave no calibration, or one on fewer than two of several.
    fn fit_missing(&mut self, args: &MeasureArgs) -> bool {
        let left_out = self.object["left_out"].as_array().map_or(0, Vec::len);
        let enough = args.at.len() - left_out.min(args.at.len()) >= args.at.len().min(2);
        let missing = !args.at.is_empty() && (self.object["calibration"].is_null() || !enough);
        if missing {
            self.fail(self.no_fit.clone().unwrap_or_else(|| "the blocks gave no calibration".to_owned()));
            self.text.push(NOT_IN_FORCE.to_owned());
        }
        missing
    }
}

/// Every run whose calibration later failed, by number, with the reason.
fn suspect(contents: &JobContents) -> Vec<(i64, String)> {
    contents
        .runs
        .iter()
        .filter_map(|run| match contents.validity(run) {
            Validity::Suspect(why) => Some((run.id, why.words(contents.plan.job.units))),
            _ => None,
        })
        .collect()
}

fn describe(fitted: &Fitted) -> String {
    let calibration = &fitted.calibration;
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
    for words in &fitted.verdict.says {
        text += &format!("\n{words}");
    }
    for warning in &fitted.verdict.warns {
        text += &format!("\nWARNING: {warning}");
    }
    text
}
