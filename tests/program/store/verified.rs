//! Damage and slips in a job file are found and named.

use super::support::*;
use backwall_store::{CloseReason, Entry, FileVerdict, JobFile, JobReader, RunId};
use backwall_survey::neighbours::{Neighbour, Neighbours};
use backwall_survey::reading::{ReadingMaker, Shot};
use backwall_survey::travel::Odometer;
use backwall_units::Decibel;
use std::path::Path;

/// A run of readings that were really made from their waveforms.
fn record(path: &Path, shots: u32) -> RunId {
    let job = JobFile::open(path).unwrap();
    let writer = job.writer();
    let start = start();
    let odometer = Odometer::new(start.path.clone()).unwrap();
    let mut maker = ReadingMaker::new(start.setup.clone(), odometer, start.limits.clone(), start.wall_temperature);
    let run = writer.start_run(start).unwrap();
    maker.set_time_base(base()).unwrap();
    let (mut neighbours, mut judgements) = (Neighbours::default(), Vec::new());
    let mut thick = 0;
    for seq in 0..shots {
        let waveform = back_wall(seq + 1000 * run as u32);
        let shot = Shot {
            seq,
            device_time_us: Some(u64::from(seq) * 500),
            encoder: Some(seq as i32 * 2),
            across: None,
            gain: Decibel::db(42.123456),
            samples: waveform.samples.clone(),
        };
        let measured = maker.measure(&shot);
        let reading = maker.measured(&shot, &measured, NOW_US);
        let neighbour = Neighbour::new(u64::from(seq), &reading, &measured.sight);
        judgements.extend(neighbour.into_iter().flat_map(|neighbour| neighbours.push(neighbour)));
        thick += u32::from(reading.measurement.thickness.is_some());
        writer.append_blocking(run, Entry::Reading { reading, waveform: Some(waveform) }).unwrap();
    }
    assert!(thick > shots / 2, "only {thick} of {shots} readings have a thickness to be verified");
    judgements.extend(neighbours.end());
    for judgement in judgements {
        writer.append_blocking(run, Entry::Judgement(judgement)).unwrap();
    }
    writer.close_run(run, CloseReason::StreamEnded, 0).unwrap();
    job.close().unwrap();
    run
}

#[test]
fn a_judgement_that_does_not_follow_from_its_readings_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    record(&path, 3000);
    assert_eq!(verdict(&path).problems, []);
    tamper(&path, "judgement", "UPDATE judgement SET flags = flags + 1 WHERE id = 1");
    let said = said(&path);
    assert!(said.contains("what its neighbours make of the readings does not follow from them"), "{said}");
}

fn verdict(path: &Path) -> FileVerdict {
    JobFile::open_read_only(path).unwrap().verify().unwrap()
}

fn said(path: &Path) -> String {
    verdict(path).problems.iter().map(|problem| format!("{:?}: {}\n", problem.run, problem.what)).collect()
}

/// Changes the file as a person with an editor would: past the triggers.
fn tamper(path: &Path, table: &str, statement: &str) {
    let raw = rusqlite::Connection::open(path).unwrap();
    let triggers: Vec<(String, String)> = raw
        .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = ?1")
        .unwrap()
        .query_map([table], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    for (name, _) in &triggers {
        raw.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
    }
    raw.pragma_update(None, "foreign_keys", false).unwrap();
    assert!(raw.execute(statement, []).unwrap() > 0, "{statement}");
    for (_, sql) in &triggers {
        raw.execute_batch(sql).unwrap();
    }
}

#[test]
fn an_untouched_job_is_whole_and_every_reading_follows_from_its_waveform() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    record(&path, 700);
    let verdict = verdict(&path);
    assert_eq!(verdict.problems, []);
    assert_eq!((verdict.runs[0].readings, verdict.runs[0].remade, verdict.runs[0].without_waveform), (700, 700, 0));
}

#[test]
fn a_changed_thickness_is_found_by_the_digest_and_by_its_waveform() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    record(&path, 300);
    tamper(&path, "reading", "UPDATE reading SET thickness_nm = thickness_nm + 1 WHERE row = 123 AND thickness_nm IS NOT NULL");
    let said = said(&path);
    assert!(said.contains("is not what was saved"), "{said}");
    assert!(said.contains("reading 123 (seq 123): does not follow from its waveform: thickness"), "{said}");
}

#[test]
fn a_rule_that_was_taken_away_is_missed() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    rusqlite::Connection::open(&path).unwrap().execute_batch("DROP TRIGGER reading_no_delete").unwrap();
    let said = said(&path);
    assert!(said.contains("trigger reading_no_delete is missing"), "{said}");
}

#[test]
fn trying_tells_how_far_it_is_and_can_be_stopped_without_a_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    record(&path, 3000);
    let reader = JobFile::open_read_only(&path).unwrap();
    let mut told = Vec::new();
    let verdict = reader.verify_telling(&mut |done, of| {
        told.push((done, of));
        true
    });
    assert_eq!(verdict.unwrap().problems, []);
    // Once for the digests, once more from the waveforms.
    assert!(told.is_sorted() && told.last() == Some(&(6000, 6000)), "{told:?}");
    for stop_at in [1, 4000] {
        let stopped = reader.verify_telling(&mut |done, _| done < stop_at).unwrap_err().to_string();
        assert!(stopped.contains("stopped before everything was checked"), "{stopped}");
    }
}

#[test]
fn every_kind_of_slip_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let whole = new_job(folder.path());
    record(&whole, 300);
    let job = JobFile::open(&whole).unwrap();
    job.writer().add_override("the client's order".into(), signed()).unwrap();
    job.close().unwrap();
    for (table, statement, found) in [
        ("reading", "DELETE FROM reading WHERE row = 299", "readings that are missing: 1"),
        (
            "reading",
            "INSERT INTO reading SELECT run_id, 300, 300, device_time_us, host_time_us, encoder_counts, position_um, course,
            speed_um_s, gain_cdb, wall_temperature_mdeg, echo_time_ps, next_echo_time_ps, thickness_nm, uncertainty_nm, height_cpct,
            snr_cdb, quality, flags, level, NULL, NULL, NULL, NULL FROM reading WHERE row = 299",
            "readings that belong to no commit of the run: 1",
        ),
        ("reading", "UPDATE reading SET coating_nm = 300000 WHERE row = 0", "commit 1 (readings 0 to"),
        ("run_end", "UPDATE run_end SET lost = 1", "the run's digest is"),
        ("run", "UPDATE run SET start_json = replace(start_json, 'R. Aldane', 'nobody')", "what the run started with"),
        ("link", "DELETE FROM link WHERE link = 1", "do not join"),
        ("override", "UPDATE override SET reason = 'none'", "override 1 is not what was entered"),
        ("answer", "INSERT INTO answer VALUES (1, 'tether', '{\"confirmed\":true}', '', '', '', 0)", "1 rows of answer were never entered"),
        (
            "block_check",
            "INSERT INTO block_check (id, setup_id, check_json, name, certificate, at_us) VALUES (1, 1, '{\"true_mm\":10}', '', '', 0)",
            "1 rows of block_check were never entered",
        ),
        ("encoder_check", "INSERT INTO encoder_check VALUES (1, 1000000, 40000, 40.0, '', '', 0)", "1 rows of encoder_check were never"),
        ("plan", "UPDATE plan SET plan_json = replace(plan_json, 'TK-7', 'TK-8')", "not the job's plan"),
        ("job", "UPDATE job SET site = 'elsewhere'", "job 1 is not what was entered"),
        ("mark", "INSERT INTO mark VALUES (1, 1, 99, 'seam', 0, 0, '', 0)", "marks that belong to no commit of the run: 1"),
        ("waveform_block", "UPDATE waveform_block SET rate_hz = rate_hz * 1.01 WHERE first_row = 0", "does not follow from its waveform"),
    ] {
        let path = folder.path().join("slip.job");
        std::fs::copy(&whole, &path).unwrap();
        tamper(&path, table, statement);
        let said = said(&path);
        assert!(said.contains(found), "{statement}\nwanted: {found}\nfound: {said}");
    }
}

/// Where some of a stored waveform block lies in the file. Its beginning may have left stale copies behind; what is
/// deep inside it stands in pages of its own, once.
fn bytes_of_a_block(path: &Path, run: RunId) -> (usize, usize) {
    let raw = rusqlite::Connection::open(path).unwrap();
    let data: Vec<u8> = raw.query_row("SELECT data FROM waveform_block WHERE run_id = ?1 LIMIT 1", [run], |row| row.get(0)).unwrap();
    let file = std::fs::read(path).unwrap();
    let found =
        (10_000..data.len() - 64).step_by(3000).find_map(|from| file.windows(64).position(|window| window == &data[from..from + 64]));
    (found.unwrap(), 64)
}

#[test]
fn one_flipped_bit_in_a_waveform_is_found_and_the_other_run_stands() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let (first, second) = (record(&path, 300), record(&path, 300));
    let (start, length) = bytes_of_a_block(&path, first);
    let whole = std::fs::read(&path).unwrap();
    for bit in (0..length * 8).step_by(29) {
        let mut flipped = whole.clone();
        flipped[start + bit / 8] ^= 1 << (bit % 8);
        std::fs::write(&path, &flipped).unwrap();
        let verdict = verdict(&path);
        assert!(verdict.problems.iter().any(|problem| problem.run == Some(first)), "bit {bit}");
        assert!(verdict.problems.iter().all(|problem| problem.run != Some(second)), "bit {bit}: {:?}", verdict.problems);
    }
}

// The last row of a run is given the number of its fourth: a reader that goes on behind the last row it got would go round for ever.
#[test]
fn rows_out_of_their_order_are_said_and_never_read_for_ever() {
    let folder = crate::common::in_memory();
    let path = new_job(folder.path());
    record(&path, 60);
    let whole = std::fs::read(&path).unwrap();
    // Row and number of the last shot stand side by side in its record.
    let damaged = (0..whole.len() - 1).filter(|at| whole[*at..*at + 2] == [59, 59]).find(|at| {
        let mut changed = whole.clone();
        changed[*at] = 3;
        std::fs::write(&path, &changed).unwrap();
        let raw = rusqlite::Connection::open(&path).unwrap();
        let said = raw.query_row("PRAGMA integrity_check", [], |row| row.get::<_, String>(0));
        said.is_ok_and(|said| said.contains("not in PRIMARY KEY order for reading"))
    });
    assert!(damaged.is_some(), "no such record was found");
    let reader = JobFile::open_read_only(&path).unwrap();
    let mut asked = 0;
    let verdict = reader.verify_telling(&mut |_, _| {
        asked += 1;
        asked < 10_000
    });
    let problems = verdict.unwrap().problems;
    assert!(problems.iter().any(|problem| problem.what.contains("does not stand in the order of its rows")), "{problems:?}");
    let refused = reader.for_each_shot(1, |_, _| ()).unwrap_err().to_string();
    assert!(refused.contains("does not stand in the order of its rows"), "{refused}");
}

/// Whether a byte lies where a page of a table or an index holds nothing but old copies: how much of that there is
/// depends on how the commits fell. SQLite, "Database File Format", 1.6: from the page's start its kind, a header of 8
/// bytes (12 where it has children) and two bytes a cell; a cell is a child's page of 4 bytes where there are children,
/// the length of its payload except above the leaves of a table, a key in tables, and the payload.
fn is_between_cells(file: &[u8], at: usize) -> bool {
    let (page, at) = (&file[at / 8192 * 8192..][..8192], at % 8192);
    let number = |from: usize| usize::from(u16::from_be_bytes([page[from], page[from + 1]]));
    let varint = |mut from: usize| {
        let mut value = 0usize;
        loop {
            value = value << 7 | usize::from(page[from] & 0x7f);
            from += 1;
            if page[from - 1] < 0x80 {
                return (value, from);
            }
        }
    };
    let (header, child, has_payload, has_key) = match page[0] {
        13 => (8, 0, true, true),
        10 => (8, 0, true, false),
        5 => (12, 4, false, true),
        2 => (12, 4, true, false),
        _ => return false,
    };
    let cells = number(3);
    let within = |cell: usize| {
        let begin = number(header + 2 * cell);
        let (length, next) = if has_payload { varint(begin + child) } else { (0, begin + child) };
        let payload = if has_key { varint(next).1 } else { next };
        (begin..payload + length).contains(&at)
    };
    at >= header + 2 * cells && !(0..cells).any(within)
}

/// Every value that is recorded in a job file, row by row, as SQLite itself reads them; `None` where it cannot.
fn everything(path: &Path) -> Option<Vec<String>> {
    let raw = rusqlite::Connection::open_with_flags(path, rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY).ok()?;
    let names = "SELECT name FROM sqlite_schema WHERE type IN ('table', 'view') ORDER BY name";
    let names: Vec<String> = raw.prepare(names).ok()?.query_map([], |row| row.get(0)).ok()?.collect::<Result<_, _>>().ok()?;
    let mut all: Vec<String> =
        raw.prepare("SELECT name || sql FROM sqlite_schema ORDER BY name").ok()?.query_map([], |row| row.get(0)).ok()?.flatten().collect();
    for name in names {
        let mut rows = raw.prepare(&format!("SELECT * FROM \"{name}\"")).ok()?;
        let columns = rows.column_count();
        let of_row = |row: &rusqlite::Row<'_>| {
            (0..columns).map(|index| Ok(format!("{:?}", row.get_ref(index)?))).collect::<rusqlite::Result<Vec<_>>>()
        };
        let rows: Vec<Vec<String>> = rows.query_map([], |row| of_row(row)).ok()?.collect::<Result<_, _>>().ok()?;
        all.extend(rows.into_iter().map(|row| format!("{name}: {}", row.join("|"))));
    }
    Some(all)
}

/// Bits anywhere in the file, its first page and what it does not use included: one that `verify` does not find has changed nothing that is recorded.
#[test]
fn flipped_bits_that_stay_hidden_leave_every_recorded_value_as_it_was() {
    let folder = crate::common::in_memory();
    let path = new_job(folder.path());
    record(&path, 60);
    let whole = std::fs::read(&path).unwrap();
    let recorded = everything(&path).unwrap();
    assert!(recorded.iter().filter(|row| row.starts_with("reading: ")).count() == 60, "{} values", recorded.len());
    let (mut state, mut hidden, tried) = (54321u32, 0, crate::common::proof("BACKWALL_PROOF_FLIPS", 60));
    let mut used = Vec::new();
    for _ in 0..tried {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let mut at = (state >> 4) as usize % whole.len();
        // Every other one where something stands.
        while state & 8 == 0 && whole[at] == 0 {
            at = (at + 1) % whole.len();
        }
        let mut flipped = whole.clone();
        flipped[at] ^= 1 << (state % 8);
        std::fs::write(&path, &flipped).unwrap();
        let clean = JobFile::open_read_only(&path).and_then(|reader: JobReader| reader.verify()).is_ok_and(|v| v.problems.is_empty());
        if clean {
            hidden += 1;
            assert!(everything(&path).as_ref() == Some(&recorded), "byte {at} was changed, and verify calls the file whole");
            if whole[at] != 0 && at >= 8192 && !is_between_cells(&whole, at) {
                used.push((at / 8192 + 1, at % 8192, whole[at / 8192 * 8192]));
            }
        }
    }
    println!("{hidden} of {tried} flips hidden, none of them in a recorded value; in what looks used: {used:?}");
    // Most of a short job's pages is empty: there must have been both.
    assert!(hidden > 0 && hidden < tried, "{hidden} of {tried}");
}

#[test]
fn flipped_bits_anywhere_never_make_it_panic_and_hardly_one_stays_hidden() {
    let folder = crate::common::in_memory();
    let path = new_job(folder.path());
    record(&path, 60);
    let whole = std::fs::read(&path).unwrap();
    // Bytes that are in use: a flip in what SQLite never reads changes nothing.
    let mut state = 12345u32;
    let (mut tried, mut found, mut hidden) = (0, 0, Vec::new());
    while tried < crate::common::proof("BACKWALL_PROOF_FLIPS", 100) {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let at = 8192 + (state >> 4) as usize % (whole.len() - 8192);
        if whole[at] == 0 || is_between_cells(&whole, at) {
            continue;
        }
        tried += 1;
        let mut flipped = whole.clone();
        flipped[at] ^= 1 << (state % 8);
        std::fs::write(&path, &flipped).unwrap();
        let clean = JobFile::open_read_only(&path).and_then(|reader: JobReader| reader.verify()).is_ok_and(|v| v.problems.is_empty());
        found += usize::from(!clean);
        if clean {
            hidden.push(at);
        }
    }
    println!("{found} of {tried} flips found");
    assert!(found * 100 >= tried * 97, "{found} of {tried} flips found; hidden: {hidden:?} of {} bytes", whole.len());
}
