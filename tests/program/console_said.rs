//! What is said above the keys: nothing that came by itself is overwritten before anybody can have read it.

use crate::console::fixture::*;
use backwall::console::Step;
use backwall::console::state::{App, Event};
use backwall::console::theme::Role;
use backwall::console::update::update;
use backwall::live::LiveView;
use backwall_store::{Mark, MarkKind, Note, Saved};
use backwall_survey::travel::Direction;
use std::sync::Arc;

/// Long enough to read a line; then what shares the line with an alarm has it again.
const SECONDS: i64 = 1_000_000;

fn shown(app: &App) -> &str {
    app.message.as_ref().map_or("", |message| message.text.as_str())
}

fn after(app: &mut App, seconds: i64) {
    let now = app.now_us + seconds * SECONDS;
    update(app, Event::Clock(now));
}

#[test]
fn what_came_by_itself_is_seen_though_a_key_is_pressed_or_more_comes() {
    let mut app = app(Step::Scan, ready());
    app.news(Role::Plain, "first");
    app.news(Role::Watch, "second");
    assert_eq!(shown(&app), "first");
    app.say(Role::Plain, "answer to a key");
    assert_eq!(shown(&app), "answer to a key");
    app.unsay();
    after(&mut app, 1);
    assert_eq!(shown(&app), "first", "nobody can have read it");
    after(&mut app, 4);
    assert_eq!(shown(&app), "first");
    after(&mut app, 1);
    assert_eq!(shown(&app), "second");
    after(&mut app, 60);
    assert_eq!(shown(&app), "second", "nothing else wants the line");
}

#[test]
fn a_fault_comes_back_from_under_what_was_said_just_after_it() {
    let mut app = app(Step::Scan, ready());
    update(&mut app, Event::Failed("the note was NOT kept".to_owned()));
    update(&mut app, Event::Done("signed".to_owned()));
    assert_eq!(shown(&app), "signed");
    update(&mut app, letter('t'));
    after(&mut app, 1);
    assert_eq!(shown(&app), "the note was NOT kept");
}

#[test]
fn a_fault_that_was_not_read_does_not_come_back_when_it_may_no_longer_be_true() {
    let mut app = app(Step::Scan, ready());
    update(&mut app, Event::Failed("the encoder is REFUSED".to_owned()));
    update(&mut app, letter('t'));
    app.say(Role::Plain, "the encoder is accepted");
    app.unsay();
    after(&mut app, 25);
    assert_eq!(shown(&app), "");
}

#[test]
fn an_answer_that_could_be_read_gives_way_to_what_came_by_itself() {
    let mut app = app(Step::Scan, ready());
    app.say(Role::Plain, "gain 26 dB sent");
    app.news(Role::Watch, "the device started anew");
    after(&mut app, 4);
    assert_eq!(shown(&app), "gain 26 dB sent");
    after(&mut app, 2);
    assert_eq!(shown(&app), "the device started anew");
}

/// What does not fit in a row takes more: its end is where it says what to do.
#[test]
fn what_is_said_is_whole_at_80_columns_and_stands_beneath_an_alarm_too() {
    let long = "NOT TAKEN: 127.0.0.1:7100: the 10.00 mm block shows no echo at 15.48 µs, where the typed zero puts its first, but a row of echoes as \
                it must have them from 8.90 µs on: the zero is near 5.42 µs. Correct the typed zero";
    let mut quiet = app(Step::Calibrate, ready());
    quiet.say(Role::Error, long);
    let mut alarmed = scanning(Direction::Up);
    alarmed.say(Role::Error, long);
    for (app, keys) in [(&quiet, true), (&alarmed, false)] {
        for (width, height) in [(80, 24), (60, 20)] {
            let screen = text(app, width, height);
            let joined = screen.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(joined.contains("the zero is near 5.42 µs. Correct the typed zero"), "{screen}");
            assert_eq!(screen.lines().last().unwrap().contains("? help"), keys, "{screen}");
        }
    }
    assert!(text(&alarmed, 80, 24).contains("[a] acknowledge"), "the alarm stands above it");
}

/// Common practice, no source: an operator who notes something while the disk is full must see that it is not safe yet.
#[test]
fn a_note_and_a_mark_are_not_saved_yet_while_the_disk_is_full_and_saved_when_there_is_room() {
    let mut app = scanning(Direction::Up);
    let at_us = NOW + 5 * SECONDS;
    {
        let scan = app.scan.as_ref().unwrap();
        let mut wall = scan.wall.lock().unwrap();
        wall.notes.clear();
        wall.marks.clear();
        let note = |text: &str, at_us| Note { run: None, along: None, text: text.into(), at_us };
        wall.notes.extend([note("before it was full", NOW - SECONDS), note("typed while it was full", at_us)]);
        wall.marks.push(Mark { kind: MarkKind::Seam, along: None, seq: None, text: "full".into(), at_us });
    }
    let with = |app: &mut App, fault: Option<&str>, at_us: i64| {
        let scan = app.scan.as_mut().unwrap();
        let saved = Saved { fault: fault.map(str::to_owned), at_us, ..scan.view.saved.clone() };
        scan.view = Arc::new(LiveView { saved, ..(*scan.view).clone() });
        text(app, 190, 50)
    };
    let screen = with(&mut app, Some("the disk is full"), NOW);
    assert!(screen.contains("NOT SAVED YET: typed while it was full") && screen.contains("NOT SAVED YET: mark seam full"), "{screen}");
    assert!(screen.contains("before it was full") && !screen.contains("NOT SAVED YET: before"), "{screen}");
    let screen = with(&mut app, None, at_us);
    assert!(screen.contains("typed while it was full") && !screen.contains("NOT SAVED"), "{screen}");
}

#[test]
fn news_stand_beside_an_alarm_and_leave_the_keys_their_line_again() {
    let mut app = scanning(Direction::Up);
    assert!(app.open_alarm().is_some(), "the fixture has a thin spot nobody has acknowledged");
    app.unsay();
    app.news(Role::Plain, "outline: an earlier survey");
    let screen = text(&app, 80, 24);
    let mut last = screen.lines().rev();
    assert!(last.next().unwrap().contains("outline: an earlier survey"), "{screen}");
    assert!(last.next().unwrap().contains("[a] acknowledge"), "{screen}");
    after(&mut app, 11);
    assert!(text(&app, 80, 24).lines().last().unwrap().contains("end"), "the keys are there again");
}
