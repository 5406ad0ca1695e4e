//! A process that is killed while it records, and two processes that want the same job.

use super::support::*;
use backwall_store::{JobFile, RunState, StoreError};
use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// So many runs of one job are killed.
const KILLS_OF_A_JOB: i64 = 20;
const RECORD: &str = "BACKWALL_TEST_RECORD";

/// Not a test of its own: the process that gets killed. It says up to where it has been told that it is saved.
#[test]
fn as_a_child_record_until_killed() {
    let Some(path) = std::env::var_os(RECORD).map(PathBuf::from) else {
        return;
    };
    let job = JobFile::open(&path).unwrap();
    let (writer, saved) = (job.writer(), job.saved());
    let run = writer.start_run(start()).unwrap();
    println!("\nopen {run}");
    let mut acknowledged = 0;
    for seq in 0.. {
        writer.append_blocking(run, shot(seq)).unwrap();
        if seq % 8 == 0 {
            std::thread::sleep(Duration::from_millis(2));
            let readings = saved.borrow().readings;
            if readings != acknowledged {
                acknowledged = readings;
                println!("ack {acknowledged}");
                std::io::stdout().flush().unwrap();
            }
        }
    }
}

#[test]
fn a_killed_process_loses_nothing_that_was_acknowledged() {
    let (mut folder, mut path) = (tempfile::tempdir().unwrap(), PathBuf::new());
    let mut acknowledged_in_all = 0;
    for kill in 0..crate::common::proof("BACKWALL_PROOF_KILLS", 10) as i64 {
        // After every kill all that was recorded before is checked again: in one file a thousand of them would take days.
        let round = kill % KILLS_OF_A_JOB + 1;
        if round == 1 {
            folder = tempfile::tempdir().unwrap();
            path = new_job(folder.path());
        }
        let mut child = again("killed::as_a_child_record_until_killed", RECORD, &path);
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap);
        lines.find(|line| line.starts_with("open")).expect("the child opens the job");
        let reader = std::thread::spawn(move || {
            lines.filter_map(|line| line.strip_prefix("ack ").and_then(|count| count.parse::<u64>().ok())).last().unwrap_or(0)
        });
        let random = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().subsec_micros();
        std::thread::sleep(Duration::from_millis(50 + u64::from(random % 500)));
        // On Unix this is SIGKILL, on Windows TerminateProcess: neither can be caught.
        child.kill().unwrap();
        child.wait().unwrap();
        let acknowledged = reader.join().unwrap();
        acknowledged_in_all += acknowledged;

        let job = JobFile::open(&path).unwrap();
        let run = job.contents().unwrap().runs.pop().unwrap();
        assert_eq!((run.id, run.state, run.lost), (round, RunState::Interrupted, 0));
        assert!(run.readings >= acknowledged, "round {round}: {acknowledged} acknowledged, {} in the file", run.readings);
        job.close().unwrap();
        let reader = JobFile::open_read_only(&path).unwrap();
        let mut seq = 0;
        reader
            .for_each_shot(round, |read, found| {
                assert_eq!((read, found), (reading(seq), Some(waveform(seq, 256))));
                seq += 1;
            })
            .unwrap();
        assert_eq!(reader.verify_digests().unwrap().problems, []);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "one job is one file");
    }
    println!("{acknowledged_in_all} readings acknowledged");
    assert!(acknowledged_in_all > 500, "the children recorded {acknowledged_in_all}: too few to show anything");
}

#[test]
fn a_second_process_is_told_who_has_the_job_and_may_look_on() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let mut child = again("killed::as_a_child_record_until_killed", RECORD, &path);
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap);
    lines.find(|line| line.starts_with("ack")).expect("the child records");
    let reader = std::thread::spawn(move || lines.for_each(drop));
    match JobFile::open(&path) {
        Err(StoreError::InUse { holder: Some(holder), .. }) => assert_eq!(holder.pid, child.id()),
        other => panic!("{:?}", other.err()),
    }
    let looking = JobFile::open_read_only(&path).unwrap();
    assert_eq!(looking.contents().unwrap().runs[0].state, RunState::Open);
    // Again and again, so that commits of the other process fall between its questions.
    for _ in 0..20 {
        assert_eq!(looking.verify_digests().unwrap().problems, []);
    }
    let before = looking.run(1).unwrap().readings;
    let patience = Instant::now();
    while looking.run(1).unwrap().readings == before {
        assert!(patience.elapsed() < Duration::from_secs(10), "the reader sees nothing new");
        std::thread::sleep(Duration::from_millis(20));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    reader.join().unwrap();
    drop(looking);
    JobFile::open(&path).unwrap().close().unwrap();
}
