//! What people say of the job from the screen: amendments of runs, a revision of the plan, a swapped part, a shift.

use crate::common::*;
use crate::console::fixture::*;
use backwall::console::Step;
use backwall::console::state::{App, Effect, Event};
use backwall::console::update::update;
use backwall_store::{JobContents, JobFile, RunState, RunSummary};
use backwall_survey::job::force::Recorded;
use backwall_survey::job::statement::{Part, Revision, SignOff, SignOn, Swap};
use backwall_survey::job::{Plan, Said, Statement, in_force};
use backwall_survey::travel::Direction;
use ratatui::crossterm::event::KeyCode;
use std::path::Path;
use std::sync::Arc;

/// The job with what was said of it, as the store would have it.
fn job(said: Vec<Said>) -> JobContents {
    let mut job = ready();
    let statement = |(said, id)| Statement { id, said, reason: "wrong way up".into(), by: signed() };
    job.statements = said.into_iter().zip(1..).map(statement).collect();
    let recorded: Vec<Recorded> = job.runs.iter().map(recorded).collect();
    job.force = in_force(&job.plan, &recorded, &job.statements);
    let all = std::mem::take(&mut job.runs);
    (job.runs, job.set_aside) = all.into_iter().partition(|run| job.force.counts(run.id));
    job
}

fn recorded(run: &RunSummary) -> Recorded {
    Recorded { run: run.id, line: run.start.line.clone(), is_open: run.state == RunState::Open }
}

fn snap(name: &str, app: &App) {
    for (width, height) in [(80, 24), (190, 50)] {
        insta::assert_snapshot!(format!("{name}_{width}x{height}"), text(app, width, height));
    }
}

fn press(app: &mut App, code: KeyCode, times: usize) -> Vec<Effect> {
    (0..times).flat_map(|_| update(app, key(code))).collect()
}

fn stated(effects: &[Effect]) -> Said {
    let found = effects.iter().find_map(|effect| if let Effect::State(statement) = effect { Some(statement.said.clone()) } else { None });
    found.unwrap_or_else(|| panic!("nothing was stated: {effects:?}"))
}

/// The amendment form on run 2, turned `turns` times, with a line, a way and a number.
fn amend(app: &mut App, turns: usize, line: usize, way: usize, number: &str) -> Vec<Effect> {
    update(app, letter('A'));
    press(app, KeyCode::Right, turns);
    press(app, KeyCode::Enter, 1);
    press(app, KeyCode::Right, line);
    press(app, KeyCode::Enter, 1);
    press(app, KeyCode::Right, way);
    press(app, KeyCode::Enter, 1);
    type_in(app, number);
    press(app, KeyCode::Enter, 1);
    type_in(app, "wrong way up");
    press(app, KeyCode::Enter, 3)
}

#[test]
fn every_amendment_is_a_choice_of_one_form_and_everything_is_read_anew() {
    let expected = [
        (0, "", Said::Void { run: 2 }),
        (2, "", Said::Reassign { run: 2, line: "C2".into(), mirrored: true }),
        (3, "1", Said::Replace { run: 2, replaced: 1 }),
        (4, "1", Said::Join { run: 2, with: 1 }),
        (5, "", Said::Leave { run: 2 }),
    ];
    for (turns, number, said) in expected {
        let mut app = app(Step::Review, job(Vec::new()));
        let effects = amend(&mut app, turns, 1, 1, number);
        assert_eq!(stated(&effects), said);
        assert!(effects.contains(&Effect::Reload) && app.prompt.is_none());
    }
    let mut app = app(Step::Review, job(vec![Said::Void { run: 1 }]));
    assert_eq!(stated(&amend(&mut app, 6, 0, 0, "1")), Said::Withdraw { statement: 1 });
    // From a run that is walked it is of that run, and the run is opened anew.
    let mut app = crate::console::fixture::app(Step::Review, job(Vec::new()));
    update(&mut app, Event::Reviewed(2, Arc::new(overview(Direction::Up))));
    let effects = amend(&mut app, 0, 0, 0, "");
    assert!(effects.contains(&Effect::OpenRun(2)), "{effects:?}");
}

#[test]
fn a_refusal_stands_in_the_form_and_what_was_typed_stays() {
    let mut app = app(Step::Review, job(Vec::new()));
    let effects = amend(&mut app, 4, 0, 0, "2");
    assert!(effects.is_empty());
    let shown = text(&app, 80, 24);
    assert!(shown.contains("run 2 can neither replace nor continue itself") && shown.contains("wrong way up"), "{shown}");
    snap("amend", &app);
}

#[test]
fn runs_that_do_not_count_stay_in_the_list_with_why() {
    let mut app = app(Step::Review, job(vec![Said::Void { run: 2 }]));
    app.choose_run(2);
    snap("runs_set_aside", &app);
    let mut app = crate::console::fixture::app(Step::Review, job(vec![Said::Void { run: 2 }]));
    app.choose_run(2);
    assert_eq!(press(&mut app, KeyCode::Enter, 1), [Effect::OpenRun(2)]);
    update(&mut app, Event::Reviewed(2, Arc::new(overview(Direction::Up))));
    assert!(text(&app, 80, 24).contains("A090 up, run 2, VOIDED"), "{}", text(&app, 80, 24));
    assert_eq!(stated(&amend(&mut app, 0, 0, 0, "")), Said::Restore { run: 2 }, "what makes sense comes first");
    let of_line = job(vec![Said::Reassign { run: 2, line: "A090".into(), mirrored: true }]);
    let mut app = crate::console::fixture::app(Step::Review, of_line);
    app.choose_run(2);
    assert!(text(&app, 190, 50).contains("put on line A090, driven from its far end (statement 1, R. Aldane: wrong way up)"));
}

fn revision(text: &str) -> Revision {
    Revision { text: text.to_owned(), plan: Plan::parse("plan.toml", text).unwrap() }
}

#[test]
fn a_revision_is_read_and_shown_before_it_is_taken_with_a_reason() {
    let mut app = app(Step::Prepare, job(Vec::new()));
    update(&mut app, letter('p'));
    update(&mut app, letter('f'));
    type_in(&mut app, "new.toml");
    assert_eq!(press(&mut app, KeyCode::Enter, 1), [Effect::ReadPlan("new.toml".into())]);
    let longer = PLAN.replace("length_mm = 7200", "length_mm = 7100").replace("required_mm = 6.2", "required_mm = 6.4");
    update(&mut app, Event::PlanRead("new.toml".into(), Ok(Box::new(revision(&longer)))));
    snap("revision", &app);
    press(&mut app, KeyCode::Enter, 1);
    type_in(&mut app, "client's calculation C-131");
    let effects = press(&mut app, KeyCode::Enter, 3);
    assert_eq!(stated(&effects), Said::Plan(Box::new(revision(&longer))));
    assert!(app.revision.is_none());
    // A file that is no plan says all its mistakes, and cannot be taken.
    update(&mut app, letter('p'));
    update(&mut app, letter('f'));
    update(&mut app, key(KeyCode::Esc));
    update(&mut app, Event::PlanRead("new.toml".into(), Err("new.toml: 2 mistakes\nline 3: lenth_mm\nline 9: azimut_deg".into())));
    let shown = text(&app, 80, 24);
    assert!(shown.contains("cannot be taken") && shown.contains("line 3: lenth_mm") && shown.contains("line 9: azimut_deg"), "{shown}");
    press(&mut app, KeyCode::Enter, 1);
    assert!(app.prompt.is_none());
    update(&mut app, key(KeyCode::Esc));
    assert!(app.revision.is_none());
}

#[test]
fn a_swapped_part_and_a_shift_are_entered_on_prepare() {
    let mut app = app(Step::Prepare, job(Vec::new()));
    update(&mut app, letter('x'));
    press(&mut app, KeyCode::Right, 1);
    press(&mut app, KeyCode::Enter, 1);
    type_in(&mut app, "T-1");
    press(&mut app, KeyCode::Enter, 1);
    type_in(&mut app, "T-2");
    press(&mut app, KeyCode::Enter, 1);
    type_in(&mut app, "worn");
    let said = stated(&press(&mut app, KeyCode::Enter, 3));
    assert_eq!(said, Said::Swap(Swap { part: Part::Tyre, was: "T-1".into(), serial: "T-2".into() }));

    update(&mut app, letter('s'));
    for words in ["M. Thole, K. Ostrand", "dry, 4 m/s", "0 % LEL"] {
        type_in(&mut app, words);
        press(&mut app, KeyCode::Enter, 1);
    }
    let on = SignOn { crew: vec!["M. Thole".into(), "K. Ostrand".into()], weather: "dry, 4 m/s".into(), gas: "0 % LEL".into() };
    assert_eq!(stated(&press(&mut app, KeyCode::Enter, 2)), Said::SignOn(on.clone()));
    assert!(text(&app, 80, 24).contains("no shift signed on"));

    let mut app = crate::console::fixture::app(Step::Prepare, job(vec![Said::SignOn(on)]));
    assert!(text(&app, 80, 24).contains("shift R. Aldane since"), "{}", text(&app, 80, 24));
    update(&mut app, letter('s'));
    snap("shift_off", &app);
    type_in(&mut app, "tyre worn");
    assert_eq!(stated(&press(&mut app, KeyCode::Enter, 3)), Said::SignOff(SignOff { handover: "tyre worn".into() }));
}

/// Two runs of the wall of the demo, driven from a file.
#[cfg(unix)]
fn driven(folder: &Path) -> std::path::PathBuf {
    let job = crate::terminal::short_job(folder);
    let source = format!("file:{}", root().join("demo-stream/C1.shots").display());
    for _ in 0..2 {
        let why = "the checklist is on paper";
        must(&[
            "scan",
            job.to_str().unwrap(),
            "--line",
            "C1",
            "--stream",
            &source,
            "--pace",
            "max",
            "--headless",
            "--override-checklist",
            why,
        ]);
    }
    job
}

#[cfg(unix)]
#[test]
fn a_run_is_voided_a_revision_taken_and_a_shift_signed_on_by_keys() {
    use crate::terminal::Terminal;
    use std::time::Duration;
    let folder = tempfile::tempdir().unwrap();
    let job = driven(folder.path());
    let plan = std::fs::read_to_string(folder.path().join("plan.toml")).unwrap();
    let revised = folder.path().join("rev.toml");
    std::fs::write(&revised, plan.replacen("max_gap_mm = ", "max_gap_mm = 1", 1)).unwrap();

    let mut terminal = Terminal::open(&["review", job.to_str().unwrap()], 24, 80, folder.path());
    terminal.wait_for("runs (2)");
    terminal.send("A");
    terminal.wait_for("Correct run 2 on C1");
    terminal.send("\r\r\r\rtape slipped\r\r\r");
    terminal.wait_for("runs (1, 1 not counted)");
    let shown = terminal.wait_for("VOIDED");
    assert!(shown.contains("tape slipped"), "{shown}");
    terminal.send("\t");
    terminal.wait_for("no shift signed on");
    terminal.send("p");
    terminal.send("f");
    terminal.send(&format!("{}\r", revised.display()));
    terminal.wait_for("the revision changes 1 key");
    terminal.send("\r");
    terminal.wait_for("Results follow");
    terminal.send("new calculation\r\r\r");
    terminal.wait_for("kept as statement 2");
    terminal.send("s");
    terminal.wait_for("A shift begins");
    terminal.send("\rdry\r\r\r\r");
    terminal.wait_for("kept as statement 3");
    terminal.send("q");
    assert_eq!(terminal.exit(Duration::from_secs(10)), 0, "{}", terminal.text());
    let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
    let kinds: Vec<&str> = contents.statements.iter().map(|statement| statement.said.kind()).collect();
    assert_eq!(kinds, ["void", "plan", "sign-on"]);
    assert_eq!(contents.set_aside.len(), 1);
    must(&["verify", job.to_str().unwrap()]);
}

#[test]
fn a_job_open_for_looking_only_shows_what_is_left_and_refuses_the_rest_in_words() {
    use backwall::console::Backend;
    use backwall::console::survey::SurveyAsk;
    use backwall::session::ReadOnlyBackend;
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let mut desk = ReadOnlyBackend { path: job, why: "another program has it open".into(), earlier: None };
    let statement = Statement { id: 0, said: Said::Void { run: 1 }, reason: "wrong line".into(), by: signed() };
    let refused = [desk.state(statement).map(drop), desk.read_plan("plan.toml").map(drop)];
    for refusal in refused {
        assert_eq!(refusal.unwrap_err().to_string(), "open for looking only: another program has it open");
    }
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let mut survey = desk.open_survey(SurveyAsk::Left).unwrap();
    let found = runtime.block_on(async {
        loop {
            match survey.news.recv().await.unwrap() {
                backwall::console::survey::SurveyNews::LeftFound(found) => return found,
                other => assert!(matches!(other, backwall::console::survey::SurveyNews::Left { .. }), "{other:?}"),
            }
        }
    });
    assert!(found.items.iter().any(|item| item.words.contains("not scanned")));
}
