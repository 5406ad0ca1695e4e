//! The readings of a run made again from its waveforms, with its own set-up or another: fetched by one thread, unpacked
//! and measured on all cores, handed out in order. Where a reading lies depends on those before it and is worked out
//! there, by whoever takes them.

use super::codec::{BLOCK, Unpacker};
use super::contents::{RunId, RunStart, RunSummary};
use super::cursor::Cursor;
use super::error::StoreError;
use super::in_order::{cores, in_order};
use super::reader::{JobReader, time_base};
use backwall_survey::reading::make::{Measured, Measurer};
use backwall_survey::reading::{Gauge, GaugeValue, Reading, ReadingMaker};
use backwall_ultrasound::{Setup, TimeBase};
use std::ops::Range;

/// Readings a core makes in one go.
const PIECE: usize = 512;

/// The set-ups readings are made with, each from a row on; the first from row 0.
pub(super) struct Setups(Vec<(u64, Setup)>);

impl Setups {
    /// One for all readings.
    pub fn one(setup: Setup) -> Self {
        Self(vec![(0, setup)])
    }
    /// A run's own.
    pub fn of_run(run: &RunSummary) -> Self {
        let changes = run.changes.iter().map(|change| (change.from_row, change.setup.clone()));
        Self(std::iter::once((0, run.start.setup.clone())).chain(changes).collect())
    }
    /// The first of all.
    pub fn first(&self) -> &Setup {
        &self.0[0].1
    }
    /// Those that begin at a row above 0, or at 0 instead of the first; a row may have more than one.
    pub fn beginning_at(&self, row: u64) -> impl Iterator<Item = &Setup> {
        self.0[1..].iter().filter(move |(from, _)| *from == row).map(|(_, setup)| setup)
    }
}

/// What counts at a row, of things that each begin at one; the first begins at row 0.
fn at_row<T>(all: &mut [(u64, T)], row: u64) -> &mut T {
    let at = all.partition_point(|(from, _)| *from <= row).max(1) - 1;
    &mut all[at].1
}

/// Readings on their way to a core, with the blocks their waveforms lie in.
struct PackedReadings {
    stored: Vec<(u64, Reading)>,
    blocks: Vec<StoredBlock>,
}

/// A stored waveform block.
struct StoredBlock {
    rows: Range<u64>,
    samples: usize,
    base: TimeBase,
    codec: i64,
    data: Vec<u8>,
}

/// What a stored reading measures, made again.
pub(super) enum MeasuredAgain {
    Measured(Box<Measured>),
    /// Its waveform is not in the file.
    NoWaveform,
    /// Its set-up cannot evaluate it, and why.
    Impossible(String),
}

/// Readings as they are stored, each with what was measured again.
pub(super) struct MadeAgain {
    pub readings: Vec<(u64, Reading, MeasuredAgain)>,
    /// Why there are no more, where the file cannot be read.
    pub failed: Option<StoreError>,
}

/// Makes all readings of a run again; `take` gets them in order and ends the work by answering `false`.
pub(super) fn remake<E: From<StoreError>>(
    reader: &JobReader,
    run: RunId,
    setups: &Setups,
    take: impl FnMut(MadeAgain) -> Result<bool, E>,
) -> Result<bool, E> {
    let (mut next, path) = (0, reader.path());
    let fetch = || {
        let packed = fetch(reader, run, next)?;
        next = packed.stored.last().map_or(next, |(row, _)| row.saturating_add(1));
        Ok::<_, E>((!packed.stored.is_empty()).then_some(packed))
    };
    let hands = || {
        let measurers = setups.0.iter().map(|(from, setup)| (*from, Measurer::new(setup.clone()))).collect();
        let mut hand = Hand { measurers, unpacker: Unpacker::default(), samples: Vec::new() };
        move |packed| hand.make(packed, path, run)
    };
    in_order(cores(), hands, fetch, take)
}

fn fetch(reader: &JobReader, run: RunId, first: u64) -> Result<PackedReadings, StoreError> {
    let stored = Cursor::measured(run).alone().starting_at(first).take_rows(reader, PIECE)?;
    let Some(end) = stored.last().map(|(row, _)| row.saturating_add(1)) else { return Ok(PackedReadings { stored, blocks: Vec::new() }) };
    let first = stored[0].0;
    let blocks = || {
        let mut statement = reader.connection.prepare_cached(
            "SELECT first_row, count, samples_each, rate_hz, first_sample_ns, bits, codec, data FROM waveform_block
             WHERE run_id = ?1 AND first_row > ?2 AND first_row < ?3 ORDER BY first_row",
        )?;
        let mut rows = statement.query((run, first as i64 - BLOCK as i64, end as i64))?;
        let mut blocks = Vec::new();
        while let Some(found) = rows.next()? {
            let (from, count): (i64, i64) = (found.get(0)?, found.get(1)?);
            if from.saturating_add(count) > first as i64 {
                blocks.push(StoredBlock {
                    rows: from.max(0) as u64..from.saturating_add(count).max(0) as u64,
                    samples: found.get::<_, u32>(2)? as usize,
                    base: time_base(found, 3)?,
                    codec: found.get(6)?,
                    data: found.get_ref(7)?.as_blob()?.to_vec(),
                });
            }
        }
        Ok(blocks)
    };
    Ok(PackedReadings { stored, blocks: reader.said(blocks())? })
}

/// What one core works with.
struct Hand {
    /// Each with the row it begins at.
    measurers: Vec<(u64, Measurer)>,
    unpacker: Unpacker,
    samples: Vec<i16>,
}

impl Hand {
    fn make(&mut self, packed: PackedReadings, path: &std::path::Path, run: RunId) -> MadeAgain {
        let mut readings = Vec::with_capacity(packed.stored.len());
        let mut held = None;
        for (row, stored) in packed.stored {
            // Of blocks that overlap, which only damage makes, the later one counts.
            let at = packed.blocks.partition_point(|block| block.rows.start <= row);
            let block = at.checked_sub(1).map(|at| (at, &packed.blocks[at])).filter(|(_, block)| block.rows.contains(&row));
            let again = match block {
                None => MeasuredAgain::NoWaveform,
                Some((at, block)) => {
                    if held != Some(at) {
                        self.unpacker.forget();
                        held = Some(at);
                    }
                    let (count, index) = ((block.rows.end - block.rows.start) as usize, (row - block.rows.start) as usize);
                    let unpacked = self.unpacker.unpack_into(block.codec, &block.data, count, block.samples, index, &mut self.samples);
                    if let Err(error) = unpacked {
                        let failed = StoreError::corrupt(path, format!("run {run}, reading {row}: {error}"));
                        return MadeAgain { readings, failed: Some(failed) };
                    }
                    let measurer = at_row(&mut self.measurers, row);
                    match measurer.set_time_base(block.base) {
                        Err(error) => MeasuredAgain::Impossible(format!("its set-up cannot evaluate it: {error}")),
                        Ok(()) => MeasuredAgain::Measured(Box::new(measurer.measure(&self.samples, stored.wall_temperature, stored.gain))),
                    }
                }
            };
            readings.push((row, stored, again));
        }
        MadeAgain { readings, failed: None }
    }
}

/// A reading made again, with its place and level.
pub(super) fn placed(maker: &mut ReadingMaker, start: &RunStart, stored: &Reading, again: MeasuredAgain) -> Result<Reading, String> {
    maker.set_wall_temperature(stored.wall_temperature);
    match again {
        MeasuredAgain::Measured(measured) => Ok(maker.again(stored, &measured)),
        MeasuredAgain::NoWaveform => Ok(from_itself(maker, stored, start)),
        MeasuredAgain::Impossible(why) => Err(why),
    }
}

/// What can be made again without a waveform: the place, and the level of the stored measurement.
fn from_itself(maker: &mut ReadingMaker, stored: &Reading, start: &RunStart) -> Reading {
    let gauge = Gauge {
        seq: stored.seq,
        device_time_us: stored.device_time_us,
        encoder: stored.encoder,
        across: stored.place.across.and_then(|across| across.counts),
        value: GaugeValue::Thickness(stored.measurement.thickness),
    };
    let place = maker.gauge(&gauge, stored.host_time_us).place;
    let level = start.limits.level(&stored.measurement, place.course);
    Reading { place, level, level_shown: level, ..stored.clone() }
}
