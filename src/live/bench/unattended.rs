//! The bench without a screen: each block, verification and drive from a stream of its own, one after another.

use super::{Bench, BenchCommand, BenchView, Hold, Start, ordered};
use backwall_stream::command::{CommandOrder, Ordered};
use backwall_stream::feed::{self, FeedItem, SourceOptions, StreamError};
use backwall_stream::profile::Profile;
use backwall_stream::spec::{Pace, StreamSpec};
use backwall_survey::reading::Record;
use std::time::{Duration, Instant};

/// A live probe that is not stable after this long will not become so.
const PATIENCE: Duration = Duration::from_secs(120);

/// A device that does not answer is taken to be set after so long. Common practice, no source.
const SETTLES: Duration = Duration::from_millis(300);

/// What the probe is put on, and the stream taken on it.
#[derive(Debug, Clone)]
pub struct Attempt {
    pub hold: Hold,
    pub spec: StreamSpec,
}

/// What was not taken, and why.
#[derive(Debug, Clone)]
pub struct UnattendedRefused {
    pub hold: Hold,
    pub why: String,
}

/// What came of it all.
#[derive(Debug)]
pub struct Unattended {
    pub view: BenchView,
    pub refused: Vec<UnattendedRefused>,
}

/// Puts the probe on everything in order; what the blocks give is worked out before the first verification.
/// The device gets the orders each time its stream is opened, before anything is taken.
pub async fn unattended(
    start: Start,
    profile: &Profile,
    keep_velocity: bool,
    attempts: Vec<Attempt>,
    orders: &[CommandOrder],
) -> Result<Unattended, StreamError> {
    let mut bench = Bench::new(start);
    bench.command(BenchCommand::KeepVelocity(keep_velocity), 0);
    let mut refused = Vec::new();
    let (blocks, others): (Vec<Attempt>, Vec<Attempt>) = attempts.into_iter().partition(|attempt| matches!(attempt.hold, Hold::Block(_)));
    for attempt in blocks {
        refused.extend(take(&mut bench, attempt, profile, orders).await?);
    }
    if let Some(job) = bench.fit_job() {
        bench.fitted(job.run());
    }
    for attempt in others {
        refused.extend(take(&mut bench, attempt, profile, orders).await?);
    }
    Ok(Unattended { view: bench.view, refused })
}

async fn take(
    bench: &mut Bench,
    Attempt { hold, spec }: Attempt,
    profile: &Profile,
    orders: &[CommandOrder],
) -> Result<Option<UnattendedRefused>, StreamError> {
    let driven = matches!(hold, Hold::Encoder { .. });
    let mut source = feed::open(&spec, profile, SourceOptions { pace: Pace::Max, record: None })?;
    bench.view.link = source.link.borrow().clone();
    bench.opened();
    for order in orders {
        // Whether the line can be written to was looked at before it was opened.
        source.stop.send(order.clone());
    }
    let mut waiting = orders.len();
    // From when on what comes is of the device as it was set; at once where nothing is sent.
    let mut is_set_at = (waiting == 0).then(Instant::now);
    let mut is_held = waiting == 0;
    if is_held {
        bench.command(BenchCommand::Hold(hold.clone()), 0);
    }
    let patience = tokio::time::sleep(PATIENCE);
    tokio::pin!(patience);
    loop {
        let item = tokio::select! {
            item = source.feed.recv() => item,
            () = &mut patience, if !driven => None,
        };
        let Some(item) = item else { break };
        match item.item {
            FeedItem::Ordered { order, became } => {
                if matches!(became, Ordered::Unanswered | Ordered::NotSent(_)) {
                    source.stop.stop();
                    return Ok(Some(UnattendedRefused { hold, why: format!("NOT TAKEN: {}", ordered::words(&order, &became)) }));
                }
                bench.set_before(&order, &became);
                waiting -= usize::from(waiting > 0 && (became == Ordered::Answered || order.answer.is_empty()));
                let settles = if order.answer.is_empty() { SETTLES } else { Duration::ZERO };
                is_set_at = (waiting == 0).then(|| Instant::now() + settles);
            }
            // What the device measured before it was set counts for nothing.
            FeedItem::Record(record @ (Record::Shot(_) | Record::Gauge(_))) if is_set_at.is_none_or(|at| Instant::now() < at) => {
                bench.pass(&record, item.host_time_us);
            }
            FeedItem::Record(record) => {
                if is_set_at.is_some() && !std::mem::replace(&mut is_held, true) {
                    bench.command(BenchCommand::Hold(hold.clone()), 0);
                }
                bench.record(record, item.host_time_us);
            }
            FeedItem::Ended => break,
            _ => {}
        }
        if driven && is_held && bench.counts() && bench.view.travelled.is_none() {
            // The way begins where the stream does.
            bench.command(BenchCommand::Take, item.host_time_us);
        }
        if !driven && bench.is_done() {
            break;
        }
    }
    source.stop.stop();
    // The feed ends when the device has its stop command.
    tokio::time::timeout(Duration::from_millis(500), async { while source.feed.recv().await.is_some() {} }).await.ok();
    bench.view.link = source.link.borrow().clone();
    if !is_held {
        bench.command(BenchCommand::Hold(hold.clone()), 0);
    }
    bench.ended("the stream was read".to_owned());
    let before = bench.view.said.clone();
    bench.command(BenchCommand::Take, 0);
    let news = bench.view.said.as_ref().filter(|said| before.as_ref().map(|before| before.number) != Some(said.number));
    let why = news.filter(|said| said.refused).map(|said| said.words.clone());
    Ok(why.map(|why| UnattendedRefused { hold, why }))
}
