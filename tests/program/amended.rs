//! What is put right after it was recorded: a run on the wrong line, a run that does not count, a plan that changed, a swapped part.
//! Nothing recorded changes, and every result follows what is in force.

use crate::adopted::{least, results};
use crate::common::*;
use crate::reevaluate::rows;
use backwall_survey::job::statement::{Part, Swap};
use backwall_survey::job::{Said, Statement};

use std::collections::HashMap;
use std::path::{Path, PathBuf};

type Row = HashMap<String, String>;

/// Two lines over two courses; the seam lies 30 mm up, so that a short drive crosses it.
const PLAN: &str = include_str!("../data/plan.toml");

fn plan() -> String {
    let first = PLAN.replace("height_mm = 2400", "height_mm = 30");
    let (before, after) = first.split_once("[[line]]").unwrap();
    let course = "[[asset.course]]\nnumber = 2\nheight_mm = 20000\nnominal_mm = 10.0\nrequired_mm = 6.2\n\n";
    let other = "[[line]]\nname = \"A180\"\nazimuth_deg = 180.0\nstart_mm = 0\nlength_mm = 11800\ndirection = \"up\"\n\n";
    format!("{before}{course}{other}[[line]]{after}")
}

/// A job made of the plan with the demo wall's zero, nothing scanned.
fn fresh(folder: &Path) -> PathBuf {
    let (file, job) = (folder.join("plan.toml"), folder.join("tk7.job"));
    std::fs::write(&file, plan()).unwrap();
    must(&["new", job.to_str().unwrap(), "--from", file.to_str().unwrap()]);
    job
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Drives along a line over a wall of the demo; `seed` makes it another drive.
fn scan(job: &Path, line: &str, seed: &str) {
    let stream = job.parent().unwrap().join(format!("{seed}.bin"));
    let wall = root().join("demo-stream/wall.toml");
    let shots = ["--rate", "50", "--shots", "100", "--samples", "700", "--seed", seed];
    let mut simulate = vec!["simulate", "--wall", text(&wall), "--line", "A090", "--out", text(&stream)];
    simulate.extend(shots);
    must(&simulate);
    let source = format!("file:{}", text(&stream));
    let why = "the checklist is on paper, nothing is calibrated";
    must(&["scan", text(job), "--line", line, "--stream", &source, "--headless", "--override-checklist", why]);
}

fn amend(job: &Path, what: &[&str]) -> String {
    let mut all = vec!["amend", text(job), "--by", "R. Aldane", "--reason", "the crawler stood on the wrong line"];
    all.extend(what);
    must(&all)
}

/// Why it was refused.
fn refused(job: &Path, what: &[&str]) -> String {
    let mut all = vec!["amend", text(job), "--by", "R. Aldane", "--reason", "to see"];
    all.extend(what);
    let out = run(&all);
    assert!(!out.status.success(), "{what:?} was taken");
    String::from_utf8_lossy(&out.stderr).into_owned()
}

fn values(rows: &[Row], column: &str) -> Vec<String> {
    rows.iter().map(|row| row[column].clone()).collect()
}

/// Everything that a job's results say, but for what they must say of the statements themselves.
fn numbers(job: &Path) -> Vec<(String, Vec<u8>)> {
    let unsaid = |line: &&str| !line.contains("run-set-aside");
    let plain = |(name, bytes): (String, Vec<u8>)| match String::from_utf8(bytes) {
        Ok(text) if name == "review" => (name, text.lines().filter(unsaid).collect::<Vec<_>>().join("\n").into_bytes()),
        Ok(text) => (name, text.into_bytes()),
        Err(bytes) => (name, bytes.into_bytes()),
    };
    results(job).into_iter().map(plain).collect()
}

/// What the report says of statements: the notice on page one and their section.
fn without_amendments(html: &str) -> String {
    let mut rest = html.to_owned();
    for (from, to) in [("CORRECTED SINCE IT WAS RECORDED", "</div>"), ("Statements and amendments", "<h")] {
        let Some(start) = rest.find(from) else { continue };
        let end = rest[start..].find(to).map_or(rest.len(), |at| start + at);
        rest.replace_range(start..end, "");
    }
    rest
}

#[test]
fn nothing_of_a_voided_or_replaced_run_is_in_any_result_and_restored_all_of_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let job = fresh(folder.path());
    scan(&job, "A090", "1");
    let alone = numbers(&job);
    scan(&job, "A180", "2");
    let both = numbers(&job);
    assert_eq!(alone.len(), both.len());
    let same: Vec<_> = alone.iter().zip(&both).filter(|(a, b)| a == b).map(|(a, _)| a.0.clone()).collect();
    let of_run_1 = ["spots.csv", "spots.parquet", "strip.svg", "waveform.svg"];
    assert!(same.iter().all(|name| of_run_1.contains(&name.as_str())), "no result sees the second run: {same:?}");

    let said = amend(&job, &["--run", "2", "--void"]);
    assert!(said.contains("run 2 on A180: does not count: voided by R. Aldane, the crawler stood on the wrong line"), "{said}");
    for ((name, before), (_, now)) in alone.iter().zip(numbers(&job)) {
        let (before, now) = (String::from_utf8_lossy(before).into_owned(), String::from_utf8_lossy(&now).into_owned());
        if name == "report.html" {
            assert!(now.contains("Run 2 on line A180 does not count: voided by R. Aldane, the crawler stood on the wrong line"));
            let mean = |html: &str| html.matches("run 2").count() + html.matches("Run 2").count();
            assert_eq!(mean(&before), 0);
            let rest = without_amendments(&now);
            let at = rest.find("Run 2 ").or(rest.find("run 2 "));
            assert_eq!(at.map(|at| &rest[at.saturating_sub(300)..(at + 200).min(rest.len())]), None);
        } else {
            assert_eq!(now, before, "{name} still counts run 2, or lost something of run 1");
        }
    }
    must(&["verify", text(&job)]);
    assert!(refused(&job, &["--run", "2", "--void"]).contains("does not count already"));
    let out = run(&["export", text(&job), "--format", "csv", "--run", "2", "--out", text(&folder.path().join("x.csv"))]);
    assert!(String::from_utf8_lossy(&out.stderr).contains("run 2 does not count: voided"), "{out:?}");

    amend(&job, &["--run", "2", "--restore"]);
    for ((name, before), (_, now)) in both.iter().zip(numbers(&job)) {
        assert!(name == "report.html" || *before == now, "{name} is not as before");
    }
    // Taking the restoring back brings the voiding in force again.
    amend(&job, &["--withdraw", "2"]);
    assert!(numbers(&job)[0] == alone[0]);

    amend(&job, &["--withdraw", "3"]);
    amend(&job, &["--run", "2", "--reassign", "A090"]);
    assert!(refused(&job, &["--run", "1", "--replace", "1"]).contains("continue itself"));
    amend(&job, &["--run", "2", "--replace", "1"]);
    let out = folder.path().join("r.csv");
    assert!(values(&rows(&job, &out, &[]), "run").iter().all(|run| run == "2"));
    must(&["verify", text(&job)]);
}

#[test]
fn a_run_put_on_another_line_is_there_in_every_table_with_its_places_kept_or_mirrored() {
    let folder = tempfile::tempdir().unwrap();
    let (job, out) = (fresh(folder.path()), folder.path().join("a.csv"));
    scan(&job, "A090", "1");
    let before = rows(&job, &out, &[]);
    amend(&job, &["--run", "1", "--reassign", "A180"]);
    let after = rows(&job, &out, &[]);
    assert!(values(&after, "line").iter().all(|line| line == "A180"));
    for column in ["position_mm", "thickness_mm", "course", "level", "level_shown", "flags"] {
        assert_eq!(values(&after, column), values(&before, column), "{column}");
    }
    let tables = rows(&job, &out, &["--what", "statistics"]);
    assert!(values(&tables, "line").iter().all(|line| line == "A180"), "{tables:?}");
    let assessed: serde_json::Value = serde_json::from_str(&must(&["assess", text(&job), "--json"])).unwrap();
    let lines: Vec<&str> = assessed["lines"].as_array().unwrap().iter().map(|line| line["line"].as_str().unwrap()).collect();
    assert_eq!(lines, ["A180"]);
    assert!(assessed["roll_up"]["courses"][0]["not_driven"].to_string().contains("A090"), "its line was planned, and not driven then");

    // Driven from the far end at 11.8 m, downward: what was x from the start is x from the end, and in the upper course.
    amend(&job, &["--run", "1", "--reassign", "A180", "--mirrored"]);
    let mirrored = rows(&job, &out, &[]);
    for (was, now) in before.iter().zip(&mirrored) {
        let place = |row: &Row| row["position_mm"].parse::<f64>().unwrap();
        assert!((place(was) + place(now) - 11_800.0).abs() < 1e-6, "{} and {}", place(was), place(now));
        assert_eq!(now["course"], "2");
        assert_eq!(now["thickness_mm"], was["thickness_mm"]);
    }
    assert!(refused(&job, &["--run", "1", "--reassign", "A270"]).contains("it has A180, A090"));
    assert!(refused(&job, &["--run", "7", "--void"]).contains("there is no run 7; the job has 1"));
    must(&["verify", text(&job)]);
}

#[test]
fn a_revision_of_the_plan_is_shown_then_taken_and_levels_follow_while_those_shown_stay() {
    let folder = tempfile::tempdir().unwrap();
    let (job, out) = (fresh(folder.path()), folder.path().join("a.csv"));
    scan(&job, "A090", "1");
    let before = rows(&job, &out, &[]);
    let minimum = least(&before, "thickness_mm");
    assert!(!values(&before, "level").iter().any(|level| level == "THIN"), "nothing is thin by the first plan");

    let revised = folder.path().join("revised.toml");
    // Over all of the wall that course 2 has.
    std::fs::write(&revised, plan().replacen("nominal_mm = 10.0\nrequired_mm = 6.2\n\n", "nominal_mm = 12.0\nrequired_mm = 11.0\n\n", 1))
        .unwrap();
    let shown = amend(&job, &["--plan", text(&revised)]);
    assert!(shown.contains("asset.course 2.required_mm: 6.2 -> 11.0"), "{shown}");
    assert!(shown.contains("Nothing was entered"), "{shown}");
    assert_eq!(rows(&job, &out, &[]), before);
    amend(&job, &["--plan", text(&revised), "--yes"]);
    let after = rows(&job, &out, &[]);
    for (was, now) in before.iter().zip(&after) {
        let read = !now["thickness_mm"].is_empty();
        let expected = if now["course"] == "2" && read { "THIN" } else { was["level"].as_str() };
        assert_eq!(now["level"], expected, "{now:?}");
        assert_eq!((&now["level_shown"], &now["thickness_mm"]), (&was["level"], &was["thickness_mm"]));
    }
    assert!(values(&after, "level").iter().any(|level| level == "THIN"));
    let spots = rows(&job, &out, &["--what", "spots"]);
    assert!(!spots.is_empty() && spots.iter().all(|spot| spot["required_mm"] == "11.000000"), "{spots:?}");
    assert!((least(&spots, "minimum_mm") - minimum).abs() < 0.5, "{spots:?}");
    let report = folder.path().join("r.html");
    must(&["report", text(&job), "--template", "complete", "--out", text(&report)]);
    let html = std::fs::read_to_string(&report).unwrap();
    assert!(html.contains("asset.course 2.required_mm: 6.2 -&gt; 11.0"), "the report does not say what the revision changed");
    must(&["verify", text(&job)]);

    let other = folder.path().join("other.toml");
    std::fs::write(&other, plan().replace("name = \"A090\"", "name = \"A091\"")).unwrap();
    assert!(refused(&job, &["--plan", text(&other), "--yes"]).contains("has no line 'A090'"));
}

#[test]
fn a_swapped_probe_stops_scanning_until_the_blocks_are_measured_again_and_verifies_nothing_before_it() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    calibrate(&job);
    let ready = || must(&["open", text(&job), "--headless", "--json"]);
    assert!(!ready().contains("was changed"), "{}", ready());
    amend(&job, &["--swap", "probe", "--was", "DW-118", "--serial", "DW-204"]);
    assert!(ready().contains("the probe was changed"), "{}", ready());
    let out = run(&["scan", text(&job), "--line", "A090", "--stream", "-", "--headless"]);
    assert!(
        String::from_utf8_lossy(&out.stderr).contains("the probe was changed: the calibration with the old one no longer holds"),
        "{out:?}"
    );
    calibrate(&job);
    assert!(!ready().contains("was changed"), "{}", ready());
    must(&["verify", text(&job)]);
}

/// The computer's clock was set back by a year before the probe was changed.
#[test]
fn what_a_swap_came_after_is_known_by_the_order_of_entries_not_by_the_clock() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let file = backwall_store::JobFile::open(&job).unwrap();
    let by = backwall_survey::job::checklist::Signed { name: "R. Aldane".into(), certificate: String::new(), at_us: 1_000_000 };
    let swap = Said::Swap(Swap { part: Part::Probe, was: String::new(), serial: String::new() });
    file.writer().state(Statement { id: 0, said: swap, reason: "worn".into(), by }).unwrap();
    let contents = file.contents().unwrap();
    assert!(contents.setup_in_force().is_none() && !contents.setups.is_empty());
    assert_eq!(contents.swaps[0].last_setup, contents.setups.last().unwrap().id);
    file.close().unwrap();
}

/// Two lines of 11.8 m of which one was driven for 4 s, at most 240 mm at the procedure's greatest speed.
#[test]
fn status_says_what_is_left_by_what_is_in_force() {
    let folder = tempfile::tempdir().unwrap();
    let job = fresh(folder.path());
    let status = || serde_json::from_str::<serde_json::Value>(&must(&["status", text(&job), "--json"])).unwrap();
    let read = |status: &serde_json::Value, line: usize| status["lines"][line]["read_mm"].as_f64().unwrap();
    let words = |status: &serde_json::Value| status["left"].to_string();
    let nothing = status();
    assert_eq!((nothing["read_mm"].as_f64(), nothing["planned_mm"].as_f64()), (Some(0.0), Some(23_600.0)));
    assert!(words(&nothing).contains("A180 11.800 m, not scanned") && words(&nothing).contains("no calibration is in force"), "{nothing}");
    scan(&job, "A090", "1");
    let one = status();
    let length = read(&one, 1);
    assert!(length > 50.0 && length < 240.0, "{one}");
    let extent = rows(&job, &folder.path().join("a.csv"), &[]);
    let places: Vec<f64> = extent.iter().filter_map(|row| row["position_mm"].parse().ok()).collect();
    let driven = places.iter().copied().fold(f64::MIN, f64::max) - places.iter().copied().fold(f64::MAX, f64::min);
    assert!((length - driven).abs() < 12.0, "{length} mm read of {driven} mm driven");
    // The same stretch driven again is not twice as much.
    scan(&job, "A090", "1");
    assert_eq!(read(&status(), 1), length);
    amend(&job, &["--run", "2", "--reassign", "A180"]);
    assert_eq!((read(&status(), 0), read(&status(), 1)), (length, length));
    amend(&job, &["--run", "1", "--void"]);
    let moved = status();
    assert_eq!((read(&moved, 0), read(&moved, 1)), (length, 0.0));
    assert!(words(&moved).contains("A090 11.800 m, not scanned"), "{moved}");
    let said = must(&["status", text(&job)]);
    assert!(said.contains("0 of 2 lines done") && said.contains("Before the next run:"), "{said}");
}

/// A file that an earlier program made is verified, amended, and verified again.
#[test]
fn a_file_of_an_older_format_takes_statements() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("old.job");
    std::fs::copy(root().join("tests/data/format-5.job"), &job).unwrap();
    let before = must(&["verify", text(&job)]);
    amend(&job, &["--run", "1", "--void"]);
    assert_eq!(must(&["verify", text(&job)]), before, "what was measured is as it was");
    assert!(must(&["review", text(&job), "--headless"]).contains("run 1 on A090 does not count"));
}

/// Removing, changing or adding a statement in the file is found.
#[test]
fn a_statement_cannot_be_changed_removed_or_slipped_in_unnoticed() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("old.job");
    std::fs::copy(root().join("tests/data/format-5.job"), &job).unwrap();
    amend(&job, &["--run", "1", "--void"]);
    amend(&job, &["--run", "1", "--restore"]);
    let attacks = [
        ("UPDATE statement SET reason = 'none' WHERE id = 1", "statement 1 is not what was entered"),
        ("DELETE FROM statement WHERE id = 1", "statement 1 is not what was entered"),
        (
            "INSERT INTO statement (kind, body, reason, name, certificate, at_us) VALUES ('void', '{\"run\":1}', 'r', 'n', '', 0)",
            "rows of statement were never entered",
        ),
        ("DELETE FROM run_end", "run_end 1 is not what was entered"),
    ];
    for (sql, found) in attacks {
        let attacked = folder.path().join("attacked.job");
        std::fs::copy(&job, &attacked).unwrap();
        let raw = rusqlite::Connection::open(&attacked).unwrap();
        raw.execute_batch("PRAGMA foreign_keys = OFF; DROP TRIGGER statement_no_update; DROP TRIGGER statement_no_delete; DROP TRIGGER run_end_no_delete;")
            .unwrap();
        raw.execute_batch(sql).unwrap();
        drop(raw);
        let out = run(&["verify", text(&attacked)]);
        let said = String::from_utf8_lossy(&out.stdout).into_owned() + &String::from_utf8_lossy(&out.stderr);
        assert!(!out.status.success() && said.contains(found), "{sql}: {said}");
    }
}
