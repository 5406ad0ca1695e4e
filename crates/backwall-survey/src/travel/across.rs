//! Sideways off the line: the second encoder of a scanner that weaves, and the track of a probe that runs beside the line.

use super::doubt::{Moment, SHORTEST_JUMP, Steps};
use super::{Across, Path};
use backwall_units::Length;

/// Follows the encoder across. The first count seen is where the probe is on its track, or so far beside it as was said of the scanner.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sideways {
    /// Where the scanner was said to be beside the line, which `steps` count from; at first it is the path's.
    from: Option<Length>,
    last: Option<(i32, Moment)>,
    steps: Steps,
}

impl Sideways {
    /// The next count is where the probe was last believed to be.
    pub fn go_on(&mut self) {
        self.last = None;
        self.steps.forget();
    }

    /// The next count is where the scanner is said to be.
    pub fn set(&mut self, across: Length) {
        *self = Self { from: Some(across), ..Self::default() };
    }

    /// Where beside the line a shot is, from the raw counts of the encoder across, and whether they have jumped: then it is where it was
    /// last believed, and the shot's place is not known.
    pub fn place(&mut self, path: &Path, counts: Option<i32>, now: Moment) -> (Option<Across>, bool) {
        let Some(scale) = path.across_counts_per_mm else {
            return ((path.track != Length::ZERO).then_some(Across { counts: None, at: path.track }), false);
        };
        let Some(count) = counts else { return (None, false) };
        if let Some((last, before)) = self.last.replace((count, now)) {
            // A counter that wraps is followed by the wrapped difference.
            let shortest = path.across_jump.unwrap_or(SHORTEST_JUMP);
            self.steps.go_on(path, (scale, shortest), count.wrapping_sub(last), (before, now));
        }
        // Rounded to what is stored, so that a reading made again from the job file is the same.
        let from = path.track + self.from.unwrap_or(path.across_start);
        let at = from + Length::mm(self.steps.believed() as f64 / scale);
        (Some(Across { counts, at: Length::micrometres(at.as_micrometres()) }), !self.steps.is_believed())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Plan;

    // Arithmetic: 20 counts a mm; 200 counts are 10 mm, on either side of a counter's end.
    #[test]
    fn counts_across_become_places_beside_the_track_through_the_end_of_the_counter() {
        let plan = Plan::parse("plan.toml", include_str!("../../../../demo-stream/plan.toml")).unwrap();
        let alone = plan.path(&plan.lines[0]);
        let path = Path { across_counts_per_mm: Some(-20.0), track: Length::mm(25.0), ..alone.clone() };
        let mut sideways = Sideways::default();
        let (moment, mut shot) = (|shot: i64| Moment { device_us: None, host_us: shot * 10_000 }, 0);
        let mut at = |counts: i32| {
            shot += 1;
            sideways.place(&path, Some(counts), moment(shot)).0.unwrap().at.as_mm()
        };
        assert_eq!((at(i32::MAX - 99), at(i32::MIN + 100), at(i32::MAX - 99)), (25.0, 15.0, 25.0));
        assert_eq!(sideways.place(&path, None, moment(4)), (None, false));
        sideways.go_on();
        assert_eq!(sideways.place(&path, Some(7), moment(5)).0.unwrap().at.as_mm(), 25.0, "held over a start anew");
        // Said to be 40 mm beside the line: the probe is on its track from there, and what is counted since adds to it.
        sideways.set(Length::mm(40.0));
        assert_eq!([900, 880].map(|counts| sideways.place(&path, Some(counts), moment(6)).0.unwrap().at.as_mm()), [65.0, 66.0]);
        let begun = Path { across_start: Length::mm(-10.0), ..path.clone() };
        assert_eq!(Sideways::default().place(&begun, Some(5), moment(0)).0.unwrap().at.as_mm(), 15.0);
        // Without a second encoder a probe runs on its track, or on the line.
        let track = Path { across_counts_per_mm: None, ..path };
        assert_eq!(Sideways::default().place(&track, None, moment(0)).0, Some(Across { counts: None, at: Length::mm(25.0) }));
        assert_eq!(Sideways::default().place(&alone, Some(9), moment(0)).0, None);
    }

    // The demo's crawler goes at most 60 mm/s: ten times that is 6 mm between shots of 100 Hz, and a step of 100 mm is none.
    #[test]
    fn a_jump_across_is_not_believed_until_it_is_taken_back_or_the_place_is_set() {
        let plan = Plan::parse("plan.toml", include_str!("../../../../demo-stream/plan.toml")).unwrap();
        let path = Path { across_counts_per_mm: Some(20.0), ..plan.path(&plan.lines[0]) };
        let mut sideways = Sideways::default();
        let mut shot = 0;
        let mut at = |sideways: &mut Sideways, counts: i32| {
            shot += 1;
            let (across, astray) = sideways.place(&path, Some(counts), Moment { device_us: Some(shot * 10_000), host_us: 0 });
            (across.unwrap().at.as_mm(), astray)
        };
        assert_eq!([0, 20, 40].map(|counts| at(&mut sideways, counts)), [(0.0, false), (1.0, false), (2.0, false)]);
        assert_eq!([2040, 2060].map(|counts| at(&mut sideways, counts)), [(2.0, true), (3.0, true)]);
        assert_eq!(at(&mut sideways, 80), (4.0, false), "it has come back");
        assert_eq!(at(&mut sideways, -3000), (4.0, true));
        sideways.go_on();
        assert_eq!([-3000, -2980].map(|counts| at(&mut sideways, counts)), [(4.0, false), (5.0, false)]);
    }
}
