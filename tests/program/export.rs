//! Exports as others read them: CSV, Parquet in DuckDB and pyarrow, SVG and PNG; and what must never be written.

use crate::common::*;

use backwall_report::csv::{CsvError, write_readings};
use backwall_report::readings::ReadingsOf;
use backwall_report::whole_file;
use backwall_store::{CloseReason, Entry, JobFile, Mark, MarkKind, RunId, RunStart};
use backwall_survey::job::Plan;
use backwall_survey::job::checklist::{Checklist, Signed};
use backwall_survey::reading::Reading;
use backwall_survey::strip::{Level, Limits, Spot};
use backwall_survey::travel::Place;
use backwall_ultrasound::{Coating, Flag, Flags, Measurement, Quality, TimeBase, Waveform};
use backwall_units::{Decibel, Frequency, Length, Speed, Temperature, Time};
use std::path::{Path, PathBuf};

/// Three courses of 2 m, two lines up and one around.
const PLAN: &str = include_str!("../data/fleet.toml");
const NEW_YEAR_2024_US: i64 = 1_704_067_200_000_000;
const YEAR_US: i64 = 366 * 24 * 3600 * 1_000_000;

struct Job {
    path: PathBuf,
    file: JobFile,
    plan: Plan,
    setup_id: i64,
    waveforms: bool,
}

fn job(folder: &Path, name: &str, plan: &str) -> Job {
    let path = folder.join(name);
    let list = "name = 'short'\ntitle = 'Before'\ncaution = ''\n[[item]]\nid = 'tether'\ngroup = 'crawler'\nask = 'Fast?'\nkind = 'confirm'\nhold = true";
    let parsed = Plan::parse("fleet.toml", plan).unwrap();
    JobFile::create(&path, &parsed, plan, &Checklist::parse("short.toml", list).unwrap(), NEW_YEAR_2024_US).unwrap();
    let file = JobFile::open(&path).unwrap();
    let by = Signed { name: "R. Aldane".into(), certificate: "UT 2".into(), at_us: NEW_YEAR_2024_US };
    let setup_id = file.writer().add_setup(parsed.typed_setup(), "typed".into(), by).unwrap();
    Job { path, file, plan: parsed, setup_id, waveforms: true }
}

impl Job {
    /// A closed run with a reading each 5 mm from 0 to 6 m, thicknesses as `wall` tells them for a place.
    fn run(&self, line: &str, started_us: i64, wall: impl Fn(f64) -> Option<f64>) -> RunId {
        let (writer, planned) = (self.file.writer(), self.plan.line(line).unwrap().clone());
        let start = RunStart { setup_id: Some(self.setup_id), ..run_start(&self.plan, line, started_us) };
        let run = writer.start_run(start).unwrap();
        let base = TimeBase { rate: Frequency::mhz(50.0), first: Time::us(12.0), bits: 12 };
        writer.append_blocking(run, Entry::TimeBase(base)).unwrap();
        let path = self.plan.path(&planned);
        let mut least: Option<(Length, Reading)> = None;
        for seq in 0..1200u32 {
            let at = Length::mm(f64::from(seq) * 5.0 + 0.125);
            let place = Place { along: Some(at), course: path.course_at(at), speed: (seq > 2).then_some(Speed::mm_s(40.0)), across: None };
            let reading = reading(seq, started_us, place, wall(at.as_mm()), &self.plan.limits());
            if let Some(thickness) = reading.measurement.thickness.filter(|_| reading.level >= Level::Watch)
                && least.as_ref().is_none_or(|(known, _)| thickness < *known)
            {
                least = Some((thickness, reading.clone()));
            }
            let samples: Vec<i16> = (0..256).map(|sample| if sample % 64 == 5 { 900 } else { (sample % 7) as i16 }).collect();
            let waveform = self.waveforms.then(|| Waveform { base, samples: samples.into() });
            writer.append_blocking(run, Entry::Reading { reading, waveform }).unwrap();
        }
        if let Some((least, of)) = least {
            let edges = of.place.along.map(|at| (at - Length::mm(40.0), at + Length::mm(35.5)));
            let (least_at, least_seq, level, course) = (of.place.along, of.seq, of.level, of.place.course);
            let spot = Spot { id: 1, edges, least, least_at, least_seq, level, course, readings: 16, acknowledged: true, finding: None };
            writer.append_blocking(run, Entry::Spot(spot)).unwrap();
        }
        let mark = Mark { kind: MarkKind::Nozzle, along: Some(Length::mm(1250.0)), seq: None, text: "N2 <b>".into(), at_us: started_us };
        writer.append_blocking(run, Entry::Mark(mark)).unwrap();
        writer.close_run(run, CloseReason::Operator, 0).unwrap();
        run
    }

    fn closed(self) -> PathBuf {
        self.file.close().unwrap();
        self.path
    }
}

fn reading(seq: u32, started_us: i64, place: Place, wall: Option<f64>, limits: &Limits) -> Reading {
    let measurement = match wall {
        None => Measurement::none(Flags::of(Flag::NoCoupling).with(Flag::Weak)),
        Some(wall) => Measurement {
            thickness: Some(Length::mm(wall)),
            uncertainty: Some(Length::mm(0.0312)),
            echo_time: Some(Time::us(13.0 + wall / 3.0)),
            height_pct: Some(64.25),
            snr: (!seq.is_multiple_of(3)).then_some(Decibel::db(31.5)),
            coating: seq.is_multiple_of(5).then_some(Coating { thickness: Length::mm(0.3125), uncertainty: Length::mm(0.02) }),
            quality: Quality::Good,
            ..Measurement::none(Flags::NONE)
        },
    }
    .rounded();
    Reading {
        seq,
        device_time_us: (!seq.is_multiple_of(5)).then_some(u64::from(seq) * 25_000),
        host_time_us: started_us + i64::from(seq) * 25_000,
        encoder: Some(seq as i32 * 200),
        place,
        gain: Decibel::db(42.0),
        wall_temperature: Temperature::celsius(-7.125),
        level: limits.level(&measurement, place.course),
        level_shown: limits.level(&measurement, place.course),
        measurement,
    }
}

/// 9.5, 8.5 and 7.5 mm by course, with a pit and a stretch without echo.
fn wall(at: f64, pit_at: f64, pit: f64) -> Option<f64> {
    let course = [9.5, 8.5, 7.5][((at / 2000.0) as usize).min(2)];
    if (700.0..760.0).contains(&at) {
        return None;
    }
    let deep = pit * (1.0 - (at - pit_at).abs() / 100.0).max(0.0);
    Some(course - deep - at / 1e5)
}

/// Runs a Python script that needs duckdb and pyarrow. `None` where they are missing and nobody said they must be there.
fn python(arguments: &[&str]) -> Option<serde_json::Value> {
    let output = crate::common::python("duckdb, pyarrow", &root().join("tests/data/read_exports.py"), arguments)?;
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(serde_json::from_slice(&output.stdout).unwrap())
}

fn export(job: &Path, out: &Path, options: &[&str]) -> String {
    let mut arguments = vec!["export", job.to_str().unwrap(), "--out", out.to_str().unwrap()];
    arguments.extend(options);
    must(&arguments)
}

fn refused(job: &Path, out: &Path, options: &[&str]) -> String {
    let mut arguments = vec!["export", job.to_str().unwrap(), "--out", out.to_str().unwrap()];
    arguments.extend(options);
    let output = run(&arguments);
    assert_eq!(output.status.code(), Some(1), "{options:?} was not refused");
    String::from_utf8(output.stderr).unwrap()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

fn one_job(folder: &Path) -> PathBuf {
    let job = job(folder, "one.job", PLAN);
    let run = job.run("A090", NEW_YEAR_2024_US + 10, |at| wall(at, 3_500.0, 3.6));
    job.run("C1", NEW_YEAR_2024_US + 20, |at| wall(at, 1_200.0, 1.0));
    assert_eq!(run, 1);
    job.closed()
}

#[test]
fn parquet_holds_what_the_csv_holds_digit_for_digit_with_its_units() {
    let folder = tempfile::tempdir().unwrap();
    let job = one_job(folder.path());
    for what in ["readings", "statistics", "spots"] {
        let (csv, parquet) = (folder.path().join(format!("{what}.csv")), folder.path().join(format!("{what}.parquet")));
        export(&job, &csv, &["--format", "csv", "--what", what]);
        export(&job, &parquet, &["--format", "parquet", "--what", what]);
        let Some(found) = python(&["equal", csv.to_str().unwrap(), parquet.to_str().unwrap()]) else { return };
        let rows = found["rows"].as_array().unwrap();
        assert!(rows.iter().all(|count| count == &rows[0]), "{what}: {found}");
        assert_eq!(found["different"], serde_json::json!([]), "{what}");
        assert!(found["names"] == true && found["nothing"] == found["empty"], "{what}: {found}");
        assert_eq!(
            rows[0].as_u64(),
            Some(match what {
                "readings" => 2400,
                "statistics" => 6,
                _ => 1,
            }),
            "{what}"
        );
        if what == "readings" {
            let units = python(&["units", parquet.to_str().unwrap()]).unwrap();
            assert_eq!(units["columns"], units["keys"]);
            let columns = &units["columns"];
            assert_eq!((columns["thickness_mm"].as_str(), columns["host_time"].as_str()), (Some("mm"), Some("UTC")));
            assert_eq!(units["types"]["thickness_mm"], "decimal128(18, 6)");
            assert_eq!(units["types"]["host_time"], "timestamp[us, tz=UTC]");
        }
    }
}

/// Three tanks, two years: the pit of each, at its place along A090, in mm of depth.
const PITS: [(&str, i64, f64, f64); 6] = [
    ("TK-7", 2024, 500.0, 1.5),
    ("TK-7", 2026, 500.0, 2.75),
    ("TK-8", 2024, 3_100.0, 0.5),
    ("TK-8", 2026, 3_100.0, 1.25),
    ("TK-9", 2024, 5_200.0, 1.0),
    ("TK-9", 2026, 5_200.0, 1.125),
];

#[test]
fn a_fleet_answers_where_it_is_thinnest_per_course_and_year() {
    let folder = tempfile::tempdir().unwrap();
    let fleet = folder.path().join("fleet");
    for (asset, year, pit_at, pit) in PITS {
        let number = format!("FP-{asset}-{year}");
        let plan = PLAN.replace("\"TK-7\"", &format!("\"{asset}\"")).replace("\"FP-0900\"", &format!("\"{number}\""));
        let job = Job { waveforms: false, ..job(folder.path(), &format!("{number}.job"), &plan) };
        let started = NEW_YEAR_2024_US + (year - 2024) * YEAR_US + 3_600_000_000;
        job.run("A090", started, |at| wall(at, pit_at, pit));
        job.run("A120", started + 1_000_000, |at| wall(at, 9e9, 0.0).map(|wall| wall - 0.01));
        export(&job.closed(), &fleet, &["--format", "parquet"]);
    }
    let site = "site=Ferrow%20Point%20terminal%20%28invented%29";
    assert_eq!(names(&fleet), [site]);
    assert_eq!(names(&fleet.join(site)), ["asset=TK-7", "asset=TK-8", "asset=TK-9"]);
    assert_eq!(names(&fleet.join(site).join("asset=TK-8/year=2026")), ["FP-TK-8-2026-1.parquet", "FP-TK-8-2026-2.parquet"]);
    let Some(found) = python(&["fleet", fleet.to_str().unwrap()]) else { return };
    // By hand from `wall`: 9.5 - 1.5 · (1 - 0.125 / 100) - 500.125 / 100000 = 7.996874 mm, and so on.
    // docs/exports.md shows this table.
    let want = serde_json::json!([
        ["1", "2024", "7.996874", "TK-7", "A090", "500.125"],
        ["1", "2026", "6.748436", "TK-7", "A090", "500.125"],
        ["2", "2024", "7.969624", "TK-8", "A090", "3100.125"],
        ["2", "2026", "7.220561", "TK-8", "A090", "3100.125"],
        ["3", "2024", "6.449249", "TK-9", "A090", "5200.125"],
        ["3", "2026", "6.324405", "TK-9", "A090", "5200.125"],
    ]);
    assert_eq!(found["duckdb"], want);
    assert_eq!(found["pyarrow"], want);
}

#[test]
fn a_data_set_is_never_mixed_up() {
    let folder = tempfile::tempdir().unwrap();
    let (job, fleet) = (one_job(folder.path()), folder.path().join("fleet"));
    export(&job, &fleet, &["--format", "parquet"]);
    export(&job, &fleet, &["--format", "parquet"]);
    let error = refused(&job, &fleet, &["--format", "parquet", "--what", "spots"]);
    assert!(error.contains("holds readings, not spots"), "{error}");
    // Another job with the same number, site, asset and year.
    let other = tempfile::tempdir().unwrap();
    let twin = self::job(other.path(), "twin.job", PLAN);
    twin.run("A090", NEW_YEAR_2024_US + 99, |_| Some(9.0));
    let error = refused(&twin.closed(), &fleet, &["--format", "parquet"]);
    assert!(error.contains("another job with the same number"), "{error}");
}

#[test]
fn names_with_anything_in_them_stay_inside_the_folder_and_are_no_formula() {
    let folder = tempfile::tempdir().unwrap();
    let plan = PLAN
        .replace("\"TK-7\"", "\"../../=TK 7/ä\"")
        .replace("\"FP-0900\"", "\"..\"")
        .replace("name = \"A090\"", "name = \"=SUM(A1), \\\"x\\\"\"");
    let job = job(folder.path(), "odd.job", &plan);
    job.run("=SUM(A1), \"x\"", NEW_YEAR_2024_US, |_| Some(5.0));
    let (path, fleet) = (job.closed(), folder.path().join("in/fleet"));
    let said = export(&path, &fleet, &["--format", "parquet"]);
    assert!(said.contains("asset=%2E.%2F..%2F%3DTK%207%2F%C3%A4"), "{said}");
    assert!(said.contains("%2E%2E-1.parquet"), "{said}");
    assert_eq!(names(folder.path()), ["in", "odd.job"]);
    let csv = folder.path().join("in/odd.csv");
    export(&path, &csv, &["--format", "csv"]);
    let text = std::fs::read_to_string(&csv).unwrap();
    assert!(text.lines().nth(1).unwrap().contains(",\"'=SUM(A1), \"\"x\"\"\","), "{}", text.lines().nth(1).unwrap());
    assert!(text.lines().all(|line| line.ends_with('\r') || !text.contains("\r\n")) || text.ends_with("\r\n"));
    for figure in ["strip", "map", "waveform"] {
        let out = folder.path().join("in").join(format!("{figure}.svg"));
        export(&path, &out, &["--format", "svg", "--figure", figure]);
        roxmltree::Document::parse(&std::fs::read_to_string(out).unwrap()).unwrap();
    }
}

/// All text of a picture.
fn words(job: &Path, folder: &Path, options: &[&str]) -> String {
    let out = folder.join("picture.svg");
    let mut all = vec!["--format", "svg"];
    all.extend(options);
    export(job, &out, &all);
    let svg = std::fs::read_to_string(&out).unwrap();
    let document = roxmltree::Document::parse(&svg).unwrap();
    let texts = document.descendants().filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", "text")));
    texts.filter_map(|node| node.text()).collect::<Vec<_>>().join("\n")
}

#[test]
fn pictures_say_in_words_what_they_show() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), "one.job", PLAN);
    let run = job.run("A090", NEW_YEAR_2024_US + 10, |at| wall(at, 3_500.0, 3.6));
    let path = job.closed();
    let strip = words(&path, folder.path(), &["--run", "1"]);
    for part in [
        "◆",
        "THIN",
        "THIN 4.87 mm at 3.500 m, 76 mm long",
        "nozzle marked at 1.250 m: N2 <b>",
        "no echo over 64 mm",
        "seam at 2.000 m",
        "course 2, nominal 9.00 mm, required 5.50 mm",
        "CALIBRATION PENDING",
        "NO LIMIT",
    ] {
        // The third course has no required thickness.
        assert!(strip.contains(part), "{part} is missing in\n{strip}");
    }
    let zoomed = words(&path, folder.path(), &["--run", "1", "--from", "1m", "--to", "1500"]);
    assert!(zoomed.contains("1.000 m to 1.500 m") && !zoomed.contains("no echo over"), "{zoomed}");

    let wave = words(&path, folder.path(), &["--figure", "waveform", "--run", "1"]);
    assert!(wave.contains("at 3.500 m") && wave.contains("1st echo") && wave.contains("threshold 2 %"), "{wave}");
    let none = words(&path, folder.path(), &["--figure", "waveform", "--run", "1", "--at", "0.73m"]);
    assert!(none.contains("NO ECHO: none taken") && none.contains("no-coupling") && !none.contains("1st echo"), "{none}");

    // 6 m less 60 mm without echo, a reading each 5 mm, 5 mm wide, of π · 18 m · 6 m.
    let map = words(&path, folder.path(), &["--figure", "map"]).replace('\n', " ");
    assert!(map.contains("Scanned: 0.008 % of the surface (0.030 of 339.3 m²)"), "{map}");
    assert!(map.contains("assumed") && map.contains("C1 (the plan gives it no elevation_mm)") && map.contains("not scanned"), "{map}");
    assert_eq!(run, 1);

    let png = folder.path().join("strip.png");
    export(&path, &png, &["--format", "png", "--run", "1", "--dpi", "100"]);
    let bytes = std::fs::read(&png).unwrap();
    // PNG specification, 5.2 and 11.2.2: signature, then IHDR with width and height; 180 by 200 mm at 100 dots per inch.
    assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n");
    assert_eq!((&bytes[16..20], &bytes[20..24]), (&709u32.to_be_bytes()[..], &788u32.to_be_bytes()[..]));
}

#[test]
fn a_job_with_nothing_read_is_told_as_such_in_every_format() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), "blind.job", PLAN);
    job.run("A090", NEW_YEAR_2024_US + 10, |_| None);
    let path = job.closed();
    let strip = words(&path, folder.path(), &[]);
    assert!(strip.contains("1200 without an echo") && strip.contains("no echo over"), "{strip}");
    let map = words(&path, folder.path(), &["--figure", "map"]);
    assert!(map.contains("Scanned: 0.000 % of the surface"), "{map}");
    assert!(words(&path, folder.path(), &["--figure", "waveform"]).contains("NO ECHO"));
    let out = folder.path().join("s.csv");
    export(&path, &out, &["--format", "csv", "--what", "statistics"]);
    let text = std::fs::read_to_string(&out).unwrap();
    assert!(text.lines().nth(1).unwrap().starts_with("A090,1,line,,,,1200,0,1200,1.000000,0,0,0,0,,,,,"), "{text}");
    for format in ["csv", "parquet"] {
        export(&path, &folder.path().join(format!("r.{format}")), &["--format", format]);
    }

    let empty = self::job(folder.path(), "empty.job", PLAN).closed();
    assert!(refused(&empty, &folder.path().join("x.svg"), &["--format", "svg"]).contains("no run"));
    assert!(words(&empty, folder.path(), &["--figure", "map"]).contains("Scanned: 0.000 %"));
    export(&empty, &folder.path().join("e.csv"), &["--format", "csv"]);
    export(&empty, &folder.path().join("e.parquet"), &["--format", "parquet"]);
}

#[test]
fn an_option_that_would_be_passed_over_is_refused_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = one_job(folder.path());
    let out = folder.path().join("out");
    for (options, part) in [
        (&["--format", "csv", "--figure", "map"][..], "--figure goes with svg or png"),
        (&["--format", "svg", "--what", "spots"], "--what goes with csv, parquet"),
        (&["--format", "svg", "--at", "3m"], "--at goes with"),
        (&["--format", "csv", "--interval", "1m"], "--interval goes with"),
        (&["--format", "svg", "--dpi", "300"], "--dpi goes with"),
        (&["--format", "png", "--figure", "map", "--run", "1"], "--run goes with"),
        (&["--format", "svg", "--figure", "waveform"], "which run?"),
        (&["--format", "csv", "--run", "9"], "run 9"),
        (&["--format", "svg", "--figure", "waveform", "--run", "1", "--at", "high"], "not a length"),
        (&["--format", "svg", "--run", "1", "--from", "3m", "--to", "2m"], "--from must be below --to"),
        (&["--format", "csv", "--what", "statistics", "--interval", "0"], "interval"),
    ] {
        let error = refused(&path, &out.with_extension("x"), options);
        assert!(error.contains(part), "{options:?}: {error}");
    }
    let error = refused(&path, &path, &["--format", "parquet"]);
    assert!(error.contains("job file"), "{error}");
    assert_eq!(names(folder.path()), ["one.job"]);
}

#[test]
fn an_export_that_is_stopped_leaves_the_old_file_and_nothing_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = one_job(folder.path());
    let out = folder.path().join("out.csv");
    std::fs::write(&out, "old").unwrap();
    let reader = JobFile::open_read_only(&path).unwrap();
    let contents = reader.contents().unwrap();
    let sources: Vec<_> = contents.runs.iter().map(ReadingsOf::Run).collect();
    let mut ticks = 0;
    let stopped = whole_file::write(&out, |file| {
        write_readings(&reader, &contents, &sources, file, &mut |done, of| {
            ticks += 1;
            assert!(done <= of);
            false
        })
    });
    assert!(matches!(stopped, Err(CsvError::Stopped(_))));
    assert_eq!((ticks, std::fs::read_to_string(&out).unwrap().as_str()), (1, "old"));
    drop(reader);
    assert_eq!(names(folder.path()), ["one.job", "out.csv"]);
}

#[test]
fn several_strips_go_into_a_folder_one_file_a_run() {
    let folder = tempfile::tempdir().unwrap();
    let path = one_job(folder.path());
    export(&path, &folder.path().join("strips"), &["--format", "svg"]);
    assert_eq!(names(&folder.path().join("strips")), ["FP-0900-1.svg", "FP-0900-2.svg"]);
}
