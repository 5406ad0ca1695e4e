//! Holes in what was read, as users meet them: two jobs by the program itself, one read whole and one with contact lost. The rule is tried on
//! 1,000 walls in `decided.rs`.

use super::assess::{NOW_US, job, json, scan_far_apart, scan_on_track, told};
use super::decided::{Dice, thinned};
use crate::common::in_memory;
use serde_json::Value;
use std::collections::BTreeMap;

const LINES: usize = 40;
/// Shots lie so far apart, millimetres.
const STEP: f64 = 5.0;

fn plan() -> String {
    let text = super::assess::told().replace("height_mm = 2400", "height_mm = 1200").replace("required_mm = 6.2", "required_mm = 6.0");
    let line = |index: usize| {
        format!("[[line]]\nname = \"L{index:02}\"\nazimuth_deg = {}\nstart_mm = 0\nlength_mm = 1200\ndirection = \"up\"\n\n", index * 9)
    };
    let (before, rest) = text.split_once("[[line]]").unwrap();
    let lines: String = (0..LINES).map(line).collect();
    // Nothing is to corrode until the next inspection, and no rate is known.
    let after = rest[rest.find("[encoder]").unwrap()..].replace("interval_years = 5\n", "");
    format!("{before}{lines}{after}")
}

/// The decision of each line through its one course.
fn decisions(found: &Value) -> BTreeMap<String, String> {
    let lines = found["lines"].as_array().unwrap().iter();
    let of = |line: &Value| {
        let summary = &line["courses"][0]["summary"];
        (line["line"].as_str().unwrap().to_owned(), summary["decision"].as_str().unwrap().to_owned())
    };
    lines.map(of).collect()
}

#[test]
fn no_hole_in_a_job_turns_a_decision_over() {
    let folder = in_memory();
    let (whole, holed) = (job(folder.path(), "whole.job", &plan()), job(folder.path(), "holed.job", &plan()));
    let mut dice = Dice(20_260_302);
    for index in 0..LINES {
        let wall = thinned(&mut dice);
        let thinnest = wall.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1)).unwrap().0 as f64;
        let holes: Vec<(f64, f64)> = (0..(dice.next() * 6.0) as usize)
            .map(|_| {
                let at = if dice.next() < 0.5 { thinnest + dice.between(-60.0, 60.0) } else { dice.between(0.0, 1200.0) };
                (at, dice.between(5.0, 120.0))
            })
            .collect();
        let at = |x: f64| wall[x as usize];
        let line = format!("L{index:02}");
        scan_far_apart(&whole, (&line, None), NOW_US, STEP, |x| Some(at(x)));
        let read = |x: f64| (!holes.iter().any(|(middle, half)| (x - middle).abs() < *half)).then(|| at(x));
        scan_far_apart(&holed, (&line, None), NOW_US, STEP, read);
    }
    let (whole, holed) = (json(&[whole.to_str().unwrap()]), json(&[holed.to_str().unwrap()]));
    let (truth, found) = (decisions(&whole), decisions(&holed));
    let mut seen = BTreeMap::new();
    for (line, truth) in &truth {
        let found = &found[line];
        assert!(
            !matches!((truth.as_str(), found.as_str()), ("not met", "met") | ("met", "not met")),
            "{line}: whole {truth}, with holes {found}"
        );
        *seen.entry((truth.as_str(), found.as_str())).or_insert(0) += 1;
    }
    // It must have been tried in earnest, and what all lines say together is no better than the worst.
    for pair in [("not met", "not met"), ("not met", "not decided"), ("met", "not decided")] {
        assert!(seen.get(&pair).copied().unwrap_or(0) >= 2, "{pair:?} in {seen:?}");
    }
    for found in [&whole, &holed] {
        assert_eq!(found["roll_up"]["courses"][0]["decision"], "not met");
    }
}

// Two probes 50 mm apart over 2.4 m of sound wall: the second loses its echo from 1.0 to 1.2 m, where the first has it.
#[test]
fn what_one_track_has_read_decides_nothing_of_another() {
    let folder = in_memory();
    let tracks = "\n[[track]]\nchannel = \"1\"\noffset_mm = -25\n[[track]]\nchannel = \"2\"\noffset_mm = 25\n";
    let decided = |name: &str, hole: bool| {
        let path = job(folder.path(), name, &(told() + tracks));
        scan_on_track(&path, "A090", "1", NOW_US, |_| Some(9.0));
        scan_on_track(&path, "A090", "2", NOW_US + 1_000_000_000, |x| Some(9.0).filter(|_| !(hole && (1000.0..1200.0).contains(&x))));
        let course = json(&[path.to_str().unwrap()])["lines"][0]["courses"][0].clone();
        let again: Vec<(f64, f64)> = course["summary"]["drive_again"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|stretch| (stretch["from_mm"].as_f64().unwrap(), stretch["to_mm"].as_f64().unwrap()))
            .collect();
        (course["summary"]["decision"].as_str().unwrap().to_owned(), again)
    };
    assert_eq!(decided("whole.job", false), ("met".to_owned(), vec![]));
    // The last reading before it is at 998.5 mm: every twentieth has no echo.
    assert_eq!(decided("hole.job", true), ("not decided".to_owned(), vec![(998.5, 1200.5)]));
}

// Two probes 50 mm apart: one reads 9 mm of wall, the other 5 mm over 600 mm of the 2.4 m; 6.2 mm are required. Together they would average 7 mm there.
#[test]
fn a_thin_track_is_not_met_whatever_the_other_reads() {
    let folder = in_memory();
    let tracks = "\n[[track]]\nchannel = \"1\"\noffset_mm = -25\n[[track]]\nchannel = \"2\"\noffset_mm = 25\n";
    let path = job(folder.path(), "thin.job", &(told() + tracks));
    scan_on_track(&path, "A090", "1", NOW_US, |_| Some(9.0));
    let of_one = json(&[path.to_str().unwrap()])["lines"][0]["courses"][0].clone();
    // All of the other track is to be driven.
    assert_eq!(of_one["summary"]["decision"], "not decided", "{of_one}");
    assert!(of_one["missing"].to_string().contains("on the track of channel 2: nothing was read"), "{of_one}");
    scan_on_track(&path, "A090", "2", NOW_US + 1_000_000_000, |x| Some(if (900.0..1500.0).contains(&x) { 5.0 } else { 9.0 }));
    let course = json(&[path.to_str().unwrap()])["lines"][0]["courses"][0].clone();
    let summary = &course["summary"];
    assert_eq!(summary["decision"], "not met", "{summary}");
    let average = summary["t1_mm"].as_f64().or(summary["t1_high_mm"].as_f64()).unwrap();
    assert!((average - 5.0).abs() < 0.01, "{summary}");
    // The working has both tracks, each by itself.
    let tests =
        course["numbers"].as_array().unwrap().iter().filter(|number| number["title"].as_str().unwrap().contains("Lowest average and"));
    assert_eq!(tests.count(), 2, "{course}");
}
