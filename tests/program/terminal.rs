//! The real binary in a pseudo-terminal: from the checklist to a closed run, terminals that go away, signals.
#![cfg(unix)]

use crate::common::*;
use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// A terminal with the program in it.
pub struct Terminal {
    master: Option<Box<dyn MasterPty + Send>>,
    child: Box<dyn Child + Send + Sync>,
    keys: Option<Box<dyn Write + Send>>,
    screen: Arc<Mutex<vt100::Parser>>,
    /// Set, the reader lets go of the terminal with the next output.
    gone: Arc<AtomicBool>,
}

impl Terminal {
    pub fn open(arguments: &[&str], rows: u16, cols: u16, settings: &Path) -> Self {
        let pair = native_pty_system().openpty(PtySize { rows, cols, pixel_width: 0, pixel_height: 0 }).unwrap();
        let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_backwall"));
        command.args(arguments);
        command.cwd(root());
        command.env("TERM", "xterm-256color");
        command.env("XDG_CONFIG_HOME", settings);
        command.env("HOME", settings);
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let screen = Arc::new(Mutex::new(vt100::Parser::new(rows, cols, 0)));
        let mut output = pair.master.try_clone_reader().unwrap();
        let sink = screen.clone();
        let gone = Arc::new(AtomicBool::new(false));
        let leave = gone.clone();
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(read) = output.read(&mut buffer) {
                if read == 0 || leave.load(Ordering::SeqCst) {
                    break;
                }
                sink.lock().unwrap().process(&buffer[..read]);
            }
        });
        let keys = pair.master.take_writer().unwrap();
        Self { master: Some(pair.master), child, keys: Some(keys), screen, gone }
    }
    pub fn text(&self) -> String {
        self.screen.lock().unwrap().screen().contents()
    }
    pub fn wait_for(&self, words: &str) -> String {
        let patience = Instant::now();
        loop {
            let text = self.text();
            if text.contains(words) {
                return text;
            }
            assert!(patience.elapsed() < Duration::from_secs(20), "'{words}' never came; the screen shows:\n{text}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }
    pub fn write(&mut self, keys: &str) {
        let writer = self.keys.as_mut().unwrap();
        writer.write_all(keys.as_bytes()).unwrap();
        writer.flush().unwrap();
    }
    pub fn send(&mut self, keys: &str) {
        self.write(keys);
        std::thread::sleep(Duration::from_millis(120));
    }
    /// The program's exit code, within a patience.
    pub fn exit(&mut self, patience: Duration) -> u32 {
        let started = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.exit_code();
            }
            assert!(started.elapsed() < patience, "the program did not end; the screen shows:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(20));
        }
    }
    /// Whether alternate screen and hidden cursor were undone.
    pub fn is_restored(&self) -> bool {
        let parser = self.screen.lock().unwrap();
        !parser.screen().alternate_screen() && !parser.screen().hide_cursor()
    }
}

const LIST: &str = r#"
name = "short"
title = "A short list"
caution = "Keep clear of the crawler."
[[item]]
id = "tether"
group = "drops"
ask = "Second tether attached"
kind = "confirm"
hold = true
[[item]]
id = "wind"
group = "weather"
ask = "Wind at height"
kind = "number"
unit = "m/s"
max = 10.0
hold = true
"#;

/// A job whose checklist is short enough to type.
pub fn short_job(folder: &Path) -> PathBuf {
    let plan = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    let plan = plan.replace("checklist = \"magnetic-crawler\"", "checklist = \"list.toml\"");
    std::fs::write(folder.join("plan.toml"), plan).unwrap();
    std::fs::write(folder.join("list.toml"), LIST).unwrap();
    let job = folder.join("short.job");
    must(&["new", job.to_str().unwrap(), "--from", folder.join("plan.toml").to_str().unwrap()]);
    calibrate(&job);
    job
}

fn runs(job: &Path) -> Vec<serde_json::Value> {
    events(&must(&["review", job.to_str().unwrap(), "--headless", "--json"]))
}

#[test]
fn from_the_checklist_to_a_closed_run_by_keys() {
    let folder = tempfile::tempdir().unwrap();
    let job = short_job(folder.path());
    let stream = format!("file:{}", root().join("demo-stream/C1.shots").display());
    let mut terminal = Terminal::open(&["open", job.to_str().unwrap(), "--stream", &stream, "--pace", "max"], 24, 80, folder.path());
    terminal.wait_for("Second tether attached");
    terminal.send("y");
    terminal.wait_for("Wind at height");
    // A number over its limit stops the job; a later answer puts it right and both stay.
    terminal.send("\r12\r");
    terminal.wait_for("over the limit of 10");
    terminal.send("\x1b[A\x1b[A");
    terminal.send("\x1b[B\r7.5\r");
    terminal.send("s");
    // Two items: what was answered again is one answer.
    terminal.wait_for("Sign 2 answers");
    terminal.send("\r\r");
    std::thread::sleep(Duration::from_millis(300));
    let contents = backwall_store::JobFile::open_read_only(&job).unwrap().contents().unwrap();
    assert_eq!(contents.answers.len(), 3, "{}", terminal.text());
    assert_eq!(contents.signatures.len(), 1, "{}", terminal.text());
    assert!(contents.checklist.obstacles(&contents.answers, &contents.signatures, &contents.conditions_of_work()).is_empty());
    // On to Scan, and off.
    terminal.send("\t\t");
    terminal.wait_for("Scan");
    terminal.send("s");
    // Asked once: the line is the third but not where the cursor was, and Enter starts there.
    terminal.wait_for("Start this run?");
    terminal.send("\r");
    terminal.wait_for("ended");
    terminal.send("q");
    let code = terminal.exit(Duration::from_secs(10));
    assert_eq!(code, 0);
    assert!(terminal.is_restored());
    let runs = runs(&job);
    assert_eq!(runs.len(), 1);
    assert_eq!(runs[0]["state"], "closed");
    assert!(runs[0]["readings"].as_u64().unwrap() > 100);
}

#[test]
fn the_line_that_was_asked_for_stays_chosen_through_checklist_and_start() {
    let folder = tempfile::tempdir().unwrap();
    let job = short_job(folder.path());
    let stream = format!("file:{}", root().join("demo-stream/C1.shots").display());
    let arguments = ["scan", job.to_str().unwrap(), "--line", "C1", "--from", "0.1m", "--stream", &stream, "--pace", "max"];
    let mut terminal = Terminal::open(&arguments, 24, 80, folder.path());
    terminal.wait_for("scanning is not allowed");
    terminal.send("\x1b[Z\x1b[Z");
    terminal.wait_for("Second tether attached");
    terminal.send("y");
    terminal.wait_for("Wind at height");
    terminal.send("\r7.5\r");
    terminal.send("s");
    terminal.wait_for("Sign 2 answers");
    terminal.send("\r\r");
    terminal.wait_for("signed by");
    terminal.send("\t\t");
    terminal.send("s");
    let panel = terminal.wait_for("Start this run?");
    assert!(panel.contains("C1: from 0.100 m, 0.100 m from the line's start"), "{panel}");
    terminal.send("\r");
    terminal.wait_for("ended");
    terminal.send("q");
    assert_eq!(terminal.exit(Duration::from_secs(10)), 0);
    let runs = runs(&job);
    assert_eq!((runs.len(), runs[0]["line"].as_str(), runs[0]["offset_mm"].as_f64()), (1, Some("C1"), Some(100.0)));
}

#[test]
fn the_demo_is_called_a_demo_and_draws_its_earlier_survey() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("demo.job");
    let mut terminal = Terminal::open(&["demo", "--job", job.to_str().unwrap(), "--glyphs", "braille"], 24, 80, folder.path());
    terminal.wait_for("outline: earlier survey earlier.csv of 2021-06-14");
    let screen = terminal.wait_for("REC saved");
    assert!(screen.lines().next().unwrap().contains("DEMO"), "{screen}");
    terminal.send("e");
    terminal.send("y");
    let screen = terminal.wait_for("ENDED");
    assert!(screen.lines().next().unwrap().contains("DEMO"), "{screen}");
    terminal.send("q");
    assert_eq!(terminal.exit(Duration::from_secs(10)), 0);
}

#[test]
fn a_terminal_that_goes_away_closes_the_run() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("demo.job");
    let mut terminal = Terminal::open(&["demo", "--job", job.to_str().unwrap()], 24, 80, folder.path());
    terminal.wait_for("saved");
    std::thread::sleep(Duration::from_secs(2));
    terminal.keys = None;
    terminal.master = None;
    terminal.gone.store(true, Ordering::SeqCst);
    terminal.exit(Duration::from_secs(12));
    let runs = runs(&job);
    assert_eq!(runs[0]["state"], "closed", "{runs:?}");
    assert!(runs[0]["readings"].as_u64().unwrap() > 5, "{runs:?}");
}

#[test]
fn a_signal_closes_the_run_and_restores_the_terminal() {
    for signal in ["TERM", "HUP"] {
        let folder = tempfile::tempdir().unwrap();
        let job = folder.path().join("demo.job");
        let mut terminal = Terminal::open(&["demo", "--job", job.to_str().unwrap()], 50, 190, folder.path());
        terminal.wait_for("saved");
        std::thread::sleep(Duration::from_secs(1));
        let pid = terminal.child.process_id().unwrap().to_string();
        assert!(std::process::Command::new("kill").args([format!("-{signal}"), pid]).status().unwrap().success());
        assert_eq!(terminal.exit(Duration::from_secs(12)), 1);
        std::thread::sleep(Duration::from_millis(200));
        assert!(terminal.is_restored(), "after SIG{signal}");
        assert_eq!(runs(&job)[0]["state"], "closed");
    }
}

#[test]
fn a_terminal_too_small_says_what_it_needs_and_recording_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("demo.job");
    let mut terminal = Terminal::open(&["demo", "--job", job.to_str().unwrap()], 15, 50, folder.path());
    terminal.wait_for("60");
    std::thread::sleep(Duration::from_secs(1));
    terminal.master.as_ref().unwrap().resize(PtySize { rows: 24, cols: 80, pixel_width: 0, pixel_height: 0 }).unwrap();
    terminal.screen.lock().unwrap().screen_mut().set_size(24, 80);
    terminal.wait_for("saved");
    terminal.send("e");
    terminal.send("y");
    terminal.wait_for("ended");
    terminal.send("q");
    assert_eq!(terminal.exit(Duration::from_secs(10)), 0);
    assert!(runs(&job)[0]["readings"].as_u64().unwrap() > 10);
}

#[test]
fn a_run_read_wrong_is_read_from_echo_to_echo_and_made_to_count_by_keys() {
    let folder = tempfile::tempdir().unwrap();
    let path = crate::adopted::read_wrong(folder.path());
    let mut terminal = Terminal::open(&["review", path.to_str().unwrap(), "--run", "1"], 24, 80, folder.path());
    terminal.wait_for("closed, 600 readings");
    terminal.send("E");
    let shown = terminal.wait_for("let it count?");
    assert!(shown.contains("7.43 mm") && shown.contains("6.45 mm"), "{shown}");
    terminal.send("zero has moved\r\r\r");
    terminal.wait_for("echo-to-echo (adopted)");
    terminal.send("q");
    assert_eq!(terminal.exit(Duration::from_secs(10)), 0, "{}", terminal.text());
    let rows = crate::common::csv(&path, folder.path());
    assert!((crate::adopted::least(&rows, "thickness_mm") - 6.45).abs() < 0.01);
    assert!(rows.iter().all(|row| row["evaluation"] == "1"));
    must(&["verify", path.to_str().unwrap()]);
}
