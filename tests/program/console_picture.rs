//! What a picture of a run costs, however long the run is: drawn from a glimpse of its wall, which is all that is taken
//! while the wall is held.

use crate::console::fixture;
use backwall::console::view;
use backwall::live::LiveWall;
use backwall::live::wall::{SpreadOf, StretchWindow, WallAsk};
use backwall_survey::job::Plan;
use backwall_survey::strip::{Level, Section, Seen};
use backwall_survey::travel::Direction;
use backwall_units::Length;
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// An invented wall of this length, read this often: sound but for a thin place every 200 mm and a stretch without echo
/// every 7 m.
fn wall(readings: u32, length_mm: f64) -> LiveWall {
    let limits = Plan::parse("plan.toml", fixture::PLAN).unwrap().limits();
    let mut wall = LiveWall::new(Section::new(Default::default()), Vec::new(), (Length::ZERO, Length::mm(length_mm)));
    for seq in 0..readings {
        let along = f64::from(seq) * length_mm / f64::from(readings);
        let (thickness, level) = match (along % 200.0, along % 7000.0) {
            (at, _) if at < 12.0 => (Some(5.4 + at / 100.0), Level::Thin),
            (_, at) if (3000.0..3030.0).contains(&at) => (None, Level::NoEcho),
            _ => (Some(9.62 + 0.3 * (along / 90.0).sin()), Level::Clear),
        };
        let (along, thickness) = (Some(Length::mm(along)), thickness.map(Length::mm));
        wall.see(&Seen { seq, along, course: Some(2), thickness, level, alone: false }, &limits);
    }
    wall
}

fn median(mut once: impl FnMut()) -> Duration {
    let mut times: Vec<Duration> = (0..400)
        .map(|_| {
            let since = Instant::now();
            once();
            since.elapsed()
        })
        .collect();
    times.sort();
    times[times.len() / 2]
}

/// Prints what a picture costs: `cargo test --test program a_picture_costs -- --ignored --nocapture`.
#[test]
#[ignore = "prints figures"]
fn a_picture_costs_the_same_however_long_the_run_is() {
    let few = Arc::new(Mutex::new(wall(10_000, 10_000.0)));
    let many = Arc::new(Mutex::new(wall(10_000_000, 400_000.0)));
    for (direction, zoom) in [(Direction::Up, 5), (Direction::Across, 5)] {
        for (width, height) in [(80, 24), (190, 50)] {
            let draw = |wall: &Arc<Mutex<LiveWall>>| {
                let mut app = fixture::scanning(direction);
                let scan = app.scan.as_mut().unwrap();
                (scan.wall, scan.look.zoom) = (wall.clone(), zoom);
                let step = scan.look.step();
                let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
                let picture = median(|| {
                    terminal.draw(|frame| view::draw(&app, frame)).unwrap();
                });
                let window = StretchWindow { step, first: 10, count: width };
                let ask = WallAsk { window, lines: usize::from(height), spread: Some(SpreadOf::Line) };
                (picture, median(|| drop(wall.lock().unwrap().glimpse(&ask))))
            };
            // In turns, so that both meet the same machine.
            let runs: Vec<_> = (0..5).map(|_| (draw(&few), draw(&many))).collect();
            let (small, large) = (runs.iter().map(|run| run.0.0).min().unwrap(), runs.iter().map(|run| run.1.0).min().unwrap());
            let (held_small, held_large) = (runs.iter().map(|run| run.0.1).min().unwrap(), runs.iter().map(|run| run.1.1).min().unwrap());
            let ratio = large.as_secs_f64() / small.as_secs_f64();
            println!(
                "{direction:?} {width}x{height} zoom {zoom:2}: 10 thousand readings {small:?} (wall held {held_small:?}), 10 million {large:?} (held {held_large:?}), ratio {ratio:.2}"
            );
            assert!(large <= Duration::from_millis(1), "{large:?}");
            assert!(ratio <= 1.1, "{ratio}");
        }
    }
}
