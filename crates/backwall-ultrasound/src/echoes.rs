//! What one shot shows beside the echo that was taken: every echo that could be a wall, and what the spacing of the
//! back-wall echoes says. A single shot cannot tell a reflector inside the wall from a thinner wall, nor a moved zero from
//! paint; whoever looks at its neighbours can, and needs this.

use super::decide::WallCandidate;
use super::face::FaceLook;
use super::measurement::Quality;
use backwall_units::{Length, Time};

/// As many echoes as are kept of a shot, the first to arrive.
pub const MOST_ECHOES: usize = 12;
/// An echo under this part of a whole beam's says nothing.
const LEAST_LEVEL: f64 = 0.04;

/// One echo that could be a wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Echo {
    /// The wall whose first echo would arrive then.
    pub depth: Length,
    /// Height over that of the first back-wall echo of such a wall on the blocks, at the shot's gain where it is known.
    pub level: f64,
}

/// What the spacing of the first and the second back-wall echo says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// The wall, whatever the zero is.
    pub wall: Length,
    /// Its standard uncertainty from the noise of this shot.
    pub uncertainty: Length,
    /// By how much the first echo comes later than calibrated.
    pub late: Time,
    /// Height of the second echo over the first's, against the same on the blocks.
    pub second: f64,
}

/// A reading without what the zero adds to its doubts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steady {
    /// Standard uncertainty from the noise of this shot, timed from the transmit pulse.
    pub scatter: Length,
    /// Standard uncertainty from all else but the zero.
    pub rest: Length,
    /// Its word.
    pub quality: Quality,
}

/// All that one shot shows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sight {
    echoes: [Option<Echo>; MOST_ECHOES],
    /// The echo that was taken, as one of a first back wall; nothing without a thickness.
    pub taken: Option<Echo>,
    /// Where a second back-wall echo stands.
    pub pair: Option<Pair>,
    /// What is left of the reading were the zero sure; nothing without a thickness.
    pub steady: Option<Steady>,
    /// The signal where the tyre's inner face is due, where the blocks showed it.
    pub face: Option<FaceLook>,
}

impl Sight {
    /// As new, in its place: it is several hundred bytes, and a shot is short.
    pub(super) fn clear(&mut self) {
        self.echoes.fill(None);
        (self.taken, self.pair, self.steady, self.face) = (None, None, None, None);
    }

    /// Shows these candidates.
    pub(super) fn see(&mut self, candidates: &[WallCandidate]) {
        let worth = candidates.iter().filter(|candidate| candidate.level >= LEAST_LEVEL);
        for (slot, candidate) in self.echoes.iter_mut().zip(worth) {
            *slot = Some(Echo { depth: Length::mm(candidate.depth), level: candidate.level });
        }
    }

    /// A shot that shows these echoes, in order of arrival.
    pub fn showing(echoes: impl IntoIterator<Item = Echo>) -> Self {
        let mut sight = Self::default();
        sight.echoes.iter_mut().zip(echoes).for_each(|(slot, echo)| *slot = Some(echo));
        sight
    }

    /// The echoes in order of arrival.
    pub fn echoes(&self) -> impl Iterator<Item = Echo> + '_ {
        self.echoes.iter().map_while(|echo| *echo)
    }

    /// Keeps the echoes that `which` says of.
    pub fn retain(&mut self, which: impl Fn(&Echo) -> bool) {
        let mut kept = [None; MOST_ECHOES];
        kept.iter_mut().zip(self.echoes().filter(|echo| which(echo))).for_each(|(slot, echo)| *slot = Some(echo));
        self.echoes = kept;
    }

    /// The highest echo within `reach` of a depth.
    pub fn near(&self, depth: Length, reach: Length) -> Option<Echo> {
        self.echoes().filter(|echo| (echo.depth - depth).abs() <= reach).max_by(|a, b| a.level.total_cmp(&b.level))
    }
}
