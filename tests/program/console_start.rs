//! How a run is begun: asked once, on the line the operator has just read, from where the crawler stands; through keys, options and the
//! job file.

use crate::common::*;
use crate::console::fixture::*;
use backwall::console::Step;
use backwall::console::keys::Mode;
use backwall::console::state::{App, Effect, Event};
use backwall::console::update::update;
use backwall::live::{Begin, Phase};
use backwall_store::{EventKind, JobFile, RunState};
use backwall_survey::travel::Direction;
use backwall_units::Length;
use ratatui::crossterm::event::KeyCode;
use std::path::Path;

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
        "A090 was scanned already: run 1, 2",
        "Enter starts, Esc does not",
    ] {
        assert!(screen.contains(words), "{words}\n{screen}");
    }
    assert!(update(&mut app, key(KeyCode::Esc)).is_empty());
    assert_eq!((app.mode(), app.prompt.is_none(), chosen(&app)), (Mode::Ready, true, "A090"));
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
        [("7,3 m", "the line is 7200 mm long: no run starts 7300.0 mm from its start"), ("1,200", "two ways"), ("seam", "is not a length")]
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
    assert_eq!((app.mode(), chosen(&app)), (Mode::Ready, "A090"));
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
    let first = reader.events(1).unwrap().into_iter().find(|event| event.text.starts_with("first shot")).unwrap();
    assert!(
        first.kind == EventKind::Link && first.text.contains("taken to be at 1200.0 mm, 800.0 mm from where the line starts"),
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
fn broken_off(folder: &Path) -> std::path::PathBuf {
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
    assert_eq!(reader.verify().unwrap().problems, []);
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
