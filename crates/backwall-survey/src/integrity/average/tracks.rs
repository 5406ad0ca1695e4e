//! A line that several probes have read side by side: each track is wall of its own. An average over two of them would be of no wall at all, and
//! what one has read closes no gap of another.

use super::bins::{BinShot, BinStretch};
use super::test::{Averages, Windows};
use crate::integrity::decision::Decision;
use crate::job::plan::Track;
use backwall_units::Length;

/// The shots of one track; those of none of the plan's tracks are the last, where there are any. Without tracks all are of the line.
#[derive(Debug, Clone, PartialEq)]
pub struct TrackShots<'a> {
    pub track: Option<&'a Track>,
    pub shots: Vec<BinShot>,
    /// The plan has no such track: what was read there may show that a course is not met, and never that it is.
    pub is_beside: bool,
}

/// The shots of a line by its tracks, also those of which there is none.
pub fn by_track<'a>(shots: &[BinShot], tracks: &'a [Track]) -> Vec<TrackShots<'a>> {
    let of = |is_of: &dyn Fn(&BinShot) -> bool| shots.iter().filter(|shot| is_of(shot)).copied().collect::<Vec<_>>();
    if tracks.is_empty() {
        return vec![TrackShots { track: None, shots: shots.to_vec(), is_beside: false }];
    }
    let of_track = |track| TrackShots { track: Some(track), shots: of(&|shot: &BinShot| track.has(shot.across, tracks)), is_beside: false };
    let mut all: Vec<TrackShots<'_>> = tracks.iter().map(of_track).collect();
    let beside = of(&|shot: &BinShot| !tracks.iter().any(|track| track.has(shot.across, tracks)));
    all.extend((!beside.is_empty()).then_some(TrackShots { track: None, shots: beside, is_beside: true }));
    all
}

impl Windows {
    /// Where the lowest average of two tracks lies.
    pub fn and(self, other: Self) -> Self {
        let lowest = if other.high < self.high { other } else { self };
        Self { low: self.low.min(other.low), high: self.high.min(other.high), ..lowest }
    }
}

impl Averages {
    /// What two tracks say together: both must be met, and one that is not met decides.
    pub fn and(self, other: Self) -> Self {
        let decision = self.decision.and(other.decision);
        let average = self.average.and(other.average);
        let unread_must = self.unread_must.into_iter().chain(other.unread_must).reduce(Length::max);
        Self {
            windows: self.windows.and(other.windows),
            average,
            least: self.least.and(other.least),
            decision,
            average_safe: self.average_safe.min(other.average_safe),
            open_by_even_only: self.open_by_even_only || other.open_by_even_only,
            unread_must: unread_must.filter(|_| average == Decision::NotDecided),
            again: if decision == Decision::NotDecided { joined(self.again.into_iter().chain(other.again).collect()) } else { Vec::new() },
        }
    }
}

/// Stretches in rising order, one where they touch.
pub fn joined(mut all: Vec<BinStretch>) -> Vec<BinStretch> {
    /// What edges of bins may differ by, as they are added up.
    const TOUCHES: Length = Length::mm(1e-3);
    all.sort_by(|a, b| a.from.total_cmp(&b.from));
    let mut joined: Vec<BinStretch> = Vec::new();
    for stretch in all {
        match joined.last_mut().filter(|last| stretch.from <= last.to + TOUCHES) {
            Some(last) => last.to = last.to.max(stretch.to),
            None => joined.push(stretch),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::super::{AVERAGE, Bins, SpeaksFor, Test, assess};
    use super::*;

    const WANTED: Test =
        Test { average: Length::mm(8.0), least: Length::mm(4.8), nominal: Length::mm(12.0), max_gap: Length::mm(10.0), source: AVERAGE };

    /// Two probes 50 mm apart over 100 mm.
    fn tracks() -> Vec<Track> {
        [-25.0, 25.0].map(|mm| Track { channel: mm.to_string(), offset: Length::mm(mm) }).to_vec()
    }

    fn shots(wall: impl Fn(f64, f64) -> Option<f64>) -> Vec<BinShot> {
        let shot = |across: f64, at: f64| BinShot {
            along: Length::mm(at),
            across: Length::mm(across),
            thickness: wall(across, at).map(Length::mm),
            uncertainty: Some(Length::mm(0.02)),
            speaks_for: SpeaksFor::Footprint,
        };
        (0..=100).flat_map(|at| [shot(-25.0, f64::from(at)), shot(25.0, f64::from(at))]).collect()
    }

    fn bins(shots: &[BinShot]) -> Bins {
        Bins::of(shots, (Length::ZERO, Length::mm(100.0)), Length::mm(10.0)).unwrap()
    }

    fn of_each(shots: &[BinShot]) -> Vec<Averages> {
        let least = (Length::mm(7.0), Some(Length::mm(0.02)));
        let tracks = tracks();
        let each = by_track(shots, &tracks);
        each.iter().map(|track| assess(&bins(&track.shots), Length::mm(50.0), least, &WANTED).unwrap().value).collect()
    }

    // One probe reads 12 mm of wall all the way, the other 7 mm where 8 mm are required: together they would average 9.5 mm.
    #[test]
    fn a_thin_track_is_not_met_however_thick_the_other_is() {
        let all = shots(|across, _| Some(if across < 0.0 { 12.0 } else { 7.0 }));
        let found = of_each(&all);
        assert_eq!((found[0].average, found[1].average), (Decision::Met, Decision::NotMet));
        let together = found[0].clone().and(found[1].clone());
        assert_eq!((together.average, together.decision), (Decision::NotMet, Decision::NotMet));
        assert_eq!((together.windows.low, together.windows.high), (Length::mm(7.0), Length::mm(7.0)));
        assert_eq!(together, found[1].clone().and(found[0].clone()));
    }

    // One read all of 100 mm, the other lost its echo from 30 to 70 mm.
    #[test]
    fn what_one_track_has_read_closes_no_gap_of_another() {
        let all = shots(|across, at| (across < 0.0 || !(30.0..=70.0).contains(&at)).then_some(12.0));
        let gaps = |shots: &[BinShot]| {
            bins(shots).gaps_over(Length::mm(10.0)).iter().map(|gap| (gap.from.as_mm(), gap.to.as_mm())).collect::<Vec<_>>()
        };
        let tracks = tracks();
        let each = by_track(&all, &tracks);
        assert_eq!((gaps(&each[0].shots), gaps(&each[1].shots), gaps(&all)), (vec![], vec![(29.0, 71.0)], vec![]));
        let found = of_each(&all);
        let together = found[0].clone().and(found[1].clone());
        assert_eq!((together.decision, found[0].decision), (Decision::NotDecided, Decision::Met));
        assert_eq!(together.again.iter().map(|gap| (gap.from.as_mm(), gap.to.as_mm())).collect::<Vec<_>>(), [(29.0, 71.0)]);
    }

    #[test]
    fn what_is_of_no_track_stands_beside_them() {
        let mut all = shots(|_, _| Some(9.0));
        let (tracks, both) = (tracks(), all.len());
        assert_eq!(by_track(&all, &tracks).iter().map(|track| track.shots.len()).collect::<Vec<_>>(), [both / 2, both / 2]);
        all.push(BinShot { across: Length::ZERO, ..all[0] });
        let each = by_track(&all, &tracks);
        assert_eq!((each.len(), each[2].shots.len(), each[2].is_beside), (3, 1, true));
        assert_eq!(by_track(&all, &[])[0].shots.len(), all.len());
    }
}
