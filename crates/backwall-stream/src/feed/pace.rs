//! How fast a file is played, and how fast shots come.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

/// How long nothing may come before the rate is told again.
const RATE_OVER: Duration = Duration::from_secs(1);
/// A gap in a file's device clock longer than this is not waited for.
const LONGEST_PAUSE: Duration = Duration::from_secs(2);

/// Holds a file back to its device's clock.
#[derive(Default)]
pub struct Pacer {
    began: Option<(Instant, u64)>,
}

impl Pacer {
    /// How long to wait before what the device did at `time_us`.
    pub fn pause(&mut self, time_us: u64) -> Duration {
        let (began, first) = *self.began.get_or_insert((Instant::now(), time_us));
        let pause =
            time_us.checked_sub(first).map(|since| (began + Duration::from_micros(since)).saturating_duration_since(Instant::now()));
        match pause {
            Some(pause) if pause <= LONGEST_PAUSE => pause,
            // The clock went back or jumped: from here on anew.
            _ => {
                self.began = Some((Instant::now(), time_us));
                Duration::ZERO
            }
        }
    }
}

/// Counts over the last second.
#[derive(Default)]
pub struct RateMeter {
    seen: VecDeque<(Instant, u64)>,
}

impl RateMeter {
    pub fn at(&mut self, now: Instant, count: u64) -> f64 {
        self.seen.push_back((now, count));
        while self.seen.len() > 2 && self.seen.get(1).is_some_and(|(then, _)| now.duration_since(*then) >= RATE_OVER) {
            self.seen.pop_front();
        }
        match self.seen.front() {
            Some((then, before)) if now > *then => (count - before) as f64 / now.duration_since(*then).as_secs_f64(),
            _ => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rate_is_of_the_last_second_and_falls_to_zero() {
        let mut meter = RateMeter::default();
        let began = Instant::now();
        let mut rate = 0.0;
        for tenth in 0..=30u64 {
            rate = meter.at(began + Duration::from_millis(100 * tenth), 20 * tenth);
        }
        assert!((rate - 200.0).abs() < 1e-6, "{rate}");
        for tenth in 31..=42 {
            rate = meter.at(began + Duration::from_millis(100 * tenth), 600);
        }
        assert_eq!(rate, 0.0);
    }

    #[test]
    fn a_jump_of_the_device_clock_is_not_waited_for() {
        let mut pacer = Pacer::default();
        assert_eq!(pacer.pause(1_000_000), Duration::ZERO);
        let pause = pacer.pause(1_500_000);
        assert!(pause > Duration::from_millis(400) && pause <= Duration::from_millis(500), "{pause:?}");
        assert_eq!(pacer.pause(900_000_000_000), Duration::ZERO);
        assert_eq!(pacer.pause(5), Duration::ZERO);
        assert!(pacer.pause(100_005) > Duration::from_millis(50));
    }
}
