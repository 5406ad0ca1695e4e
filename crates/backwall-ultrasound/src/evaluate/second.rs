//! What the echoes behind the chosen one say: where the second stands, and what the spacing makes of the wall and of the zero.

use super::Evaluator;
use crate::decide::{DecidedWall, WallCandidate};
use crate::echoes::Pair;
use crate::setup::Mode;
use crate::spacing::{self, Repeat, Spaced};
use crate::trace::Arrival;
use crate::uncertainty;
use backwall_units::{Length, Time};

/// A repeat that stands where the first echo's time does not put it must stand this high beside it.
const LEAST_SECOND: f64 = 0.4;

impl Evaluator {
    /// The wall from the spacing of two to four echoes, and when the second arrives.
    pub(super) fn echo_to_echo(&self, wall: &DecidedWall, first: &Arrival) -> Option<(Spaced, WallCandidate)> {
        let mut second = self.second_to_time(wall)?;
        let start = self.time_of(self.marked(first.correlation));
        let mut echoes = [Repeat { m: 1, time_ns: start, height: first.height }; spacing::MOST_ECHOES];
        let arrival = self.arrival(&second);
        echoes[1] = Repeat { m: 2, time_ns: self.like_cycle(first, &arrival), height: arrival.height };
        let mut spaced = spacing::solve(&self.model, &echoes[..2])?;
        second.time_ns = echoes[1].time_ns;
        for (count, m) in (2..).zip(3..=spacing::MOST_ECHOES) {
            if !self.model.knows_repeat(m) {
                break;
            }
            let due = self.model.time(spaced.depth, m) + spaced.delay_ns;
            let near = |c: &&WallCandidate| (c.time_ns - due).abs() < 70.0;
            let Some(found) = self.candidates.iter().filter(near).max_by(|a, b| a.top.height.total_cmp(&b.top.height)) else { break };
            let arrival = self.arrival(found);
            echoes[count] = Repeat { m, time_ns: self.like_cycle(first, &arrival), height: arrival.height };
            spaced = spacing::solve(&self.model, &echoes[..=count])?;
        }
        Some((spaced, second))
    }

    /// The repeat that is timed beside the chosen echo.
    pub(super) fn second_to_time(&self, wall: &DecidedWall) -> Option<WallCandidate> {
        match (self.setup.mode, wall.second) {
            (Mode::EchoToEcho, _) => self.repeat_anywhere(wall),
            (Mode::FirstEcho, Some(second)) => Some(second),
            (Mode::FirstEcho, None) => self.repeat_anywhere(wall).filter(|second| second.level >= LEAST_SECOND * wall.chosen.level),
        }
    }

    /// What the spacing of the taken echo and its repeat says, where both stand. The zero may have moved, so the repeat need
    /// not stand where the first echo's own time says.
    pub(super) fn pair(&self, wall: &DecidedWall, first: &Arrival) -> Option<(WallCandidate, Spaced)> {
        let mut second = self.second_to_time(wall)?;
        let arrival = self.trace.quick_arrival(&self.filter, second.top);
        second.time_ns = self.like_cycle(first, &arrival);
        let echoes = [
            Repeat { m: 1, time_ns: self.time_of(self.marked(first.correlation)), height: first.height },
            Repeat { m: 2, time_ns: second.time_ns, height: arrival.height },
        ];
        spacing::solve(&self.model, &echoes).map(|spaced| (second, spaced))
    }

    /// The highest echo where the second may stand. Paint delays the first echo, so the spacing is at most what its time says,
    /// and the mode-converted echo lies nearer than half of it.
    fn repeat_anywhere(&self, wall: &DecidedWall) -> Option<WallCandidate> {
        let most = self.model.path.spacing(wall.chosen.depth, 1.0, 2.0);
        let (from, to) = (wall.chosen.time_ns + 0.55 * most, wall.chosen.time_ns + most + 450.0);
        let inside = |c: &&WallCandidate| c.time_ns >= from && c.time_ns <= to;
        self.candidates.iter().filter(inside).max_by(|a, b| a.top.height.total_cmp(&b.top.height)).copied()
    }

    pub(super) fn pair_of(&self, wall: &DecidedWall, spaced: &Spaced, per_code: f64) -> Pair {
        let level = self.model.repeat_part(spaced.depth) * wall.chosen.level;
        Pair {
            wall: Length::mm(spaced.depth),
            uncertainty: Length::mm(uncertainty::NOISE_FACTOR * spaced.sensitivity * per_code),
            late: Time::ns(spaced.delay_ns),
            second: wall.second.map_or(0.0, |second| second.level / level),
        }
    }

    /// The wall from two of its repeats, where the first echo was not seen.
    pub(super) fn behind_the_first(&self, wall: &DecidedWall, second: &Arrival) -> Option<(Spaced, f64)> {
        let third = self.arrival(wall.second.as_ref()?);
        let later = self.like_cycle(second, &third);
        let echoes = [
            Repeat { m: wall.order, time_ns: self.time_of(self.marked(second.correlation)), height: second.height },
            Repeat { m: wall.order + 1, time_ns: later, height: third.height },
        ];
        Some((spacing::solve(&self.model, &echoes)?, later))
    }

    /// A repeat's arrival on the same cycle as the first echo's, by the envelopes.
    fn like_cycle(&self, first: &Arrival, repeat: &Arrival) -> f64 {
        let period = 2.0 * std::f64::consts::PI / self.filter.carrier;
        let apart = (repeat.envelope - first.envelope) - (repeat.correlation - first.correlation);
        self.time_of(self.marked(repeat.correlation + period * (apart / period).round()))
    }
}
