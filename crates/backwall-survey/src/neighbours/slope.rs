//! A wall that slides. A reading's U speaks for the lowest wall within [`FOOTPRINT`] of the beam's centre. On a gentle slope nearly the whole
//! beam comes back and the shot alone shows nothing of it; the readings beside it do.

use super::rim::FOOTPRINT;
use super::{GOES_ON_OVER, Neighbour};
use backwall_units::Length;
use std::collections::VecDeque;

/// Readings up to twice as far away show, in the middle, the wall at the footprint's end: as many lie beyond it as before it.
const LOOKS: Length = Length::mm(2.0 * FOOTPRINT.as_mm());
/// As many shots are kept at once, so that a crawler that stands still does not fill the memory; half of them lie ahead.
const MOST: usize = 256;

/// One shot on the wall.
#[derive(Debug, Clone, Copy)]
struct OnSlope {
    row: u64,
    along: Length,
    wall: Length,
    /// U (k = 2); nothing where none is stated, or where it is said already that it does not reach the wall beside.
    expanded: Option<Length>,
}

/// The last shots on the wall, until what lies on either side of each is known.
#[derive(Debug, Default)]
pub struct Slope {
    shots: VecDeque<OnSlope>,
    /// The first of them that is not judged yet.
    next: usize,
}

impl Slope {
    /// The next shot on the wall; answers the rows before it whose U does not reach the wall beside them.
    pub fn on_wall(&mut self, shot: &Neighbour, said: bool) -> Vec<u64> {
        let Some(wall) = shot.thickness else { return Vec::new() };
        let expanded = shot.uncertainty.map(|u| u * 2.0).filter(|_| !said && !shot.flags.is_for_even_wall_only());
        self.shots.push_back(OnSlope { row: shot.row, along: shot.along, wall, expanded });
        let known = |at: &OnSlope, ahead: usize| (shot.along - at.along).abs() >= LOOKS || ahead > MOST / 2;
        self.judge(|at, ahead| known(at, ahead))
    }

    /// What was said of a shot meanwhile.
    pub fn said(&mut self, row: u64) {
        if let Some(shot) = self.shots.iter_mut().rfind(|shot| shot.row == row) {
            shot.expanded = None;
        }
    }

    /// The rows among those that are left, with what is known of them.
    pub fn end(&mut self) -> Vec<u64> {
        let found = self.judge(|_, _| true);
        *self = Self::default();
        found
    }

    fn judge(&mut self, known: impl Fn(&OnSlope, usize) -> bool) -> Vec<u64> {
        let mut found = Vec::new();
        while let Some(shot) = self.shots.get(self.next).copied() {
            if !known(&shot, self.shots.len() - self.next - 1) {
                break;
            }
            if shot.expanded.is_some_and(|expanded| self.falls(&shot) > expanded) {
                found.push(shot.row);
            }
            self.next += 1;
            let passed = |first: &OnSlope| (shot.along - first.along).abs() > GOES_ON_OVER;
            while self.next > 1 && (self.next > MOST / 2 || self.shots.front().is_some_and(passed)) {
                self.shots.pop_front();
                self.next -= 1;
            }
        }
        found
    }

    /// By how much the wall is lower at the footprint's end than in the middle, on the lower side.
    fn falls(&self, shot: &OnSlope) -> Length {
        let before = Self::falls_to(shot, self.shots.range(..self.next).rev());
        let behind = Self::falls_to(shot, self.shots.range(self.next + 1..));
        before.max(behind)
    }

    /// The same to one side, by the readings within reach there, or by the next one where none is. Readings that end before the footprint
    /// does, as at the end of a line, would be drawn out with all their scatter: they say nothing.
    fn falls_to<'a>(shot: &OnSlope, side: impl Iterator<Item = &'a OnSlope>) -> Length {
        let (mut way, mut lower, mut count, mut reach) = (Length::ZERO, Length::ZERO, 0, Length::ZERO);
        for other in side {
            let away = (other.along - shot.along).abs();
            if away > GOES_ON_OVER || (away > LOOKS && count > 0) {
                break;
            }
            (way, lower) = (way + away, lower + (shot.wall - other.wall));
            count += usize::from(away > Length::ZERO);
            reach = reach.max(away);
        }
        if reach < FOOTPRINT { Length::ZERO } else { lower * (FOOTPRINT / way) }
    }
}
