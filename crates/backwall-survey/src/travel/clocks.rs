//! Clocks that stand still, run backwards or jump: the device's, and the computer's between two shots.

use super::Moment;

/// What a clock says that cannot be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClockNews {
    /// The device's clock went back, from one time to another; at the end of it, over how many shots it ran backwards.
    Backwards {
        from_us: u64,
        to_us: u64,
    },
    RanBackwards {
        shots: u64,
    },
    /// The device's clock stands still; at the end of it, over how many shots it did.
    StandsStill {
        at_us: u64,
    },
    StoodStill {
        at_us: u64,
        shots: u64,
    },
    /// The computer's clock went back by so much.
    HostBack {
        by_us: u64,
    },
}

/// So many shots of one time stand still; two may be one burst.
const STILL_SHOTS: u64 = 3;
/// A computer's clock that is set by less is not worth an event.
const HOST_JUMP_US: u64 = 60_000_000;

/// Watches the clocks of a stream.
#[derive(Debug, Clone, Default)]
pub struct ClockWatch {
    before: Option<Moment>,
    device_us: Option<u64>,
    /// Shots of the device's last time.
    same: u64,
    backwards: u64,
}

impl ClockWatch {
    /// Takes the moment of the next shot.
    pub fn next(&mut self, now: Moment) -> Vec<ClockNews> {
        let mut news = Vec::new();
        if let Some(before) = self.before.replace(now) {
            let by_us = u64::try_from(before.host_us.saturating_sub(now.host_us)).unwrap_or(0);
            if by_us > HOST_JUMP_US {
                news.push(ClockNews::HostBack { by_us });
            }
        }
        let Some(time) = now.device_us else { return news };
        match self.device_us.replace(time) {
            Some(last) if time == last => {
                self.same += 1;
                if self.same == STILL_SHOTS {
                    news.push(ClockNews::StandsStill { at_us: time });
                }
                return news;
            }
            Some(last) => {
                self.moved_on(last, &mut news);
                if time > last {
                    self.forwards(&mut news);
                } else {
                    if self.backwards == 0 {
                        news.push(ClockNews::Backwards { from_us: last, to_us: time });
                    }
                    self.backwards += 1;
                }
            }
            None => {}
        }
        self.same = 1;
        news
    }

    /// No shot comes any more.
    pub fn end(&mut self) -> Vec<ClockNews> {
        let mut news = Vec::new();
        if let Some(last) = self.device_us {
            self.moved_on(last, &mut news);
        }
        self.forwards(&mut news);
        news
    }

    fn moved_on(&mut self, last: u64, news: &mut Vec<ClockNews>) {
        if self.same >= STILL_SHOTS {
            news.push(ClockNews::StoodStill { at_us: last, shots: self.same });
        }
        self.same = 0;
    }

    fn forwards(&mut self, news: &mut Vec<ClockNews>) {
        // One step back is said when it happens; how long it lasted only where it did.
        if self.backwards > 1 {
            news.push(ClockNews::RanBackwards { shots: self.backwards });
        }
        self.backwards = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ClockNews::*;

    fn watch(times: impl IntoIterator<Item = (u64, i64)>) -> Vec<ClockNews> {
        let mut watch = ClockWatch::default();
        let moments = times.into_iter().map(|(device_us, host_us)| Moment { device_us: Some(device_us), host_us });
        let mut news: Vec<_> = moments.flat_map(|now| watch.next(now)).collect();
        news.extend(watch.end());
        news
    }

    #[test]
    fn a_device_clock_that_stands_still_or_runs_backwards_is_said_once_with_its_count() {
        assert_eq!(watch((0..10).map(|_| (5, 0))), [StandsStill { at_us: 5 }, StoodStill { at_us: 5, shots: 10 }]);
        assert_eq!(watch((0..10).rev().map(|t| (t, 0))), [Backwards { from_us: 9, to_us: 8 }, RanBackwards { shots: 9 }]);
        assert_eq!(watch([(9_000, 0), (3, 0), (4, 0)]), [Backwards { from_us: 9_000, to_us: 3 }]);
        // Two shots of one time are one burst.
        assert_eq!(watch([(1, 0), (1, 0), (2, 0), (2, 0), (3, 0)]), []);
    }

    // 400 days are 34,560,000 s.
    #[test]
    fn a_computer_clock_that_goes_back_by_more_than_a_minute_is_said() {
        let day = 34_560_000_000_000;
        assert_eq!(watch([(1, day), (2, 5), (3, 5)]), [HostBack { by_us: day as u64 - 5 }]);
        assert_eq!(watch([(1, 60_000_000), (2, 0)]), []);
    }
}
