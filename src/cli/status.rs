//! `backwall status`: how far the job is and what is left to do, worst first.

use super::work::interruptible;
use anyhow::bail;
use backwall_report::left::{Left, left};
use backwall_store::{JobContents, JobFile};
use backwall_survey::job::left::{OpenItem, Weight};
use clap::Args;
use serde_json::json;
use std::path::PathBuf;

#[derive(Args, Debug)]
pub struct StatusArgs {
    /// The job file; it may be open elsewhere
    pub job: PathBuf,
    /// One JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &StatusArgs) -> anyhow::Result<()> {
    let reader = JobFile::open_read_only(&args.job)?;
    let contents = reader.contents()?;
    let of: u64 = contents.runs.iter().map(|run| run.readings).sum();
    let found = interruptible("readings", |tick| {
        let mut done = 0;
        left(&reader, &contents, backwall_store::now_us(), contents.plan.job.units, &mut |new| {
            done += new;
            tick(done, of.max(done))
        })
    })?;
    let Some(found) = found? else { bail!("stopped before every run was read") };
    if args.json {
        let mut object = object_of(&found);
        object["seal"] = contents.seal.as_ref().map(backwall_report::sealed::object).into();
        say!("{object}");
        return Ok(());
    }
    for line in text_of(&contents, &found) {
        say!("{line}");
    }
    Ok(())
}

fn text_of(contents: &JobContents, left: &Left) -> Vec<String> {
    let unit = contents.plan.job.units;
    let ((read, planned), (done, of)) = (left.read(), left.lines_done());
    let symbol = unit.place_symbol();
    let mut lines = vec![format!(
        "job {}: {} of {} done, {} of {} {symbol} read",
        contents.plan.job.number,
        done,
        backwall_report::words::count(of as u64, "line"),
        unit.place(read),
        unit.place(planned)
    )];
    for weight in Weight::ALL {
        let items: Vec<_> = left.items.iter().filter(|item| item.weight == weight).collect();
        if !items.is_empty() {
            lines.push(format!("{}:", weight.heading()));
            let due = |item: &OpenItem| {
                item.due_us.map_or_else(String::new, |due| format!("; due {}", backwall_report::words::moment(due, contents.plan.zone())))
            };
            lines.extend(items.iter().map(|item| format!("  {}{}", item.words, due(item))));
        }
    }
    if left.items.is_empty() {
        lines.push("Nothing is left to do.".to_owned());
    }
    lines
}

fn object_of(left: &Left) -> serde_json::Value {
    let (read, planned) = left.read();
    let weight = |weight| match weight {
        Weight::StopsScanning => "stops-scanning",
        Weight::SpoilsData => "spoils-data",
        Weight::MissesInReport => "misses-in-report",
    };
    let items: Vec<_> =
        left.items.iter().map(|item| json!({"weight": weight(item.weight), "words": item.words, "due_us": item.due_us})).collect();
    let lines: Vec<_> = left
        .lines
        .iter()
        .map(|line| {
            let unread: Vec<_> = line
                .unread
                .iter()
                .map(|gap| json!({"from_mm": gap.from.as_mm(), "to_mm": gap.to.as_mm(), "why": gap.why.word()}))
                .collect();
            json!({
                "line": line.line, "channel": line.channel, "done": line.is_done(), "runs": line.runs, "planned_mm": line.planned().as_mm(),
                "read_mm": line.read().as_mm(), "unread": unread,
            })
        })
        .collect();
    json!({"event": "status", "read_mm": read.as_mm(), "planned_mm": planned.as_mm(), "lines": lines, "left": items})
}
