//! PURE. What a reading's neighbours along the line say of it: which stretches show something inside the wall, which a pit,
//! and which single readings stand alone. One shot from one side cannot tell a lamination from a thinner wall; its edges can.
//!
//! Where part of a beam stands on an inner reflector, reflector and wall show in the same shot, the wall at its unchanged
//! depth, and both together return about a whole beam. A wall that corrodes thinner slides through all depths and dims on
//! its slopes; a pit sends little back. (Geometry of a beam on an edge; published plate examination by loss and return of the
//! back-wall echo: EN 10160, ASTM A435.) A sharp-edged flat recess of the far side gives the very same echoes as a lamination,
//! so the word is `lamination?`, to be proven by other means.

mod grain;
mod judge;
mod narrow;
mod rim;
mod slope;
mod stretch;
#[cfg(test)]
mod tests;

use narrow::{Cleared, Narrow};
use rim::Rim;
use slope::Slope;
pub use stretch::{Evidence, Finding, Kind, Least, Stretch};

use crate::reading::Reading;
use crate::strip::Level;
use backwall_ultrasound::{Echo, Flag, Flags, Quality, Sight};
use backwall_units::Length;
use std::collections::VecDeque;

/// The wall goes on from one shot to the next within this, and this much for each mm between them (a slope of 14 degrees).
const GOES_ON: Length = Length::mm(0.15);
const GOES_ON_SLOPE: f64 = 0.25;
/// The longest way without a reading over which a slope may go on.
const GOES_ON_OVER: Length = Length::mm(12.0);
/// The wall that comes back behind a stretch is the one before it within this, and this much for each mm of the stretch.
const COMES_BACK: Length = Length::mm(0.35);
const COMES_BACK_SLOPE: f64 = 0.02;
/// So many shots in a row must show the wall alone before a stretch has ended, or a wall is known at all.
const SETTLED: usize = 4;
/// A stretch of fewer shots has also ended where the wall slides on from its last reading.
const SLIDES: usize = 40;
/// Something inside the wall lies this far before it at least, and returns this part of a whole beam at least.
const INSIDE: Length = Length::mm(0.5);
const INSIDE_LEVEL: f64 = 0.12;
/// Of a reflector's echo its repeats return this much at least, against those of the blocks; further ones are not looked for.
const REPEATS: f64 = 0.5;
const MOST_REPEATS: f64 = 6.0;
/// The wall's own echo is looked for this near its depth.
const AT_WALL: Length = Length::mm(0.2);
/// A wall that returns this much of a whole beam has nothing standing in it.
const WALL_WHOLE: f64 = 0.8;
/// A wall that returns this much of what it did in the shots before lacks nothing.
const WALL_UNDIMMED: f64 = 0.85;
/// Shots on either side that a reading may agree with.
const BESIDE: usize = 2;
/// Shots whose heights tell what a whole beam returns here.
const BEAMS: usize = 31;
/// Shots nearer to each other than this count once, as soon as there are enough.
const BEAMS_APART: Length = Length::mm(1.0);
/// A wall weaker than this against its neighbours has part of the beam elsewhere.
const WEAK_BESIDE: f64 = 0.7;
/// A stretch longer than this without the wall's return is taken for a wall of its own.
const LONGEST: Length = Length::mm(1500.0);
/// A turn back by this much begins a new pass.
const TURNED: Length = Length::mm(3.0);

/// One shot as its neighbours see it.
#[derive(Debug, Clone, Copy)]
pub struct Neighbour {
    /// Its row in the run.
    pub row: u64,
    pub seq: u32,
    pub along: Length,
    pub course: Option<u16>,
    pub thickness: Option<Length>,
    /// Standard uncertainty (k = 1).
    pub uncertainty: Option<Length>,
    pub quality: Quality,
    pub flags: Flags,
    pub level: Level,
    pub sight: Sight,
}

impl Neighbour {
    /// `None` for a reading without a place: nothing is known of its neighbours.
    pub fn new(row: u64, reading: &Reading, sight: &Sight) -> Option<Self> {
        let Reading { seq, place, measurement, level, .. } = *reading;
        let (thickness, uncertainty) = (measurement.thickness, measurement.uncertainty);
        let (quality, flags) = (measurement.quality, measurement.flags);
        Some(Self { row, seq, along: place.along?, course: place.course, thickness, uncertainty, quality, flags, level, sight: *sight })
    }
    fn level(&self) -> Option<f64> {
        self.sight.taken.map(|echo| echo.level)
    }
    /// The echo nearest to a depth, within `reach`.
    fn shows(&self, depth: Length, reach: Length) -> Option<Echo> {
        let away = |echo: &Echo| (echo.depth - depth).abs();
        self.sight.echoes().chain(self.sight.taken).filter(|echo| away(echo) <= reach).min_by(|a, b| away(a).total_cmp(&away(b)))
    }
    /// Whether an echo at `wall` is a repeat of `first`: the second, or a later one with all those between them.
    fn is_repeat(&self, first: Echo, wall: Length) -> bool {
        let times = (wall / first.depth).round();
        let at = |time: i32| first.depth * f64::from(time);
        let stands = |time: i32| self.sight.near(at(time), INSIDE).is_some_and(|echo| echo.level >= REPEATS * first.level);
        (2.0..=MOST_REPEATS).contains(&times) && (at(times as i32) - wall).abs() <= INSIDE && (2..times as i32).all(stands)
    }
    /// The highest echo clearly before `wall`.
    fn inside(&self, wall: Length) -> Option<Echo> {
        self.sight.echoes().filter(|echo| echo.depth < wall - INSIDE).max_by(|a, b| a.level.total_cmp(&b.level))
    }
}

/// What rows are because of their neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// First and last row.
    pub rows: (u64, u64),
    /// Flags that the readings in them have beside their own.
    pub flags: Flags,
    /// What they show together; nothing where a single reading is doubted.
    pub stretch: Option<Stretch>,
}

impl Judgement {
    fn of_shot(shot: &Neighbour, flag: Flag) -> Self {
        Self { rows: (shot.row, shot.row), flags: Flags::of(flag), stretch: None }
    }
}

/// Looks along a line as the shots come; what it says of a place comes a little behind.
#[derive(Debug, Default)]
pub struct Neighbours {
    /// The wall's last readings.
    wall: VecDeque<(Length, Length)>,
    /// What the wall returned in its last readings.
    levels: VecDeque<f64>,
    /// What whole beams returned last, and where.
    beams: VecDeque<(Length, f64)>,
    /// What a whole beam returns here; nothing before there are enough.
    beam: Option<f64>,
    /// Shots since the wall was left.
    open: Vec<Neighbour>,
    /// Of these the last in a row that show the wall alone again.
    back: usize,
    forward: Option<bool>,
    /// The last shots, two on either side of the one that is looked at.
    last: VecDeque<Neighbour>,
    narrow: Narrow,
    rim: Rim,
    slope: Slope,
}

impl Neighbours {
    pub fn push(&mut self, shot: Neighbour) -> Vec<Judgement> {
        let mut said = Vec::new();
        if self.turned(&shot) || self.last.back().is_some_and(|last| last.course != shot.course) {
            said.extend(self.end());
        }
        self.last.push_back(shot);
        if self.last.len() > 2 * BESIDE + 1 {
            self.last.pop_front();
        }
        self.narrow.push(shot);
        if let Some(alone) = self.stands_alone() {
            said.push(Judgement::of_shot(&alone, Flag::Alone));
            self.narrow.said(alone.row, Flag::Alone);
        }
        self.go_on(false, &mut said);
        said
    }

    /// Follows the wall through the shots of which enough is known.
    fn go_on(&mut self, all: bool, said: &mut Vec<Judgement>) {
        loop {
            let last = self.wall.back().copied();
            let wall = |shot: &Neighbour| {
                let (along, depth) = last?;
                let way = (shot.along - along).abs();
                (way <= GOES_ON_OVER).then_some((depth, GOES_ON + way * GOES_ON_SLOPE))
            };
            let Some(Cleared { mut shot, alone }) = self.narrow.next(self.beam.unwrap_or(1.0), wall, all) else { return };
            if alone {
                say_alone(&shot, said);
                let wall = wall(&shot).and_then(|(depth, reach)| shot.sight.near(depth, reach));
                (shot.thickness, shot.sight.taken) = (wall.map(|wall| wall.depth), wall);
            }
            self.follow(shot, said);
        }
    }

    /// Whether no stretch is open. What was seen over the last way shorter than a beam's width may open one yet.
    pub fn is_settled(&self) -> bool {
        self.open.is_empty()
    }

    /// What is left to say when no more shots come.
    pub fn end(&mut self) -> Vec<Judgement> {
        let mut said = Vec::new();
        self.go_on(true, &mut said);
        self.close(None, &mut said);
        say_near_uneven(self.slope.end(), &mut said);
        let (beams, beam, mut narrow) = (std::mem::take(&mut self.beams), self.beam, std::mem::take(&mut self.narrow));
        narrow.forget();
        *self = Self { beams, beam, narrow, ..Self::default() };
        said
    }

    fn turned(&mut self, shot: &Neighbour) -> bool {
        let Some(last) = self.last.back() else { return false };
        let way = shot.along - last.along;
        if way == Length::ZERO {
            return false;
        }
        let forward = way > Length::ZERO;
        match self.forward {
            Some(known) if known != forward => {
                if way.abs() < TURNED {
                    return false;
                }
                self.forward = Some(forward);
                true
            }
            _ => {
                self.forward = Some(forward);
                false
            }
        }
    }

    /// Whether the reading in the middle of the last five agrees with none of the four about it, nor with the wall.
    fn stands_alone(&self) -> Option<Neighbour> {
        let shot = self.last.get(BESIDE).filter(|shot| shot.quality == Quality::Poor)?;
        let thickness = shot.thickness?;
        let others = self.last.iter().enumerate().filter(|(at, _)| *at != BESIDE).filter_map(|(_, other)| other.thickness);
        let mut read = others.chain(self.wall_here()).peekable();
        (read.peek().is_some() && !read.any(|other| (other - thickness).abs() < INSIDE)).then_some(*shot)
    }

    /// The wall here, as it goes on from its last readings.
    fn wall_here(&self) -> Option<Length> {
        middle(self.wall.iter().rev().take(3).map(|(_, depth)| *depth), Length::total_cmp)
    }

    fn goes_on(&self, shot: &Neighbour) -> bool {
        let (Some(thickness), Some((along, depth))) = (shot.thickness, self.wall.back()) else { return false };
        let way = (shot.along - *along).abs();
        way <= GOES_ON_OVER && (thickness - *depth).abs() <= GOES_ON + way * GOES_ON_SLOPE
    }

    /// Whether a shot shows something inside a wall that takes its part of the beam from it.
    fn shows_inside(&self, shot: &Neighbour, wall: Length) -> bool {
        let beam = self.beam.unwrap_or(1.0);
        let Some(echo) = shot.inside(wall).filter(|echo| echo.level >= INSIDE_LEVEL * beam) else { return false };
        // The second echo of a train may be the highest; then the first shows it.
        let first = || shot.sight.echoes().find(|first| first.level >= INSIDE_LEVEL * beam && first.depth * 2.5 < wall);
        let is_train = shot.is_repeat(echo, wall) || first().is_some_and(|first| shot.is_repeat(first, wall));
        is_train || shot.sight.near(wall, AT_WALL).is_none_or(|wall| wall.level < WALL_WHOLE * beam)
    }

    /// The wall's own echo in a shot that was read before it, where nothing is missing from the wall: a reflector takes from the wall
    /// what it returns, grain near the surface does not. A reflector's own repeat may stand there in its place.
    fn whole_wall_behind(&self, shot: &Neighbour) -> Option<Echo> {
        let (taken, (along, wall)) = (shot.sight.taken?, *self.wall.back()?);
        let way = (shot.along - along).abs();
        let usual = middle(self.levels.iter().copied(), f64::total_cmp)?;
        let behind = shot.sight.near(wall, GOES_ON + way * GOES_ON_SLOPE).filter(|echo| echo.level >= WALL_UNDIMMED * usual)?;
        let more_than_whole = taken.level + behind.level > self.beam?;
        let is_repeat = shot.is_repeat(taken, behind.depth);
        (way <= GOES_ON_OVER && taken.depth < wall - INSIDE && taken.level < behind.level && more_than_whole && !is_repeat)
            .then_some(behind)
    }

    fn follow(&mut self, mut shot: Neighbour, said: &mut Vec<Judgement>) {
        if let Some(wall) = self.whole_wall_behind(&shot) {
            say_alone(&shot, said);
            (shot.thickness, shot.sight.taken) = (Some(wall.depth), Some(wall));
        }
        if let (true, Some(level)) = (self.goes_on(&shot), shot.level()) {
            self.levels.push_back(level);
            if self.levels.len() > SETTLED {
                self.levels.pop_front();
            }
        }
        let Some(wall) = self.wall_here() else {
            self.begin(shot);
            return;
        };
        if self.open.is_empty() {
            if self.goes_on(&shot) && !self.shows_inside(&shot, shot.thickness.unwrap_or(wall)) {
                self.take(&shot, said);
            } else {
                self.open.push(shot);
                self.back = 0;
            }
            return;
        }
        self.open.push(shot);
        let length = (shot.along - self.open[0].along).abs();
        let near = COMES_BACK + length * COMES_BACK_SLOPE;
        let is_back = shot.thickness.is_some_and(|thickness| (thickness - wall).abs() <= near && !self.shows_inside(&shot, thickness))
            || (self.open.len() < SLIDES && self.goes_on(&shot) && !self.shows_inside(&shot, shot.thickness.unwrap_or(wall)));
        self.back = if is_back { self.back + 1 } else { 0 };
        if self.back >= SETTLED {
            let behind = self.open.split_off(self.open.len() - self.back);
            self.close(middle(behind.iter().filter_map(|shot| shot.thickness), Length::total_cmp), said);
            self.wall.clear();
            behind.iter().for_each(|shot| self.take(shot, said));
        } else if length > LONGEST {
            self.close(None, said);
            self.wall.clear();
        }
    }

    /// Until a wall is known: the first shots that agree.
    fn begin(&mut self, shot: Neighbour) {
        self.open.push(shot);
        let tail = &self.open[self.open.len().saturating_sub(SETTLED)..];
        let depths: Vec<Length> = tail.iter().filter_map(|shot| shot.thickness).collect();
        let agree = depths.windows(2).all(|pair| (pair[1] - pair[0]).abs() <= GOES_ON + Length::mm(0.1));
        if depths.len() == SETTLED && agree {
            let tail = self.open.split_off(self.open.len() - SETTLED);
            self.open.clear();
            tail.iter().for_each(|shot| self.take(shot, &mut Vec::new()));
        }
    }

    fn take(&mut self, shot: &Neighbour, said: &mut Vec<Judgement>) {
        let Some(thickness) = shot.thickness else { return };
        self.wall.push_back((shot.along, thickness));
        if self.wall.len() > SETTLED {
            self.wall.pop_front();
        }
        let at_rim = self.rim.on_wall(shot, self.beam);
        if at_rim {
            say_near_uneven([shot.row], said);
        }
        say_near_uneven(self.slope.on_wall(shot, at_rim), said);
        let Some(level) = shot.level() else { return };
        match self.beam {
            Some(beam) if level < WEAK_BESIDE * beam => {
                if !shot.flags.has(Flag::Weak) && !shot.flags.has(Flag::Uneven) {
                    said.push(Judgement::of_shot(shot, Flag::Weak));
                }
            }
            _ => {
                // Of shots that lie close only some count, lest the measure dims along with a slope.
                let close = self.beams.back().is_some_and(|(along, _)| (shot.along - *along).abs() < BEAMS_APART);
                if close && self.beams.len() >= SETTLED {
                    return;
                }
                self.beams.push_back((shot.along, level));
                if self.beams.len() > BEAMS {
                    self.beams.pop_front();
                }
                self.beam = middle(self.beams.iter().map(|(_, level)| *level), f64::total_cmp).filter(|_| self.beams.len() >= SETTLED);
            }
        }
    }

    fn close(&mut self, behind: Option<Length>, said: &mut Vec<Judgement>) {
        let shots = std::mem::take(&mut self.open);
        self.back = 0;
        let Some(before) = self.wall_here() else { return };
        let beam = self.beam.unwrap_or(1.0);
        let known = said.len();
        judge::judge(&shots, judge::BothSides { before, behind, beam }, said);
        // A lamination leaves the wall beside it as it is.
        let is_uneven = said[known..].iter().any(|found| found.flags.has(Flag::Uneven));
        if let (true, Some(first), Some(last)) = (is_uneven, shots.first(), shots.last()) {
            let near = self.rim.uneven(first.along, last.along);
            near.iter().for_each(|row| self.slope.said(*row));
            say_near_uneven(near, said);
        }
    }
}

fn say_near_uneven(rows: impl IntoIterator<Item = u64>, said: &mut Vec<Judgement>) {
    said.extend(rows.into_iter().map(|row| Judgement { rows: (row, row), flags: Flags::of(Flag::NearUneven), stretch: None }));
}

/// Whichever rule finds it first: one statement for a reading.
fn say_alone(shot: &Neighbour, said: &mut Vec<Judgement>) {
    if !shot.flags.has(Flag::Alone) {
        said.push(Judgement::of_shot(shot, Flag::Alone));
    }
}

/// The middle of some values, the upper of the two middle ones where they are even in number.
fn middle<T: Copy>(values: impl Iterator<Item = T>, order: impl Fn(&T, &T) -> std::cmp::Ordering) -> Option<T> {
    let mut values: Vec<T> = values.collect();
    let half = values.len() / 2;
    (half < values.len()).then(|| *values.select_nth_unstable_by(half, order).1)
}
