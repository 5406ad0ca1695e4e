//! The evening's report: what was done on the day, what is left, who worked; and the shifts behind it.

use crate::common::*;

use std::path::Path;

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn a_daily_report_has_the_day_what_is_left_and_who_worked_on_two_pages() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("demo.job");
    must(&["demo", "--headless", "--job", text(&job)]);
    must(&["shift", text(&job), "--by", "R. Aldane", "--on", "--crew", "M. Thole", "--weather", "dry, 4 m/s", "--gas", "0 % LEL"]);
    let out = run(&["shift", text(&job), "--by", "", "--off"]);
    assert!(String::from_utf8_lossy(&out.stderr).contains("a name is missing"), "{out:?}");
    must(&["shift", text(&job), "--by", "R. Aldane", "--off", "--handover", "tyre worn, change it before A270"]);
    let report = folder.path().join("daily.pdf");
    let done: serde_json::Value =
        serde_json::from_str(&must(&["report", text(&job), "--template", "daily", "--out", text(&report), "--json"])).unwrap();
    assert!(done["pages"].as_u64().unwrap() <= 2, "{done}");
    let html = folder.path().join("daily.html");
    must(&["report", text(&job), "--template", "daily", "--out", text(&html)]);
    let said = std::fs::read_to_string(&html).unwrap();
    for words in [
        "PRELIMINARY",
        "Done and found on this day",
        "Findings",
        "not scanned",
        "R. Aldane, M. Thole",
        "dry, 4 m/s",
        "tyre worn, change it before A270",
    ] {
        assert!(said.contains(words), "the daily report does not say '{words}'");
    }
    // A day on which nothing was done says so.
    must(&["report", text(&job), "--template", "daily", "--out", text(&html), "--issued", "2031-01-02T18:00:00+01:00"]);
    let said = std::fs::read_to_string(&html).unwrap();
    assert!(said.contains("Nothing was scanned on this day.") && said.contains("No shift was signed on."), "{said}");
    must(&["verify", text(&job)]);
}
