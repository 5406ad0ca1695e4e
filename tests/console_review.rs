//! A stored run walked by cursor: on screen, and out of a real job file by the threads that read it.

#[path = "console/fixture.rs"]
mod fixture;

use backwall::console::Step;
use backwall::console::review::{Ask, News, SIDE, Shown, Window};
use backwall::console::state::{App, Effect, Event};
use backwall::console::update::update;
use backwall::reading::Reading;
use backwall::strip::At;
use backwall::travel::{Direction, Place};
use backwall::units::Length;
use fixture::*;
use ratatui::crossterm::event::KeyCode;
use std::sync::Arc;

const SIZES: [(u16, u16); 2] = [(80, 24), (190, 50)];

macro_rules! snap {
    ($name:expr, $app:expr) => {
        for (width, height) in SIZES {
            insta::assert_snapshot!(format!("{}_{width}x{height}", $name), text($app, width, height));
        }
    };
}

/// The reading of a shot of the invented wall.
fn shot(row: u64) -> Reading {
    let glance = glance(row as u32);
    let base = if glance.thickness.is_some() { reading(0.0) } else { no_echo(0.0) };
    let mut reading = Reading { seq: glance.seq, level: glance.level, host_time_us: NOW - 7_100_000_000 + row as i64 * 5000, ..base };
    reading.place = Place { along: glance.along, course: glance.course, ..reading.place };
    reading.measurement.thickness = glance.thickness;
    reading
}

/// Stands in for the disk: answers what is asked, and what that leads to.
fn answer(app: &mut App, effects: Vec<Effect>) {
    let mut todo = effects;
    while let Some(effect) = todo.pop() {
        let Effect::Ask(ask) = effect else { continue };
        let news = match ask {
            Ask::Reading(at) => News::Reading(Arc::new(Shown { at, reading: shot(at.row), waveform: Ok(Some(waveform())) })),
            Ask::Window(at) => {
                let here = (at.along().unwrap() / Length::mm(0.2)).round() as i64;
                let (from, to) = ((here - SIDE as i64).max(0), (here + SIDE as i64).min(21_750));
                let readings = (from..to).map(|row| (At::new(glance(row as u32).along, 0, row as u64), shot(row as u64))).collect();
                News::Window(Arc::new(Window { readings, whole: (from == 0, to == 21_750) }))
            }
        };
        todo.extend(update(app, Event::Review(news)));
    }
}

fn press(app: &mut App, event: Event) {
    let effects = update(app, event);
    answer(app, effects);
}

fn opened(direction: Direction) -> App {
    let mut app = app(Step::Review, ready());
    press(&mut app, Event::Reviewed(2, Arc::new(overview(direction))));
    app
}

fn row(app: &App) -> u64 {
    app.opened.as_ref().unwrap().at.unwrap().row
}

#[test]
fn a_run_on_screen() {
    let mut app = opened(Direction::Up);
    press(&mut app, letter('m'));
    snap!("walk", &app);
    press(&mut app, letter('>'));
    press(&mut app, letter('>'));
    snap!("walk_limit", &app);
    for _ in 0..6 {
        press(&mut app, letter('+'));
    }
    snap!("walk_single", &app);
    let mut app = opened(Direction::Across);
    press(&mut app, letter('m'));
    snap!("walk_across", &app);
}
