//! A run without a screen: says what happens as text, or as one JSON object a line.

use crate::live::{LiveCounts, LiveView, Notice, Phase, RunCommand, Scan};
use anyhow::Context;
use backwall_report::words::shown;
use backwall_store::{RunSummary, Saved};
use backwall_stream::feed::LinkState;
use backwall_survey::job::validity::Validity;
use backwall_units::LengthUnit;
use serde_json::{Value, json};
use std::io::Write;
use std::sync::Arc;
use tokio::sync::mpsc;

/// How many alarms may wait for a slow reader of our output.
pub const NOTICES: usize = 1024;

/// A run that was followed to its end.
pub struct Ended {
    pub summary: RunSummary,
    view: Arc<LiveView>,
}

fn say(as_json: bool, text: String, object: Value) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{}", shown(&if as_json { object.to_string() } else { text }))?;
    out.flush()
}

/// Follows `scan` to its end, or ends it when the system asks the program to end.
/// `is_one_of_several`: each line says whose it is.
pub async fn follow(
    scan: Scan,
    mut notices: mpsc::Receiver<Notice>,
    (as_json, is_one_of_several): (bool, bool),
    opened: Value,
) -> anyhow::Result<Ended> {
    let Scan { run, mut view, commands, mut task, .. } = scan;
    let mut commands = Some(commands);
    let mut told = Saved::default();
    let channel = opened["channel"].as_str().filter(|_| is_one_of_several);
    let whose = channel.map_or_else(String::new, |channel| format!("channel {channel}: "));
    say(as_json, opened_words(run, &opened), opened)?;
    let ended = crate::platform::asked_to_end();
    tokio::pin!(ended);
    let summary = loop {
        tokio::select! {
            summary = &mut task => break summary,
            why = &mut ended, if commands.is_some() => {
                if let Some(commands) = commands.take() {
                    writeln!(std::io::stderr(), "backwall: {why}; closing run {run}").ok();
                    commands.send(RunCommand::Terminate).await.ok();
                }
            }
            Some(notice) = notices.recv() => {
                let (text, object) = of_notice(&notice, run);
                say(as_json, format!("{whose}{text}"), object)?;
            }
            Ok(()) = view.changed() => {
                let saved = view.borrow_and_update().saved.clone();
                if saved.run == Some(run) && saved.readings != told.readings {
                    let (text, object) = of_saved(&saved, run);
                    say(as_json, format!("{whose}{text}"), object)?;
                    told = saved;
                }
            }
        }
    };
    while let Ok(notice) = notices.try_recv() {
        let (text, object) = of_notice(&notice, run);
        say(as_json, format!("{whose}{text}"), object)?;
    }
    let summary = summary.context("the run's task broke off")?;
    let summary = summary.with_context(|| match &view.borrow().phase {
        Phase::Failed(why) => format!("run {run} could not be closed: {why}"),
        _ => format!("run {run} could not be closed"),
    })?;
    let view = view.borrow().clone();
    Ok(Ended { summary, view })
}

fn opened_words(run: i64, opened: &Value) -> String {
    let channel = match (&opened["channel"], opened["track_mm"].as_f64()) {
        (Value::String(channel), Some(track)) if track != 0.0 => format!(", channel {channel} on a track {track:+} mm beside it"),
        (Value::String(channel), _) => format!(", channel {channel}"),
        _ => String::new(),
    };
    let from = match (&opened["start_mm"], &opened["offset_mm"]) {
        (Value::Number(start), Value::Number(offset)) if offset.as_f64() != Some(0.0) => {
            format!(" from {start} mm, {offset} mm from its start")
        }
        _ => String::new(),
    };
    format!("run {run} opened: line {}{from}{channel}, stream {}", opened["line"], opened["stream"])
}

/// The last line of a run, and what is wrong with it. `validity` says how its calibration stands.
pub fn told_end(Ended { summary, view }: &Ended, validity: &Validity, as_json: bool) -> anyhow::Result<()> {
    say(as_json, format!("{}\n  {}", text_of_summary(summary), text_of_validity(validity)), of_closed(summary, validity, &view.counts))?;
    let (link, missing) = (&view.link, view.saved.unsaved + view.counts.unsaved);
    if missing > 0 {
        anyhow::bail!(
            "run {} is closed, but {} of it are not in the file: {}. Drive again what is missing; `backwall status` has the places",
            summary.id,
            backwall_report::words::count(missing, "record"),
            summary.reason
        );
    }
    if summary.readings == 0 && link.bytes > 0 {
        anyhow::bail!(nothing_read(summary, link));
    }
    if let Some(dropped) = summary.dropped.as_ref().filter(|_| too_many(link)) {
        anyhow::bail!(
            "run {} is closed and kept, but {dropped}, of {} that came: see why with `backwall profile try {} --stream {}`",
            summary.id,
            link.frames + link.dropped,
            summary.start.profile_name,
            summary.start.stream
        );
    }
    Ok(())
}

/// More dropped frames than this, and more than this part of all, are too many. Common practice, no source.
const DROPPED_ALLOWED: u64 = 5;
const DROPPED_PART: u64 = 100;

fn too_many(link: &LinkState) -> bool {
    link.dropped > DROPPED_ALLOWED && link.dropped * DROPPED_PART > link.frames + link.dropped
}

/// The last line of a headless scan: what the job has of the run, and how much of the stream was dropped.
fn of_closed(summary: &RunSummary, validity: &Validity, counts: &LiveCounts) -> Value {
    let mut object = closed(summary, validity);
    object["frames_dropped"] = json!(counts.dropped);
    object
}

/// Bytes came and not one reading: the profile does not fit the device, or the device never said what it sends.
fn nothing_read(summary: &RunSummary, link: &LinkState) -> String {
    let profile = &summary.start.profile_name;
    let why = match link {
        LinkState { other_channels: 1.., .. } => format!("{} shots were of channels that are not read", link.other_channels),
        LinkState { before_header: 1.., .. } => format!("{} shots came before any header", link.before_header),
        LinkState { frames: 0, .. } => format!("there is no good frame of the profile '{profile}' in them"),
        _ => format!("{} good frames of the profile '{profile}' hold no shot and no gauge value", link.frames),
    };
    format!(
        "run {} recorded nothing: {} B came from {}, and {why}. See what they decode to with `backwall profile try {profile} --stream {}`",
        summary.id, link.bytes, link.what, summary.start.stream
    )
}

fn of_saved(saved: &Saved, run: i64) -> (String, Value) {
    let position = saved.along.map(|along| along.as_mm());
    let object = json!({"event": "saved", "run": run, "seq": saved.seq, "position_mm": position, "readings": saved.readings});
    let place = position.map_or(String::new(), |mm| format!(" up to {mm:.1} mm"));
    (format!("saved {}{place}", backwall_report::words::count(saved.readings, "reading")), object)
}

fn of_notice(notice: &Notice, run: i64) -> (String, Value) {
    match notice {
        Notice::Alarm(spot) => {
            let mm = |length: Option<backwall_units::Length>| length.map(|length| length.as_mm());
            let object = json!({
                "event": "alarm", "run": run, "kind": "spot", "spot": spot.id, "level": spot.level.word(),
                "thickness_mm": spot.least.as_mm(), "position_mm": mm(spot.least_at), "seq": spot.least_seq,
                "from_mm": mm(spot.edges.map(|edges| edges.0)), "to_mm": mm(spot.edges.map(|edges| edges.1)),
            });
            let place = mm(spot.least_at).map_or(String::new(), |mm| format!(" at {mm:.1} mm"));
            (format!("{} spot {}: {:.2} mm{place}", spot.level, spot.id, spot.least.as_mm()), object)
        }
        Notice::Finding(spot) => {
            let kind = spot.finding.map_or("", |finding| finding.kind.word());
            let evidence = spot.finding.map_or_else(String::new, |finding| finding.evidence(LengthUnit::Mm));
            let object = json!({"event": "finding", "run": run, "spot": spot.id, "kind": kind, "evidence": evidence});
            (format!("spot {} is judged {kind}: {evidence}", spot.id), object)
        }
        Notice::LongGap { from, length, seq } => {
            let object = json!({
                "event": "alarm", "run": run, "kind": "gap", "level": "NO ECHO", "from_mm": from.map(|from| from.as_mm()),
                "length_mm": length.as_mm(), "seq": seq,
            });
            (format!("NO ECHO over {:.0} mm", length.as_mm()), object)
        }
        Notice::Link { up, text } => (format!("link: {text}"), json!({"event": "link", "run": run, "up": up, "text": text})),
        Notice::Fault(text) | Notice::Held(text) => {
            (format!("FAULT: {text}"), json!({"event": "fault", "run": run, "text": text.to_string()}))
        }
    }
}

/// One closed run as an object: the last line of a headless scan, and what `review` lists.
pub fn closed(summary: &RunSummary, validity: &Validity) -> Value {
    json!({
        "event": "closed", "run": summary.id, "line": summary.start.line, "channel": summary.start.channel,
        "track_mm": summary.start.path.track.as_mm(), "state": summary.state, "reason": summary.reason,
        "readings": summary.readings, "no_echo": summary.no_echo, "lost": summary.lost, "dropped": summary.dropped, "spots": summary.spots,
        "minimum_mm": summary.least.map(|least| least.as_mm()), "minimum_at_mm": summary.least_at.map(|at| at.as_mm()),
        "start_mm": summary.start.path.start.as_mm(), "offset_mm": summary.start.path.offset.as_mm(),
        "from_mm": summary.from.map(|from| from.as_mm()), "to_mm": summary.to.map(|to| to.as_mm()),
        "checklist_override": summary.start.checklist_override, "digest": summary.digest,
        "calibration": validity.word(), "calibration_why": validity.why(LengthUnit::Mm),
    })
}

/// How the calibration of readings stands.
pub fn text_of_validity(validity: &Validity) -> String {
    let word = match validity {
        Validity::Suspect(_) => "SUSPECT",
        _ => validity.word(),
    };
    format!("calibration {word}: {}", validity.why(LengthUnit::Mm))
}

/// Which channel a run is of, where one was chosen.
pub fn channel_words(start: &backwall_store::RunStart) -> String {
    start.channel.as_ref().map_or_else(String::new, |channel| format!(", channel {channel}"))
}

pub fn text_of_summary(summary: &RunSummary) -> String {
    let least = match (summary.least, summary.least_at) {
        (Some(least), Some(at)) => format!(", min {:.2} mm at {:.3} m", least.as_mm(), at.as_metres()),
        (Some(least), None) => format!(", min {:.2} mm", least.as_mm()),
        _ => ", no thickness read".to_owned(),
    };
    let digest = summary.digest.as_deref().map_or(String::new(), |digest| format!(", digest {}", &digest[..digest.len().min(16)]));
    let offset = match summary.start.path.offset {
        backwall_units::Length::ZERO => String::new(),
        offset => format!(" from {:.3} m, {:.3} m from its start", summary.start.path.start.as_metres(), offset.as_metres()),
    };
    let dropped = summary.dropped.as_ref().map_or(String::new(), |words| format!("\n  {words}"));
    let against = summary.start.checklist_override.as_ref().map_or(String::new(), |why| format!("\n  CHECKLIST OVERRIDDEN: {why}"));
    format!(
        "run {} on {}{}{offset} ({}): {}, {} without echo, {} lost, {}{least}{digest}{dropped}{against}",
        summary.id,
        summary.start.line,
        channel_words(&summary.start),
        summary.reason,
        backwall_report::words::count(summary.readings, "reading"),
        summary.no_echo,
        backwall_report::words::count(summary.lost, "shot"),
        backwall_report::words::count(summary.spots, "spot")
    )
}
