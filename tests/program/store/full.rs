//! A disk that really runs full. It needs a small one of its own, named in `BACKWALL_TEST_SMALL_DISK`: for example
//! `mount -t tmpfs -o size=40m small /mnt/small`.

use super::support::*;
use backwall_store::{CloseReason, Entry, JobFile, RunState};
use std::path::PathBuf;

#[test]
#[ignore = "needs a small disk of its own, named in BACKWALL_TEST_SMALL_DISK"]
fn a_disk_that_runs_full_costs_nothing_that_was_acknowledged_and_the_run_can_be_closed() {
    let disk = PathBuf::from(std::env::var_os("BACKWALL_TEST_SMALL_DISK").expect("BACKWALL_TEST_SMALL_DISK names a small disk"));
    let folder = tempfile::tempdir_in(disk).unwrap();
    let filler = folder.path().join("filler");
    std::fs::write(&filler, vec![1; 12 << 20]).unwrap();
    let path = new_job(folder.path());
    let job = JobFile::open(&path).unwrap();
    let (writer, saved) = (job.writer(), job.saved());
    let run = writer.start_run(start()).unwrap();
    let mut seq = 0;
    let fault = loop {
        // What comes after the fault is refused, what came before is taken.
        let _ = writer.append_blocking(run, Entry::Reading { reading: reading(seq), waveform: Some(waveform(seq, 1024)) });
        seq += 1;
        if let Some(fault) = saved.borrow().fault.clone() {
            break fault;
        }
        assert!(seq < 1_000_000, "the disk never runs full");
    };
    assert!(fault.contains("the disk is full"), "{fault}");
    let acknowledged = saved.borrow().readings;
    assert!(acknowledged > 1000, "{acknowledged}");
    let summary = writer.close_run(run, CloseReason::Fault("the disk is full".into()), 0).unwrap();
    assert_eq!((summary.state, summary.readings >= acknowledged), (RunState::Closed, true));
    // Whether there is room to fold the log in depends on the disk; nothing is lost if not.
    println!("{acknowledged} saved, of {seq}; closed: {:?}", job.close().map_err(|error| error.to_string()));
    {
        let reader = JobFile::open_read_only(&path).unwrap();
        assert_eq!(reader.run(run).unwrap(), summary);
        assert_eq!(reader.verify_digests().unwrap().problems, []);
    }
    std::fs::remove_file(filler).unwrap();
    let job = JobFile::open(&path).unwrap();
    let run = job.writer().start_run(start()).unwrap();
    job.writer().append_blocking(run, shot(0)).unwrap();
    assert_eq!(job.writer().close_run(run, CloseReason::Operator, 0).unwrap().readings, 1);
    job.close().unwrap();
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
}
