//! Evaluating a run again: the first readings stand, what comes beside them is whole, tried and told.

use crate::common::*;

use backwall_simulate::{Crawler, StreamEnd, VirtualWall};
use backwall_store::{CloseReason, Entry, EvaluationError, EvaluationStart, JobFile, RunId, RunStart};
use backwall_survey::job::validity::{Check, VerificationPlan};
use backwall_survey::job::{Checklist, Plan, checklist::Signed};
use backwall_survey::neighbours::{Neighbour, Neighbours};
use backwall_survey::reading::{Reading, ReadingMaker, Shot};
use backwall_survey::travel::Odometer;
use backwall_ultrasound::{Setup, Waveform};
use backwall_units::{Decibel, Length, Temperature, Time, Velocity};
use std::path::{Path, PathBuf};

const PLAN: &str = include_str!("../data/plan.toml");
const NOW_US: i64 = 1_772_366_400_000_000;
const SHOTS: u32 = 600;

fn plan() -> Plan {
    Plan::parse("plan.toml", PLAN).unwrap()
}

fn by(at_us: i64) -> Signed {
    Signed { name: "R. Aldane".into(), certificate: "UT 2, no. 00417".into(), at_us }
}

/// Everything off the wall file's own truth, as if two perfect blocks had been measured.
fn typed() -> (VirtualWall, Setup) {
    let text = std::fs::read_to_string(root().join("demo-stream/wall.toml")).unwrap();
    let wall = VirtualWall::parse("wall.toml", &text).unwrap();
    let temperature = wall.steel.temperature;
    let zero = wall.zero(temperature);
    let mut setup = plan().typed_setup();
    setup.velocity = wall.velocity(temperature);
    setup.zero = zero;
    setup.block_temperature = temperature;
    setup.gate.start = zero + Time::us(0.6);
    setup.gate.length = Time::us(6.0);
    (wall, setup)
}

/// A wall of 9.6 mm with a dent down to 6.5 mm.
fn thickness(seq: u32) -> Length {
    let from_middle = f64::from(seq.abs_diff(SHOTS / 2));
    Length::mm((6.5 + 0.05 * from_middle).min(9.6))
}

/// A job with a closed run of simulated shots, every one placed; without waveforms where asked.
fn recorded(folder: &Path, waveforms: bool) -> (PathBuf, RunId) {
    recorded_with(folder, waveforms, |_| {})
}

/// The same with something else about its set-up.
pub fn recorded_with(folder: &Path, waveforms: bool, change: impl FnOnce(&mut Setup)) -> (PathBuf, RunId) {
    let path = folder.join("tk7.job");
    let list = "name = 'short'\ntitle = 'Before'\ncaution = ''\n[[item]]\nid = 'tether'\ngroup = 'crawler'\nask = 'Fast?'\nkind = 'confirm'\nhold = true";
    JobFile::create(&path, &plan(), PLAN, &Checklist::parse("short.toml", list).unwrap(), NOW_US).unwrap();
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    let (wall, mut setup) = typed();
    change(&mut setup);
    let setup_id = writer.add_setup(setup.clone(), "typed".into(), by(NOW_US)).unwrap();
    let plan = plan();
    let start =
        RunStart { setup, setup_id: Some(setup_id), wall_temperature: wall.steel.temperature, ..run_start(&plan, "A090", NOW_US + 10) };
    let odometer = Odometer::new(start.path.clone()).unwrap();
    let mut maker = ReadingMaker::new(start.setup.clone(), odometer, start.limits.clone(), start.wall_temperature);
    let run = writer.start_run(start).unwrap();
    let mut crawler = Crawler::on_block(&wall, Length::mm(9.6), StreamEnd::Never).unwrap();
    let base = crawler.base();
    maker.set_time_base(base).unwrap();
    writer.append_blocking(run, Entry::TimeBase(base)).unwrap();
    let (mut neighbours, mut judgements) = (Neighbours::default(), Vec::new());
    let mut read = 0;
    for seq in 0..SHOTS {
        let samples: std::sync::Arc<[i16]> = crawler.waveform(thickness(seq), Length::ZERO, Decibel::ZERO).into();
        let shot = Shot {
            seq,
            device_time_us: Some(u64::from(seq) * 500),
            encoder: Some(seq as i32 * 2),
            across: None,
            gain: Decibel::db(42.0),
            samples,
        };
        let measured = maker.measure(&shot);
        let reading = maker.measured(&shot, &measured, NOW_US + i64::from(seq) * 500);
        let neighbour = Neighbour::new(u64::from(seq), &reading, &measured.sight);
        judgements.extend(neighbour.into_iter().flat_map(|neighbour| neighbours.push(neighbour)));
        read += u32::from(reading.measurement.thickness.is_some());
        let waveform = waveforms.then_some(Waveform { base, samples: shot.samples });
        writer.append_blocking(run, Entry::Reading { reading, waveform }).unwrap();
    }
    assert!(read > SHOTS * 9 / 10, "only {read} of {SHOTS} were read: nothing to compare");
    judgements.extend(neighbours.end());
    for judgement in judgements {
        writer.append_blocking(run, Entry::Judgement(judgement)).unwrap();
    }
    writer.close_run(run, CloseReason::Operator, 0).unwrap();
    job.close().unwrap();
    (path, run)
}

fn readings(path: &Path, run: RunId) -> Vec<Reading> {
    let mut all = Vec::new();
    JobFile::open_read_only(path).unwrap().for_each_reading(run, |reading| all.push(reading)).unwrap();
    all
}

pub fn reevaluate(path: &Path, options: &[&str]) -> serde_json::Value {
    let mut arguments = vec!["reevaluate", path.to_str().unwrap(), "--run", "1", "--json"];
    arguments.extend(options);
    events(&must(&arguments)).remove(0)
}

pub fn rows(path: &Path, out: &Path, options: &[&str]) -> Vec<std::collections::HashMap<String, String>> {
    let mut arguments = vec!["export", path.to_str().unwrap(), "--format", "csv", "--out", out.to_str().unwrap()];
    arguments.extend(options);
    must(&arguments);
    csv::Reader::from_path(out).unwrap().deserialize().map(Result::unwrap).collect()
}

#[test]
fn the_same_set_up_gives_the_same_readings() {
    let folder = tempfile::tempdir().unwrap();
    let (path, run) = recorded(folder.path(), true);
    let done = reevaluate(&path, &["--setup", "1", "--why", "to see whether it repeats"]);
    assert_eq!(
        (done["event"].as_str(), done["readings"].as_u64(), done["kept"].as_u64()),
        (Some("evaluated"), Some(SHOTS.into()), Some(0))
    );
    for nothing in ["changed", "gained", "lost"] {
        assert_eq!(done[nothing], 0, "{done}");
    }
    assert_eq!((done["mean_difference_mm"].as_f64(), done["largest"].is_null()), (Some(0.0), true));
    assert_eq!(done["before"], done["after"]);

    let reader = JobFile::open_read_only(&path).unwrap();
    let mut again = Vec::new();
    reader.for_each_evaluated(1, |reading| again.push(reading)).unwrap();
    assert_eq!(again, readings(&path, run));
    let stored = reader.contents().unwrap().evaluations.remove(0);
    assert_eq!((stored.start.why.as_str(), stored.start.by.name.as_str()), ("to see whether it repeats", "R. Aldane"));
    assert_eq!(stored.start.setup, typed().1);
    assert!(stored.start.by.at_us > NOW_US && stored.start.software.starts_with("backwall "));
    let out = folder.path().join("a.csv");
    let mut evaluated = rows(&path, &out, &["--evaluation", "1"]);
    for row in &mut evaluated {
        assert_eq!(row.insert("evaluation".to_owned(), String::new()).as_deref(), Some("1"));
    }
    assert_eq!(rows(&path, &out, &[]), evaluated);
}

#[test]
fn another_gate_stands_beside_the_first_readings_and_says_what_it_changed() {
    let folder = tempfile::tempdir().unwrap();
    let (path, run) = recorded(folder.path(), true);
    let before = readings(&path, run);
    let digest = JobFile::open_read_only(&path).unwrap().run(run).unwrap().digest;
    // Behind the echo of 8 mm: a wall thinner than that is no longer in the gate.
    let (wall, setup) = typed();
    let echo = setup.zero + Length::mm(8.0) * 2.0 / wall.velocity(wall.steel.temperature);
    let done = reevaluate(&path, &["--gate-start", &echo.as_us().to_string(), "--gate-length", "6"]);
    assert!(done["differs"].as_str().unwrap().contains("gate start"), "{done}");
    assert_eq!(readings(&path, run), before);
    assert_eq!(JobFile::open_read_only(&path).unwrap().run(run).unwrap().digest, digest);

    let out = folder.path().join("a.csv");
    let (old, new) = (rows(&path, &out, &["--run", "1"]), rows(&path, &out, &["--evaluation", "1"]));
    assert_eq!(old.len(), new.len());
    // The command's own counts, against a count over the two exports.
    let pairs = || old.iter().zip(&new).map(|(old, new)| (old["thickness_mm"].as_str(), new["thickness_mm"].as_str()));
    let lost = pairs().filter(|(old, new)| !old.is_empty() && new.is_empty()).count();
    let gained = pairs().filter(|(old, new)| old.is_empty() && !new.is_empty()).count();
    assert_eq!((done["lost"].as_u64(), done["gained"].as_u64()), (Some(lost as u64), Some(gained as u64)));
    assert!(lost > 20, "the dent is out of the gate: {done}");
    let mm = |text: &str| text.parse::<f64>().unwrap();
    let both: Vec<f64> = pairs().filter(|(old, new)| !old.is_empty() && !new.is_empty()).map(|(old, new)| mm(new) - mm(old)).collect();
    let mean = both.iter().sum::<f64>() / both.len() as f64;
    assert_eq!(done["compared"].as_u64(), Some(both.len() as u64));
    assert!((done["mean_difference_mm"].as_f64().unwrap() - mean).abs() < 2e-6, "{done}, {mean}");
    let largest = both.iter().map(|by| by.abs()).fold(0.0, f64::max);
    let told =
        done["largest"].as_object().map_or(0.0, |most| (most["after_mm"].as_f64().unwrap() - most["before_mm"].as_f64().unwrap()).abs());
    assert!((told - largest).abs() < 2e-6, "{done}, {largest}");
    for (side, rows) in [("before", &old), ("after", &new)] {
        let least = rows.iter().filter(|row| !row["thickness_mm"].is_empty()).map(|row| mm(&row["thickness_mm"])).fold(f64::MAX, f64::min);
        assert_eq!(done[side]["least_mm"].as_f64(), Some(least), "{side}");
    }
    // Everything but measurement and level is the run's own.
    for (old, new) in old.iter().zip(&new) {
        for column in ["run", "seq", "device_time_us", "host_time", "line", "position_mm", "course", "gain_db", "speed_mm_s"] {
            assert_eq!(old[column], new[column]);
        }
    }
    assert!(must(&["verify", path.to_str().unwrap()]).contains("evaluation 1 of run 1"));
    assert!(must(&["review", path.to_str().unwrap(), "--headless"]).contains("evaluation 1 by R. Aldane, gate start"));
    let listed = events(&must(&["review", path.to_str().unwrap(), "--headless", "--json"])).remove(0);
    assert_eq!((listed["evaluations"][0]["lost"].as_u64(), &listed["calibration"]), (Some(lost as u64), &"pending".into()));
}

// ASTM E797, 4.1: T = V·t/2, so a reading scales with the velocity.
#[test]
fn a_velocity_typed_over_scales_the_wall_and_needs_verifying() {
    let folder = tempfile::tempdir().unwrap();
    let (path, run) = recorded(folder.path(), true);
    let (before, velocity) = (readings(&path, run), typed().1.velocity);
    reevaluate(&path, &["--velocity", &(velocity.as_m_s() * 1.01).to_string()]);
    let reader = JobFile::open_read_only(&path).unwrap();
    let after = reader.evaluated(1, 0, SHOTS as usize).unwrap();
    // The slanted path of a dual element leaves a part of a percent of the percent.
    let ratios: Vec<f64> = before
        .iter()
        .zip(&after)
        .filter_map(|(before, after)| Some(after.measurement.thickness? / before.measurement.thickness?))
        .collect();
    assert!(ratios.len() > SHOTS as usize / 2);
    assert!(ratios.iter().all(|ratio| (ratio - 1.01).abs() < 0.004), "{ratios:?}");
    let contents = reader.contents().unwrap();
    assert!(contents.validity_of(&contents.evaluations[0]).why(backwall_units::LengthUnit::Mm).contains("typed"));
}

#[test]
fn a_failed_verification_makes_suspect_exports_reviews_and_evaluations() {
    let folder = tempfile::tempdir().unwrap();
    let (path, _) = recorded(folder.path(), true);
    let check = |at_us, measured| Check {
        setup_id: 1,
        block: "B-7".into(),
        truth: Length::mm(10.0),
        measured: Some(Length::mm(measured)),
        spread: Length::mm(0.01),
        shots: 16,
        tolerance: VerificationPlan::default().tolerance(Length::mm(10.0)),
        temperature: Temperature::celsius(20.0),
        by: by(at_us),
    };
    let enter = |check| {
        let job = JobFile::open(&path).unwrap();
        job.writer().add_check(check).unwrap();
        job.close().unwrap();
    };
    let out = folder.path().join("a.csv");
    let word = |options: &[&str]| {
        rows(&path, &out, options).iter().map(|row| row["calibration"].clone()).collect::<std::collections::BTreeSet<_>>()
    };
    reevaluate(&path, &["--threshold", "15"]);
    assert_eq!(word(&[]), ["pending".to_owned()].into());
    enter(check(NOW_US, 10.02));
    enter(check(NOW_US + 1_000_000_000, 10.3));
    assert_eq!(word(&[]), ["suspect".to_owned()].into());
    assert_eq!(word(&["--evaluation", "1"]), ["suspect".to_owned()].into());
    assert!(must(&["review", path.to_str().unwrap(), "--headless"]).contains("SUSPECT: verification after it failed"));
}

#[test]
fn what_cannot_be_done_is_said_and_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (path, run) = recorded(folder.path(), true);
    let bare = tempfile::tempdir().unwrap();
    let (without, _) = recorded(bare.path(), false);
    let cases: &[(&Path, &[&str], i32, &[&str])] = &[
        (&path, &["--run", "1"], 1, &["--gate-start", "--picker", "--setup"]),
        (&path, &["--run", "1", "--why", "only so"], 1, &["nothing to evaluate with"]),
        (&path, &["--run", "7", "--threshold", "30"], 1, &["run 7", "it has: 1"]),
        (&path, &["--run", "1", "--setup", "5"], 1, &["no set-up 5", "1 (typed)"]),
        (&path, &["--run", "1", "--gate-length", "-1"], 1, &["gate length", "positive", "Nothing of this evaluation was kept"]),
        (&path, &["--run", "1", "--velocity", "nan"], 2, &["velocity", "is not a number"]),
        (&path, &["--run", "1", "--picker", "guess"], 2, &["zero-crossing"]),
        (&without, &["--run", "1", "--threshold", "30"], 1, &["run 1 has no waveforms"]),
    ];
    for (path, options, code, words) in cases {
        let mut arguments = vec!["reevaluate", path.to_str().unwrap()];
        arguments.extend(*options);
        let output = run_binary(&arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(*code), "{arguments:?}: {said}");
        for word in *words {
            assert!(said.contains(word), "{arguments:?} does not say '{word}': {said}");
        }
        let reader = JobFile::open_read_only(path).unwrap();
        assert!(reader.evaluations().unwrap().is_empty());
        assert_eq!(reader.verify().unwrap().problems, []);
    }
    // Stopped after the first pieces, as Ctrl-C does.
    let job = JobFile::open(&path).unwrap();
    let reader = job.reader().unwrap();
    let start = EvaluationStart {
        run,
        setup: Setup { velocity: Velocity::m_s(5000.0), ..typed().1 },
        setup_id: None,
        differs: "velocity".into(),
        why: String::new(),
        software: "test".into(),
        by: by(NOW_US),
    };
    let stopped = job.writer().reevaluate(&reader, start.clone(), |done, of| {
        assert_eq!(of, u64::from(SHOTS));
        done < 512
    });
    assert!(matches!(stopped, Err(EvaluationError::Stopped)), "{stopped:?}");
    assert!(reader.evaluations().unwrap().is_empty() && reader.evaluated(1, 0, 10).unwrap().is_empty());
    // The writer goes on as if nothing had been.
    let kept = job.writer().reevaluate(&reader, start, |_, _| true).unwrap();
    assert_eq!(kept.id, 1);
    assert_eq!(reader.evaluated(1, 0, 10_000).unwrap().len(), SHOTS as usize);
    drop(reader);
    job.close().unwrap();
    let raw = rusqlite::Connection::open(&path).unwrap();
    let orphans: i64 = raw.query_row("SELECT count(*) FROM evaluated WHERE evaluation_id <> 1", [], |row| row.get(0)).unwrap();
    assert_eq!(orphans, 0);
}

fn run_binary(arguments: &[&str]) -> std::process::Output {
    run(arguments)
}

#[test]
fn an_evaluation_once_kept_is_never_changed_and_damage_to_it_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let (path, _) = recorded(folder.path(), true);
    reevaluate(&path, &["--threshold", "15"]);
    must(&["verify", path.to_str().unwrap()]);
    let raw = rusqlite::Connection::open(&path).unwrap();
    for statement in [
        "UPDATE evaluated SET thickness_nm = 9000000 WHERE row = 3",
        "DELETE FROM evaluated",
        "UPDATE evaluation SET why = 'x'",
        "DELETE FROM evaluation",
    ] {
        let said = raw.execute_batch(statement).unwrap_err().to_string();
        assert!(said.contains("once saved is never"), "{statement}: {said}");
    }
    // Past the triggers, as a person with an editor would, and the triggers put back.
    for (table, statement, words) in [
        ("evaluated", "UPDATE evaluated SET thickness_nm = 9000000 WHERE row = 3", ["reading 3 (seq 3)", "not what was saved"]),
        ("evaluation", "UPDATE evaluation SET why = 'x'", ["evaluation 1", "not what was entered"]),
    ] {
        let copy = folder.path().join("copy.job");
        std::fs::copy(&path, &copy).unwrap();
        let raw = rusqlite::Connection::open(&copy).unwrap();
        let trigger: String =
            raw.query_row("SELECT sql FROM sqlite_schema WHERE name = ?1", [format!("{table}_no_update")], |row| row.get(0)).unwrap();
        raw.execute_batch(&format!("DROP TRIGGER {table}_no_update; {statement}; {trigger}")).unwrap();
        drop(raw);
        let problems = JobFile::open_read_only(&copy).unwrap().verify().unwrap().problems;
        let said: String = problems.iter().map(|problem| format!("{}\n", problem.what)).collect();
        assert!(words.iter().all(|word| said.contains(word)), "{statement}: {said}");
    }
}

/// A threshold set above the first echo must not turn its repeat into a wall twice as thick.
#[test]
fn a_threshold_over_the_first_echo_never_doubles_the_wall() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("demo.job");
    let path = job.to_str().unwrap();
    let run = |arguments: &[&str]| {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_backwall"))
            .args(arguments)
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    run(&["demo", "--headless", "--job", path]);
    let reader = || backwall_store::JobFile::open_read_only(&job).unwrap();
    let mut first = Vec::new();
    reader().for_each_reading(1, |reading| first.push(reading.measurement.thickness)).unwrap();
    for threshold in ["25", "35", "50"] {
        run(&["reevaluate", path, "--run", "1", "--threshold", threshold, "--headless"]);
        let evaluation = reader().contents().unwrap().evaluations.last().unwrap().id;
        let mut row = 0;
        reader()
            .for_each_evaluated(evaluation, |again| {
                if let (Some(before), Some(now)) = (first[row], again.measurement.thickness) {
                    let ratio = now / before;
                    assert!(ratio < 1.5, "threshold {threshold} %, reading {row}: {before} became {now}");
                }
                row += 1;
            })
            .unwrap();
        assert_eq!(row, first.len());
    }
}
