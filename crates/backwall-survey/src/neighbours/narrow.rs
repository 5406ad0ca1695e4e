//! What is seen over a shorter way than a beam is wide is nothing that stands in the wall: whatever reflects comes into the
//! beam and leaves it over about its width, while what grain returns adds up anew every fraction of it. (The beam's width sets
//! the least extent of an indication, the 6 dB drop of EN ISO 16827; that grain is not steady along the scan: common practice,
//! no source.) Only where shots lie close enough to show both ends of it.

use super::{GOES_ON, GOES_ON_SLOPE, Neighbour};
use backwall_ultrasound::{Echo, Flag};
use backwall_units::Length;
use std::collections::VecDeque;

/// What is gone again within this is grain.
pub const NARROW: Length = Length::mm(1.9);
/// And returns less than this of a whole beam; what is gone within half as much may return twice this.
pub const DIM: f64 = 0.3;
/// As many shots are kept at once, so that a crawler that stands still does not fill the memory.
const MOST: usize = 48;

/// The last shots, until what lies behind each is known.
#[derive(Debug, Default)]
pub struct Narrow {
    shots: VecDeque<Neighbour>,
    /// The first of them that is not given on yet.
    next: usize,
}

/// A shot without what was seen over a narrow way only.
pub struct Cleared {
    pub shot: Neighbour,
    /// Whether the echo that was read is such a one.
    pub alone: bool,
}

impl Narrow {
    pub fn push(&mut self, shot: Neighbour) {
        self.shots.push_back(shot);
    }

    /// The next shot of which enough is known; all that are left once no more come.
    pub fn next(&mut self, beam: f64, all: bool) -> Option<Cleared> {
        let (shot, newest) = (*self.shots.get(self.next)?, self.shots.back()?);
        let known = (newest.along - shot.along).abs() >= NARROW || self.shots.len() > MOST;
        if !known && !all {
            return None;
        }
        let cleared = self.cleared(shot, beam);
        self.next += 1;
        let passed = |first: &Neighbour| (shot.along - first.along).abs() >= NARROW * 2.0;
        while self.next > 1 && (self.shots.len() > MOST || self.shots.front().is_some_and(passed)) {
            self.shots.pop_front();
            self.next -= 1;
        }
        Some(cleared)
    }

    fn cleared(&self, mut shot: Neighbour, beam: f64) -> Cleared {
        let is_grain = |echo: &Echo| echo.level < 2.0 * DIM * beam && self.is_narrow(*echo, echo.level < DIM * beam);
        let alone = shot.sight.taken.is_some_and(|taken| is_grain(&taken));
        shot.sight.retain(|echo| !is_grain(echo));
        Cleared { shot, alone }
    }

    /// Whether both ends of an echo of the next shot are seen, and lie close together: the closer, the higher it stands.
    fn is_narrow(&self, echo: Echo, dim: bool) -> bool {
        let end = |beside: &mut dyn Iterator<Item = &Neighbour>| {
            let (mut along, mut depth) = (self.shots[self.next].along, echo.depth);
            for shot in beside {
                let way = (shot.along - along).abs();
                match shot.shows(depth, GOES_ON + way * GOES_ON_SLOPE) {
                    // Without coupling nothing is learned.
                    None if shot.flags.has(Flag::NoCoupling) => return None,
                    Some(same) => (along, depth) = (shot.along, same.depth),
                    None => return Some(shot.along),
                }
            }
            None
        };
        let before = end(&mut self.shots.range(..self.next).rev());
        let behind = end(&mut self.shots.range(self.next + 1..));
        matches!((before, behind), (Some(before), Some(behind)) if (behind - before).abs() < NARROW * if dim { 1.0 } else { 0.5 })
    }
}
