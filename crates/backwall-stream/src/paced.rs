//! Frames made in this process, read like a device: each comes when a device would send it.

use std::io::{self, Read};
use std::time::{Duration, Instant};

/// What makes frames, each with the time a device would send it.
pub trait FrameSource {
    /// Writes the next frame behind `out`; answers when the device sends it, counted from its start, or `None` at the end.
    fn next_frame(&mut self, out: &mut Vec<u8>) -> Option<Duration>;
}

/// Reads frames at their own pace. `wait` sleeps, and answers whether to give up meanwhile.
pub struct Paced<S, W> {
    source: S,
    wait: W,
    began: Option<Instant>,
    frame: Vec<u8>,
    read: usize,
}

impl<S: FrameSource, W: FnMut(Duration) -> bool> Paced<S, W> {
    pub fn new(source: S, wait: W) -> Self {
        Self { source, wait, began: None, frame: Vec::new(), read: 0 }
    }
}

impl<S: FrameSource, W: FnMut(Duration) -> bool> Read for Paced<S, W> {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        if self.read >= self.frame.len() {
            self.frame.clear();
            self.read = 0;
            let Some(time) = FrameSource::next_frame(&mut self.source, &mut self.frame) else { return Ok(0) };
            let began = *self.began.get_or_insert_with(Instant::now);
            let due = time.saturating_sub(began.elapsed());
            if !due.is_zero() && (self.wait)(due) {
                return Ok(0);
            }
        }
        let count = to.len().min(self.frame.len() - self.read);
        to[..count].copy_from_slice(&self.frame[self.read..self.read + count]);
        self.read += count;
        Ok(count)
    }
}
