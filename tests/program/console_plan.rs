//! The plan as a form on Prepare: looked up, changed, its mistakes at their keys, what the job will take at once, kept as a revision.

use crate::console::fixture::*;
use backwall::console::Step;
use backwall::console::keys::KeyMode;
use backwall::console::planning::Planning;
use backwall::console::state::{App, Effect};
use backwall::console::update::update;
use backwall_survey::job::Said;
use backwall_survey::job::keys::sheet::Sheet;
use ratatui::crossterm::event::KeyCode;

fn snap(name: &str, app: &App) {
    for (width, height) in [(80, 24), (190, 50)] {
        insta::assert_snapshot!(format!("{name}_{width}x{height}"), text(app, width, height));
    }
}

/// Opens the form and goes to a key.
fn on(app: &mut App, path: &str) {
    if app.planning.is_none() {
        update(app, letter('p'));
    }
    let planning = app.planning.as_mut().unwrap();
    planning.at = planning.rows.iter().position(|row| planning.path(*row) == path).unwrap_or_else(|| panic!("no {path}"));
}

fn typed(app: &mut App, value: &str) {
    update(app, key(KeyCode::Enter));
    for _ in 0..30 {
        update(app, key(KeyCode::Backspace));
    }
    type_in(app, value);
    update(app, key(KeyCode::Enter));
}

#[test]
fn a_value_typed_into_the_form_becomes_a_revision_with_its_difference_and_a_reason() {
    let mut app = app(Step::Prepare, ready());
    on(&mut app, "asset.course[1].required_mm");
    snap("plan", &app);
    assert_eq!(app.mode(), KeyMode::Planning);
    update(&mut app, letter('k'));
    assert!(app.revision.is_none() && text(&app, 80, 24).contains("nothing is changed yet"));
    typed(&mut app, "6,4");
    assert!(text(&app, 80, 24).contains("6.4 mm"));
    // What it will take follows at once: 63.2 m, then 7 m less.
    assert!(text(&app, 80, 24).contains("to scan: 63.200 m in 2 lines"), "{}", text(&app, 80, 24));
    on(&mut app, "line[0].length_mm");
    typed(&mut app, "200");
    assert!(text(&app, 80, 24).contains("to scan: 56.200 m in 2 lines"), "{}", text(&app, 80, 24));
    update(&mut app, letter('k'));
    let shown = text(&app, 80, 24);
    assert!(shown.contains("the revision changes 2 keys") && shown.contains("asset.course 2.required_mm: 6.2 -> 6.4"), "{shown}");
    update(&mut app, key(KeyCode::Enter));
    type_in(&mut app, "client's calculation C-131");
    let effects = (0..3).flat_map(|_| update(&mut app, key(KeyCode::Enter))).collect::<Vec<_>>();
    let Some(Effect::State(statement)) = effects.first() else { panic!("{effects:?}") };
    let Said::Plan(revision) = &statement.said else { panic!("{statement:?}") };
    assert_eq!(revision.plan.asset.courses[1].required.unwrap().as_mm(), 6.4);
    assert_eq!(backwall_survey::job::Plan::parse("plan.toml", &revision.text).unwrap(), revision.plan);
    assert!(app.planning.is_none() && app.mode() == KeyMode::Prepare);
}

#[test]
fn a_wrong_value_is_refused_at_its_key_and_a_plan_with_mistakes_is_not_kept() {
    let mut app = app(Step::Prepare, ready());
    on(&mut app, "asset.diameter_mm");
    typed(&mut app, "-1");
    assert_eq!(app.mode(), KeyMode::Typing);
    assert!(text(&app, 80, 24).contains("it may be a number in mm, greater than 0"), "{}", text(&app, 80, 24));
    update(&mut app, key(KeyCode::Esc));
    // A course is added behind the one the cursor is on; what it lacks is named.
    on(&mut app, "asset.course[2].number");
    update(&mut app, letter('+'));
    let shown = text(&app, 80, 24);
    assert!(shown.contains("3 mistakes") && shown.contains("[[asset.course]] 4") && shown.contains("must be typed"), "{shown}");
    snap("plan_mistakes", &app);
    update(&mut app, letter('k'));
    assert!(app.revision.is_none() && text(&app, 80, 24).contains("NOT KEPT: 3 mistakes"), "{}", text(&app, 80, 24));
    for value in ["4", "2400", "8"] {
        update(&mut app, letter('m'));
        typed(&mut app, value);
    }
    assert!(text(&app, 80, 24).contains("no mistakes"), "{}", text(&app, 80, 24));
    // What keys have to do with each other is said at the key as well: a number given twice.
    on(&mut app, "asset.course[3].number");
    typed(&mut app, "1");
    on(&mut app, "asset.course[3].number");
    assert!(text(&app, 80, 24).contains("course 1 is given twice"), "{}", text(&app, 80, 24));
    update(&mut app, letter('x'));
    assert!(text(&app, 80, 24).contains("no mistakes"));
}

#[test]
fn leaving_asks_where_something_was_changed_and_a_new_plan_makes_a_job() {
    let mut app = app(Step::Prepare, ready());
    update(&mut app, letter('p'));
    update(&mut app, key(KeyCode::Esc));
    assert!(app.planning.is_none());
    on(&mut app, "job.site");
    typed(&mut app, "elsewhere");
    update(&mut app, key(KeyCode::Esc));
    assert_eq!(app.mode(), KeyMode::Confirm);
    assert!(text(&app, 80, 24).contains("Drop what was changed in the plan?"));
    update(&mut app, letter('n'));
    assert_eq!(app.mode(), KeyMode::Planning);
    update(&mut app, key(KeyCode::Esc));
    update(&mut app, letter('y'));
    assert!(app.planning.is_none());
    // Without a job: the same form, and k makes it.
    let plan = Sheet::of_plan(&app.contents.plan);
    app.planning = Some(Planning::new(plan.clone(), true));
    assert!(text(&app, 80, 24).starts_with(" no job yet"));
    assert_eq!(update(&mut app, letter('k')), [Effect::MakeJob(plan.text())]);
    assert_eq!(update(&mut app, key(KeyCode::Esc)), [Effect::Quit]);
}
