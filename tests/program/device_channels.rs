//! Several channels of one live stream, read at once: each a run of its own beside the other, nothing merged, all closed however it ends.

use crate::common::*;
use crate::console::fixture::*;
use crate::devices::{CHANNELS, said_in};
use backwall::console::state::{Effect, Event};
use backwall::console::update::update;
use backwall::live::{LiveView, Phase};
use backwall_store::{EventKind, JobFile, RunState};
use backwall_survey::travel::Direction;
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};

/// Channel 1 runs 25 mm to the left of the line, channel 2 as far to its right.
const TRACKS: &str = "\n[[track]]\nchannel = \"1\"\noffset_mm = -25\n[[track]]\nchannel = \"2\"\noffset_mm = 25\n";

/// A job of the demo's plan with more in it, and the profile of two probes beside it.
fn job(folder: &Path, more: &str) -> (PathBuf, PathBuf) {
    let (plan, job, profile) = (folder.join("plan.toml"), folder.join("tracks.job"), folder.join("two.toml"));
    std::fs::write(&plan, std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap() + more).unwrap();
    std::fs::write(&profile, CHANNELS).unwrap();
    must(&["new", job.to_str().unwrap(), "--from", plan.to_str().unwrap()]);
    (job, profile)
}

/// The walls of both probes, shot by shot 0.5 mm on: a patch of 5 mm under channel 2 only.
fn walls(shots: std::ops::Range<u32>) -> String {
    let right = |shot: u32| if (40..60).contains(&shot) { 5.0 } else { 9.5 };
    shots.map(|shot| format!("1,{at},9.0\n2,{at},{}\n", right(shot), at = shot * 20)).collect()
}

fn arguments<'a>(job: &'a Path, profile: &'a Path, stream: &'a str) -> Vec<&'a str> {
    let scan = [
        "scan",
        job.to_str().unwrap(),
        "--line",
        "A090",
        "--headless",
        "--json",
        "--stream",
        stream,
        "--profile",
        profile.to_str().unwrap(),
    ];
    [&scan[..], &["--override-checklist", "gauges that evaluate their own echoes"]].concat()
}

/// What the export has of each reading but when it was taken and in which run.
fn readings(job: &Path, folder: &Path, run: &str) -> Vec<Vec<(String, String)>> {
    let rows = csv(job, folder).into_iter().filter(|row| row["run"] == run);
    let kept = |row: std::collections::HashMap<String, String>| {
        let mut kept: Vec<_> = row.into_iter().filter(|(name, _)| name != "run" && !name.contains("time")).collect();
        kept.sort();
        kept
    };
    rows.map(kept).collect()
}

// What is read at once is held against each channel read by itself, which is the way that was there before.
#[test]
fn channels_read_at_once_are_runs_side_by_side_with_the_readings_each_has_alone() {
    let folder = tempfile::tempdir().unwrap();
    let (job, profile) = job(folder.path(), TRACKS);
    let sent = folder.path().join("sent.txt");
    std::fs::write(&sent, walls(0..100)).unwrap();
    let stream = format!("file:{}", sent.display());
    let scan = |more: &[&str]| must(&[&arguments(&job, &profile, &stream)[..], &["--pace", "max"], more].concat());
    scan(&["--channel", "1"]);
    // The other track of the line is yet to be driven.
    let status: serde_json::Value = serde_json::from_str(&must(&["status", job.to_str().unwrap(), "--json"])).unwrap();
    let of_line = status["lines"].as_array().unwrap().iter().filter(|line| line["line"] == "A090");
    let read: Vec<_> = of_line.map(|line| (line["channel"].as_str(), line["read_mm"].as_f64().unwrap().round())).collect();
    assert_eq!(read, [(Some("1"), 50.0), (Some("2"), 0.0)]);
    scan(&["--channel", "2"]);
    let said = events(&scan(&["--channel", "1", "--channel", "2"]));
    // Without a word the plan's tracks are read.
    scan(&[]);
    let ends: Vec<_> =
        of_kind(&said, "closed").into_iter().map(|end| (end["run"].as_i64(), end["channel"].as_str(), end["track_mm"].as_f64())).collect();
    assert_eq!(ends, [(Some(3), Some("1"), Some(-25.0)), (Some(4), Some("2"), Some(25.0))]);
    let alarms: Vec<_> = of_kind(&said, "alarm").into_iter().map(|alarm| (alarm["run"].as_i64(), alarm["thickness_mm"].as_f64())).collect();
    assert_eq!(alarms, [(Some(4), Some(5.0))], "the patch is under channel 2 only");
    for (alone, at_once) in [("1", ["3", "5"]), ("2", ["4", "6"])] {
        let known = readings(&job, folder.path(), alone);
        assert_eq!(known.len(), 100);
        for run in at_once {
            assert_eq!(readings(&job, folder.path(), run), known, "run {run}");
        }
    }
    let words = |run| said_in(&job, run, EventKind::Channel);
    assert!(
        words(3)[0].contains("channel 2, which is read at the same time") && words(4)[0].contains("channel 1, which is read"),
        "{:?}",
        words(3)
    );
    must(&["verify", job.to_str().unwrap()]);
}

#[test]
fn channels_without_a_track_of_their_own_are_not_read_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let (job, profile) = job(folder.path(), "\n[[track]]\nchannel = \"1\"\noffset_mm = -25\n");
    for (channels, why) in [(["1", "2"], "channel 2 has no track"), (["1", "1"], "channel 1 is named twice")] {
        let more: Vec<&str> = channels.iter().flat_map(|channel| ["--channel", channel]).collect();
        let output = run(&[&arguments(&job, &profile, "file:nothing")[..], &more].concat());
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!output.status.success() && said.contains(why), "{said}");
    }
    assert!(JobFile::open_read_only(&job).unwrap().contents().unwrap().runs.is_empty());
}

/// Two channels under way over TCP, with 60 readings of each saved.
fn under_way(job: &Path, profile: &Path) -> (Child, BufReader<std::process::ChildStdout>, TcpStream, TcpListener) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let stream = format!("tcp:{}", listener.local_addr().unwrap());
    let mut scan = backwall().args(arguments(job, profile, &stream)).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let (mut line, _) = listener.accept().unwrap();
    line.write_all(format!("\n{}", walls(0..60)).as_bytes()).unwrap();
    let mut said = BufReader::new(scan.stdout.take().unwrap());
    until_saved(&mut said, 60);
    (scan, said, line, listener)
}

fn until_saved(said: &mut BufReader<std::process::ChildStdout>, readings: u64) {
    let mut saved = std::collections::BTreeSet::new();
    while saved.len() < 2 {
        let mut line = String::new();
        assert!(said.read_line(&mut line).unwrap() > 0, "the scan ended before {readings} readings of both channels were saved");
        let event: serde_json::Value = serde_json::from_str(&line).unwrap();
        if event["event"] == "saved" && event["readings"].as_u64() == Some(readings) {
            saved.insert(event["run"].as_i64());
        }
    }
}

fn ends(job: &Path) -> Vec<(RunState, String, u64)> {
    let contents = JobFile::open_read_only(job).unwrap().contents().unwrap();
    contents.runs.into_iter().map(|run| (run.state, run.reason, run.readings)).collect()
}

#[cfg(unix)]
#[test]
fn a_link_that_goes_and_an_end_are_of_all_channels_alike() {
    let folder = tempfile::tempdir().unwrap();
    let (job, profile) = job(folder.path(), TRACKS);
    let (mut scan, mut said, line, listener) = under_way(&job, &profile);
    drop(line);
    let (mut line, _) = listener.accept().unwrap();
    line.write_all(format!("\n{}", walls(60..100)).as_bytes()).unwrap();
    until_saved(&mut said, 100);
    assert!(std::process::Command::new("kill").args(["-TERM", &scan.id().to_string()]).status().unwrap().success());
    assert!(scan.wait().unwrap().success());
    let ended = (RunState::Closed, "the program was asked to end".to_owned(), 100);
    assert_eq!(ends(&job), [ended.clone(), ended]);
    for run in [1, 2] {
        let link = said_in(&job, run, EventKind::Link);
        assert!(link.iter().any(|words| words.contains("connected again")), "{link:?}");
    }
    must(&["verify", job.to_str().unwrap()]);
}

// The device loses its power: its counts begin at 0 again, 40 of them a mm.
#[cfg(unix)]
#[test]
fn a_device_that_starts_anew_holds_the_place_of_all_channels() {
    let folder = tempfile::tempdir().unwrap();
    let (job, profile) = job(folder.path(), TRACKS);
    std::fs::write(
        &profile,
        CHANNELS.replace("columns = 3", "columns = 4").replace("\"mm\" }]", "\"mm\" }, { meaning = \"seq\", column = 4 }]"),
    )
    .unwrap();
    let numbered = |shots: std::ops::Range<u32>| -> String {
        shots.map(|shot| format!("1,{at},9.0,{shot}\n2,{at},9.5,{shot}\n", at = shot * 20)).collect()
    };
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let stream = format!("tcp:{}", listener.local_addr().unwrap());
    let mut scan = backwall().args(arguments(&job, &profile, &stream)).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut said = BufReader::new(scan.stdout.take().unwrap());
    let mut send = |shots: std::ops::Range<u32>, saved: u64| {
        let (mut line, _) = listener.accept().unwrap();
        line.write_all(format!("\n{}", numbered(shots)).as_bytes()).unwrap();
        until_saved(&mut said, saved);
        line
    };
    drop(send(0..60, 60));
    let _line = send(0..20, 80);
    let asked = std::process::Command::new("kill").args(["-TERM", &scan.id().to_string()]).status().unwrap();
    assert!(scan.wait().unwrap().success() && asked.success());
    let rows = csv(&job, folder.path());
    for run in ["1", "2"] {
        let places: Vec<f64> = rows.iter().filter(|row| row["run"] == run).map(|row| row["position_mm"].parse().unwrap()).collect();
        assert_eq!((places.len(), places[59], places[60], places[79]), (80, 29.5, 29.5, 39.0), "run {run}");
        let held = said_in(&job, run.parse().unwrap(), EventKind::Place);
        assert!(matches!(&held[..], [words] if words.contains("started anew") && words.contains("held at 29.5 mm")), "{held:?}");
    }
    must(&["verify", job.to_str().unwrap()]);
}

#[test]
fn a_crash_leaves_all_channels_broken_off_with_what_was_saved() {
    let folder = tempfile::tempdir().unwrap();
    let (job, profile) = job(folder.path(), TRACKS);
    let (mut scan, _said, _line, _listener) = under_way(&job, &profile);
    scan.kill().unwrap();
    scan.wait().unwrap();
    must(&["note", job.to_str().unwrap(), "--by", &operator(), "--text", "the laptop went out"]);
    let found = ends(&job);
    assert!(found.len() == 2 && found.iter().all(|(state, _, readings)| (*state, *readings) == (RunState::Interrupted, 60)), "{found:?}");
    must(&["verify", job.to_str().unwrap()]);
}

/// The run of channel 2 beside the fixture's run, which is of channel 1.
pub fn beside() -> LiveView {
    let mut view = LiveView { run: 4, channel: Some("2".to_owned()), ..live(Direction::Up) };
    view.bells = 0;
    view
}

#[test]
fn the_console_shows_one_channel_and_keeps_the_other_in_sight() {
    let mut app = scanning(Direction::Up);
    change(&mut app, |view| view.channel = Some("1".to_owned()));
    update(&mut app, Event::StartedBeside { view: Arc::new(beside()), wall: Arc::new(Mutex::new(wall(Direction::Up))) });
    for (width, height) in [(80, 24), (190, 50)] {
        insta::with_settings!({ snapshot_path => "snapshots" }, {
            insta::assert_snapshot!(format!("channels_{width}x{height}"), text(&app, width, height));
        });
    }
    // Its alarm rings while the other is looked at.
    let rung = update(&mut app, Event::Live(Arc::new(LiveView { bells: 1, ..beside() }), NOW));
    assert_eq!(rung, [Effect::Bell(1)]);
    assert!(text(&app, 80, 24).contains("A090 up ch 1 run 3"), "{}", text(&app, 80, 24));
    update(&mut app, letter('o'));
    let shown = text(&app, 80, 24);
    assert!(shown.contains("A090 up ch 2 run 4") && shown.contains("ch 1: "), "{shown}");
    update(&mut app, letter('o'));
    assert!(text(&app, 80, 24).contains("A090 up ch 1 run 3"));
    // Nothing is left before both are closed.
    let ended = |run: i64, view: LiveView| {
        Event::Live(Arc::new(LiveView { phase: Phase::Ended(Box::new(summary(run, "A090", RunState::Closed))), ..view }), NOW)
    };
    app.leaving = true;
    let mut first = live(Direction::Up);
    first.channel = Some("1".to_owned());
    assert!(!update(&mut app, ended(3, first)).contains(&Effect::Quit) && app.scanning());
    assert!(update(&mut app, ended(4, beside())).contains(&Effect::Quit) && !app.scanning());
    // One channel alone has no other to look at.
    let mut app = scanning(Direction::Up);
    update(&mut app, letter('o'));
    assert!(app.message.unwrap().text.contains("no other"));
}
