//! Between the reader of a link and the decoder: a queue bounded in bytes, so that a slow disk or screen
//! never stops the reader of a live link, and a fast file never fills the memory.

use super::command::{CommandOrder, Ordered};
use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// What happened to the link, or what came over it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkEvent {
    Bytes(Vec<u8>),
    Up {
        what: String,
    },
    Down {
        why: String,
    },
    Reconnected {
        attempts: u32,
        down_ms: u64,
    },
    Overflow {
        bytes: u64,
    },
    /// A request was sent; what comes now answers it. What came of one that was not answered is no part of that.
    Asked {
        request: usize,
        answered: bool,
    },
    /// What became of an order to the device.
    Ordered {
        order: CommandOrder,
        became: Ordered,
    },
    /// What happened between us and the device, in words.
    Said {
        words: String,
    },
    /// With the reason where it is a fault.
    Ended {
        fault: Option<String>,
    },
}

/// What a chunk costs beside its bytes.
const CHUNK_COST: usize = 64;

pub struct ByteQueue {
    inner: Mutex<Inner>,
    changed: Condvar,
    limit: usize,
}

#[derive(Default)]
struct Inner {
    events: VecDeque<(i64, LinkEvent)>,
    held: usize,
    overflow: u64,
    overflow_us: i64,
    closed: bool,
}

impl ByteQueue {
    pub fn new(limit: usize) -> Self {
        Self { inner: Mutex::default(), changed: Condvar::new(), limit }
    }

    /// A thread that died holding the lock leaves a queue that is still whole: each change is one step.
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Never waits: where there is no room the bytes are dropped and counted.
    pub fn offer(&self, bytes: Vec<u8>, host_time_us: i64) {
        let mut inner = self.lock();
        if inner.closed {
            return;
        }
        let cost = bytes.len() + CHUNK_COST;
        if inner.held + cost > self.limit {
            inner.overflow += bytes.len() as u64;
            inner.overflow_us = host_time_us;
            return;
        }
        inner.flush_overflow(host_time_us);
        inner.held += cost;
        inner.events.push_back((host_time_us, LinkEvent::Bytes(bytes)));
        // Whoever wakes would only wait for the lock.
        drop(inner);
        self.changed.notify_all();
    }

    /// Waits for room. False where nobody reads any more.
    pub fn wait_and_put(&self, bytes: Vec<u8>, host_time_us: i64) -> bool {
        let mut inner = self.lock();
        let cost = bytes.len() + CHUNK_COST;
        while inner.held > 0 && inner.held + cost > self.limit && !inner.closed {
            inner = self.changed.wait(inner).unwrap_or_else(PoisonError::into_inner);
        }
        if inner.closed {
            return false;
        }
        inner.held += cost;
        inner.events.push_back((host_time_us, LinkEvent::Bytes(bytes)));
        self.changed.notify_all();
        true
    }

    /// Tells what happened to the link; there is always room for that.
    pub fn tell(&self, event: LinkEvent, host_time_us: i64) {
        let mut inner = self.lock();
        inner.flush_overflow(host_time_us);
        inner.events.push_back((host_time_us, event));
        self.changed.notify_all();
    }

    /// The next event with its host time; `None` where none came in time.
    pub fn next(&self, patience: Duration) -> Option<(i64, LinkEvent)> {
        let inner = self.lock();
        let (mut inner, _) = self
            .changed
            .wait_timeout_while(inner, patience, |inner| inner.events.is_empty() && inner.overflow == 0)
            .unwrap_or_else(PoisonError::into_inner);
        if inner.events.is_empty() {
            // Nothing came behind the loss yet that would have told of it.
            let bytes = std::mem::take(&mut inner.overflow);
            return (bytes > 0).then_some((inner.overflow_us, LinkEvent::Overflow { bytes }));
        }
        let (time, event) = inner.events.pop_front()?;
        if let LinkEvent::Bytes(bytes) = &event {
            inner.held -= bytes.len() + CHUNK_COST;
        }
        self.changed.notify_all();
        Some((time, event))
    }

    /// Nobody reads any more.
    pub fn close(&self) {
        self.lock().closed = true;
        self.changed.notify_all();
    }
}

/// Where a reader puts what comes: a queue for each channel that is read, so that each has a decoder of its own and loses nothing by another.
pub struct Inlet(Vec<Arc<ByteQueue>>);

impl Inlet {
    pub fn new(queues: Vec<Arc<ByteQueue>>) -> Self {
        Self(queues)
    }

    /// See [`Queue::offer`].
    pub fn offer(&self, bytes: &[u8], host_time_us: i64) {
        self.0.iter().for_each(|queue| queue.offer(bytes.to_vec(), host_time_us));
    }

    /// Waits for room in each. False where nobody reads any more.
    pub fn wait_and_put(&self, bytes: &[u8], host_time_us: i64) -> bool {
        let mut taken = false;
        for queue in &self.0 {
            // Each gets it, whatever the others did with it.
            taken |= queue.wait_and_put(bytes.to_vec(), host_time_us);
        }
        taken
    }

    /// See [`Queue::tell`].
    pub fn tell(&self, event: &LinkEvent, host_time_us: i64) {
        self.0.iter().for_each(|queue| queue.tell(event.clone(), host_time_us));
    }
}

impl Inner {
    fn flush_overflow(&mut self, host_time_us: i64) {
        let bytes = std::mem::take(&mut self.overflow);
        if bytes > 0 {
            self.events.push_back((host_time_us, LinkEvent::Overflow { bytes }));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Duration = Duration::ZERO;

    #[test]
    fn what_has_no_room_is_dropped_counted_and_told_in_its_place() {
        let queue = ByteQueue::new(3 * (10 + CHUNK_COST));
        for n in 0..5 {
            queue.offer(vec![n; 10], i64::from(n));
        }
        assert_eq!(queue.next(NOW), Some((0, LinkEvent::Bytes(vec![0; 10]))));
        queue.offer(vec![9; 10], 9);
        for n in 1..3 {
            assert_eq!(queue.next(NOW), Some((n, LinkEvent::Bytes(vec![n as u8; 10]))));
        }
        assert_eq!(queue.next(NOW), Some((9, LinkEvent::Overflow { bytes: 20 })));
        assert_eq!(queue.next(NOW), Some((9, LinkEvent::Bytes(vec![9; 10]))));
        assert_eq!(queue.next(NOW), None);
    }

    #[test]
    fn a_file_waits_for_room_and_loses_nothing() {
        let queue = std::sync::Arc::new(ByteQueue::new(100));
        let writer = {
            let queue = std::sync::Arc::clone(&queue);
            std::thread::spawn(move || (0..200u8).all(|n| queue.wait_and_put(vec![n; 50], 0)))
        };
        for n in 0..200u8 {
            let (_, event) = queue.next(Duration::from_secs(10)).unwrap();
            assert_eq!(event, LinkEvent::Bytes(vec![n; 50]));
        }
        assert!(writer.join().unwrap());
        queue.close();
        assert!(!queue.wait_and_put(vec![0; 50], 0));
    }
}
