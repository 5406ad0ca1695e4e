//! The assessment against numpy and scipy, which have nothing of the program but its exported CSV: a course that is met, one that is not,
//! one
//! whose contact was lost where it is thin, and one that is met and loses wall.

use super::assess::{NOW_US, THEN_US, job, json, scan, told};
use crate::common::{must, python, root};
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

    let assessed = folder.path().join("assessed.json");
    std::fs::write(&assessed, found.to_string()).unwrap();
    let (now, then) = (export(folder.path(), &now, "now.csv"), export(folder.path(), &then, "then.csv"));
    let facts = format!("[6.2, 10.0, [1200, 2400, 3600, 4800], {}, 18000, 10.0, 0.0]", 2557.0 / 365.25);
    let script = root().join("tests/data/assess_check.py");
    let Some(output) = python("numpy, scipy", &script, &[assessed.to_str().unwrap(), &now, &then, &facts]) else { return };
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    assert!(said.contains(r#"decisions ["met", "not met", "not decided", "met"]"#), "{said}");
    assert!(said.matches("course").count() >= 18 && said.contains("course 4 life, short end"), "{said}");
}
