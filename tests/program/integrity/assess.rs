//! `backwall assess` on jobs made for it: an invented tank, two surveys of one line, a run that is suspect.

use crate::common::run_start;
use backwall_store::{CloseReason, Entry, JobFile, RunStart};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::validity::{Check, VerificationPlan};
use backwall_survey::job::{Checklist, Plan};
use backwall_survey::reading::Reading;
use backwall_survey::strip::SpotWatch;
use backwall_survey::strip::spot::SpotSample;
use backwall_survey::travel::{Across, Place};
use backwall_ultrasound::{Flag, Flags, Measurement, Quality};
use backwall_units::{Decibel, Length, Temperature};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const PLAN: &str = include_str!("../../data/plan.toml");
pub(super) const DAY_US: i64 = 86_400_000_000;
/// 2026-03-01.
pub(super) const NOW_US: i64 = 1_772_323_200_000_000;
/// 2019-03-01 is 2557 days earlier.
pub(super) const THEN_US: i64 = NOW_US - 2557 * DAY_US;

pub(super) fn told() -> String {
    let course = "required_mm = 6.2\njoint_efficiency = 0.85\nallowable_stress_mpa = 162.7\noriginal_mm = 10.1\n\
                  earlier = [{ date = 2012-03-01, thickness_mm = 8.9, source = \"an invented report\" }]";
    PLAN.replace("required_mm = 6.2", course).replace("length_mm = 11800", "length_mm = 2400")
        + "\n[assess]\nbuilt = 1998-03-01\nfill_height_mm = 9000\nspecific_gravity = 0.9\ninterval_years = 5\ntrack_mm = 12\n"
}

fn signed(at_us: i64) -> Signed {
    Signed { name: "R. Aldane".into(), certificate: "UT 2, no. 00417".into(), at_us }
}

pub(super) fn job(folder: &Path, name: &str, plan: &str) -> PathBuf {
    let path = folder.join(name);
    let checklist =
        "name = 'short'\ntitle = 'Before'\ncaution = ''\n[[item]]\nid = 'a'\ngroup = 'a'\nask = 'a?'\nkind = 'confirm'\nhold = true";
    JobFile::create(&path, &Plan::parse("plan.toml", plan).unwrap(), plan, &Checklist::parse("short.toml", checklist).unwrap(), THEN_US)
        .unwrap();
    path
}

/// A wall with pits that is told apart everywhere, thinner by `lost` between 1000 and 1100 mm.
fn wall(x: f64, lost: f64) -> f64 {
    let pits = [(130.0, 0.7), (410.0, 1.1), (620.0, 0.5), (905.0, 1.3), (1050.0, 0.9), (1490.0, 0.6), (1730.0, 1.2), (2110.0, 0.8)];
    let depth: f64 = pits.iter().map(|(at, depth)| depth * (-(x - at) * (x - at) / 450.0).exp()).sum();
    9.5 - depth - if (1000.0..1100.0).contains(&x) { lost } else { 0.0 }
}

/// A run along A090 in steps of 1 mm that believes itself `shift` further than it is. Every twentieth reading has no echo.
pub(super) fn scan(path: &Path, at_us: i64, shift: f64, wall: impl Fn(f64) -> Option<f64>) {
    scan_line(path, "A090", at_us, shift, wall);
}

/// The same along any line.
pub(super) fn scan_line(path: &Path, line: &str, at_us: i64, shift: f64, wall: impl Fn(f64) -> Option<f64>) {
    scan_places(path, line, at_us, |seq| (f64::from(seq) + 0.5, f64::from(seq) + 0.5 + shift), wall);
}

/// The same where every shot lies where `place` says, and is believed to lie.
pub(super) fn scan_places(path: &Path, line: &str, at_us: i64, place: impl Fn(u32) -> (f64, f64), wall: impl Fn(f64) -> Option<f64>) {
    scan_shots(path, (line, None), at_us, (None, place), wall, |_| false);
}

/// The same by the probe of a channel on its track beside the line.
pub(super) fn scan_on_track(path: &Path, line: &str, channel: &str, at_us: i64, wall: impl Fn(f64) -> Option<f64>) {
    let place = |seq: u32| (f64::from(seq) + 0.5, f64::from(seq) + 0.5);
    scan_shots(path, (line, Some(channel)), at_us, (None, place), wall, |_| false);
}

/// The same with shots `step` apart and the reason why the checklist did not hold it up.
pub(super) fn scan_far_apart(path: &Path, (line, why): (&str, Option<&str>), at_us: i64, step: f64, wall: impl Fn(f64) -> Option<f64>) {
    let place = |seq: u32| ((f64::from(seq) + 0.5) * step, (f64::from(seq) + 0.5) * step);
    scan_shots(path, (line, None), at_us, (Some((step, why)), place), wall, |_| false);
}

/// The same with echoes that are doubtful: weak and on uneven wall.
fn scan_shots(
    path: &Path,
    (line, channel): (&str, Option<&str>),
    at_us: i64,
    (far, place): (Option<(f64, Option<&str>)>, impl Fn(u32) -> (f64, f64)),
    wall: impl Fn(f64) -> Option<f64>,
    is_doubtful: impl Fn(u32) -> bool,
) {
    let (step, why) = far.unwrap_or((1.0, None));
    let file = JobFile::open(path).unwrap();
    let (plan, writer) = (file.contents().unwrap().plan, file.writer());
    let setups = file.contents().unwrap().setups.len() as i64;
    let setup_id = if setups == 0 { writer.add_setup(plan.typed_setup(), "typed".into(), signed(at_us - 2)).unwrap() } else { setups };
    writer.add_check(check(setup_id, at_us - 1, 10.0)).unwrap();
    let start = RunStart {
        setup_id: Some(setup_id),
        wall_temperature: Temperature::celsius(18.0),
        checklist_override: why.map(str::to_owned),
        path: plan.path_of(plan.line(line).unwrap(), channel),
        channel: channel.map(str::to_owned),
        ..run_start(&plan, line, at_us)
    };
    let limits = plan.limits();
    let run = writer.start_run(start).unwrap();
    let path = plan.path_of(plan.line(line).unwrap(), channel);
    let mut watch = SpotWatch::new(plan.alarm);
    for seq in 0..(path.length.as_mm() / step) as u32 {
        let (x, believed) = place(seq);
        let course = path.course_at(Length::mm(x));
        let none = Measurement::none(Flags::of(Flag::NoBackWall));
        let measurement = match wall(x).filter(|_| seq % 20 != 19) {
            Some(thickness) => Measurement {
                thickness: Some(Length::mm(thickness)),
                uncertainty: Some(Length::mm(0.05)),
                quality: if is_doubtful(seq) { Quality::Poor } else { Quality::Good },
                flags: if is_doubtful(seq) { Flags::of(Flag::Weak).with(Flag::Uneven) } else { Flags::NONE },
                ..none
            },
            None => none,
        };
        let level = limits.level(&measurement, course);
        let reading = Reading {
            seq,
            device_time_us: Some(u64::from(seq) * 20_000),
            host_time_us: at_us + i64::from(seq) * 20_000,
            encoder: Some(seq as i32 * 40),
            place: Place {
                along: Some(Length::mm(believed)),
                course,
                speed: None,
                across: channel.map(|_| Across { counts: None, at: path.track }),
            },
            gain: Decibel::ZERO,
            wall_temperature: Temperature::celsius(18.0),
            measurement: measurement.rounded(),
            level,
            level_shown: level,
        };
        let (along, thickness) = (reading.place.along, reading.measurement.thickness);
        let sound_from = limits.required(course).map(|required| required + limits.watch_margin);
        watch.push(&SpotSample { seq, along, course, thickness, level, sound_from });
        writer.append_blocking(run, Entry::Reading { reading, waveform: None }).unwrap();
    }
    for spot in watch.spots() {
        writer.append_blocking(run, Entry::Spot(spot.clone())).unwrap();
    }
    writer.close_run(run, CloseReason::Operator, 0).unwrap();
    file.close().unwrap();
}

fn check(setup_id: i64, at_us: i64, measured: f64) -> Check {
    let truth = Length::mm(10.0);
    Check {
        setup_id,
        block: "B-7".into(),
        truth,
        measured: Some(Length::mm(measured)),
        spread: Length::mm(0.01),
        shots: 16,
        tolerance: VerificationPlan::default().tolerance(truth),
        temperature: Temperature::celsius(18.0),
        by: signed(at_us),
    }
}

fn verify(path: &Path, at_us: i64, measured: f64) {
    let file = JobFile::open(path).unwrap();
    file.writer().add_check(check(1, at_us, measured)).unwrap();
    file.close().unwrap();
}

fn run(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_backwall")).arg("assess").args(arguments).env("NO_COLOR", "1").output().unwrap()
}
pub(super) fn json(arguments: &[&str]) -> Value {
    let output = run(&[arguments, &["--json"]].concat());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}
fn text(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}
fn refused(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stdout));
    String::from_utf8(output.stderr).unwrap()
}
fn has(list: &Value, words: &str) -> bool {
    list.as_array().unwrap().iter().any(|text| text.as_str().unwrap().contains(words))
}

#[test]
fn two_surveys_of_a_line_give_rate_life_and_next_date() {
    let folder = tempfile::tempdir().unwrap();
    let (then, now) = (job(folder.path(), "then.job", &told()), job(folder.path(), "now.job", &told()));
    scan(&then, THEN_US, 40.0, |x| Some(wall(x, 0.0)));
    scan(&now, NOW_US, 0.0, |x| Some(wall(x, 0.7)));
    let (then, now) = (then.to_str().unwrap(), now.to_str().unwrap());

    let found = json(&[now, "--earlier", then, "--accept-offset", "--interval", "500"]);
    let line = &found["lines"][0];
    assert_eq!((line["statistics"]["readings"].as_u64(), line["intervals"].as_array().unwrap().len()), (Some(2400), 5));
    let compared = &line["comparisons"][0];
    assert_eq!((compared["alignment"]["verdict"].as_str(), compared["offset_used"].as_str()), (Some("found"), Some("accepted")));
    assert_eq!(compared["comparison"]["offset_mm"].as_f64(), Some(-40.0));
    let stretches = compared["comparison"]["stretches"].as_array().unwrap();
    assert_eq!(stretches.len(), 1, "{stretches:?}");
    assert_eq!((stretches[0]["from_mm"].as_f64(), stretches[0]["to_mm"].as_f64()), (Some(1000.0), Some(1100.0)));
    super::close(stretches[0]["mean"]["difference_mm"].as_f64().unwrap(), -0.7, 1e-6);

    // 0.7 mm in 2557 days is 0.1 mm a year at the place of greatest loss: faster than 10.1 mm to the least wall in 28 years. Minimum to
    // minimum is less.
    let course = &line["courses"][0];
    let summary = &course["summary"];
    let number = |name: &str| summary[name].as_f64().unwrap();
    let years = 2557.0 / 365.25;
    let (rate, least) = (0.7 / years, wall(1050.5, 0.7));
    super::close(number("rate_mm_y"), rate, 1e-6);
    super::close(number("t2_mm"), least, 1e-6);
    // u of the difference of two readings of 0.05 mm each, over the years; U is twice that, the upper end 1.645 of it.
    let u = 0.05 * 2f64.sqrt() / years;
    let ratio = number("rate_expanded_mm_y") / (2.0 * u);
    assert!((1.0..1.1).contains(&ratio), "by the mean of 50 mm a little scatter is added: {ratio}");
    assert!(number("rate_upper_mm_y") >= rate + 1.644 * u, "{summary}");
    let life = &summary["life"];
    super::close(life["middle_years"].as_f64().unwrap(), (least - 6.2) / rate, 0.05);
    assert!(number("remaining_life_years") < life["middle_years"].as_f64().unwrap() && life["high_years"].is_number(), "{summary}");
    assert_eq!(summary["remaining_life_years"], life["low_years"]);
    assert!(summary["next"].as_str() < summary["next_middle"].as_str(), "the short end gives the earlier date: {summary}");
    assert_eq!(summary["next_middle"].as_str().map(|day| &day[..4]), Some("2034"));
    assert_eq!(summary["decision"].as_str(), Some("met"));
    assert!(has(&course["rests_on"], "NOT CALIBRATED: 2280 readings"), "{course}");
    let titles: Vec<&str> = course["numbers"].as_array().unwrap().iter().map(|number| number["title"].as_str().unwrap()).collect();
    for wanted in ["Required thickness of the course", "Long-term", "Trend through", "Remaining life", "Averaging length", "Variation"] {
        assert!(titles.iter().any(|title| title.contains(wanted)), "{wanted} in {titles:?}");
    }
    assert!(has(&course["missing"], "blocks with a minimum wall"), "{course}");

    // Not accepted, the offset is shown and not used.
    let printed = text(&[now, "--earlier", then]);
    assert!(printed.contains("--accept-offset takes that") && printed.contains("positions as recorded"), "{printed}");
    assert!(printed.contains("no local rate is given"), "{printed}");
    for wanted in ["responsible engineer", "NOT CALIBRATED", "calibration pending", "t = 4.9 (H - 0.3) D G / (S E)", "source   API 653"] {
        assert!(printed.contains(wanted), "{wanted} in {printed}");
    }
}

#[test]
fn an_earlier_table_in_inches_is_compared_once_its_unit_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let now = job(folder.path(), "now.job", &told());
    scan(&now, NOW_US, 0.0, |x| Some(wall(x, 0.0)));
    let csv = folder.path().join("earlier.csv");
    let rows: String = (0..2000).map(|i| format!("{:.4},{:.5}\n", f64::from(i) / 25.4, (wall(f64::from(i), 0.0) + 0.5) / 25.4)).collect();
    let thinner: String = (0..2000).map(|i| format!("{},{:.5}\n", f64::from(i), wall(f64::from(i), 0.0) - 0.5)).collect();
    std::fs::write(&csv, format!("Elev,Wall\n{rows}")).unwrap();
    let (now, csv) = (now.to_str().unwrap(), csv.to_str().unwrap());
    let names = ["--column", "position=Elev", "--column", "thickness=Wall", "--earlier-line", "A090"];
    let error = refused(&[&[now, "--earlier", csv], &names[..]].concat());
    assert!(error.contains("earlier.csv:1: column 'Elev' does not give its unit"), "{error}");
    let told = ["--unit", "in", "--earlier-date", "2016-03-01", "--earlier-u", "0.2mm"];
    let found = json(&[&[now, "--earlier", csv], &names[..], &told[..]].concat());
    let compared = &found["lines"][0]["comparisons"][0];
    super::close(compared["comparison"]["whole"]["mean"]["difference_mm"].as_f64().unwrap(), -0.5, 0.01);
    assert_eq!(compared["comparison"]["whole"]["mean"]["change"].as_str(), Some("thinner"));
    assert!(has(&compared["warnings"], "does not give its datum") && has(&compared["warnings"], "does not give its velocity"));
    let grown = folder.path().join("grown.csv");
    std::fs::write(&grown, format!("position_mm,thickness_mm\n{thinner}")).unwrap();
    let found = json(&[now, "--earlier", grown.to_str().unwrap(), "--earlier-line", "A090", "--earlier-u", "0.2mm"]);
    assert!(has(&found["lines"][0]["comparisons"][0]["warnings"], "a wall does not grow"));
    let wrong_unit = json(&[&[now, "--earlier", csv], &names[..], &["--unit", "mm"]].concat());
    assert!(has(&wrong_unit["lines"][0]["comparisons"][0]["warnings"], "check the unit"));
    assert!(refused(&[now, "--earlier", csv, "--earlier-date", "2016-01-01", "--earlier-date", "2017-01-01"]).contains("one for each"));
    let other_line = json(&[&[now, "--earlier", csv], &names[..5], &["A180", "--unit", "in"]].concat());
    assert!(other_line["lines"][0]["comparisons"][0]["not_compared"].as_str().unwrap().contains("no line A090"));
}

#[test]
fn another_datum_or_a_survey_from_the_other_end_is_not_laid_over_the_present_one() {
    let folder = tempfile::tempdir().unwrap();
    let (then, now) =
        (job(folder.path(), "then.job", &told().replace("top of bottom weld", "floor")), job(folder.path(), "now.job", &told()));
    scan(&then, THEN_US, 0.0, |x| Some(wall(x, 0.0)));
    scan(&now, NOW_US, 0.0, |x| Some(wall(x, 0.0)));
    let (then, now) = (then.to_str().unwrap(), now.to_str().unwrap());
    let compared = |arguments: &[&str]| json(arguments)["lines"][0]["comparisons"][0].clone();
    let apart = compared(&[now, "--earlier", then]);
    assert!(apart["not_compared"].as_str().unwrap().contains("different datums") && apart["comparison"].is_null(), "{apart}");
    assert!(compared(&[now, "--earlier", then, "--offset", "0"])["comparison"].is_object());

    let csv = folder.path().join("turned.csv");
    let rows: String = (0..2400).map(|i| format!("A090,{},{:.4}\n", 2400 - i, wall(f64::from(i), 0.0))).collect();
    std::fs::write(&csv, format!("line,position_mm,thickness_mm\n{rows}")).unwrap();
    let csv = csv.to_str().unwrap();
    let turned = compared(&[now, "--earlier", csv]);
    assert!(turned["not_compared"].as_str().unwrap().contains("turned end for end"), "{turned}");
    let told = compared(&[now, "--earlier", csv, "--earlier-direction", "down", "--earlier-start", "2400", "--earlier-u", "0.1"]);
    super::close(told["comparison"]["whole"]["mean"]["difference_mm"].as_f64().unwrap(), 0.0, 0.01);
}

#[test]
fn a_minimum_on_one_doubtful_echo_is_singled_out_and_one_among_its_like_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let plan = told().replace("length_mm = 2400", "length_mm = 800");
    let of = |name: &str, doubtful: &dyn Fn(u32) -> bool| {
        let path = job(folder.path(), name, &plan);
        let at = |seq: u32| (f64::from(seq) + 0.5, f64::from(seq) + 0.5);
        // The pit of 2 mm has its lowest reading at 405.5 mm.
        scan_shots(&path, ("A090", None), NOW_US, (None, at), |x| Some(9.0 - 2.0 * (-(x - 405.5) * (x - 405.5) / 50.0).exp()), doubtful);
        path
    };
    const SAID: &str = "the minimum of course 1, 7.00 mm at 0.406 m on line A090, rests on one doubtful echo (poor, weak, uneven)";
    let one = of("one.job", &|seq| seq == 405);
    let many = of("many.job", &|seq| (403..=407).contains(&seq));
    let (one, many) = (one.to_str().unwrap(), many.to_str().unwrap());
    assert!(text(&[one]).contains(SAID), "{}", text(&[one]));
    assert!(!text(&[many]).contains("doubtful"), "its neighbours are no better");
    let out = folder.path().join("one.html");
    let written = Command::new(env!("CARGO_BIN_EXE_backwall"))
        .args(["report", one, "--template", "summary", "--out", out.to_str().unwrap()])
        .output()
        .unwrap();
    assert!(written.status.success(), "{}", String::from_utf8_lossy(&written.stderr));
    let page = std::fs::read_to_string(&out).unwrap();
    assert!(page.contains("rests on one doubtful echo"), "page one has it");
}

#[test]
fn a_pipe_is_assessed_by_its_own_rules() {
    let folder = tempfile::tempdir().unwrap();
    let plan = told()
        .replace("tank-shell", "pipe")
        .replace("diameter_mm = 18000", "diameter_mm = 406.4")
        .replace("allowable_stress_mpa = 162.7", "allowable_stress_mpa = 137.9");
    let plan = plan.replace("fill_height_mm = 9000\nspecific_gravity = 0.9\n", "design_pressure_mpa = 4.0\npiping_class = 2\n");
    let path = job(folder.path(), "pipe.job", &plan);
    scan(&path, NOW_US, 0.0, |x| Some(wall(x, 0.0)));
    let course = &json(&[path.to_str().unwrap()])["lines"][0]["courses"][0];
    let titles: Vec<&str> = course["numbers"].as_array().unwrap().iter().map(|number| number["title"].as_str().unwrap()).collect();
    for wanted in
        ["Required thickness of the pipe", "piping", "Pressure allowed at the end", "fitness for service", "Lowest average and minimum"]
    {
        assert!(titles.iter().any(|title| title.contains(wanted)), "{wanted} in {titles:?}");
    }
    // The averages of a pipe are not those of a tank's code.
    let average = course["numbers"].as_array().unwrap().iter().find(|number| number["title"].as_str().unwrap().contains("Lowest average"));
    let source = average.unwrap()["source"]["text"].as_str().unwrap();
    assert!(source.contains("API 579-1") && !source.contains("API 653"), "{source}");
    assert!(!course["numbers"].to_string().contains("API 653"), "{course}");
    // P·D/(2·(S·E + P·Y)) is 6.84 mm, more than the plan's 6.2 mm.
    assert!(has(&course["checks"], "6.84 mm by the formula"), "{course}");
}

#[test]
fn a_vessel_is_required_by_the_radius_at_the_end_of_its_life_and_no_rate_is_drawn_from_no_change() {
    let folder = tempfile::tempdir().unwrap();
    let plan = told()
        .replace("tank-shell", "vessel")
        .replace("diameter_mm = 18000", "diameter_mm = 2000")
        .replace("allowable_stress_mpa = 162.7", "allowable_stress_mpa = 138")
        .replace("original_mm = 10.1", "original_mm = 14.0")
        .replace(
            "built = 1998-03-01\nfill_height_mm = 9000\nspecific_gravity = 0.9\n",
            "design_pressure_mpa = 1.05\ncorrosion_allowance_mm = 1.0\n",
        );
    let plan = plan.lines().filter(|line| !line.starts_with("required_") && !line.starts_with("earlier")).collect::<Vec<_>>().join("\n");
    let plan = plan.replace("nominal_mm = 10.0", "nominal_mm = 14.0");
    let (then, now) = (job(folder.path(), "then.job", &plan), job(folder.path(), "now.job", &plan));
    scan(&then, THEN_US, 0.0, |x| Some(wall(x, 0.0) + 3.0));
    scan(&now, NOW_US, 0.0, |x| Some(wall(x, 0.0) + 3.0 + if x > 1200.0 { -0.02 } else { 0.01 }));
    let course = json(&[now.to_str().unwrap(), "--earlier", then.to_str().unwrap()])["lines"][0]["courses"][0].clone();
    let summary = &course["summary"];
    // ASME VIII-1 UG-27, R the inside radius corroded to the end of life: P Ro/(S E + 0.4 P) with Ro 1014 mm is 9.0443 mm; worked.
    super::close(summary["required_mm"].as_f64().unwrap(), 9.0443, 5e-5);
    assert!(summary["rate_mm_y"].is_null(), "a rate from no change: {summary}");
    // (loss + 1.645 u) / years of 0.02 mm and u 0.0707 mm; the life is at least what that leaves.
    let bound = (0.02 + 1.644_854 * 0.05 * 2f64.sqrt()) / (2557.0 / 365.25);
    let ratio = summary["rate_upper_mm_y"].as_f64().unwrap() / bound;
    assert!((1.0..1.1).contains(&ratio), "on slopes a little scatter is added: {ratio}");
    assert!(summary["life"]["middle_years"].is_null() && summary["remaining_life_years"].as_f64().unwrap() > 10.0, "{summary}");
    let printed = text(&[now.to_str().unwrap(), "--earlier", then.to_str().unwrap()]);
    for wanted in ["under 0.0", "at least", "not a rate, only a bound"] {
        assert!(printed.contains(wanted), "{wanted} in {printed}");
    }
    assert!(!printed.contains("pass") && !printed.contains("FAIL"), "{printed}");
}

#[test]
fn a_wall_that_was_hardly_read_is_not_decided() {
    let folder = tempfile::tempdir().unwrap();
    let plan = told().replace("tank-shell", "sphere");
    let path = job(folder.path(), "sphere.job", &plan);
    // Six of seven readings without an echo.
    scan(&path, NOW_US, 0.0, |x| Some(wall(x, 0.0)).filter(|_| (x as u32).is_multiple_of(7)));
    let summary = json(&[path.to_str().unwrap()])["lines"][0]["courses"][0]["summary"].clone();
    assert_eq!(summary["decision"].as_str(), Some("not decided"), "{summary}");
    assert!(summary["drive_again_mm"].as_f64().unwrap() > 2000.0, "{summary}");
    let printed = text(&[path.to_str().unwrap()]);
    assert!(printed.contains("too little was read") && printed.contains("drive again"), "{printed}");
}

#[test]
fn a_tainted_run_is_named_with_its_least_wall_and_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let path = job(folder.path(), "now.job", &told());
    scan(&path, NOW_US, 0.0, |x| Some(wall(x, 0.0)));
    verify(&path, NOW_US + 60_000_000, 10.0);
    scan(&path, NOW_US + DAY_US, 0.0, |x| Some(wall(x, 3.0)));
    verify(&path, NOW_US + 2 * DAY_US, 10.4);
    let found = json(&[path.to_str().unwrap()]);
    let runs = found["runs"].as_array().unwrap();
    assert_eq!((runs[0]["calibration"].as_str(), runs[0]["used"].as_bool()), (Some("valid"), Some(true)));
    assert_eq!((runs[1]["calibration"].as_str(), runs[1]["used"].as_bool()), (Some("suspect"), Some(false)));
    assert!(runs[1]["minimum_mm"].as_f64().unwrap() < 6.0);
    assert!(has(&found["remarks"], "suspect and left out"));
    assert!(found["lines"][0]["statistics"]["least"]["thickness_mm"].as_f64().unwrap() > 8.0);
    assert_eq!(found["lines"][0]["runs"], serde_json::json!([1]));
}

#[test]
fn what_is_missing_is_said_and_nothing_invented() {
    let folder = tempfile::tempdir().unwrap();
    let bare = PLAN.replace("required_mm = 6.2\nrequired_from = \"client's calculation C-118\"\n", "");
    let path = job(folder.path(), "bare.job", &bare);
    let path_text = path.to_str().unwrap();
    assert!(refused(&[path_text]).contains("there is no run to assess"));
    scan(&path, NOW_US, 0.0, |x| Some(wall(x, 0.0)));
    let found = json(&[path_text]);
    let course = &found["lines"][0]["courses"][0];
    for field in ["required_mm", "rate_mm_y", "remaining_life_years", "next", "least_expected_mm"] {
        assert!(course["summary"][field].is_null(), "{field} in {course}");
    }
    assert_eq!(course["summary"]["decision"].as_str(), Some("not decided"));
    for words in ["fill height", "required_mm", "assess.built", "an earlier survey", "assess.track_mm"] {
        assert!(has(&course["missing"], words), "{words} in {course}");
    }
    assert!(course["summary"]["t2_mm"].is_number());
    assert!(refused(&[path_text, "--line", "A200"]).contains("there are runs on: A090"));
    assert!(refused(&[path_text, "--interval", "0"]).contains("greater than 0"));
}

#[test]
fn a_run_without_any_echo_has_no_thickness_to_assess() {
    let folder = tempfile::tempdir().unwrap();
    let path = job(folder.path(), "dark.job", &told());
    scan(&path, NOW_US, 0.0, |_| None);
    let found = json(&[path.to_str().unwrap(), "--earlier", path.to_str().unwrap()]);
    let course = &found["lines"][0]["courses"][0];
    assert!(has(&course["missing"], "no reading with an echo"), "{course}");
    assert_eq!(course["summary"]["decision"].as_str(), Some("not decided"));
    assert_eq!(course["summary"]["drive_again_mm"].as_f64(), Some(2400.0));
    assert!(course["summary"]["t2_mm"].is_null() && course["summary"]["remaining_life_years"].is_null());
    assert!(has(&found["runs"][0]["remarks"], "no reading with an echo"));
    assert!(text(&[path.to_str().unwrap()]).contains("100.0 %"));
}

#[test]
fn a_required_thickness_below_the_formula_is_held_up_for_checking() {
    let folder = tempfile::tempdir().unwrap();
    let plan = told().replace("fill_height_mm = 9000", "fill_height_mm = 16000");
    let path = job(folder.path(), "high.job", &plan);
    scan(&path, NOW_US, 0.0, |x| Some(wall(x, 0.0)));
    let course = &json(&[path.to_str().unwrap()])["lines"][0]["courses"][0];
    assert_eq!(course["summary"]["required_mm"].as_f64(), Some(6.2));
    assert!(has(&course["checks"], "the required thickness is 6.20 mm as given"), "{course}");
}
