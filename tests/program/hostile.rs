//! What comes from outside with ill will or by mistake: files that never end, names that lead elsewhere, text that steers a terminal,
//! numbers that no job has. Each is refused with a word, by the program's own commands.

use crate::common::{backwall, must, root, run};
use backwall_store::{JobFile, StoreError};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// A copy of the demo's job, with its runs.
fn demo_job(folder: &Path) -> PathBuf {
    static MADE: OnceLock<tempfile::TempDir> = OnceLock::new();
    let made = MADE.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        must(&["demo", "--headless", "--job", &text(&folder.path().join("demo.job"))]);
        folder
    });
    let job = folder.join("demo.job");
    std::fs::copy(made.path().join("demo.job"), &job).unwrap();
    job
}

/// Runs and demands failure; gives what was said.
fn fails(arguments: &[&str]) -> String {
    let output = run(arguments);
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(!output.status.success(), "{arguments:?}: {said}");
    said
}

fn text(path: &Path) -> String {
    path.to_str().unwrap().to_owned()
}

#[cfg(unix)]
#[test]
fn one_file_has_one_writer_whatever_names_lead_to_it() {
    let folder = tempfile::tempdir().unwrap();
    let job = demo_job(folder.path());
    let (linked, second) = (folder.path().join("linked.job"), folder.path().join("second.job"));
    std::os::unix::fs::symlink(&job, &linked).unwrap();
    {
        let open = JobFile::open(&job).unwrap();
        assert!(matches!(JobFile::open(&linked), Err(StoreError::InUse { .. })));
        open.close().unwrap();
        let open = JobFile::open(&linked).unwrap();
        assert!(matches!(JobFile::open(&job), Err(StoreError::InUse { .. })));
        open.close().unwrap();
    }
    std::fs::hard_link(&job, &second).unwrap();
    for name in [&job, &second] {
        let said = fails(&["shift", &text(name), "--on", "--by", "R. Aldane"]);
        assert!(said.contains("has 2 names") && said.contains("Copy it"), "{said}");
        assert!(!must(&["status", &text(name)]).is_empty(), "it can be looked at");
    }
}

#[cfg(unix)]
#[test]
fn what_is_no_file_is_refused_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let (pipe, job, dir) = (text(&pipe), text(&folder.path().join("new.job")), text(folder.path()));
    let made = text(&demo_job(folder.path()));
    // A profile is known by its ending.
    let profile = text(&folder.path().join("pipe.toml"));
    std::os::unix::fs::symlink(&pipe, &profile).unwrap();
    let table = text(&folder.path().join("earlier.csv"));
    std::fs::File::create(&table).unwrap().set_len(201_000_000).unwrap();
    let since = Instant::now();
    for (command, word) in [
        (vec!["status", &pipe], "a pipe or a device, not a job file"),
        (vec!["verify", &dir], "a folder, not a job file"),
        (vec!["shift", &pipe, "--on", "--by", "R. Aldane"], "a pipe or a device, not a job file"),
        (vec!["new", &job, "--from", "/dev/zero"], "a pipe or a device, not a file"),
        (vec!["new", &job, "--from", &pipe], "a pipe or a device, not a file"),
        (vec!["profile", "check", &profile], "a pipe or a device, not a file"),
        (vec!["profile", "check", "/dev/zero"], "a pipe or a device, not a file"),
        (vec!["assess", &made, "--earlier", &pipe], "a pipe or a device, not a file"),
        (vec!["assess", &made, "--earlier", &table], "has 201 MB, more than 200 MB, the most allowed"),
    ] {
        let said = fails(&command);
        assert!(said.contains(word), "{command:?}: {said}");
    }
    assert!(since.elapsed() < Duration::from_secs(10), "{:?}", since.elapsed());
    let huge = text(&folder.path().join("huge.toml"));
    std::fs::write(&huge, vec![b'#'; 3_000_000]).unwrap();
    assert!(fails(&["new", &job, "--from", &huge]).contains("larger than 2 MB"));
    assert!(!Path::new(&job).exists());
}

#[test]
fn a_logo_comes_from_the_template_s_own_folder() {
    let folder = tempfile::tempdir().unwrap();
    let job = text(&demo_job(folder.path()));
    let template = folder.path().join("own.toml");
    for logo in ["../../../etc/hostname", "/etc/hostname"] {
        std::fs::write(
            &template,
            format!("title = \"T\"\nsections = [\"summary\", \"missing\", \"method\", \"seals\"]\nlogo = \"{logo}\"\n"),
        )
        .unwrap();
        let said = fails(&["report", &job, "--template", &text(&template), "--out", &text(&folder.path().join("r.html"))]);
        assert!(said.contains("logo") && said.contains("own folder"), "{said}");
    }
}

#[test]
fn text_that_steers_a_terminal_is_shown_and_never_sent() {
    let folder = tempfile::tempdir().unwrap();
    let plan = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    let name = "Tank \\u001b[31m\\u202e7-KT\\u009b2J";
    let at = plan.find("\nnumber = \"").unwrap() + 11;
    let end = at + plan[at..].find('"').unwrap();
    let path = text(&folder.path().join("plan.toml"));
    std::fs::write(&path, format!("{}{name}{}", &plan[..at], &plan[end..])).unwrap();
    let job = text(&folder.path().join("j.job"));
    let made = must(&["new", &job, "--from", &path]);
    let said = [made, must(&["status", &job]), must(&["open", &job, "--headless"]), must(&["open", &job, "--headless", "--json"])];
    for said in &said {
        assert!(!said.chars().any(|c| (c.is_control() && c != '\n') || c == '\u{202e}'), "{said:?}");
    }
    assert!(said[0].contains("Tank \\u001b[31m\\u202e7-KT\\u009b2J"), "{}", said[0]);
    // The mistake of a plan is said with its own text.
    std::fs::write(&path, "[job]\nnumber = \"\\u001b[2J\"\nsite = 7\n").unwrap();
    let said = fails(&["new", &text(&folder.path().join("k.job")), "--from", &path]);
    assert!(!said.contains('\u{1b}'), "{said:?}");
}

/// Whoever writes into a job file himself gets a word for it, no panic and no memory taken.
#[test]
fn impossible_numbers_in_a_job_file_are_damage() {
    let folder = tempfile::tempdir().unwrap();
    let job = demo_job(folder.path());
    for (index, change) in [
        "UPDATE waveform_block SET samples_each = 300000000",
        "UPDATE waveform_block SET rate_hz = 0",
        "UPDATE time_base SET rate_hz = 0",
        "UPDATE time_base SET bits = 200",
        "UPDATE waveform_block SET count = 9223372036854775807",
    ]
    .into_iter()
    .enumerate()
    {
        let copy = folder.path().join(format!("{index}.job"));
        std::fs::copy(&job, &copy).unwrap();
        {
            let connection = rusqlite::Connection::open(&copy).unwrap();
            let names: Vec<String> = connection
                .prepare("SELECT name FROM sqlite_schema WHERE type = 'trigger'")
                .unwrap()
                .query_map([], |row| row.get(0))
                .unwrap()
                .map(Result::unwrap)
                .collect();
            names.iter().for_each(|name| connection.execute_batch(&format!("DROP TRIGGER {name}")).unwrap());
            connection.execute_batch("PRAGMA ignore_check_constraints = ON").unwrap();
            assert!(connection.execute(change, []).unwrap() > 0, "{change}");
        }
        let said = fails(&["verify", &text(&copy)]);
        assert!(!said.contains("panicked") && !said.is_empty(), "{change}: {said}");
        let out = text(&folder.path().join("w.svg"));
        let shown = run(&["export", &text(&copy), "--format", "svg", "--figure", "waveform", "--run", "1", "--at", "500", "--out", &out]);
        assert!(!String::from_utf8_lossy(&shown.stderr).contains("panicked"), "{change}");
    }
}

/// A pipe waits for the disk: nothing of it is dropped, however fast it comes. Four of the virtual crawler's shots never leave it.
#[test]
fn everything_that_comes_through_a_pipe_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let job = text(&folder.path().join("pipe.job"));
    must(&["new", &job, "--from", "demo-stream/plan.toml"]);
    let stream = text(&folder.path().join("s.shots"));
    must(&["simulate", "--shots", "6000", "--samples", "512", "--rate", "2000", "--out", &stream]);
    let bytes = std::fs::read(&stream).unwrap();
    let scan = ["scan", &job, "--line", "A090", "--stream", "-", "--headless", "--operator", "R. Aldane", "--override-checklist", "pipe"];
    let mut child = backwall().args(scan).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(&bytes).unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success() && said.contains("5996 readings, 0 without echo, 4 shots lost"), "{said}");
}

#[test]
fn a_field_of_a_job_file_and_a_profile_that_are_too_long_are_refused_with_their_number() {
    let folder = tempfile::tempdir().unwrap();
    let job = demo_job(folder.path());
    let connection = rusqlite::Connection::open(&job).unwrap();
    connection.execute_batch("DROP TRIGGER job_no_update").unwrap();
    connection.execute("UPDATE job SET checklist_json = ?1", [" ".repeat(17_000_000)]).unwrap();
    drop(connection);
    let said = fails(&["status", &text(&job)]);
    assert!(said.contains("checklist_json has 17000000 bytes, more than 16000000, the most allowed"), "{said}");
    let profile = text(&folder.path().join("long.toml"));
    std::fs::write(&profile, vec![b'#'; 1_500_000]).unwrap();
    let said = fails(&["profile", "check", &profile]);
    assert!(said.contains("larger than 1 MB, the most allowed"), "{said}");
}
