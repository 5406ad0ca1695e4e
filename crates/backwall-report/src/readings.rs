//! The tables that can be exported: readings and spots, each column once.

use super::table::{Column, Kind, Value, fixed, whole};
use super::whole_file::{Stopped, Tick};
use backwall_store::{Cursor, EvaluationId, EvaluationSummary, JobContents, JobReader, RunSummary, StoreError};
use backwall_survey::job::hand::Proven;
use backwall_survey::job::{Plan, Zone};
use backwall_survey::neighbours::{self, Judgement};
use backwall_survey::reading::Reading;
use backwall_survey::strip::{Level, Spot};
use backwall_survey::travel::Place;
use backwall_ultrasound::Setup;
use backwall_units::{Decibel, Length, LengthUnit, Speed, Temperature, Time};

/// A reading with what a table of many runs needs to know beside it.
pub struct ReadingRow<'a> {
    pub run: &'a RunSummary,
    pub calibration: &'static str,
    pub reading: Reading,
    /// What its neighbours take the stretch for that it lies in.
    pub kind: Option<neighbours::Kind>,
    /// The evaluation it was read from; nothing for the run's own.
    pub evaluation: Option<EvaluationId>,
    /// The set-up it was made with, by its number in the job; of an evaluation the one that was begun from.
    pub setup: Option<i64>,
    /// The site's clock.
    pub zone: Zone,
    pub plan: &'a Plan,
}

impl ReadingRow<'_> {
    fn on_wall(&self) -> Option<(f64, Length)> {
        let Place { along, across, .. } = self.reading.place;
        self.plan.beside(&self.run.start.line, along?, across.map_or(Length::ZERO, |across| across.at))
    }
}

/// The site's day.
fn day<'a>(at_us: i64, zone: Zone) -> Value<'a> {
    super::words::day(at_us, zone).map_or(Value::None, |day| Value::from(day.to_string()))
}
fn degrees<'a>(degrees: Option<f64>) -> Value<'a> {
    fixed(degrees.filter(|degrees| degrees.is_finite()).map(|degrees| (degrees * 1e3).round() as i64))
}

const fn column<R>(
    name: &'static str,
    kind: Kind,
    unit: &'static str,
    about: &'static str,
    of: for<'r> fn(&'r R) -> Value<'r>,
) -> Column<R> {
    Column { name, kind, unit, about, of }
}

fn micrometres<'a>(length: Option<Length>) -> Value<'a> {
    fixed(length.map(Length::as_micrometres))
}
fn nanometres<'a>(length: Option<Length>) -> Value<'a> {
    fixed(length.map(Length::as_nanometres))
}
fn decibels<'a>(level: Option<Decibel>) -> Value<'a> {
    fixed(level.filter(|level| level.is_finite()).map(Decibel::as_hundredths))
}
fn level_word<'a>(level: Level) -> Value<'a> {
    if level == Level::Unjudged { Value::None } else { Value::from(level.word()) }
}

/// The first fifteen never change; others are only ever added behind them.
pub fn reading_columns<'a>() -> Vec<Column<ReadingRow<'a>>> {
    use Kind::{Fixed, Text, Time as Instant, Whole};
    vec![
        column("run", Whole, "", "number of the run in its job", |row| whole(Some(row.run.id))),
        column("seq", Whole, "", "the device's sequence number of the shot", |row| whole(Some(row.reading.seq))),
        column("device_time_us", Whole, "us", "the device's clock", |row| whole(row.reading.device_time_us)),
        column("host_time", Instant, "UTC", "when the bytes arrived", |row| Value::Time(row.reading.host_time_us)),
        column("line", Text, "", "the planned line", |row| Value::from(row.run.start.line.as_str())),
        column("position_mm", Fixed(3), "mm", "place along the line, above or from its datum", |row| micrometres(row.reading.place.along)),
        column("course", Whole, "", "shell course of the place", |row| whole(row.reading.place.course)),
        column("echo_time_ns", Fixed(3), "ns", "arrival of the back-wall echo after the transmit pulse", |row| {
            fixed(row.reading.measurement.echo_time.map(Time::as_picoseconds))
        }),
        column("thickness_mm", Fixed(6), "mm", "wall thickness; empty where no echo can be trusted", |row| {
            nanometres(row.reading.measurement.thickness)
        }),
        column("uncertainty_k2_mm", Fixed(6), "mm", "expanded uncertainty of the thickness, k = 2", |row| {
            nanometres(row.reading.measurement.uncertainty.map(expanded))
        }),
        column("height_pct", Fixed(2), "%", "echo height in full screen height", |row| {
            fixed(row.reading.measurement.height_pct.map(|height| (height * 100.0).round() as i64))
        }),
        column("snr_db", Fixed(2), "dB", "echo over noise", |row| decibels(row.reading.measurement.snr)),
        column("quality", Text, "", "none, poor, fair or good", |row| Value::from(row.reading.measurement.quality.to_string())),
        column("flags", Text, "", "what is worth knowing about the measurement, words separated by spaces", |row| {
            Value::from(row.reading.measurement.flags.to_string())
        }),
        column("level", Text, "", "CLEAR, WATCH, THIN or NO ECHO against the limits of the course", |row| level_word(row.reading.level)),
        column("gain_db", Fixed(2), "dB", "receiver gain", |row| decibels(Some(row.reading.gain))),
        column("wall_temperature_c", Fixed(3), "degC", "wall temperature the velocity was taken at", |row| {
            fixed(Some(row.reading.wall_temperature).filter(|t| t.is_finite()).map(Temperature::as_millidegrees))
        }),
        column("speed_mm_s", Fixed(3), "mm/s", "speed in the line's direction", |row| {
            fixed(row.reading.place.speed.map(Speed::as_micrometres_s))
        }),
        column("calibration", Text, "", "valid, pending or suspect, by the verifications so far", |row| Value::from(row.calibration)),
        column("coating_mm", Fixed(6), "mm", "coating found by echo to echo; empty where none is found", |row| {
            nanometres(row.reading.measurement.coating.map(|coating| coating.thickness))
        }),
        column("coating_uncertainty_k2_mm", Fixed(6), "mm", "expanded uncertainty of the coating, k = 2", |row| {
            nanometres(row.reading.measurement.coating.map(|coating| expanded(coating.uncertainty)))
        }),
        column("nominal_mm", Fixed(6), "mm", "nominal thickness of its course", |row| {
            nanometres(row.run.start.limits.nominal(row.reading.place.course))
        }),
        column("required_mm", Fixed(6), "mm", "required thickness of its course; empty where none is set", |row| {
            nanometres(row.run.start.limits.required(row.reading.place.course))
        }),
        column("kind", Text, "", "pit, lamination?, thinning or unproven, where its neighbours say so", |row| {
            row.kind.map_or(Value::None, |kind| Value::from(kind.word()))
        }),
        column("evaluation", Whole, "", "the evaluation it was read from; empty for the run's own readings", |row| whole(row.evaluation)),
        column("level_shown", Text, "", "level when it was measured; level is by the plan and the line in force", |row| {
            level_word(row.reading.level_shown)
        }),
        column("zone", Text, "", "the site's clock and how far it is ahead of host_time; UTC where the plan has none", |row| {
            Value::from(row.zone.to_string())
        }),
        column("asset", Text, "", "name of the asset", |row| Value::from(row.plan.asset.name.as_str())),
        column("site", Text, "", "where the asset is", |row| Value::from(row.plan.job.site.as_str())),
        column("date", Text, "", "day by the site's clock, YYYY-MM-DD", |row| day(row.reading.host_time_us, row.zone)),
        column("azimuth_deg", Fixed(3), "deg", "around the wall from the datum; empty where the plan gives none", |row| {
            degrees(row.on_wall().map(|at| at.0))
        }),
        column("elevation_mm", Fixed(3), "mm", "above the datum", |row| micrometres(row.on_wall().map(|at| at.1))),
        column("across_mm", Fixed(3), "mm", "beside the line: clockwise round the wall, or upward beside lines across", |row| {
            micrometres(row.reading.place.across.map(|across| across.at))
        }),
        column(
            "setup",
            Whole,
            "",
            "number of the set-up it was made with; of an evaluation, of the one that it took as it is or with changes",
            |row| whole(row.setup),
        ),
    ]
}

/// The expanded uncertainty (k = 2) that screen and report show.
fn expanded(standard: backwall_units::Length) -> backwall_units::Length {
    standard * 2.0
}

pub struct SpotRow<'a> {
    pub run: &'a RunSummary,
    pub calibration: &'static str,
    pub spot: Spot,
    /// The evaluation it was found in; empty for the run's own readings.
    pub evaluation: Option<EvaluationId>,
    /// What is known of it by hand or by other means.
    pub proven: Option<Proven>,
    pub plan: &'a Plan,
}

impl SpotRow<'_> {
    /// Azimuth in degrees and elevation of its minimum.
    pub fn on_wall(&self) -> Option<(f64, Length)> {
        self.plan.on_wall(&self.run.start.line, self.spot.least_at?)
    }
}

pub fn spot_columns<'a>() -> Vec<Column<SpotRow<'a>>> {
    use Kind::{Fixed, Text, Truth, Whole};
    vec![
        column("run", Whole, "", "number of the run in its job", |row| whole(Some(row.run.id))),
        column("spot", Whole, "", "number of the spot in its run", |row| whole(Some(row.spot.id))),
        column("line", Text, "", "the planned line", |row| Value::from(row.run.start.line.as_str())),
        column("course", Whole, "", "shell course of the minimum thickness", |row| whole(row.spot.course)),
        column("level", Text, "", "WATCH or THIN, the worst of its readings", |row| level_word(row.spot.level)),
        column("from_mm", Fixed(3), "mm", "lower edge along the line", |row| micrometres(row.spot.edges.map(|edges| edges.0))),
        column("to_mm", Fixed(3), "mm", "upper edge along the line", |row| micrometres(row.spot.edges.map(|edges| edges.1))),
        column("length_mm", Fixed(3), "mm", "between the edges", |row| micrometres(row.spot.length())),
        column("minimum_mm", Fixed(6), "mm", "minimum thickness in it", |row| nanometres(Some(row.spot.least))),
        column("minimum_at_mm", Fixed(3), "mm", "place of the minimum thickness", |row| micrometres(row.spot.least_at)),
        column("minimum_seq", Whole, "", "shot of the minimum thickness", |row| whole(Some(row.spot.least_seq))),
        column("required_mm", Fixed(6), "mm", "required thickness there; empty where none is set", |row| {
            nanometres(row.run.start.limits.required(row.spot.course))
        }),
        column("readings", Whole, "", "readings in it", |row| whole(Some(row.spot.readings))),
        column("acknowledged", Truth, "", "whether the operator has acknowledged it", |row| Value::Truth(row.spot.acknowledged)),
        column("calibration", Text, "", "valid, pending or suspect, by the verifications so far", |row| Value::from(row.calibration)),
        column("kind", Text, "", "what its neighbours take it for: thinning, pit, lamination? or unproven", |row| {
            row.spot.finding.map_or(Value::None, |finding| Value::from(finding.kind.word()))
        }),
        column("evidence", Text, "", "what that judgement rests on", |row| {
            row.spot.finding.map_or(Value::None, |finding| Value::from(finding.evidence(LengthUnit::Mm)))
        }),
        column("evaluation", Whole, "", "the evaluation it was found in; empty for the run's own readings", |row| whole(row.evaluation)),
        column("confirmed", Truth, "", "whether it was confirmed or not, by hand or by other means; empty while neither", |row| {
            row.proven.map_or(Value::None, |proven| Value::Truth(proven.confirmed))
        }),
        column("hand_mm", Fixed(6), "mm", "what was read there by hand", |row| nanometres(row.proven.and_then(|proven| proven.value))),
        column("asset", Text, "", "name of the asset", |row| Value::from(row.plan.asset.name.as_str())),
        column("site", Text, "", "where the asset is", |row| Value::from(row.plan.job.site.as_str())),
        column("date", Text, "", "day on which its run began, by the site's clock, YYYY-MM-DD", |row| {
            day(row.run.start.started_us, row.plan.zone())
        }),
        column("azimuth_deg", Fixed(3), "deg", "of the minimum, around the wall from the datum", |row| {
            degrees(row.on_wall().map(|at| at.0))
        }),
        column("elevation_mm", Fixed(3), "mm", "of the minimum, above the datum", |row| micrometres(row.on_wall().map(|at| at.1))),
        column("nominal_mm", Fixed(6), "mm", "nominal thickness there", |row| nanometres(row.run.start.limits.nominal(row.spot.course))),
    ]
}

/// Whose readings are meant.
#[derive(Clone, Copy)]
pub enum Source<'a> {
    /// The readings of a run that count: its own, or those of the evaluation that was adopted.
    Run(&'a RunSummary),
    /// The readings of a run as an evaluation has them, adopted or not.
    Evaluation(&'a EvaluationSummary, &'a RunSummary),
}

impl<'a> Source<'a> {
    pub fn run(self) -> &'a RunSummary {
        match self {
            Self::Run(run) | Self::Evaluation(_, run) => run,
        }
    }
    /// The evaluation whose readings these are; `None` for a run's own.
    pub fn evaluation(self, job: &'a JobContents) -> Option<&'a EvaluationSummary> {
        match self {
            Self::Run(run) => job.adopted(run.id).map(|(evaluation, _)| evaluation),
            Self::Evaluation(evaluation, _) => Some(evaluation),
        }
    }
    /// The set-up that made them.
    pub fn setup(self, job: &'a JobContents) -> &'a Setup {
        self.evaluation(job).map_or_else(|| self.run().last_setup(), |evaluation| &evaluation.start.setup)
    }
    pub fn calibration(self, job: &JobContents) -> &'static str {
        match self {
            Self::Run(run) => job.validity(run).word(),
            Self::Evaluation(evaluation, _) => job.validity_of(evaluation).word(),
        }
    }

    /// The stretches that neighbours make of its readings.
    fn judgements(self, reader: &JobReader) -> Result<Vec<Judgement>, StoreError> {
        let mut all = match self {
            Self::Run(run) => reader.judgements(run.id)?,
            Self::Evaluation(evaluation, run) => reader.judgements_of_evaluation(run.id, evaluation.id)?,
        };
        all.retain(|judgement| judgement.stretch.is_some());
        all.sort_by_key(|judgement| judgement.rows);
        Ok(all)
    }

    /// Reads everything in short pieces; stops when the tick says so. `before` counts what was done already, `of` all.
    pub fn for_each<E>(
        self,
        reader: &JobReader,
        (before, of): (u64, u64),
        tick: &mut Tick<'_>,
        each: impl FnMut(u64, Reading) -> Result<(), E>,
    ) -> Result<u64, E>
    where
        E: From<StoreError> + From<Stopped>,
    {
        let mut cursor = match self {
            Self::Run(run) => Cursor::in_force(run.id),
            Self::Evaluation(evaluation, run) => Cursor::of_evaluation_in_force(reader, evaluation.id, run.id)?,
        };
        let mut done = 0;
        let go_on = |readings| {
            done += readings;
            tick(before + done, of.max(before + done))
        };
        if !cursor.read_on(reader, go_on, each)? {
            return Err(Stopped.into());
        }
        Ok(done)
    }
}

/// Every reading of `sources` as a row; `before` and `of` as for [`Source::for_each`]. Answers how many.
pub fn each_reading<'a, E>(
    reader: &JobReader,
    job: &'a JobContents,
    sources: &[Source<'a>],
    (before, of): (u64, u64),
    tick: &mut Tick<'_>,
    mut each: impl FnMut(&ReadingRow<'a>) -> Result<(), E>,
) -> Result<u64, E>
where
    E: From<StoreError> + From<Stopped>,
{
    let mut done = 0;
    for source in sources {
        let zone = job.plan.zone();
        let (run, calibration) = (source.run(), source.calibration(job));
        let evaluated = source.evaluation(job);
        let evaluation = evaluated.map(|evaluation| evaluation.id);
        let setup_at = |row| evaluated.map_or_else(|| run.setup_id_at(row), |evaluation| evaluation.start.setup_id);
        let judgements = source.judgements(reader)?;
        let kind = |row| {
            let before = judgements.partition_point(|judged| judged.rows.0 <= row);
            before.checked_sub(1).map(|at| &judgements[at]).filter(|judged| row <= judged.rows.1).and_then(|judged| judged.stretch)
        };
        done += source.for_each(reader, (before + done, of), tick, |row, reading| {
            let (kind, setup) = (kind(row).map(|stretch| stretch.kind), setup_at(row));
            each(&ReadingRow { run, calibration, reading, kind, evaluation, setup, zone, plan: &job.plan })
        })?;
    }
    Ok(done)
}

/// Every spot of `sources` as a row; answers how many.
pub fn each_spot<'a, E: From<StoreError>>(
    reader: &JobReader,
    job: &'a JobContents,
    sources: &[Source<'a>],
    mut each: impl FnMut(&SpotRow<'a>) -> Result<(), E>,
) -> Result<u64, E> {
    let mut done = 0;
    for source in sources {
        let (run, calibration) = (source.run(), source.calibration(job));
        let evaluation = source.evaluation(job).map(|evaluation| evaluation.id);
        for spot in reader.spots(run.id)? {
            let proven = job.force.proven(run.id, &spot);
            each(&SpotRow { run, calibration, spot, evaluation, proven, plan: &job.plan })?;
            done += 1;
        }
    }
    Ok(done)
}
