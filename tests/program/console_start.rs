//! How a run is begun: asked once, on the line the operator has just read, from where the crawler stands; through keys, options and the
//! job file.

use crate::common::*;
use crate::console::fixture::*;
use crate::console::job::options;
use crate::console_waits::ConsoleBackend as Desk;
use backwall::console::keys::KeyMode;
use backwall::console::state::{App, Effect, Event};
use backwall::console::update::update;
use backwall::console::{ConsoleEnd, ConsoleOptions, Step};
use backwall::live::{Begin, Phase, RunCommand};
use backwall::session::{ConsoleBackend, LineStream, Session};
use backwall_simulate::{Crawler, StreamEnd};
use backwall_store::{EventKind, JobFile, PlaceSet, RunState};
use backwall_stream::packet::{encode_header, encode_shot};
use backwall_stream::spec::Pace;
use backwall_survey::reading::Header;
use backwall_survey::travel::Direction;
use backwall_units::{Decibel, Length};
use ratatui::crossterm::event::{Event as TerminalEvent, KeyCode, KeyEvent};
use std::io::Write;
use std::net::TcpListener;
use std::path::Path;
use std::sync::mpsc;
use std::time::Duration;

fn enter(app: &mut App) -> Vec<Effect> {
    update(app, key(KeyCode::Enter))
}

fn chosen(app: &App) -> &str {
    &app.contents.plan.lines[app.line].name
}

#[test]
fn the_panel_says_where_and_which_way_and_esc_starts_nothing() {
    let mut app = app(Step::Scan, ready());
    update(&mut app, key(KeyCode::Home));
    update(&mut app, key(KeyCode::Up));
    assert!(update(&mut app, letter('s')).is_empty());
    let screen = text(&app, 80, 24);
    for words in [
        "Start this run?",
        "A090: from 0.000 m, where the line starts",
        "way: up, to 7.200 m",
        "crawler at its mark? The first shot is taken to be at 0.000 m",
        "calibration ",
        "no override",
        "A090 was scanned already: runs 1, 2",
        "Enter start  Esc do not start",
    ] {
        assert!(screen.contains(words), "{words}\n{screen}");
    }
    assert!(update(&mut app, key(KeyCode::Esc)).is_empty());
    assert_eq!((app.mode(), app.prompt.is_none(), chosen(&app)), (KeyMode::Ready, true, "A090"));
}

#[test]
fn line_and_start_offset_are_changed_in_the_panel_itself() {
    let mut app = app(Step::Scan, ready());
    app.line = 0;
    update(&mut app, letter('s'));
    type_in(&mut app, "1,2 m");
    assert!(text(&app, 80, 24).contains("A090: from 1.200 m, 1.200 m from the line's start"), "{}", text(&app, 80, 24));
    update(&mut app, key(KeyCode::Up));
    update(&mut app, key(KeyCode::Right));
    let screen = text(&app, 80, 24);
    assert!(screen.contains("C2: from 1.200 m") && screen.contains("way: across, to 56.000 m"), "{screen}");
    assert_eq!(chosen(&app), "A090", "until it is started");
    // Enter starts from either field.
    assert_eq!(enter(&mut app), [Effect::StartScan(Begin { offset: Length::mm(1200.0), ..Begin::on("C2") })]);
    assert_eq!(chosen(&app), "C2");
}

#[test]
fn an_offset_off_the_line_or_no_length_is_refused_under_its_field() {
    for (typed, why) in
        [("7,3 m", "the line is 7200 mm long: 7300.0 mm from its start is not on it"), ("1,200", "two ways"), ("seam", "is not a length")]
    {
        let mut app = app(Step::Scan, ready());
        app.line = 0;
        update(&mut app, letter('s'));
        type_in(&mut app, typed);
        assert!(enter(&mut app).is_empty());
        let error = app.prompt.as_ref().unwrap().form.fields[1].error.clone().unwrap();
        assert!(error.contains(why), "{typed}: {error}");
        assert!(text(&app, 80, 24).contains(why), "{}", text(&app, 80, 24));
    }
}

#[test]
fn no_event_moves_the_cursor_to_another_line() {
    let mut app = scanning(Direction::Up);
    change(&mut app, |view| view.phase = Phase::Ended(Box::new(summary(3, "A090", RunState::Closed))));
    for key_code in [KeyCode::Tab, KeyCode::BackTab] {
        update(&mut app, key(key_code));
    }
    assert_eq!((app.mode(), chosen(&app)), (KeyMode::Ready, "A090"));
    // A revision of the plan lists its lines the other way round.
    let mut job = app.contents.clone();
    job.plan.lines.reverse();
    update(&mut app, Event::Contents(Box::new(job)));
    assert_eq!((app.line, chosen(&app)), (1, "A090"));
}

/// Runs and demands a refusal; gives what it said.
fn refused(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert!(!output.status.success(), "{arguments:?} did not fail");
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A run of the demo's line down from 2 m, begun with these options.
fn down_from(folder: &Path, options: &[&str]) -> std::path::PathBuf {
    let job = signed_job(folder);
    let path = job.to_str().unwrap().to_owned();
    must(&[&["scan", &path, "--headless", "--stream", "file:demo-stream/A120.shots", "--pace", "max"], options].concat());
    job
}

// Arithmetic: down from 2000 mm with an offset of 800 mm is at 1200 mm.
#[test]
fn a_run_begun_with_an_offset_says_so_and_can_be_made_again() {
    let folder = tempfile::tempdir().unwrap();
    let job = down_from(folder.path(), &["--line", "A120", "--from", "0,8 m"]);
    let reader = JobFile::open_read_only(&job).unwrap();
    let run = reader.run(1).unwrap();
    assert_eq!((run.start.path.offset, run.start.path.start), (Length::mm(800.0), Length::mm(1200.0)));
    assert_eq!(reader.readings(1, 0, 1).unwrap()[0].place.along, Some(Length::mm(1200.0)));
    let first = reader.events(1).unwrap().into_iter().find(|event| event.text.to_string().starts_with("first shot")).unwrap();
    assert!(
        first.kind == EventKind::Link && first.text.to_string().contains("taken to be at 1200.0 mm, 800.0 mm from where the line starts"),
        "{first:?}"
    );
    // The line ends at 0 mm, and a crawler may stand 200 mm beyond: what the stream of 2 m drives further is not believed.
    let readings = reader.readings(1, 0, usize::MAX >> 1).unwrap();
    let least = readings.iter().filter_map(|reading| reading.place.along).map(Length::as_mm).fold(f64::MAX, f64::min);
    assert!((-200.0..-190.0).contains(&least), "{least}");
    assert_eq!(reader.verify().unwrap().problems, []);
    let listed = must(&["review", job.to_str().unwrap(), "--headless"]);
    assert!(listed.contains("on A120 from 1.200 m, 0.800 m from its start"), "{listed}");
    let listed = &events(&must(&["review", job.to_str().unwrap(), "--headless", "--json"]))[0];
    assert_eq!((listed["start_mm"].as_f64(), listed["offset_mm"].as_f64()), (Some(1200.0), Some(800.0)));
}

#[test]
fn a_start_off_the_line_is_refused_and_nothing_is_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    for from in ["2.5m", "-1"] {
        let options = ["--headless", "--line", "A120", "--stream", "file:demo-stream/A120.shots", "--from", from];
        let said = refused(&[&["scan", job.to_str().unwrap()], &options[..]].concat());
        assert!(said.contains("the line is 2000 mm long"), "{said}");
    }
    assert!(JobFile::open_read_only(&job).unwrap().contents().unwrap().runs.is_empty());
}

/// A job with a run on A120 whose stream broke off after a part of it.
pub fn broken_off(folder: &Path) -> std::path::PathBuf {
    let job = signed_job(folder);
    let stream = std::fs::read(root().join("demo-stream/A120.shots")).unwrap();
    let part = folder.join("part.shots");
    std::fs::write(&part, &stream[..stream.len() / 3]).unwrap();
    let stream = format!("file:{}", part.display());
    must(&["scan", job.to_str().unwrap(), "--headless", "--line", "A120", "--stream", &stream, "--pace", "max"]);
    job
}

#[test]
fn a_run_goes_on_from_the_last_saved_place_of_one_that_broke_off() {
    let folder = tempfile::tempdir().unwrap();
    let job = broken_off(folder.path());
    let last = JobFile::open_read_only(&job).unwrap().last_place(1).unwrap().unwrap();
    let options = ["--continue", "1", "--stream", "file:demo-stream/A120.shots", "--pace", "max", "--headless", "--json"];
    let said = events(&must(&[&["scan", job.to_str().unwrap()], &options[..]].concat()));
    let opened = of_kind(&said, "opened")[0];
    assert_eq!((opened["line"].as_str(), opened["continues"].as_i64()), (Some("A120"), Some(1)));
    let reader = JobFile::open_read_only(&job).unwrap();
    let contents = reader.contents().unwrap();
    let path = &reader.run(2).unwrap().start.path;
    assert_eq!((path.start, path.offset), (last, Length::mm(2000.0) - last));
    assert_eq!(reader.readings(2, 0, 1).unwrap()[0].place.along, Some(last));
    assert_eq!(contents.force.runs[&2].joined_to, Some(1));
    let statement = &contents.statements[0];
    assert_eq!(statement.said.to_string(), "run 2 goes on where run 1 ended");
    assert_eq!((statement.by.name.as_str(), contents.statements.len()), (operator().as_str(), 1));
    assert_eq!(statement.reason, "goes on from its last saved place");
    assert_eq!(reader.verify().unwrap().problems, []);
    let again = ["amend", job.to_str().unwrap(), "--run", "2", "--join", "1", "--reason", "once more", "--by", &operator()];
    let said = refused(&again);
    assert!(said.contains("run 2 goes on from run 1 already"), "{said}");
    // Who scans may say why; without a reason nothing is begun.
    let go_on = |reason| ["--continue", "1", "--operator", "B. Other", "--reason", reason, "--stream", "file:demo-stream/A120.shots"];
    let go_on = |reason| [&["scan", job.to_str().unwrap(), "--pace", "max", "--headless"], &go_on(reason)[..]].concat();
    let said = refused(&go_on(" "));
    assert!(said.contains("needs a name and a reason"), "{said}");
    must(&go_on("battery changed"));
    let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
    let statement = contents.statements.last().unwrap();
    assert_eq!((contents.runs.len(), statement.said.to_string().as_str()), (3, "run 3 goes on where run 1 ended"));
    assert_eq!((statement.by.name.as_str(), statement.reason.as_str()), ("B. Other", "battery changed"));
}

#[test]
fn no_run_goes_on_from_one_that_is_not_there_or_does_not_count() {
    let folder = tempfile::tempdir().unwrap();
    let job = broken_off(folder.path());
    let path = job.to_str().unwrap();
    let go_on = |run: &str| refused(&["scan", path, "--headless", "--stream", "file:demo-stream/A120.shots", "--continue", run]);
    assert!(go_on("7").contains("there is no run 7 to go on from"), "{}", go_on("7"));
    must(&["amend", path, "--run", "1", "--void", "--reason", "wrong line", "--by", &operator()]);
    assert!(go_on("1").contains("run 1 does not count"), "{}", go_on("1"));
    assert_eq!(JobFile::open_read_only(&job).unwrap().recorded_runs().unwrap().len(), 1);
}

#[test]
fn the_place_is_set_at_the_nearest_seam_or_typed_and_only_on_the_line() {
    // The crawler is at 4349.8 mm; the seams are at 2400 and 4800.
    let mut app = scanning(Direction::Up);
    assert!(update(&mut app, letter('p')).is_empty());
    let screen = text(&app, 80, 24);
    assert!(screen.contains("Where is the crawler? Place now 4.350 m by the encoder") && screen.contains("< 4.800 m >"), "{screen}");
    let set = |mm| [Effect::Command(RunCommand::SetPlace { along: Length::mm(mm), across: None })];
    // 450 mm away is not what an encoder loses: said once, and set by a second Enter.
    assert!(enter(&mut app).is_empty());
    assert!(text(&app, 80, 24).contains("4.800 m is +450 mm from the encoder's place. Enter again sets it"), "{}", text(&app, 80, 24));
    assert_eq!(enter(&mut app), set(4800.0));
    assert!(app.message.as_ref().unwrap().text.contains("place 4.800 m from the next shot on, was 4.350 m"));
    update(&mut app, letter('p'));
    enter(&mut app);
    // Another one is asked about anew.
    update(&mut app, key(KeyCode::Right));
    assert!(enter(&mut app).is_empty());
    assert_eq!(enter(&mut app), set(2400.0));
    update(&mut app, letter('p'));
    update(&mut app, key(KeyCode::Down));
    type_in(&mut app, "7,3 m");
    assert!(enter(&mut app).is_empty());
    let error = app.prompt.as_ref().unwrap().form.fields[1].error.clone().unwrap();
    assert!(error.contains("7.300 m is not on the line: 0.000 to 7.200 m"), "{error}");
    for _ in 0..5 {
        update(&mut app, key(KeyCode::Backspace));
    }
    type_in(&mut app, "4,36 m");
    assert_eq!(enter(&mut app), set(4360.0));
    // Esc sets nothing; without an encoder there is nothing to set.
    update(&mut app, letter('p'));
    assert!(update(&mut app, key(KeyCode::Esc)).is_empty() && app.mode() == KeyMode::Scanning);
    change(&mut app, |view| view.reading.as_mut().unwrap().encoder = None);
    update(&mut app, letter('p'));
    assert!(app.prompt.is_none() && app.message.as_ref().unwrap().text.contains("no encoder counts"));
}

/// A device on TCP that sends shots of 9.2 mm, the second half when told; 0.9 mm a shot.
fn device(first: u32, all: u32) -> (std::net::SocketAddr, mpsc::Sender<()>, std::thread::JoinHandle<()>) {
    let wall = demo_wall();
    let mut crawler = Crawler::on_block(&wall, Length::mm(9.2), StreamEnd::Never).unwrap();
    let mut halves = [Vec::new(), Vec::new()];
    let header = Header { base: crawler.base(), samples: 512, device_id: 118, device_name: "simulated".into() };
    encode_header(&header, &mut halves[0]);
    for seq in 0..all {
        let samples = crawler.waveform(Length::mm(9.2), Length::ZERO, Decibel::ZERO);
        encode_shot(seq, u64::from(seq) * 20_000, seq as i32 * 36, Decibel::db(42.0), &samples, &mut halves[usize::from(seq >= first)]);
    }
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let (go_on, wait) = mpsc::channel::<()>();
    let device = std::thread::spawn(move || {
        let (mut link, _) = listener.accept().unwrap();
        link.write_all(&halves[0]).unwrap();
        wait.recv().unwrap();
        link.write_all(&halves[1]).unwrap();
        // Held open until the run has ended.
        wait.recv().ok();
    });
    (address, go_on, device)
}

// Arithmetic: shot 119 is at 107.1 mm; set to 150 mm, shot 120 is there and shot 239 at 257.1 mm.
#[test]
fn from_a_place_that_was_set_on_every_reading_can_be_made_again() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let (address, go_on, device) = device(120, 240);
    let stream = LineStream { spec: format!("tcp:{address}").parse().unwrap(), pace: Pace::Device };
    let session = Session::open(&job, None).unwrap().with_stream(Some(stream), "open-packet", None).unwrap();
    let backend = ConsoleBackend { session, earlier: None, unprepared: None };
    let desk = Desk::open_as(backend, ConsoleOptions { begin: Some(Begin::on("C1")), ..options(Step::Scan, None) });
    desk.wait_for("0.107 m");
    desk.press(KeyCode::Char('p'), "place (now 0.107 m by the encoder)");
    for c in "0,15".chars() {
        desk.keys.blocking_send(TerminalEvent::Key(KeyEvent::from(KeyCode::Char(c)))).unwrap();
    }
    desk.press(KeyCode::Char('m'), "0,15m");
    desk.press(KeyCode::Enter, "place 0.150 m from the next shot on");
    go_on.send(()).unwrap();
    desk.wait_for("0.257 m");
    desk.press(KeyCode::Char('e'), "End this run?");
    desk.press(KeyCode::Char('y'), "has ended");
    desk.keys.blocking_send(TerminalEvent::Key(KeyEvent::from(KeyCode::Char('q')))).unwrap();
    assert_eq!(desk.ended.recv_timeout(Duration::from_secs(20)).unwrap().unwrap(), ConsoleEnd::Quit);
    drop(go_on);
    device.join().unwrap();

    let reader = JobFile::open_read_only(&job).unwrap();
    let places: Vec<f64> = reader.readings(1, 0, 1000).unwrap().iter().map(|reading| reading.place.along.unwrap().as_mm()).collect();
    assert_eq!((places.len(), places[119], places[120], places[239]), (240, 107.1, 150.0, 257.1));
    assert_eq!(reader.run(1).unwrap().placed, [PlaceSet { from_row: 120, along: Length::mm(150.0), across: None }]);
    let said: Vec<_> = reader.events(1).unwrap().into_iter().filter(|event| event.kind == EventKind::Place).collect();
    assert_eq!(said.len(), 1);
    assert!(
        said[0].text.to_string().contains("107.1 mm by the encoder is taken to be at 150.0 mm")
            && said[0].text.to_string().contains("(+42.9 mm)"),
        "{said:?}"
    );
    assert_eq!(reader.verify().unwrap().problems, []);
    drop(reader);
    must(&["verify", job.to_str().unwrap()]);
    // Evaluated again, places are as the run has them.
    must(&["reevaluate", job.to_str().unwrap(), "--run", "1", "--mode", "echo-to-echo", "--operator", &operator()]);
    assert_eq!(JobFile::open_read_only(&job).unwrap().verify().unwrap().problems, []);
    // Another place in the file is found.
    let connection = rusqlite::Connection::open(&job).unwrap();
    connection.execute_batch("DROP TRIGGER place_set_no_update; UPDATE place_set SET along_um = along_um + 1000").unwrap();
    drop(connection);
    let problems = JobFile::open_read_only(&job).unwrap().verify().unwrap().problems;
    assert!(problems.iter().any(|problem| problem.what.contains("place")), "{problems:?}");
}

#[test]
fn what_is_acknowledged_after_the_end_is_kept_and_counted_everywhere() {
    use backwall::console::Backend;
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    must(&["scan", job.to_str().unwrap(), "--headless", "--line", "A120", "--stream", "file:demo-stream/A120.shots", "--pace", "max"]);
    let session = Session::open(&job, None).unwrap();
    let by = session.signed();
    let mut backend = ConsoleBackend { session, earlier: None, unprepared: None };
    let spots = || JobFile::open_read_only(&job).unwrap().spots(1).unwrap();
    let first = spots()[0].clone();
    assert!(!first.acknowledged);
    backend.acknowledge(1, first.least_seq, by).unwrap();
    backend.close().unwrap();
    let acknowledged: Vec<bool> = spots().iter().map(|spot| spot.acknowledged).collect();
    assert_eq!(acknowledged.iter().filter(|is| **is).count(), 1);
    assert!(acknowledged[0]);
    assert_eq!(JobFile::open_read_only(&job).unwrap().verify().unwrap().problems, []);
    // And taken back like any other statement.
    must(&["amend", job.to_str().unwrap(), "--withdraw", "1", "--reason", "the wrong spot", "--by", &operator()]);
    assert!(!spots()[0].acknowledged);
}
