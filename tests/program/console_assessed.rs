//! Whether each course is enough, in the review: the same numbers and words as `assess` has, nothing of them cut at 80 columns, another
//! basis typed beside the one in force, and kept.

use crate::common::run;
use crate::console::fixture::*;
use crate::integrity::rolled::surveys;
use backwall::console::Step;
use backwall::console::keys::KeyMode;
use backwall::console::planning::Planning;
use backwall::console::review::assessed::AssessedBlock;
use backwall::console::state::{App, Effect, Event};
use backwall::console::survey::{SurveyAsk, SurveyNews};
use backwall::console::update::update;
use backwall::session::review::{EarlierSurvey, open_survey};
use backwall_report::assessment::Against;
use backwall_report::earlier::EarlierTold;
use backwall_store::JobFile;
use backwall_survey::job::Said;
use backwall_survey::job::statement::BasisText;
use backwall_units::LengthUnit;
use ratatui::crossterm::event::KeyCode;
use std::path::Path;
use std::sync::Arc;

const SIZES: [(u16, u16); 2] = [(80, 24), (190, 50)];

/// What the thread behind the screen answers.
fn answered(now: &Path, then: &Path, survey: SurveyAsk) -> SurveyNews {
    let earlier = EarlierSurvey { path: then.to_owned(), told: EarlierTold::default() };
    let mut handle = open_survey(now, survey, Some(&earlier)).unwrap();
    loop {
        match handle.news.blocking_recv().unwrap() {
            SurveyNews::Assessing { .. } => {}
            other => return other,
        }
    }
}

fn opened(now: &Path, then: &Path) -> App {
    let mut app = app(Step::Review, JobFile::open_read_only(now).unwrap().contents().unwrap());
    let effects = update(&mut app, letter('d'));
    assert_eq!(effects, [Effect::OpenSurvey(SurveyAsk::Assessed(None, LengthUnit::Mm))]);
    assert!(text(&app, 80, 24).contains("every reading of the job is read and judged"), "nothing waits for it");
    update(&mut app, Event::Survey(SurveyNews::Assessing { done: 1200, of: 4800 }));
    assert!(text(&app, 80, 24).contains("reading 25 %"));
    update(&mut app, Event::Survey(answered(now, then, SurveyAsk::Assessed(None, LengthUnit::Mm))));
    app
}

fn found(app: &mut App) -> Arc<Against> {
    app.review.assessed_mut().unwrap().found.clone().unwrap()
}

/// All that can be walked to, at a width, without what the lines are wrapped and set by.
fn all_of(app: &mut App, (width, height): (u16, u16)) -> String {
    let mut all = String::new();
    update(app, key(KeyCode::Home));
    let last = app.review.assessed_mut().unwrap().blocks(LengthUnit::Mm).len() * 4;
    for _ in 0..last {
        let screen = text(app, width, height);
        // The screen without its head and foot.
        let lines: Vec<&str> = screen.lines().collect();
        all += &lines[2..lines.len() - 2].join(" ").replace('›', " ");
        all.push(' ');
        update(app, key(KeyCode::Down));
    }
    update(app, key(KeyCode::Home));
    all.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn snap(name: &str, app: &App) {
    for (width, height) in SIZES {
        insta::assert_snapshot!(format!("{name}_{width}x{height}"), text(app, width, height));
    }
}

fn json(arguments: &[&str]) -> serde_json::Value {
    let output = run(&[&["assess"], arguments, &["--json"]].concat());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn the_screen_has_what_assess_has_and_cuts_none_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let (then, now) = surveys(folder.path());
    let mut app = opened(&now, &then);
    assert_eq!(app.mode(), KeyMode::Assessed);
    let shown = found(&mut app);
    let mut by_command = json(&[now.to_str().unwrap(), "--earlier", then.to_str().unwrap()]);
    assert!(by_command.as_object_mut().unwrap().remove("seal").is_some_and(|seal| seal["digest"].is_string()));
    assert_eq!(serde_json::to_value(&shown.a).unwrap(), by_command, "one function, one set of words");
    snap("assessed", &app);
    for size in SIZES {
        let all = all_of(&mut app, size);
        let roll_up = &shown.a.roll_up;
        let said = |words: &str| words.split_whitespace().collect::<Vec<_>>().join(" ");
        let mut must = roll_up.next_steps(LengthUnit::Mm);
        must.extend(roll_up.courses.iter().map(|course| course.decision_words()));
        must.extend(roll_up.courses.iter().flat_map(|course| course.to_do.iter().map(|it| it.words(LengthUnit::Mm))));
        must.extend(roll_up.plain("TK-7", LengthUnit::Mm));
        for words in must {
            assert!(all.contains(&said(&words)), "{size:?}: {words}\n{all}");
        }
        assert!(!all.contains('~'), "{size:?}: nothing is cut: {all}");
    }
    // From the row of course 2 to the line and the place of its minimum.
    let blocks = app.review.assessed_mut().unwrap().blocks(LengthUnit::Mm);
    let before = blocks
        .iter()
        .take_while(|block| !matches!(block, AssessedBlock::Rows(..)))
        .filter(|block| matches!(block, AssessedBlock::Words(..)));
    for _ in 0..before.count() + 1 {
        update(&mut app, key(KeyCode::Down));
    }
    let minimum = shown.a.roll_up.courses[1].minimum.clone().unwrap();
    let effects = update(&mut app, key(KeyCode::Enter));
    assert_eq!(effects, [Effect::CloseSurvey, Effect::OpenLine(2)], "line {}", minimum.line);
    assert_eq!(app.aim, minimum.at);
}

/// Goes to a value of the form and types it.
fn typed(app: &mut App, path: &str, value: &str) {
    let planning: &mut Planning = app.planning.as_mut().unwrap();
    planning.at = planning.rows.iter().position(|row| planning.path(*row) == path).unwrap_or_else(|| panic!("no {path}"));
    update(app, key(KeyCode::Enter));
    for _ in 0..20 {
        update(app, key(KeyCode::Backspace));
    }
    type_in(app, value);
    update(app, key(KeyCode::Enter));
}

/// Types another basis and has it judged.
fn what_if(app: &mut App, now: &Path, then: &Path) -> Box<BasisText> {
    update(app, letter('b'));
    assert_eq!(app.mode(), KeyMode::WhatIf);
    typed(app, "name", "lower fill");
    typed(app, "course[1].joint_efficiency", "1,4");
    assert_eq!(app.mode(), KeyMode::Typing, "more than 1");
    update(app, key(KeyCode::Esc));
    typed(app, "longest_interval_years", "2");
    typed(app, "course[1].required_from", "C-2 (invented)");
    typed(app, "course[1].required_mm", "5,0");
    let form = text(app, 80, 24);
    assert!(form.contains("no mistakes") && form.contains("calculation C-1 (invented)") || form.contains("C-2 (invented)"), "{form}");
    snap("basis", app);
    let effects = update(app, letter('w'));
    let [Effect::OpenSurvey(survey @ SurveyAsk::Assessed(Some(basis), LengthUnit::Mm))] = effects.as_slice() else { panic!("{effects:?}") };
    update(app, Event::Survey(answered(now, then, survey.clone())));
    basis.clone()
}

/// The screen with two bases, for the manual.
pub fn side_by_side() -> App {
    let folder = tempfile::tempdir().unwrap();
    let (then, now) = surveys(folder.path());
    let mut app = opened(&now, &then);
    what_if(&mut app, &now, &then);
    app
}

#[test]
fn a_basis_typed_beside_it_is_judged_side_by_side_and_kept_by_name_and_reason() {
    let folder = tempfile::tempdir().unwrap();
    let (then, now) = surveys(folder.path());
    let mut app = opened(&now, &then);
    update(&mut app, letter('k'));
    assert!(text(&app, 80, 24).contains("there is no B"));
    let basis = what_if(&mut app, &now, &then);
    snap("assessed_against", &app);
    // The file that the command reads is what was typed.
    let file = folder.path().join("basis.toml");
    std::fs::write(&file, &basis.text).unwrap();
    let (job, earlier) = (now.to_str().unwrap(), then.to_str().unwrap());
    let both = json(&[job, "--earlier", earlier, "--against", file.to_str().unwrap()]);
    let shown = found(&mut app);
    let mut b = serde_json::to_value(&shown.b).unwrap();
    b["basis"] = both["b"]["basis"].clone();
    assert_eq!((serde_json::to_value(&shown.a).unwrap(), b), (both["a"].clone(), both["b"].clone()));
    assert_eq!(serde_json::json!(shown.differs), both["differs"]);
    let all = all_of(&mut app, (80, 24));
    assert!(all.contains("asset.course 2.required_mm: 6.2 -> 5.0") && all.contains("what to do next, by B"), "{all}");

    update(&mut app, letter('k'));
    type_in(&mut app, "calculation C-2");
    let effects: Vec<Effect> = (0..3).flat_map(|_| update(&mut app, key(KeyCode::Enter))).collect();
    let [Effect::State(statement), Effect::Reload, ..] = effects.as_slice() else { panic!("{effects:?}") };
    assert_eq!(statement.reason, "calculation C-2");
    let Said::Basis(kept) = &statement.said else { panic!("{statement:?}") };
    assert_eq!(*kept, basis);
    // Once it stands in the job it counts, and is no longer one of two.
    let job_file = JobFile::open(&now).unwrap();
    job_file.writer().state((**statement).clone()).unwrap();
    let contents = job_file.contents().unwrap();
    job_file.close().unwrap();
    let effects = update(&mut app, Event::Contents(Box::new(contents)));
    assert_eq!(effects, [Effect::OpenSurvey(SurveyAsk::Assessed(None, LengthUnit::Mm))]);
    update(&mut app, Event::Survey(answered(&now, &then, SurveyAsk::Assessed(None, LengthUnit::Mm))));
    let screen = text(&app, 80, 24);
    assert!(screen.contains("judged by the basis 'lower fill'") && !screen.contains("A is"), "{screen}");
}
