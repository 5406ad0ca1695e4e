//! What a scan could not have seen: the virtual crawler drives over caps of many widths and depths with the run's own pulse, noise,
//! beam and shot spacing, and the program's own eyes say which of them they find. A screening figure of a model, no probability of
//! detection: no published curve exists for pits under dual-element probes.

use backwall_report::unseen::{Unseen, UnseenCell};
use backwall_simulate::wall::{DrivenLine, VirtualPit};
use backwall_simulate::{Shooter, VirtualWall};
use backwall_survey::neighbours::{Judgement, Kind, Neighbour, Neighbours, Stretch};
use backwall_survey::reading::{Measurer, ReadingMaker, Shot};
use backwall_survey::strip::{AlarmSettings, Limits, Section};
use backwall_survey::travel::{Direction, Odometer, Path};
use backwall_ultrasound::{Block, CalibrationInput, Flag, Measurement, Mode, Quality, Setup, TimeBase, calibrate};
use backwall_units::{Decibel, Length, Temperature};
use std::sync::Arc;

/// Caps of these widths and depths, the depths in mm and as parts of the wall.
const WIDTHS_MM: [f64; 6] = [4.0, 6.0, 8.0, 10.0, 14.0, 20.0];
const DEPTHS_MM: [f64; 3] = [1.0, 2.0, 3.0];
const DEPTHS_PART: [f64; 2] = [0.4, 0.6];
/// Drives over each cap.
const DRIVES: u32 = 40;
/// The line passes this near the middle of the cap at most.
const BESIDE: Length = Length::mm(2.0);
/// A find counts this near the middle.
const NEAR: Length = Length::mm(3.0);
/// Sound wall before and behind, shots and mm at least.
const RUN_UP: (f64, f64) = (10.0, 8.0);

/// What of a run the model needs.
pub struct UnseenConditions {
    pub setup: Setup,
    pub base: TimeBase,
    pub samples: u16,
    pub nominal: Length,
    pub limits: Limits,
    pub alarm: AlarmSettings,
    /// From shot to shot along the line.
    pub spacing: Length,
    /// Of the run's readings behind the filter, middle.
    pub snr: Decibel,
    /// Of the beam, where the plan says it.
    pub beam_width: Option<Length>,
}

/// The table, row by row of one depth; `None` where the run cannot be modelled: no calibration, or no waveforms. `go_on` is told how many drives
/// are done and of how many, and ends the work (the answer is then `None` too) by answering `false`.
pub fn unseen(of: &UnseenConditions, go_on: &mut dyn FnMut(u64, u64) -> bool) -> Option<Unseen> {
    let calibration = of.setup.calibration.as_ref()?;
    let mut wall = virtual_wall(of, calibration);
    // The model's noise is set so that its readings have the run's own signal to noise.
    let first = World::new(of, &wall)?;
    let shift = of.snr.as_db() - first.snr?.as_db();
    wall.noise.snr = Decibel::db((wall.noise.snr.as_db() + shift).clamp(6.0, 60.0));
    wall.noise.grain = Decibel::db(-wall.noise.snr.as_db());
    let mut world = World::new(of, &wall)?;
    let depths = DEPTHS_MM.iter().copied().chain(DEPTHS_PART.iter().map(|part| part * of.nominal.as_mm()));
    let mut depths: Vec<f64> = depths.filter(|depth| *depth <= 0.6 * of.nominal.as_mm() + 1e-9).collect();
    depths.sort_by(f64::total_cmp);
    let mut cells = Vec::new();
    let all = (depths.len() * WIDTHS_MM.len()) as u64 * u64::from(DRIVES);
    let mut done = 0;
    for depth in depths {
        for width in WIDTHS_MM {
            let mut found = 0;
            for drive in 0..DRIVES {
                if !go_on(done, all) {
                    return None;
                }
                found += u32::from(world.finds(of, width, depth, drive));
                done += 1;
            }
            let (from, to) = wilson(found, DRIVES);
            cells.push(UnseenCell { width: Length::mm(width), depth: Length::mm(depth), drives: DRIVES, found, from, to });
        }
    }
    Some(Unseen { nominal: of.nominal, spacing: of.spacing, snr_db: of.snr.as_db(), beam: wall.probe.beam * FWHM, cells })
}

/// Full width at half height of a Gaussian over its standard deviation.
const FWHM: f64 = 2.3548;
/// The gain of the model's receiver, told with every shot.
const GAIN_DB: f64 = 40.0;

fn virtual_wall(of: &UnseenConditions, calibration: &backwall_ultrasound::Calibration) -> VirtualWall {
    let mut wall = VirtualWall { name: "unseen".to_owned(), ..VirtualWall::default() };
    let reference = of.setup.reference_temperature();
    wall.steel.velocity = of.setup.velocity_at(reference);
    (wall.steel.temperature, wall.steel.block_temperature) = (reference, reference);
    wall.probe.frequency = of.setup.frequency;
    wall.probe.bandwidth = bandwidth(calibration, of.setup.frequency.as_hz());
    wall.probe.half_separation = calibration.half_separation;
    if let Some(width) = of.beam_width {
        wall.probe.beam = width / FWHM;
    }
    (wall.receiver.rate, wall.receiver.bits, wall.receiver.samples) = (of.base.rate, of.base.bits, of.samples);
    // The tyre of the model has its own delay: the record begins as long before its face as the run's does.
    let lead = calibration.zero - of.base.first;
    wall.receiver.first = wall.zero(reference) - lead;
    wall.receiver.gain = Decibel::db(GAIN_DB);
    wall
}

/// Relative -6 dB bandwidth of the pulse the blocks showed.
fn bandwidth(calibration: &backwall_ultrasound::Calibration, frequency: f64) -> f64 {
    let height = |hertz: f64| {
        let (re, im) = calibration.pulse.spectrum(hertz);
        libm::hypot(re, im)
    };
    let steps: Vec<f64> = (20..=180).map(|step| f64::from(step) / 100.0 * frequency).collect();
    let top = steps.iter().map(|hertz| height(*hertz)).fold(0.0, f64::max);
    let inside: Vec<f64> = steps.into_iter().filter(|hertz| height(*hertz) >= 0.5 * top).collect();
    match (inside.first(), inside.last()) {
        (Some(low), Some(high)) if high > low => ((high - low) / frequency).clamp(0.2, 1.2),
        _ => 0.6,
    }
}

/// The virtual probe, calibrated on virtual blocks.
struct World {
    shooter: Shooter,
    setup: Setup,
    measurer: Measurer,
    /// Of readings on a sound wall.
    snr: Option<Decibel>,
}

impl World {
    fn new(of: &UnseenConditions, wall: &VirtualWall) -> Option<Self> {
        let calibration = of.setup.calibration.as_ref()?;
        let mut shooter = Shooter::new(wall, 20_260_101);
        let base = shooter.base();
        let reference = wall.steel.temperature;
        let moved = wall.zero(reference) - calibration.zero;
        let mut typed =
            Setup { calibration: None, zero: wall.zero(reference), half_separation: wall.probe.half_separation, ..of.setup.clone() };
        typed.velocity = wall.steel.velocity;
        typed.gate.start = of.setup.gate.start + moved;
        typed.mode = Mode::FirstEcho;
        let gain = Some(shooter.gain());
        let blocks: Vec<Block> = calibration
            .points
            .iter()
            .map(|point| Block {
                thickness: point.thickness,
                temperature: reference,
                shots: (0..24).map(|_| Arc::from(shooter.block(point.thickness))).collect(),
                gain,
            })
            .collect();
        let found = calibrate(&CalibrationInput { setup: &typed, base, blocks: &blocks, fit_velocity: false }).ok()?;
        let setup = typed.with_calibration(Arc::new(found));
        let mut measurer = Measurer::new(setup.clone());
        measurer.set_time_base(base).ok()?;
        let mut snr: Vec<f64> = (0..40)
            .filter_map(|_| measurer.measure(&shooter.block(of.nominal), reference, shooter.gain()).alone.snr)
            .map(Decibel::as_db)
            .collect();
        snr.sort_by(f64::total_cmp);
        Some(Self { snr: snr.get(snr.len() / 2).map(|db| Decibel::db(*db)), shooter, setup, measurer })
    }

    /// Whether one drive over a cap leaves a spot, a stretch that is judged, or a reading that shows the loss, near its middle.
    fn finds(&mut self, of: &UnseenConditions, width: f64, depth: f64, drive: u32) -> bool {
        let spacing = of.spacing.as_mm().max(0.05);
        // Evenly over where the shots fall and over where the line passes (a lattice in two dimensions, golden ratio).
        let part = f64::from(drive) / f64::from(DRIVES);
        let golden = (f64::from(drive) * 0.618_033_988_75).fract();
        let run_up = (RUN_UP.0 * spacing).max(RUN_UP.1);
        let middle = run_up + width / 2.0 + part * spacing;
        let offset = BESIDE * (2.0 * golden - 1.0);
        let pit = VirtualPit { at: Length::mm(middle), offset, radius: Length::mm(width / 2.0), depth: Length::mm(depth) };
        let line = DrivenLine { pits: vec![pit], ..DrivenLine::flat(of.nominal) };
        let mut sections = self.shooter.sections(&line);
        let end = middle + width / 2.0 + run_up;
        let counts = 100.0 / spacing.min(1.0);
        let path = Path {
            counts_per_mm: counts,
            start: Length::ZERO,
            offset: Length::ZERO,
            length: Length::mm(end + 10.0),
            direction: Direction::Up,
            across_course: None,
            max_speed: None,
            across_counts_per_mm: None,
            across_jump: None,
            across_start: Length::ZERO,
            track: Length::ZERO,
            courses: vec![(1, Length::ZERO, Length::mm(end + 10.0))],
        };
        let Ok(odometer) = Odometer::new(path) else { return false };
        let reference: Temperature = self.setup.reference_temperature();
        let mut maker = ReadingMaker::new(self.setup.clone(), odometer, of.limits.clone(), reference);
        let mut section = Section::new(of.alarm);
        let mut neighbours = Neighbours::default();
        let (mut judged, mut shown) = (Vec::new(), Vec::new());
        let shots = (end / spacing).ceil() as u32;
        for seq in 0..shots {
            let along = Length::mm(f64::from(seq) * spacing);
            let samples: Arc<[i16]> = self.shooter.at(&mut sections, along).into();
            let measured = self.measurer.measure(&samples, reference, self.shooter.gain());
            let encoder = Some((along.as_mm() * counts).round() as i32);
            let shot = Shot { seq, device_time_us: None, encoder, across: None, gain: self.shooter.gain(), samples };
            let reading = maker.measured(&shot, &measured, 0);
            section.push(&reading, &of.limits);
            if (along - Length::mm(middle)).abs() <= NEAR && shows(&reading.measurement, of.nominal, Length::mm(depth)) {
                shown.push(u64::from(seq));
            }
            if let Some(neighbour) = Neighbour::new(u64::from(seq), &reading, &measured.sight) {
                judged.extend(take_back(&mut section, neighbours.push(neighbour)));
            }
        }
        judged.extend(take_back(&mut section, neighbours.end()));
        // What stands alone is no find.
        shown.retain(|row| !judged.iter().any(|found: &Judgement| found.flags.has(Flag::Alone) && found.rows.0 == *row));
        let stretches: Vec<Stretch> = judged.iter().filter_map(|judgement| judgement.stretch).collect();
        let middle = Length::mm(middle);
        let near = |edges: (Length, Length)| edges.0 - NEAR <= middle && edges.1 + NEAR >= middle;
        !shown.is_empty()
            || section.spots.spots().iter().filter_map(|spot| spot.edges).any(near)
            || stretches
                .iter()
                .filter(|stretch| stretch.kind != Kind::Unproven || stretch.depth.is_some())
                .any(|stretch| near(stretch.edges))
    }
}

/// What proves to stand alone leads no spot, as in a run; rows are shots here.
fn take_back(section: &mut Section, judged: Vec<Judgement>) -> Vec<Judgement> {
    for judgement in judged.iter().filter(|judgement| judgement.flags.has(Flag::Alone)) {
        section.withdraw(judgement.rows.0 as u32);
        section.spots.take_back();
    }
    judged
}

/// Whether a reading says of a wall that it has lost about what a cap takes: no less than half, more than its U, and no more than the
/// cap's whole depth and U (a wrong echo is no find).
fn shows(read: &Measurement, nominal: Length, depth: Length) -> bool {
    let (Some(thickness), Some(u)) = (read.thickness, read.uncertainty) else { return false };
    let (lost, u) = (nominal - thickness, u * 2.0);
    read.quality > Quality::Poor && lost >= (depth * 0.5).max(u) && lost <= depth + u
}

/// Wilson's score interval at 95 %.
fn wilson(found: u32, of: u32) -> (f64, f64) {
    const Z: f64 = 1.959_964;
    let (n, p) = (f64::from(of), f64::from(found) / f64::from(of));
    let middle = (p + Z * Z / (2.0 * n)) / (1.0 + Z * Z / n);
    let half = Z / (1.0 + Z * Z / n) * libm::sqrt(p * (1.0 - p) / n + Z * Z / (4.0 * n * n));
    ((middle - half).max(0.0), (middle + half).min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    // statsmodels.stats.proportion.proportion_confint(45, 60, method="wilson") is 0.628 to 0.842; 180 of 200: 0.851 to 0.934.
    #[test]
    fn the_interval_is_wilsons() {
        for (found, of, from, to) in [(45, 60, 0.628, 0.842), (180, 200, 0.851, 0.934)] {
            let (low, high) = wilson(found, of);
            assert!((low - from).abs() < 6e-4 && (high - to).abs() < 6e-4, "{low} {high}");
        }
    }
}
