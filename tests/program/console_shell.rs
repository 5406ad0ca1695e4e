//! The loop about the console, with a stand-in for terminal and job: how often it draws, and how it ends.

use crate::console::bench;

use crate::console::fixture::*;
use crate::console::job::{Job, options};
use crate::device_channels::beside;
use backwall::console::shell::{Surface, drive, first_state};
use backwall::console::state::App;
use backwall::console::{ConsoleEnd, ScanHandle, Step, view};
use backwall::live::bench::{BenchCommand, BenchFound, BenchHandle, BenchRequest, BenchStream, BenchView, Hold, start};
use backwall::live::{Connecting, LiveView, Phase, RunCommand};
use backwall_simulate::{Crawler, StreamEnd};
use backwall_store::{MarkKind, RunState};
use backwall_stream::{Pace, Profile, SourceOptions, StreamSpec};
use backwall_survey::job::Plan;
use backwall_survey::travel::Direction;
use backwall_units::Length;
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::crossterm::event::{Event, KeyCode, KeyEvent, KeyModifiers};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::mpsc;

/// A screen in memory.
struct Paper {
    terminal: Terminal<TestBackend>,
    draws: Arc<AtomicU64>,
    bells: u32,
    ready: bool,
    there: Arc<AtomicBool>,
}

impl Paper {
    fn new() -> Self {
        Self {
            terminal: Terminal::new(TestBackend::new(80, 24)).unwrap(),
            draws: Default::default(),
            bells: 0,
            ready: true,
            there: Arc::new(AtomicBool::new(true)),
        }
    }
}

impl Surface for Paper {
    fn ready_in(&self, _: bool) -> Duration {
        if self.ready { Duration::ZERO } else { Duration::from_millis(5) }
    }
    fn draw(&mut self, app: &App) -> std::io::Result<()> {
        self.draws.fetch_add(1, Ordering::SeqCst);
        self.terminal.draw(|frame| view::draw(app, frame)).unwrap();
        Ok(())
    }
    fn start_over(&mut self) -> std::io::Result<()> {
        Ok(())
    }
    fn bell(&mut self) {
        self.bells += 1;
    }
    fn is_there(&self) -> bool {
        self.there.load(Ordering::SeqCst)
    }
}

fn key_press(c: char) -> Event {
    Event::Key(KeyEvent::new(KeyCode::Char(c), KeyModifiers::NONE))
}

async fn after(time: u64, why: &str) -> String {
    tokio::time::sleep(Duration::from_millis(time)).await;
    why.to_owned()
}

#[tokio::test]
async fn an_idle_screen_is_drawn_once_and_then_left_alone() {
    let (job, _) = Job::new(contents());
    let options = options(Step::Prepare, None);
    let mut app = first_state(&job, &options).unwrap();
    let mut paper = Paper::new();
    let (_keys, input) = mpsc::channel(8);
    let outcome = drive(job, &mut app, &mut paper, input, after(3200, "SIGTERM"), &options).await.unwrap();
    assert_eq!(outcome, ConsoleEnd::Terminated("SIGTERM".into()));
    assert_eq!(paper.draws.load(Ordering::SeqCst), 1);
}

#[tokio::test]
async fn a_run_without_news_is_drawn_at_most_twice_a_second() {
    let (job, _) = Job::new(ready());
    let options = options(Step::Scan, Some("A090"));
    let mut app = first_state(&job, &options).unwrap();
    let mut paper = Paper::new();
    let (_keys, input) = mpsc::channel(8);
    drive(job, &mut app, &mut paper, input, after(3200, "SIGTERM"), &options).await.unwrap();
    let draws = paper.draws.load(Ordering::SeqCst);
    assert!((2..=7).contains(&draws), "{draws} draws in 3.2 s");
}

#[tokio::test]
async fn a_storm_of_views_and_sizes_stays_under_thirty_pictures_a_second() {
    let (job, _) = Job::new(ready());
    let options = options(Step::Scan, Some("A090"));
    let mut app = first_state(&job, &options).unwrap();
    let mut paper = Paper::new();
    let (keys, input) = mpsc::channel(64);
    let views = job.views.clone();
    let storm = tokio::spawn(async move {
        for bells in 0.. {
            views.send_replace(Arc::new(LiveView { bells, ..live(Direction::Up) }));
            if keys.send(Event::Resize(80, 24)).await.is_err() {
                break;
            }
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
    });
    drive(job, &mut app, &mut paper, input, after(2000, "SIGTERM"), &options).await.unwrap();
    storm.abort();
    let draws = paper.draws.load(Ordering::SeqCst);
    assert!((5..=62).contains(&draws), "{draws} draws in 2 s");
    assert!((1..=3).contains(&paper.bells), "{} bells in 2 s", paper.bells);
}

#[tokio::test]
async fn a_signal_ends_the_run_before_the_console() {
    let (job, ended) = Job::new(ready());
    let options = options(Step::Scan, Some("A090"));
    let mut app = first_state(&job, &options).unwrap();
    let mut paper = Paper::new();
    let (_keys, input) = mpsc::channel(8);
    let outcome = drive(job, &mut app, &mut paper, input, after(200, "SIGHUP"), &options).await.unwrap();
    assert_eq!(outcome, ConsoleEnd::Terminated("SIGHUP".into()));
    assert!(ended.load(Ordering::SeqCst), "the run was asked to end and had the time to");
}

#[tokio::test]
async fn a_terminal_that_goes_away_ends_the_run() {
    let (job, ended) = Job::new(ready());
    let options = options(Step::Scan, Some("A090"));
    let mut app = first_state(&job, &options).unwrap();
    let mut paper = Paper::new();
    let there = paper.there.clone();
    let (_keys, input) = mpsc::channel(8);
    tokio::spawn(async move {
        tokio::time::sleep(Duration::from_millis(300)).await;
        there.store(false, Ordering::SeqCst);
    });
    let never = std::future::pending();
    let outcome = drive(job, &mut app, &mut paper, input, never, &options).await.unwrap();
    assert_eq!(outcome, ConsoleEnd::Terminated("the terminal went away".into()));
    assert!(ended.load(Ordering::SeqCst));
}

#[tokio::test]
async fn a_screen_that_takes_nothing_more_holds_up_nothing() {
    let (job, ended) = Job::new(ready());
    let options = options(Step::Scan, Some("A090"));
    let mut app = first_state(&job, &options).unwrap();
    let mut paper = Paper { ready: false, ..Paper::new() };
    let (_keys, input) = mpsc::channel(8);
    drive(job, &mut app, &mut paper, input, after(300, "SIGTERM"), &options).await.unwrap();
    assert_eq!(paper.draws.load(Ordering::SeqCst), 0);
    assert!(ended.load(Ordering::SeqCst));
}

#[tokio::test]
async fn keys_end_the_run_and_leave() {
    let (job, ended) = Job::new(ready());
    let options = options(Step::Scan, Some("A090"));
    let mut app = first_state(&job, &options).unwrap();
    let mut paper = Paper::new();
    let (keys, input) = mpsc::channel(8);
    for c in ['q', 'y'] {
        keys.send(key_press(c)).await.unwrap();
    }
    let outcome = drive(job, &mut app, &mut paper, input, std::future::pending(), &options).await.unwrap();
    assert_eq!((outcome, ended.load(Ordering::SeqCst)), (ConsoleEnd::Quit, true));
}

#[tokio::test]
async fn a_mark_is_of_the_channel_that_is_looked_at_and_the_end_of_all() {
    let (mut job, ended) = Job::new(ready());
    let (views, view) = tokio::sync::watch::channel(Arc::new(beside()));
    let (commands, mut asked) = mpsc::channel(8);
    job.beside = vec![ScanHandle { view, wall: Arc::new(Mutex::new(wall(Direction::Up))), commands, beside: Vec::new() }];
    let heard = Arc::new(Mutex::new(Vec::new()));
    let all = heard.clone();
    tokio::spawn(async move {
        while let Some(command) = asked.recv().await {
            if matches!(command, RunCommand::End) {
                let phase = Phase::Ended(Box::new(summary(4, "A090", RunState::Closed)));
                views.send_replace(Arc::new(LiveView { phase, ..beside() }));
            }
            all.lock().unwrap().push(command);
        }
    });
    let options = options(Step::Scan, Some("A090"));
    let mut app = first_state(&job, &options).unwrap();
    let (keys, input) = mpsc::channel(8);
    tokio::spawn(async move {
        tokio::time::sleep(Duration::from_millis(200)).await;
        let enter = Event::Key(KeyEvent::new(KeyCode::Enter, KeyModifiers::NONE));
        for key in [key_press('1'), enter.clone(), key_press('o'), key_press('2'), enter, key_press('q'), key_press('y')] {
            keys.send(key).await.unwrap();
        }
        std::future::pending::<()>().await;
    });
    let outcome = drive(job, &mut app, &mut Paper::new(), input, std::future::pending(), &options).await.unwrap();
    assert_eq!((outcome, ended.load(Ordering::SeqCst)), (ConsoleEnd::Quit, true));
    let heard = heard.lock().unwrap();
    let marks: Vec<_> = heard.iter().filter(|command| matches!(command, RunCommand::Mark { .. })).collect();
    assert!(matches!(&marks[..], [RunCommand::Mark { kind: MarkKind::Nozzle, .. }]), "{heard:?}");
    assert!(heard.contains(&RunCommand::End), "{heard:?}");
}

#[tokio::test]
async fn an_answer_that_could_not_be_kept_does_not_stay_on_screen() {
    let (mut job, _) = Job::new(contents());
    job.fails = true;
    let answers = job.answers.clone();
    let options = options(Step::Checklist, None);
    let mut app = first_state(&job, &options).unwrap();
    let before = app.contents.answers.len();
    let mut paper = Paper::new();
    let (keys, input) = mpsc::channel(8);
    keys.send(key_press('y')).await.unwrap();
    drive(job, &mut app, &mut paper, input, after(200, "SIGTERM"), &options).await.unwrap();
    assert_eq!((app.contents.answers.len(), answers.load(Ordering::SeqCst)), (before, 0));
    assert_eq!(app.message.unwrap().text, "the answer was NOT kept: the disk is full");
}

#[tokio::test]
async fn a_run_whose_task_is_gone_is_told_as_failed() {
    let (mut job, _) = Job::new(ready());
    let options = options(Step::Scan, Some("A090"));
    let mut app = first_state(&job, &options).unwrap();
    let mut paper = Paper::new();
    let (_keys, input) = mpsc::channel(8);
    // The console starts a run of its own whose sender is dropped at once.
    (job.fails, job.sender_gone) = (false, true);
    drive(job, &mut app, &mut paper, input, after(300, "SIGTERM"), &options).await.unwrap();
    assert!(matches!(&app.scan.unwrap().view.phase, Phase::Failed(why) if why.contains("stopped without closing")));
}

/// Waits for a state of the bench; it must come within a minute, an unoptimised fit on a busy machine included.
async fn until(bench: &mut BenchHandle, wanted: impl Fn(&BenchView) -> bool) -> Arc<BenchView> {
    let found = tokio::time::timeout(Duration::from_secs(60), bench.view.wait_for(|view| wanted(view))).await;
    let found = found.map(|view| view.expect("the bench is gone").clone()).ok();
    if let Some(view) = found {
        return view;
    }
    panic!("it does not come: {:?}", BenchView { waveform: None, ..(**bench.view.borrow()).clone() });
}

fn start_bench(stream: BenchStream) -> BenchHandle {
    let plan = Plan::parse("plan.toml", PLAN).unwrap();
    let start_from = bench::start(bench::typed(plan.typed_setup()));
    let profile = Profile::load("open-packet").unwrap();
    start(BenchRequest { stream, profile, start: start_from, connecting: Connecting::default() }).unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_simulated_probe_is_put_on_blocks_taken_fitted_and_driven() {
    let mut handle = start_bench(BenchStream::Simulated(Box::new(bench::wall())));
    for (count, mm) in [5.0, 10.0].into_iter().enumerate() {
        handle.commands.send(BenchCommand::Hold(Hold::Block(bench::piece(mm)))).await.unwrap();
        until(&mut handle, |view| view.hold.is_some() && view.stability.is_some_and(|stability| stability.stable)).await;
        handle.commands.send(BenchCommand::Take).await.unwrap();
        until(&mut handle, |view| view.blocks.len() == count + 1).await;
    }
    let view = until(&mut handle, |view| view.fitted().is_some_and(|fitted| fitted.calibration.points.len() == 2)).await;
    // The simulated steel has 5920 m/s; two blocks alone find it to half a per cent.
    let velocity = view.fitted().unwrap().calibration.velocity.as_m_s();
    assert!((velocity / 5920.0 - 1.0).abs() < 0.005, "{velocity}");
    // The gain comes with the shots: heights on the wall can be held against those on the blocks.
    assert_eq!(view.fitted().unwrap().calibration.gain, Some(bench::wall().receiver.gain));
    handle.commands.send(BenchCommand::Hold(Hold::Encoder { distance: Length::mm(500.0) })).await.unwrap();
    until(&mut handle, |view| view.hold.is_some() && view.shots > 2).await;
    handle.commands.send(BenchCommand::Take).await.unwrap();
    until(&mut handle, |view| view.travelled.is_some_and(|counts| counts > 1_000)).await;
    // Taken half-way: 1 % is far exceeded, and refused.
    handle.commands.send(BenchCommand::Take).await.unwrap();
    let view = until(&mut handle, |view| !view.found.is_empty()).await;
    assert!(matches!(&view.found[0], BenchFound::Encoder(check, Err(_)) if check.counts > 1_000), "{:?}", view.found);
    handle.close();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_recorded_block_is_taken_at_its_end_and_played_again_for_the_next() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("block5.shots");
    let mut bytes = Vec::new();
    let mut crawler = Crawler::on_block(&bench::wall(), Length::mm(5.0), StreamEnd::Shots(40)).unwrap();
    while crawler.next_frame(&mut bytes).is_some() {}
    std::fs::write(&path, bytes).unwrap();
    let options = SourceOptions { pace: Pace::Max, record: None };
    let mut handle = start_bench(BenchStream::Device { spec: StreamSpec::File(path), options });
    until(&mut handle, |view| view.ended.is_some()).await;
    handle.commands.send(BenchCommand::Hold(Hold::Block(bench::piece(5.0)))).await.unwrap();
    until(&mut handle, |view| view.hold.is_some() && view.ended.is_some() && view.shots == 40).await;
    handle.commands.send(BenchCommand::Take).await.unwrap();
    until(&mut handle, |view| view.blocks.len() == 1).await;
    handle.close();
}
