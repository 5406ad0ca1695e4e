//! A run that goes on with another set-up: with the zero its echoes show, or echo to echo. Through the console with a device on TCP and a
//! real job file, and what the file's own check then says.

use crate::common::*;
use crate::console::fixture::*;
use crate::console::job::options;
use crate::console_waits::ConsoleBackend as Desk;
use backwall::console::state::{App, Effect, Event};
use backwall::console::update::update;
use backwall::console::{ConsoleEnd, ConsoleOptions, Step};
use backwall::live::{Begin, Disagreement, RunCommand};
use backwall::session::{ConsoleBackend, LineStream, Session};
use backwall_simulate::{Crawler, StreamEnd, VirtualWall};
use backwall_store::{EventKind, JobFile, RunSummary};
use backwall_stream::packet::{encode_header, encode_shot, encode_status};
use backwall_stream::spec::Pace;
use backwall_survey::job::validity::Validity;
use backwall_survey::reading::{Header, Reading, Zero};
use backwall_survey::travel::Direction;
use backwall_ultrasound::{Flag, Mode, ZeroKeeping};
use backwall_units::{Decibel, Length, Time};
use ratatui::crossterm::event::KeyCode;
use std::io::Write;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::mpsc;

/// The wall that is driven over, mm.
const WALL: f64 = 9.2;
/// By how much the tyre's delay has grown since the blocks, ns.
const LATE: f64 = 200.0;
/// Shots before and after the key.
const HALF: u32 = 120;

/// The stream of a probe whose delay has grown, in two halves, a shot every 0.9 mm.
fn halves(wall: &VirtualWall) -> [Vec<u8>; 2] {
    let mut late = wall.clone();
    late.probe.delay = wall.probe.delay + Time::ns(LATE);
    let mut crawler = Crawler::on_block(&late, Length::mm(WALL), StreamEnd::Never).unwrap();
    let mut halves = [Vec::new(), Vec::new()];
    let header = Header { base: crawler.base(), samples: 512, device_id: 118, device_name: "simulated".into() };
    encode_header(&header, &mut halves[0]);
    encode_status(0, None, Some(wall.steel.temperature), &mut halves[0]);
    for seq in 0..2 * HALF {
        let samples = crawler.waveform(Length::mm(WALL), Length::ZERO, Decibel::ZERO);
        encode_shot(seq, u64::from(seq) * 20_000, seq as i32 * 36, Decibel::db(42.0), &samples, &mut halves[(seq / HALF) as usize]);
    }
    halves
}

/// A signed and calibrated job whose plan keeps the zero fixed.
fn fixed_job(folder: &Path) -> PathBuf {
    let plan = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap().replace("[setup]\n", "[setup]\nzero = \"fixed\"\n");
    let (written, job) = (folder.join("plan.toml"), folder.join("fixed.job"));
    std::fs::write(&written, plan).unwrap();
    must(&["new", job.to_str().unwrap(), "--from", written.to_str().unwrap()]);
    must(&["checklist", job.to_str().unwrap(), "--headless", "--answers", "demo-stream/answers.toml", "--sign", operator().as_str()]);
    calibrate(&job);
    job
}

/// Scans half the stream, presses a key and takes what it asks, scans the rest.
fn scanned(folder: &Path, key: char, when: &str, asks: &str) -> PathBuf {
    let job = fixed_job(folder);
    let [first, second] = halves(&demo_wall());
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let (go_on, wait) = mpsc::channel::<()>();
    let device = std::thread::spawn(move || {
        let (mut link, _) = listener.accept().unwrap();
        link.write_all(&first).unwrap();
        wait.recv().unwrap();
        link.write_all(&second).unwrap();
        // Held open until the run has ended.
        wait.recv().ok();
    });
    let stream = LineStream { spec: format!("tcp:{address}").parse().unwrap(), pace: Pace::Device };
    let session = Session::open(&job, None).unwrap().with_stream(Some(stream), "open-packet", None).unwrap();
    let backend = ConsoleBackend { session, earlier: None, unprepared: None };
    let desk = Desk::open_as(backend, ConsoleOptions { begin: Some(Begin::on("C1")), ..options(Step::Scan, None) });
    desk.wait_for(when);
    desk.press(KeyCode::Char(key), asks);
    // n leaves all as it was; asked again, y takes it.
    desk.press(KeyCode::Char('n'), "a ack");
    desk.press(KeyCode::Char(key), asks);
    desk.press(KeyCode::Char('y'), "set-up 2 from here on");
    go_on.send(()).unwrap();
    // The last shot: 239 times 0.9 mm.
    desk.wait_for("0.215 m");
    desk.press(KeyCode::Char('e'), "End this run?");
    desk.press(KeyCode::Char('y'), "has ended");
    desk.keys.blocking_send(ratatui::crossterm::event::Event::Key(KeyCode::Char('q').into())).unwrap();
    assert_eq!(desk.ended.recv_timeout(std::time::Duration::from_secs(20)).unwrap().unwrap(), ConsoleEnd::Quit);
    drop(go_on);
    device.join().unwrap();
    job
}

/// The run, its readings before the change and after it; the file's own check has nothing to say.
fn whole(job: &Path) -> (RunSummary, Vec<Reading>, Vec<Reading>) {
    let said = must(&["verify", job.to_str().unwrap()]);
    assert!(said.contains(&format!("{} readings made again", 2 * HALF)) || said.contains(&(2 * HALF).to_string()), "{said}");
    let reader = JobFile::open_read_only(job).unwrap();
    assert_eq!(reader.verify().unwrap().problems, []);
    let run = reader.run(1).unwrap();
    let mut before = reader.readings(1, 0, 1000).unwrap();
    assert_eq!((before.len() as u32, run.changes.len(), run.changes[0].from_row), (2 * HALF, 1, u64::from(HALF)));
    let after = before.split_off(HALF as usize);
    (run, before, after)
}

fn mean(readings: &[Reading]) -> f64 {
    let read: Vec<f64> = readings.iter().filter_map(|reading| reading.measurement.thickness).map(Length::as_mm).collect();
    assert!(read.len() * 10 > readings.len() * 9, "{} of {}", read.len(), readings.len());
    read.iter().sum::<f64>() / read.len() as f64
}

// Arithmetic: 200 ns at 5920 m/s there and back are 0.592 mm.
#[test]
fn z_takes_the_zero_and_every_reading_can_be_made_again() {
    let folder = tempfile::tempdir().unwrap();
    let job = scanned(folder.path(), 'z', "zero +20", "Take the zero +");
    let (run, before, after) = whole(&job);
    let off = mean(&before[20..]) - WALL;
    assert!((off - 0.592).abs() < 0.06, "{off}");
    assert!((mean(&after) - WALL).abs() < 0.05, "{}", mean(&after));
    assert!(before[30..].iter().all(|reading| reading.measurement.flags.has(Flag::ZeroMoved)));
    assert!(after.iter().all(|reading| !reading.measurement.flags.has(Flag::ZeroMoved)));
    // U is no better than before: the taken zero has one of its own.
    let u = |reading: &Reading| reading.measurement.uncertainty.unwrap().as_mm();
    assert!(u(&after[50]) >= u(&before[50]) - 0.002, "{} {}", u(&after[50]), u(&before[50]));

    let reader = JobFile::open_read_only(&job).unwrap();
    let contents = reader.contents().unwrap();
    let taken = contents.setups.last().unwrap();
    assert_eq!((taken.id, taken.by.name.as_str(), run.changes[0].setup_id), (2, operator().as_str(), 2));
    assert!(
        taken.origin.to_string().starts_with("zero taken in run 1 on C1 at 107.1 mm: +20") && taken.origin.to_string().contains("U k=2"),
        "{}",
        taken.origin
    );
    let moved = (taken.setup.zero - contents.setups[0].setup.zero).as_ns();
    assert!((moved - LATE).abs() < 8.0, "{moved}");
    let told: Vec<_> = reader.events(1).unwrap().into_iter().filter(|event| event.kind == EventKind::Setup).collect();
    assert_eq!((told.len(), told[0].seq), (1, Some(HALF - 1)));
    assert!(told[0].text.to_string().contains(&taken.origin.to_string()), "{}", told[0].text);
    // Neither part was verified before and after; what is in force was never verified.
    assert!(matches!(contents.validity(&run), Validity::Pending(_)), "{:?}", contents.validity(&run));
    assert!(matches!(contents.standing(), Validity::Pending(_)));

    let report = folder.path().join("report.html");
    must(&["report", job.to_str().unwrap(), "--template", "complete", "--out", report.to_str().unwrap()]);
    let report = std::fs::read_to_string(&report).unwrap();
    assert!(report.contains("from reading 121 on no. 2: zero taken in run 1"), "the report says from where on");
    drop(reader);

    // Each row of the export names its set-up; an evaluation takes neither of the two unasked.
    let (of, out) = (job.to_str().unwrap(), folder.path().join("readings.csv"));
    let setups = |options: &[&str]| -> Vec<(String, usize)> {
        must(&[&["export", of, "--format", "csv", "--out", out.to_str().unwrap()][..], options].concat());
        let rows: Vec<std::collections::HashMap<String, String>> =
            csv::Reader::from_path(&out).unwrap().deserialize().map(Result::unwrap).collect();
        rows.chunk_by(|a, b| a["setup"] == b["setup"]).map(|rows| (rows[0]["setup"].clone(), rows.len())).collect()
    };
    let half = HALF as usize;
    assert_eq!(setups(&[]), [("1".to_owned(), half), ("2".to_owned(), half)]);
    let refused = crate::common::run(&["reevaluate", of, "--run", "1", "--threshold", "15"]);
    let said = String::from_utf8_lossy(&refused.stderr);
    assert!(!refused.status.success(), "{said}");
    for words in ["set-up 1", "set-up 2 from reading 121 on", "--setup NUMBER"] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let made = must(&["reevaluate", of, "--run", "1", "--setup", "2"]);
    assert!(made.contains("set-up 2: from reading 1 on zero") && made.contains("; from reading 121 on nothing"), "{made}");
    let evaluated = JobFile::open_read_only(&job).unwrap().evaluated(1, 0, 1000).unwrap();
    assert!((mean(&evaluated[20..half]) - WALL).abs() < 0.05, "the whole run by the zero that was taken");
    assert_eq!(setups(&["--evaluation", "1"]), [("2".to_owned(), 2 * half)]);

    // Moved by one row, the change no longer gives what is stored.
    let connection = rusqlite::Connection::open(&job).unwrap();
    connection.execute_batch("DROP TRIGGER setup_change_no_update; UPDATE setup_change SET from_row = from_row + 1").unwrap();
    drop(connection);
    let problems = JobFile::open_read_only(&job).unwrap().verify().unwrap().problems;
    let said = |words: &str| problems.iter().any(|problem| problem.what.contains(words));
    assert!(said("reading 120 (seq 120): does not follow from its waveform") && said("is not what was saved"), "{problems:?}");
}

#[test]
fn e_reads_echo_to_echo_from_there_on_and_every_reading_can_be_made_again() {
    let folder = tempfile::tempdir().unwrap();
    let job = scanned(folder.path(), 'E', "echo to echo 9.", "Read echo to echo from here on (9.");
    let (run, before, after) = whole(&job);
    assert!((mean(&before[20..]) - WALL - 0.592).abs() < 0.06 && (mean(&after) - WALL).abs() < 0.05);
    assert_eq!((run.start.setup.mode, run.last_setup().mode), (Mode::FirstEcho, Mode::EchoToEcho));
    let reader = JobFile::open_read_only(&job).unwrap();
    let entered = reader.contents().unwrap().setups.pop().unwrap();
    assert!(entered.origin.to_string().starts_with("echo to echo in run 1 on C1 at 107.1 mm: first echo 9."), "{}", entered.origin);
    let told = reader.events(1).unwrap();
    let first = told.iter().find(|event| event.text.to_string().contains("they differ by more than U")).unwrap();
    assert!(first.kind == EventKind::Alarm && first.text.to_string().starts_with("first echo 9."), "{first:?}");
}

/// A run whose blocks and zero are known.
fn watched(keeping: ZeroKeeping, zero: Option<Zero>) -> App {
    let mut app = scanning(Direction::Up);
    update(&mut app, letter('A'));
    let calibrated = ready().setups[0].setup.clone();
    change(&mut app, |view| {
        view.setup = std::sync::Arc::new(backwall_ultrasound::Setup { zero_keeping: keeping, ..calibrated });
        view.zero = zero.map(|zero| (zero, Length::mm(zero.late.as_ns() * 0.00296)));
    });
    app
}

fn zero(late: f64, uncertainty: f64, moving: f64, shots: u32) -> Zero {
    let ns = Time::ns;
    Zero { late: ns(late), uncertainty: ns(uncertainty), moving: ns(moving), scatter: ns(8.0), shots, tyre: None }
}

#[test]
fn z_says_why_there_is_no_zero_to_take() {
    let cases = [
        (ZeroKeeping::Tracked, Some(zero(240.0, 2.0, 1.0, 85)), "the zero is tracked already: every reading follows it (now +240 ns)"),
        (ZeroKeeping::Fixed, None, "no estimate of the zero yet"),
        (ZeroKeeping::Fixed, Some(zero(240.0, 4.0, 1.0, 9)), "17 shots must agree"),
        (ZeroKeeping::Fixed, Some(zero(240.0, 4.0, 30.0, 17)), "the zero is still moving, by 30 ns over the last shots"),
        (ZeroKeeping::Fixed, Some(zero(240.0, 12.0, 1.0, 85)), "U must be under 0.05 mm"),
        (ZeroKeeping::Fixed, Some(zero(3.0, 2.0, 1.0, 85)), "the zero has not moved: +3 ns ±4 (0.01 mm ±0.01 mm), from 85 shots"),
    ];
    for (keeping, zero, why) in cases {
        let mut app = watched(keeping, zero);
        assert_eq!(update(&mut app, letter('z')), []);
        let said = app.message.as_ref().map(|message| message.text.clone()).unwrap_or_default();
        assert!(said.contains(why) && app.change.is_none(), "{why}: {said}");
    }
    let mut typed = scanning(Direction::Up);
    update(&mut typed, letter('z'));
    // An alarm that stands does not cover the answer.
    let shown = text(&typed, 80, 24);
    assert!(shown.contains("[a] acknowledge") && shown.contains("no calibration: there are no blocks"), "{shown}");
    assert!(typed.message.unwrap().text.contains("no calibration"));
}

#[test]
fn it_is_asked_once_and_only_enter_takes_it() {
    let mut app = watched(ZeroKeeping::Fixed, Some(zero(240.0, 2.0, 1.0, 85)));
    update(&mut app, letter('z'));
    for (width, height) in [(80, 24), (190, 50)] {
        insta::with_settings!({ snapshot_path => "snapshots" }, {
            insta::assert_snapshot!(format!("take_zero_{width}x{height}"), text(&app, width, height));
        });
    }
    assert_eq!(update(&mut app, key(KeyCode::Enter)), [], "an Enter meant for something else");
    for c in "zea1Eq".chars() {
        assert_eq!(update(&mut app, letter(c)), [], "{c}");
    }
    assert!(app.change.is_some());
    update(&mut app, key(KeyCode::Esc));
    assert_eq!(update(&mut app, key(KeyCode::Enter)), []);
    update(&mut app, letter('z'));
    let effects = update(&mut app, letter('y'));
    let [Effect::Change { run, setup, origin, by }, Effect::Reload] = &effects[..] else { panic!("{effects:?}") };
    let zero = ready().setups[0].setup.zero;
    assert!(((setup.zero - zero).as_ns() - 240.0).abs() < 1e-3 && setup.calibration.as_ref().unwrap().zero == setup.zero);
    assert!(origin.to_string().contains("+240 ns ±4 (0.71 mm ±0.01 mm), from 85 shots") && by.name == "R. Aldane", "{origin}");
    // Entered after the run has ended it counts from the next run on, and is said so.
    let changed = backwall::live::Changed { run: *run, setup: setup.clone(), setup_id: 7, origin: origin.clone() };
    assert_eq!(update(&mut app, Event::ToChange(changed.clone())), [Effect::Command(RunCommand::Change(changed.clone()))]);
    change(&mut app, |view| view.phase = backwall::live::Phase::Failed("cut off".into()));
    assert_eq!(update(&mut app, Event::ToChange(changed)), []);
    assert!(app.message.unwrap().text.contains("set-up 7 counts from the next run on"));
}

#[test]
fn a_disagreement_stands_on_the_scan_screen_with_its_key() {
    let mut app = watched(ZeroKeeping::Fixed, Some(zero(240.0, 2.0, 1.0, 85)));
    update(&mut app, letter('E'));
    assert!(app.message.as_ref().unwrap().text.contains("do not disagree") && app.change.is_none());
    change(&mut app, |view| {
        view.disagreement = Some(Disagreement { first_echo: Length::mm(6.69), echo_to_echo: Length::mm(6.0) });
    });
    app.message = None;
    for (width, height) in [(80, 24), (190, 50)] {
        let shown = text(&app, width, height);
        assert!(shown.contains("first echo 6.69, echo to echo 6.00: E"), "{shown}");
        insta::with_settings!({ snapshot_path => "snapshots" }, {
            insta::assert_snapshot!(format!("disagreement_{width}x{height}"), shown);
        });
    }
    update(&mut app, letter('E'));
    let shown = text(&app, 80, 24);
    assert!(shown.contains("Read echo to echo from here on (6.00, first echo 6.69)?  y yes   n no"), "{shown}");
    // Two digits more, and inches, still leave room for the numbers and the key.
    update(&mut app, key(KeyCode::Esc));
    change(&mut app, |view| {
        view.disagreement = Some(Disagreement { first_echo: Length::mm(16.69), echo_to_echo: Length::mm(16.0) });
    });
    assert!(text(&app, 80, 24).contains("first 16.69, echo to echo 16.00: E"), "{}", text(&app, 80, 24));
    app.look.unit = backwall_units::LengthUnit::Inch;
    assert!(text(&app, 80, 24).contains("first 0.657, echo to echo 0.630: E"), "{}", text(&app, 80, 24));
}
