//! kill -9 in the middle of a run, at random moments: every reading that was told as saved is there. And in all else that writes: the job is whole and
//! has all that was in it before, and a file that was being made is there whole or not at all. `BACKWALL_PROOF_KILLS` says how often, ten times if
//! not given.

use crate::common::*;
use std::io::{BufRead, BufReader};
use std::process::Stdio;
use std::time::{Duration, Instant};

#[test]
fn nothing_told_as_saved_is_lost_by_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let path = job.to_str().unwrap();
    let seed = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().subsec_nanos() as u64 | 1;
    println!("seed {seed}");
    let mut random = seed;
    let kills = crate::common::proof("BACKWALL_PROOF_KILLS", 10);
    let mut told: Vec<(u64, u64)> = Vec::new();
    for _ in 0..kills {
        random = random.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        let wait = Duration::from_millis(300 + (random >> 33) % 900);
        let mut child = backwall()
            .args(["scan", path, "--line", "A090", "--stream", "file:demo-stream/A090.shots", "--pace", "device", "--headless", "--json"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap());
        let started = Instant::now();
        let killer = std::thread::spawn(move || {
            std::thread::sleep(wait);
            child.kill().unwrap();
            child.wait().unwrap();
        });
        let (mut run, mut saved) = (0, 0);
        for line in lines.lines().map_while(Result::ok) {
            // The last line may be cut off by the kill.
            let Ok(event) = serde_json::from_str::<serde_json::Value>(&line) else { continue };
            run = event["run"].as_u64().unwrap_or(run);
            if event["event"] == "saved" {
                saved = event["readings"].as_u64().unwrap();
            }
        }
        killer.join().unwrap();
        assert!(started.elapsed() < Duration::from_secs(20));
        if run > 0 {
            told.push((run, saved));
        }
    }
    assert!(told.iter().filter(|(_, saved)| *saved > 0).count() * 2 >= kills, "most runs got as far as saving: {told:?}");

    // Opening the job recovers it: each run is marked as interrupted, and can be reviewed.
    must(&["checklist", path, "--headless"]);
    let runs = events(&must(&["review", path, "--headless", "--json"]));
    let rows = csv(&job, folder.path());
    for (run, saved) in &told {
        let summary = runs.iter().find(|summary| summary["run"] == *run).unwrap_or_else(|| panic!("run {run} is gone"));
        assert_eq!(summary["state"], "interrupted", "{summary}");
        let there = rows.iter().filter(|row| row["run"] == run.to_string()).count() as u64;
        assert!(there >= *saved, "run {run}: {saved} readings were told as saved, {there} are there");
        assert_eq!(summary["readings"], there);
    }
    must(&["verify", path]);
}

/// What a job goes through, each as a command; `{out}` is a file that it makes, `{new}` a job.
const PHASES: [&[&str]; 10] = [
    &["new", "{new}", "--from", "demo-stream/plan.toml"],
    &["checklist", "{job}", "--headless", "--answers", "demo-stream/answers.toml", "--sign", "{by}"],
    &["calibrate", "{job}", "--headless", "--at", "4=file:{4}", "--at", "8=file:{8}", "--at", "12.5=file:{12.5}"],
    &["scan", "{job}", "--headless", "--line", "A090", "--stream", "file:{short}", "--pace", "max"],
    &["note", "{job}", "--by", "{by}", "--text", "gusts"],
    &["amend", "{job}", "--by", "{by}", "--reason", "to see", "--run", "1", "--void"],
    &["reevaluate", "{job}", "--run", "1", "--mode", "echo-to-echo"],
    &["export", "{job}", "--format", "csv", "--out", "{out}.csv"],
    &["export", "{job}", "--format", "png", "--figure", "map", "--out", "{out}.png"],
    &["report", "{job}", "--out", "{out}.html"],
];

#[test]
fn a_kill_in_any_phase_leaves_a_whole_job_with_all_that_was_in_it() {
    let folder = crate::common::in_memory();
    let before = signed_job(folder.path());
    let short = folder.path().join("short.shots");
    must(&["simulate", "--shots", "60", "--samples", "512", "--out", short.to_str().unwrap()]);
    must(&[
        "scan",
        before.to_str().unwrap(),
        "--headless",
        "--line",
        "A090",
        "--stream",
        &format!("file:{}", short.display()),
        "--pace",
        "max",
    ]);
    let seal = |job: &str| {
        serde_json::from_str::<serde_json::Value>(&must(&["seal", job, "--json"])).unwrap()["digest"].as_str().unwrap().to_owned()
    };
    let known = seal(before.to_str().unwrap());
    let blocks: Vec<(&str, String)> = ["4", "8", "12.5"].into_iter().map(|mm| (mm, block(folder.path(), mm, &demo_wall()))).collect();
    let (job, out, new) = (folder.path().join("k.job"), folder.path().join("k"), folder.path().join("new.job"));
    let clear = || {
        for file in std::fs::read_dir(folder.path()).unwrap().map(|file| file.unwrap().path()) {
            let name = file.file_name().unwrap().to_string_lossy().into_owned();
            if name.starts_with("k.") || name.starts_with("new.") {
                std::fs::remove_file(file).unwrap();
            }
        }
        std::fs::copy(&before, &job).unwrap();
    };
    let filled = |argument: &str| {
        let mut text = argument.replace("{job}", job.to_str().unwrap()).replace("{out}", out.to_str().unwrap());
        text = text.replace("{new}", new.to_str().unwrap()).replace("{by}", &operator()).replace("{short}", short.to_str().unwrap());
        blocks.iter().fold(text, |text, (mm, path)| text.replace(&format!("{{{mm}}}"), path))
    };
    let seed = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().subsec_nanos() as u64 | 1;
    println!("seed {seed}");
    let (mut random, mut in_time) = (seed, 0);
    let each = crate::common::proof("BACKWALL_PROOF_KILLS", 10).div_ceil(PHASES.len());
    for phase in PHASES {
        let arguments: Vec<String> = phase.iter().map(|argument| filled(argument)).collect();
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        clear();
        let began = Instant::now();
        must(&arguments);
        let takes = began.elapsed();
        for _ in 0..each {
            clear();
            random = random.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            let mut child = backwall().args(&arguments).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
            std::thread::sleep(takes.mul_f64((random >> 33) as f64 / f64::from(u32::MAX >> 1)));
            child.kill().unwrap();
            in_time += usize::from(!child.wait().unwrap().success());
            let verdict = run(&["verify", job.to_str().unwrap(), "--against", &known]);
            assert!(verdict.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&verdict.stderr));
            // What was being made is whole, or is not there.
            match out.with_extension("csv") {
                csv if csv.exists() => assert!(std::fs::read_to_string(csv).unwrap().ends_with("\r\n")),
                _ => {}
            }
            if let Ok(picture) = std::fs::read(out.with_extension("png")) {
                assert!(picture.ends_with(b"IEND\xaeB`\x82"), "{} bytes", picture.len());
            }
            if let Ok(page) = std::fs::read_to_string(out.with_extension("html")) {
                assert!(page.trim_end().ends_with("</html>"));
            }
            if new.exists() {
                let opened = run(&["verify", new.to_str().unwrap()]);
                let said = String::from_utf8_lossy(&opened.stderr).into_owned();
                assert!(opened.status.success() || said.contains("cut short") || said.contains("is empty"), "{said}");
            }
            // It goes on where it was broken off.
            must(&["note", job.to_str().unwrap(), "--by", &operator(), "--text", "the laptop went out"]);
            must(&["verify", job.to_str().unwrap(), "--against", &known]);
        }
    }
    println!("{in_time} of {} came in time", each * PHASES.len());
    assert!(in_time * 4 >= each * PHASES.len(), "{in_time} kills came before the command was done");
}
