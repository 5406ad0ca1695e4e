//! Several lines of one asset: rolled up to courses, judged by one basis and by another, reported, and handed over as tables.

use super::assess::{NOW_US, THEN_US, job, json, scan_line, told};
use crate::common::{must, python, root, run};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use tempfile::TempDir;

/// Two courses of 1.2 m, 6.2 mm required of each, and three lines through both; the last is never driven.
fn plan() -> String {
    let course = |number: u32| {
        format!(
            "[[asset.course]]\nnumber = {number}\nheight_mm = 1200\nnominal_mm = 10.0\nrequired_mm = 6.2\nrequired_from = \"calculation C-1 (invented)\"\n\n"
        )
    };
    let text = told();
    let (before, rest) = text.split_once("[[asset.course]]").unwrap();
    let after = &rest[rest.find("[encoder]").unwrap()..];
    let line = |name: &str, azimuth: u32| {
        format!("[[line]]\nname = \"{name}\"\nazimuth_deg = {azimuth}\nstart_mm = 0\nlength_mm = 2400\ndirection = \"up\"\n\n")
    };
    format!("{before}{}{}{}{}{}{after}", course(1), course(2), line("A090", 90), line("A120", 120), line("A150", 150))
}

fn dip(x: f64, at: f64, depth: f64, width: f64) -> f64 {
    depth * (-((x - at) / width).powi(4)).exp()
}

/// The wall along each line: A090 has lost 1.22 mm in course 1 since the earlier survey, A120 is under what is required in course 2.
fn wall(line: &str, x: f64, now: bool) -> f64 {
    let texture = 0.05 * (x / 37.0).sin();
    let lost = if now { 1.22 } else { 0.0 };
    match line {
        "A090" => 9.0 + texture - dip(x, 600.0, 0.5 + lost, 80.0),
        _ => 9.0 + texture - dip(x, 1800.0, 3.3, 320.0),
    }
}

/// Both surveys in a folder: made once, and copied for each test that asks, since some of them write into their job.
pub fn surveys(folder: &Path) -> (PathBuf, PathBuf) {
    static MADE: OnceLock<TempDir> = OnceLock::new();
    let made = MADE.get_or_init(|| {
        let made = tempfile::tempdir().unwrap();
        let (then, now) = (job(made.path(), "then.job", &plan()), job(made.path(), "now.job", &plan()));
        for line in ["A090", "A120"] {
            scan_line(&then, line, THEN_US, 0.0, |x| Some(wall(line, x, false)));
            scan_line(&now, line, NOW_US, 0.0, |x| Some(wall(line, x, true)));
        }
        made
    });
    let copied = |name: &str| {
        let to = folder.join(name);
        std::fs::copy(made.path().join(name), &to).unwrap();
        to
    };
    (copied("then.job"), copied("now.job"))
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn lines_are_rolled_up_to_courses_judged_by_a_basis_reported_and_handed_over() {
    let folder = tempfile::tempdir().unwrap();
    let (then, now) = surveys(folder.path());
    let (then, now) = (then.to_str().unwrap(), now.to_str().unwrap());
    let found = json(&[now, "--earlier", then]);
    rolled_up(&found);
    judged_by_a_basis(folder.path(), now, then, &found);
    handed_over(folder.path(), now, then, &found);
    reported(folder.path(), now, then, &found);
}

/// The course's row has the line that decides, the lowest, the fastest and the earliest, each with its line.
fn rolled_up(found: &Value) {
    let (one, two) = (&found["roll_up"]["courses"][0], &found["roll_up"]["courses"][1]);
    assert_eq!(one["decision"], "not decided", "met on the lines that were driven, but A150 was not: {one}");
    assert!(one["decision_why"].as_str().unwrap().contains("line A150 of the plan was not driven"), "{one}");
    assert_eq!((two["decision"].as_str(), two["governing_line"].as_str()), (Some("not met"), Some("A120")), "{two}");
    assert_eq!(found["roll_up"]["asset"]["decision"], "not met");
    for course in [one, two] {
        assert_eq!((course["lines_planned"].as_u64(), course["lines_read"].as_u64()), (Some(3), Some(2)));
        assert_eq!(course["required_from"], "calculation C-1 (invented)");
        // Two of three lines, each wholly but for single shots without an echo.
        super::close(number(&course["covered_share"]), 2.0 / 3.0, 1e-6);
    }
    let read = |line: &str, from: u32, to: u32| {
        let walls = (from..to).filter(|seq| seq % 20 != 19).map(|seq| wall(line, f64::from(seq) + 0.5, true));
        walls.fold(f64::INFINITY, f64::min)
    };
    let lowest = read("A120", 1200, 2400);
    assert_eq!(two["minimum"]["line"], "A120");
    super::close(number(&two["minimum"]["thickness_mm"]), lowest, 1e-6);
    assert_eq!(
        (one["minimum"]["line"].as_str(), one["rate"]["line"].as_str(), one["life"]["line"].as_str()),
        (Some("A090"), Some("A090"), Some("A090"))
    );
    super::close(number(&one["rate"]["rate_mm_y"]), 1.22 / (2557.0 / 365.25), 0.01);
    let at = &one["rate"]["at_mm"];
    assert!(number(&at[0]) >= 500.0 && number(&at[1]) <= 700.0, "{at}");
    // The numbers are those of the lines: the shortest life and the earliest date of all of them.
    for (index, course) in [one, two].into_iter().enumerate() {
        let lines = found["lines"].as_array().unwrap().iter().map(|line| &line["courses"][index]["summary"]);
        let lives = lines.clone().filter_map(|summary| summary["remaining_life_years"].as_f64());
        super::close(number(&course["life"]["low_years"]), lives.fold(f64::INFINITY, f64::min), 1e-12);
        let earliest = lines.filter_map(|summary| summary["next"].as_str()).min().unwrap();
        assert_eq!(course["next"], earliest);
    }
    let to_do: Vec<&str> = two["to_do"].as_array().unwrap().iter().map(|it| it["what"].as_str().unwrap()).collect();
    assert_eq!(to_do, ["decide", "prove-by-hand", "drive-first", "measure-by"], "{two}");
    // The extent under the required thickness, not that of the spot, which holds what is within the watch margin.
    let worst = &found["roll_up"]["worst"][0];
    assert_eq!((worst["line"].as_str(), worst["level"].as_str()), (Some("A120"), Some("THIN")), "{worst}");
    let under: Vec<f64> =
        (0..2400).filter(|seq| seq % 20 != 19).map(|seq| f64::from(seq) + 0.5).filter(|x| wall("A120", *x, true) < 6.2).collect();
    super::close(number(&worst["under_mm"][0]), under[0], 1e-9);
    super::close(number(&worst["under_mm"][1]), under[under.len() - 1], 1e-9);
    assert!(number(&worst["edges_mm"][0]) < under[0] && number(&worst["edges_mm"][1]) > under[under.len() - 1], "{worst}");
}

/// What if, side by side, kept, in force, taken back: and never a reading changed.
fn judged_by_a_basis(folder: &Path, now: &str, then: &str, by_plan: &Value) {
    let basis = folder.join("basis.toml");
    std::fs::write(
        &basis,
        "name = \"lower fill\"\nsurveys = [\"then.job\"]\n[[course]]\nnumber = 2\nrequired_mm = 5.0\nrequired_from = \"C-2 (invented)\"\n",
    )
    .unwrap();
    let basis = basis.to_str().unwrap();
    let found = json(&[now, "--basis", basis]);
    let (one, two) = (&found["roll_up"]["courses"][0], &found["roll_up"]["courses"][1]);
    assert_eq!((two["required_mm"].as_f64(), two["required_from"].as_str()), (Some(5.0), Some("C-2 (invented)")));
    assert_eq!(two["decision"], "not decided", "met on the lines that were driven, and A150 was not");
    assert_eq!(one, &by_plan["roll_up"]["courses"][0], "what it does not give stays, with the survey that it names");
    for (line, before) in found["lines"].as_array().unwrap().iter().zip(by_plan["lines"].as_array().unwrap()) {
        assert_eq!(line["statistics"], before["statistics"], "nothing measured changes");
    }
    // A given rate that is less than the measured one counts, and is said to be the lesser.
    let given = folder.join("given.toml");
    std::fs::write(&given, "name = \"lined since\"\nrate_mm_y = 0.01\nrate_counts = \"given\"\nlongest_interval_years = 2\n").unwrap();
    let slow = json(&[now, "--earlier", then, "--basis", given.to_str().unwrap()]);
    let course = &slow["lines"][0]["courses"][0];
    super::close(number(&course["summary"]["rate_mm_y"]), 0.01, 1e-12);
    assert!(course["checks"][0].as_str().unwrap().contains("it is the smaller"), "{course}");
    assert_eq!(course["summary"]["next"], "2028-03-01", "no longer than two years");

    let both = json(&[now, "--basis", "plan", "--against", basis]);
    let differs: Vec<&str> = both["differs"].as_array().unwrap().iter().map(|it| it.as_str().unwrap()).collect();
    assert!(differs.iter().any(|it| it.starts_with("asset.course 2.required_mm: 6.2 -> 5.0")), "{differs:?}");
    assert_eq!(
        (&both["a"]["roll_up"]["courses"][1]["decision"], &both["b"]["roll_up"]["courses"][1]["decision"]),
        (&Value::from("not met"), &Value::from("not decided"))
    );

    let refused = |arguments: &[&str]| {
        let output = run(&[&["assess", now], arguments].concat());
        assert!(!output.status.success(), "{arguments:?}");
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(refused(&["--basis", basis, "--keep"]).contains("--by"), "a basis is kept by name and with a reason");
    let wrong = folder.join("wrong.toml");
    std::fs::write(&wrong, "name = \"w\"\n[[course]]\nnumber = 9\nrequired_mm = 5\n").unwrap();
    assert!(refused(&["--basis", wrong.to_str().unwrap()]).contains("the asset has no course 9"));
    let kept = json(&[now, "--basis", basis, "--keep", "--by", "R. Aldane", "--reason", "calculation C-2"]);
    let statement = kept["kept"].to_string();
    let in_force = json(&[now]);
    assert!(in_force["basis"].as_str().unwrap().contains("'lower fill'"), "{}", in_force["basis"]);
    assert_eq!(in_force["roll_up"]["courses"][1]["required_mm"].as_f64(), Some(5.0));
    assert_eq!(json(&[now, "--basis", "plan"])["roll_up"]["courses"][1]["required_mm"].as_f64(), Some(6.2));
    assert_eq!(json(&[now, "--basis", &statement])["roll_up"], in_force["roll_up"]);
    must(&["amend", now, "--withdraw", &statement, "--by", "R. Aldane", "--reason", "C-2 was withdrawn"]);
    assert_eq!(json(&[now])["basis"], "judged by the plan");
}

/// Tables, schema and GeoJSON have the numbers of the assessment.
fn handed_over(folder: &Path, now: &str, then: &str, found: &Value) {
    let export = |name: &str, options: &[&str]| {
        let out = folder.join(name);
        must(&[&["export", now, "--out", out.to_str().unwrap()], options].concat());
        out
    };
    let rows = |path: &Path| -> Vec<std::collections::HashMap<String, String>> {
        csv::Reader::from_path(path).unwrap().deserialize().map(|row| row.unwrap()).collect()
    };
    let assessment = export("assessment.csv", &["--format", "csv", "--what", "assessment", "--earlier", then]);
    let table = rows(&assessment);
    // Two courses over all lines, and two on each of two lines.
    assert_eq!(table.iter().map(|row| row["scope"].as_str()).collect::<Vec<_>>(), ["course", "course", "line", "line", "line", "line"]);
    for (row, course) in table.iter().zip(found["roll_up"]["courses"].as_array().unwrap()) {
        assert_eq!(
            (row["asset"].as_str(), row["date"].as_str(), &row["decision"]),
            ("TK-7", "2026-03-01", &course["decision"].as_str().unwrap().to_owned())
        );
        super::close(row["minimum_mm"].parse().unwrap(), number(&course["minimum"]["thickness_mm"]), 1e-6);
        super::close(row["life_low_years"].parse().unwrap(), number(&course["life"]["low_years"]), 1e-6);
    }
    let schema: Value = serde_json::from_str(
        &std::fs::read_to_string(export("schema.json", &["--format", "json-schema", "--what", "assessment"])).unwrap(),
    )
    .unwrap();
    let headers = csv::Reader::from_path(&assessment).unwrap().headers().unwrap().iter().map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(schema["required"], serde_json::json!(headers));
    assert_eq!(schema["properties"]["minimum_mm"]["type"], serde_json::json!(["number", "null"]));

    let compared = rows(&export("comparison.csv", &["--format", "csv", "--what", "comparison", "--earlier", then]));
    let bins: usize =
        found["lines"].as_array().unwrap().iter().map(|line| line["comparisons"][0]["comparison"]["bins"].as_array().unwrap().len()).sum();
    assert_eq!(compared.len(), bins);
    let points = rows(&export("points.csv", &["--format", "csv", "--what", "points"]));
    assert!(points.iter().any(|row| row["point"] == "A120/2/minimum" && row["azimuth_deg"] == "120.000000"), "{points:?}");

    // The profile is the lowest of both lines in every place of 10 mm: worked from the readings alone.
    let readings = rows(&export("readings.csv", &["--format", "csv"]));
    let mut lowest = std::collections::BTreeMap::new();
    for row in readings.iter().filter(|row| !row["thickness_mm"].is_empty()) {
        let place = (row["position_mm"].parse::<f64>().unwrap() / 10.0).floor() as i64;
        let wall: f64 = row["thickness_mm"].parse().unwrap();
        lowest.entry(place).and_modify(|known: &mut f64| *known = known.min(wall)).or_insert(wall);
    }
    let profile = rows(&export("profile.csv", &["--format", "csv", "--what", "profile"]));
    let (along, round): (Vec<_>, Vec<_>) = profile.iter().partition(|row| row["direction"] == "along");
    assert_eq!((along.len(), round.len()), (240, 4), "two lines through each of two courses");
    let at = |row: &std::collections::HashMap<String, String>| row["from_mm"].parse::<f64>().unwrap();
    // Round the wall: the line at 120° of a shell of 18 m, and the lowest that was read on it in course 2.
    let a120 = round.iter().filter(|row| row["course"] == "2").max_by(|a, b| at(a).total_cmp(&at(b))).unwrap();
    super::close(at(a120), 18_000.0 * std::f64::consts::PI / 3.0, 5e-4);
    let on_a120 = readings.iter().filter(|row| row["azimuth_deg"] == "120.0000" && row["position_mm"].parse::<f64>().unwrap() >= 1200.0);
    let on_a120 = on_a120.filter_map(|row| row["thickness_mm"].parse::<f64>().ok()).fold(f64::INFINITY, f64::min);
    super::close(a120["thickness_mm"].parse().unwrap(), on_a120, 1e-9);
    for row in along {
        let place = (row["from_mm"].parse::<f64>().unwrap() / 10.0).round() as i64;
        super::close(row["thickness_mm"].parse().unwrap(), lowest[&place], 1e-9);
    }
    assert_eq!(
        (readings[0]["asset"].as_str(), readings[0]["azimuth_deg"].as_str(), readings[0]["elevation_mm"].as_str()),
        ("TK-7", "90.0000", "0.5000")
    );

    let spots: Value = serde_json::from_str(&std::fs::read_to_string(export("spots.geojson", &["--format", "geojson"])).unwrap()).unwrap();
    let spot = &spots["features"][0];
    // 18 m across, 120° of a full turn.
    super::close(number(&spot["geometry"]["coordinates"][0][0]), 18.0 * std::f64::consts::PI / 3.0, 5e-4);
    assert_eq!((spot["properties"]["line"].as_str(), spot["properties"]["level"].as_str()), (Some("A120"), Some("THIN")));
    fleet(folder, now, then);
}

/// The queries of docs/fleet.md over 200 jobs that are made from one exported table.
fn fleet(folder: &Path, now: &str, then: &str) {
    let out = folder.join("assessment.parquet");
    must(&["export", now, "--format", "parquet", "--what", "assessment", "--earlier", then, "--out", out.to_str().unwrap()]);
    let (page, work) = (root().join("docs/fleet.md"), folder.join("fleet"));
    let arguments = [out.to_str().unwrap(), page.to_str().unwrap(), work.to_str().unwrap()];
    let Some(output) = python("duckdb", &root().join("tests/data/fleet_check.py"), &arguments) else { return };
    assert!(output.status.success(), "{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(String::from_utf8_lossy(&output.stdout).contains("200 jobs"), "{}", String::from_utf8_lossy(&output.stdout));
}

/// Three lengths, and page one with the row of every course.
fn reported(folder: &Path, now: &str, then: &str, found: &Value) {
    let report = |template: &str| {
        let out = folder.join(format!("{template}.pdf"));
        let issue = ["--number", "R-7", "--status", "issued", "--conclusions", "course 2 is under what is required"];
        must(&[&["report", now, "--earlier", then, "--template", template, "--out", out.to_str().unwrap()][..], &issue].concat());
        let text = Command::new("pdftotext").args(["-layout", out.to_str().unwrap(), "-"]).output().unwrap();
        let pages: Vec<String> =
            String::from_utf8(text.stdout).unwrap().trim_end_matches('\u{c}').split('\u{c}').map(str::to_owned).collect();
        pages
    };
    let (summary, full, complete) = (report("summary"), report("full"), report("complete"));
    assert!(summary.len() <= 2, "{} pages", summary.len());
    assert!(full.len() <= 10 && complete.len() > full.len(), "{} and {} pages", full.len(), complete.len());
    for pages in [&summary, &full, &complete] {
        let first = pages[0].split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(first.contains("NOT MET: of 2 courses, 1 not met, 1 not decided"), "{first}");
        assert!(first.contains("report R-7, ISSUED"), "{first}");
        for course in found["roll_up"]["courses"].as_array().unwrap() {
            let next = course["next"].as_str().unwrap();
            let minimum = format!("{:.2}", number(&course["minimum"]["thickness_mm"]));
            assert!(first.contains(next) && first.contains(&minimum), "{next} {minimum}: {first}");
        }
    }
    let all = full.concat().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(all.contains("course 2 is under what is required"), "the engineer's conclusions");
    assert!(
        all.contains("Drawing NOT GIVEN") && all.contains("Couplant NOT GIVEN"),
        "what the standards list is said to be missing: {all}"
    );
    assert!(!summary[0].contains("nothing is judged"), "{}", summary[0]);
}
