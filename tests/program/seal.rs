//! The seal: kept elsewhere, it shows what the file alone cannot, that its end was cut off or that it was made anew.

use crate::common::*;

use std::path::{Path, PathBuf};

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn job(folder: &Path) -> PathBuf {
    let job = folder.join("a.job");
    std::fs::copy(root().join("tests/data/format-5.job"), &job).unwrap();
    // Of an older format, which has none.
    let out = run(&["seal", text(&job)]);
    assert!(!out.status.success() && String::from_utf8_lossy(&out.stderr).contains("older than seals"), "{out:?}");
    amend(&job, "--void");
    job
}

fn amend(job: &Path, what: &str) {
    must(&["amend", text(job), "--by", "R. Aldane", "--reason", "to see", "--run", "1", what]);
}

fn seal(job: &Path) -> String {
    let sealed: serde_json::Value = serde_json::from_str(&must(&["seal", text(job), "--json"])).unwrap();
    sealed["digest"].as_str().unwrap().to_owned()
}

#[test]
fn what_was_cut_off_or_made_anew_is_found_against_a_seal() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    let first = seal(&job);
    assert!(must(&["verify", text(&job), "--against", &first]).contains("the seal is the job's own"));
    amend(&job, "--restore");
    let second = seal(&job);
    assert_ne!(first, second);
    assert!(must(&["verify", text(&job), "--against", &first[..32]]).contains("1 entry came since"));

    // The last statement and its entry are removed: the file alone is whole, the seal is not in it.
    let cut = folder.path().join("cut.job");
    std::fs::copy(&job, &cut).unwrap();
    let raw = rusqlite::Connection::open(&cut).unwrap();
    let triggers = ["statement_no_delete", "ledger_no_delete"];
    let kept: Vec<String> = triggers
        .iter()
        .map(|name| raw.query_row("SELECT sql FROM sqlite_schema WHERE name = ?1", [name], |row| row.get(0)).unwrap())
        .collect();
    triggers.iter().for_each(|name| raw.execute_batch(&format!("DROP TRIGGER {name}")).unwrap());
    raw.execute_batch(
        "DELETE FROM statement WHERE id = (SELECT max(id) FROM statement); DELETE FROM ledger WHERE id = (SELECT max(id) FROM ledger);",
    )
    .unwrap();
    kept.iter().for_each(|sql| raw.execute_batch(sql).unwrap());
    drop(raw);
    must(&["verify", text(&cut)]);
    let out = run(&["verify", text(&cut), "--against", &second]);
    assert!(!out.status.success() && String::from_utf8_lossy(&out.stderr).contains("is not in this job"), "{out:?}");
    assert!(must(&["verify", text(&cut), "--against", &first]).contains("the seal is the job's own"));

    // Few digits prove nothing.
    let out = run(&["verify", text(&job), "--against", &first[..8]]);
    assert!(!out.status.success() && String::from_utf8_lossy(&out.stderr).contains("16 digits"), "{out:?}");
    // And it stands in the report.
    let report = folder.path().join("r.html");
    must(&["report", text(&job), "--template", "complete", "--out", text(&report)]);
    assert!(std::fs::read_to_string(&report).unwrap().contains(&second), "the report has no seal");
}

/// The digests made anew by a script of its own, from the page of the docs: the seal is the program's, and one changed figure is found.
#[test]
fn a_script_makes_the_same_digests() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    let script = root().join("docs/digests.py");
    let Some(made) = python("blake3", &script, &[text(&job)]) else { return };
    let said = String::from_utf8_lossy(&made.stdout).into_owned();
    assert!(made.status.success() && said.contains("all as saved"), "{said}{}", String::from_utf8_lossy(&made.stderr));
    assert!(said.contains(&format!("seal {}", seal(&job))), "{said}");
    let raw = rusqlite::Connection::open(&job).unwrap();
    raw.execute_batch("DROP TRIGGER reading_no_update; UPDATE reading SET thickness_nm = thickness_nm + 1 WHERE run_id = 1 AND row = 3")
        .unwrap();
    drop(raw);
    let made = python("blake3", &script, &[text(&job)]).unwrap();
    assert!(!made.status.success() && String::from_utf8_lossy(&made.stdout).contains("WRONG: run 1, commit"), "{made:?}");
}
