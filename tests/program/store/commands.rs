//! The commands that make, export and verify a job file.

use super::support::*;
use backwall::cli::{export, new, verify};
use backwall_store::{CloseReason, JobFile};
use clap::Parser;
use std::ffi::OsStr;
use std::path::Path;

fn made(job: &Path, plan: &Path) -> new::NewArgs {
    new::NewArgs { job: Some(job.to_path_buf()), from: Some(plan.to_path_buf()), example: false, json: false }
}

fn make(folder: &Path) -> std::path::PathBuf {
    let (plan, job) = (folder.join("plan.toml"), folder.join("tk7.job"));
    std::fs::write(&plan, PLAN).unwrap();
    new::run(&made(&job, &plan)).unwrap();
    job
}

fn export(job: &Path, out: &Path, run: Option<i64>) -> Result<(), String> {
    /// As the command line gives them.
    #[derive(clap::Parser)]
    struct Line {
        #[command(flatten)]
        args: export::ExportArgs,
    }
    let run = run.map(|run| format!("--run={run}"));
    let words =
        [OsStr::new("export"), job.as_os_str(), OsStr::new("--format=csv"), OsStr::new("--json"), OsStr::new("--out"), out.as_os_str()];
    let line = Line::parse_from(words.into_iter().chain(run.as_deref().map(OsStr::new)));
    export::run(&line.args).map_err(|error| format!("{error:#}"))
}

#[test]
fn a_plan_becomes_a_job_with_the_checklist_it_names() {
    let folder = tempfile::tempdir().unwrap();
    let job = make(folder.path());
    let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
    assert_eq!((contents.plan, contents.checklist.name.as_str()), (plan(), "magnetic-crawler"));
    let twice = new::run(&made(&job, &folder.path().join("plan.toml")));
    assert!(twice.unwrap_err().to_string().contains("already a file of that name"));
    let nothing = new::run(&made(&folder.path().join("b.job"), &folder.path().join("no.toml")));
    assert!(format!("{:#}", nothing.unwrap_err()).contains("no.toml"));
}

#[test]
fn an_export_is_whole_or_not_there_and_never_replaces_a_job() {
    let folder = tempfile::tempdir().unwrap();
    let job = make(folder.path());
    let file = JobFile::open(&job).unwrap();
    for _ in 0..2 {
        let run = file.writer().start_run(start()).unwrap();
        file.writer().append_blocking(run, shot(0)).unwrap();
        file.writer().close_run(run, CloseReason::Operator, 0).unwrap();
    }
    let out = folder.path().join("readings.csv");
    export(&job, &out, None).unwrap();
    assert_eq!(std::fs::read_to_string(&out).unwrap().lines().count(), 3);
    // Again, over the first, and while the job is in use.
    export(&job, &out, Some(2)).unwrap();
    assert!(std::fs::read_to_string(&out).unwrap().lines().nth(1).unwrap().starts_with("2,0,"));
    file.close().unwrap();
    let before = std::fs::read(&job).unwrap();
    assert!(export(&job, &job, None).unwrap_err().contains("would replace it"));
    assert_eq!(std::fs::read(&job).unwrap(), before);
    assert!(export(&job, &out, Some(3)).unwrap_err().contains("run 3 does not exist"));
    assert!(export(&job, &folder.path().join("no/such/out.csv"), None).unwrap_err().contains("check that its folder exists"));
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    // Plan, job, the table and its seal.
    assert_eq!(left.len(), 4, "{left:?}");
}

#[test]
fn verify_fails_on_a_file_that_is_not_as_it_was_saved() {
    let folder = tempfile::tempdir().unwrap();
    let job = make(folder.path());
    let verify = || verify::run(&verify::VerifyArgs { job: job.clone(), against: None, seal: None, key: None, json: true });
    verify().unwrap();
    rusqlite::Connection::open(&job).unwrap().execute_batch("DROP TRIGGER job_no_update; UPDATE job SET number = 'X-1'").unwrap();
    let said = verify().unwrap_err().to_string();
    assert!(said.contains("tk7.job") && said.contains("not as it was saved"), "{said}");
}
