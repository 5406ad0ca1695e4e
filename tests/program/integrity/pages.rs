//! What a report keeps to: page one on one page whatever there is to say, ten pages for eight lines, and one system of units.

use super::assess::{DAY_US, NOW_US, THEN_US, job, json, scan_far_apart, told};
use super::rolled::surveys;
use crate::common::{in_memory, must};
use chrono::NaiveDate;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The plan of the other tests with courses, lines and a unit of its own.
fn plan(courses: u32, height: f64, lines: &[String], unit: &str) -> String {
    let text = told().replace("[job]\n", &format!("[job]\nunits = \"{unit}\"\n")).replace("max_gap_mm = 10.0", "max_gap_mm = 30.0");
    let (before, rest) = text.split_once("[[asset.course]]").unwrap();
    let after = &rest[rest.find("[encoder]").unwrap()..];
    let course = |number: u32| {
        format!(
            "[[asset.course]]\nnumber = {number}\nheight_mm = {height}\nnominal_mm = 10.0\nrequired_mm = 6.2\nrequired_from = \"calculation C-{number} (invented)\"\n\n"
        )
    };
    let length = f64::from(courses) * height;
    let line = |(index, name): (usize, &String)| {
        let azimuth = index as f64 * 360.0 / lines.len() as f64;
        format!("[[line]]\nname = \"{name}\"\nazimuth_deg = {azimuth}\nstart_mm = 0\nlength_mm = {length}\ndirection = \"up\"\n\n")
    };
    let (courses, lines): (String, String) = ((1..=courses).map(course).collect(), lines.iter().enumerate().map(line).collect());
    format!("{before}{courses}{lines}{after}\n[alarm]\nminimum_length_mm = 1.0\njoin_mm = 50.0\n")
}

/// A wall with a place every 230 mm that gets thinner year by year, some of them under what is required.
fn wall(line: usize, x: f64, years: f64) -> f64 {
    let place = (x / 230.0).floor();
    let depth = 0.5 + ((place * 7.0 + line as f64 * 3.0) % 11.0) * 0.28;
    let from_middle = x - (place + 0.5) * 230.0;
    let lost = depth * (0.4 + 0.09 * years) * (-(from_middle / 45.0).powi(4)).exp();
    9.2 + 0.05 * (x / 37.0).sin() - lost
}

fn names(count: usize) -> Vec<String> {
    (0..count).map(|line| format!("A{:03}", line * 360 / count)).collect()
}

/// Text of a report, page by page, each with its white space as single spaces.
fn pages(job: &Path, options: &[&str]) -> Vec<String> {
    let out = job.with_extension("pdf");
    must(&[&["report", job.to_str().unwrap(), "--out", out.to_str().unwrap()], options].concat());
    let text = Command::new("pdftotext").args(["-layout", out.to_str().unwrap(), "-"]).output().unwrap();
    let text = String::from_utf8(text.stdout).unwrap();
    text.trim_end_matches('\u{c}').split('\u{c}').map(|page| page.split_whitespace().collect::<Vec<_>>().join(" ")).collect()
}

#[test]
fn eight_lines_of_seven_metres_and_three_surveys_keep_to_ten_pages() {
    let folder = in_memory();
    let lines = names(8);
    let survey = |name: &str, at_us: i64, years: f64| -> PathBuf {
        let path = job(folder.path(), name, &plan(5, 1400.0, &lines, "mm"));
        for (index, line) in lines.iter().enumerate() {
            // A stretch of every line was not read.
            let unread = 900.0 + 600.0 * index as f64;
            let read = |x: f64| (!(unread..unread + 60.0).contains(&x)).then(|| wall(index, x, years));
            scan_far_apart(&path, (line, Some("standing order 7 (invented)")), at_us, 20.0, read);
        }
        path
    };
    let (first, second) = (survey("first.job", THEN_US, 0.0), survey("second.job", THEN_US + 1200 * DAY_US, 3.3));
    let now = survey("now.job", NOW_US, 7.0);
    let earlier = ["--earlier", first.to_str().unwrap(), "--earlier", second.to_str().unwrap()];
    for (paper, unit, most) in [("a4", "mm", 9), ("letter", "in", 10)] {
        let full = pages(&now, &[&earlier[..], &["--paper", paper, "--units", unit]].concat());
        // The job has no waveforms: where there is one it takes a third of a page more.
        assert!(full.len() <= most, "{} pages on {paper}", full.len());
        assert!(full.iter().any(|page| page.contains("Appendix: how the numbers came about")));
        assert!(full.concat().contains("Minimum of each course by year") && full.concat().contains("Course 5"));
        page_one_holds(&full, 5);
    }
    rates_are_no_less_than_minimum_to_minimum(&json(&[&[now.to_str().unwrap()], &earlier[..]].concat()));
    let summary = pages(&now, &[&earlier[..], &["--template", "summary"]].concat());
    assert!(summary.len() <= 2, "{} pages", summary.len());
    page_one_holds(&summary, 5);
}

/// Of every course on every line: where the minima of two surveys differ by more than their U, the rate is no less; and its upper end never.
fn rates_are_no_less_than_minimum_to_minimum(found: &Value) {
    let number = |value: &Value| value.as_f64().unwrap();
    let mut tried = 0;
    for course in found["lines"].as_array().unwrap().iter().flat_map(|line| line["courses"].as_array().unwrap()) {
        let minima = course["minima"].as_array().unwrap();
        let (now, before) = minima.split_last().unwrap();
        let day = |at: &Value| at["date"].as_str().unwrap().parse::<NaiveDate>().unwrap();
        for then in before.iter().filter(|then| day(then) > NaiveDate::from_ymd_opt(2015, 1, 1).unwrap()) {
            let years = (day(now) - day(then)).num_days() as f64 / 365.25;
            let lost = (number(&then["thickness_mm"]) - number(&now["thickness_mm"])) / years;
            let summary = &course["summary"];
            assert!(number(&summary["rate_upper_mm_y"]) >= lost, "{course}");
            // u of each reading is 0.05 mm; a difference within twice the root of their squares is no change.
            if lost * years > 2.0 * 0.05 * 2f64.sqrt() + 1e-6 {
                assert!(number(&summary["rate_mm_y"]) >= lost - 1e-9, "{course}");
                tried += 1;
            }
        }
    }
    assert!(tried >= 40, "{tried}");
}

/// Every course's row stands on the first page, and so does the seal, which is its end.
fn page_one_holds(pages: &[String], courses: usize) {
    let first = &pages[0];
    assert!(first.contains(&format!("of {courses} courses")) && first.contains("backwall verify JOB --against SEAL"), "{first}");
    assert!(pages[1..].iter().all(|page| !page.contains("--against SEAL")), "once");
    // A row begins with its number and what is required of it, and each has its decision.
    for course in 1..=courses {
        assert!(first.contains(&format!(" {course} 6.20 ")) || first.contains(&format!(" {course} 0.244 ")), "course {course}: {first}");
    }
}

#[test]
fn page_one_keeps_to_one_page_whatever_there_is_to_say() {
    let folder = in_memory();
    let long = |line: usize| format!("the northern wall beside the old ladder and behind the third inlet, seen from the gate, line {line}");
    let lines: Vec<String> = (0..16).map(long).collect();
    let path = job(folder.path(), "nasty.job", &plan(9, 200.0, &lines, "mm"));
    for (index, line) in lines.iter().take(14).enumerate() {
        let why =
            format!("the client's representative on site allowed it by telephone for {line}, and would confirm it in writing later on");
        scan_far_apart(&path, (line, Some(&why)), NOW_US + index as i64 * DAY_US / 48, 10.0, |x| Some(wall(index, x, 7.0)));
    }
    for run in 1..=10 {
        let reason = format!("reason {run}: the crawler stood beside the line, which was found in the evening by the marks on the wall");
        must(&["amend", path.to_str().unwrap(), "--run", &run.to_string(), "--void", "--by", "R. Aldane", "--reason", &reason]);
    }
    let full = pages(&path, &[]);
    page_one_holds(&full, 9);
    assert!(full[0].contains("on page 2)"), "{}", full[0]);
    assert!(full[1].starts_with("What did not fit on the first page"), "{}", full[1]);
    // Nothing is lost: all ten runs that do not count, with their reasons, on the first page or behind it.
    let all = full.join(" ");
    let (begin, end) = (all.find("What did not fit on the first page").unwrap(), all.find("Worst places of all lines").unwrap());
    let both = format!("{} {}", full[0], &all[begin..end]);
    for run in 1..=10 {
        assert!(both.contains(&format!("Run {run} on line")) && both.contains(&format!("reason {run}:")), "run {run}: {both}");
    }
    assert!(full[0].contains("nort…"), "long names are shortened, not left out");
    let summary = pages(&path, &["--template", "summary"]);
    page_one_holds(&summary, 9);
    assert!(summary[0].contains("in the full report)"), "{}", summary[0]);
}

/// Words without the markup around them.
fn without_tags(html: &str) -> String {
    html.split('<').map(|piece| piece.split_once('>').map_or(piece, |(_, text)| text)).collect::<Vec<_>>().join(" ")
}

#[test]
fn a_report_in_inches_has_nothing_else() {
    let folder = in_memory();
    let (then, now) = surveys(folder.path());
    let metric = |text: &str| {
        let words: Vec<&str> = text.split_whitespace().collect();
        let is_metric = |word: &&str| {
            let word = word.trim_end_matches([',', ';', '.', ':', ')', ']']);
            matches!(word, "mm" | "mm/y" | "mm/year" | "m/s" | "mm/s" | "°C" | "MPa" | "kPa" | "m²" | "kelvin" | "K")
        };
        let around = |index: usize| words[index.saturating_sub(8)..(index + 3).min(words.len())].join(" ");
        (0..words.len()).filter(|index| is_metric(&words[*index])).map(around).collect::<Vec<String>>()
    };
    for template in ["summary", "full", "complete"] {
        let options = ["--units", "in", "--template", template, "--earlier", then.to_str().unwrap()];
        let text = pages(&now, &options).join(" ");
        assert_eq!(metric(&text), Vec::<String>::new(), "{template}");
        assert!(text.contains(" in at ") || text.contains(" in "), "{template}");
    }
    // The same report in millimetres has them, or nothing was looked for.
    let text = pages(&now, &["--template", "complete", "--earlier", then.to_str().unwrap()]).join(" ");
    assert!(metric(&text).len() > 50, "{:?}", metric(&text));
    // A formula of a standard that holds in its own units keeps them, and nothing else does.
    let path = job(folder.path(), "formula.job", &told());
    super::assess::scan(&path, NOW_US, 0.0, |x| Some(9.0 + 0.05 * (x / 37.0).sin()));
    let out = folder.path().join("formula.html");
    must(&["report", path.to_str().unwrap(), "--units", "in", "--template", "complete", "--out", out.to_str().unwrap()]);
    let html = std::fs::read_to_string(out).unwrap();
    let mut quoted = 0;
    for row in html.split("<body").nth(1).unwrap().split("<tr").map(without_tags) {
        if !metric(&row).is_empty() {
            assert!(row.contains("4.9 (H - 0.3) D G / (S E)"), "{row}");
            quoted += 1;
        }
    }
    assert_eq!(quoted, 1);
    let inch = job(folder.path(), "inch.job", &told().replace("[job]\n", "[job]\nunits = \"inch\"\n"));
    super::assess::scan(&inch, NOW_US, 0.0, |x| Some(9.0 + 0.05 * (x / 37.0).sin()));
    let text = pages(&inch, &["--template", "complete"]).join(" ");
    assert!(text.contains("2.6 (H - 1) D G / (S E)"), "the formula in feet, inches and psi");
    assert_eq!(metric(&text), Vec::<String>::new());
}
