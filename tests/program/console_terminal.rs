//! The console in a real pseudo-terminal: what it leaves behind when it is left, told to end, or falls over.
//! Only where the system has pseudo-terminals that can be asked for their mode.
#![cfg(unix)]

use crate::console::fixture;

use crate::console::job::{Job, options};
use backwall::console::{ConsoleEnd, Step, run};
use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};
use std::io::{Read, Write};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Says which part a child process plays; unset in an ordinary run of the tests.
const PART: &str = "BACKWALL_CONSOLE_PART";
const REPORT: &str = "BACKWALL_CONSOLE_REPORT";

/// Not a test of its own: what the other tests start in a pseudo-terminal.
#[test]
fn child() {
    let Ok(part) = std::env::var(PART) else { return };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let outcome = runtime.block_on(async {
        let (mut job, ended) = Job::new(fixture::settled());
        let line = (part == "scan").then_some("A090");
        job.fails = part == "panic";
        if part == "elsewhere" {
            std::thread::spawn(|| panic!("a fault of the test's own"));
        }
        let outcome = run(job, options(Step::Scan, line)).await.unwrap();
        (outcome, ended.load(std::sync::atomic::Ordering::SeqCst))
    });
    let (outcome, ended) = outcome;
    let word = match &outcome {
        ConsoleEnd::Quit => "quit".to_owned(),
        ConsoleEnd::Terminated(why) => format!("terminated {why}"),
    };
    std::fs::write(std::env::var(REPORT).unwrap(), format!("{word}; run ended {ended}")).unwrap();
    std::process::exit(0);
}

struct Terminal {
    master: Option<Box<dyn MasterPty + Send>>,
    keys: Option<Box<dyn Write + Send>>,
    child: Box<dyn Child + Send + Sync>,
    seen: Arc<Mutex<Vec<u8>>>,
    reader: std::thread::JoinHandle<()>,
    /// The terminal's modes before anything was started in it.
    before: String,
    report: tempfile::TempDir,
}

impl Terminal {
    fn start(part: &str) -> Self {
        Self::start_read(part, true)
    }

    /// With `read` unset nobody takes what is drawn: the terminal is frozen as soon as its buffer is full.
    fn start_read(part: &str, read: bool) -> Self {
        let report = tempfile::tempdir().unwrap();
        let pair = native_pty_system().openpty(PtySize { rows: 24, cols: 80, pixel_width: 0, pixel_height: 0 }).unwrap();
        let mut command = CommandBuilder::new(std::env::current_exe().unwrap());
        command.args(["console_terminal::child", "--exact", "--nocapture", "--test-threads=1"]);
        command.env(PART, part);
        command.env(REPORT, report.path().join("report"));
        command.env("TERM", "xterm-256color");
        command.env("RUST_BACKTRACE", "0");
        let before = modes(&*pair.master);
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let mut reader = pair.master.try_clone_reader().unwrap();
        let seen = Arc::new(Mutex::new(Vec::new()));
        let sink = seen.clone();
        let reader = std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            if !read {
                std::thread::sleep(Duration::from_secs(60));
            }
            while let Ok(count) = reader.read(&mut buffer) {
                if count == 0 {
                    return;
                }
                sink.lock().unwrap().extend_from_slice(&buffer[..count]);
            }
        });
        let keys = pair.master.take_writer().unwrap();
        Self { master: Some(pair.master), keys: Some(keys), child, seen, reader, before, report }
    }

    fn screen(&self) -> String {
        let mut parser = vt100::Parser::new(24, 80, 0);
        parser.process(&self.seen.lock().unwrap());
        parser.screen().contents()
    }

    fn wait_for(&self, words: &str) {
        let since = Instant::now();
        while !self.screen().contains(words) {
            assert!(since.elapsed() < Duration::from_secs(20), "'{words}' never came:\n{}", self.screen());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn press(&mut self, keys: &str) {
        let writer = self.keys.as_mut().unwrap();
        writer.write_all(keys.as_bytes()).unwrap();
        writer.flush().unwrap();
    }

    /// Waits for the end and gives what the child had to say.
    fn report(&mut self) -> String {
        let since = Instant::now();
        while self.child.try_wait().unwrap().is_none() {
            if since.elapsed() > Duration::from_secs(20) {
                let _ = self.child.kill();
                panic!("the console did not end:\n{}", self.screen());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        std::fs::read_to_string(self.report.path().join("report")).unwrap_or_default()
    }

    fn modes(&self) -> String {
        modes(&**self.master.as_ref().unwrap())
    }

    /// Waits until everything the program wrote before it ended has been read.
    fn read_to_the_end(&self) {
        let since = Instant::now();
        while !self.reader.is_finished() {
            assert!(since.elapsed() < Duration::from_secs(20), "the terminal is still held open");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// The alternate screen was left and the cursor is shown again.
    fn is_given_back(&self) -> bool {
        self.read_to_the_end();
        let bytes = self.seen.lock().unwrap();
        let text = String::from_utf8_lossy(&bytes);
        let last = |code: &str| text.rfind(code);
        last("\u{1b}[?1049l") > last("\u{1b}[?1049h")
            && last("\u{1b}[?25h") > last("\u{1b}[?25l")
            && last("\u{1b}[?2004l") > last("\u{1b}[?2004h")
    }
}

fn modes(master: &dyn MasterPty) -> String {
    let modes = master.get_termios().expect("a pseudo-terminal has modes");
    format!("{:?} {:?} {:?}", modes.local_flags, modes.input_flags, modes.output_flags)
}

#[test]
fn leaving_gives_the_terminal_back_as_it_was() {
    let mut terminal = Terminal::start("idle");
    let before = terminal.before.clone();
    terminal.wait_for("READY: nothing stops scanning");
    assert_ne!(terminal.modes(), before, "the terminal is in raw mode meanwhile");
    terminal.press("q");
    assert_eq!(terminal.report(), "quit; run ended false");
    assert!(terminal.is_given_back());
    assert_eq!(terminal.modes(), before);
}

#[test]
fn a_terminal_that_vanishes_ends_the_run_and_the_program() {
    let mut terminal = Terminal::start("scan");
    terminal.wait_for("THIN at 4.052 m");
    terminal.keys = None;
    terminal.master = None;
    // The reader's copy of the master side keeps the terminal alive; a hang-up is what a closed window sends.
    signal(&terminal, "HUP");
    let report = terminal.report();
    assert!(report.starts_with("terminated ") && report.ends_with("run ended true"), "{report}");
}

fn signal(terminal: &Terminal, name: &str) {
    let id = terminal.child.process_id().unwrap().to_string();
    let done = std::process::Command::new("kill").args(["-s", name, &id]).status().unwrap();
    assert!(done.success());
}

#[test]
fn sigterm_ends_the_run_and_gives_the_terminal_back() {
    let mut terminal = Terminal::start("scan");
    terminal.wait_for("THIN at 4.052 m");
    assert!(!terminal.modes().contains("ECHO |"), "raw mode: {}", terminal.modes());
    signal(&terminal, "TERM");
    assert_eq!(terminal.report(), "terminated SIGTERM; run ended true");
    assert!(terminal.is_given_back());
    assert!(terminal.modes().contains("ECHO |"), "{}", terminal.modes());
}

#[test]
fn a_terminal_that_takes_nothing_more_does_not_keep_the_run_from_ending() {
    let mut terminal = Terminal::start_read("scan", false);
    std::thread::sleep(Duration::from_secs(2));
    for _ in 0..30 {
        terminal.press("t+-");
        std::thread::sleep(Duration::from_millis(50));
    }
    let since = Instant::now();
    signal(&terminal, "TERM");
    assert_eq!(terminal.report(), "terminated SIGTERM; run ended true");
    assert!(since.elapsed() < Duration::from_secs(5), "{:?}", since.elapsed());
}

#[test]
fn a_panic_gives_the_terminal_back_before_it_is_told() {
    let mut terminal = Terminal::start("panic");
    terminal.wait_for("READY: nothing stops scanning");
    // To the review, and open the run that cannot be read.
    terminal.press("\t\r");
    terminal.wait_for("a fault of the test's own");
    terminal.report();
    assert!(terminal.is_given_back());
    let bytes = terminal.seen.lock().unwrap().clone();
    let text = String::from_utf8_lossy(&bytes).into_owned();
    assert!(text.find("\u{1b}[?1049l") < text.find("a fault of the test's own"), "told on the alternate screen");
}

#[test]
fn a_panic_of_another_thread_leaves_the_screen_and_is_told_afterwards() {
    let mut terminal = Terminal::start("elsewhere");
    terminal.wait_for("READY: nothing stops scanning");
    std::thread::sleep(Duration::from_millis(500));
    assert!(!terminal.screen().contains("a fault of the test's own"), "{}", terminal.screen());
    terminal.press("q");
    assert_eq!(terminal.report(), "quit; run ended false");
    terminal.wait_for("a fault of the test's own");
}

#[test]
fn a_storm_of_sizes_and_keys_is_lived_through() {
    let mut terminal = Terminal::start("scan");
    terminal.wait_for("THIN at 4.052 m");
    for step in 0..60u16 {
        let size = PtySize { rows: 5 + step % 40, cols: 20 + step * 3 % 150, pixel_width: 0, pixel_height: 0 };
        terminal.master.as_ref().unwrap().resize(size).unwrap();
        terminal.press("+-\u{1b}[A\u{1b}[Btgu");
    }
    terminal.master.as_ref().unwrap().resize(PtySize { rows: 24, cols: 80, pixel_width: 0, pixel_height: 0 }).unwrap();
    terminal.wait_for("end run");
    terminal.press("qy");
    assert_eq!(terminal.report(), "quit; run ended true");
    assert!(terminal.is_given_back());
}
