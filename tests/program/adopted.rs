//! An evaluation that was adopted counts in every result, and nothing of the readings it stands for shows in any; both stay
//! in the job, `verify` finds it whole, and the run's own readings can be made to count again.

use crate::common::*;
use crate::reevaluate::{recorded_with, reevaluate, rows};
use backwall_store::JobFile;
use backwall_ultrasound::{Mode, ZeroKeeping};
use backwall_units::Time;
use std::path::{Path, PathBuf};

/// How far the zero was typed too early, so that every wall reads too thick.
const OFF_NS: f64 = 240.0;
/// The wall the simulator was told, at its thinnest.
const TRUTH_MM: f64 = 6.5;

/// A job whose run reads too thick by first echo.
pub fn read_wrong(folder: &Path) -> PathBuf {
    let change = |setup: &mut backwall_ultrasound::Setup| {
        setup.zero = setup.zero - Time::ns(OFF_NS);
        setup.mode = Mode::FirstEcho;
        setup.zero_keeping = ZeroKeeping::Fixed;
    };
    recorded_with(folder, true, change).0
}

fn adopt(path: &Path, which: &str, reason: &str) -> serde_json::Value {
    let job = path.to_str().unwrap();
    let said = must(&["reevaluate", job, "--run", "1", "--adopt", which, "--operator", "M. Thole", "--reason", reason, "--json"]);
    events(&said).remove(0)
}

pub fn least(rows: &[std::collections::HashMap<String, String>], column: &str) -> f64 {
    rows.iter().filter_map(|row| row[column].parse::<f64>().ok()).fold(f64::MAX, f64::min)
}

/// What every result says of a job, by name, byte for byte.
pub fn results(path: &Path) -> Vec<(String, Vec<u8>)> {
    let (job, folder) = (path.to_str().unwrap(), path.parent().unwrap());
    let mut found = Vec::new();
    let mut file = |name: &str, arguments: &[&str]| {
        let out = folder.join(name);
        let mut all = arguments.to_vec();
        all.extend(["--out", out.to_str().unwrap()]);
        must(&all);
        let bytes = std::fs::read(&out).unwrap();
        let bytes = match name.rsplit_once('.') {
            Some((_, "parquet")) => without_seal(bytes),
            Some((_, "svg")) => without_seal_line(&bytes),
            _ => bytes,
        };
        found.push((name.to_owned(), bytes));
    };
    for what in ["readings", "spots", "statistics"] {
        for format in ["csv", "parquet"] {
            file(&format!("{what}.{format}"), &["export", job, "--format", format, "--what", what]);
        }
    }
    file("map.svg", &["export", job, "--format", "svg", "--figure", "map"]);
    for figure in ["strip", "waveform"] {
        file(&format!("{figure}.svg"), &["export", job, "--format", "svg", "--figure", figure, "--run", "1"]);
    }
    file("report.html", &["report", job, "--template", "complete", "--issued", "2026-12-01T09:30:00+01:00"]);
    let mut said = |name: &str, arguments: &[&str]| found.push((name.to_owned(), must(arguments).into_bytes()));
    said("review", &["review", job, "--headless", "--json"]);
    let mut assessed = |name: &str, arguments: &[&str]| {
        let mut object: serde_json::Value = serde_json::from_str(&must(&[&["assess", job, "--json"], arguments].concat())).unwrap();
        assert!(object.as_object_mut().unwrap().remove("seal").is_some_and(|seal| seal["digest"].is_string()));
        found.push((name.to_owned(), object.to_string().into_bytes()));
    };
    assessed("assess", &[]);
    assessed("assess against itself", &["--earlier", job]);
    found
}

/// A picture without the line of its job's seal.
fn without_seal_line(svg: &[u8]) -> Vec<u8> {
    let text = std::str::from_utf8(svg).unwrap();
    let lines: Vec<&str> = text.lines().filter(|line| !line.starts_with("<metadata>seal of the job ")).collect();
    assert_eq!(lines.len() + 1, text.lines().count());
    lines.join("\n").into_bytes()
}

/// A Parquet file with its job's seal blanked out: a statement is one entry more. Digits stand behind a byte each for what they are and how many.
fn without_seal(mut bytes: Vec<u8>) -> Vec<u8> {
    for (key, digits) in [("backwall.seal\u{18}", 64), ("backwall.seal_entries\u{18}", 1)] {
        let at = bytes.windows(key.len()).position(|window| window == key.as_bytes());
        let at = at.unwrap_or_else(|| panic!("there is no {key}")) + key.len() + 1;
        assert!(bytes[at..at + digits].iter().all(u8::is_ascii_hexdigit));
        bytes[at..at + digits].fill(b'0');
    }
    bytes
}

#[test]
fn an_adopted_evaluation_counts_in_every_result_until_the_runs_own_readings_do_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = read_wrong(folder.path());
    let (job, out) = (path.to_str().unwrap(), folder.path().join("a.csv"));
    let first = rows(&path, &out, &[]);
    let wrong = least(&first, "thickness_mm");
    // V path of a dual element (Pythagoras): the wall file's exit points lie 2.9 mm off the middle, the plan's 2.5 mm; the zero
    // is out by V·t/2 along it (ASTM E797, 4.1), V = 5920 m/s.
    let path_mm = TRUTH_MM.hypot(2.9) + 5.92 * OFF_NS / 1e3 / 2.0;
    let expected = (path_mm * path_mm - 2.5 * 2.5).sqrt();
    assert!((wrong - expected).abs() < 0.03, "first echo should read {expected:.3}, not {wrong}");
    assert!(first.iter().all(|row| row["evaluation"].is_empty()));
    let before = results(&path);

    let done = reevaluate(&path, &["--mode", "echo-to-echo"]);
    assert_eq!(results(&path).len(), before.len());
    assert_eq!(rows(&path, &out, &[]), first, "an evaluation alone changes no result");
    let told = adopt(&path, "1", "zero typed 240 ns early; echo to echo needs none");
    assert_eq!((told["event"].as_str(), told["evaluation"].as_i64(), told["by"].as_str()), (Some("adopted"), Some(1), Some("M. Thole")));
    assert_eq!(told["least_mm"], done["after"]["least_mm"]);

    let second = rows(&path, &out, &[]);
    let right = least(&second, "thickness_mm");
    assert!((right - TRUTH_MM).abs() < 0.1, "echo to echo reads {right}, the wall is {TRUTH_MM}");
    assert!(second.iter().all(|row| row["evaluation"] == "1"));
    assert_eq!(second, rows(&path, &out, &["--evaluation", "1"]));
    assert!((least(&rows(&path, &out, &["--what", "statistics"]), "minimum_mm") - right).abs() < 1e-6);
    let spots = rows(&path, &out, &["--what", "spots"]);
    assert!(!spots.is_empty() && (least(&spots, "minimum_mm") - right).abs() < 1e-6, "{spots:?}");
    let assessed: serde_json::Value = serde_json::from_str(&must(&["assess", job, "--json"])).unwrap();
    assert!((assessed["runs"][0]["minimum_mm"].as_f64().unwrap() - right).abs() < 1e-6, "{assessed}");
    assert!(assessed["runs"][0]["remarks"].to_string().contains("adopted by M. Thole"), "{assessed}");
    assert!(
        must(&["review", job, "--headless"]).contains("run 1 counts as evaluation 1 (mode first-echo -> echo-to-echo) adopted by M. Thole")
    );
    let report = folder.path().join("report.html");
    must(&["report", job, "--template", "complete", "--out", report.to_str().unwrap()]);
    let html = std::fs::read_to_string(&report).unwrap();
    for words in ["The readings of evaluation 1 count", "M. Thole", "zero typed 240 ns early", &format!("{right:.2}")] {
        assert!(html.contains(words), "the report does not say '{words}'");
    }
    let verdict = must(&["verify", job]);
    assert!(verdict.contains("evaluation 1 of run 1"), "{verdict}");
    let reader = JobFile::open_read_only(&path).unwrap();
    assert!(reader.verify().unwrap().problems.is_empty());
    drop(reader);

    adopt(&path, "own", "tried only");
    assert_eq!(rows(&path, &out, &[]), first);
    let html = String::from_utf8(results(&path).into_iter().find(|(name, _)| name == "report.html").unwrap().1).unwrap();
    assert!(html.contains("tried only") && !html.contains("The readings of evaluation 1 count"));
    assert!(JobFile::open_read_only(&path).unwrap().verify().unwrap().problems.is_empty());
    for name in ["readings.csv", "spots.csv", "statistics.csv", "strip.svg", "waveform.svg", "map.svg", "assess"] {
        let of = |all: &[(String, Vec<u8>)]| all.iter().find(|(known, _)| known == name).unwrap().1.clone();
        assert_eq!(of(&results(&path)), of(&before), "{name} is not as it was");
    }
}

/// What the run's own readings say is altered behind the program's back: no result that rests on the adopted evaluation may
/// tell the difference, and every one that rests on the run's own readings must.
#[test]
fn nothing_of_the_readings_not_adopted_is_in_any_result() {
    let folder = tempfile::tempdir().unwrap();
    let path = read_wrong(folder.path());
    reevaluate(&path, &["--mode", "echo-to-echo"]);
    let own = folder.path().join("own.job");
    std::fs::copy(&path, &own).unwrap();
    adopt(&path, "1", "the zero was wrong");
    let (adopted, altered) = (results(&path), |path: &Path| {
        let raw = rusqlite::Connection::open(path).unwrap();
        raw.execute_batch(
            "DROP TRIGGER reading_no_update; DROP TRIGGER run_end_no_update;
             UPDATE reading SET thickness_nm = 3210000 + row, uncertainty_nm = 77000, echo_time_ps = 1, next_echo_time_ps = 2,
               height_cpct = 3, snr_cdb = 4, quality = 'poor', flags = 5, level = 'THIN', coating_nm = 6, coating_uncertainty_nm = 7;
             UPDATE run_end SET least_nm = 3210000, no_echo = 17, spots = 99, least_at_um = 1;
             INSERT INTO judgement (run_id, link, first_row, last_row, flags, stretch_json) VALUES (1, 1, 0, 500, 2097152, NULL);
             INSERT INTO spot (run_id, link, number, from_um, to_um, least_nm, least_at_um, least_seq, level, readings, acknowledged)
               VALUES (1, 1, 98, 0, 1000, 3210000, 0, 0, 'THIN', 9, 0);",
        )
        .unwrap();
    });
    altered(&path);
    for ((name, before), (_, after)) in adopted.iter().zip(results(&path)) {
        assert!(*before == after, "{name} shows something of the readings that were not adopted");
    }
    let before = results(&own);
    altered(&own);
    for ((name, before), (_, after)) in before.iter().zip(results(&own)) {
        assert!(*before != after, "{name} does not rest on the run's own readings");
    }
}

#[test]
fn what_cannot_be_adopted_is_said_and_enters_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = read_wrong(folder.path());
    let job = path.to_str().unwrap();
    reevaluate(&path, &["--mode", "echo-to-echo"]);
    let cases: &[(&[&str], i32, &[&str])] = &[
        (&["--adopt", "1"], 2, &["--reason"]),
        (&["--adopt", "1", "--reason", "  "], 1, &["say why"]),
        (&["--adopt", "4", "--reason", "x"], 1, &["no evaluation 4 of run 1", "1 (mode first-echo -> echo-to-echo)"]),
        (&["--adopt", "first", "--reason", "x"], 2, &["own for the run's own readings"]),
        (&["--adopt", "own", "--reason", "x"], 1, &["its own readings count already"]),
        (&["--adopt", "1", "--reason", "x", "--mode", "first-echo"], 2, &["cannot be used with"]),
    ];
    for (options, code, words) in cases {
        let mut arguments = vec!["reevaluate", job, "--run", "1"];
        arguments.extend(*options);
        let output = run(&arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(*code), "{arguments:?}: {said}");
        for word in *words {
            assert!(said.contains(word), "{arguments:?} does not say '{word}': {said}");
        }
    }
    assert!(JobFile::open_read_only(&path).unwrap().adoptions().unwrap().is_empty());
    adopt(&path, "1", "the zero was wrong");
    let raw = rusqlite::Connection::open(&path).unwrap();
    for (statement, words) in [
        ("UPDATE adoption SET reason = 'x'", "once saved is never changed"),
        ("DELETE FROM adoption", "once saved is never removed"),
        ("INSERT INTO adoption VALUES (NULL, 1, 1, ' ', 'x', '', 0)", "CHECK"),
        ("INSERT INTO adoption VALUES (NULL, 2, 1, 'x', 'x', '', 0)", "for the run it was made of"),
    ] {
        let said = raw.execute_batch(statement).unwrap_err().to_string();
        assert!(said.contains(words), "{statement}: {said}");
    }
    // A statement that was slipped in is found.
    raw.execute_batch("INSERT INTO adoption VALUES (NULL, 1, NULL, 'x', 'x', '', 0)").unwrap();
    drop(raw);
    let problems = JobFile::open_read_only(&path).unwrap().verify().unwrap().problems;
    assert!(problems.iter().any(|problem| problem.what.contains("1 rows of adoption were never entered")), "{problems:?}");
}

/// A file from before evaluations could be adopted: read as it is, and brought up to date by the first statement.
/// `format-5.job` was made by the program of that format: one run of 100 shots, evaluated again. The formats before it lacked tables.
#[test]
fn a_file_of_an_older_format_is_read_and_takes_an_adoption() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("old.job");
    std::fs::copy(root().join("tests/data/format-5.job"), &path).unwrap();
    let out = folder.path().join("a.csv");
    let (own, evaluated) = (rows(&path, &out, &[]), rows(&path, &out, &["--evaluation", "1"]));
    assert_ne!(least(&own, "thickness_mm"), least(&evaluated, "thickness_mm"));
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.execute_batch(
        "DROP TABLE adoption; DROP TABLE judgement;
         ALTER TABLE spot DROP COLUMN kind; ALTER TABLE spot DROP COLUMN evidence; ALTER TABLE spot DROP COLUMN stretch_json;
         PRAGMA user_version = 4;",
    )
    .unwrap();
    drop(raw);
    must(&["verify", path.to_str().unwrap()]);
    adopt(&path, "1", "the zero was wrong");
    assert_eq!(least(&rows(&path, &out, &[]), "thickness_mm"), least(&evaluated, "thickness_mm"));
    must(&["verify", path.to_str().unwrap()]);
}

/// What neighbours made of a run's own readings stays stored, and is tried, whichever readings count.
#[test]
fn the_judgements_of_a_run_are_verified_whatever_was_adopted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("demo.job");
    must(&["demo", "--headless", "--job", path.to_str().unwrap()]);
    let judged = || JobFile::open_read_only(&path).unwrap().judgements(1).unwrap().len();
    assert!(judged() > 0, "the demo's first run has nothing to judge");
    reevaluate(&path, &["--mode", "echo-to-echo"]);
    adopt(&path, "1", "to see whether verify keeps to what was measured");
    assert!(judged() > 0, "an evaluation's readings have neighbours too");
    let kinds = |what: &str| {
        let out = folder.path().join("k.csv");
        rows(&path, &out, &["--what", what]).iter().filter(|row| !row["kind"].is_empty()).count()
    };
    assert!(kinds("readings") > 0 && kinds("spots") > 0, "adopting an evaluation drops what its neighbours say");
    must(&["verify", path.to_str().unwrap()]);
}
