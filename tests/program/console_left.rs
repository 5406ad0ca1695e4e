//! What is left to do, on screen: one key from every step, each item leads where it is done, and after a crash it is the
//! first thing shown.

use crate::common::*;
use crate::console::fixture::*;
use backwall::console::Step;
use backwall::console::keys::{self, Action, KeyMode};
use backwall::console::state::{App, Effect, Event};
use backwall::console::survey::{SurveyAsk, SurveyNews};
use backwall::console::update::update;
use backwall_report::left::Left;
use backwall_store::{JobContents, JobFile, RunState};
use backwall_survey::job::left::{LineDone, RunKnown};
use backwall_survey::job::plan::AskedFor;
use backwall_survey::job::{Said, Statement, in_force};
use backwall_survey::strip::{Level, Spot, Strip};
use backwall_survey::travel::Direction;
use backwall_units::Length;
use ratatui::crossterm::event::KeyCode;
use std::path::Path;
use std::sync::Arc;

fn mm(mm: f64) -> Length {
    Length::mm(mm)
}

/// A job with an interrupted run, a stretch without an echo, two spots and a line never driven.
fn job() -> JobContents {
    let mut job = ready();
    job.force = in_force(&job.plan, &recorded(&job), &[]);
    job
}

fn recorded(job: &JobContents) -> Vec<backwall_survey::job::force::Recorded> {
    let of = |run: &backwall_store::RunSummary| backwall_survey::job::force::Recorded {
        run: run.id,
        line: run.start.line.clone(),
        is_open: run.state == RunState::Open,
    };
    job.runs.iter().map(of).collect()
}

fn spot(id: u32, level: Level, least: f64, at: f64, acknowledged: bool) -> Spot {
    let known = wall(Direction::Up).spots.spots()[0].clone();
    Spot { id, level, least: mm(least), least_at: Some(mm(at)), acknowledged, finding: None, ..known }
}

fn found(job: &JobContents) -> Arc<Left> {
    let mut strip = Strip::default();
    for shot in 0..21_750 {
        let along = f64::from(shot) * 0.2;
        let thickness = thickness_at(along).map(Length::mm);
        strip.push(Some(mm(along)), thickness, if thickness.is_some() { Level::Clear } else { Level::NoEcho });
    }
    let max = job.plan.limits.max_gap;
    let lines = vec![
        LineDone::of("A090", (mm(0.0), mm(7200.0)), vec![1, 2], &strip, max, &[]),
        LineDone::of("C2", (mm(0.0), mm(56_000.0)), Vec::new(), &Strip::default(), max, &[]),
    ];
    let run = |run, is_interrupted, spots| RunKnown {
        run,
        line: "A090".into(),
        is_interrupted,
        is_settled: false,
        last: Some(mm(1790.0)),
        doubt: None,
        readings_lost: if run == 2 { 3 } else { 0 },
        proven: Vec::new(),
        spots,
    };
    let spots = vec![spot(1, Level::Watch, 6.8, 1420.0, false), spot(2, Level::Thin, 5.76, 4052.0, true)];
    Arc::new(Left::of(job, lines, vec![run(1, true, Vec::new()), run(2, false, spots)], NOW, job.plan.job.units))
}

fn shown(step: Step) -> App {
    let job = job();
    let found = found(&job);
    let mut app = app(step, job);
    assert_eq!(update(&mut app, letter('L')), [Effect::OpenSurvey(SurveyAsk::Left)]);
    update(&mut app, Event::Survey(SurveyNews::LeftFound(found)));
    app
}

fn snap(name: &str, app: &App) {
    for (width, height) in [(80, 24), (190, 50)] {
        insta::assert_snapshot!(format!("{name}_{width}x{height}"), text(app, width, height));
    }
}

/// Puts the cursor on the first item with these words and takes it.
fn take(app: &mut App, words: &str) -> Vec<Effect> {
    let at = app.left.as_ref().unwrap().found.as_ref().unwrap().items.iter().position(|item| item.words.contains(words));
    let at = at.unwrap_or_else(|| panic!("no item has '{words}'"));
    for _ in 0..at {
        update(app, key(KeyCode::Down));
    }
    update(app, key(KeyCode::Enter))
}

#[test]
fn it_is_read_in_the_background_and_shows_how_far_the_job_is() {
    let mut app = app(Step::Prepare, job());
    update(&mut app, letter('L'));
    update(&mut app, Event::Survey(SurveyNews::Left { done: 10_500, of: 42_000 }));
    assert!(text(&app, 80, 24).contains("25 %: 10500 of 42000 readings"));
    let app = shown(Step::Prepare);
    snap("left", &app);
    let mut app = shown(Step::Prepare);
    take(&mut app, "ended in the middle");
    snap("left_interrupted", &app);
}

#[test]
fn one_key_opens_it_in_every_step_and_esc_leads_back() {
    for mode in KeyMode::ALL {
        let over = matches!(
            mode,
            KeyMode::Typing
                | KeyMode::Starting
                | KeyMode::Confirm
                | KeyMode::Change
                | KeyMode::Help
                | KeyMode::Origin
                | KeyMode::TestCard
                | KeyMode::Revision
                | KeyMode::Planning
                | KeyMode::WhatIf
        );
        let has = keys::BINDINGS.iter().any(|binding| binding.modes.contains(&mode) && binding.action == Action::WhatIsLeft);
        assert_eq!(has, !over, "{mode:?}");
    }
    for step in Step::ALL {
        let mut app = shown(step);
        assert!(text(&app, 80, 24).contains("what is left"), "{step:?}");
        update(&mut app, key(KeyCode::Esc));
        assert!(app.left.is_none() && app.step == step);
        // Nothing was written: it stands there again at once.
        assert_eq!(update(&mut app, letter('L')), []);
        assert!(text(&app, 80, 24).contains("not scanned"));
        update(&mut app, letter('L'));
        assert!(app.left.is_none());
        // Something was: it is read again.
        let mut changed = app.contents.clone();
        changed.notes.clear();
        changed.answers.clear();
        update(&mut app, Event::Contents(Box::new(changed)));
        assert_eq!(update(&mut app, letter('L')), [Effect::OpenSurvey(SurveyAsk::Left)]);
    }
}

#[test]
fn each_item_leads_where_it_is_done() {
    let mut app = shown(Step::Calibrate);
    take(&mut app, "not scanned");
    assert_eq!((app.step, app.line, app.mode()), (Step::Scan, 1, KeyMode::Ready), "the line is chosen, nothing is started");
    let mut app = shown(Step::Prepare);
    take(&mut app, "no echo: drive it again");
    assert_eq!((app.step, app.line), (Step::Scan, 0));
    let mut app = shown(Step::Prepare);
    let effects = take(&mut app, "lost 3 shots");
    assert_eq!((app.step, app.mode(), app.chosen_run().unwrap().id), (Step::Review, KeyMode::Runs, 2), "{effects:?}");
    let mut app = shown(Step::Prepare);
    let effects = take(&mut app, "acknowledge it");
    assert!(effects.contains(&Effect::OpenRun(2)), "{effects:?}");
    update(&mut app, Event::Reviewed(2, Arc::new(overview(Direction::Up))));
    let place = app.review.walked.as_ref().unwrap().place().unwrap().as_mm();
    assert!((place - 1420.0).abs() < 50.0, "{place}");
    // What stops scanning leads to the step that puts it right.
    let mut job = job();
    job.answers.clear();
    job.setups.clear();
    let found = found(&job);
    for (words, step) in [("Permit", Step::Checklist), ("no calibration", Step::Calibrate)] {
        let mut app = crate::console::fixture::app(Step::Review, job.clone());
        update(&mut app, letter('L'));
        update(&mut app, Event::Survey(SurveyNews::LeftFound(found.clone())));
        take(&mut app, words);
        assert_eq!(app.step, step, "{words}");
    }
}

fn typed(app: &mut App, reason: &str) -> Vec<Effect> {
    update(app, key(KeyCode::Enter));
    type_in(app, reason);
    update(app, key(KeyCode::Enter));
    update(app, key(KeyCode::Enter));
    update(app, key(KeyCode::Enter))
}

fn stated(effects: &[Effect]) -> &Statement {
    let found = effects.iter().find_map(|effect| if let Effect::State(statement) = effect { Some(statement) } else { None });
    found.unwrap_or_else(|| panic!("nothing was stated: {effects:?}"))
}

#[test]
fn an_interrupted_run_is_left_as_it_is_or_goes_on_in_a_run_that_is_joined_to_it() {
    let mut app = shown(Step::Prepare);
    take(&mut app, "ended in the middle");
    update(&mut app, key(KeyCode::Right));
    let effects = typed(&mut app, "the rest is behind a nozzle");
    let statement = stated(&effects);
    assert_eq!((&statement.said, statement.reason.as_str()), (&Said::Leave { run: 1 }, "the rest is behind a nozzle"));
    assert_eq!(statement.by.name, "R. Aldane");

    let mut app = shown(Step::Prepare);
    take(&mut app, "ended in the middle");
    let effects = typed(&mut app, "battery changed");
    assert!(!effects.iter().any(|effect| matches!(effect, Effect::State(_) | Effect::StartScan(_))), "{effects:?}");
    assert_eq!((app.step, app.line), (Step::Scan, 0));
    assert!(
        text(&app, 80, 24).contains("GOES ON from run 1, saved up to 1.790 m: put the crawler there, then s"),
        "{}",
        text(&app, 80, 24)
    );
    update(&mut app, letter('s'));
    assert!(text(&app, 80, 24).contains("goes on from run 1: battery changed"), "{}", text(&app, 80, 24));
    let effects = update(&mut app, key(KeyCode::Enter));
    let [Effect::StartScan(begin)] = effects.as_slice() else { panic!("{effects:?}") };
    let goes_on = begin.continues.as_ref().unwrap();
    assert_eq!((goes_on.from, goes_on.reason.as_str(), goes_on.by.name.as_str()), (1, "battery changed", "R. Aldane"));
    assert_eq!((begin.line.as_str(), begin.offset), ("A090", mm(1790.0)));
    let view = backwall::live::LiveView { line: "A090".into(), ..live(Direction::Up) };
    update(&mut app, Event::Started { view: Arc::new(view), wall: Arc::new(std::sync::Mutex::new(wall(Direction::Up))) });
    assert!(app.goes_on.is_none());
}

#[test]
fn a_run_that_is_going_is_not_left_for_another_line() {
    let found = found(&job());
    let mut app = scanning(Direction::Up);
    update(&mut app, letter('L'));
    update(&mut app, Event::Survey(SurveyNews::LeftFound(found)));
    assert!(take(&mut app, "C2 56.000 m, not scanned").is_empty());
    let shown = text(&app, 80, 24);
    // The alarm keeps its line.
    assert!(shown.contains("a run is going: end it first") && shown.contains("[a] acknowledge"), "{shown}");
    assert!(app.left.is_some());
    // It is read anew each time, because what is left changes with every reading.
    update(&mut app, key(KeyCode::Esc));
    assert_eq!(update(&mut app, letter('L')), [Effect::OpenSurvey(SurveyAsk::Left)]);
}

/// A scan that is killed in the middle.
#[cfg(unix)]
fn killed(job: &Path) {
    use std::io::{BufRead, BufReader};
    let path = job.to_str().unwrap();
    let mut child = backwall()
        .args(["scan", path, "--line", "A090", "--stream", "file:demo-stream/A090.shots", "--pace", "device", "--headless", "--json"])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert!(lines.map_while(Result::ok).any(|line| line.contains("\"saved\"")), "nothing was saved");
    child.kill().unwrap();
    child.wait().unwrap();
}

#[cfg(unix)]
#[test]
fn after_a_crash_the_run_that_broke_off_is_the_first_thing_asked() {
    use crate::terminal::Terminal;
    use std::time::Duration;
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    killed(&job);
    // Before anybody has opened it again.
    let status = must(&["status", job.to_str().unwrap()]);
    assert!(status.contains("run 1 on A090 ended in the middle"), "{status}");
    let mut terminal = Terminal::open(&["open", job.to_str().unwrap()], 24, 80, folder.path());
    let first = terminal.wait_for("run 1 on A090 ended in the middle");
    assert!(first.contains("Before the next run") && first.contains("lines done"), "{first}");
    terminal.send("\r");
    terminal.wait_for("what now");
    terminal.send("\x1b[C");
    terminal.wait_for("leave it as it is >");
    // Without a reason it is refused in the form.
    terminal.send("\r\r\r\r");
    terminal.wait_for("write something here");
    terminal.send("the wall ends there\r\r\r");
    terminal.wait_for("kept as statement 1: run 1 is left as it is");
    terminal.send("q");
    assert_eq!(terminal.exit(Duration::from_secs(10)), 0, "{}", terminal.text());
    let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
    assert_eq!(contents.statements.len(), 1);
    assert_eq!((&contents.statements[0].said, contents.statements[0].reason.as_str()), (&Said::Leave { run: 1 }, "the wall ends there"));
    let status = must(&["status", job.to_str().unwrap()]);
    assert!(!status.contains("ended in the middle"), "{status}");
    let again = ["amend", job.to_str().unwrap(), "--by", "R. Aldane", "--reason", "once more", "--run", "1", "--leave"];
    let refused = run(&again);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("run 1 is left as it is already"), "{refused:?}");
    // Said once, it is not asked again.
    let mut terminal = Terminal::open(&["open", job.to_str().unwrap()], 24, 80, folder.path());
    terminal.wait_for("Prepare");
    assert!(!terminal.text().contains("what is left"), "{}", terminal.text());
    terminal.send("q");
    assert_eq!(terminal.exit(Duration::from_secs(10)), 0);
    must(&["verify", job.to_str().unwrap()]);
}

fn asked(name: &str, line: Option<&str>) -> AskedFor {
    AskedFor { name: name.to_owned(), line: line.map(str::to_owned) }
}

#[test]
fn a_witness_point_without_initials_and_a_missing_photo_lead_to_their_forms() {
    let mut job = job();
    job.plan.witness_points = vec![asked("verification on a block", None)];
    job.plan.photos = vec![asked("weld scar", Some("A090"))];
    job.force = in_force(&job.plan, &recorded(&job), &[]);
    let left = found(&job);
    let (plan, runs) = (job.plan.clone(), recorded(&job));
    let mut app = app(Step::Prepare, job);
    app.operator = signed();
    update(&mut app, letter('L'));
    update(&mut app, Event::Survey(SurveyNews::LeftFound(left)));
    take(&mut app, "witness point 'verification on a block': no initials yet");
    assert!(text(&app, 80, 24).contains("witness point"), "{}", text(&app, 80, 24));
    update(&mut app, key(KeyCode::Enter));
    for words in ["M. Thole", "MT", "the client"] {
        type_in(&mut app, words);
        update(&mut app, key(KeyCode::Enter));
    }
    let effects = (0..4).map(|_| update(&mut app, key(KeyCode::Enter))).find(|effects| !effects.is_empty()).unwrap_or_default();
    let [Effect::State(statement), Effect::Reload] = &effects[..] else { panic!("{effects:?}") };
    let Said::Witness(witness) = &statement.said else { panic!("{statement:?}") };
    assert_eq!((witness.asked.as_deref(), witness.what.as_str()), (Some("verification on a block"), "verification on a block"));
    let force = in_force(&plan, &runs, &[Statement { id: 1, ..(**statement).clone() }]);
    assert!(force.open_witness_points().is_empty() && force.open_photos().len() == 1);
    // The photo is of its line.
    for _ in 0..40 {
        update(&mut app, key(KeyCode::Up));
    }
    take(&mut app, "photo 'weld scar' on A090: not taken yet");
    assert!(text(&app, 80, 24).contains("Photo on A090"), "{}", text(&app, 80, 24));
}

#[test]
fn status_names_a_witness_point_until_it_is_witnessed() {
    let folder = tempfile::tempdir().unwrap();
    let (plan, job) = (folder.path().join("plan.toml"), folder.path().join("w.job"));
    let text = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    std::fs::write(&plan, format!("{text}\n[[witness_point]]\nname = \"verification\"\n\n[[photo]]\nname = \"nameplate\"\n")).unwrap();
    let path = job.to_str().unwrap();
    must(&["new", path, "--from", plan.to_str().unwrap()]);
    let status = || must(&["status", path]);
    assert!(status().contains("witness point 'verification': no initials yet") && status().contains("photo 'nameplate': not taken yet"));
    let by = operator();
    let witness = ["witness", path, "--by", &by, "--name", "M. Thole", "--initials", "MT", "--what", "the block read 10.02 mm", "--asked"];
    let refused = run(&[&witness[..], &["verfication"]].concat());
    let why = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(!refused.status.success() && why.contains("no witness point 'verfication'; it has verification"), "{why}");
    must(&[&witness[..], &["verification"]].concat());
    assert!(!status().contains("witness point") && status().contains("photo 'nameplate'"), "{}", status());
}
