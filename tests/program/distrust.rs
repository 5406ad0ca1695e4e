//! Devices and clocks that say what cannot be, through the headless program: nothing of it is CLEAR, each stretch is said.

use crate::common::*;
use backwall_store::{EventKind, JobFile};
use backwall_stream::packet;
use backwall_units::Length;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// The demo's encoder.
const COUNTS_PER_MM: i32 = 40;

/// What a gauge sends of one shot.
#[derive(Clone, Copy)]
struct Sent {
    seq: u32,
    time_us: u64,
    mm: i32,
    thickness: Length,
}

/// A sound drive along C1: a shot every 10 ms, every half millimetre.
fn sound(shots: u32) -> Vec<Sent> {
    let shot = |seq: u32| Sent { seq, time_us: 1_000_000 + u64::from(seq) * 10_000, mm: seq as i32 / 2, thickness: Length::mm(9.0) };
    (0..shots).map(shot).collect()
}

struct Recorded {
    said: Vec<serde_json::Value>,
    rows: Vec<HashMap<String, String>>,
    events: Vec<(EventKind, String)>,
    job: PathBuf,
}

fn written(folder: &Path, sent: &[Sent]) -> String {
    let mut bytes = Vec::new();
    for shot in sent {
        packet::encode_gauge(shot.seq, shot.time_us, shot.mm * COUNTS_PER_MM, Some(shot.thickness), &mut bytes);
    }
    let path = folder.join("gauge.stream");
    std::fs::write(&path, bytes).unwrap();
    path.to_str().unwrap().to_owned()
}

fn record(folder: &Path, sent: &[Sent]) -> Recorded {
    let (job, stream) = (folder.join("gauge.job"), format!("file:{}", written(folder, sent)));
    let path = job.to_str().unwrap();
    must(&["new", path, "--from", "demo-stream/plan.toml"]);
    let why = "a gauge that evaluates its own echoes";
    let scan = ["scan", path, "--line", "C1", "--stream", &stream, "--pace", "max", "--headless", "--json", "--override-checklist", why];
    let said = events(&must(&scan));
    let events =
        JobFile::open_read_only(&job).unwrap().events(1).unwrap().into_iter().map(|event| (event.kind, event.text.to_string())).collect();
    Recorded { said, rows: csv(&job, folder), events, job }
}

impl Recorded {
    fn doubts(&self) -> Vec<&str> {
        self.events.iter().filter(|(kind, _)| *kind == EventKind::Doubt).map(|(_, text)| text.as_str()).collect()
    }
    fn rows_with(&self, flag: &str) -> Vec<&HashMap<String, String>> {
        self.rows.iter().filter(|row| row["flags"].split(' ').any(|found| found == flag)).collect()
    }
    /// What is flagged can be seen to be, and the file stands up to its own test.
    fn is_doubted(&self, flag: &str, shots: usize) {
        let doubted = self.rows_with(flag);
        assert_eq!(doubted.len(), shots, "{:?}", self.rows);
        for row in doubted {
            assert!(row["level"] != "CLEAR" && row["quality"] == "poor", "{row:?}");
        }
        must(&["verify", self.job.to_str().unwrap()]);
    }
}

#[test]
fn an_encoder_5_km_off_for_five_shots_gives_no_place_no_spot_there_and_two_events() {
    let folder = tempfile::tempdir().unwrap();
    let mut sent = sound(200);
    for shot in &mut sent[100..105] {
        shot.mm += 5_000_000;
        shot.thickness = Length::mm(3.0);
    }
    let run = record(folder.path(), &sent);
    run.is_doubted("encoder-jump", 5);
    for row in run.rows_with("encoder-jump") {
        assert_eq!((row["position_mm"].as_str(), row["level"].as_str()), ("", "THIN"), "{row:?}");
    }
    // What was driven before and after has its place.
    assert_eq!((run.rows[99]["position_mm"].as_str(), run.rows[105]["position_mm"].as_str()), ("49.0000", "52.0000"));
    let [begins, over] = run.doubts()[..] else { panic!("{:?}", run.events) };
    assert!(begins.contains("shot 100") && begins.contains("last place believed 49.0 mm"), "{begins}");
    assert!(over.contains("5 readings without a place") && over.contains("believed again at 52.0 mm"), "{over}");
    // The thin wall is said, without a place.
    let alarms = of_kind(&run.said, "alarm");
    assert!(!alarms.is_empty() && alarms.iter().all(|alarm| alarm["position_mm"].is_null()), "{alarms:?}");
    assert_eq!(of_kind(&run.said, "fault").len(), 1, "{:?}", run.said);
    assert!(run.events.iter().any(|(_, text)| text.contains("first shot: seq 0, encoder 0, taken to be at 0.0 mm")), "{:?}", run.events);
}

// C1 is 2000 mm long; 200 mm beyond are allowed.
#[test]
fn a_crawler_that_drives_on_beyond_its_line_has_places_no_longer() {
    let folder = tempfile::tempdir().unwrap();
    let mut sent = sound(240);
    for shot in &mut sent {
        (shot.mm, shot.time_us) = (shot.seq as i32 * 10, u64::from(shot.seq) * 1_000_000);
    }
    let run = record(folder.path(), &sent);
    run.is_doubted("off-line", 19);
    for row in run.rows_with("off-line") {
        assert_eq!((row["position_mm"].as_str(), row["level"].as_str()), ("", ""), "no limit is an empty level: {row:?}");
    }
    assert!(run.rows[220]["position_mm"] == "2200.0000" && run.rows[220]["level"] == "CLEAR", "{:?}", run.rows[220]);
    assert!(run.doubts()[1].contains("19 readings without a place (off-line), to the end"), "{:?}", run.doubts());
}

#[test]
fn a_device_clock_that_stands_still_or_runs_backwards_is_said_with_its_count() {
    let folder = tempfile::tempdir().unwrap();
    let mut sent = sound(100);
    sent[20..40].iter_mut().for_each(|shot| shot.time_us = 1_200_000);
    sent[60..80].iter_mut().for_each(|shot| shot.time_us = 1_600_000 - u64::from(shot.seq - 60) * 10_000);
    let run = record(folder.path(), &sent);
    let want = ["stands still at 1.200 s", "stood still at 1.200 s over 20 shots", "went back by 0.010 s", "ran backwards over 19 shots"];
    let doubts = run.doubts();
    assert!(doubts.len() == 4 && doubts.iter().zip(want).all(|(text, words)| text.contains(words)), "{doubts:?}");
    assert_eq!(run.rows.len(), 100);
    must(&["verify", run.job.to_str().unwrap()]);
}

#[test]
fn the_same_number_fifty_times_is_flagged_and_said() {
    let folder = tempfile::tempdir().unwrap();
    let mut sent = sound(100);
    sent[30..80].iter_mut().for_each(|shot| shot.seq = 30);
    let run = record(folder.path(), &sent);
    run.is_doubted("repeated", 49);
    let doubts = run.doubts();
    assert!(doubts[0].contains("sends seq 30 again") && doubts[1].contains("seq 30 came 50 times"), "{doubts:?}");
}

#[test]
fn a_stray_number_is_no_loss_and_a_real_one_is_counted() {
    let folder = tempfile::tempdir().unwrap();
    let mut sent = sound(100);
    sent[40].seq += 1 << 31;
    sent[70].seq += 500_000;
    sent.drain(80..83);
    let run = record(folder.path(), &sent);
    assert_eq!(run.said.last().unwrap()["lost"], 3, "{:?}", run.said.last());
    let doubts = run.doubts();
    assert!(doubts.len() == 2 && doubts.iter().all(|text| text.contains("stray number")), "{doubts:?}");
    let lost: Vec<_> = run.events.iter().filter(|(kind, _)| *kind == EventKind::Lost).collect();
    assert!(matches!(&lost[..], [(_, text)] if text == "3 shots missing before seq 83"), "{lost:?}");
}

// Nominal is 10 mm; the last is the most that 32 bits of micrometres hold.
#[test]
fn a_gauge_that_sends_no_wall_is_never_clear() {
    let folder = tempfile::tempdir().unwrap();
    let mut sent = sound(60);
    sent[20..30].iter_mut().for_each(|shot| shot.thickness = Length::mm(900.0));
    sent[40..50].iter_mut().for_each(|shot| shot.thickness = Length::mm(2_147_483.0));
    let run = record(folder.path(), &sent);
    for (row, reading) in run.rows.iter().enumerate() {
        let is_wall = !(20..30).contains(&row) && !(40..50).contains(&row);
        assert_eq!((reading["level"] == "CLEAR", reading["thickness_mm"].is_empty()), (is_wall, !is_wall), "{reading:?}");
    }
}

#[test]
fn bytes_that_fit_no_frame_are_said_and_kept_with_the_run() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let path = job.to_str().unwrap();
    let output = run(&["scan", path, "--line", "C1", "--stream", "file:Cargo.lock", "--pace", "max", "--headless"]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(said.contains("FAULT: bytes arrive, but none fit the profile open-packet: wrong profile?"), "{said}");
    let events = JobFile::open_read_only(&job).unwrap().events(1).unwrap();
    assert!(
        events.iter().any(|event| event.kind == EventKind::Link && event.text.to_string().contains("none fit the profile")),
        "{events:?}"
    );
}

// The tyre's delay moves about 8 ns a kelvin (common practice, no source): a device that finds the wall 25 K from the blocks says what the
// plan did not know, and no verification makes a run on a fixed zero valid.
#[test]
fn a_wall_that_the_device_finds_far_from_the_blocks_is_not_valid_on_a_fixed_zero() {
    let folder = tempfile::tempdir().unwrap();
    let plan = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    let fixed = folder.path().join("plan.toml");
    std::fs::write(&fixed, plan.replace("\n[setup]\n", "\n[setup]\nzero = \"fixed\"\n")).unwrap();
    let validity = |name: &str, plan: &str, celsius: f64| {
        let job = folder.path().join(name);
        let path = job.to_str().unwrap();
        must(&["new", path, "--from", plan]);
        let blocks = ["6", "12", "20"].map(|mm| format!("{mm}=file:{}", block(folder.path(), mm, &demo_wall())));
        let known = format!("10=file:{}", block(folder.path(), "10", &demo_wall()));
        let at: Vec<&str> = blocks.iter().flat_map(|block| ["--at", block]).collect();
        must(&[&["calibrate", path, "--headless", "--verify", &known], &at[..]].concat());
        let wall = std::fs::read_to_string(root().join("demo-stream/wall.toml")).unwrap();
        let hot = folder.path().join("wall.toml");
        std::fs::write(&hot, wall.replacen("\ntemperature_c = 18.0", &format!("\ntemperature_c = {celsius:.1}"), 1)).unwrap();
        let stream = folder.path().join("s.shots");
        must(&["simulate", "--wall", hot.to_str().unwrap(), "--shots", "60", "--out", stream.to_str().unwrap()]);
        let stream = format!("file:{}", stream.display());
        let said =
            must(&["scan", path, "--line", "A090", "--stream", &stream, "--pace", "max", "--headless", "--override-checklist", "a test"]);
        must(&["calibrate", path, "--headless", "--verify", &known]);
        let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
        let validity = contents.validity(&contents.runs[0]);
        (validity.word(), validity.why(backwall_units::LengthUnit::Mm), said.contains("too far apart to keep the zero"))
    };
    let fixed = fixed.to_str().unwrap();
    assert_eq!(validity("near.job", fixed, 20.0).0, "valid");
    let (word, why, said) = validity("far.job", fixed, 43.0);
    assert_eq!((word, said), ("pending", true), "{why}");
    assert!(why.contains("5 K"), "{why}");
    assert_eq!(validity("tracked.job", "demo-stream/plan.toml", 43.0).0, "valid");
}
