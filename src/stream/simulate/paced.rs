//! A virtual crawler read like a device: each frame comes when the crawler would send it.

use super::Crawler;
use std::io::{self, Read};
use std::time::{Duration, Instant};

/// Reads a crawler at its own pace. `wait` sleeps, and answers whether to give up meanwhile.
pub struct Paced<W> {
    crawler: Crawler,
    wait: W,
    began: Option<Instant>,
    frame: Vec<u8>,
    read: usize,
}

impl<W: FnMut(Duration) -> bool> Paced<W> {
    pub fn new(crawler: Crawler, wait: W) -> Self {
        Self { crawler, wait, began: None, frame: Vec::new(), read: 0 }
    }
}

impl<W: FnMut(Duration) -> bool> Read for Paced<W> {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        if self.read >= self.frame.len() {
            self.frame.clear();
            self.read = 0;
            let Some(time) = self.crawler.next_frame(&mut self.frame) else { return Ok(0) };
            let began = *self.began.get_or_insert_with(Instant::now);
            let due = Duration::from_micros(time.us).saturating_sub(began.elapsed());
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
