//! kill -9 in the middle of a run, at random moments: every reading that was told as saved is there. `BACKWALL_PROOF_KILLS` says how often,
//! ten times if not given.

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
