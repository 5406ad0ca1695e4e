//! The screens over the review: the map of all lines, statistics with histograms, and a stored run played again.

use crate::console::fixture::*;
use crate::console_review::stored::{append, at, fill, new_job, start};
use backwall::console::replay::{Replay, ReplayPace};
use backwall::console::review::Over;
use backwall::console::state::{App, Effect, Event};
use backwall::console::survey::{SurveyAsk, SurveyNews, Surveyed};
use backwall::console::update::update;
use backwall::console::{Glyphs, Step, SurveyHandle, Theme};
use backwall::live::Phase;
use backwall::session::review::{open_replay, open_survey};
use backwall_report::figure::data::wall_map;
use backwall_report::readings::ReadingsOf;
use backwall_report::statistics::rows;
use backwall_store::{CloseReason, JobFile};
use backwall_survey::strip::Strip;
use backwall_survey::travel::Direction;
use backwall_units::{Length, LengthUnit};
use ratatui::crossterm::event::KeyCode;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

macro_rules! snap {
    ($name:expr, $app:expr) => {
        for (width, height) in [(80, 24), (190, 50)] {
            insta::with_settings!({ snapshot_path => "../snapshots" }, {
                insta::assert_snapshot!(format!("{}_{width}x{height}", $name), text($app, width, height));
            });
        }
    };
}

fn surveyed(strip: impl Fn(&str) -> Strip) -> SurveyNews {
    let plan = contents().plan;
    let progress = backwall::console::review::ReadProgress { read: 21_750, of: 21_750, done: true, open: false };
    SurveyNews::Map(Arc::new(Surveyed::new(
        plan.wall_map(|line| [(0, strip(line))].into()),
        false,
        vec![Length::mm(2400.0), Length::mm(4800.0)],
        progress,
    )))
}

pub fn on_map() -> App {
    let mut app = app(Step::Review, ready());
    assert_eq!(update(&mut app, letter('p')), [Effect::OpenSurvey(SurveyAsk::Map)]);
    let strip = |line: &str| if line == "A090" { wall(Direction::Up).strip.clone() } else { Strip::default() };
    update(&mut app, Event::Survey(surveyed(strip)));
    app
}

fn screen(app: &App) -> String {
    text(app, 80, 24)
}

#[test]
fn the_map_on_screen() {
    let mut app = on_map();
    snap!("map", &app);
    app.look = look(Theme::Mono, Glyphs::Ascii);
    app.look.unit = LengthUnit::Inch;
    snap!("map_ascii", &app);
    assert!(screen(&app).is_ascii() || screen(&app).contains("ft²"), "{}", screen(&app));
}

#[test]
fn while_the_map_is_read_nothing_says_that_blank_wall_was_not_scanned() {
    let mut app = app(Step::Review, ready());
    update(&mut app, letter('p'));
    let shown = screen(&app);
    assert!(shown.contains("may only not have been read yet") && !shown.contains("Scanned:"), "{shown}");
}

#[test]
fn the_map_is_walked_by_line_and_elevation_and_opens_the_line_there() {
    let mut app = on_map();
    let cursor = |app: &App| match &app.review.over {
        Some(Over::Map(shown)) => shown.cell().map(|(band, cell)| (band.line.clone(), cell.from.as_mm(), cell.to.as_mm())),
        _ => None,
    };
    // It begins at the least reading of the run that was looked at, 4.052 m.
    assert_eq!(cursor(&app), Some(("A090".into(), 4000.0, 5000.0)));
    update(&mut app, key(KeyCode::Up));
    assert_eq!(cursor(&app), Some(("A090".into(), 5000.0, 6000.0)));
    assert!(screen(&app).contains("A090 5.000 to 6.000 m: not scanned"), "{}", screen(&app));
    update(&mut app, letter('m'));
    update(&mut app, letter('+'));
    assert_eq!(cursor(&app), Some(("A090".into(), 4000.0, 4500.0)), "{}", screen(&app));
    update(&mut app, letter('m'));
    assert!(screen(&app).contains("min 5.7"), "{}", screen(&app));
    // Beneath the lowest row stand the lines across.
    for _ in 0..20 {
        update(&mut app, key(KeyCode::Down));
    }
    assert_eq!(cursor(&app).unwrap().0, "C2");
    update(&mut app, key(KeyCode::Enter));
    assert!(screen(&app).contains("line C2 has no run"), "{}", screen(&app));
    update(&mut app, letter('m'));
    assert_eq!(update(&mut app, key(KeyCode::Enter)), [Effect::CloseSurvey, Effect::OpenLine(2)]);
    update(&mut app, Event::Reviewed(2, Arc::new(overview(Direction::Up))));
    assert_eq!(app.review.walked.as_ref().unwrap().place(), Some(Length::mm(4050.0)));
}

#[test]
fn lines_without_a_place_and_a_job_without_runs_say_so() {
    let mut job = contents();
    job.plan.lines[0].azimuth_deg = None;
    let mut app = app(Step::Review, job.clone());
    for c in "phr".chars() {
        update(&mut app, letter(c));
        update(&mut app, key(KeyCode::Esc));
    }
    update(&mut app, letter('r'));
    assert!(screen(&app).contains("there is no run to play"), "{}", screen(&app));
    update(&mut app, letter('p'));
    let progress = backwall::console::review::ReadProgress { done: true, ..Default::default() };
    let map = Surveyed::new(job.plan.wall_map(|_| Default::default()), false, Vec::new(), progress);
    update(&mut app, Event::Survey(SurveyNews::Map(Arc::new(map))));
    let shown = screen(&app);
    assert!(
        shown.contains("NOT ON THE MAP: A090 (the plan gives it no azimuth_deg)") && shown.contains("0.000 % of the surface"),
        "{shown}"
    );
}

/// A job with two runs up a line, the first of them thin and without an echo somewhere.
fn job(folder: &Path) -> std::path::PathBuf {
    let path = new_job(folder);
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    for offset in [0u32, 2000] {
        let run = start(&writer);
        let limits = contents().plan.limits();
        let readings = (0..2500u32).map(|seq| {
            let along = f64::from(offset + seq);
            let mut reading = at(seq, Some(along), thickness_at(along));
            reading.place.course = Some(if along < 2400.0 { 1 } else { 2 });
            reading.level = limits.level(&reading.measurement, reading.place.course);
            reading
        });
        append(&writer, run, readings);
        writer.close_run(run, CloseReason::Operator, 0).unwrap();
    }
    job.close().unwrap();
    path
}

pub fn wait(app: &mut App, handle: &mut SurveyHandle, done: impl Fn(&App) -> bool) {
    let since = Instant::now();
    while !done(app) {
        assert!(since.elapsed() < Duration::from_secs(120), "nothing came: {}", screen(app));
        match handle.news.try_recv() {
            Ok(news) => drop(update(app, Event::Survey(news))),
            Err(_) => std::thread::sleep(Duration::from_millis(1)),
        }
    }
}

#[test]
fn the_map_read_from_a_job_is_the_report_s() {
    let folder = tempfile::tempdir().unwrap();
    let path = job(folder.path());
    let reader = JobFile::open_read_only(&path).unwrap();
    let mut app = app(Step::Review, reader.contents().unwrap());
    update(&mut app, letter('p'));
    let mut handle = open_survey(&path, SurveyAsk::Map, None).unwrap();
    let done = |app: &App| matches!(&app.review.over, Some(Over::Map(shown)) if shown.surveyed.progress.done);
    wait(&mut app, &mut handle, done);
    let report = wall_map(&reader, &reader.contents().unwrap(), &mut |_, _| true).unwrap();
    let Some(Over::Map(shown)) = &app.review.over else { panic!() };
    assert_eq!(shown.surveyed.scanned, (report.scanned_share(), report.scanned_m2()));
    assert_eq!(shown.surveyed.progress.read, 5000);
}

pub fn of_figures(app: &App) -> Option<&backwall::console::survey::StatisticsShown> {
    match &app.review.over {
        Some(Over::Statistics(shown)) => Some(shown),
        _ => None,
    }
}

#[test]
fn statistics_on_screen_are_the_report_s_rows() {
    let folder = tempfile::tempdir().unwrap();
    let path = job(folder.path());
    let reader = JobFile::open_read_only(&path).unwrap();
    let mut app = app(Step::Review, reader.contents().unwrap());
    let [Effect::OpenSurvey(survey)] = &update(&mut app, letter('h'))[..] else { panic!() };
    let mut handle = open_survey(&path, survey.clone(), None).unwrap();
    wait(&mut app, &mut handle, |app| of_figures(app).unwrap().figures.as_ref().is_some_and(|figures| figures.progress.done));
    snap!("statistics_line", &app);
    update(&mut app, letter('b'));
    snap!("statistics_course", &app);
    update(&mut app, letter('b'));
    snap!("statistics_interval", &app);
    // Shorter intervals are asked for and come.
    let asked = update(&mut app, letter('<'));
    let wanted = SurveyAsk::Statistics { line: "A090".into(), interval: Length::mm(200.0) };
    assert_eq!(asked, [Effect::AskSurvey(wanted.clone())]);
    assert!(!screen(&app).contains("nan"), "{}", screen(&app));
    handle.asks.send(wanted).unwrap();
    wait(&mut app, &mut handle, |app| of_figures(app).unwrap().figures.as_ref().unwrap().interval.1 == Length::mm(200.0));
    let job = reader.contents().unwrap();
    let sources: Vec<ReadingsOf<'_>> = job.runs.iter().map(ReadingsOf::Run).collect();
    let report = rows(&reader, &job, &sources, Some(Length::mm(200.0)), &mut |_, _| true).unwrap();
    let figures = of_figures(&app).unwrap().figures.clone().unwrap();
    let line = &figures.lines[0];
    let shown: Vec<_> = std::iter::once(&line.whole).chain(&line.courses).chain(&line.intervals).collect();
    assert_eq!(shown.len(), report.len());
    for (part, row) in shown.iter().zip(&report) {
        assert_eq!((&part.row.statistics, part.row.edges, part.row.course), (&row.statistics, row.edges, row.course));
        // Each reading with a thickness stands in exactly one step.
        let counted = part.histogram.as_ref().map_or(0, |histogram| histogram.counts.iter().sum::<u64>());
        assert_eq!(counted, row.statistics.read);
    }
    // The line nobody has driven is in the table, and nothing of it is covered.
    assert_eq!((figures.lines.len(), figures.lines[1].whole.row.statistics.readings), (2, 0));
    assert_eq!(figures.lines[1].whole.row.statistics.coverage.unwrap().share, Some(0.0));
    update(&mut app, key(KeyCode::Right));
    assert!(screen(&app).contains("line C2 has no run: it was not scanned"), "{}", screen(&app));
    update(&mut app, key(KeyCode::Left));
    app.look = look(Theme::Mono, Glyphs::Ascii);
    let asked = update(&mut app, letter('u'));
    assert_eq!(asked, [Effect::AskSurvey(SurveyAsk::Statistics { line: "A090".into(), interval: Length::inch(12.0) })]);
    update(&mut app, letter('b'));
    snap!("statistics_inch", &app);
    assert_eq!(update(&mut app, key(KeyCode::Enter)), [Effect::CloseSurvey, Effect::OpenLine(2)]);
}

#[test]
fn a_part_of_the_readings_has_no_statistics() {
    let mut app = app(Step::Review, ready());
    update(&mut app, letter('h'));
    assert!(screen(&app).contains("there are no statistics of a part"), "{}", screen(&app));
}

fn replaying() -> App {
    let mut app = app(Step::Review, ready());
    assert_eq!(update(&mut app, letter('r')), [Effect::OpenReplay(2)]);
    let mut view = live(Direction::Up);
    (view.run, view.link, view.saved) = (2, Default::default(), Default::default());
    let view = Arc::new(view);
    update(&mut app, Event::Replaying { view, wall: Arc::new(Mutex::new(wall(Direction::Up))) });
    app
}

#[test]
fn a_replay_on_screen_is_marked_and_takes_no_key_that_would_write() {
    let mut app = replaying();
    snap!("replay", &app);
    for event in "nNaA12345deos".chars().map(letter) {
        assert!(update(&mut app, event).is_empty());
        assert!(app.prompt.is_none() && app.question.is_none());
    }
    assert_eq!(update(&mut app, letter(' ')), [Effect::Replay(Replay { pace: ReplayPace::Device, paused: true })]);
    assert!(screen(&app).lines().next().unwrap().contains("REPLAY A090 up run 2 PAUSED"), "{}", screen(&app));
    update(&mut app, letter(' '));
    for pace in [ReplayPace::Double, ReplayPace::Five, ReplayPace::Ten, ReplayPace::Max, ReplayPace::Max] {
        assert_eq!(update(&mut app, letter('>')), [Effect::Replay(Replay { pace, paused: false })]);
    }
    update(&mut app, letter('f'));
    assert!(screen(&app).contains("FROZEN"));
    update(&mut app, letter('i'));
    assert!(app.origin.is_some());
    update(&mut app, key(KeyCode::Esc));
    assert_eq!(update(&mut app, key(KeyCode::Esc)), [Effect::CloseReplay]);
    assert!(app.review.replay().is_none());
    // A run that goes on meanwhile keeps its words in the top line, its alarm, and its own screen.
    let mut app = scanning(Direction::Up);
    app.step = Step::Review;
    app.review = replaying().review;
    let shown = text(&app, 190, 50);
    let top = shown.lines().next().unwrap();
    assert!(top.contains("REPLAY A090 up run 2 x1") && top.contains("REC saved"), "{top}");
    assert!(shown.contains("[a] acknowledge"), "{shown}");
    app.step = Step::Scan;
    assert!(!text(&app, 190, 50).contains("REPLAY"));
}

#[test]
fn a_run_is_played_by_its_own_clock_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    let run = start(&writer);
    // 61 shots, 20 ms apart by the device, that all came at once.
    let shots = (0..61u32).map(|seq| {
        let mut reading = at(seq, Some(f64::from(seq)), (seq != 30).then_some(9.0));
        reading.device_time_us = Some(u64::from(seq) * 20_000);
        reading
    });
    append(&writer, run, shots);
    writer.close_run(run, CloseReason::Operator, 0).unwrap();
    job.close().unwrap();
    let before = std::fs::read(&path).unwrap();
    let play = |replay: Replay| {
        let handle = open_replay(&path, run).unwrap();
        let since = Instant::now();
        handle.asks.send(replay).unwrap();
        loop {
            let view = handle.view.borrow().clone();
            if matches!(view.phase, Phase::Ended(_)) {
                return (since.elapsed(), view, handle);
            }
            assert!(!matches!(view.phase, Phase::Failed(_)), "{:?}", view.phase);
            assert!(since.elapsed() < Duration::from_secs(60));
            std::thread::sleep(Duration::from_millis(2));
        }
    };
    // The times are least ones only: how busy the machine is must not matter.
    let (took, view, handle) = play(Replay { pace: ReplayPace::Device, paused: false });
    assert!(took >= Duration::from_millis(1150), "{took:?}");
    assert_eq!((view.counts.received, view.counts.no_echo, view.reading.as_ref().unwrap().seq), (61, 1, 60));
    assert!(view.waveform.is_some());
    assert_eq!(handle.wall.lock().unwrap().strip.extent(), Some((Length::ZERO, Length::mm(61.0))));
    let (took, ..) = play(Replay { pace: ReplayPace::Five, paused: false });
    assert!(took >= Duration::from_millis(200), "{took:?}");
    play(Replay { pace: ReplayPace::Max, paused: false });
    // Held, it does not go on.
    let handle = open_replay(&path, run).unwrap();
    handle.asks.send(Replay { pace: ReplayPace::Max, paused: true }).unwrap();
    std::thread::sleep(Duration::from_millis(300));
    assert!(!matches!(handle.view.borrow().phase, Phase::Ended(_)));
    drop(handle);
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
#[ignore = "makes files of a million and of ten million readings, and measures"]
fn the_whole_job_is_shown_at_once_whatever_the_number_of_readings() {
    for count in [1_000_000u64, 10_000_000] {
        let folder = tempfile::tempdir().unwrap();
        let path = new_job(folder.path());
        let job = JobFile::open(&path).unwrap();
        let run = start(&job.writer());
        fill(&job.reader().unwrap(), run, count);
        job.writer().close_run(run, CloseReason::Operator, 0).unwrap();
        let contents = job.reader().unwrap().contents().unwrap();
        job.close().unwrap();
        for open_key in ['p', 'h'] {
            let mut app = app(Step::Review, contents.clone());
            let [Effect::OpenSurvey(survey)] = &update(&mut app, letter(open_key))[..] else { panic!() };
            let since = Instant::now();
            let mut handle = open_survey(&path, survey.clone(), None).unwrap();
            wait(&mut app, &mut handle, |app| match &app.review.over {
                Some(Over::Map(shown)) => shown.surveyed.progress.done,
                Some(Over::Statistics(shown)) => shown.figures.as_ref().is_some_and(|figures| figures.progress.done),
                Some(Over::Unseen(_) | Over::Assessed(_) | Over::Replay(_)) | None => false,
            });
            println!("{count} readings, {open_key}: all read after {:?}", since.elapsed());
            let mut slowest = Duration::ZERO;
            for code in [
                KeyCode::Char('m'),
                KeyCode::Up,
                KeyCode::Down,
                KeyCode::Char('+'),
                KeyCode::Char('+'),
                KeyCode::Char('b'),
                KeyCode::Char('b'),
            ] {
                let mut took: Vec<Duration> = (0..9)
                    .map(|_| {
                        let since = Instant::now();
                        update(&mut app, key(code));
                        render(&app, 190, 50);
                        since.elapsed()
                    })
                    .collect();
                took.sort_unstable();
                slowest = slowest.max(took[4]);
            }
            println!("slowest key {slowest:?}");
            assert!(slowest < Duration::from_millis(50), "{slowest:?}");
        }
        let since = Instant::now();
        let handle = open_replay(&path, run).unwrap();
        handle.asks.send(Replay { pace: ReplayPace::Max, paused: false }).unwrap();
        while !matches!(handle.view.borrow().phase, Phase::Ended(_)) {
            assert!(!matches!(handle.view.borrow().phase, Phase::Failed(_)));
            std::thread::sleep(Duration::from_millis(5));
        }
        println!("{count} readings replayed in {:?}", since.elapsed());
    }
}

#[test]
fn map_and_statistics_grow_with_a_run_that_is_being_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let path = new_job(folder.path());
    let job = JobFile::open(&path).unwrap();
    let writer = job.writer();
    let run = start(&writer);
    let saved = job.saved();
    let wait_saved = |count: u64| {
        while saved.borrow().readings < count {
            std::thread::sleep(Duration::from_millis(10));
        }
    };
    append(&writer, run, (0..500u32).map(|seq| at(seq, Some(f64::from(seq)), Some(9.0))));
    wait_saved(500);
    let read = |app: &App| match &app.review.over {
        Some(Over::Map(shown)) => shown.surveyed.progress,
        Some(Over::Statistics(shown)) => shown.figures.as_ref().map(|figures| figures.progress).unwrap_or_default(),
        Some(Over::Unseen(_) | Over::Assessed(_) | Over::Replay(_)) | None => Default::default(),
    };
    let mut screens: Vec<(App, SurveyHandle)> = ['p', 'h']
        .into_iter()
        .map(|open_key| {
            let mut app = app(Step::Review, job.reader().unwrap().contents().unwrap());
            let [Effect::OpenSurvey(survey)] = &update(&mut app, letter(open_key))[..] else { panic!() };
            let mut handle = open_survey(&path, survey.clone(), None).unwrap();
            wait(&mut app, &mut handle, |app| read(app).done && read(app).read == 500);
            assert!(screen(&app).contains("RECORDING, 500 so far"), "{}", screen(&app));
            (app, handle)
        })
        .collect();
    append(&writer, run, (500..700u32).map(|seq| at(seq, Some(f64::from(seq)), Some(if seq == 650 { 5.0 } else { 9.0 }))));
    wait_saved(700);
    for (app, handle) in &mut screens {
        wait(app, handle, |app| read(app).read == 700);
        assert!(text(app, 190, 50).contains("5.00"), "{}", text(app, 190, 50));
    }
    writer.close_run(run, CloseReason::Operator, 0).unwrap();
    for (app, handle) in &mut screens {
        wait(app, handle, |app| !read(app).open);
    }
}
