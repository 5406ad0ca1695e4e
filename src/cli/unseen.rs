//! The conditions of a job's last run for the table of what it could not have seen, and the table in words.

use crate::live::unseen::{Conditions, Unseen, unseen};
use anyhow::Context;
use backwall_store::{JobReader, RunState};
use backwall_units::{Decibel, Length, LengthUnit};
use serde::Serialize;

/// Readings looked at for spacing and noise.
const LOOKED_AT: usize = 20_000;

#[derive(Serialize)]
pub struct OfRun {
    pub run: i64,
    pub line: String,
    pub table: Unseen,
}

/// The table of the last run that can be modelled.
pub fn of_job(reader: &JobReader) -> anyhow::Result<OfRun> {
    let contents = reader.contents()?;
    let run = contents.runs.iter().rfind(|run| contents.setup_of(run).calibration.is_some() && run.state != RunState::Open);
    let run = run.context("no closed run with a calibration: what it could not have seen cannot be modelled; calibrate, then scan")?;
    let readings = reader.readings(run.id, 0, LOOKED_AT)?;
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let places: Vec<f64> = readings.iter().filter_map(|reading| reading.place.along).map(Length::as_mm).collect();
    let steps = places.windows(2).map(|pair| (pair[1] - pair[0]).abs()).filter(|step| *step > 0.01).collect();
    let spacing = middle(steps).context("the run has no places along the line: its shot spacing is not known")?;
    let snr = middle(readings.iter().filter_map(|reading| reading.measurement.snr).map(Decibel::as_db).collect());
    let snr = snr.context("the run has no signal to noise: no echo was read, or the device sent values without waveforms")?;
    let course = readings.get(readings.len() / 2).and_then(|reading| reading.place.course);
    let limits = &run.start.limits;
    let nominal = limits.nominal(course).context("the course has no nominal thickness")?;
    let waveform = reader.waveform(run.id, 0)?.context("the device sent values without waveforms: its noise is not known")?;
    // The drive over the caps lies in one course of that run.
    let mut of_course: Vec<_> =
        limits.courses.iter().filter(|known| course.is_none_or(|number| known.number == number)).take(1).cloned().collect();
    of_course.iter_mut().for_each(|course| course.number = 1);
    let conditions = Conditions {
        setup: contents.setup_of(run).clone(),
        base: waveform.base,
        samples: waveform.samples.len().min(usize::from(u16::MAX)) as u16,
        nominal,
        limits: backwall_survey::strip::Limits { courses: of_course, ..limits.clone() },
        alarm: contents.plan.alarm,
        spacing: Length::mm(spacing),
        snr: Decibel::db(snr),
        beam_width: contents.plan.probe.beam_width,
    };
    let table = unseen(&conditions).context("the virtual probe could not be calibrated like this run's")?;
    Ok(OfRun { run: run.id, line: run.start.line.clone(), table })
}

pub fn text(of: &OfRun, unit: LengthUnit) -> Vec<String> {
    let table = &of.table;
    let (symbol, length) = (unit.thickness_symbol(), |length: Length| unit.thickness(length));
    let mut lines = vec![
        String::new(),
        format!("What this scan could not have seen (run {} on {})", of.run, of.line),
        format!(
            "  a model, for screening: pits as spherical caps in a wall of {} {symbol}, a shot every {} {symbol}, {:.0} dB over noise, beam {} {symbol};",
            length(table.nominal),
            length(table.spacing),
            table.snr_db,
            length(table.beam)
        ),
        "  the line passes within 2 mm of the middle; found is a spot or a judged stretch within 3 mm; Wilson interval at 95 %.".to_owned(),
        "  No published curve exists for pits under dual-element probes; beside the line nothing is seen at all.".to_owned(),
    ];
    let widths: Vec<Length> = table.cells.iter().map(|cell| cell.width).fold(Vec::new(), |mut known, width| {
        if !known.contains(&width) {
            known.push(width);
        }
        known
    });
    let head: String = widths.iter().map(|width| format!("{:>16}", format!("{} {symbol} wide", length(*width)))).collect();
    lines.push(format!("  {:<12}{head}", "deep"));
    for row in table.cells.chunks(widths.len().max(1)) {
        let Some(first) = row.first() else { continue };
        let cells: String = row
            .iter()
            .map(|cell| {
                let share = 100.0 * f64::from(cell.found) / f64::from(cell.drives.max(1));
                format!("{:>16}", format!("{share:.0} % ({:.0}-{:.0})", 100.0 * cell.from, 100.0 * cell.to))
            })
            .collect();
        lines.push(format!("  {:<12}{cells}", format!("{} {symbol}", length(first.depth))));
    }
    lines
}
