//! A photo and a witness, entered by keys: from the walk at the place under the cursor, in the middle of a run, and in the file.

use crate::console::fixture::*;
use crate::console_review::{opened, press};
use crate::hand::thin;
use backwall::console::Backend;
use backwall::console::state::{App, Effect};
use backwall::console::update::update;
use backwall::session::{ConsoleBackend, Session};
use backwall_store::{JobFile, RunState, photos};
use backwall_survey::job::Said;
use backwall_survey::job::checklist::Signed;
use backwall_survey::travel::Direction;
use ratatui::crossterm::event::KeyCode;

fn types(app: &mut App, words: &str) {
    for c in words.chars() {
        update(app, letter(c));
    }
}

fn enter(app: &mut App, count: usize) -> Vec<Effect> {
    (0..count).map(|_| update(app, key(KeyCode::Enter))).last().unwrap_or_default()
}

fn known(mut app: App) -> App {
    app.operator = Signed { name: "R. Aldane".to_owned(), certificate: "UT 2".to_owned(), at_us: 0 };
    app
}

fn help_of(app: &mut App) -> String {
    update(app, letter('?'));
    let help = text(app, 190, 50);
    update(app, letter('?'));
    help
}

#[test]
fn a_photo_is_added_at_the_place_under_the_cursor_and_copied_beside_the_job() {
    let mut app = known(opened(Direction::Up));
    press(&mut app, letter('m'));
    let along = app.review.walked.as_ref().unwrap().at.unwrap().along().unwrap();
    assert!(help_of(&mut app).contains("add a photo"));
    update(&mut app, letter('P'));
    insta::assert_snapshot!("photo_80x24", text(&app, 80, 24));
    // Without a file it goes no further than its field.
    assert!(enter(&mut app, 6).is_empty() && app.prompt.is_some());
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("IMG_0412.JPG");
    std::fs::write(&file, b"invented picture").unwrap();
    types(&mut app, file.to_str().unwrap());
    enter(&mut app, 1);
    types(&mut app, "scab at the seam");
    let effects = enter(&mut app, 5);
    let [Effect::Photo(photo, by), Effect::Reload] = &effects[..] else { panic!("{effects:?}") };
    let at = photo.at.along.unwrap();
    assert!((at - along).abs().as_mm() < 0.6 && photo.at.run == Some(2) && photo.at.line.as_deref() == Some("A090"), "{photo:?}");

    // What stands behind the screen reads the file, copies it and keeps its digest.
    let job = thin(folder.path());
    let session = Session::open(&job, Some("R. Aldane")).unwrap();
    let mut backend = ConsoleBackend { session, earlier: None, unprepared: None };
    let of_job = backwall::console::state::NewPhoto { at: Default::default(), ..(**photo).clone() };
    backend.photo(of_job.clone(), by.clone()).unwrap();
    let gone = backwall::console::state::NewPhoto { path: folder.path().join("none.jpg"), ..of_job };
    assert!(format!("{:#}", backend.photo(gone, by.clone()).unwrap_err()).contains("none.jpg: cannot be read"));
    backend.close().unwrap();
    let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
    let kept = contents.statements.iter().find_map(|known| if let Said::Photo(photo) = &known.said { Some(photo) } else { None }).unwrap();
    assert_eq!((kept.text.as_str(), kept.kept, kept.bytes), ("scab at the seam", true, 16));
    assert_eq!(photos::check(&job, kept).unwrap(), photos::PhotoState::Whole);
}

#[test]
fn who_saw_what_is_entered_in_the_middle_of_a_run_and_the_run_goes_on() {
    let mut app = known(scanning(Direction::Up));
    let run = app.scan.as_ref().unwrap().view.run;
    app.contents.runs.push(summary(run, "A090", RunState::Open));
    assert!(help_of(&mut app).contains("who saw what"));
    update(&mut app, letter('W'));
    insta::assert_snapshot!("witness_80x24", text(&app, 80, 24));
    types(&mut app, "drive from the start mark");
    enter(&mut app, 1);
    types(&mut app, "M. Thole");
    // No initials, no witness.
    assert!(enter(&mut app, 5).is_empty() && app.prompt.is_some());
    assert!(text(&app, 80, 24).contains("write something here"), "{}", text(&app, 80, 24));
    types(&mut app, "MT");
    let effects = enter(&mut app, 4);
    let [Effect::State(statement), Effect::Reload] = &effects[..] else { panic!("{effects:?}") };
    let Said::Witness(witness) = &statement.said else { panic!("{statement:?}") };
    assert_eq!((witness.name.as_str(), witness.initials.as_str(), witness.run), ("M. Thole", "MT", Some(run)));
    assert!(app.scanning() && app.prompt.is_none());
}
