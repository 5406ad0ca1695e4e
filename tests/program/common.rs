//! What several end-to-end tests share: the real binary, a prepared job, and its CSV.
#![allow(dead_code)]

use backwall_simulate::{Crawler, StreamEnd, VirtualWall};
use backwall_store::RunStart;
use backwall_survey::job::Plan;
use backwall_units::Length;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

pub fn backwall() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_backwall"));
    command.env("NO_COLOR", "1").current_dir(root());
    command
}

pub fn run(arguments: &[&str]) -> Output {
    backwall().args(arguments).output().expect("the binary starts")
}

/// Runs and demands success; gives standard output.
pub fn must(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("output is UTF-8")
}

/// A new job from the demo's plan, its checklist answered and signed, and calibrated on blocks.
pub fn signed_job(folder: &Path) -> PathBuf {
    let job = folder.join("test.job");
    let path = job.to_str().unwrap();
    must(&["new", path, "--from", "demo-stream/plan.toml"]);
    must(&["checklist", path, "--headless", "--answers", "demo-stream/answers.toml", "--sign", operator().as_str()]);
    calibrate(&job);
    job
}

/// The probe of the demo on its blocks, as `demo` does it; the set-up it gives is in force.
pub fn calibrate(job: &Path) {
    let folder = tempfile::tempdir().unwrap();
    let mut arguments = vec!["calibrate".to_owned(), job.to_str().unwrap().to_owned(), "--headless".to_owned()];
    for mm in ["4", "6", "8", "10", "12.5"] {
        arguments.extend(["--at".to_owned(), format!("{mm}=file:{}", block(folder.path(), mm, &demo_wall()))]);
    }
    arguments.extend(["--encoder".to_owned(), "2000=file:demo-stream/C1.shots".to_owned()]);
    must(&arguments.iter().map(String::as_str).collect::<Vec<_>>());
}

pub fn demo_wall() -> VirtualWall {
    VirtualWall::parse("wall.toml", &std::fs::read_to_string(root().join("demo-stream/wall.toml")).unwrap()).unwrap()
}

/// The stream of a virtual probe that stands on a block for 40 shots.
pub fn block(folder: &Path, mm: &str, wall: &VirtualWall) -> String {
    let mut crawler = Crawler::on_block(wall, Length::mm(mm.parse().unwrap()), StreamEnd::Shots(40)).unwrap();
    let mut bytes = Vec::new();
    while crawler.next_frame(&mut bytes).is_some() {}
    let path = folder.join(format!("block-{mm}.shots"));
    std::fs::write(&path, bytes).unwrap();
    path.to_str().unwrap().to_owned()
}

/// The invented operator of the demo's plan.
pub fn operator() -> String {
    let plan = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    let plan = backwall_survey::job::Plan::parse("plan.toml", &plan).unwrap();
    plan.people.iter().find(|person| person.role == "operator").unwrap().name.clone()
}

/// The readings of a job as CSV rows, by column name.
pub fn csv(job: &Path, folder: &Path) -> Vec<std::collections::HashMap<String, String>> {
    let out = folder.join("readings.csv");
    must(&["export", job.to_str().unwrap(), "--format", "csv", "--out", out.to_str().unwrap()]);
    let mut reader = csv::Reader::from_path(&out).unwrap();
    reader.deserialize().map(|row| row.unwrap()).collect()
}

pub fn events(text: &str) -> Vec<serde_json::Value> {
    text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"))).collect()
}

pub fn of_kind<'a>(events: &'a [serde_json::Value], kind: &str) -> Vec<&'a serde_json::Value> {
    events.iter().filter(|event| event["event"] == kind).collect()
}

/// Runs a Python script that needs some modules. `None` where they are missing and nobody said they must be there.
pub fn python(modules: &str, script: &Path, arguments: &[&str]) -> Option<Output> {
    let demanded = std::env::var_os("BACKWALL_TEST_PYTHON").is_some_and(|value| value == "required");
    let program = if cfg!(windows) { "python" } else { "python3" };
    let there = Command::new(program).args(["-c", &format!("import {modules}")]).output().is_ok_and(|output| output.status.success());
    if !there {
        let missing = format!("{program} cannot import {modules}; `pip install` them to check with them");
        assert!(!demanded, "BACKWALL_TEST_PYTHON=required, but {missing}");
        eprintln!("NOT CHECKED: {missing}");
        return None;
    }
    Some(Command::new(program).arg(script).args(arguments).output().unwrap())
}

/// What a run on `line` starts with when nothing but the plan counts.
pub fn run_start(plan: &Plan, line: &str, started_us: i64) -> RunStart {
    let line = plan.line(line).unwrap();
    RunStart {
        line: line.name.clone(),
        path: plan.path(line),
        limits: plan.limits(),
        setup: plan.typed_setup(),
        setup_id: None,
        wall_temperature: plan.wall_temperature(),
        profile_name: "open-packet".into(),
        profile_text: "# none".into(),
        profile_proof: None,
        stream: "-".into(),
        software: "test".into(),
        checklist_override: None,
        operator: "R. Aldane".into(),
        channel: None,
        started_us,
    }
}

/// A folder in memory, where there is a place for it: for files that are replaced thousands of times, which takes a disk longer than the program to
/// read them.
pub fn in_memory() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap()
}

/// How often a proof is done: as the variable says, else the short form's number.
pub fn proof(variable: &str, short: usize) -> usize {
    std::env::var(variable).ok().and_then(|number| number.parse().ok()).unwrap_or(short)
}

/// Whether a reading with these words of an export says that number and U are for an even wall only.
pub fn is_for_even_wall_only(flags: &str) -> bool {
    use backwall_ultrasound::{Flag, Flags, Measurement};
    let has = |flag: &&Flag| flags.split(' ').any(|word| word == flag.word());
    let flags = Flag::ALL.iter().filter(has).fold(Flags::NONE, |all, flag| all.with(*flag));
    Measurement { thickness: Some(Length::mm(1.0)), ..Measurement::none(flags) }.is_for_even_wall_only()
}
