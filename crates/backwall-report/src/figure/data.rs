//! What figures need of a job, read once: the wall of a run or of a line, and the words that must stand with it.

use super::Figure;
use super::map::{self as sheet, MapFigure};
use super::strip::{self, HandMark, StripFigure};
use super::waveform::{self, WaveformFigure};
use crate::readings::ReadingsOf;
use crate::whole_file::{Stopped, Tick};
use crate::words::{adopted, count};
use backwall_store::{JobContents, JobReader, Mark, RunSummary, StoreError};
use backwall_survey::job::Plan;
use backwall_survey::job::force::Entered;
use backwall_survey::job::hand::HandReading;
use backwall_survey::job::validity::Validity;
use backwall_survey::job::wall::ASSUMED_BEAM;
use backwall_survey::reading::Reading;
use backwall_survey::strip::map::{self, CourseSpan, WallMap};
use backwall_survey::strip::{AlarmSettings, Section, Spot, Strip};
use backwall_ultrasound::{Setup, Waveform};
use backwall_units::{Length, LengthUnit};
use std::collections::BTreeMap;

#[derive(Debug, thiserror::Error)]
pub enum DataError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// The width a reading speaks for, and whether the plan says so.
pub fn beam(plan: &Plan) -> (Length, bool) {
    (plan.probe.beam_width.unwrap_or(ASSUMED_BEAM), plan.probe.beam_width.is_some())
}

/// A run's wall and everything marked on it.
pub struct RunWall {
    pub strip: Strip,
    pub marks: Vec<Mark>,
    pub spots: Vec<Spot>,
    pub readings: u64,
    pub no_echo: u64,
}

impl RunWall {
    pub fn read(reader: &JobReader, source: ReadingsOf<'_>, alarm: AlarmSettings, tick: &mut Tick<'_>) -> Result<Self, DataError> {
        let run = source.run();
        let mut section = Section::new(alarm);
        source.for_each(reader, (0, run.readings), tick, |_, reading| {
            section.push(&reading, &run.start.limits);
            Ok::<(), DataError>(())
        })?;
        let spots = match source {
            ReadingsOf::Run(_) => reader.spots(run.id)?,
            // The stored spots are those of the run's own readings; an evaluation's are found again.
            ReadingsOf::Evaluation(..) => section.spots.spots().to_vec(),
        };
        let (readings, no_echo) = (section.readings(), section.no_echo());
        Ok(Self { strip: section.strip, marks: reader.marks(run.id)?, spots, readings, no_echo })
    }
}

/// What must be read with every picture of a run.
pub fn caution(run: &RunSummary, validity: &Validity, unit: LengthUnit) -> String {
    let calibration = match validity {
        Validity::Valid => "calibration valid".to_owned(),
        Validity::Pending(why) => format!("CALIBRATION PENDING: {why}"),
        Validity::Suspect(why) => format!("CALIBRATION SUSPECT: {}", why.words(unit)),
    };
    let overridden = run.start.checklist_override.as_ref().map_or_else(String::new, |why| format!("; checklist overridden: {why}"));
    format!("{calibration}{overridden}")
}

/// That the readings which count are not the run's own; nothing where they are.
fn adoption_words(job: &JobContents, run: &RunSummary, unit: LengthUnit) -> String {
    job.adopted(run.id).map_or_else(String::new, |(evaluation, adoption)| format!("{}; ", adopted(job, evaluation, adoption, unit)))
}

/// The same for a source: that it is an evaluation, and how it differs, must be read too.
pub fn caution_of(job: &JobContents, source: ReadingsOf<'_>, unit: LengthUnit) -> String {
    match source {
        ReadingsOf::Run(run) => format!("{}{}", adoption_words(job, run, unit), caution(run, &job.validity(run), unit)),
        ReadingsOf::Evaluation(evaluation, run) => {
            let (id, differs) = (evaluation.id, job.differs(&evaluation.start, unit));
            format!("as evaluation {id} has it ({differs}); {}", caution(run, &job.validity_of(evaluation), unit))
        }
    }
}

/// The stretch a strip of the run shows: what was planned and what was driven.
pub fn stretch(run: &RunSummary, strip: &Strip) -> (Length, Length) {
    let planned = run.start.path.span();
    strip.extent().map_or(planned, |(from, to)| (planned.0.min(from), planned.1.max(to)))
}

/// The strip of a run between two places, over an earlier survey of the line where there is one to show.
pub fn strip_figure(
    job: &JobContents,
    run: &RunSummary,
    validity: &Validity,
    wall: &RunWall,
    stretch: (Length, Length),
    unit: LengthUnit,
    earlier: Option<(&Strip, String)>,
) -> Figure {
    let caution = format!("{}{}", adoption_words(job, run, unit), caution(run, validity, unit));
    strip_with(job, run, &caution, (wall, earlier), stretch, unit)
}

/// The strip of a run, or of a run as an evaluation has it.
pub fn strip_figure_of(job: &JobContents, source: ReadingsOf<'_>, wall: &RunWall, stretch: (Length, Length), unit: LengthUnit) -> Figure {
    strip_with(job, source.run(), &caution_of(job, source, unit), (wall, None), stretch, unit)
}

/// What was read of all: also of a run that is still being recorded, or was evaluated again.
fn subtitle(job: &str, wall: &RunWall, caution: &str) -> String {
    let unplaced = match wall.strip.unplaced() {
        0 => String::new(),
        count => format!(", {count} without a place and so not drawn"),
    };
    format!("Job {job}, {} readings, {} without an echo{unplaced}; {caution}.", wall.readings, wall.no_echo)
}

fn strip_with(
    job: &JobContents,
    run: &RunSummary,
    caution: &str,
    (wall, earlier): (&RunWall, Option<(&Strip, String)>),
    (from, to): (Length, Length),
    unit: LengthUnit,
) -> Figure {
    let (start, plan) = (&run.start, &job.plan);
    let spans: Vec<CourseSpan> = map::course_spans(&start.path, &start.limits, from, to);
    let seams = plan.line(&start.line).map_or_else(Vec::new, |line| plan.seams(line));
    let place = |length| format!("{} {}", unit.place(length), unit.place_symbol());
    let (width, height) = strip::paper(start.path.direction);
    strip::draw(&StripFigure {
        title: format!(
            "{}, line {}, {}, run {}: {} to {}",
            plan.asset.name,
            start.line,
            start.path.direction.word(),
            run.id,
            place(from),
            place(to)
        ),
        subtitle: subtitle(&plan.job.number, wall, caution),
        direction: start.path.direction,
        unit,
        from,
        to,
        strip: &wall.strip,
        earlier,
        spans: &spans,
        seams: &seams,
        marks: &wall.marks,
        spots: &wall.spots,
        hand: &hand_marks(job, &start.line),
        beam: beam(plan).0,
        max_gap: plan.limits.max_gap,
        width,
        height,
    })
}

/// What was read by hand on a line.
pub fn hand_marks(job: &JobContents, line: &str) -> Vec<HandMark> {
    let mark = |(entered, along): (&Entered<HandReading>, Length)| {
        let proof = entered.what.proof.as_ref();
        let words = proof.map_or_else(String::new, |proof| format!(", spot {} {}", proof.spot, proof.word()));
        Some(HandMark { along, thickness: entered.what.mean()?, words })
    };
    job.force.hand_on(line).filter_map(mark).collect()
}

/// All lines of the job on the unrolled wall, everything read in any of their runs.
pub fn wall_map(reader: &JobReader, job: &JobContents, tick: &mut Tick<'_>) -> Result<WallMap, DataError> {
    let of = job.runs.iter().map(|run| run.readings).sum();
    let (mut done, mut failed) = (0, None);
    let map = job.plan.wall_map(|line| {
        let mut strips = BTreeMap::<i32, Strip>::new();
        for run in job.runs.iter().filter(|run| run.start.line == line) {
            if failed.is_none() {
                let read = ReadingsOf::Run(run).for_each(reader, (done, of), tick, |_, reading| {
                    let stripe = job.plan.stripe(reading.place.across.map(|across| across.at));
                    strips.entry(stripe).or_default().push(reading.place.along, reading.measurement.thickness, reading.level);
                    Ok::<(), DataError>(())
                });
                match read {
                    Ok(count) => done += count,
                    Err(error) => failed = Some(error),
                }
            }
        }
        strips
    });
    failed.map_or(Ok(map), Err)
}

/// What must be read with the numbers of a whole job: its calibrations, the worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum CalibrationDoubt {
    None,
    Pending,
    Suspect,
}

/// The calibrations of all that was read: the worst of them, and words for one line.
pub fn calibrations(job: &JobContents) -> (CalibrationDoubt, String) {
    let read = || job.runs.iter().filter(|run| run.readings > 0);
    let runs = read().count();
    let (mut suspect, mut pending) = (Vec::new(), Vec::new());
    for run in read() {
        match job.validity(run) {
            Validity::Suspect(_) => suspect.push(run.id.to_string()),
            Validity::Pending(_) => pending.push(run.id.to_string()),
            Validity::Valid => {}
        }
    }
    let worst = match (suspect.is_empty(), pending.is_empty()) {
        (false, _) => CalibrationDoubt::Suspect,
        (true, false) => CalibrationDoubt::Pending,
        (true, true) => CalibrationDoubt::None,
    };
    let doubtful: Vec<_> = [("SUSPECT", suspect), ("PENDING", pending)]
        .into_iter()
        .filter(|(_, runs)| !runs.is_empty())
        .map(|(word, runs)| format!("CALIBRATION {word} of {}", crate::words::runs(&runs)))
        .collect();
    let words = match (doubtful.is_empty(), runs) {
        (_, 0) => "nothing was read".to_owned(),
        (true, _) => "all calibrations valid".to_owned(),
        (false, _) => doubtful.join("; "),
    };
    (worst, words)
}

/// The picture of [`wall_map`].
pub fn map_figure(job: &JobContents, map: &WallMap, unit: LengthUnit, (width, height): (f64, f64)) -> Figure {
    let plan = &job.plan;
    let seams: Vec<Length> = plan.course_edges().iter().skip(1).map(|(_, bottom, _)| *bottom).collect();
    let runs = count(job.runs.iter().filter(|run| run.readings > 0).count() as u64, "run");
    let (_, calibration) = calibrations(job);
    let hand: Vec<_> = job.force.hand.iter().filter_map(|entered| entered.what.on_wall(plan)).collect();
    sheet::draw(&MapFigure {
        title: format!("{}: unrolled map of the {}", plan.asset.name, plan.asset.kind.word()),
        subtitle: format!(
            "Job {}, {}, {runs}; {calibration}. Datum: {}.",
            plan.job.number,
            crate::words::count(plan.lines.len() as u64, "line"),
            plan.asset.datum
        ),
        unit,
        map,
        beam_known: beam(plan).1,
        seams: &seams,
        hand: &hand,
        width,
        height,
    })
}

/// The picture of one shot. `setup` is the set-up that read it, `caution` the words of [`caution`] or [`caution_of`].
pub fn waveform_figure(
    job: &JobContents,
    run: &RunSummary,
    (setup, caution): (&Setup, &str),
    (reading, waveform): (&Reading, &Waveform),
    unit: LengthUnit,
) -> Figure {
    let (width, height) = waveform::PAPER;
    let place =
        reading.place.along.map_or_else(|| "place not known".to_owned(), |at| format!("{} {}", unit.place(at), unit.place_symbol()));
    waveform::draw(&WaveformFigure {
        title: format!("{}, line {}, run {}: shot {} at {place}", job.plan.asset.name, run.start.line, run.id, reading.seq),
        subtitle: format!("Job {}, {}, {}, {}; {}.", job.plan.job.number, setup.picker, setup.mode, reading.level, caution),
        unit,
        waveform,
        gate: setup.gate,
        measurement: &reading.measurement,
        width,
        height,
    })
}
