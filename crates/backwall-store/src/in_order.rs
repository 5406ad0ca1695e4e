//! Work on all cores whose results come back in the order it was handed out, with so much of it under way and no more.

use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, SyncSender, channel, sync_channel};
use std::sync::{Mutex, PoisonError};

/// Jobs under way for each worker: one in its hands, and those that wait while results are taken.
const UNDER_WAY: usize = 3;

/// Processors there are to work on.
pub fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

/// Fetches jobs from `next`, has them done by `workers` threads and gives the results to `take`, in order; both are
/// called by the calling thread alone. `hands` makes what one worker works with. Ends when `next` has no more, or `take`
/// answers `false`, or either fails.
pub fn in_order<J: Send, D: Send, E, W: FnMut(J) -> D>(
    workers: usize,
    hands: impl Fn() -> W + Sync,
    mut next: impl FnMut() -> Result<Option<J>, E>,
    mut take: impl FnMut(D) -> Result<bool, E>,
) -> Result<bool, E> {
    if workers < 2 {
        let mut work = hands();
        while let Some(job) = next()? {
            if !take(work(job))? {
                return Ok(false);
            }
        }
        return Ok(true);
    }
    let (jobs, waiting) = channel::<(J, SyncSender<D>)>();
    let (waiting, hands) = (Mutex::new(waiting), &hands);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let waiting = &waiting;
            scope.spawn(move || {
                let mut work = hands();
                loop {
                    // A worker that panicked held the lock only to fetch; the channel is whole.
                    let job = waiting.lock().unwrap_or_else(PoisonError::into_inner).recv();
                    let Ok((job, done)) = job else { return };
                    // Whoever asked may have stopped waiting.
                    done.send(work(job)).ok();
                }
            });
        }
        // Owned here, so that the workers end however this ends.
        let jobs = jobs;
        let mut under_way: VecDeque<Receiver<D>> = VecDeque::new();
        let mut more = true;
        loop {
            while more && under_way.len() < workers * UNDER_WAY {
                match next()? {
                    Some(job) => {
                        let (done, answer) = sync_channel(1);
                        more = jobs.send((job, done)).is_ok();
                        under_way.push_back(answer);
                    }
                    None => more = false,
                }
            }
            // A worker that panicked answers nothing; the scope passes its panic on.
            let Some(Ok(done)) = under_way.pop_front().map(|answer| answer.recv()) else { return Ok(true) };
            if !take(done)? {
                return Ok(false);
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_order_whatever_the_number_of_workers() {
        for workers in [1, 2, 5] {
            let (mut handed, mut taken) = (0u64, Vec::new());
            let next = || {
                handed += 1;
                Ok::<_, String>((handed <= 200).then_some(handed))
            };
            // Uneven work: later jobs are often done before earlier ones.
            let hands = || |job: u64| (0..(job * 7919) % 50_000).fold(job, |sum, _| std::hint::black_box(sum));
            let done = in_order(workers, hands, next, |done| {
                taken.push(done);
                Ok(true)
            });
            assert_eq!(done, Ok(true));
            assert!(taken.iter().copied().eq(1..=200), "{workers} workers: {taken:?}");
        }
    }

    #[test]
    fn it_ends_when_it_is_told_to_or_fails_and_hands_out_little_beyond() {
        for workers in [1, 3] {
            let mut handed = 0;
            let next = || {
                handed += 1;
                Ok::<_, String>(Some(handed))
            };
            assert_eq!(in_order(workers, || |job: usize| job, next, |done| Ok(done < 10)), Ok(false));
            assert!(handed <= 10 + workers * UNDER_WAY, "{handed}");
            let failed = in_order(workers, || |job: usize| job, || Err("no more".to_owned()), |_| Ok(true));
            assert_eq!(failed, Err("no more".to_owned()));
        }
    }
}
