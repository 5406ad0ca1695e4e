//! The zero watches itself: by how much first echoes come later than calibrated, from the shots that show a second one.
//!
//! What a second echo is late by the first is late by too when the zero has moved or paint lies under the wheel; their spacing
//! keeps the wall. The estimate is the median of the last shots, over as many of them as agree (intersection of confidence
//! intervals, Goldenshluger and Nemirovski, Math. Methods Statist. 6, 1997: long where the zero rests, short after a jump and
//! while it creeps). The spread of a median of n is 1.2533 sigma over the root of n; sigma is 1.4826 times the median absolute
//! step from shot to shot over the root of two, which neither a jump nor a creep raises (Huber, Robust Statistics, 1981; the
//! factors from memory).

use super::running::RunningMedian;
use backwall_ultrasound::FaceMoved;
use backwall_units::Time;

/// Windows tried, shots.
const WINDOWS: [usize; 5] = [5, 9, 17, 33, 85];
/// Steps between shots that the scatter is taken from.
const STEPS: usize = 33;
/// Intervals of this many standard uncertainties must still meet.
const MEET: f64 = 2.5;
/// No estimate is better than this: what echoes of one wall scatter by has a memory from shot to shot.
const LEAST: Time = Time::ns(1.0);
/// With each shot that shows no second echo the estimate ages by this.
const AGES: Time = Time::ns(0.5);

/// By how much the first echo is late, and how well that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Zero {
    pub late: Time,
    /// Standard uncertainty (k = 1).
    pub uncertainty: Time,
    /// What it moved by over the last few shots; about as much it may lag behind.
    pub moving: Time,
    /// What single shots scatter by, standard deviation.
    pub scatter: Time,
    /// The shots it is from.
    pub shots: u32,
    /// By how much the echo of the tyre's inner face is late, where it shows.
    pub tyre: Option<FaceMoved>,
}

/// Keeps the last shots with two sound back-wall echoes.
#[derive(Debug, Clone)]
pub struct ZeroWatch {
    /// What was late last.
    last: Option<f64>,
    late: [RunningMedian; WINDOWS.len()],
    steps: RunningMedian,
    since: u32,
    now: Option<Zero>,
}

impl Default for ZeroWatch {
    fn default() -> Self {
        let late = WINDOWS.map(RunningMedian::of_last);
        Self { last: None, late, steps: RunningMedian::of_last(STEPS), since: 0, now: None }
    }
}

impl ZeroWatch {
    /// A shot that shows how late its first echo is.
    pub fn push(&mut self, late: Time) {
        let late = late.as_ns();
        if let Some(before) = self.last.replace(late) {
            self.steps.push((before - late).abs());
        }
        self.late.iter_mut().for_each(|window| window.push(late));
        self.since = 0;
        self.now = self.estimate();
    }

    /// A shot that does not.
    pub fn pass(&mut self) {
        self.since = self.since.saturating_add(1);
    }

    /// The zero as the last shots show it; `None` before there are enough.
    pub fn zero(&self) -> Option<Zero> {
        let zero = self.now?;
        let aged = (AGES * f64::from(self.since)).as_ns();
        Some(Zero { uncertainty: Time::ns(libm::hypot(zero.uncertainty.as_ns(), aged)), ..zero })
    }

    fn estimate(&self) -> Option<Zero> {
        // What a single shot scatters by.
        let scatter = self.steps.median().map_or(0.0, |step| 1.4826 / std::f64::consts::SQRT_2 * step);
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        let mut best = None;
        let mut middles = [0.0; WINDOWS.len()];
        for ((window, shots), middle) in self.late.iter().zip(WINDOWS).zip(&mut middles) {
            let Some(of_last) = window.median().filter(|_| window.is_full()) else { break };
            *middle = of_last;
            let error = (1.2533 * scatter / libm::sqrt(shots as f64)).max(LEAST.as_ns());
            low = low.max(*middle - MEET * error);
            high = high.min(*middle + MEET * error);
            if low > high {
                break;
            }
            let (late, uncertainty, scatter) = (Time::ns(*middle), Time::ns(error), Time::ns(scatter));
            best = Some(Zero { late, uncertainty, moving: Time::ZERO, scatter, shots: shots as u32, tyre: None });
        }
        if !self.late[1].is_full() {
            return best;
        }
        // One interval always meets itself, so that the first two windows were looked at.
        let moving = Time::ns((middles[0] - middles[1]).abs() * 1.5);
        best.map(|zero| Zero { moving, ..zero })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watch(late: impl IntoIterator<Item = f64>) -> ZeroWatch {
        let mut watch = ZeroWatch::default();
        late.into_iter().for_each(|late| watch.push(Time::ns(late)));
        watch
    }

    // numpy.median of the nine is 241, 1.4826 times their median absolute deviation 4.4478 (numpy 2.2.6).
    #[test]
    fn outliers_do_not_move_it() {
        let zero = watch([238.0, 243.0, 236.0, 241.0, 244.0, 239.0, 612.0, 242.0, -180.0]).zero().unwrap();
        assert!((zero.late.as_ns() - 241.0).abs() < 2.1 && zero.shots >= 5, "{zero:?}");
        assert_eq!(ZeroWatch::default().zero(), None);
    }

    #[test]
    fn it_follows_a_jump_within_three_shots_and_rests_on_many_where_nothing_moves() {
        let noise = |k: usize| ((k * 7919) % 13) as f64 / 6.0 - 1.0;
        let still = watch((0..200).map(noise)).zero().unwrap();
        assert_eq!(still.shots, 85);
        assert!(still.late.as_ns().abs() < 0.5);
        let jumped = watch((0..200).map(noise).chain((0..3).map(|k| noise(k) - 60.0))).zero().unwrap();
        assert!((jumped.late.as_ns() + 60.0).abs() < 2.0, "{jumped:?}");
    }

    #[test]
    fn it_follows_a_creep_of_a_nanosecond_a_shot() {
        let zero = watch((0..300).map(f64::from)).zero().unwrap();
        assert!((zero.late.as_ns() - 299.0).abs() <= 8.0, "{zero:?}");
    }

    #[test]
    fn it_grows_old_without_second_echoes() {
        let mut watch = watch([1.0; 9]);
        let fresh = watch.zero().unwrap().uncertainty;
        (0..40).for_each(|_| watch.pass());
        assert!(watch.zero().unwrap().uncertainty.as_ns() > fresh.as_ns() + 15.0);
    }
}
