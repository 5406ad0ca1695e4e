//! From a shot (or a device's own value) to a reading: evaluate, place, judge.

use super::tracked::ZeroKeeper;
use super::zero::Zero;
use super::{Gauge, GaugeValue, Reading, Shot, told};
use crate::strip::Limits;
use crate::travel::{Doubt, Moment, Odometer, Path};
use backwall_ultrasound::evaluate::{measure_thickness, measure_time};
use backwall_ultrasound::{Evaluator, Flag, Flags, Measurement, Quality, Setup, SetupError, Sight, TimeBase};
use backwall_units::{Decibel, Length, Temperature, Time};

/// The part of a reading that follows from its shot alone, whatever came before: it may be made on any core.
pub struct Measurer {
    setup: Setup,
    evaluator: Option<Evaluator>,
}

impl Measurer {
    pub fn new(setup: Setup) -> Self {
        Self { setup, evaluator: None }
    }

    /// Tells the time base of the shots that follow; cheap when it has not changed.
    pub fn set_time_base(&mut self, base: TimeBase) -> Result<(), SetupError> {
        match &mut self.evaluator {
            // Some devices begin to sample at another time with every shot.
            Some(evaluator) if (TimeBase { first: base.first, ..evaluator.base() }) == base => evaluator.set_first(base.first),
            _ => self.evaluator = Some(Evaluator::new(&self.setup, base)?),
        }
        Ok(())
    }

    /// What the samples of a shot measure, at the wall's temperature and the receiver's gain.
    pub fn measure(&mut self, samples: &[i16], wall: Temperature, gain: Decibel) -> Measured {
        match &mut self.evaluator {
            Some(evaluator) => {
                let alone = evaluator.measure_at(samples, wall.rounded(), told(gain));
                Measured { alone, sight: *evaluator.sight() }
            }
            None => Measured { alone: Measurement::none(Flags::of(Flag::NoTimeBase)), sight: Sight::default() },
        }
    }
}

/// A shot measured by itself, with what it shows for those who know its neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    pub alone: Measurement,
    pub sight: Sight,
}

/// A set-up, a path along the wall and its limits, made ready; the same shots give the same readings.
pub struct ReadingMaker {
    measurer: Measurer,
    odometer: Odometer,
    limits: Limits,
    wall: Temperature,
    zero: ZeroKeeper,
    /// Number of the reading before, and whether the device had evaluated it itself.
    before: Option<(u32, EvaluatedBy)>,
}

/// By whom a reading was evaluated. A device may send both of one shot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum EvaluatedBy {
    Here,
    ByDevice,
}

impl ReadingMaker {
    pub fn new(setup: Setup, odometer: Odometer, limits: Limits, wall: Temperature) -> Self {
        let mut zero = ZeroKeeper::new(&setup);
        zero.set_temperature(wall.rounded());
        Self { measurer: Measurer::new(setup), odometer, limits, wall: wall.rounded(), zero, before: None }
    }

    /// Tells the time base of the shots that follow; cheap when it has not changed.
    pub fn set_time_base(&mut self, base: TimeBase) -> Result<(), SetupError> {
        self.measurer.set_time_base(base)
    }

    /// Tells the wall's temperature for the shots that follow.
    pub fn set_wall_temperature(&mut self, wall: Temperature) {
        // Rounded to what is stored, so that a reading made again from the job file is the same.
        let wall = wall.rounded();
        if wall != self.wall {
            self.wall = wall;
            self.zero.set_temperature(wall);
        }
    }

    /// Another set-up for the shots that follow, watched anew; refused where it cannot evaluate them, and then nothing changes.
    pub fn set_setup(&mut self, setup: Setup) -> Result<(), SetupError> {
        let mut zero = ZeroKeeper::new(&setup);
        zero.set_temperature(self.wall);
        let mut measurer = Measurer::new(setup);
        if let Some(base) = self.time_base() {
            measurer.set_time_base(base)?;
        }
        (self.measurer, self.zero) = (measurer, zero);
        Ok(())
    }

    /// The wall by the two echoes of the last shot and its standard uncertainty, where both are sound.
    pub fn echo_to_echo(&self) -> Option<(Length, Length)> {
        self.zero.pair().map(|pair| (pair.wall, pair.uncertainty))
    }

    /// By how much first echoes come later than calibrated, as the last shots show.
    pub fn zero(&self) -> Option<Zero> {
        self.zero.zero()
    }

    /// What a time is on a wall of a thickness.
    pub fn length(&self, time: Time, wall: Length) -> Length {
        self.zero.length(time, wall)
    }

    pub fn setup(&self) -> &Setup {
        &self.measurer.setup
    }

    /// Where the next shot is, by the operator's word: places go on from there.
    pub fn set_place(&mut self, along: Length, across: Option<Length>) {
        self.odometer.set_place(along, across);
    }

    /// The path that is driven, as it was planned.
    pub fn path(&self) -> &Path {
        self.odometer.path()
    }

    /// The time base that shots are measured with; `None` where none was told.
    pub fn time_base(&self) -> Option<TimeBase> {
        self.measurer.evaluator.as_ref().map(Evaluator::base)
    }

    /// The wall's temperature, as the next shot is taken to have it.
    pub fn wall_temperature(&self) -> Temperature {
        self.wall
    }

    /// What a shot measures by itself.
    pub fn measure(&mut self, shot: &Shot) -> Measured {
        self.measurer.measure(&shot.samples, self.wall, shot.gain)
    }

    /// The reading of a shot.
    pub fn shot(&mut self, shot: &Shot, host_time_us: i64) -> Reading {
        let measured = self.measure(shot);
        self.measured(shot, &measured, host_time_us)
    }

    /// The reading of a shot that was measured already, by a [`Measurer`] of the same set-up.
    pub fn measured(&mut self, shot: &Shot, measured: &Measured, host_time_us: i64) -> Reading {
        let measurement = self.zero.measure(measured);
        let at = Moment { device_us: shot.device_time_us, host_us: host_time_us };
        self.finish((shot.seq, EvaluatedBy::Here), at, (shot.encoder, shot.across), shot.gain, measurement)
    }

    /// The reading of a value the device found itself.
    pub fn gauge(&mut self, gauge: &Gauge, host_time_us: i64) -> Reading {
        let measurement = match gauge.value {
            GaugeValue::Thickness(thickness) => measure_thickness(&self.measurer.setup, thickness),
            GaugeValue::EchoTime(time) => measure_time(&self.measurer.setup, time, self.wall),
            GaugeValue::NoCoupling => Measurement::none(Flags::of(Flag::NoCoupling).with(Flag::DeviceNoEcho)),
        };
        let at = Moment { device_us: gauge.device_time_us, host_us: host_time_us };
        self.finish((gauge.seq, EvaluatedBy::ByDevice), at, (gauge.encoder, gauge.across), Decibel::ZERO, measurement)
    }

    /// A stored reading measured anew, its place and level too.
    pub fn again(&mut self, stored: &Reading, measured: &Measured) -> Reading {
        let measurement = self.zero.measure(measured);
        let at = Moment { device_us: stored.device_time_us, host_us: stored.host_time_us };
        let across = stored.place.across.and_then(|across| across.counts);
        self.finish((stored.seq, EvaluatedBy::Here), at, (stored.encoder, across), stored.gain, measurement)
    }

    /// A measurement with what the device contradicts itself on.
    fn distrusted(measurement: Measurement, doubt: Doubt, repeated: bool) -> Measurement {
        let doubts = [(doubt.off_line, Flag::OffLine), (doubt.jumped, Flag::EncoderJump), (repeated, Flag::Repeated)];
        let flags = doubts.into_iter().filter(|(is, _)| *is).fold(measurement.flags, |flags, (_, flag)| flags.with(flag));
        let measurement = Measurement { flags, ..measurement };
        let most = if measurement.is_distrusted() { Quality::Poor } else { Quality::Good };
        Measurement { quality: measurement.quality.min(most), ..measurement }
    }

    fn finish(
        &mut self,
        number: (u32, EvaluatedBy),
        at: Moment,
        (encoder, across): (Option<i32>, Option<i32>),
        gain: Decibel,
        measurement: Measurement,
    ) -> Reading {
        let (place, doubt) = self.odometer.place(encoder, across, at);
        let repeated = self.before.replace(number) == Some(number) && self.odometer.path().max_speed.is_some();
        let measurement = Self::distrusted(self.limits.judged(measurement, place.course), doubt, repeated);
        let level = self.limits.level(&measurement, place.course);
        let (gain, wall_temperature) = (gain.rounded(), self.wall);
        let (device_time_us, host_time_us) = (at.device_us, at.host_us);
        Reading {
            seq: number.0,
            device_time_us,
            host_time_us,
            encoder,
            place,
            gain,
            wall_temperature,
            measurement,
            level,
            level_shown: level,
        }
    }
}
