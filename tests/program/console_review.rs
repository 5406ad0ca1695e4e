//! A stored run walked by cursor: on screen, and out of a real job file by the threads that read it.

#[path = "console/whole_job.rs"]
pub mod whole_job;

use crate::console::fixture::*;
use backwall::console::Step;
use backwall::console::review::overview::empty_wall;
use backwall::console::review::{Ask, News, Overview, SIDE, Shown, Window};
use backwall::console::state::{App, Effect, Event};
use backwall::console::update::update;
use backwall_store::{Changes, EvaluationFindings, EvaluationStart, EvaluationSummary, RunState};
use backwall_survey::reading::Reading;
use backwall_survey::strip::{At, SpotWatch};
use backwall_survey::travel::{Direction, Place};
use backwall_ultrasound::{Mode, Setup};
use backwall_units::Length;
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
            Ask::Compare(_) => continue,
        };
        todo.extend(update(app, Event::Review(news)));
    }
}

pub fn press(app: &mut App, event: Event) {
    let effects = update(app, event);
    answer(app, effects);
}

pub fn opened(direction: Direction) -> App {
    let mut app = app(Step::Review, ready());
    press(&mut app, Event::Reviewed(2, Arc::new(overview(direction))));
    app
}

fn row(app: &App) -> u64 {
    app.review.walked.as_ref().unwrap().at.unwrap().row
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

#[test]
fn keys_go_by_drawn_row_and_by_single_reading() {
    let mut app = opened(Direction::Up);
    assert_eq!(text(&app, 80, 24).lines().nth(2).unwrap().trim_start().split(' ').next(), Some("m"));
    press(&mut app, letter('m'));
    let place = |app: &App| app.review.walked.as_ref().unwrap().place().unwrap().as_mm();
    assert_eq!((row(&app), place(&app)), (20_260, 4050.0));
    press(&mut app, key(KeyCode::Up));
    assert_eq!(place(&app), 4100.0);
    press(&mut app, key(KeyCode::PageDown));
    assert_eq!(place(&app), 3600.0);
    press(&mut app, key(KeyCode::Home));
    assert_eq!(place(&app), 0.0);
    press(&mut app, key(KeyCode::Down));
    assert_eq!(place(&app), 0.0, "there is nothing beneath");
    press(&mut app, key(KeyCode::End));
    assert_eq!(place(&app), 4300.0);
    // The row is drawn by its least reading, and that is what is shown.
    let least = (21_500..21_750).min_by(|a, b| glance(*a).thickness.unwrap().total_cmp(&glance(*b).thickness.unwrap())).unwrap();
    assert_eq!(row(&app), u64::from(least));
    for _ in 0..6 {
        press(&mut app, letter('+'));
    }
    assert!(app.review.walked.as_ref().unwrap().single);
    assert_eq!(row(&app), u64::from(least), "zooming in leads to the reading stood on");
    press(&mut app, key(KeyCode::Down));
    assert_eq!(row(&app), u64::from(least) - 1);
    for _ in 0..300 {
        press(&mut app, key(KeyCode::PageDown));
    }
    assert_eq!(row(&app), u64::from(least) - 3001, "windows follow without a break");
    press(&mut app, letter('-'));
    assert!(!app.review.walked.as_ref().unwrap().single);
}

#[test]
fn jumps_lead_to_spots_gaps_and_marks_in_the_way_of_the_line() {
    let mut app = opened(Direction::Up);
    press(&mut app, key(KeyCode::Home));
    let place = |app: &App| app.review.walked.as_ref().unwrap().place().unwrap().as_mm();
    press(&mut app, letter('s'));
    assert_eq!(place(&app), 1400.0);
    press(&mut app, letter('s'));
    assert_eq!(place(&app), 4050.0);
    press(&mut app, letter('s'));
    assert!(text(&app, 80, 24).contains("no further spot this way"));
    press(&mut app, letter('S'));
    assert_eq!(place(&app), 1400.0);
    press(&mut app, letter('o'));
    assert_eq!(place(&app), 3700.0, "the gap begins at the last reading before it, 3.7498 m");
    press(&mut app, letter('v'));
    assert_eq!(place(&app), 4100.0);
    // A line down is driven the other way.
    let mut app = opened(Direction::Down);
    press(&mut app, key(KeyCode::Home));
    assert_eq!(place(&app), 4300.0);
    press(&mut app, letter('s'));
    assert_eq!(place(&app), 4050.0);
}

#[test]
fn a_moved_limit_counts_exactly_what_lies_under_it_and_is_let_go() {
    let mut app = opened(Direction::Up);
    let under = |app: &App| app.review.walked.as_ref().unwrap().under;
    // Course 3 has no required thickness, but nothing was driven there.
    let count = |limit: f64| (0..21_750).filter_map(|shot| glance(shot).thickness).filter(|t| t.as_mm() < limit).count() as u64;
    let millimetres = |limit: f64| {
        let thin = (0..21_750).filter(|shot| glance(*shot).thickness.is_some_and(|t| t.as_mm() < limit));
        thin.map(|shot| shot / 5).collect::<std::collections::BTreeSet<_>>().len() as f64
    };
    assert_eq!((under(&app).readings, under(&app).wall.as_mm()), (count(6.2), millimetres(6.2)));
    for _ in 0..20 {
        press(&mut app, letter('>'));
    }
    assert_eq!((under(&app).readings, under(&app).wall.as_mm()), (count(8.2), millimetres(8.2)));
    press(&mut app, letter('s'));
    let screen = text(&app, 80, 24);
    assert!(screen.contains("REQUIRED +2.00 = 8.20"), "{screen}");
    // What was sound is thin by this limit, in the strip and at the cursor.
    press(&mut app, key(KeyCode::Home));
    press(&mut app, letter('s'));
    assert!(text(&app, 80, 24).contains("THIN 6.8"), "{}", text(&app, 80, 24));
    press(&mut app, letter('0'));
    let screen = text(&app, 80, 24);
    assert!(screen.contains("WATCH 6.8") && screen.contains("required 6.20: "), "{screen}");
    for _ in 0..25 {
        press(&mut app, letter('>'));
        press(&mut app, letter('<'));
    }
    assert_eq!(app.review.walked.as_ref().unwrap().moved, Length::ZERO);
}

#[test]
fn a_limit_not_moved_judges_as_the_run_was_judged() {
    let overview = overview(Direction::Up);
    for step in [1.0, 5.0, 50.0, 500.0] {
        for index in 0..(4350.0 / step) as i64 {
            let (from, to) = (Length::mm(step * index as f64), Length::mm(step * (index + 1) as f64));
            assert_eq!(overview.judged(&overview.limits, from, to), overview.wall.strip.stretch(from, to), "{from:?}");
        }
    }
}

#[test]
fn nothing_read_yet_a_run_without_readings_and_old_answers_are_said_or_passed_over() {
    let mut app = app(Step::Review, ready());
    let known = overview(Direction::Up);
    let wall = empty_wall(SpotWatch::new(Default::default()), Vec::new(), known.wall.span);
    let empty = Overview::new(vec![2], false, known.limits.clone(), Direction::Up, None, Length::mm(10.0), wall);
    press(&mut app, Event::Reviewed(2, Arc::new(empty.clone())));
    assert!(text(&app, 80, 24).contains("the run is being read"));
    for c in "msSoOvV<>0+-l".chars() {
        press(&mut app, letter(c));
    }
    let mut done = empty;
    done.progress.done = true;
    press(&mut app, Event::Review(News::Overview(Arc::new(done))));
    assert!(text(&app, 80, 24).contains("this run has no readings"));
    // Readings come while it is read: the cursor stands where the run began until somebody walks.
    press(&mut app, Event::Review(News::Overview(Arc::new(known))));
    assert_eq!(app.review.walked.as_ref().unwrap().place().unwrap().as_mm(), 0.0);
    press(&mut app, letter('m'));
    let stale = At::new(Some(Length::mm(1.0)), 0, 5);
    update(&mut app, Event::Review(News::Reading(Arc::new(Shown { at: stale, reading: shot(5), waveform: Ok(None) }))));
    let screen = text(&app, 80, 24);
    assert!(screen.contains("fetching") && !screen.contains("seq 5,"), "{screen}");
}

/// Out of a job file, through the threads that read it.
pub mod stored {
    use super::*;
    use backwall::console::ReviewHandle;
    use backwall::session::review::{EarlierSurvey, open};
    use backwall_report::earlier::{ColumnRole, ColumnUnit, EarlierTold};
    use backwall_store::{CloseReason, Entry, JobFile, JobReader, Writer};
    use std::path::{Path, PathBuf};
    use std::time::{Duration, Instant};

    pub fn new_job(folder: &Path) -> PathBuf {
        let path = folder.join("tk7.job");
        let job = contents();
        JobFile::create(&path, &job.plan, PLAN, &job.checklist, NOW).unwrap();
        path
    }

    pub fn start(writer: &Writer) -> i64 {
        writer.start_run(summary(1, "A090", backwall_store::RunState::Open).start).unwrap()
    }

    pub fn append(writer: &Writer, run: i64, readings: impl IntoIterator<Item = Reading>) {
        for reading in readings {
            writer.append_blocking(run, Entry::Reading { reading, waveform: Some(waveform()) }).unwrap();
        }
    }

    pub fn at(seq: u32, along: Option<f64>, thickness: Option<f64>) -> Reading {
        let mut reading = if thickness.is_some() { reading(0.0) } else { no_echo(0.0) };
        reading.seq = seq;
        reading.place = Place { along: along.map(Length::mm), course: Some(1), ..reading.place };
        reading.measurement.thickness = thickness.map(Length::mm);
        reading
    }

    /// The console with a real reader behind it.
    struct ConsoleBackend {
        app: App,
        handle: ReviewHandle,
    }

    impl ConsoleBackend {
        fn open(path: &Path, run: i64, all: bool) -> Self {
            Self::before(path, run, all, None)
        }

        fn before(path: &Path, run: i64, all: bool, earlier: Option<&Path>) -> Self {
            Self::told(path, run, all, earlier, EarlierTold::default())
        }

        fn told(path: &Path, run: i64, all: bool, earlier: Option<&Path>, told: EarlierTold) -> Self {
            let earlier = earlier.map(|path| EarlierSurvey { path: path.to_path_buf(), told });
            let job = JobFile::open_read_only(path).unwrap().contents().unwrap();
            let handle = open(path, run, all, earlier.as_ref()).unwrap();
            let mut desk = Self { app: app(Step::Review, job), handle };
            let effects = update(&mut desk.app, Event::Reviewed(run, desk.handle.overview.clone()));
            desk.ask(effects);
            desk
        }

        fn ask(&self, effects: Vec<Effect>) {
            for effect in effects {
                if let Effect::Ask(ask) = effect {
                    self.handle.asks.send(ask).unwrap();
                }
            }
        }

        /// Takes what comes until `done`.
        fn wait(&mut self, done: impl Fn(&App) -> bool) {
            let since = Instant::now();
            while !done(&self.app) {
                assert!(since.elapsed() < Duration::from_secs(600), "nothing came: {}", text(&self.app, 80, 24));
                match self.handle.news.try_recv() {
                    Ok(news) => {
                        let effects = update(&mut self.app, Event::Review(news));
                        self.ask(effects);
                    }
                    Err(_) => std::thread::sleep(Duration::from_micros(200)),
                }
            }
        }

        fn press(&mut self, event: Event) {
            let effects = update(&mut self.app, event);
            self.ask(effects);
            self.wait(|app| app.review.walked.as_ref().unwrap().asks().is_empty());
        }

        fn all_read(&mut self) {
            self.wait(|app| {
                let opened = app.review.walked.as_ref().unwrap();
                opened.overview.progress.done && opened.asks().is_empty()
            });
        }

        fn seq(&self) -> u32 {
            self.app.review.walked.as_ref().unwrap().reading().unwrap().seq
        }
    }

    #[test]
    fn a_place_passed_twice_is_stepped_through_in_order_of_place_then_row() {
        let folder = tempfile::tempdir().unwrap();
        let path = new_job(folder.path());
        let job = JobFile::open(&path).unwrap();
        let writer = job.writer();
        let run = start(&writer);
        let forth = (0..600u32).map(|seq| at(seq, Some(f64::from(seq)), Some(9.0)));
        let back = (0..600u32).map(|seq| at(600 + seq, Some(f64::from(599 - seq)), Some(9.0 + f64::from(seq) * 1e-3)));
        append(&writer, run, forth.chain(back));
        writer.close_run(run, CloseReason::Operator, 0).unwrap();
        let mut desk = ConsoleBackend::open(&path, run, false);
        desk.all_read();
        desk.press(key(KeyCode::Home));
        for _ in 0..6 {
            desk.press(letter('+'));
        }
        let mut seqs = vec![desk.seq()];
        for _ in 0..1199 {
            desk.press(key(KeyCode::Up));
            seqs.push(desk.seq());
        }
        let expected: Vec<u32> = (0..600).flat_map(|place| [place, 1199 - place]).collect();
        assert_eq!(seqs, expected);
        let screen = text(&desk.app, 80, 24);
        assert!(screen.contains("2 at this place") && screen.contains("▲1"), "{screen}");
    }

    #[test]
    fn a_crawler_that_stands_still_and_one_without_an_encoder_can_be_stepped_through() {
        let folder = tempfile::tempdir().unwrap();
        let path = new_job(folder.path());
        let job = JobFile::open(&path).unwrap();
        let writer = job.writer();
        for along in [Some(5.0), None] {
            let run = start(&writer);
            append(&writer, run, (0..9000u32).map(|seq| at(seq, along, (seq % 3 > 0).then_some(9.0))));
            writer.close_run(run, CloseReason::Operator, 0).unwrap();
            let mut desk = ConsoleBackend::open(&path, run, false);
            desk.all_read();
            desk.press(key(KeyCode::Home));
            for _ in 0..6 {
                desk.press(letter('+'));
            }
            let mut seq = desk.seq();
            for _ in 0..1000 {
                desk.press(key(KeyCode::PageUp));
                let next = desk.seq();
                assert!(next == seq + 10 || next == 8_999, "{along:?}: {seq} {next}");
                seq = next;
            }
            assert_eq!(seq, 8_999, "{along:?}");
        }
    }

    #[test]
    fn a_run_still_being_recorded_grows_on_screen() {
        let folder = tempfile::tempdir().unwrap();
        let path = new_job(folder.path());
        let job = JobFile::open(&path).unwrap();
        let writer = job.writer();
        let run = start(&writer);
        append(&writer, run, (0..500u32).map(|seq| at(seq, Some(f64::from(seq)), Some(9.0))));
        let saved = job.saved();
        while saved.borrow().readings < 500 {
            std::thread::sleep(Duration::from_millis(10));
        }
        let mut desk = ConsoleBackend::open(&path, run, false);
        desk.all_read();
        assert!(text(&desk.app, 80, 24).contains("RECORDING, 500 so far"), "{}", text(&desk.app, 80, 24));
        append(&writer, run, (500..700u32).map(|seq| at(seq, Some(f64::from(seq)), Some(if seq == 650 { 5.0 } else { 9.0 }))));
        desk.wait(|app| app.review.walked.as_ref().unwrap().overview.progress.read == 700);
        desk.press(letter('m'));
        assert_eq!(desk.seq(), 650);
        writer.close_run(run, CloseReason::Operator, 0).unwrap();
        desk.wait(|app| !app.review.walked.as_ref().unwrap().overview.progress.open);
    }

    #[test]
    fn all_runs_of_a_line_are_walked_together_and_each_reading_says_its_run() {
        let folder = tempfile::tempdir().unwrap();
        let path = new_job(folder.path());
        let job = JobFile::open(&path).unwrap();
        let writer = job.writer();
        for offset in [0u32, 300] {
            let run = start(&writer);
            append(&writer, run, (0..400u32).map(|seq| at(seq, Some(f64::from(offset + seq)), Some(if offset == 0 { 9.0 } else { 8.5 }))));
            writer.close_run(run, CloseReason::Operator, 0).unwrap();
        }
        let mut desk = ConsoleBackend::open(&path, 1, true);
        desk.all_read();
        assert_eq!(desk.app.review.walked.as_ref().unwrap().overview.places.count(), 800);
        assert!(text(&desk.app, 80, 24).contains("A090 up, all 2 runs"));
        desk.press(letter('m'));
        assert!(text(&desk.app, 80, 24).contains("run 2: cal"), "{}", text(&desk.app, 80, 24));
        assert_eq!(update(&mut desk.app, letter('l')), [Effect::OpenRun(1)]);
    }

    /// Bumps at places that repeat nowhere, so that one shift fits and no other.
    fn shape(along: f64) -> f64 {
        let bump = |k: u32| {
            let (place, height) = (f64::from(k.wrapping_mul(2_654_435_761) % 2000), 0.3 + f64::from(k.wrapping_mul(40_503) % 100) / 200.0);
            height * (-((along - place) / 14.0).powi(2)).exp()
        };
        9.6 - (1..40).map(bump).sum::<f64>()
    }

    #[test]
    fn an_earlier_survey_is_compared_only_once_its_offset_is_accepted() {
        let (folder, earlier_folder) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let paths = [new_job(earlier_folder.path()), new_job(folder.path())];
        for (path, thinned) in paths.iter().zip([false, true]) {
            let job = JobFile::open(path).unwrap();
            let writer = job.writer();
            let run = start(&writer);
            // The earlier survey counted its places 20 mm short.
            let readings = (0..2000u32).map(|seq| {
                let along = f64::from(seq);
                let lost = if thinned && (1000.0..1100.0).contains(&along) { 1.0 } else { 0.0 };
                at(seq, Some(if thinned { along } else { along - 20.0 }), Some(shape(along) - lost))
            });
            append(&writer, run, readings);
            writer.close_run(run, CloseReason::Operator, 0).unwrap();
            job.close().unwrap();
        }
        let mut desk = ConsoleBackend::before(&paths[1], 1, false, Some(&paths[0]));
        desk.wait(|app| app.review.walked.as_ref().unwrap().behind.is_some());
        let screen = text(&desk.app, 190, 50);
        assert!(screen.contains('▒'), "the outline of the earlier survey is missing:\n{screen}");
        assert!(screen.contains("offset +20 mm found") && screen.contains("NOT applied"), "{screen}");
        assert!(!screen.contains(" then, "), "{screen}");
        desk.press(letter('c'));
        desk.wait(|app| app.review.walked.as_ref().unwrap().behind.as_ref().unwrap().compared.is_some());
        desk.press(key(KeyCode::Home));
        let place = |desk: &ConsoleBackend| desk.app.review.walked.as_ref().unwrap().at.unwrap().along().unwrap().as_mm();
        while place(&desk) < 1000.0 {
            let screen = text(&desk.app, 190, 50);
            assert!(screen.contains("no change (within ±"), "{}: {screen}", place(&desk));
            desk.press(key(KeyCode::Up));
        }
        let screen = text(&desk.app, 190, 50);
        // U of the difference of two single readings with U = 0.06 mm each: 2·√(0.03² + 0.03²) = 0.085 (JCGM 100:2008, 5.1.2).
        assert!(screen.contains("-1.00 ±0.08 thinner"), "{screen}");
        desk.press(letter('c'));
        assert!(text(&desk.app, 190, 50).contains("NOT applied"));
    }

    /// A job with one run on 50 mm of even wall.
    fn even_run(folder: &Path) -> (JobFile, PathBuf, i64) {
        let path = new_job(folder);
        let job = JobFile::open(&path).unwrap();
        let writer = job.writer();
        let run = start(&writer);
        append(&writer, run, (0..50u32).map(|seq| at(seq, Some(f64::from(seq)), Some(9.0))));
        writer.close_run(run, CloseReason::Operator, 0).unwrap();
        (job, path, run)
    }

    #[test]
    fn what_a_table_does_not_tell_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let (_job, path, run) = even_run(folder.path());
        let table = folder.path().join("before.csv");
        std::fs::write(&table, "Height,Wall\n0,0.38\n1,0.38\n").unwrap();
        let columns = vec![(ColumnRole::Position, "Height".to_owned()), (ColumnRole::Thickness, "Wall".to_owned())];
        let told = EarlierTold { columns, unit: Some(ColumnUnit::In), line: Some("A090".to_owned()), ..EarlierTold::default() };
        let mut desk = ConsoleBackend::told(&path, run, false, Some(&table), told);
        desk.wait(|app| app.review.walked.as_ref().unwrap().behind.is_some());
        // Without it nothing is guessed.
        let mut desk = ConsoleBackend::before(&path, run, false, Some(&table));
        desk.wait(|app| app.message.is_some());
        assert!(text(&desk.app, 190, 50).contains("the earlier survey is not shown"));
    }

    #[test]
    fn an_earlier_survey_that_cannot_be_used_is_said_and_the_run_is_walked_all_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let (_job, path, run) = even_run(folder.path());
        let other = folder.path().join("other.csv");
        std::fs::write(&other, "line,position_mm,thickness_mm\nB17,1,9.0\n").unwrap();
        for (earlier, why) in [(other, "has no line A090; it has B17"), (folder.path().join("none.csv"), "cannot be read")] {
            let mut desk = ConsoleBackend::before(&path, run, false, Some(&earlier));
            desk.wait(|app| app.message.is_some());
            let screen = text(&desk.app, 190, 50);
            assert!(screen.contains("the earlier survey is not shown") && screen.contains(why), "{screen}");
            desk.press(letter('m'));
            assert_eq!(desk.seq(), 0);
        }
    }

    /// Writes rows as the store does, without going through its queue: a file of this size is made for its size.
    pub fn fill(reader: &JobReader, run: i64, count: u64) {
        let connection = rusqlite::Connection::open(reader.path()).unwrap();
        connection.pragma_update(None, "synchronous", "OFF").unwrap();
        // There and back over 20 m; every 50th without an echo, and a thin place now and then.
        connection
            .execute(
                "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < ?2)
                 INSERT INTO reading SELECT ?1, i, i, i * 500, i * 500, i,
                   CASE WHEN i < ?2 / 2 THEN i * 40000000 / ?2 ELSE (?2 - i) * 40000000 / ?2 END, 1, 41000, 4000, 18000,
                   15000000, NULL, CASE WHEN i % 50 = 0 THEN NULL WHEN i % 99991 = 1 THEN 5000000 + i % 1000 ELSE 9000000 + i % 100000 END,
                   30000, 6000, 3000, CASE WHEN i % 50 = 0 THEN 'none' ELSE 'good' END, 0,
                   CASE WHEN i % 50 = 0 THEN 'NO ECHO' WHEN i % 99991 = 1 THEN 'THIN' ELSE 'CLEAR' END FROM n",
                (run, count as i64),
            )
            .unwrap();
    }

    #[test]
    #[ignore = "makes files of a million and of ten million readings, and measures"]
    fn every_key_is_answered_at_once_whatever_the_number_of_readings() {
        for count in [10_000u64, 1_000_000, 10_000_000] {
            let folder = tempfile::tempdir().unwrap();
            let path = new_job(folder.path());
            let job = JobFile::open(&path).unwrap();
            let run = start(&job.writer());
            fill(&job.reader().unwrap(), run, count);
            job.writer().close_run(run, CloseReason::Operator, 0).unwrap();
            job.close().unwrap();
            let since = Instant::now();
            let mut desk = ConsoleBackend::open(&path, run, false);
            desk.wait(|app| app.review.walked.as_ref().unwrap().overview.progress.read > 0);
            let first = since.elapsed();
            desk.all_read();
            println!("{count} readings: first seen after {first:?}, all read after {:?}", since.elapsed());
            let keys: [(&str, KeyCode); 18] = [
                ("home", KeyCode::Home),
                ("up", KeyCode::Up),
                ("page up", KeyCode::PageUp),
                ("minimum", KeyCode::Char('m')),
                ("spot", KeyCode::Char('s')),
                ("gap", KeyCode::Char('o')),
                ("limit up", KeyCode::Char('>')),
                ("limit down", KeyCode::Char('<')),
                ("limit home", KeyCode::Char('0')),
                ("zoom out", KeyCode::Char('-')),
                ("zoom out", KeyCode::Char('-')),
                ("zoom in", KeyCode::Char('+')),
                ("end", KeyCode::End),
                ("to single", KeyCode::Char('+')),
                ("single up", KeyCode::Up),
                ("single down", KeyCode::Down),
                ("single page", KeyCode::PageDown),
                ("single least", KeyCode::Char('m')),
            ];
            let mut slowest = Duration::ZERO;
            for (name, code) in keys {
                if name == "to single" {
                    while !desk.app.review.walked.as_ref().unwrap().single {
                        desk.press(letter('+'));
                    }
                }
                let (mut whole, mut at_once) = (Vec::new(), Vec::new());
                for _ in 0..20 {
                    // The picture that follows the key at once, and the one with the reading that had to be fetched.
                    let since = Instant::now();
                    let effects = update(&mut desk.app, key(code));
                    desk.ask(effects);
                    render(&desk.app, 190, 50);
                    at_once.push(since.elapsed());
                    desk.wait(|app| app.review.walked.as_ref().unwrap().asks().is_empty());
                    render(&desk.app, 190, 50);
                    whole.push(since.elapsed());
                    if name.starts_with("zoom") || name == "to single" {
                        break;
                    }
                }
                at_once.sort_unstable();
                whole.sort_unstable();
                // The median: what else runs on this machine is not to be measured.
                let (median, most) = (whole[whole.len() / 2], whole[whole.len() - 1]);
                slowest = slowest.max(median);
                let first = at_once[at_once.len() / 2];
                println!("{name:>12}: at once {first:>9.2?}, with what was fetched {median:>9.2?}, at most {most:>9.2?}");
            }
            println!("slowest key {slowest:?}");
            assert!(slowest < Duration::from_millis(50), "{count} readings: {slowest:?}");
        }
    }
}

/// An invented evaluation of run 2: from echo to echo the wall is thinner than its first echo says.
fn evaluation() -> EvaluationSummary {
    let run = summary(2, "A090", RunState::Closed);
    let setup = Setup { mode: Mode::EchoToEcho, ..run.start.setup };
    let start = EvaluationStart {
        run: 2,
        setup,
        setup_id: None,
        differs: "mode first-echo -> echo-to-echo".into(),
        why: String::new(),
        software: "backwall".into(),
        by: signed(),
    };
    let found = |no_echo, thin_spots, least, at| EvaluationFindings {
        no_echo,
        thin_spots,
        watch_spots: 1,
        least: Some(Length::mm(least)),
        least_at: Some(Length::mm(at)),
        least_seq: Some(20_260),
    };
    let changes = Changes {
        readings: 21_000,
        kept: 0,
        changed: 20_870,
        gained: 0,
        lost: 10,
        compared: 20_870,
        mean_difference: Some(Length::mm(-0.69)),
        largest: None,
        before: found(120, 1, 5.78, 4052.0),
        after: found(130, 3, 5.09, 4051.0),
    };
    EvaluationSummary { id: 1, start, changes, digest: "7d10".into() }
}

#[test]
fn a_run_is_read_from_echo_to_echo_both_are_shown_and_one_is_made_to_count() {
    let mut app = opened(Direction::Up);
    press(&mut app, letter('m'));
    let effects = update(&mut app, letter('E'));
    assert!(matches!(&effects[..], [Effect::Evaluate(2, by)] if by.name == "R. Aldane"), "{effects:?}");
    // Keys go on meanwhile; pressed again it is not done twice.
    press(&mut app, key(KeyCode::Up));
    assert_eq!(row(&app), 20_500);
    assert_eq!(update(&mut app, letter('E')), []);
    assert!(text(&app, 80, 24).contains("run 2 is being evaluated"));
    update(&mut app, Event::Evaluating(2, 5250, 21_000));
    assert!(text(&app, 80, 24).contains("run 2 is being read from echo to echo: 25 %"));

    app.contents.evaluations.push(evaluation());
    update(&mut app, Event::Evaluated(Box::new(evaluation())));
    snap!("adopt", &app);
    // Without a reason nothing is kept.
    for _ in 0..3 {
        assert_eq!(update(&mut app, key(KeyCode::Enter)), []);
    }
    type_in(&mut app, "zero has moved");
    for _ in 0..2 {
        assert_eq!(update(&mut app, key(KeyCode::Enter)), []);
    }
    let effects = update(&mut app, key(KeyCode::Enter));
    let [Effect::Adopt(adoption), Effect::Reload, Effect::OpenRun(2)] = &effects[..] else { panic!("{effects:?}") };
    assert_eq!((adoption.run, adoption.evaluation, adoption.reason.as_str()), (2, Some(1), "zero has moved"));
    assert_eq!(adoption.by.name, "R. Aldane");

    app.contents.adoptions.push(adoption.clone());
    press(&mut app, Event::Reviewed(2, Arc::new(overview(Direction::Up))));
    assert!(text(&app, 80, 24).contains("run 2, echo-to-echo (adopted)"), "{}", text(&app, 80, 24));
    snap!("adopted", &app);
    assert_eq!(update(&mut app, letter('E')), []);
    assert!(text(&app, 80, 24).contains("let its own readings count again?"));
    type_in(&mut app, "tried only");
    for _ in 0..2 {
        update(&mut app, key(KeyCode::Enter));
    }
    let effects = update(&mut app, key(KeyCode::Enter));
    assert!(matches!(&effects[0], Effect::Adopt(own) if own.evaluation.is_none() && own.reason == "tried only"), "{effects:?}");
    app.contents.adoptions.pop();
    // Known already, it is offered without being made again; whoever went on meanwhile is told and not interrupted.
    assert_eq!(update(&mut app, letter('E')), []);
    assert!(text(&app, 80, 24).contains("let it count?"));
    update(&mut app, key(KeyCode::Esc));
    update(&mut app, key(KeyCode::Esc));
    update(&mut app, Event::Evaluated(Box::new(evaluation())));
    assert!(app.prompt.is_none() && text(&app, 80, 24).contains("evaluation 1 of run 2 is kept"));
}
