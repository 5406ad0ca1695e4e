//! The probe held on a block: shots taken until they are stable. On a block to calibrate on the echo is looked for where its
//! thickness says; a block to verify on is read as a wall is, knowing nothing.

use backwall_survey::reading::{Record, told};
use backwall_ultrasound::{BlockSeen, BlockSight, CalibrationError, Evaluator, Measurement, Setup, SetupError, TimeBase, Waveform};
use backwall_ultrasound::{MOST_SPREAD_MM, STABLE_SHOTS, Stability, stability as stability_of};
use backwall_units::{Decibel, Length, Temperature, Time};
use std::collections::VecDeque;
use std::sync::Arc;

/// Shots kept of a block: more than enough for its mean, few enough to have been taken in one hold.
pub const KEEP_SHOTS: usize = 4 * STABLE_SHOTS;

#[derive(Debug, thiserror::Error)]
pub enum BlockError {
    #[error("{stream} brought no shots with a waveform: a block can be measured on waveforms only")]
    NoShots { stream: String },
    #[error(
        "{stream} was not stable: of the last {STABLE_SHOTS} shots {readings} had an echo, with a spread of {spread:.3} mm; \
         hold the probe still on the block, look at coupling and gain, and measure again{hint}"
    )]
    NotStable { stream: String, readings: usize, spread: f64, hint: String },
    #[error("{stream}: {why}")]
    DoesNotFit { stream: String, why: CalibrationError },
    #[error("{stream} changed its time base while the block was measured: measure it again")]
    TimeBaseChanged { stream: String },
}

/// What was taken on one block.
#[derive(Debug, Clone)]
pub struct BlockShots {
    pub base: TimeBase,
    pub shots: Vec<Arc<[i16]>>,
    /// Their gain, where the stream tells one and it was the same for all.
    pub gain: Option<Decibel>,
    pub stability: Stability,
    /// Surface temperature, where the stream tells one.
    pub temperature: Option<Temperature>,
    /// Lowest noise behind the filter, percent of full screen height; on a block to calibrate on.
    pub noise_pct: Option<f64>,
    pub record_end: Time,
}

/// What an operator sees while the probe settles.
#[derive(Debug, Clone)]
pub struct BlockProgress {
    pub waveform: Waveform,
    pub measurement: Measurement,
    pub stability: Stability,
    pub shots: usize,
}

/// Takes shots until they are stable and enough.
pub struct BlockCollector {
    setup: Setup,
    evaluator: Option<Evaluator>,
    /// Thickness of the block to calibrate on, and what looks for its echo.
    block: Option<Length>,
    sight: Option<BlockSight>,
    seen: VecDeque<BlockSeen>,
    wall: Temperature,
    temperature: Option<Temperature>,
    readings: VecDeque<Option<Length>>,
    shots: VecDeque<Arc<[i16]>>,
    gains: VecDeque<Option<Decibel>>,
    changed: bool,
}

impl BlockCollector {
    /// For a wall, or a block to verify on.
    pub fn new(setup: &Setup) -> Self {
        Self {
            evaluator: None,
            block: None,
            sight: None,
            seen: VecDeque::new(),
            setup: setup.clone(),
            wall: setup.block_temperature,
            temperature: None,
            readings: VecDeque::new(),
            shots: VecDeque::new(),
            gains: VecDeque::new(),
            changed: false,
        }
    }

    /// For a block of known thickness to calibrate on.
    pub fn on_block(setup: &Setup, thickness: Length) -> Self {
        Self { block: Some(thickness), ..Self::new(setup) }
    }

    /// Takes a record; progress when it was a shot.
    pub fn take(&mut self, record: Record) -> Result<Option<BlockProgress>, SetupError> {
        match record {
            Record::Header(header) if self.evaluator.as_ref().is_none_or(|known| known.base() != header.base) => {
                self.changed |= !self.shots.is_empty();
                self.evaluator = Some(Evaluator::new(&self.setup, header.base)?);
                self.sight = self.block.map(|thickness| BlockSight::new(&self.setup, header.base, thickness)).transpose()?;
            }
            Record::Status(status) => {
                if let Some(temperature) = status.surface_temperature {
                    (self.wall, self.temperature) = (temperature, Some(temperature));
                }
            }
            Record::Shot(shot) => {
                let Some(evaluator) = &mut self.evaluator else { return Ok(None) };
                let mut measurement = evaluator.measure_at(&shot.samples, self.wall, told(shot.gain));
                let waveform = Waveform { base: evaluator.base(), samples: shot.samples.clone() };
                self.readings.push_back(measurement.thickness);
                self.seen.extend(self.sight.as_mut().map(|sight| sight.look(&shot.samples)));
                self.shots.push_back(shot.samples);
                self.gains.push_back(told(shot.gain));
                if self.shots.len() > KEEP_SHOTS {
                    self.shots.pop_front();
                    self.readings.pop_front();
                    self.gains.pop_front();
                    self.seen.pop_front();
                }
                if let Some(sight) = &self.sight {
                    let own = sight.own_echoes(self.last_seen()).last().copied().flatten();
                    measurement.echo_time = own.map(|echo| echo.time);
                    measurement.thickness = own.map(|echo| echo.reading);
                    measurement.height_pct = own.map(|echo| echo.height_pct);
                }
                return Ok(Some(BlockProgress { waveform, measurement, stability: self.stability(), shots: self.shots.len() }));
            }
            Record::Header(_) | Record::Gauge(_) => {}
        }
        Ok(None)
    }

    /// Surface temperature, where the stream has told one.
    pub fn temperature(&self) -> Option<Temperature> {
        self.temperature
    }

    pub fn stability(&self) -> Stability {
        self.steadiness(self.shots.len())
    }

    fn last_seen(&self) -> impl Iterator<Item = &BlockSeen> + Clone {
        self.seen.iter().skip(self.seen.len().saturating_sub(STABLE_SHOTS))
    }

    /// How still the probe was over the last of the first `upto` shots.
    fn steadiness(&self, upto: usize) -> Stability {
        let from = upto.saturating_sub(STABLE_SHOTS);
        let readings: Vec<_> = match &self.sight {
            Some(sight) => {
                let echoes = sight.own_echoes(self.seen.iter().take(upto).skip(from));
                echoes.into_iter().map(|echo| echo.map(|echo| echo.reading)).collect()
            }
            None => self.readings.iter().copied().take(upto).skip(from).collect(),
        };
        stability_of(&readings)
    }

    /// Whether there are as many shots as are kept, and the last of them are stable.
    pub fn is_done(&self) -> bool {
        self.shots.len() >= KEEP_SHOTS && self.stability().stable
    }

    /// What was taken, if it is stable. `stream` stands for the source in messages.
    pub fn finish(&self, stream: &str) -> Result<BlockShots, BlockError> {
        let stream = || stream.to_owned();
        let Some(evaluator) = &self.evaluator else { return Err(BlockError::NoShots { stream: stream() }) };
        if self.shots.is_empty() {
            return Err(BlockError::NoShots { stream: stream() });
        }
        if self.changed {
            return Err(BlockError::TimeBaseChanged { stream: stream() });
        }
        if let (Some(sight), Some(seen)) = (&self.sight, self.seen.back()) {
            sight.fits(seen).map_err(|why| BlockError::DoesNotFit { stream: stream(), why })?;
        }
        let stability = self.stability();
        if !stability.stable {
            let (readings, spread) = (stability.readings, stability.spread.as_mm());
            return Err(BlockError::NotStable { stream: stream(), readings, spread, hint: self.hint() });
        }
        // Those before the last may be from before the probe settled: they count only if they are as steady.
        let earlier = self.steadiness(self.shots.len().saturating_sub(STABLE_SHOTS));
        let stable = STABLE_SHOTS + if still(&earlier, &stability) { STABLE_SHOTS } else { 0 };
        let settled = self.shots.len().saturating_sub(stable);
        let shots = self.shots.iter().skip(settled).cloned().collect();
        let gain = self.gains.back().copied().flatten().filter(|last| self.gains.iter().skip(settled).all(|gain| *gain == Some(*last)));
        let noise_pct = self.seen.iter().skip(settled).map(|seen| seen.noise_pct).reduce(f64::min);
        let record_end = evaluator.base().end(self.shots.iter().map(|shot| shot.len()).max().unwrap_or(0));
        Ok(BlockShots { gain, base: evaluator.base(), shots, stability, temperature: self.temperature, noise_pct, record_end })
    }

    /// Another block under the probe shows in what the typed values read.
    fn hint(&self) -> String {
        let readings: Vec<_> = self.readings.iter().copied().collect();
        let typed = stability_of(&readings);
        match (self.block, typed.mean.filter(|_| typed.stable)) {
            (Some(block), Some(mean)) => {
                format!("; the typed values read {:.2} mm: is it the {:.3} mm block?", mean.as_mm(), block.as_mm())
            }
            _ => String::new(),
        }
    }
}

/// Whether the probe was still from one stretch of shots to the next.
fn still(before: &Stability, after: &Stability) -> bool {
    let moved = before.mean.zip(after.mean).map(|(before, after)| (after - before).abs());
    before.stable && after.stable && moved.is_some_and(|moved| moved.as_mm() <= MOST_SPREAD_MM)
}
