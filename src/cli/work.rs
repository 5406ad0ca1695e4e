//! Long work at the command line: says how far it is on a terminal, and stops when the system asks it to.

use crate::session::runtime;
use std::io::{IsTerminal, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Runs `work` with a tick it calls as it goes: `tick(done, of)` shows the progress and answers whether to go on.
/// `what` names the things that are counted.
pub fn interruptible<T>(what: &str, work: impl FnOnce(&mut dyn FnMut(u64, u64) -> bool) -> T) -> anyhow::Result<T> {
    let runtime = runtime()?;
    let stop = Arc::new(AtomicBool::new(false));
    let told = Arc::clone(&stop);
    runtime.spawn(async move {
        crate::platform::asked_to_end().await;
        told.store(true, Ordering::Relaxed);
    });
    let mut progress = Progress::new(what);
    let done = work(&mut |done, of| {
        progress.show(done, of);
        !stop.load(Ordering::Relaxed)
    });
    progress.clear();
    runtime.shutdown_background();
    Ok(done)
}

/// How far the work is, on a terminal; a file or a pipe is not filled with it.
struct Progress<'a> {
    what: &'a str,
    shown: Option<Instant>,
    wanted: bool,
}

impl<'a> Progress<'a> {
    const EVERY: Duration = Duration::from_millis(200);

    fn new(what: &'a str) -> Self {
        Self { what, shown: None, wanted: std::io::stderr().is_terminal() }
    }
    fn show(&mut self, done: u64, of: u64) {
        if self.wanted && self.shown.is_none_or(|shown| shown.elapsed() >= Self::EVERY) {
            self.shown = Some(Instant::now());
            let mut out = std::io::stderr();
            write!(out, "\r{done} of {of} {}", self.what).and_then(|()| out.flush()).ok();
        }
    }
    fn clear(&self) {
        if self.shown.is_some() {
            write!(std::io::stderr(), "\r{:60}\r", "").ok();
        }
    }
}
