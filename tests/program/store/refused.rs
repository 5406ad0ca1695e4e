//! What is refused, and how it is said.

use super::support::*;
use backwall_store::{CloseReason, JobFile, StoreError};
use std::path::{Path, PathBuf};

fn refusal(path: &Path) -> StoreError {
    let writing = JobFile::open(path).err().expect("opened for writing");
    if !matches!(writing, StoreError::ReadOnlyFolder { .. }) {
        assert_eq!(JobFile::open_read_only(path).err(), Some(writing.clone()));
    }
    let text = writing.to_string();
    assert!(text.starts_with(&path.display().to_string()), "says where: {text}");
    writing
}

#[test]
fn a_file_that_is_there_is_never_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let before = std::fs::read(&path).unwrap();
    let again = JobFile::create(&path, &plan(), PLAN, &checklist(), NOW_US);
    assert_eq!(again, Err(StoreError::AlreadyExists { path: path.clone() }));
    assert_eq!(std::fs::read(&path).unwrap(), before);
    let nowhere = folder.path().join("no/such/folder.job");
    assert_eq!(JobFile::create(&nowhere, &plan(), PLAN, &checklist(), NOW_US), Err(StoreError::NoFolder { path: nowhere }));
}

#[test]
fn a_plan_that_its_text_does_not_say_is_refused_before_anything_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.job");
    let mut other = plan();
    other.asset.courses[0].required = Some(backwall_units::Length::mm(5.0));
    assert_eq!(JobFile::create(&path, &other, PLAN, &checklist(), NOW_US), Err(StoreError::PlanDiffers { path: path.clone() }));
    assert!(!path.exists());
}

#[test]
fn what_is_no_job_is_said_to_be_none() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    assert!(matches!(refusal(&at("missing.job")), StoreError::NotFound { .. }));
    std::fs::write(at("text.job"), "a letter to the office, long enough to be taken for a page of something ".repeat(20)).unwrap();
    assert!(matches!(refusal(&at("text.job")), StoreError::NotAJob { .. }));
    std::fs::write(at("empty.job"), "").unwrap();
    assert!(matches!(refusal(&at("empty.job")), StoreError::NotAJob { .. }));
    rusqlite::Connection::open(at("other.job")).unwrap().execute_batch("CREATE TABLE address (name TEXT)").unwrap();
    assert!(matches!(refusal(&at("other.job")), StoreError::NotAJob { .. }));
    let mut names: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["empty.job", "other.job", "text.job"], "a refusal leaves nothing behind");
}

#[test]
fn a_newer_format_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    rusqlite::Connection::open(&path).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let before = std::fs::read(&path).unwrap();
    assert!(matches!(refusal(&path), StoreError::NewerVersion { found: 99, .. }));
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn runs_are_opened_one_at_a_time_and_closed_once() {
    let folder = tempfile::tempdir().unwrap();
    let job = JobFile::open(&new_job(folder.path())).unwrap();
    let writer = job.writer();
    assert_eq!(writer.append_blocking(1, shot(0)), Err(StoreError::RunNotOpen { run: 1 }));
    let run = writer.start_run(start()).unwrap();
    assert_eq!(writer.start_run(start()), Err(StoreError::RunOpen { run }));
    writer.close_run(run, CloseReason::StreamEnded, 0).unwrap();
    assert_eq!(writer.close_run(run, CloseReason::StreamEnded, 0), Err(StoreError::RunNotOpen { run }));
    // A set-up that does not exist: the tables refuse it, and recording can go on.
    let mut wrong = start();
    wrong.setup_id = Some(17);
    assert!(writer.start_run(wrong).is_err());
    assert_eq!(writer.start_run(start()), Ok(2));
    drop(job);
    assert!(matches!(writer.flush(), Err(StoreError::Stopped { .. })), "a closed job answers, and says so");
}

const READ_ONLY: &str = "BACKWALL_TEST_READ_ONLY";

/// The body of the next test, in a process that may not write.
#[test]
fn as_a_child_that_may_not_write() {
    let Some(folder) = std::env::var_os(READ_ONLY).map(PathBuf::from) else {
        return;
    };
    assert!(std::fs::write(folder.join("probe"), "").is_err(), "the folder can be written to");
    for name in ["closed.job", "cut-short.job", "no-log.job"] {
        let path = folder.join(name);
        assert!(matches!(refusal(&path), StoreError::ReadOnlyFolder { .. }), "{name}");
        let reader = JobFile::open_read_only(&path).unwrap();
        assert_eq!(reader.readings(1, 0, 1000).unwrap().len(), 300, "{name}");
        assert_eq!(reader.verify_digests().unwrap().problems, [], "{name}");
    }
    println!("\nlooked at all");
}

#[cfg(unix)]
#[test]
fn a_job_in_a_folder_that_cannot_be_written_is_read_whole_and_not_written() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let at = |name: &str| folder.path().join(name);
    let copy = |from: &str, to: &str| std::fs::copy(at(from), at(to)).unwrap();
    let job = JobFile::open(&path).unwrap();
    let run = job.writer().start_run(start()).unwrap();
    for seq in 0..300 {
        job.writer().append_blocking(run, shot(seq)).unwrap();
    }
    job.writer().flush().unwrap();
    // As a crash at this moment would leave it: some of it in the log alone.
    copy("tk7.job", "cut-short.job");
    copy("tk7.job-wal", "cut-short.job-wal");
    job.writer().close_run(run, CloseReason::Operator, 0).unwrap();
    // In the log's mode, but with nothing in the log: as another program may leave it.
    copy("tk7.job", "no-log.job");
    job.close().unwrap();
    std::fs::rename(&path, at("closed.job")).unwrap();

    let mode = |path: &Path, mode| std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    for entry in std::fs::read_dir(folder.path()).unwrap() {
        mode(&entry.unwrap().path(), 0o444);
    }
    mode(folder.path(), 0o555);
    let test = "refused::as_a_child_that_may_not_write";
    let output = if std::fs::write(at("probe"), "").is_err() {
        again(test, READ_ONLY, folder.path()).wait_with_output().unwrap()
    } else {
        // The superuser writes everywhere: become nobody.
        let _ = std::fs::remove_file(at("probe"));
        std::process::Command::new("setpriv")
            .args(["--reuid=65534", "--regid=65534", "--clear-groups"])
            .arg(std::env::current_exe().unwrap())
            .args(["--exact", &format!("store_file::{test}"), "--nocapture"])
            .env(READ_ONLY, folder.path())
            .output()
            .unwrap()
    };
    mode(folder.path(), 0o755);
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success() && said.contains("looked at all"), "{said}{}", String::from_utf8_lossy(&output.stderr));
}
