//! What is seen over a shorter way than a beam is wide is nothing that stands in the wall: whatever reflects comes into the
//! beam and leaves it over about its width, while what grain returns adds up anew every fraction of it. (The beam's width sets
//! the least extent of an indication, the 6 dB drop of EN ISO 16827; that grain is not steady along the scan: common practice,
//! no source.) Only where shots lie close enough to show both ends of it.

use super::grain::{Grain, Patch};
use super::{BEAMS_APART, BESIDE, GOES_ON, GOES_ON_SLOPE, INSIDE, INSIDE_LEVEL, Neighbour, WALL_WHOLE};
use backwall_ultrasound::{Echo, Flag};
use backwall_units::Length;
use std::collections::VecDeque;

/// What is gone again within this is grain.
pub const NARROW: Length = Length::mm(1.9);
/// And returns less than this of a whole beam; what is gone within half as much may return twice this.
pub const DIM: f64 = 0.3;
/// So far before and behind a shot its echoes are followed.
const REACH: Length = Length::mm(4.0);
/// As many shots are kept at once, so that a crawler that stands still does not fill the memory; half of them lie ahead.
const MOST: usize = 96;

/// The last shots, until what lies behind each is known.
#[derive(Debug, Default)]
pub struct Narrow {
    shots: VecDeque<Neighbour>,
    /// The first of them that is not given on yet.
    next: usize,
    grain: Grain,
    /// Where grain was looked at last.
    learned: Option<Length>,
}

/// Where the wall goes on from what is known of it, and how near.
pub type WallGoesOn = Option<(Length, Length)>;

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

    /// What was said of a shot before its turn.
    pub fn said(&mut self, row: u64, flag: Flag) {
        if let Some(shot) = self.shots.iter_mut().rfind(|shot| shot.row == row) {
            shot.flags = shot.flags.with(flag);
        }
    }

    /// The next shot of which enough is known; all that are left once no more come.
    pub fn next(&mut self, beam: f64, wall: impl Fn(&Neighbour) -> WallGoesOn, all: bool) -> Option<Cleared> {
        let (shot, newest) = (*self.shots.get(self.next)?, self.shots.back()?);
        let ahead = self.shots.len() - self.next - 1;
        let known = ((newest.along - shot.along).abs() >= REACH && ahead >= BESIDE) || ahead >= MOST / 2;
        if !known && !all {
            return None;
        }
        self.learn(&shot, beam);
        let cleared = self.cleared(shot, beam, wall(&shot));
        self.next += 1;
        let passed = |first: &Neighbour| (shot.along - first.along).abs() >= REACH;
        while self.next > 1 && (self.next > MOST / 2 || self.shots.front().is_some_and(passed)) {
            self.shots.pop_front();
            self.next -= 1;
        }
        Some(cleared)
    }

    /// Forgets the shots, not the plate.
    pub fn forget(&mut self) {
        self.shots.clear();
        (self.next, self.learned) = (0, None);
    }

    /// What stands before a whole wall is grain; at half its depth its second echo would fill the wall up.
    fn learn(&mut self, shot: &Neighbour, beam: f64) {
        let Some(wall) = shot.sight.taken.filter(|taken| taken.level >= WALL_WHOLE * beam) else { return };
        if self.learned.is_some_and(|last| (shot.along - last).abs() < BEAMS_APART) {
            return;
        }
        self.learned = Some(shot.along);
        for echo in shot.sight.echoes() {
            if echo.depth < wall.depth - INSIDE
                && (echo.depth * 2.0 - wall.depth).abs() > INSIDE
                && let Some(patch) = self.patch(echo, beam)
            {
                self.grain.learn(patch);
            }
        }
    }

    fn cleared(&self, mut shot: Neighbour, beam: f64, wall: WallGoesOn) -> Cleared {
        let whole = shot.sight.taken.filter(|taken| taken.level >= WALL_WHOLE * beam);
        let is_grain = |echo: &Echo| {
            let is_wall = wall.is_some_and(|(depth, reach)| (echo.depth - depth).abs() <= reach);
            let stands_before =
                whole.is_none_or(|whole| echo.level >= INSIDE_LEVEL * beam && (echo.depth * 2.0 - whole.depth).abs() <= INSIDE);
            (echo.level < 2.0 * DIM * beam && self.is_narrow(*echo, echo.level < DIM * beam))
                || (!is_wall && stands_before && self.patch(*echo, beam).is_some_and(|patch| self.grain.shows(&patch)))
        };
        let alone = shot.sight.taken.is_some_and(|taken| is_grain(&taken));
        shot.sight.retain(|echo| !is_grain(echo));
        Cleared { shot, alone }
    }

    /// What shots beside it see of an echo of the next shot; nothing where an end of it lies out of their sight.
    fn patch(&self, echo: Echo, beam: f64) -> Option<Patch> {
        const NONE: Echo = Echo { depth: Length::ZERO, level: 0.0 };
        let mut seen = [NONE; MOST + 2];
        *seen.get_mut(self.next)? = echo;
        let mut follow = |at: &mut dyn Iterator<Item = usize>| -> Option<usize> {
            let (mut along, mut depth) = (self.shots[self.next].along, echo.depth);
            let mut last = self.next;
            for index in at {
                let shot = &self.shots[index];
                let way = (shot.along - along).abs();
                match shot.shows(depth, GOES_ON + way * GOES_ON_SLOPE) {
                    None if shot.flags.has(Flag::NoCoupling) => return Some(last),
                    Some(same) => {
                        (along, depth, last) = (shot.along, same.depth, index);
                        *seen.get_mut(index)? = same;
                    }
                    None => return Some(index),
                }
            }
            Some(last)
        };
        let before = follow(&mut (0..self.next).rev())?;
        let behind = follow(&mut (self.next + 1..self.shots.len()))?;
        let highest = (before..=behind).max_by(|a, b| seen[*a].level.total_cmp(&seen[*b].level))?;
        let under_half = |index: &usize| seen[*index].level < 0.5 * seen[highest].level;
        let from = (before..highest).rev().find(under_half)?;
        let to = (highest + 1..=behind).find(under_half)?;
        let Echo { depth, level } = seen[highest];
        let width = (self.shots[to].along - self.shots[from].along).abs();
        Some(Patch { along: self.shots[highest].along, depth, level: level / beam, width })
    }

    /// Whether both ends of an echo of the next shot are seen, and lie close together: the closer, the higher it stands. Without coupling
    /// on one side nothing is learned of that side; on both it was none that was lost, for the tyre's contact is wider than this: the
    /// wall about it returns nothing.
    fn is_narrow(&self, echo: Echo, dim: bool) -> bool {
        let end = |beside: &mut dyn Iterator<Item = &Neighbour>| {
            let (mut along, mut depth) = (self.shots[self.next].along, echo.depth);
            for shot in beside {
                let way = (shot.along - along).abs();
                match shot.shows(depth, GOES_ON + way * GOES_ON_SLOPE) {
                    Some(same) => (along, depth) = (shot.along, same.depth),
                    None => return Some((shot.along, shot.flags.has(Flag::NoCoupling))),
                }
            }
            None
        };
        let before = end(&mut self.shots.range(..self.next).rev());
        let behind = end(&mut self.shots.range(self.next + 1..));
        let (Some((before, lost_before)), Some((behind, lost_behind))) = (before, behind) else { return false };
        lost_before == lost_behind && (behind - before).abs() < NARROW * if dim { 1.0 } else { 0.5 }
    }
}
