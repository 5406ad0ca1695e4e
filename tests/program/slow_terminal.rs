//! The real binary on a terminal that takes its bytes slowly: what a key does is seen in the next picture, not behind a
//! queue of older ones.
#![cfg(unix)]

use crate::common::*;
use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};
use std::io::{Read, Write};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// How often a second the terminal takes a portion.
const PORTIONS: u64 = 20;

struct SlowTerminal {
    _master: Box<dyn MasterPty + Send>,
    child: Box<dyn Child + Send + Sync>,
    keys: Arc<Mutex<Box<dyn Write + Send>>>,
    screen: Arc<Mutex<vt100::Parser>>,
    taken: Arc<AtomicUsize>,
}

impl SlowTerminal {
    /// With `elsewhere` the program is told that its terminal is on another machine.
    fn open(bytes_per_s: u64, elsewhere: bool, settings: &Path) -> Self {
        let pair = native_pty_system().openpty(PtySize { rows: 24, cols: 80, pixel_width: 0, pixel_height: 0 }).unwrap();
        let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_backwall"));
        command.args(["demo", "--job", settings.join("demo.job").to_str().unwrap()]);
        command.cwd(root());
        command.env("TERM", "xterm-256color");
        command.env("XDG_CONFIG_HOME", settings);
        command.env("HOME", settings);
        for name in ["SSH_CONNECTION", "SSH_TTY"] {
            command.env_remove(name);
        }
        if elsewhere {
            // Documentation addresses, RFC 5737.
            command.env("SSH_CONNECTION", "192.0.2.1 50000 192.0.2.2 22");
        }
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let mut output = pair.master.try_clone_reader().unwrap();
        let keys = Arc::new(Mutex::new(pair.master.take_writer().unwrap()));
        let screen = Arc::new(Mutex::new(vt100::Parser::new(24, 80, 0)));
        let taken = Arc::new(AtomicUsize::new(0));
        let (sink, count, answers) = (screen.clone(), taken.clone(), keys.clone());
        std::thread::spawn(move || {
            let mut portion = vec![0; (bytes_per_s / PORTIONS) as usize];
            let mut seen = Vec::new();
            while let Ok(read @ 1..) = output.read(&mut portion) {
                sink.lock().unwrap().process(&portion[..read]);
                count.fetch_add(read, Ordering::SeqCst);
                seen.extend_from_slice(&portion[..read]);
                // Where the cursor is, a terminal answers (ECMA-48, 8.3.35: device status report).
                while let Some(at) = seen.windows(4).position(|bytes| bytes == b"\x1b[6n") {
                    seen.drain(..at + 4);
                    answers.lock().unwrap().write_all(b"\x1b[1;1R").unwrap();
                }
                seen.drain(..seen.len().saturating_sub(3));
                std::thread::sleep(Duration::from_secs_f64(read as f64 / bytes_per_s as f64));
            }
        });
        Self { _master: pair.master, child, keys, screen, taken }
    }

    fn text(&self) -> String {
        self.screen.lock().unwrap().screen().contents()
    }

    fn wait_for(&self, words: &str, patience: Duration) {
        let since = Instant::now();
        while !self.text().contains(words) {
            assert!(since.elapsed() < patience, "'{words}' never came; the screen shows:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Presses a key that opens or closes the help; how long it took, and how many bytes went by, until that is seen.
    fn press(&self, keys: &str, opens: bool) -> (Duration, usize) {
        let (since, before) = (Instant::now(), self.taken.load(Ordering::SeqCst));
        self.keys.lock().unwrap().write_all(keys.as_bytes()).unwrap();
        while self.text().contains("help: Scan") != opens {
            assert!(since.elapsed() < Duration::from_secs(60), "the screen shows:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(10));
        }
        (since.elapsed(), self.taken.load(Ordering::SeqCst) - before)
    }
}

impl Drop for SlowTerminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Opens and closes the help while a run goes on.
fn presses(terminal: &SlowTerminal, count: usize) -> Vec<(Duration, usize)> {
    terminal.wait_for("spots (", Duration::from_secs(120));
    (0..count)
        .map(|press| {
            std::thread::sleep(Duration::from_secs(2));
            let opens = press % 2 == 0;
            terminal.press(if opens { "?" } else { "\x1b" }, opens)
        })
        .collect()
}

/// Bytes a second, whether the session counts as slow, and of each key how long it took and what lay before its picture.
type Seen = (u64, bool, Vec<(Duration, usize)>);

/// Several terminals at a time, each with its own program: rate, whether it is elsewhere, and what was found.
fn together(cases: &[(u64, bool)], count: usize) -> Vec<Seen> {
    let one = |(rate, elsewhere)| {
        let folder = tempfile::tempdir().unwrap();
        (rate, elsewhere, presses(&SlowTerminal::open(rate, elsewhere, folder.path()), count))
    };
    std::thread::scope(|scope| {
        let running: Vec<_> = cases.iter().map(|case| scope.spawn(|| one(*case))).collect();
        running.into_iter().map(|one| one.join().unwrap()).collect()
    })
}

/// A whole picture of 80 by 24 is some 3 kB: what a key waits for is at most one picture that was on its way, then its own.
#[test]
fn a_key_is_seen_in_the_next_picture_however_slow_the_terminal_is() {
    for (rate, _, found) in together(&[(1200, true), (4000, true)], 6) {
        for (took, bytes) in &found {
            assert!(*bytes <= 6000, "at {rate} bytes/s: {found:?}");
            assert!(*took <= Duration::from_secs_f64(6000.0 / rate as f64 + 1.0), "at {rate} bytes/s: {found:?}");
        }
    }
}

/// Prints how long keys take, also where the program has to find out by itself how slow its terminal is:
/// `cargo test --test program slow_terminal -- --ignored --nocapture`.
#[test]
#[ignore = "prints figures"]
fn from_key_to_picture_on_slow_terminals() {
    for (rate, elsewhere, found) in together(&[(1200, true), (4000, true), (1200, false), (4000, false)], 16) {
        let known = if elsewhere { "measured at the start" } else { "found out by itself" };
        let mut times: Vec<f64> = found.iter().map(|(took, _)| took.as_secs_f64()).collect();
        times.sort_by(f64::total_cmp);
        let (median, worst) = (times[times.len() / 2], times[times.len() - 1]);
        let most = found.iter().map(|(_, bytes)| *bytes).max().unwrap();
        println!("{rate} bytes/s, {known}: key to picture median {median:.2} s, worst {worst:.2} s; at most {most} bytes before it");
    }
}
