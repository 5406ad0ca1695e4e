//! What the scan screen never lets one take for what it is not: a virtual crawler for a wall, an old number for a present one, a broken
//! link for a wall without an echo, a jump of the scale for a jump of the echo.

use crate::console::fixture::*;
use backwall::console::state::{App, Effect, Event, Question, WaveScale};
use backwall::console::update::update;
use backwall::console::{Step, Theme};
use backwall::live::{LiveView, Phase, RunCommand};
use backwall_store::RunState;
use backwall_survey::job::plan::CrawlerPlan;
use backwall_survey::travel::Direction;
use backwall_ultrasound::{Flag, Flags, Quality};
use backwall_units::Length;
use ratatui::crossterm::event::KeyCode;
use ratatui::style::Color;
use std::sync::Arc;

const SIZES: [(u16, u16); 2] = [(80, 24), (190, 50)];

fn top(app: &App, (width, height): (u16, u16)) -> String {
    text(app, width, height).lines().next().unwrap().to_owned()
}

#[test]
fn a_virtual_crawler_is_named_in_the_first_line_whatever_else_stands_there() {
    for size in SIZES {
        let mut app = scanning(Direction::Up);
        assert!(!top(&app, size).contains("SIMULATED"), "a real device is not");
        change(&mut app, |view| view.telemetry.device = Some("virtual crawler (simulated)".into()));
        change(&mut app, |view| view.checklist_override = Some("the wind gauge is broken and the client wants the line today".into()));
        assert!(top(&app, size).starts_with("  SIMULATED "), "{}", top(&app, size));
        change(&mut app, |view| view.phase = Phase::LinkDown("refused".into()));
        assert!(top(&app, size).contains("SIMULATED  LINK DOWN"), "{}", top(&app, size));
        change(&mut app, |view| view.phase = Phase::Ended(Box::new(summary(3, "A090", RunState::Closed))));
        assert!(top(&app, size).contains("SIMULATED"), "{}", top(&app, size));
        app.demo = true;
        for step in Step::ALL {
            app.step = step;
            assert!(top(&app, size).starts_with("  DEMO "), "{}", top(&app, size));
        }
    }
}

#[test]
fn a_number_that_is_too_old_vanishes_with_all_that_belongs_to_it() {
    for size in SIZES {
        let mut app = scanning(Direction::Up);
        let shown = |app: &App| text(app, size.0, size.1);
        for words in ["over 6.20", "FSH 64%", "speed 41 of 60"] {
            assert!(shown(&app).contains(words), "{words}\n{}", shown(&app));
        }
        update(&mut app, Event::Clock(NOW + 3_000_000));
        assert!(shown(&app).contains("OLD 3"), "{}", shown(&app));
        for words in ["3.40 over", "FSH", "speed 41", "quality good"] {
            assert!(!shown(&app).contains(words), "{words}\n{}", shown(&app));
        }
    }
}

#[test]
fn the_scale_of_the_a_scan_grows_at_once_and_shrinks_when_less_has_been_enough_for_two_seconds() {
    let mut scale = WaveScale::default();
    let mut take = |needed, ms: i64| {
        scale.take(needed, ms * 1_000);
        scale.height()
    };
    assert_eq!([take(0.2, 0), take(0.5, 100)], [0.2, 0.5]);
    // To and fro between two heights from shot to shot: it stays.
    assert!((0..40).all(|shot| take(if shot % 2 == 0 { 0.2 } else { 0.5 }, 200 + shot * 55) == 0.5));
    assert_eq!([take(0.2, 3_000), take(0.1, 4_000), take(0.1, 4_999)], [0.5, 0.5, 0.5]);
    // The greatest of what was needed meanwhile.
    assert_eq!(take(0.1, 5_000), 0.2);
    assert_eq!([take(1.0, 5_001)], [1.0]);
}

#[test]
fn before_the_first_shot_stands_what_is_required_where_the_run_starts() {
    for (direction, line) in [(Direction::Up, "course 1"), (Direction::Across, "course 2")] {
        let mut app = scanning(direction);
        change(&mut app, |view| {
            let plan = contents().plan;
            let planned = plan.line(&view.line).unwrap();
            let start =
                backwall_store::RunStart { line: view.line.clone(), path: plan.path(planned), ..summary(3, "A090", RunState::Open).start };
            *view = LiveView::waiting(3, &start, view.limits.clone(), view.max_speed, view.max_gap);
        });
        for (width, height) in SIZES {
            let screen = text(&app, width, height);
            assert!(screen.contains(&format!("{line}: required 6.20, watch 7.00 mm")), "{screen}");
        }
    }
}

#[test]
fn many_flags_leave_the_a_scan_where_it_is_and_are_counted_where_they_do_not_fit() {
    let mut app = scanning(Direction::Up);
    let row_of = |app: &App| text(app, 80, 24).lines().position(|line| line.contains("A-scan")).unwrap();
    let before = row_of(&app);
    change(&mut app, |view| {
        let measurement = &mut view.reading.as_mut().unwrap().measurement;
        measurement.quality = Quality::Poor;
        measurement.flags = [Flag::ZeroMoved, Flag::OffLine, Flag::EncoderJump, Flag::Repeated].into_iter().fold(Flags::NONE, Flags::with);
    });
    assert_eq!(row_of(&app), before);
    let screen = text(&app, 80, 24);
    let trust = screen.lines().find(|line| line.contains("quality poor")).unwrap();
    let first = app.scan.as_ref().unwrap().view.reading.as_ref().unwrap().measurement.flags.iter().next().unwrap().word();
    assert!(trust.contains(&format!("quality poor: {first} +3")), "{trust}");
    // Wide, all of them are named.
    let screen = text(&app, 190, 50);
    let trust = screen.lines().find(|line| line.contains("quality poor")).unwrap();
    assert!(trust.contains("zero-moved") && trust.contains("encoder-jump") && trust.contains("repeated"), "{trust}");
}

#[test]
fn a_misclosure_no_crawler_comes_back_with_is_asked_about_before_it_is_noted() {
    // 4349.8 mm out, of which it was never back.
    let mut app = scanning(Direction::Up);
    assert!(update(&mut app, letter('d')).is_empty());
    assert!(
        text(&app, 80, 24).contains("+4350 mm off its start by the encoder. Is it at its start?  y note it   n no"),
        "{}",
        text(&app, 80, 24)
    );
    assert!(update(&mut app, letter('n')).is_empty() && app.question.is_none());
    update(&mut app, letter('d'));
    assert_eq!(update(&mut app, letter('y')), [Effect::Command(RunCommand::AtDatum)]);
    // While the run is being ended: a no goes back to that question, a yes notes it and ends.
    update(&mut app, letter('e'));
    update(&mut app, letter('d'));
    assert!(update(&mut app, letter('n')).is_empty());
    assert_eq!(app.question, Some(Question::EndRun));
    update(&mut app, letter('d'));
    assert_eq!(update(&mut app, letter('y')), [Effect::Command(RunCommand::AtDatum), Effect::Command(RunCommand::End)]);
    // One that can be is noted at once.
    let mut app = scanning(Direction::Up);
    change(&mut app, |view| view.reading = Some(reading(20.0)));
    assert_eq!(update(&mut app, letter('d')), [Effect::Command(RunCommand::AtDatum)]);
}

#[test]
fn what_is_free_on_the_disk_stands_once_and_steadily() {
    let mut app = scanning(Direction::Up);
    for free in [12_400_000_000, 12_399_000_000] {
        change(&mut app, |view| view.saved.free_bytes = Some(free));
        assert!(top(&app, (190, 50)).contains("12.4 GB free"), "{}", top(&app, (190, 50)));
        for size in SIZES {
            let screen = text(&app, size.0, size.1);
            // At 80 columns what is due goes before it.
            assert_eq!(screen.matches("GB free").count(), usize::from(size.0 > 80), "{screen}");
        }
    }
    // 46 MB in 100 s: 1.38 GB are 50 minutes.
    change(&mut app, |view| view.saved.free_bytes = Some(1_380_000_000));
    for size in SIZES {
        assert!(top(&app, size).contains("disk 50 min"), "{}", top(&app, size));
    }
}

// At 80 columns a low battery and a short disk push off what is good to know, also while something is due.
#[test]
fn a_low_battery_and_a_short_disk_stand_in_the_top_line_at_80_columns() {
    let mut app = scanning(Direction::Up);
    app.contents.plan.crawler = Some(CrawlerPlan { battery_low_mv: Some(14_000), ..CrawlerPlan::default() });
    change(&mut app, |view| view.telemetry.battery_mv = Some(14_100));
    assert!(!top(&app, (80, 24)).contains("BATTERY"), "{}", top(&app, (80, 24)));
    change(&mut app, |view| view.telemetry.battery_mv = Some(14_000));
    assert!(top(&app, (80, 24)).contains("BATTERY 14.0V"), "{}", top(&app, (80, 24)));
    // 46 MB in 100 s: 300 MB are 10 minutes.
    change(&mut app, |view| view.saved.free_bytes = Some(300_000_000));
    for size in SIZES {
        let line = top(&app, size);
        assert!(line.contains("BATTERY 14.0V") && line.contains("disk 10 min") && line.contains("REC saved"), "{line}");
    }
}

#[test]
fn light_brings_its_own_ground_to_a_dark_terminal() {
    let mut app = scanning(Direction::Up);
    app.look.theme = Theme::Light;
    let terminal = render(&app, 80, 24);
    let buffer = terminal.backend().buffer();
    let grounds: Vec<Color> = buffer.content.iter().map(|cell| cell.bg).collect();
    assert!(grounds.iter().all(|ground| *ground != Color::Reset), "no cell shows the terminal's own ground");
}

#[test]
fn thin_rings_three_times_watch_once_and_nothing_where_the_bell_is_off() {
    let mut app = scanning(Direction::Up);
    let ring = |app: &mut App, rings| {
        let mut view = (*app.scan.as_ref().unwrap().view).clone();
        (view.bells, view.rings) = (view.bells + 1, rings);
        update(app, Event::Live(Arc::new(view), NOW))
    };
    assert_eq!((ring(&mut app, 1), ring(&mut app, 3)), (vec![Effect::Bell(1)], vec![Effect::Bell(3)]));
    assert_eq!(update(&mut app, letter('B')), [Effect::SaveSettings]);
    assert!(!app.bell && app.message.as_ref().unwrap().text.contains("bell is off"));
}

#[test]
fn a_review_opens_where_the_run_began_and_names_what_it_counts_by() {
    let mut app = app(Step::Review, ready());
    app.run = 1;
    update(&mut app, Event::Reviewed(2, Arc::new(overview(Direction::Up))));
    assert_eq!(app.review.walked.as_ref().unwrap().place(), Some(Length::ZERO));
    let screen = text(&app, 80, 24);
    assert!(screen.contains("required 6.20: "), "{screen}");
    update(&mut app, letter('>'));
    assert!(text(&app, 80, 24).contains("REQUIRED +0.10 = 6.30 on trial"), "{}", text(&app, 80, 24));
    update(&mut app, key(KeyCode::End));
    assert!(app.review.walked.as_ref().unwrap().place() > Some(Length::mm(4_000.0)));
}

#[test]
fn an_earlier_survey_is_drawn_as_an_outline_behind_the_run_of_its_line() {
    let mut app = scanning(Direction::Up);
    app.message = None;
    let outline = |mm: f64| {
        let mut strip = backwall_survey::strip::Strip::default();
        (0..7200).for_each(|at| strip.push(Some(Length::mm(f64::from(at))), Some(Length::mm(mm)), backwall_survey::strip::Level::Unjudged));
        Arc::new(backwall::console::review::EarlierOutline { source: "earlier.csv of 2021-06-14".into(), strip })
    };
    let shape = app.look.glyphs.shapes().outline;
    let drawn = |app: &App| text(app, 80, 24).matches(shape).count();
    let before = drawn(&app);
    update(&mut app, Event::Outline { line: "C2".into(), outline: outline(9.9) });
    assert_eq!(drawn(&app), before, "of another line");
    update(&mut app, Event::Outline { line: "A090".into(), outline: outline(9.9) });
    assert!(drawn(&app) > before + 10, "{}", text(&app, 80, 24));
    assert!(app.message.as_ref().unwrap().text.contains("earlier survey earlier.csv of 2021-06-14, positions as written"));
}

#[test]
fn an_alarm_stays_after_the_end_and_is_acknowledged_there_and_in_the_review() {
    let mut app = scanning(Direction::Up);
    change(&mut app, |view| view.phase = Phase::Ended(Box::new(summary(3, "A090", RunState::Closed))));
    assert!(text(&app, 80, 24).contains("[a] acknowledge"), "{}", text(&app, 80, 24));
    let said = update(&mut app, letter('a'));
    assert!(matches!(&said[..], [Effect::Acknowledge(3, _, by), Effect::Reload] if by.name == "R. Aldane"), "{said:?}");
    assert!(!text(&app, 80, 24).contains("[a] acknowledge"), "{}", text(&app, 80, 24));

    let mut app = crate::console::fixture::app(Step::Review, ready());
    update(&mut app, Event::Reviewed(2, Arc::new(overview(Direction::Up))));
    let open = |app: &App| app.review.walked.as_ref().unwrap().overview.wall.spots.open().count();
    let before = open(&app);
    assert!(before > 0);
    // First it goes there, then it is said of the spot one sees.
    assert!(update(&mut app, letter('a')).iter().all(|effect| matches!(effect, Effect::Ask(_))));
    let said = update(&mut app, letter('a'));
    assert!(matches!(&said[..], [Effect::Acknowledge(2, ..), Effect::Reload]), "{said:?}");
    assert_eq!(open(&app), before - 1);
}
