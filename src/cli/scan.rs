//! `backwall scan`: one run along a line, on the console or without a screen.

use super::follow::{NOTICES, follow};
use super::stream_args::StreamArgs;
use crate::session::{Session, runtime};
use anyhow::bail;
use backwall_survey::job::overriding::Override;
use clap::Args;
use serde_json::json;
use std::path::PathBuf;
use tokio::sync::mpsc;

#[derive(Args, Debug)]
pub struct ScanArgs {
    /// The job file
    pub job: PathBuf,
    /// Name of the line in the plan
    #[arg(long)]
    pub line: String,
    #[command(flatten)]
    pub stream: StreamArgs,
    /// Scan although checklist, dates or calibration do not allow it; the reason is stored and printed
    #[arg(long, value_name = "REASON")]
    pub override_checklist: Option<String>,
    /// Who agreed to the override besides; needed where the plan says override_needs_second_name
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
    #[command(flatten)]
    pub screen: super::console::ScreenArgs,
}

pub fn run(args: ScanArgs) -> anyhow::Result<()> {
    if args.stream.stream.is_none() {
        bail!("--stream is missing: serial:PORT[@BAUD], tcp:HOST:PORT, file:PATH, or - for standard input");
    }
    if args.override_checklist.as_ref().is_some_and(|reason| reason.trim().is_empty()) {
        bail!("--override-checklist needs a reason in words; it is stored and printed");
    }
    let session = args.stream.open(&args.job, args.operator.as_deref())?;
    let by = session.signed();
    let against = args.override_checklist.map(|reason| Override { reason, second: args.second, by });
    if args.headless {
        headless(session, &args.line, against, args.json)
    } else {
        super::console::scan(session, args.line, against, &args.screen)
    }
}

/// Runs a line to its end without a screen, then closes the job file.
pub fn headless(session: Session, line: &str, against: Option<Override>, as_json: bool) -> anyhow::Result<()> {
    let runtime = runtime()?;
    let done = runtime.block_on(async {
        let (tx, notices) = mpsc::channel(NOTICES);
        let mut opened = json!({});
        let scan = session.start(line, against, |request| {
            opened = json!({
                "line": request.start.line, "stream": request.start.stream, "profile": request.start.profile_name,
                "checklist_override": request.start.checklist_override,
            });
            request.notices = Some(tx);
        })?;
        opened["event"] = json!("opened");
        opened["run"] = json!(scan.run);
        follow(scan, notices, as_json, opened, |summary| Ok(session.file.contents()?.validity(summary))).await
    });
    // The reader of standard input may sit in a read that never returns; do not wait for it.
    runtime.shutdown_background();
    let closed = session.file.close();
    done?;
    Ok(closed?)
}
