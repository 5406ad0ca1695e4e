//! The end of a source that gives out what came of it. What one read of a live link brings comes out together, so that whoever takes it
//! wakes once and not for each shot.

use super::Feed;
use std::collections::VecDeque;
use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TryRecvError;

/// Records that are given on together, at most.
pub const TOGETHER: usize = 64;
/// So many of these may wait for whoever takes them: 1024 records.
const WAITING: usize = 16;

/// What happened, in order.
pub struct FeedReceiver {
    batches: mpsc::Receiver<Vec<Feed>>,
    taken: VecDeque<Feed>,
}

pub(super) fn channel() -> (mpsc::Sender<Vec<Feed>>, FeedReceiver) {
    let (sender, batches) = mpsc::channel(WAITING);
    (sender, FeedReceiver { batches, taken: VecDeque::new() })
}

impl FeedReceiver {
    /// The next thing that happened; `None` behind the last. Nothing is lost where this is dropped while it waits.
    pub async fn recv(&mut self) -> Option<Feed> {
        while self.taken.is_empty() {
            self.taken = self.batches.recv().await?.into();
        }
        self.taken.pop_front()
    }

    /// As [`FeedReceiver::recv`], outside of any task.
    pub fn blocking_recv(&mut self) -> Option<Feed> {
        while self.taken.is_empty() {
            self.taken = self.batches.blocking_recv()?.into();
        }
        self.taken.pop_front()
    }

    /// The next thing that has happened by now, if any has.
    pub fn try_recv(&mut self) -> Result<Feed, TryRecvError> {
        loop {
            match self.taken.pop_front() {
                Some(feed) => return Ok(feed),
                None => self.taken = self.batches.try_recv()?.into(),
            }
        }
    }

    /// Whether so much waits that whoever takes it does not keep up.
    pub fn is_half_full(&self) -> bool {
        self.batches.len() * 2 >= WAITING
    }

    /// Waits for the next, and puts it and all that has come behind it at the end of `batch`, at most `most`; how many. None behind the
    /// last. Nothing is lost where this is dropped while it waits.
    pub async fn recv_many(&mut self, batch: &mut Vec<Feed>, most: usize) -> usize {
        let Some(first) = self.recv().await else { return 0 };
        let before = batch.len();
        batch.push(first);
        loop {
            let room = (before + most.max(1)).saturating_sub(batch.len());
            batch.extend(self.taken.drain(..room.min(self.taken.len())));
            if !self.taken.is_empty() || room == 0 {
                return batch.len() - before;
            }
            match self.batches.try_recv() {
                Ok(more) => self.taken = more.into(),
                Err(_) => return batch.len() - before,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::FeedItem;
    use super::*;

    fn beside(seq: u32) -> Feed {
        Feed { item: FeedItem::Beside { seq }, host_time_us: 0 }
    }

    fn seq(feed: &Feed) -> u32 {
        match feed.item {
            FeedItem::Beside { seq } => seq,
            _ => unreachable!("nothing else was sent"),
        }
    }

    #[tokio::test]
    async fn what_was_sent_comes_out_in_order_and_no_more_at_once_than_asked_for() {
        let (sender, mut receiver) = channel();
        for batch in [0..3, 3..4, 4..4, 4..10] {
            sender.send(batch.map(beside).collect()).await.unwrap();
        }
        drop(sender);
        let mut batch = Vec::new();
        assert_eq!(receiver.recv().await.as_ref().map(seq), Some(0));
        assert_eq!(receiver.recv_many(&mut batch, 4).await, 4);
        assert_eq!(receiver.recv().await.as_ref().map(seq), Some(5));
        assert_eq!(receiver.recv_many(&mut batch, 100).await, 4);
        assert_eq!(receiver.recv_many(&mut batch, 100).await, 0);
        assert_eq!(receiver.recv().await, None);
        assert_eq!(batch.iter().map(seq).collect::<Vec<_>>(), [1, 2, 3, 4, 6, 7, 8, 9]);
    }
}
