//! What goes in comes out, and stays as it was.

use super::support::*;
use backwall_report::csv;
use backwall_report::readings::ReadingsOf;
use backwall_store::{CloseReason, Entry, EventKind, JobFile, Mark, MarkKind, Note, RunState};
use backwall_survey::job::checklist::{Answer, AnswerValue, Signature};
use backwall_survey::strip::{Level, Spot};
use backwall_ultrasound::TimeBase;
use backwall_units::{Frequency, Length};

#[test]
fn a_job_comes_back_as_it_was_entered() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    let answer = Answer { item: "tether".into(), value: AnswerValue::Confirmed(true), note: "twice".into(), by: signed() };
    writer.answer(answer.clone()).unwrap();
    let signature = Signature { by: signed(), answers: 1 };
    writer.sign(signature.clone()).unwrap();
    writer.add_override("the client's order".into(), signed()).unwrap();
    let mut setup = plan().typed_setup();
    setup.velocity = backwall_units::Velocity::m_s(5923.123456789);
    let id = writer.add_setup(setup.clone(), "two blocks".into(), signed()).unwrap();
    let note = Note { run: None, along: Some(Length::mm(12.5)), text: "rain".into(), at_us: NOW_US };
    writer.note(note.clone()).unwrap();
    job.close().unwrap();

    let contents = JobFile::open_read_only(&path).unwrap().contents().unwrap();
    assert_eq!((contents.plan, contents.checklist), (plan(), checklist()));
    assert_eq!((contents.answers, contents.signatures), (vec![answer], vec![signature]));
    assert_eq!(contents.overrides, vec![("the client's order".into(), signed())]);
    assert_eq!((contents.setups[0].id, &contents.setups[0].setup), (id, &setup));
    assert_eq!((contents.notes, contents.runs), (vec![note], vec![]));
}

#[test]
fn a_run_comes_back_bit_for_bit() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    let run = writer.start_run(start()).unwrap();
    let mark = Mark { kind: MarkKind::Nozzle, along: Some(Length::mm(5.0)), seq: Some(100), text: "N2".into(), at_us: NOW_US };
    let note = Note { run: Some(run), along: None, text: "wet".into(), at_us: NOW_US };
    let spot = |least: f64, acknowledged| Spot {
        id: 1,
        edges: Some((Length::mm(3.0), Length::mm(4.0))),
        least: Length::mm(least),
        least_at: Some(Length::mm(3.5)),
        least_seq: 70,
        level: Level::Thin,
        course: Some(1),
        readings: 20,
        acknowledged,
        finding: None,
    };
    writer.append_blocking(run, Entry::TimeBase(base())).unwrap();
    // Two time bases, two lengths, and readings without a waveform: each must find its own.
    let other = TimeBase { rate: Frequency::mhz(100.0), ..base() };
    let waveform_of = |seq: u32| match seq % 700 {
        0..500 => Some(waveform(seq, 256)),
        500..600 => None,
        600..650 => Some(waveform(seq, 300)),
        _ => Some(backwall_ultrasound::Waveform { base: other, ..waveform(seq, 300) }),
    };
    for seq in 0..2000 {
        writer.append_blocking(run, Entry::Reading { reading: reading(seq), waveform: waveform_of(seq) }).unwrap();
        if seq == 100 {
            // Set at once, and again when words are put to it: one mark.
            writer.append_blocking(run, Entry::Mark(Mark { text: String::new(), ..mark.clone() })).unwrap();
            writer.append_blocking(run, Entry::Mark(mark.clone())).unwrap();
            writer.append_blocking(run, Entry::Note(note.clone())).unwrap();
            writer.append_blocking(run, Entry::Spot(spot(5.5, false))).unwrap();
            writer.append_blocking(run, Entry::Spot(spot(5.25, true))).unwrap();
            let kind = EventKind::Alarm;
            writer.append_blocking(run, Entry::Event { kind, text: "thin".into(), seq: Some(70), along: None, at_us: NOW_US }).unwrap();
        }
    }
    let summary = writer.close_run(run, CloseReason::Operator, 7).unwrap();
    assert_eq!((summary.state, summary.readings, summary.no_echo, summary.lost, summary.spots), (RunState::Closed, 2000, 666, 7, 1));
    assert_eq!((summary.from, summary.to), (Some(Length::ZERO), Some(Length::mm(99.95))));
    assert_eq!(summary.least, reading(1999).measurement.thickness);
    assert_eq!(summary.least_at, Some(Length::mm(99.95)));
    assert_eq!(summary.digest.as_ref().map(String::len), Some(64));
    job.close().unwrap();

    let reader = JobFile::open_read_only(&path).unwrap();
    assert_eq!(reader.contents().unwrap().runs, vec![summary]);
    let mut seq = 0;
    reader
        .for_each_shot(run, |read, waveform| {
            assert_eq!((read, waveform), (reading(seq), waveform_of(seq)));
            seq += 1;
        })
        .unwrap();
    assert_eq!(seq, 2000);
    // From anywhere, in any order.
    for row in [1999, 0, 255, 256, 31, 32, 640, 650, 1399, 1400, 550] {
        assert_eq!(reader.waveform(run, row).unwrap(), waveform_of(row as u32), "row {row}");
    }
    assert_eq!(reader.waveform(run, 2000).unwrap(), None);
    assert_eq!(reader.readings(run, 1998, 10).unwrap(), vec![reading(1998), reading(1999)]);
    assert_eq!((reader.row_of_seq(run, 77).unwrap(), reader.row_of_seq(run, 5000).unwrap()), (Some(77), None));
    assert_eq!((reader.marks(run).unwrap(), reader.notes(run).unwrap()), (vec![mark], vec![note]));
    assert_eq!((reader.spots(run).unwrap(), reader.events(run).unwrap().len()), (vec![spot(5.25, true)], 1));
    assert_eq!(reader.time_bases(run).unwrap(), vec![(0, base())]);

    let (mut out, job, summary) = (Vec::new(), reader.contents().unwrap(), reader.run(run).unwrap());
    assert_eq!(csv::write_readings(&reader, &job, &[ReadingsOf::Run(&summary)], &mut out, &mut |_, _| true).unwrap(), 2000);
    let text = String::from_utf8(out).unwrap();
    let mut lines = text.split("\r\n");
    assert_eq!(
        lines.next().unwrap(),
        "run,seq,device_time_us,host_time,line,position_mm,course,echo_time_ns,thickness_mm,uncertainty_k2_mm,height_pct,snr_db,\
         quality,flags,level,gain_db,wall_temperature_c,speed_mm_s,calibration,coating_mm,coating_uncertainty_k2_mm,\
         nominal_mm,required_mm,kind,evaluation,level_shown,zone,asset,site,date,azimuth_deg,elevation_mm,across_mm,setup"
    );
    assert_eq!(
        lines.next().unwrap(),
        "1,0,0,2026-03-01T12:00:00.000000Z,A090,0.0000,1,15378.1230,9.876543,0.062500,61.23,28.13,good,multiple,CLEAR,42.50,18.3000,,pending,0.312346,0.042000,10.000000,6.200000,,,CLEAR,UTC,TK-7,Ferrow Point terminal (invented),2026-03-01,90.0000,0.0000,,"
    );
    assert_eq!(
        lines.nth(1).unwrap(),
        "1,2,1000,2026-03-01T12:00:00.001000Z,A090,0.1000,1,,,,,,none,no-coupling,NO ECHO,42.50,18.3000,,pending,,,10.000000,6.200000,,,NO ECHO,UTC,TK-7,Ferrow Point terminal (invented),2026-03-01,90.0000,0.1000,,"
    );
    assert_eq!(text.lines().count(), 2001);
}

#[test]
fn saved_is_published_up_to_the_last_reading_and_others_may_read_on() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    let run = writer.start_run(start()).unwrap();
    for seq in 0..10 {
        writer.try_append(run, shot(seq)).unwrap();
    }
    writer.flush().unwrap();
    let saved = job.saved().borrow().clone();
    assert_eq!((saved.run, saved.seq, saved.readings, saved.fault), (Some(run), Some(9), 10, None));
    assert_eq!(saved.along, reading(9).place.along);
    assert!(saved.free_bytes.is_some_and(|free| free > 0) && saved.file_bytes > 8192 && saved.at_us > NOW_US);
    // While it is being recorded another reader sees what is saved.
    assert_eq!(JobFile::open_read_only(&path).unwrap().readings(run, 0, 100).unwrap().len(), 10);
    drop(writer);
    drop(job);
    let runs = JobFile::open(&path).unwrap().contents().unwrap().runs;
    assert_eq!((runs[0].state, runs[0].readings), (RunState::Interrupted, 10));
}

#[test]
fn rows_once_saved_can_be_neither_changed_nor_removed() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    writer.answer(Answer { item: "tether".into(), value: AnswerValue::Confirmed(false), note: String::new(), by: signed() }).unwrap();
    let run = writer.start_run(start()).unwrap();
    writer.append_blocking(run, shot(0)).unwrap();
    writer.close_run(run, CloseReason::Operator, 0).unwrap();
    job.close().unwrap();
    let raw = rusqlite::Connection::open(&path).unwrap();
    for statement in [
        "UPDATE reading SET thickness_nm = 9000000",
        "DELETE FROM reading",
        "UPDATE waveform_block SET codec = 0",
        "DELETE FROM waveform_block",
        "UPDATE answer SET value_json = '{\"confirmed\":true}'",
        "DELETE FROM run_end",
        "UPDATE job SET plan_toml = ''",
    ] {
        let refused = raw.execute(statement, []).unwrap_err().to_string();
        assert!(refused.contains("once saved is never"), "{statement}: {refused}");
    }
}
