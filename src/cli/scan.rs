//! `backwall scan`: one run along a line, on the console or without a screen.

use super::follow::{self, NOTICES};
use super::stream_args::StreamArgs;
use crate::live::{Begin, ContinuesRun, RunCommand, place};
use crate::session::{Session, runtime};
use anyhow::{Context, anyhow, bail};
use backwall_store::RunId;
use backwall_stream::command::{CommandOrder, DeviceCommand, order_of};
use backwall_stream::profile::Profile;
use backwall_stream::spec::StreamSpec;
use backwall_survey::job::overriding::Override;
use backwall_units::{Length, LengthUnit, parse_length};
use clap::Args;
use serde_json::json;
use std::path::PathBuf;
use tokio::sync::mpsc;

#[derive(Args, Debug)]
pub struct ScanArgs {
    /// The job file
    pub job: PathBuf,
    /// Name of the line in the plan
    #[arg(long, required_unless_present = "continues")]
    pub line: Option<String>,
    /// How far from the line's start the crawler is, along the way it is driven: 1.2m, or a number in the job's unit
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub from: Option<String>,
    /// How far beside the line a scanner with a second encoder stands, clockwise or upward, else with a minus: a number in the job's unit, or 0.03m
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub across: Option<String>,
    /// Go on from the last saved place of this run, on its line
    #[arg(long = "continue", value_name = "RUN", conflicts_with_all = ["line", "from"])]
    pub continues: Option<RunId>,
    /// With --continue: why the run goes on there; shown in the report with the operator's name
    #[arg(long, value_name = "TEXT", requires = "continues", default_value = CONTINUED)]
    pub reason: String,
    #[command(flatten)]
    pub stream: StreamArgs,
    /// Scan although checklist, dates or calibration do not allow it; the reason is stored and printed
    #[arg(long, value_name = "REASON")]
    pub override_checklist: Option<String>,
    /// Who else agreed to the override; needed where the plan says override_needs_second_name
    #[arg(long, value_name = "NAME", requires = "override_checklist")]
    pub second: Option<String>,
    /// Who scans, if not the plan's operator
    #[arg(long, value_name = "NAME")]
    pub operator: Option<String>,
    /// No screen: run to the end of the stream and say what happens
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object a line
    #[arg(long, requires = "headless")]
    pub json: bool,
    /// With --headless: send the device this command of its profile as soon as the link is open, as gain=26; may be given again
    #[arg(long, value_name = "NAME[=VALUE]", requires = "headless")]
    pub send: Vec<String>,
    #[command(flatten)]
    pub behind: super::compare::BehindArgs,
    #[command(flatten)]
    pub screen: super::console::ScreenArgs,
}

/// Why a run goes on from another, where nothing else is said.
const CONTINUED: &str = "goes on from its last saved place";

pub fn run(args: ScanArgs) -> anyhow::Result<()> {
    if args.stream.stream.is_none() {
        bail!("--stream is missing: serial:PORT[@BAUD], tcp:HOST:PORT, file:PATH, or - for standard input");
    }
    if args.override_checklist.as_ref().is_some_and(|reason| reason.trim().is_empty()) {
        bail!("--override-checklist needs a reason in words; it is stored and printed");
    }
    let earlier = args.behind.survey(&args.job)?;
    let session = args.stream.open(&args.job, args.operator.as_deref())?;
    let by = session.signed();
    let against = args.override_checklist.map(|reason| Override { reason, second: args.second, by });
    let goes_on = args.continues.map(|from| ContinuesRun { from, reason: args.reason, by: session.signed() });
    let across = args.across.as_deref().map(|typed| across(&session, typed)).transpose()?.unwrap_or_default();
    let begin = Begin { across, ..begin(&session, args.line.as_deref(), args.from.as_deref(), goes_on)? }.against(against);
    if args.headless {
        headless(session, &begin, args.json, &args.send)
    } else {
        super::console::scan(session, begin, earlier, &args.screen)
    }
}

/// Where the scanner stands beside the line.
fn across(session: &Session, typed: &str) -> anyhow::Result<Length> {
    let plan = session.file.contents()?.plan;
    if plan.encoder.across_counts_per_mm.is_none() {
        bail!("--across is for a scanner with a second encoder: the plan has no across_counts_per_mm under [encoder]");
    }
    place::across(typed, plan.job.units).map(Option::unwrap_or_default).map_err(|why| anyhow!("--across {typed}: {why}"))
}

/// What the options ask for.
fn begin(session: &Session, line: Option<&str>, from: Option<&str>, goes_on: Option<ContinuesRun>) -> anyhow::Result<Begin> {
    if let Some(goes_on) = goes_on {
        return session.continuing(goes_on);
    }
    let line = line.context("--line is missing: the name of a line of the plan")?;
    let unit = if from.is_some() { session.file.contents()?.plan.job.units } else { LengthUnit::Mm };
    let offset = from.map(|text| parse_length(text, unit).with_context(|| format!("--from {text}"))).transpose()?.unwrap_or_default();
    Ok(Begin { offset, ..Begin::on(line) })
}

/// What is to be sent to the device, by its names and values.
pub fn orders(commands: &[DeviceCommand], asked: &[String], by: &str) -> anyhow::Result<Vec<CommandOrder>> {
    asked.iter().map(|asked| Ok(CommandOrder { by: by.to_owned(), ..order_of(commands, asked)? })).collect()
}

/// Runs a line to its end without a screen, then closes the job file.
pub fn headless(session: Session, begin: &Begin, as_json: bool, send: &[String]) -> anyhow::Result<()> {
    let spec = session.streams.get(&begin.line).or(session.stream.as_ref()).map(|stream| &stream.spec);
    if !send.is_empty() && !matches!(spec, Some(StreamSpec::Serial { .. } | StreamSpec::Tcp { .. })) {
        bail!("--send needs a device that can be written to: --stream serial:PORT[@BAUD] or tcp:HOST:PORT");
    }
    let commands = session.profile.as_ref().map_or(&[][..], Profile::commands);
    // A command that is not known, or not with this value, is found before anything is recorded.
    let orders = orders(commands, send, &session.operator.name)?;
    let runtime = runtime()?;
    let done = runtime.block_on(async {
        let mut opened = Vec::new();
        let scans = session.start(begin, |request| {
            for run in &mut request.runs {
                let (tx, notices) = mpsc::channel(NOTICES);
                run.notices = Some(tx);
                let start = &run.start;
                let object = json!({
                    "event": "opened", "line": start.line, "channel": start.channel, "track_mm": start.path.track.as_mm(), "stream": start.stream,
                    "profile": start.profile_name, "checklist_override": start.checklist_override, "start_mm": start.path.start.as_mm(),
                    "offset_mm": start.path.offset.as_mm(), "across_start_mm": start.path.across_start.as_mm(),
                    "continues": begin.continues.as_ref().map(|goes_on| goes_on.from),
                });
                opened.push((object, notices));
            }
        })?;
        if let Some(scan) = scans.first() {
            // It is one device.
            for order in orders {
                scan.commands.send(RunCommand::Send(order)).await.ok();
            }
        }
        // Each is followed by itself: they end together, and the slower one is waited for.
        let is_one_of_several = scans.len() > 1;
        let followed = scans.into_iter().zip(opened).map(|(scan, (mut object, notices))| {
            object["run"] = json!(scan.run);
            tokio::spawn(follow::follow(scan, notices, (as_json, is_one_of_several), object))
        });
        let mut wrong = Vec::new();
        for followed in followed.collect::<Vec<_>>() {
            let ended = followed.await.context("a run was no longer followed")?;
            let told = ended.and_then(|ended| {
                let validity = session.file.contents()?.validity(&ended.summary);
                follow::told_end(&ended, &validity, as_json)
            });
            wrong.extend(told.err().map(|error| format!("{error:#}")));
        }
        if wrong.is_empty() { Ok(()) } else { Err(anyhow!(wrong.join("\n"))) }
    });
    // The reader of standard input may sit in a read that never returns; do not wait for it.
    runtime.shutdown_background();
    let closed = session.file.close();
    done?;
    Ok(closed?)
}
