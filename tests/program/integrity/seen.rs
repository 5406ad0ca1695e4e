//! Answers that were wrong once, each again from the job file to what `assess` and the report say.

use super::assess::{DAY_US, NOW_US, job, json, scan, scan_line, told};
use super::close;
use super::decided::Dice;
use crate::common::{in_memory, must};
use std::path::Path;
use std::process::Command;

/// The plan of the other tests with three courses of 1.6 m.
fn three_courses() -> String {
    let text = told();
    let (before, rest) = text.split_once("[[asset.course]]").unwrap();
    let after = &rest[rest.find("[[line]]").unwrap()..];
    let course = |(number, required): (u32, f64)| {
        format!("[[asset.course]]\nnumber = {number}\nheight_mm = 1600\nnominal_mm = 10.0\nrequired_mm = {required:?}\n\n")
    };
    let courses: String = [(1, 6.2), (2, 5.0), (3, 2.5)].into_iter().map(course).collect();
    format!("{before}{courses}{}", after.replace("length_mm = 2400", "length_mm = 4800"))
}

// Course 3 had its minimum at 6.43 mm and has it at 5.21 mm five years later, in a place of 60 mm: averaged over the metres about it the loss would be
// a tenth of that. 2.50 mm are required. JCGM 100 and Fieller, worked: 0.2440 mm a year, 11.107 years, no less than minimum to minimum.
#[test]
fn more_data_never_make_a_less_safe_answer() {
    let folder = in_memory();
    let (then, now) = (job(folder.path(), "then.job", &three_courses()), job(folder.path(), "now.job", &three_courses()));
    let wall = |minimum: f64, general: f64| {
        move |x: f64| {
            let in_place = (4400.0..4460.0).contains(&x);
            Some(if in_place { minimum } else { 8.0 - general + 0.05 * (x / 37.0).sin() })
        }
    };
    scan(&then, NOW_US - 1826 * DAY_US, 0.0, wall(6.43, 0.0));
    scan(&now, NOW_US, 0.0, wall(5.21, 0.2));
    let found = json(&[now.to_str().unwrap(), "--earlier", then.to_str().unwrap()]);
    let years = 1826.0 / 365.25;
    let course = &found["lines"][0]["courses"][2];
    let number = |name: &str| course["summary"][name].as_f64().unwrap_or_else(|| panic!("{name}: {course}"));
    close(number("rate_mm_y"), 1.22 / years, 1e-6);
    assert!(number("rate_upper_mm_y") > 1.22 / years && number("rate_expanded_mm_y") > 0.0);
    let life = &course["summary"]["life"];
    close(life["middle_years"].as_f64().unwrap(), (5.21 - 2.50) / (1.22 / years), 1e-3);
    let low = life["low_years"].as_f64().unwrap();
    // u of each reading is 0.05 mm: the worked 9.985 years are of 0.046 mm.
    assert!((9.7..10.0).contains(&low), "{life}");
    assert_eq!(course["summary"]["remaining_life_years"], life["low_years"]);
    // Half of the short end from 2026-03-01, not the 2039 of an average.
    let next = course["summary"]["next"].as_str().unwrap();
    assert!(("2030-12".."2031-03").contains(&next), "{next}");
    // Nothing of the place in course 3 is theirs: from 10 mm when new to 7.75 mm now.
    for other in [0, 1] {
        let summary = &found["lines"][0]["courses"][other]["summary"];
        close(summary["rate_mm_y"].as_f64().unwrap(), 2.25 / 28.0, 0.001);
    }
}

// Both surveys of one wall that has not changed, with pits and seams, as much scatter as 0.02 mm and readings 2 mm apart: no stretch has changed, and the
// number that would by chance is none either. Taken from what lies within a bin, pits included, it was a third of all bins.
#[test]
fn an_unchanged_wall_has_not_changed_and_is_said_not_to() {
    let folder = in_memory();
    let surveyed = |name: &str, at_us: i64, seed: u64| {
        let path = job(folder.path(), name, &told());
        let mut dice = Dice(seed);
        let scatter: Vec<f64> = (0..2400).map(|_| 0.06 * (dice.next() + dice.next() + dice.next() - 1.5)).collect();
        let wall = |x: f64| 9.0 - 3.0 * (-((x % 150.0 - 70.0) / 4.0).powi(2)).exp() - if x > 1200.0 { 1.0 } else { 0.0 };
        scan_line(&path, "A090", at_us, 0.0, |x| Some(wall(x) + scatter[x as usize]).filter(|_| (x as usize).is_multiple_of(2)));
        path
    };
    let (then, now) = (surveyed("then.job", NOW_US - 1826 * DAY_US, 3), surveyed("now.job", NOW_US, 5));
    let found = json(&[now.to_str().unwrap(), "--earlier", then.to_str().unwrap()]);
    let compared = &found["lines"][0]["comparisons"][0]["comparison"];
    assert_eq!((compared["stretches"].as_array().unwrap().len(), compared["bins"].as_array().unwrap().len()), (0, 240), "{compared}");
    assert!(compared["by_chance"].as_f64().unwrap() < 1.0, "{}", compared["by_chance"]);
    assert!(found["lines"][0]["courses"][0]["summary"]["greatest_from"].as_str().is_none_or(|from| !from.contains("Short-term")));
}

// Six of seven readings of a sphere without an echo, 85.7 %: never met, on the page that an owner reads neither.
#[test]
fn a_sphere_that_was_hardly_read_is_not_decided_on_page_one() {
    let folder = in_memory();
    let path = job(folder.path(), "sphere.job", &told().replace("tank-shell", "sphere"));
    scan(&path, NOW_US, 0.0, |x| Some(9.5).filter(|_| (x as u32).is_multiple_of(7)));
    let first = page_one(&path);
    assert!(first.contains("NOT DECIDED: of 1 course, 1 not decided") && first.contains("Drive again"), "{first}");
    assert!(!first.contains("1 met"), "{first}");
}

// An average within U of what it must be: no reading more would decide it, and so somebody must. It was only said when to measure again.
#[test]
fn what_no_further_reading_decides_is_asked_of_the_engineer() {
    let folder = in_memory();
    let path = job(folder.path(), "within.job", &(told() + "corrosion_allowance_mm = 0\n"));
    scan(&path, NOW_US, 0.0, |_| Some(6.22));
    let found = json(&[path.to_str().unwrap()]);
    let course = &found["roll_up"]["courses"][0];
    assert_eq!(course["decision"], "not decided", "{course}");
    let asked: Vec<&str> = course["to_do"].as_array().unwrap().iter().map(|it| it["what"].as_str().unwrap()).collect();
    assert_eq!(asked.first(), Some(&"decide"), "{course}");
}

fn page_one(job: &Path) -> String {
    let out = job.with_extension("pdf");
    must(&["report", job.to_str().unwrap(), "--template", "summary", "--out", out.to_str().unwrap()]);
    let text = Command::new("pdftotext").args(["-l", "1", "-layout", out.to_str().unwrap(), "-"]).output().unwrap();
    String::from_utf8(text.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
}
