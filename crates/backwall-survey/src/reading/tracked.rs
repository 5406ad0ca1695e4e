//! A shot's measurement with the zero that its neighbours show.

use super::make::Measured;
use super::tyre::TyreWatch;
use super::zero::{Zero, ZeroWatch};
use backwall_ultrasound::{Flag, Measurement, Mode, Pair, Quality, Ruler, Setup, ZeroKeeping};
use backwall_units::{Length, Temperature, Time};

/// A second echo this high beside the first, both against the blocks', comes from an even wall.
const SOUND_SECOND: (f64, f64) = (0.7, 1.3);
/// Of a whole beam: echoes of less come from a pit's flank or from grain, and what stands behind one of them need not be its repeat.
/// Common practice, no source.
const WITNESS_LEVEL: f64 = 0.25;
/// What makes the second echo of a shot no witness.
const NO_WITNESS: [Flag; 8] =
    [Flag::Weak, Flag::Uneven, Flag::InnerReflector, Flag::EarlyEcho, Flag::Ambiguous, Flag::Multiple, Flag::Saturated, Flag::GateEdge];
/// Of what the shots that the zero is from returned: one that contradicts them and returns less stands on no even wall, and its second
/// echo need not be its repeat. A zero that moves does so on a whole wall. Common practice, no source.
const CONTRADICTS_LEVEL: f64 = 0.6;
/// A shot's own lateness agrees with its neighbours' within so many standard deviations.
const AGREES: f64 = 4.0;
/// A zero this many standard uncertainties of the coupling off has not moved; a pair is sure past so many of its own.
const COUPLING: f64 = 2.0;
const SURE: f64 = 3.0;
/// A zero that single shots scatter by more than this about is no zero: something else moves from shot to shot, as the time of the
/// first sample. Common practice, no source.
const RESTLESS: Length = Length::mm(0.2);
/// Where a lateness is what it is on a straight path.
const FAR: Length = Length::mm(100.0);
/// Paint is told by nobody; what it does to the phase of the bounces (the echo-to-echo reading has the same part).
const PAINT: Length = Length::mm(0.0016);

/// Keeps the zero of a run.
pub struct ZeroKeeper {
    setup: Setup,
    ruler: Ruler,
    watch: ZeroWatch,
    tyre: TyreWatch,
    /// Of the last shot, where it is sound.
    pair: Option<Pair>,
    /// Whether the newest sound pair contradicts the calibrated zero.
    contradicted: bool,
}

impl ZeroKeeper {
    pub fn new(setup: &Setup) -> Self {
        let (watch, tyre) = (ZeroWatch::default(), TyreWatch::default());
        Self { setup: setup.clone(), ruler: Ruler::new(setup), watch, tyre, pair: None, contradicted: false }
    }

    pub fn set_temperature(&mut self, wall: Temperature) {
        self.ruler.set_temperature(wall);
    }

    pub fn zero(&self) -> Option<Zero> {
        self.watch.zero().map(|zero| Zero { tyre: self.tyre.now(zero.late), ..zero })
    }

    /// The two echoes of the last shot, where they are sound.
    pub fn pair(&self) -> Option<Pair> {
        self.pair
    }

    /// What the zero's lateness is on a wall of a thickness.
    pub fn length(&self, time: Time, wall: Length) -> Length {
        self.ruler.length(time, wall)
    }

    /// The measurement of the next shot.
    pub fn measure(&mut self, measured: &Measured) -> Measurement {
        let alone = measured.alone;
        self.pair = None;
        // Without blocks there is nothing the second echo could be held against.
        if self.setup.calibration.is_none() || alone.thickness.is_none() {
            self.watch.pass();
            return alone;
        }
        let level = measured.sight.taken.map_or(0.0, |taken| taken.level);
        let pair = measured.sight.pair.filter(|pair| {
            let sound = pair.second >= SOUND_SECOND.0 && pair.second <= SOUND_SECOND.1;
            let bright = level >= WITNESS_LEVEL && (self.agrees(pair) || level >= CONTRADICTS_LEVEL * self.watch.level());
            sound && bright && alone.quality > Quality::Poor && !NO_WITNESS.iter().any(|flag| alone.flags.has(*flag))
        });
        self.pair = pair;
        match pair {
            Some(pair) => {
                self.watch.push(pair.late, level);
                self.contradicted = !self.rests(pair.late, pair.uncertainty * SURE);
            }
            None => self.watch.pass(),
        }
        self.watch_tyre(measured);
        if self.setup.mode == Mode::EchoToEcho {
            return alone;
        }
        let read = match self.setup.zero_keeping {
            ZeroKeeping::Fixed => self.doubted(alone, pair),
            ZeroKeeping::Tracked => {
                let read = held_against(measured, pair, self.tracked(measured, pair));
                if self.is_restless() { with_doubt(read, Flag::ZeroMoved) } else { read }
            }
        };
        // Before there are enough pairs for a zero, the newest speaks for shots that have none of their own.
        let unknown = self.contradicted && pair.is_none() && self.watch.zero().is_none();
        if unknown { with_doubt(read, Flag::ZeroMoved) } else { read }.rounded()
    }

    /// Whether a pair says of the zero what the shots before it do; all does while they say nothing.
    fn agrees(&self, pair: &Pair) -> bool {
        self.watch.zero().is_none_or(|zero| (pair.late - zero.late).abs() <= zero.scatter.max(zero.spread()) * AGREES)
    }

    fn watch_tyre(&mut self, measured: &Measured) {
        let Some(face) = self.setup.calibration.as_ref().and_then(|calibration| calibration.face.as_ref()) else { return };
        // An echo of the wall too near runs into the face's.
        if let (Some(look), Some(wall)) = (measured.sight.face, measured.alone.echo_time)
            && face.is_clear_of(wall)
        {
            self.tyre.push(face, look, self.watch.zero().map_or(Time::ZERO, |zero| zero.late));
        }
    }

    /// Flags a reading whose zero has moved by more than its U.
    fn doubted(&self, alone: Measurement, pair: Option<Pair>) -> Measurement {
        let (Some(thickness), Some(u)) = (alone.thickness, alone.uncertainty) else { return alone };
        let moved = |late: Time, late_u: Time| self.ruler.length(late.abs() - late_u * 2.0, thickness) > u * 2.0;
        let running = self.watch.zero().is_some_and(|zero| moved(zero.late, zero.uncertainty));
        let own = pair.is_some_and(|pair| match self.watch.zero() {
            Some(zero) => moved(pair.late, zero.scatter * AGREES),
            // The first shots of a run have nothing but their own two echoes.
            None => (pair.wall - thickness).abs() > u * 2.0 + pair.uncertainty * SURE,
        });
        if running || own || self.is_restless() { with_doubt(alone, Flag::ZeroMoved) } else { alone }
    }

    /// Whether first echoes come at another time from shot to shot.
    fn is_restless(&self) -> bool {
        self.watch.zero().is_some_and(|zero| self.ruler.length(zero.scatter, FAR) > RESTLESS)
    }

    /// Whether a lateness is no more than coupling makes of it from place to place, or than `sure`: the zero is as calibrated.
    fn rests(&self, late: Time, sure: Length) -> bool {
        let coupling = self.setup.calibration.as_ref().map_or(Length::ZERO, |calibration| calibration.budget.coupling);
        self.ruler.length(late.abs(), FAR) <= (coupling * COUPLING).max(sure)
    }

    fn tracked(&self, measured: &Measured, pair: Option<Pair>) -> Measurement {
        let alone = measured.alone;
        let (Some(time), Some(steady)) = (alone.echo_time, measured.sight.steady) else { return alone };
        let Some(zero) = self.watch.zero() else {
            // Too few shots as yet: a shot's own pair is all there is, and the calibrated zero where the pair has nothing against it.
            return match pair.filter(|pair| !self.rests(pair.late, pair.uncertainty * SURE)) {
                Some(pair) => by_pair(measured, pair),
                None => alone,
            };
        };
        let own_sure = self.ruler.length(zero.scatter * AGREES, alone.thickness.unwrap_or(Length::ZERO));
        let sure = self.ruler.length(zero.uncertainty * SURE, FAR);
        if self.rests(zero.late, sure) && pair.is_none_or(|pair| self.rests(pair.late, own_sure)) {
            return alone;
        }
        let (mut late, spread) = (zero.late, zero.spread());
        if let Some(pair) = pair {
            let apart = pair.late - zero.late;
            if apart.abs() > zero.scatter.max(spread) * AGREES {
                return by_pair(measured, pair);
            }
            // The better either is known the more it counts (the weights of the least variance, textbook).
            let (running, own) = (spread.as_ns() * spread.as_ns(), zero.scatter.as_ns().max(1.0));
            late = late + apart * (running / (running + own * own));
        }
        let Some(thickness) = self.ruler.wall(time, late) else { return alone };
        let of_zero = self.ruler.length(spread, thickness);
        Measurement {
            thickness: Some(thickness),
            uncertainty: Some(root_of_squares([steady.rest, steady.scatter, of_zero])),
            quality: steady.quality,
            flags: alone.flags.without(Flag::Drift),
            ..alone
        }
    }
}

/// The wall from the shot's own two echoes, where the first contradicts their spacing.
fn by_pair(measured: &Measured, pair: Pair) -> Measurement {
    let alone = measured.alone;
    let rest = measured.sight.steady.map_or(Length::ZERO, |steady| steady.rest);
    let read = Measurement {
        thickness: Some(pair.wall),
        uncertainty: Some(root_of_squares([rest, pair.uncertainty, PAINT])),
        quality: measured.sight.steady.map_or(alone.quality, |steady| steady.quality),
        flags: alone.flags.without(Flag::Drift),
        ..alone
    };
    with_doubt(read, Flag::ZeroMoved)
}

/// A reading that its own two echoes contradict by more than its U is read by them: the zero may go from shot to shot in steps that its
/// neighbours take for a creep.
fn held_against(measured: &Measured, pair: Option<Pair>, read: Measurement) -> Measurement {
    let (Some(pair), Some(thickness), Some(u)) = (pair, read.thickness, read.uncertainty) else { return read };
    if (pair.wall - thickness).abs() > u * 2.0 + pair.uncertainty * SURE { by_pair(measured, pair) } else { read }
}

fn with_doubt(read: Measurement, flag: Flag) -> Measurement {
    Measurement { flags: read.flags.with(flag), quality: read.quality.min(Quality::Fair), ..read }
}

fn root_of_squares<const N: usize>(parts: [Length; N]) -> Length {
    Length::mm(libm::sqrt(parts.iter().map(|part| part.as_mm() * part.as_mm()).sum()))
}
