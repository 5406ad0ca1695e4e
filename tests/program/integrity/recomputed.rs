//! The assessment against numpy and scipy, which have nothing of the program but its exported CSV: a course that is met, one that is not,
//! one whose contact was lost where it is thin, and one that is met and loses wall; and the same of three surveys, of a line that starts
//! above the datum, of one driven downward, of an inch job, and of a sphere, a pipe and a vessel.

use super::assess::{DAY_US, NOW_US, THEN_US, job, json, scan, scan_places, told};
use crate::common::{must, python, root};
use serde_json::{Value, json as object};
use std::path::Path;

/// Four courses of 1.2 m, 6.2 mm required of each.
fn plan() -> String {
    let course = |number: u32| format!("[[asset.course]]\nnumber = {number}\nheight_mm = 1200\nnominal_mm = 10.0\nrequired_mm = 6.2\n\n");
    let text = told();
    let (before, rest) = text.split_once("[[asset.course]]").unwrap();
    let (_, after) = rest.split_once("[[line]]").unwrap();
    let courses: String = (1..=4).map(course).collect();
    let after = after.split("[assess]").next().unwrap().replace("length_mm = 2400", "length_mm = 4800");
    format!("{before}{courses}[[line]]{after}")
}

fn wall(x: f64, now: bool) -> f64 {
    let texture = 0.05 * (x / 37.0).sin() + 0.03 * (x / 11.0).cos();
    let dip = |at: f64, depth: f64, width: f64| depth * (-((x - at) / width).powi(4)).exp();
    let grown = if now { 1.22 } else { 0.0 };
    9.0 + texture
        - dip(400.0, 0.8, 60.0)
        - dip(1800.0, 2.5 + grown, 150.0)
        - dip(3000.0, 3.05, 300.0)
        - dip(4200.0, if now { 1.0 } else { 0.5 }, 100.0)
}

/// Whether contact is lost: three patches in the thinning of course 3.
fn lost(x: f64) -> bool {
    [(2870.0, 2910.0), (2980.0, 3025.0), (3100.0, 3140.0)].iter().any(|(from, to)| (*from..*to).contains(&x))
}

fn export(folder: &Path, job: &Path, name: &str) -> String {
    let out = folder.join(name);
    must(&["export", job.to_str().unwrap(), "--format", "csv", "--out", out.to_str().unwrap()]);
    out.to_str().unwrap().to_owned()
}

#[test]
fn the_assessment_agrees_with_numpy_from_the_exported_readings() {
    let folder = tempfile::tempdir().unwrap();
    let (then, now) = (job(folder.path(), "then.job", &plan()), job(folder.path(), "now.job", &plan()));
    scan(&then, THEN_US, 0.0, |x| Some(wall(x, false)));
    scan(&now, NOW_US, 0.0, |x| Some(wall(x, true)).filter(|_| !lost(x)));
    let found = json(&[now.to_str().unwrap(), "--earlier", then.to_str().unwrap()]);
    let courses = &found["lines"][0]["courses"];
    let decisions: Vec<&str> = (0..4).map(|course| courses[course]["summary"]["decision"].as_str().unwrap()).collect();
    assert_eq!(decisions, ["met", "not met", "not decided", "met"], "{decisions:?}");

    let summary = &courses[2]["summary"];
    let again = summary["drive_again_mm"].as_f64().unwrap();
    // 125 mm of lost contact, in whole bins of 10 mm.
    assert!((125.0..200.0).contains(&again), "{again}");
    assert!(summary["decision_why"].as_str().unwrap().contains("met if the unread wall averages at least"), "{summary}");
    assert!(courses[0]["summary"]["rate_mm_y"].is_null() && courses[0]["summary"]["rate_upper_mm_y"].as_f64().unwrap() > 0.0);
    // Minimum to minimum, 1.22 mm in seven years.
    super::close(courses[1]["summary"]["rate_mm_y"].as_f64().unwrap(), 1.22 / (2557.0 / 365.25), 0.01);

    // The same wall read whole is not met: lost contact never turned it to met.
    let whole = job(folder.path(), "whole.job", &plan());
    scan(&whole, NOW_US, 0.0, |x| Some(wall(x, true)));
    let whole = json(&[whole.to_str().unwrap()]);
    assert_eq!(whole["lines"][0]["courses"][2]["summary"]["decision"].as_str(), Some("not met"));

    let case = case(
        folder.path(),
        "tank",
        (&now, &[(&then, 2557.0)]),
        &found,
        object!({ "kind": "tank-shell", "diameter": 18000, "edges": [[0, 1200], [1200, 2400], [2400, 3600], [3600, 4800]] }),
    );
    let Some(said) = recomputed(folder.path(), &[case]) else { return };
    assert!(said.contains(r#"tank decisions ["met", "not met", "not decided", "met"]"#), "{said}");
    assert!(said.matches("course").count() >= 18 && said.contains("course 4 life, short end"), "{said}");
}

/// What the script is to recompute, with what it shares with all others.
fn case(folder: &Path, name: &str, (now, then): (&Path, &[(&Path, f64)]), found: &Value, own: Value) -> Value {
    let assessed = folder.join(format!("{name}.json"));
    std::fs::write(&assessed, found.to_string()).unwrap();
    let then: Vec<Value> = then
        .iter()
        .enumerate()
        .map(|(index, (path, days))| object!([export(folder, path, &format!("{name}-{index}.csv")), days / 365.25]))
        .collect();
    let now = export(folder, now, &format!("{name}.csv"));
    let mut case = object!({ "name": name, "assessed": assessed, "now": now, "then": then, "nominal": 10.0, "max_gap": 10.0 });
    let fields = case.as_object_mut().unwrap();
    fields.extend(own.as_object().unwrap().clone());
    if !fields.contains_key("pressure") {
        fields.insert("required".to_owned(), 6.2.into());
    }
    case
}

/// What numpy says of the cases; nothing where it is not there.
fn recomputed(folder: &Path, cases: &[Value]) -> Option<String> {
    let file = folder.join("cases.json");
    std::fs::write(&file, object!(cases).to_string()).unwrap();
    let output = python("numpy, scipy", &root().join("tests/data/assess_check.py"), &[file.to_str().unwrap()])?;
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    Some(said)
}

/// A job of two courses of 600 mm, as `change` makes it of the plan, driven along `place`.
fn surveyed(
    folder: &Path,
    name: &str,
    at_us: i64,
    change: &dyn Fn(String) -> String,
    place: &dyn Fn(f64) -> f64,
    lost: f64,
) -> std::path::PathBuf {
    let course = |number: u32| format!("[[asset.course]]\nnumber = {number}\nheight_mm = 600\nnominal_mm = 10.0\nrequired_mm = 6.2\n\n");
    let text = plan();
    let (before, _) = text.split_once("[[asset.course]]").unwrap();
    let line = &text[text.find("[[line]]").unwrap()..];
    let line = line.replace("length_mm = 4800", "length_mm = 1200");
    let path = job(folder, name, &change(format!("{before}{}{}{line}", course(1), course(2))));
    let texture = |x: f64| 0.05 * (x / 37.0).sin() + 0.03 * (x / 11.0).cos();
    let dip = |x: f64, at: f64, depth: f64, width: f64| depth * (-((x - at) / width).powi(4)).exp();
    let wall = |x: f64| 9.0 + texture(x) - dip(x, 250.0, 0.8, 60.0) - dip(x, 850.0, 1.2 + lost, 90.0) - 0.3 * lost * x / 1200.0;
    let lost_contact = |x: f64| (600..=720).contains(&(x as i64)) && (x as i64 / 12) % 3 == 0;
    let at = |seq: u32| (place(f64::from(seq) + 0.5), place(f64::from(seq) + 0.5));
    scan_places(&path, "A090", at_us, at, |x| Some(wall(x)).filter(|_| !lost_contact(x)));
    path
}

#[test]
fn every_shape_of_job_agrees_with_numpy_digit_for_digit() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let before_us = THEN_US - 1826 * DAY_US;
    let same = |text: String| text;
    let up = |x: f64| x;
    let assess = |text: String, kind: &str, diameter: &str, more: &str| {
        let text = text.replace("tank-shell", kind).replace("diameter_mm = 18000", diameter);
        let courses = text.replace("required_mm = 6.2\n", "joint_efficiency = 0.85\nallowable_stress_mpa = 138\n");
        format!("{courses}\n[assess]\n{more}\n")
    };
    let both = object!([[0, 600], [600, 1200]]);
    let tank = object!({ "kind": "tank-shell", "diameter": 18000, "edges": both });
    let mut cases = Vec::new();
    let mut add = |name: &str, change: &dyn Fn(String) -> String, place: &dyn Fn(f64) -> f64, earlier: &[(i64, f64)], own: Value| {
        let now = surveyed(folder, &format!("{name}-now.job"), NOW_US, change, place, 0.9);
        let then: Vec<_> = earlier
            .iter()
            .enumerate()
            // An earlier survey was driven upward, whatever way the present one was.
            .map(|(index, (at_us, lost))| {
                let upward = |text: String| {
                    change(text).replace("direction = \"down\"", "direction = \"up\"").replace("start_mm = 1200", "start_mm = 0")
                };
                let place: &dyn Fn(f64) -> f64 = if name == "reversed" { &up } else { place };
                (surveyed(folder, &format!("{name}-{index}.job"), *at_us, &upward, place, *lost), (NOW_US - at_us) as f64 / DAY_US as f64)
            })
            .collect();
        let mut arguments = vec![now.to_str().unwrap()];
        arguments.extend(then.iter().flat_map(|(path, _)| ["--earlier", path.to_str().unwrap()]));
        let found = json(&arguments);
        let then: Vec<(&Path, f64)> = then.iter().map(|(path, days)| (path.as_path(), *days)).collect();
        cases.push(case(folder, name, (&now, &then), &found, own));
    };
    let once: &[(i64, f64)] = &[(THEN_US, 0.0)];
    add("three", &same, &up, &[(THEN_US, 0.3), (before_us, 0.0)], tank.clone());
    let offset = |text: String| text.replace("start_mm = 0\nlength_mm = 1200", "start_mm = 150\nlength_mm = 1050");
    let from_150 = object!({ "kind": "tank-shell", "diameter": 18000, "edges": [[150, 600], [600, 1200]] });
    add("offset", &offset, &|x| x + 150.0, once, from_150);
    let down = |text: String| text.replace("start_mm = 0", "start_mm = 1200").replace("direction = \"up\"", "direction = \"down\"");
    add("reversed", &down, &|x| 1200.0 - x, once, tank.clone());
    let inch = |text: String| text.replace("[job]\n", "[job]\nunits = \"inch\"\n");
    add("inch", &inch, &up, once, tank.clone());
    let pressed = |kind: &str, diameter: f64, pressure: f64, more: Value| {
        let mut own = object!({ "kind": kind, "diameter": diameter, "edges": both, "pressure": pressure, "stress": 138.0, "joint": 0.85 });
        own.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        own
    };
    let sphere = |text: String| assess(text, "sphere", "diameter_mm = 9000", "design_pressure_mpa = 0.25\ninterval_years = 3");
    add("sphere", &sphere, &up, once, pressed("sphere", 9000.0, 0.25, object!({ "interval": 3.0 })));
    let pipe = |text: String| {
        assess(text, "pipe", "diameter_mm = 406.4", "design_pressure_mpa = 3.2\npiping_class = 2\ncorrosion_allowance_mm = 0.5")
    };
    add("pipe", &pipe, &up, once, pressed("pipe", 406.4, 3.2, object!({ "allowance": 0.5 })));
    let vessel = |text: String| assess(text, "vessel", "diameter_mm = 2000", "design_pressure_mpa = 0.7\ninterval_years = 2");
    add("vessel", &vessel, &up, once, pressed("vessel", 2000.0, 0.7, object!({ "interval": 2.0 })));

    let Some(said) = recomputed(folder, &cases) else { return };
    for name in ["three", "offset", "reversed", "inch", "sphere", "pipe", "vessel"] {
        assert!(said.contains(&format!("{name} course 2 life, short end")) && said.contains(&format!("{name} decisions")), "{said}");
    }
    // The cases are not all of one kind.
    for word in ["\"met\"", "\"not decided\""] {
        assert!(said.contains(word), "{said}");
    }
}
