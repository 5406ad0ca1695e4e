//! A reading as the whole numbers of its row, and back, without losing a bit: readings are made in the units the
//! row stores.

use backwall_survey::reading::Reading;
use backwall_survey::strip::Level;
use backwall_survey::travel::{Across, Place};
use backwall_ultrasound::{Coating, Flags, Measurement, Quality};
use backwall_units::{Decibel, Length, Speed, Temperature, Time};
use rusqlite::types::FromSqlError;
use rusqlite::{Row, Statement};

/// The columns of a reading behind `run_id` and `row`, in the order [`insert`] and [`read`] use.
pub(super) const COLUMNS: &str = "seq, device_time_us, host_time_us, encoder_counts, position_um, course, speed_um_s, \
     gain_cdb, wall_temperature_mdeg, echo_time_ps, next_echo_time_ps, thickness_nm, uncertainty_nm, height_cpct, \
     snr_cdb, quality, flags, level, coating_nm, coating_uncertainty_nm, across_counts, across_um";

/// The version of the file that brought the coating, and its columns in [`COLUMNS`].
pub(super) const COATING_SINCE: i64 = 3;
const COATING_COLUMNS: usize = 2;
/// The version that brought the encoder across, and its columns, which are the last.
pub(super) const ACROSS_SINCE: i64 = 7;
const ACROSS_COLUMNS: usize = 2;

/// A number that cannot be is missing, never zero.
fn whole(value: Option<f64>, scaled: impl Fn(f64) -> i64) -> Option<i64> {
    value.filter(|value| value.is_finite()).map(scaled)
}
pub(super) fn micrometres(length: Option<Length>) -> Option<i64> {
    whole(length.map(Length::as_mm), |mm| Length::mm(mm).as_micrometres())
}
pub(super) fn nanometres(length: Option<Length>) -> Option<i64> {
    whole(length.map(Length::as_mm), |mm| Length::mm(mm).as_nanometres())
}
fn picoseconds(time: Option<Time>) -> Option<i64> {
    whole(time.map(Time::as_ns), |ns| Time::ns(ns).as_picoseconds())
}
fn hundredths(value: Option<f64>) -> Option<i64> {
    whole(value, |value| (value * 100.0).round() as i64)
}

const QUALITIES: [Quality; 4] = [Quality::None, Quality::Poor, Quality::Fair, Quality::Good];
pub(super) const LEVELS: [Level; 5] = [Level::Unjudged, Level::Clear, Level::NoEcho, Level::Watch, Level::Thin];

/// A level as the file has it. The words of the first format stay, so that every file reads alike; people see [`Level::word`].
pub(super) const fn stored_level(level: Level) -> &'static str {
    match level {
        Level::Unjudged => "NO LIMIT",
        Level::Clear => "SOUND",
        Level::Watch => "WATCH",
        Level::Thin => "THIN",
        Level::NoEcho => "LOST",
    }
}

fn quality_word(quality: Quality) -> &'static str {
    match quality {
        Quality::None => "none",
        Quality::Poor => "poor",
        Quality::Fair => "fair",
        Quality::Good => "good",
    }
}

/// Puts a reading in; `statement` takes run, row and [`COLUMNS`].
pub(super) fn insert(statement: &mut Statement<'_>, run: i64, row: i64, reading: &Reading) -> rusqlite::Result<()> {
    let Reading { seq, device_time_us, host_time_us, encoder, place, gain, wall_temperature, measurement, level, level_shown: _ } = reading;
    statement.raw_bind_parameter(1, run)?;
    statement.raw_bind_parameter(2, row)?;
    statement.raw_bind_parameter(3, seq)?;
    // Stored as the same 64 bits; clocks that count past 2^63 µs do not exist.
    statement.raw_bind_parameter(4, device_time_us.map(|time| time as i64))?;
    statement.raw_bind_parameter(5, host_time_us)?;
    statement.raw_bind_parameter(6, encoder)?;
    statement.raw_bind_parameter(7, micrometres(place.along))?;
    statement.raw_bind_parameter(8, place.course)?;
    statement.raw_bind_parameter(9, whole(place.speed.map(Speed::as_mm_s), |mm_s| Speed::mm_s(mm_s).as_micrometres_s()))?;
    statement.raw_bind_parameter(10, hundredths(Some(gain.as_db())))?;
    statement
        .raw_bind_parameter(11, whole(Some(wall_temperature.as_celsius()), |celsius| Temperature::celsius(celsius).as_millidegrees()))?;
    statement.raw_bind_parameter(23, place.across.and_then(|across| across.counts))?;
    statement.raw_bind_parameter(24, micrometres(place.across.map(|across| across.at)))?;
    bind(statement, 12, measurement, *level)
}

/// Binds what was measured from a parameter on and puts the row in; whatever else it holds is bound before.
fn bind(statement: &mut Statement<'_>, first: usize, measurement: &Measurement, level: Level) -> rusqlite::Result<()> {
    let numbers = [
        picoseconds(measurement.echo_time),
        picoseconds(measurement.next_echo),
        nanometres(measurement.thickness),
        nanometres(measurement.uncertainty),
        hundredths(measurement.height_pct),
        hundredths(measurement.snr.map(Decibel::as_db)),
    ];
    for (index, number) in (first..).zip(numbers) {
        statement.raw_bind_parameter(index, number)?;
    }
    statement.raw_bind_parameter(first + 6, quality_word(measurement.quality))?;
    statement.raw_bind_parameter(first + 7, measurement.flags.bits())?;
    statement.raw_bind_parameter(first + 8, stored_level(level))?;
    statement.raw_bind_parameter(first + 9, nanometres(measurement.coating.map(|coating| coating.thickness)))?;
    statement.raw_bind_parameter(first + 10, nanometres(measurement.coating.map(|coating| coating.uncertainty)))?;
    statement.raw_execute().map(drop)
}

/// Puts in what an evaluation makes of the run's readings, row by row.
pub(super) struct EvaluatedRows<'c> {
    statement: rusqlite::CachedStatement<'c>,
    evaluation: i64,
    row: i64,
}

impl<'c> EvaluatedRows<'c> {
    pub fn new(connection: &'c rusqlite::Connection, evaluation: i64) -> rusqlite::Result<Self> {
        let statement = connection.prepare_cached("INSERT INTO evaluated VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")?;
        Ok(Self { statement, evaluation, row: 0 })
    }

    pub fn insert(&mut self, measurement: &Measurement, level: Level) -> rusqlite::Result<()> {
        self.statement.raw_bind_parameter(1, self.evaluation)?;
        self.statement.raw_bind_parameter(2, self.row)?;
        bind(&mut self.statement, 3, measurement, level)?;
        self.row += 1;
        Ok(())
    }

    /// The row put in last.
    pub fn last(&self) -> i64 {
        self.row - 1
    }
}

/// [`COLUMNS`] in a file of a version, nothing for those it does not have; each as `name` calls it.
fn columns_of(version: i64, mut name: impl FnMut(&str) -> String) -> String {
    let all: Vec<&str> = COLUMNS.split(',').map(str::trim).collect();
    let held = match version {
        ACROSS_SINCE.. => all.len(),
        COATING_SINCE.. => all.len() - ACROSS_COLUMNS,
        _ => all.len() - ACROSS_COLUMNS - COATING_COLUMNS,
    };
    let columns = all.iter().enumerate().map(|(index, column)| if index < held { name(column) } else { "NULL".to_owned() });
    columns.collect::<Vec<_>>().join(", ")
}

/// [`COLUMNS`] as a file of a version has them.
pub(super) fn columns(version: i64) -> String {
    columns_of(version, str::to_owned)
}

/// [`COLUMNS`] of a reading `r` as evaluation row `e` has it.
pub(super) fn evaluated_columns(version: i64) -> String {
    let mut of_evaluation = false;
    columns_of(version, |column| {
        of_evaluation |= column == "echo_time_ps";
        // Where it was is the reading's own.
        let is_place = column.starts_with("across");
        format!("{}.{column}", if of_evaluation && !is_place { "e" } else { "r" })
    })
}

/// Reads [`COLUMNS`] from column `first` on.
pub(super) fn read(row: &Row<'_>, first: usize) -> rusqlite::Result<Reading> {
    let length = |index: usize, unit: fn(i64) -> Length| row.get::<_, Option<i64>>(first + index).map(|value| value.map(unit));
    let time = |index: usize| row.get::<_, Option<i64>>(first + index).map(|value| value.map(Time::picoseconds));
    let level = word(row, first + 17, LEVELS, stored_level)?;
    Ok(Reading {
        seq: row.get(first)?,
        device_time_us: row.get::<_, Option<i64>>(first + 1)?.map(|time| time as u64),
        host_time_us: row.get(first + 2)?,
        encoder: row.get(first + 3)?,
        place: Place {
            along: length(4, Length::micrometres)?,
            course: row.get(first + 5)?,
            speed: row.get::<_, Option<i64>>(first + 6)?.map(Speed::micrometres_s),
            across: across(row.get(first + 20)?, length(21, Length::micrometres)?),
        },
        gain: row.get::<_, Option<i64>>(first + 7)?.map_or(Decibel::db(f64::NAN), Decibel::hundredths),
        wall_temperature: row.get::<_, Option<i64>>(first + 8)?.map_or(Temperature::celsius(f64::NAN), Temperature::millidegrees),
        measurement: Measurement {
            echo_time: time(9)?,
            next_echo: time(10)?,
            thickness: length(11, Length::nanometres)?,
            uncertainty: length(12, Length::nanometres)?,
            height_pct: row.get::<_, Option<i64>>(first + 13)?.map(|value| value as f64 / 100.0),
            snr: row.get::<_, Option<i64>>(first + 14)?.map(Decibel::hundredths),
            coating: coating(length(18, Length::nanometres)?, length(19, Length::nanometres)?),
            quality: word(row, first + 15, QUALITIES, quality_word)?,
            flags: Flags::from_bits(row.get(first + 16)?),
        },
        level,
        level_shown: level,
    })
}

fn across(counts: Option<i32>, at: Option<Length>) -> Option<Across> {
    Some(Across { counts, at: at? })
}

fn coating(thickness: Option<Length>, uncertainty: Option<Length>) -> Option<Coating> {
    Some(Coating { thickness: thickness?, uncertainty: uncertainty? })
}

/// The value a stored word stands for.
pub(super) fn word<T: Copy>(
    row: &Row<'_>,
    index: usize,
    all: impl IntoIterator<Item = T>,
    word: impl Fn(T) -> &'static str,
) -> rusqlite::Result<T> {
    let text = row.get_ref(index)?.as_str()?;
    all.into_iter().find(|value| word(*value) == text).ok_or_else(|| {
        let why = FromSqlError::Other(format!("'{text}' is not a known word").into());
        rusqlite::Error::FromSqlConversionFailure(index, rusqlite::types::Type::Text, Box::new(why))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::option;
    use proptest::prelude::*;

    const INSERT: &str = "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)";

    fn there_and_back(connection: &rusqlite::Connection, reading: &Reading) -> Reading {
        insert(&mut connection.prepare(INSERT).unwrap(), 1, 0, reading).unwrap();
        connection.query_row(&format!("SELECT {COLUMNS} FROM reading"), [], |row| read(row, 0)).unwrap()
    }

    fn table() -> rusqlite::Connection {
        let connection = crate::schema::fresh(crate::schema::KNOWN_VERSION).unwrap();
        connection.execute_batch("PRAGMA foreign_keys = OFF; DROP TRIGGER reading_no_delete").unwrap();
        connection
    }

    prop_compose! {
        fn measurement()(
            numbers in (option::of(0.0..1e6f64), option::of(0.0..1e6f64), option::of(0.0..500.0f64), option::of(0.0..9.0f64)),
            height_pct in option::of(0.0..400.0f64), snr in option::of(-60.0..140.0f64),
            quality in 0usize..4, flags in any::<u32>(), coating in option::of((0.0..5.0f64, 0.0..1.0f64)),
        ) -> Measurement {
            Measurement {
                echo_time: numbers.0.map(Time::ns),
                next_echo: numbers.1.map(Time::ns),
                thickness: numbers.2.map(Length::mm),
                uncertainty: numbers.3.map(Length::mm),
                height_pct,
                snr: snr.map(Decibel::db),
                coating: coating.map(|(mm, u)| Coating { thickness: Length::mm(mm), uncertainty: Length::mm(u) }),
                quality: QUALITIES[quality],
                flags: Flags::from_bits(flags),
            }
            .rounded()
        }
    }

    prop_compose! {
        fn reading()(
            measurement in measurement(), seq in any::<u32>(), device_time_us in option::of(any::<u64>()), host_time_us in any::<i64>(),
            encoder in option::of(any::<i32>()), along in option::of(-1_000_000_000i64..1_000_000_000), course in option::of(any::<u16>()),
            speed in option::of(-9_000_000i64..9_000_000), across in option::of((option::of(any::<i32>()), -9_000_000i64..9_000_000)), gain in -200.0..200.0f64, wall in -80.0..600.0f64, level in 0usize..5,
        ) -> Reading {
            let place = Place { along: along.map(Length::micrometres), course, speed: speed.map(Speed::micrometres_s), across: across.map(|(counts, at)| Across { counts, at: Length::micrometres(at) }) };
            let (gain, wall_temperature) = (Decibel::db(gain).rounded(), Temperature::celsius(wall).rounded());
            Reading { seq, device_time_us, host_time_us, encoder, place, gain, wall_temperature, measurement, level: LEVELS[level], level_shown: LEVELS[level] }
        }
    }

    proptest! {
        #[test]
        fn every_reading_comes_back_bit_for_bit(readings in prop::collection::vec(reading(), 1..40)) {
            let connection = table();
            for reading in readings {
                prop_assert_eq!(there_and_back(&connection, &reading), reading);
                connection.execute_batch("DELETE FROM reading").unwrap();
            }
        }
    }

    #[test]
    fn a_number_that_cannot_be_is_missing_and_never_zero() {
        let mut reading = Reading {
            seq: 0,
            device_time_us: None,
            host_time_us: 0,
            encoder: None,
            place: Place { along: Some(Length::mm(f64::INFINITY)), course: None, speed: Some(Speed::mm_s(f64::NAN)), across: None },
            gain: Decibel::ZERO,
            wall_temperature: Temperature::celsius(f64::NAN),
            measurement: Measurement::none(Flags::NONE),
            level: Level::NoEcho,
            level_shown: Level::NoEcho,
        };
        reading.measurement.thickness = Some(Length::mm(f64::NAN));
        let back = there_and_back(&table(), &reading);
        assert_eq!((back.measurement.thickness, back.place.along, back.place.speed), (None, None, None));
        assert!(back.wall_temperature.as_celsius().is_nan());
    }
}
