//! A console that never waits: with a job that never answers, a disk that is slow and a device that is not there, every
//! key still works at once.

use crate::common::*;
use crate::console::fixture::*;
use crate::console::job::options;
use backwall::console::shell::{ConsoleOptions, Surface, drive, first_state};
use backwall::console::state::App;
use backwall::console::survey::SurveyAsk;
use backwall::console::{Backend, Clock, ConsoleEnd, ReplayHandle, ReviewHandle, ScanHandle, Step, SurveyHandle};
use backwall::live::bench::BenchHandle;
use backwall::live::{Begin, Connecting};
use backwall::session::{LineStream, Session};
use backwall_store::{JobContents, Note, RunId};
use backwall_stream::spec::Pace;
use backwall_survey::job::Statement;
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::overriding::Override;
use backwall_survey::job::validity::Check;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::crossterm::event::{Event, KeyCode, KeyEvent, KeyModifiers};
use std::sync::mpsc as std_mpsc;
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// A job that can be read once, and after that takes this long for everything; `None` never answers.
struct Slow {
    job: JobContents,
    takes: Option<Duration>,
}

impl Slow {
    fn wait(&self) -> anyhow::Result<()> {
        match self.takes {
            Some(time) => std::thread::sleep(time),
            None => loop {
                std::thread::park();
            },
        }
        Ok(())
    }
    fn nothing<T>(&self) -> anyhow::Result<T> {
        self.wait()?;
        anyhow::bail!("there is nothing here")
    }
}

impl Backend for Slow {
    fn contents(&self) -> anyhow::Result<JobContents> {
        Ok(self.job.clone())
    }
    fn answer(&mut self, answer: Answer) -> anyhow::Result<()> {
        self.wait()?;
        self.job.answers.push(answer);
        Ok(())
    }
    fn sign(&mut self, _: Signature) -> anyhow::Result<()> {
        self.wait()
    }
    fn note(&mut self, _: Note) -> anyhow::Result<()> {
        self.wait()
    }
    fn state(&mut self, _: Statement) -> anyhow::Result<i64> {
        self.wait().map(|()| 1)
    }
    fn set_setup(&mut self, _: Setup, _: backwall_units::Wording, _: Signed) -> anyhow::Result<i64> {
        self.wait().map(|()| 1)
    }
    fn add_check(&mut self, _: Check) -> anyhow::Result<()> {
        self.wait()
    }
    fn add_encoder_check(&mut self, _: EncoderCheck, _: Signed) -> anyhow::Result<()> {
        self.wait()
    }
    fn start_bench(&mut self, _: Option<&str>, _: &Connecting) -> anyhow::Result<BenchHandle> {
        self.nothing()
    }
    fn start_scan(&mut self, _: &Begin, connecting: &Connecting) -> anyhow::Result<ScanHandle> {
        connecting.waits_for("connecting to tcp:nobody:9");
        self.nothing()
    }
    fn open_review(&mut self, _: RunId, _: bool) -> anyhow::Result<ReviewHandle> {
        self.nothing()
    }
    fn open_survey(&mut self, _: SurveyAsk) -> anyhow::Result<SurveyHandle> {
        self.nothing()
    }
    fn open_replay(&mut self, _: RunId) -> anyhow::Result<ReplayHandle> {
        self.nothing()
    }
    fn clock(&self) -> Clock {
        || NOW
    }
}

/// A screen that hands every picture on as text.
struct Pictures {
    terminal: Terminal<TestBackend>,
    out: std_mpsc::Sender<String>,
}

impl Surface for Pictures {
    fn ready_in(&self, _: bool) -> Duration {
        Duration::ZERO
    }
    fn draw(&mut self, app: &App) -> std::io::Result<()> {
        self.terminal.draw(|frame| backwall::console::view::draw(app, frame)).unwrap();
        let buffer = self.terminal.backend().buffer();
        let text = buffer.content().chunks(80).map(|row| row.iter().map(|cell| cell.symbol()).collect::<String>() + "\n").collect();
        self.out.send(text).ok();
        Ok(())
    }
    fn start_over(&mut self) -> std::io::Result<()> {
        Ok(())
    }
    fn bell(&mut self) {}
    fn is_there(&self) -> bool {
        true
    }
}

/// The console on a backend in a thread of its own; keys in, pictures out, how it ended at the end.
pub struct ConsoleBackend {
    pub keys: mpsc::Sender<Event>,
    pictures: std_mpsc::Receiver<String>,
    pub ended: std_mpsc::Receiver<anyhow::Result<ConsoleEnd>>,
}

impl ConsoleBackend {
    fn open(backend: impl Backend, step: Step) -> Self {
        Self::open_as(backend, options(step, None))
    }

    pub fn open_as(backend: impl Backend, options: ConsoleOptions) -> Self {
        let (keys, input) = mpsc::channel(64);
        let (out, pictures) = std_mpsc::channel();
        let (end, ended) = std_mpsc::channel();
        std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
            let mut app = first_state(&backend, &options).unwrap();
            let mut surface = Pictures { terminal: Terminal::new(TestBackend::new(80, 24)).unwrap(), out };
            let done = runtime.block_on(drive(backend, &mut app, &mut surface, input, std::future::pending(), &options));
            end.send(done).ok();
            runtime.shutdown_background();
        });
        let desk = Self { keys, pictures, ended };
        desk.pictures.recv_timeout(Duration::from_secs(10)).expect("the first picture never came");
        desk
    }

    pub fn wait_for(&self, shows: &str) {
        let since = Instant::now();
        while !self.pictures.recv_timeout(Duration::from_secs(20)).unwrap().contains(shows) {
            assert!(since.elapsed() < Duration::from_secs(20), "'{shows}' never came");
        }
    }

    /// Presses a key; how long it took until a picture shows what it does.
    pub fn press(&self, code: KeyCode, shows: &str) -> Duration {
        let pressed = Instant::now();
        self.keys.blocking_send(Event::Key(KeyEvent::new(code, KeyModifiers::NONE))).unwrap();
        let mut last = String::new();
        while let Ok(picture) = self.pictures.recv_timeout(Duration::from_secs(5)) {
            if picture.contains(shows) {
                return pressed.elapsed();
            }
            last = picture;
            if pressed.elapsed() > Duration::from_secs(5) {
                break;
            }
        }
        panic!("'{shows}' never came:\n{last}")
    }
}

/// Half as much again as a picture every 33 ms and the drawing of it take, for a machine that is busy.
const AT_ONCE: Duration = Duration::from_millis(50);

/// The median: a test machine may be held up for once.
fn at_once(mut times: Vec<Duration>, what: &str) {
    times.sort();
    assert!(times[times.len() / 2] <= AT_ONCE, "{what}: {times:?}");
}

#[test]
fn with_a_job_that_never_answers_every_key_works() {
    let desk = ConsoleBackend::open(Slow { job: settled(), takes: None }, Step::Scan);
    let mut times = vec![desk.press(KeyCode::Char('s'), "Start this run?")];
    times.push(desk.press(KeyCode::Enter, "connecting to tcp:nobody:9"));
    for _ in 0..3 {
        times.push(desk.press(KeyCode::Char('?'), "this page"));
        times.push(desk.press(KeyCode::Esc, "connecting to tcp:nobody:9"));
        times.push(desk.press(KeyCode::Tab, "ended by the operator"));
        times.push(desk.press(KeyCode::BackTab, "connecting to tcp:nobody:9"));
    }
    times.push(desk.press(KeyCode::Esc, "connecting was stopped; nothing was recorded"));
    times.push(desk.press(KeyCode::Char('?'), "this page"));
    times.push(desk.press(KeyCode::Esc, "READY"));
    at_once(times, "keys while connecting");
    let pressed = Instant::now();
    desk.keys.blocking_send(Event::Key(KeyEvent::new(KeyCode::Char('q'), KeyModifiers::NONE))).unwrap();
    let outcome = desk.ended.recv_timeout(Duration::from_secs(5)).expect("it never ended").unwrap();
    assert_eq!(outcome, ConsoleEnd::Quit);
    assert!(pressed.elapsed() < Duration::from_secs(1), "{:?}", pressed.elapsed());
}

#[test]
fn what_cannot_be_written_is_said_before_the_program_ends_without_it() {
    let desk = ConsoleBackend::open(Slow { job: contents(), takes: None }, Step::Checklist);
    let next = desk.press(KeyCode::Char('y'), "Wind at height");
    at_once(vec![next], "an answer on a disk that does not answer");
    at_once(vec![desk.press(KeyCode::Char('q'), "still being written")], "leaving");
    desk.keys.blocking_send(Event::Key(KeyEvent::new(KeyCode::Char('q'), KeyModifiers::NONE))).unwrap();
    let failed = desk.ended.recv_timeout(Duration::from_secs(5)).expect("it never ended").unwrap_err();
    assert!(failed.to_string().contains("NOT kept"), "{failed}");
}

#[test]
fn leaving_waits_for_a_slow_disk_and_keeps_what_was_entered() {
    let desk = ConsoleBackend::open(Slow { job: contents(), takes: Some(Duration::from_millis(400)) }, Step::Checklist);
    desk.press(KeyCode::Char('y'), "Wind at height");
    desk.press(KeyCode::Char('q'), "still being written");
    assert_eq!(desk.ended.recv_timeout(Duration::from_secs(5)).expect("it never ended").unwrap(), ConsoleEnd::Quit);
}

/// Prints the time from a key to its picture: `cargo test --release --test program key_to_picture -- --ignored --nocapture`.
#[test]
#[ignore = "prints figures"]
fn key_to_picture() {
    let measure = |what: &str, desk: &ConsoleBackend, opened: &str, closed: &str| {
        let mut times: Vec<Duration> = Vec::new();
        for _ in 0..100 {
            times.push(desk.press(KeyCode::Char('?'), opened));
            std::thread::sleep(Duration::from_millis(7));
            times.push(desk.press(KeyCode::Esc, closed));
            std::thread::sleep(Duration::from_millis(13));
        }
        times.sort();
        let ms = |share: usize| times[(times.len() * share / 100).min(times.len() - 1)].as_secs_f64() * 1e3;
        println!("{what:<36} key to picture: median {:5.1} ms, p99 {:5.1} ms, worst {:5.1} ms", ms(50), ms(99), ms(100));
    };
    let dead = ConsoleBackend::open(Slow { job: settled(), takes: None }, Step::Scan);
    dead.press(KeyCode::Char('s'), "Start this run?");
    dead.press(KeyCode::Enter, "connecting to");
    measure("connecting to an address that is dead", &dead, "this page", " quit");
    let slow = ConsoleBackend::open(Slow { job: settled(), takes: Some(Duration::from_millis(800)) }, Step::Checklist);
    for _ in 0..5 {
        slow.keys.blocking_send(Event::Key(KeyEvent::new(KeyCode::Char('y'), KeyModifiers::NONE))).unwrap();
    }
    measure("syncing to a disk of 0.8 s", &slow, "this page", " quit");
    let folder = tempfile::tempdir().unwrap();
    let (_device, address) = device(200);
    let scanning = ConsoleBackend::open_as(
        scanned_job(folder.path(), &address),
        ConsoleOptions {
            begin: Some(Begin::on("A090").against(Some(Override { reason: "to measure".to_owned(), second: None, by: signed() }))),
            ..options(Step::Scan, None)
        },
    );
    scanning.wait_for(" REC ");
    measure("while scanning at 200 shots/s", &scanning, "help: Scan", " %, gate ");
}

/// A virtual crawler that serves its stream, ended with the test.
struct Device(std::process::Child);

impl Drop for Device {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn device(rate: u32) -> (Device, String) {
    // A free port, found by asking for one.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let address = format!("127.0.0.1:{port}");
    let arguments = ["simulate", "--line", "A090", "--loop", "--tcp", &address, "--rate", &rate.to_string()];
    let child = backwall().args(arguments).stdout(std::process::Stdio::null()).stderr(std::process::Stdio::null()).spawn().unwrap();
    (Device(child), address)
}

/// A job of the demo's plan whose lines all read this address.
fn scanned_job(folder: &std::path::Path, address: &str) -> backwall::session::ConsoleBackend {
    let path = folder.join("scanned.job");
    must(&["new", path.to_str().unwrap(), "--from", root().join("demo-stream/plan.toml").to_str().unwrap()]);
    let stream = LineStream { spec: format!("tcp:{address}").parse().unwrap(), pace: Pace::Device };
    let session = Session::open(&path, None).unwrap().with_stream(Some(stream), "open-packet", None).unwrap();
    backwall::session::ConsoleBackend { session, earlier: None, unprepared: None }
}
