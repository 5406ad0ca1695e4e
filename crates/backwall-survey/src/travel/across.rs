//! Sideways off the line: the second encoder of a scanner that weaves, and the track of a probe that runs beside the line.

use super::{Across, Path};
use backwall_units::Length;

/// Follows the encoder across. The first count seen is where the probe is on its track.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sideways {
    last: Option<i32>,
    travelled: i64,
}

impl Sideways {
    /// The next count is wherever the last one was.
    pub fn go_on(&mut self) {
        self.last = None;
    }

    /// Where beside the line a shot is, from the raw counts of the encoder across.
    pub fn place(&mut self, path: &Path, counts: Option<i32>) -> Option<Across> {
        let Some(scale) = path.across_counts_per_mm else {
            return (path.track != Length::ZERO).then_some(Across { counts: None, at: path.track });
        };
        // A counter that wraps is followed by the wrapped difference.
        let now = counts?;
        let step = self.last.replace(now).map_or(0, |last| now.wrapping_sub(last));
        self.travelled = self.travelled.saturating_add(i64::from(step));
        // Rounded to what is stored, so that a reading made again from the job file is the same.
        let at = path.track + Length::mm(self.travelled as f64 / scale);
        Some(Across { counts, at: Length::micrometres(at.as_micrometres()) })
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
        let mut at = |counts: i32| sideways.place(&path, Some(counts)).unwrap().at.as_mm();
        assert_eq!((at(i32::MAX - 99), at(i32::MIN + 100), at(i32::MAX - 99)), (25.0, 15.0, 25.0));
        assert_eq!(sideways.place(&path, None), None);
        sideways.go_on();
        assert_eq!(sideways.place(&path, Some(7)).unwrap().at.as_mm(), 25.0, "held over a start anew");
        // Without a second encoder a probe runs on its track, or on the line.
        let track = Path { across_counts_per_mm: None, ..path };
        assert_eq!(Sideways::default().place(&track, None), Some(Across { counts: None, at: Length::mm(25.0) }));
        assert_eq!(Sideways::default().place(&alone, Some(9)), None);
    }
}
