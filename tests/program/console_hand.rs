//! What is put at the cursor of a walked run afterwards: a thickness read by hand, a note, a mark.

use crate::console::fixture::*;
use crate::console_review::whole_job::{of_figures, on_map, wait};
use crate::console_review::{opened, press};
use crate::hand::{hand, thin};
use backwall::console::Step;
use backwall::console::state::{App, Effect, Event};
use backwall::console::update::update;
use backwall::session::review::open_survey;
use backwall_store::{JobFile, MarkKind};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::hand::{HandGauge, HandPlace, HandReading};
use backwall_survey::job::{Said, Statement, in_force};
use backwall_survey::travel::Direction;
use backwall_units::Length;
use ratatui::crossterm::event::KeyCode;

fn typed(app: &mut App, words: &str) {
    for c in words.chars() {
        update(app, letter(c));
    }
}

/// Goes on to the next field, `count` times; the last of a form submits it.
fn enter(app: &mut App, count: usize) -> Vec<Effect> {
    (0..count).map(|_| update(app, key(KeyCode::Enter))).last().unwrap_or_default()
}

fn value(app: &App, field: &str) -> String {
    app.prompt.as_ref().unwrap().form.value(field).to_owned()
}

/// What the job comes to with a statement more.
fn keep(app: &mut App, statement: &Statement) {
    let mut contents = app.contents.clone();
    contents.statements.push(Statement { id: contents.statements.len() as i64 + 1, ..statement.clone() });
    let recorded: Vec<_> = contents
        .runs
        .iter()
        .map(|run| backwall_survey::job::force::Recorded { run: run.id, line: run.start.line.clone(), is_open: false })
        .collect();
    contents.force = in_force(&contents.plan, &recorded, &contents.statements);
    update(app, Event::Contents(Box::new(contents)));
}

fn stated(effects: &[Effect]) -> Statement {
    let [Effect::State(statement), Effect::Reload] = effects else { panic!("{effects:?}") };
    (**statement).clone()
}

#[test]
fn a_thickness_read_by_hand_is_entered_at_the_spot_under_the_cursor_and_shown_there() {
    let mut app = opened(Direction::Up);
    app.operator = Signed { name: "R. Aldane".to_owned(), certificate: "UT 2".to_owned(), at_us: 0 };
    press(&mut app, letter('m'));
    let spot =
        app.review.walked.as_ref().unwrap().overview.wall.spots.spots().iter().min_by(|a, b| a.least.total_cmp(&b.least)).unwrap().clone();
    update(&mut app, letter('H'));
    assert_eq!(value(&app, "spot"), spot.id.to_string());
    assert_eq!(value(&app, "place"), format!("{:.3}m", spot.least_at.unwrap().as_metres()));

    // Values too far apart need a note: refused under the values, with what is to be done.
    typed(&mut app, "5.10 5.90");
    enter(&mut app, 3);
    update(&mut app, key(KeyCode::Right));
    assert!(enter(&mut app, 11).is_empty());
    let form = &app.prompt.as_ref().unwrap().form;
    assert!(
        form.fields[0].error.as_ref().unwrap().contains("are 0.80 mm apart, more than 0.30 mm: say in a note"),
        "{:?}",
        form.fields[0].error
    );
    for _ in 0.."5.90".len() {
        update(&mut app, key(KeyCode::Backspace));
    }
    typed(&mut app, "5.20");
    let statement = stated(&enter(&mut app, 14));
    let Said::HandReading(reading) = &statement.said else { panic!("{statement:?}") };
    assert_eq!(reading.mean(), Some(Length::mm(5.15)));
    let proof = reading.proof.as_ref().unwrap();
    assert_eq!((proof.run, proof.spot, proof.seq, proof.confirmed), (2, spot.id, spot.least_seq, true));
    assert!(matches!(&reading.place, Some(HandPlace::Line { along, .. }) if (*along - spot.least_at.unwrap()).abs() < Length::mm(0.6)));
    assert_eq!(statement.by.name, "R. Aldane");

    keep(&mut app, &statement);
    press(&mut app, key(KeyCode::Up));
    let screen = text(&app, 190, 50);
    assert!(screen.contains("confirmed 5.15 by hand"), "{screen}");
    assert!(screen.lines().any(|line| line.contains('H') && line.contains("5.15 by hand")), "{screen}");
    insta::assert_snapshot!("by_hand_80x24", text(&app, 80, 24));
}

/// Types into one field of the form and submits it.
fn with(field: usize, words: &str) -> (App, Vec<Effect>) {
    let mut app = opened(Direction::Up);
    app.operator = Signed { name: "R. Aldane".to_owned(), certificate: "UT 2".to_owned(), at_us: 0 };
    update(&mut app, letter('H'));
    typed(&mut app, "8.1");
    enter(&mut app, field);
    typed(&mut app, words);
    let effects = enter(&mut app, 14 - field);
    (app, effects)
}

#[test]
fn it_may_be_read_anywhere_on_the_wall_near_a_nozzle_or_at_an_inspection_point() {
    let place = |effects: &[Effect]| match stated(effects).said {
        Said::HandReading(reading) => (reading.place.clone(), reading.inspection_point.clone()),
        said => panic!("{said:?}"),
    };
    let (_, effects) = with(8, "TML-7");
    assert_eq!(place(&effects).1.as_deref(), Some("TML-7"));
    let (_, effects) = with(9, "92,5 2,4m");
    assert_eq!(place(&effects).0, Some(HandPlace::Wall { azimuth_millideg: 92_500, elevation: Length::mm(2400.0) }));
    let (_, effects) = with(10, "50 nozzle N2, below it");
    assert_eq!(place(&effects).0, Some(HandPlace::Near { what: "nozzle N2, below it".to_owned(), distance: Length::mm(50.0) }));
    let (app, effects) = with(9, "92,5");
    assert!(effects.is_empty());
    assert!(text(&app, 80, 24).contains("write the azimuth in degrees, a space, and the height"), "{}", text(&app, 80, 24));
}

#[test]
fn what_was_read_by_hand_on_the_line_stands_in_the_section_while_it_is_scanned() {
    let mut app = scanning(Direction::Up);
    let before = text(&app, 190, 50);
    let place = Some(HandPlace::Line { line: "A090".to_owned(), along: Length::mm(4100.0) });
    let values = vec![Length::mm(7.3)];
    let reading = HandReading { place, values, gauge: HandGauge::default(), proof: None, grid: None, inspection_point: None };
    let by = Signed { name: "R. Aldane".to_owned(), ..Signed::default() };
    keep(&mut app, &Statement { id: 0, said: Said::HandReading(Box::new(reading)), reason: String::new(), by });
    let after = text(&app, 190, 50);
    let marked = |screen: &str| screen.lines().find(|line| line.starts_with("  4.10")).unwrap().starts_with("  4.10 H");
    assert!(!marked(&before) && marked(&after), "{after}");
}

#[test]
fn a_note_and_a_mark_are_put_at_the_cursor_and_seen_at_once() {
    let mut app = opened(Direction::Up);
    app.operator = Signed { name: "R. Aldane".to_owned(), certificate: "UT 2".to_owned(), at_us: 0 };
    press(&mut app, letter('m'));
    let place = app.review.walked.as_ref().unwrap().at.unwrap().along();
    update(&mut app, letter('n'));
    typed(&mut app, "weld repaired");
    let statement = stated(&enter(&mut app, 1));
    let Said::Note(note) = &statement.said else { panic!("{statement:?}") };
    assert_eq!((note.at.run, note.at.along, note.mark, note.text.as_str()), (Some(2), place, None, "weld repaired"));
    assert!(text(&app, 190, 50).contains("weld repaired"));
    update(&mut app, letter('2'));
    let statement = stated(&enter(&mut app, 1));
    assert!(matches!(&statement.said, Said::Note(note) if note.mark == Some(MarkKind::Nozzle) && note.at.along == place), "{statement:?}");
}

#[test]
fn the_map_has_a_letter_where_something_was_read_by_hand_and_says_what() {
    let mut app = on_map();
    let before = text(&app, 80, 24);
    let values = vec![Length::mm(5.1), Length::mm(5.2)];
    let place = Some(HandPlace::Line { line: "A090".to_owned(), along: Length::mm(4200.0) });
    let reading = HandReading { place, values, gauge: HandGauge::default(), proof: None, grid: None, inspection_point: None };
    let by = Signed { name: "R. Aldane".to_owned(), ..Signed::default() };
    keep(&mut app, &Statement { id: 0, said: Said::HandReading(Box::new(reading)), reason: String::new(), by });
    let after = text(&app, 80, 24);
    assert!(!before.contains("by hand") && after.contains("H 5.15 mm by hand"), "{after}");
    // Away from the cursor the cell itself has the letter.
    update(&mut app, key(KeyCode::Up));
    let row = text(&app, 80, 24).lines().find(|line| line.trim_start().starts_with("4.0")).unwrap().to_owned();
    assert!(row.contains('H'), "{row}");
}

#[test]
fn statistics_name_the_rows_in_which_something_was_read_by_hand() {
    let folder = tempfile::tempdir().unwrap();
    let job = thin(folder.path());
    hand(&job, &["--value", "9.5", "--spot", "1/1", "--confirms", "yes"]);
    let reader = JobFile::open_read_only(&job).unwrap();
    let mut app = app(Step::Review, reader.contents().unwrap());
    let [Effect::OpenSurvey(survey)] = &update(&mut app, letter('h'))[..] else { panic!() };
    let mut handle = open_survey(&job, survey.clone(), None).unwrap();
    wait(&mut app, &mut handle, |app| of_figures(app).unwrap().figures.as_ref().is_some_and(|figures| figures.progress.done));
    let screen = text(&app, 190, 50);
    assert!(
        screen.contains("A090 H") && screen.contains("H: 1 place read by hand, the lowest 9.50 mm, in none of these numbers"),
        "{screen}"
    );
}
