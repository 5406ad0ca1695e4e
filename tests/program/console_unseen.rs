//! What a run could not have seen, in the review: one key, how far it is, the table, and the way out.

use crate::console::fixture::*;
use backwall::console::Step;
use backwall::console::state::{App, Effect, Event};
use backwall::console::survey::{SurveyAsk, SurveyNews};
use backwall::console::update::update;
use backwall_report::unseen::{Unseen, UnseenCell, UnseenOfRun};
use backwall_survey::travel::Direction;
use backwall_units::{Length, LengthUnit};
use ratatui::crossterm::event::KeyCode;
use std::sync::Arc;

/// Five depths and six widths, the most there are; the figures are made up.
fn found() -> UnseenOfRun {
    let mut cells = Vec::new();
    for (row, depth) in [1.0, 2.0, 3.0, 4.0, 6.0].into_iter().enumerate() {
        for (column, width) in [4.0, 6.0, 8.0, 10.0, 14.0, 20.0].into_iter().enumerate() {
            let found = (row as u32 * 10 + column as u32 * 8).min(40);
            let (from, to) = if found == 40 { (0.912, 1.0) } else { (f64::from(found) / 44.0, f64::from(found + 4) / 44.0) };
            cells.push(UnseenCell { width: Length::mm(width), depth: Length::mm(depth), drives: 40, found, from, to });
        }
    }
    let table = Unseen { nominal: Length::mm(10.0), spacing: Length::mm(2.0), snr_db: 33.2, beam: Length::mm(7.1), cells };
    UnseenOfRun { run: 2, line: "A090".into(), table }
}

fn asked() -> App {
    let mut app = app(Step::Review, ready());
    assert_eq!(update(&mut app, letter('U')), [Effect::OpenSurvey(SurveyAsk::Unseen(2))]);
    app
}

fn snap(name: &str, app: &App) {
    for (width, height) in [(80, 24), (190, 50)] {
        insta::with_settings!({ snapshot_path => "snapshots" }, {
            insta::assert_snapshot!(format!("{name}_{width}x{height}"), text(app, width, height));
        });
    }
}

#[test]
fn it_is_driven_in_the_background_and_shown_as_a_table() {
    let mut app = asked();
    update(&mut app, Event::Survey(SurveyNews::Unseen { done: 300, of: 1200 }));
    let shown = text(&app, 80, 24);
    assert!(shown.contains("25 %: 300 of 1200 drives") && shown.contains("Esc"), "{shown}");
    update(&mut app, Event::Survey(SurveyNews::UnseenFound(Arc::new(found()))));
    snap("unseen", &app);
    // Every cell stands whole on the smallest usual screen, in inches too.
    for unit in [LengthUnit::Mm, LengthUnit::Inch] {
        app.look.unit = unit;
        let shown = text(&app, 80, 24);
        let rows = found().rows(unit);
        assert!(rows.iter().flatten().all(|cell| shown.contains(cell.as_str())), "{shown}");
        let flowing = shown.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flowing.contains(&found().summary(unit)[1..]) && flowing.contains(&found().statement(unit)), "{shown}");
    }
}

#[test]
fn it_is_left_at_any_time_and_says_why_there_is_none() {
    let mut app = asked();
    update(&mut app, Event::Survey(SurveyNews::Unseen { done: 3, of: 1200 }));
    assert_eq!(update(&mut app, key(KeyCode::Esc)), [Effect::CloseSurvey]);
    // What comes after it was left is not shown.
    update(&mut app, Event::Survey(SurveyNews::UnseenFound(Arc::new(found()))));
    assert!(app.review.over.is_none());
    let mut app = asked();
    update(&mut app, Event::Survey(SurveyNews::UnseenFailed("run 2 is open or has no calibration".into())));
    assert!(text(&app, 80, 24).contains("run 2 is open or has no calibration"));
    // From a run that is walked it is of that run, and Esc goes back to it.
    let mut app = backwall_walked();
    assert_eq!(update(&mut app, letter('U')), [Effect::OpenSurvey(SurveyAsk::Unseen(2))]);
    update(&mut app, key(KeyCode::Esc));
    assert!(app.review.walked.is_some() && app.review.over.is_none());
    let mut none = app_without_runs();
    update(&mut none, letter('U'));
    assert!(text(&none, 80, 24).contains("there is no run"));
}

fn backwall_walked() -> App {
    let mut app = app(Step::Review, ready());
    update(&mut app, Event::Reviewed(2, Arc::new(overview(Direction::Up))));
    app
}

fn app_without_runs() -> App {
    app(Step::Review, contents())
}
