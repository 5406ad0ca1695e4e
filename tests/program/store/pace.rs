//! How fast, how small: measured on request, `cargo test --test store_file pace -- --ignored --nocapture`.

use super::support::*;
use backwall_store::{CloseReason, Entry, JobFile};
use std::time::{Duration, Instant};

/// Resident memory, where the system tells it.
fn resident_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    status.lines().find_map(|line| line.strip_prefix("VmRSS:")?.split_whitespace().next()?.parse().ok())
}

#[test]
#[ignore = "takes 20 seconds and measures"]
fn two_thousand_shots_a_second_of_1024_samples() {
    const RATE: u32 = 2000;
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let waveforms: Vec<_> = (0..64).map(|seq| waveform(seq, 1024)).collect();
    let before = resident_kib();
    let job = JobFile::open(&path).unwrap();
    let (writer, saved) = (job.writer(), job.saved());
    let run = writer.start_run(start()).unwrap();
    let began = Instant::now();
    let (mut lag, mut most_wal, mut most_resident) = (0, 0, 0);
    let wal = path.with_extension("job-wal");
    for seq in 0..RATE * 20 {
        // Each its own copy, as a stream would bring it.
        let samples = waveforms[seq as usize % 64].samples.to_vec().into();
        let waveform = backwall_ultrasound::Waveform { base: base(), samples };
        writer.append_blocking(run, Entry::Reading { reading: reading(seq), waveform: Some(waveform) }).unwrap();
        if seq % 20 == 0 {
            let due = began + Duration::from_secs_f64(f64::from(seq) / f64::from(RATE));
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
        }
        if seq % RATE == RATE - 1 {
            lag = lag.max(u64::from(seq) - saved.borrow().readings);
            most_wal = most_wal.max(std::fs::metadata(&wal).map_or(0, |wal| wal.len()));
            most_resident = most_resident.max(resident_kib().unwrap_or(0));
        }
    }
    let taken = began.elapsed();
    let summary = writer.close_run(run, CloseReason::Operator, 0).unwrap();
    assert_eq!((summary.readings, saved.borrow().unsaved), (u64::from(RATE) * 20, 0));
    job.close().unwrap();
    let bytes = std::fs::metadata(&path).unwrap().len();
    println!("resident before {before:?} KiB, most {most_resident} KiB; longest log {} MiB; most waiting {lag} readings", most_wal >> 20);
    println!("{taken:?} for {} readings; {} bytes a reading", summary.readings, bytes / summary.readings);
    // Verifying, all but the physics.
    let began = Instant::now();
    assert_eq!(JobFile::open_read_only(&path).unwrap().verify_digests().unwrap().problems, []);
    println!("digests verified in {:?}", began.elapsed());
}

#[test]
#[ignore = "measures"]
fn as_fast_as_it_goes() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let waveforms: Vec<_> = (0..64).map(|seq| waveform(seq, 1024)).collect();
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    let run = writer.start_run(start()).unwrap();
    let began = Instant::now();
    for seq in 0..50_000 {
        let waveform = waveforms[seq as usize % 64].clone();
        writer.append_blocking(run, Entry::Reading { reading: reading(seq), waveform: Some(waveform) }).unwrap();
    }
    writer.close_run(run, CloseReason::Operator, 0).unwrap();
    println!("{:.0} shots of 1024 samples a second; resident {:?} KiB", 50_000.0 / began.elapsed().as_secs_f64(), resident_kib());
    job.close().unwrap();
}
