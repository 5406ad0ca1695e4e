//! The rim of what is not even. A reading's U speaks for the least wall within [`FOOTPRINT`] of the beam's centre. Beside a pit or a step
//! nearly the whole beam still comes back from the plate, so that the shot alone shows nothing of it; the shots that stand in it do.

use super::Neighbour;
use backwall_ultrasound::Flag;
use backwall_units::Length;
use std::collections::VecDeque;

/// What U speaks for, about the beam's centre.
pub const FOOTPRINT: Length = Length::mm(1.5);
/// A wall that returns less than this of a whole beam is partly elsewhere: what coupling alone explains ends here.
const PARTLY: f64 = 0.85;
/// So far out of a stretch the wall may return less without being part of it.
const FLANK: Length = Length::mm(4.0);
/// As many shots are kept at once, so that a crawler that stands still does not fill the memory.
const MOST: usize = 512;

/// One shot on the wall beside a stretch.
#[derive(Debug, Clone, Copy)]
struct RimOnWall {
    row: u64,
    along: Length,
    partly: bool,
    /// Whether something is said of it already that its U does not reach past.
    said: bool,
}

/// Goes out from the end of a stretch.
#[derive(Debug, Clone, Copy)]
struct Outward {
    end: Length,
    /// Where most shots from the end on are partly elsewhere.
    edge: Length,
    partly: usize,
    all: usize,
}

impl Outward {
    fn from(end: Length) -> Self {
        Self { end, edge: end, partly: 0, all: 0 }
    }

    /// Takes the next shot outward: whether it lies within the footprint of what is not even; `None` where nothing does any more.
    fn take(&mut self, shot: &RimOnWall) -> Option<bool> {
        self.all += 1;
        self.partly += usize::from(shot.partly);
        if shot.partly && self.partly * 2 >= self.all && (shot.along - self.end).abs() <= FLANK {
            self.edge = shot.along;
        }
        let within = (shot.along - self.edge).abs() <= FOOTPRINT;
        (within || (shot.along - self.end).abs() <= FOOTPRINT).then_some(within && !shot.said)
    }
}

/// The last shots on the wall, and the stretch that was just left.
#[derive(Debug, Default)]
pub struct Rim {
    last: VecDeque<RimOnWall>,
    behind: Option<Outward>,
}

impl Rim {
    /// A shot on the wall; answers whether it lies too near to what was just left. `beam` is what a whole one returns.
    pub fn on_wall(&mut self, shot: &Neighbour, beam: Option<f64>) -> bool {
        let level = shot.sight.taken.map(|taken| taken.level);
        let partly = level.zip(beam).is_some_and(|(level, beam)| level < PARTLY * beam);
        let said = [Flag::Weak, Flag::Uneven, Flag::Phase].iter().any(|flag| shot.flags.has(*flag));
        let shot = RimOnWall { row: shot.row, along: shot.along, partly, said };
        self.last.push_back(shot);
        let passed = |first: &RimOnWall| (shot.along - first.along).abs() > FLANK + FOOTPRINT;
        while self.last.len() > MOST || self.last.front().is_some_and(passed) {
            self.last.pop_front();
        }
        let near = self.behind.as_mut().map(|behind| behind.take(&shot));
        match near {
            Some(Some(near)) => near,
            _ => {
                self.behind = None;
                false
            }
        }
    }

    /// A stretch that is not even lies between these places; answers the rows just before it that lie too near.
    pub fn uneven(&mut self, from: Length, to: Length) -> Vec<u64> {
        let mut outward = Outward::from(from);
        let mut near = Vec::new();
        for shot in self.last.iter().rev() {
            match outward.take(shot) {
                Some(true) => near.push(shot.row),
                Some(false) => {}
                None => break,
            }
        }
        self.last.clear();
        self.behind = Some(Outward::from(to));
        near.reverse();
        near
    }
}
