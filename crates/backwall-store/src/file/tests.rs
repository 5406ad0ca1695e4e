//! A disk that runs full and has room again, played by a function that each reading asks for room.

use super::*;
use crate::{CloseReason, Entry, Mark, MarkKind, Note, RunStart, RunSummary};
use backwall_survey::neighbours::Judgement;
use backwall_survey::reading::Reading;
use backwall_survey::strip::Level;
use backwall_survey::travel::Place;
use backwall_ultrasound::{Flag, Flags, Measurement, TimeBase, Waveform};
use backwall_units::{Decibel, Frequency, Length, Temperature, Time};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

const PLAN: &str = include_str!("../../../../tests/data/plan.toml");

fn new_job(folder: &Path) -> PathBuf {
    let path = folder.join("tk7.job");
    let plan = Plan::parse("plan.toml", PLAN).unwrap();
    let checklist = Checklist { name: "none".into(), title: String::new(), caution: String::new(), items: vec![] };
    JobFile::create(&path, &plan, PLAN, &checklist, 0).unwrap();
    path
}

fn start() -> RunStart {
    let plan = Plan::parse("plan.toml", PLAN).unwrap();
    RunStart {
        line: "A090".into(),
        path: plan.path(&plan.lines[0]),
        limits: plan.limits(),
        setup: plan.typed_setup(),
        setup_id: None,
        wall_temperature: Temperature::celsius(20.0),
        profile_name: String::new(),
        profile_text: String::new(),
        profile_proof: None,
        stream: "-".into(),
        software: String::new(),
        checklist_override: None,
        operator: String::new(),
        channel: None,
        started_us: 0,
    }
}

/// Full-range noise: it cannot be packed, so a file of known size takes a known number.
fn shot(seq: u32) -> Entry {
    let mut state = seq.wrapping_mul(2_654_435_761) | 1;
    let samples = (0..1024)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 16) as i16
        })
        .collect();
    let reading = Reading {
        seq,
        device_time_us: None,
        host_time_us: 0,
        encoder: None,
        place: Place::default(),
        gain: Decibel::ZERO,
        wall_temperature: Temperature::celsius(20.0),
        measurement: Measurement::none(Flags::of(Flag::NoBackWall)),
        level: Level::NoEcho,
        level_shown: Level::NoEcho,
    };
    let base = TimeBase { rate: Frequency::mhz(50.0), first: Time::ZERO, bits: 16 };
    Entry::Reading { reading, waveform: Some(Waveform { base, samples }) }
}

/// A disk with as much room as a flag says: each reading asks for it.
fn open_on(path: &Path, full: &Arc<AtomicBool>) -> JobFile {
    let full = Arc::clone(full);
    let flags = rusqlite::functions::FunctionFlags::SQLITE_UTF8;
    JobFile::open_with(path, |connection| {
        connection.create_scalar_function("room", 0, flags, move |_| match full.load(Ordering::SeqCst) {
            true => Err(rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_FULL), None)),
            false => Ok(1),
        })?;
        connection.execute_batch("CREATE TEMP TRIGGER full BEFORE INSERT ON main.reading BEGIN SELECT room(); END")
    })
    .unwrap()
}

fn wait(saved: &watch::Receiver<Saved>, what: &str, is: impl Fn(&Saved) -> bool) -> Saved {
    let since = Instant::now();
    while !is(&saved.borrow()) {
        assert!(since.elapsed() < Duration::from_secs(20), "{what}: {:?}", saved.borrow());
        std::thread::sleep(Duration::from_millis(5));
    }
    saved.borrow().clone()
}

#[test]
fn a_full_disk_is_told_at_once_and_all_is_saved_in_order_when_there_is_room_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let full = Arc::new(AtomicBool::new(false));
    let job = open_on(&path, &full);
    let (writer, saved) = (job.writer(), job.saved());
    let run = writer.start_run(start()).unwrap();
    (0..500).for_each(|seq| assert_eq!(writer.try_append(run, shot(seq)), Ok(())));
    writer.flush().unwrap();
    full.store(true, Ordering::SeqCst);
    let note = |text: &str| Entry::Note(Note { run: None, along: None, text: text.into(), at_us: 7 });
    for seq in 500..2000 {
        // Neither call waits for ever while the disk is full.
        if seq % 2 == 0 {
            writer.append_blocking(run, shot(seq)).unwrap()
        } else {
            assert_eq!(writer.try_append(run, shot(seq)), Ok(()))
        }
        if seq == 1200 {
            writer.try_append(run, note("typed while the disk was full")).unwrap();
        }
    }
    let told = wait(&saved, "told", |saved| saved.waiting_bytes > 3 << 20);
    let fault = told.fault.unwrap();
    assert!(fault.starts_with("the disk is full") && fault.contains("MB wait in memory"), "{fault}");
    assert_eq!((told.readings, told.unsaved), (500, 0));
    assert!(matches!(writer.flush(), Err(StoreError::Stopped { .. })));
    assert!(job.reader().unwrap().contents().unwrap().notes.is_empty(), "what is not saved is not in the file");

    full.store(false, Ordering::SeqCst);
    let after = wait(&saved, "saved", |saved| saved.readings == 2000);
    wait(&saved, "well again", |saved| saved.fault.is_none() && saved.waiting_bytes == 0);
    assert_eq!(after.unsaved, 0);
    let summary = writer.close_run(run, CloseReason::Operator, 0).unwrap();
    assert_eq!((summary.state, summary.readings, summary.reason.contains("not in the file")), (RunState::Closed, 2000, false));
    job.close().unwrap();
    let reader = JobFile::open_read_only(&path).unwrap();
    assert_eq!(reader.verify_digests().unwrap().problems, []);
    let seqs: Vec<u32> = reader.readings(run, 0, 5000).unwrap().iter().map(|reading| reading.seq).collect();
    assert_eq!(seqs, (0..2000).collect::<Vec<u32>>());
    assert_eq!(reader.contents().unwrap().notes.len(), 1);
}

#[test]
fn what_a_full_disk_never_takes_is_counted_and_said_and_the_run_is_closed() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let full = Arc::new(AtomicBool::new(false));
    let job = open_on(&path, &full);
    let (writer, saved) = (job.writer(), job.saved());
    let run = writer.start_run(start()).unwrap();
    (0..100).for_each(|seq| assert_eq!(writer.try_append(run, shot(seq)), Ok(())));
    writer.flush().unwrap();
    full.store(true, Ordering::SeqCst);
    // Shots of 2 KiB: some 30,000 fill what may wait in memory.
    let (mut taken, mut refused) = (100u64, 0);
    for seq in 100..34_000 {
        match writer.try_append(run, shot(seq)) {
            Ok(()) => taken += 1,
            Err(_) if saved.borrow().fault.is_some() => refused += 1,
            Err(entry) => {
                // The writer has not looked yet.
                writer.append_blocking(run, entry).unwrap();
                taken += 1;
            }
        }
    }
    assert!(refused > 0);
    wait(&saved, "told", |saved| saved.waiting_bytes > 60 << 20);
    assert!(matches!(writer.append_blocking(run, shot(0)), Err(StoreError::Stopped { .. })), "no one waits for ever");
    let summary = writer.close_run(run, CloseReason::Fault("the disk is full".into()), 0).unwrap();
    assert_eq!((summary.state, summary.readings), (RunState::Closed, 100));
    assert!(
        summary.reason.contains(&format!("{} entries after the last saved one are not in the file", taken - 100 + 1)),
        "{}",
        summary.reason
    );
    job.close().unwrap();
    let reader = JobFile::open_read_only(&path).unwrap();
    assert_eq!(reader.verify_digests().unwrap().problems, []);
    assert_eq!(reader.readings(run, 0, 1000).unwrap().len(), 100);
    drop(reader);

    // With room again the same job goes on.
    let job = JobFile::open(&path).unwrap();
    let run = job.writer().start_run(start()).unwrap();
    job.writer().append_blocking(run, shot(0)).unwrap();
    assert_eq!(job.writer().close_run(run, CloseReason::Operator, 0).unwrap().readings, 1);
}

#[test]
fn a_mark_is_saved_before_the_tick_is_over() {
    let folder = tempfile::tempdir().unwrap();
    let job = JobFile::open(&new_job(folder.path())).unwrap();
    let (writer, saved) = (job.writer(), job.saved());
    let run = writer.start_run(start()).unwrap();
    let mark =
        |seq| Entry::Mark(Mark { kind: MarkKind::Seam, along: Some(Length::mm(1.0)), seq: Some(seq), text: String::new(), at_us: 0 });
    // The best of some: a busy machine can hold up any one of them.
    let best = (0..20)
        .map(|seq| {
            let began = Instant::now();
            writer.try_append(run, shot(seq)).unwrap();
            writer.try_append(run, mark(seq)).unwrap();
            while saved.borrow().readings <= u64::from(seq) {
                assert!(began.elapsed() < Duration::from_secs(10));
                std::thread::sleep(Duration::from_micros(200));
            }
            began.elapsed()
        })
        .min();
    assert!(best < Some(Duration::from_millis(80)), "{best:?}");
    assert_eq!(job.reader().unwrap().marks(run).unwrap().len(), 20);
}

#[test]
fn a_write_that_fails_ends_saving_and_the_run_is_interrupted() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    // A trigger of this connection alone plays the disk that refuses one write.
    let refuse = "CREATE TEMP TRIGGER refuse BEFORE INSERT ON main.reading WHEN NEW.row = 500
                  BEGIN SELECT RAISE(ABORT, 'the disk refused'); END";
    let job = JobFile::open_with(&path, |connection| connection.execute_batch(refuse)).unwrap();
    let (writer, saved) = (job.writer(), job.saved());
    let run = writer.start_run(start()).unwrap();
    let mut acknowledged = 0;
    for seq in 0..1000 {
        assert_eq!(writer.try_append(run, shot(seq)), Ok(()));
        if seq % 50 == 0 && writer.flush().is_ok() {
            acknowledged = saved.borrow().readings;
        }
    }
    let stopped =
        |result: Result<(), StoreError>| matches!(result, Err(StoreError::Stopped { fault }) if fault.contains("the disk refused"));
    assert!(stopped(writer.flush()));
    let after = saved.borrow().clone();
    assert!(after.fault.unwrap().contains("the disk refused"));
    assert!(acknowledged >= 401 && after.readings >= acknowledged && after.readings <= 500, "{acknowledged}, {}", after.readings);
    assert_eq!(after.readings + after.unsaved, 1000);
    // Nothing is claimed on a disk that has failed once, not even that the run was closed.
    assert!(stopped(writer.close_run(run, CloseReason::Operator, 0).map(drop)));
    assert!(stopped(writer.start_run(start()).map(drop)));
    assert!(stopped(job.close()));
    let job = JobFile::open(&path).unwrap();
    let summary = job.contents().unwrap().runs.pop().unwrap();
    assert_eq!((summary.state, summary.readings), (crate::RunState::Interrupted, after.readings));
    assert_eq!(job.reader().unwrap().verify_digests().unwrap().problems, []);
}

#[test]
fn runs_side_by_side_keep_their_own_rows_through_a_full_disk_and_end_one_by_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let full = Arc::new(AtomicBool::new(false));
    let job = open_on(&path, &full);
    let (writer, saved) = (job.writer(), job.saved());
    let runs = writer.start_runs(vec![start(), start()]).unwrap();
    assert_eq!(writer.start_run(start()), Err(StoreError::RunOpen { run: runs[0] }));
    let numbers = |run: i64, from: u32, count: u32| (from..from + count).map(move |seq| seq * 10 + run as u32);
    let take = |from: u32, count: u32| {
        let of_runs = runs.iter().flat_map(|run| numbers(*run, from, count).map(move |seq| (*run, seq)));
        of_runs.for_each(|(run, seq)| assert_eq!(writer.try_append(run, shot(seq)), Ok(())));
    };
    let both = |readings: u64| wait(&saved, "saved", |saved| runs.iter().all(|run| saved.of(*run).readings == readings));
    take(0, 100);
    both(100);
    // One ends while the disk is full: what waits of the other goes on waiting.
    full.store(true, Ordering::SeqCst);
    take(100, 20);
    wait(&saved, "told", |saved| saved.fault.is_some());
    let first = writer.close_run(runs[0], CloseReason::Operator, 0).unwrap();
    assert!(first.readings == 100 && first.reason.contains("20 entries after the last saved one"), "{}", first.reason);
    assert_eq!(writer.append_blocking(runs[0], shot(0)), Err(StoreError::RunNotOpen { run: runs[0] }));
    full.store(false, Ordering::SeqCst);
    wait(&saved, "saved", |saved| saved.of(runs[1]).readings == 120);
    assert_eq!(saved.borrow().of(runs[1]).unsaved, 0);
    let second = writer.close_run(runs[1], CloseReason::Operator, 0).unwrap();
    assert_eq!((second.readings, second.reason.as_str()), (120, "ended by the operator"));
    job.close().unwrap();
    let reader = JobFile::open_read_only(&path).unwrap();
    assert_eq!(reader.verify_digests().unwrap().problems, []);
    for (run, count) in [(runs[0], 100), (runs[1], 120)] {
        let stored: Vec<u32> = reader.readings(run, 0, 1000).unwrap().iter().map(|reading| reading.seq).collect();
        assert!(stored.into_iter().eq(numbers(run, 0, count)), "run {run}");
    }
}

/// Of five readings the two lowest stand alone. The table, and so the digest over it, keeps the lowest that counts, as every summary has it;
/// where an earlier program kept the least of all, the same is said.
#[test]
fn the_minimum_that_is_said_and_kept_is_none_that_stands_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    let run = writer.start_run(start()).unwrap();
    for (seq, mm) in [9.7, 2.1, 5.2, 1.7, 5.2].into_iter().enumerate() {
        let Entry::Reading { mut reading, waveform } = shot(seq as u32) else { panic!() };
        reading.measurement.thickness = Some(Length::mm(mm));
        reading.place.along = Some(Length::mm(10.0 * seq as f64));
        writer.append_blocking(run, Entry::Reading { reading, waveform }).unwrap();
    }
    let said = || job.reader().unwrap().run(run).unwrap();
    writer.flush().unwrap();
    assert_eq!(said().least, Some(Length::mm(1.7)), "nothing was judged yet");
    for row in [1, 3] {
        let alone = Judgement { rows: (row, row), flags: Flags::of(Flag::Alone), stretch: None };
        writer.append_blocking(run, Entry::Judgement(alone)).unwrap();
    }
    writer.flush().unwrap();
    let judged = (Some(Length::mm(5.2)), Some(Length::mm(20.0)));
    assert_eq!((said().least, said().least_at), judged, "while it goes on");
    let closed = writer.close_run(run, CloseReason::Operator, 0).unwrap();
    assert_eq!((closed.least, closed.least_at), judged);
    for summary in [said(), job.contents().unwrap().runs.remove(0)] {
        assert_eq!((summary.least, summary.least_at, &summary.digest), (judged.0, judged.1, &closed.digest));
    }
    let stored = |sql: &str| rusqlite::Connection::open(&path).unwrap().query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(stored("SELECT least_nm FROM run_end"), 5_200_000);
    let reader = JobFile::open_read_only(&path).unwrap();
    let as_kept_before = RunSummary { least: Some(Length::mm(1.7)), least_at: Some(Length::mm(30.0)), ..closed };
    let summary = reader.with_minimum(as_kept_before, None).unwrap();
    assert_eq!((summary.least, summary.least_at), judged);
}

/// SQLite itself finds a thing of the schema that is kept under another table's name, but for one in other letters: a bit makes a capital.
#[test]
fn a_name_of_a_table_in_other_letters_is_found() {
    for kind in ["table", "index", "view", "trigger"] {
        let folder = tempfile::tempdir().unwrap();
        let path = new_job(folder.path());
        let problems = || JobFile::open_read_only(&path).unwrap().verify().unwrap().problems;
        assert_eq!(problems(), []);
        let connection = rusqlite::Connection::open(&path).unwrap();
        connection.execute_batch("PRAGMA writable_schema = ON").unwrap();
        let one = "SELECT name FROM sqlite_schema WHERE type = ?1 AND sql IS NOT NULL LIMIT 1";
        let change = format!("UPDATE sqlite_schema SET tbl_name = upper(tbl_name) WHERE type = ?1 AND name = ({one})");
        assert_eq!(connection.execute(&change, [kind]), Ok(1), "{kind}");
        drop(connection);
        let problems = problems();
        assert!(problems.iter().any(|problem| problem.what.contains("is not as this program makes it")), "{kind}: {problems:?}");
    }
}
