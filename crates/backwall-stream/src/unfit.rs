//! Bytes that come and fit no frame, and a computer's clock that jumps ahead: noticed by the decoder's thread.

use super::decode::DecodeCounts;
use std::time::{Duration, Instant};

/// Bytes that fit nothing for so long are said: a frame of the slowest usual link is over by then.
const PATIENCE: Duration = Duration::from_millis(1500);
/// A computer's clock that is set by less is not worth a word.
const CLOCK_JUMP: Duration = Duration::from_secs(60);

/// A change of how bytes and profile fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FitChange {
    /// None of the bytes of the last time fits.
    None,
    /// They fit again.
    Again,
}

/// Watches whether bytes make frames.
#[derive(Debug, Default)]
pub struct Unfit {
    good: u64,
    /// Bytes that fitted nothing when the last good frame came.
    wasted: u64,
    since: Option<Instant>,
    told: bool,
}

impl Unfit {
    /// Good frames; those that are passed over, and those of kinds the profile does not know, only beside others: they may be anything.
    fn good(counts: &DecodeCounts) -> u64 {
        if counts.telling() > 0 { counts.frames + counts.unknown } else { 0 }
    }

    /// Until the first good frame every byte fits nothing; later a piece may be the beginning of a frame.
    fn wasted(counts: &DecodeCounts) -> u64 {
        if counts.telling() > 0 { counts.garbage_bytes } else { counts.bytes }
    }

    /// Looks at what was decoded up to now.
    pub fn look(&mut self, now: Instant, counts: &DecodeCounts) -> Option<FitChange> {
        let (good, wasted) = (Self::good(counts), Self::wasted(counts));
        if good > self.good {
            let told = std::mem::take(&mut self.told);
            *self = Self { good, wasted, since: None, told: false };
            return told.then_some(FitChange::Again);
        }
        if wasted <= self.wasted || self.told {
            return None;
        }
        let since = *self.since.get_or_insert(now);
        self.told = now.duration_since(since) >= PATIENCE;
        self.told.then_some(FitChange::None)
    }

    /// Nothing more comes of it: whether bytes came, none fitted, and it was not said yet.
    pub fn end(&mut self, counts: &DecodeCounts) -> Option<FitChange> {
        (counts.bytes > 0 && Self::good(counts) == 0 && !std::mem::replace(&mut self.told, true)).then_some(FitChange::None)
    }

    /// The link was lost, or bytes were: what is left of a frame is no sign of anything.
    pub fn restart(&mut self, counts: &DecodeCounts) {
        self.wasted = Self::wasted(counts);
        self.since = None;
    }
}

/// Compares the computer's clock with the time that passed.
#[derive(Debug, Default)]
pub struct HostClock {
    seen: Option<(Instant, i64)>,
}

impl HostClock {
    /// By how much the clock jumped ahead since it was last looked at, µs. One that went back shows in the times themselves.
    pub fn ahead(&mut self, now: Instant, host_us: i64) -> Option<i64> {
        let (then, before) = self.seen.replace((now, host_us))?;
        let passed = i64::try_from(now.duration_since(then).as_micros()).unwrap_or(i64::MAX);
        let ahead = host_us.saturating_sub(before).saturating_sub(passed);
        (ahead > CLOCK_JUMP.as_micros() as i64).then_some(ahead)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counts(bytes: u64, frames: u64, garbage_bytes: u64) -> DecodeCounts {
        DecodeCounts { bytes, frames, garbage_bytes, ..DecodeCounts::default() }
    }

    #[test]
    fn bytes_that_fit_nothing_are_said_once_within_two_seconds_and_again_when_they_fit() {
        let (began, mut unfit) = (Instant::now(), Unfit::default());
        let at = |ms: u64| began + Duration::from_millis(ms);
        assert_eq!(unfit.look(at(0), &counts(0, 0, 0)), None);
        let found: Vec<_> =
            (0..30).filter_map(|tenth| unfit.look(at(10_000 + 100 * tenth), &counts(7, 0, 0)).map(|fit| (tenth, fit))).collect();
        assert_eq!(found, [(15, FitChange::None)]);
        assert_eq!(unfit.look(at(14_000), &counts(90, 1, 7)), Some(FitChange::Again));
        // The piece of a frame is none to be said; broken ones without any good one between are.
        assert_eq!((unfit.look(at(15_000), &counts(95, 1, 7)), unfit.look(at(19_000), &counts(95, 1, 7))), (None, None));
        assert_eq!((unfit.look(at(20_000), &counts(99, 1, 9)), unfit.look(at(22_000), &counts(99, 1, 9))), (None, Some(FitChange::None)));
    }

    #[test]
    fn a_short_stream_of_which_nothing_fits_is_said_at_its_end() {
        let mut unfit = Unfit::default();
        assert_eq!((unfit.end(&counts(7, 0, 7)), unfit.end(&counts(7, 0, 7))), (Some(FitChange::None), None));
        assert_eq!(Unfit::default().end(&counts(7, 1, 0)), None);
        // Lines that are passed over are no sign that the rest will fit.
        assert_eq!(Unfit::default().end(&DecodeCounts { ignored: 1, ..counts(7, 1, 0) }), Some(FitChange::None));
    }

    // 400 days are 34,560,000 s.
    #[test]
    fn a_clock_that_jumps_ahead_of_the_time_that_passed_is_known_by_how_much() {
        let (began, mut clock) = (Instant::now(), HostClock::default());
        assert_eq!(clock.ahead(began, 0), None);
        assert_eq!(clock.ahead(began + Duration::from_secs(3600), 3_600_000_000), None);
        assert_eq!(clock.ahead(began + Duration::from_secs(3601), 34_563_601_000_000), Some(34_560_000_000_000));
    }
}
