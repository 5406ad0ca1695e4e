//! Pictures: strip, waveform and unrolled map as SVG or PNG.

use super::{ExportDone, ExportOrder, Format, PictureOf};
use anyhow::{Context, bail};
use backwall_report::figure::Figure;
use backwall_report::figure::data::{self, DataError, RunWall};
use backwall_report::figure::map::PAPER as MAP;
use backwall_report::readings::ReadingsOf;
use backwall_report::whole_file::{self, Tick};
use backwall_report::{png, sealed, svg};
use backwall_survey::reading::Reading;
use backwall_units::{Length, parse_length};
use std::path::{Path, PathBuf};

pub fn write(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<ExportDone> {
    match order.args.figure.unwrap_or_default() {
        PictureOf::Strip => strips(order, tick),
        PictureOf::Waveform => waveform(order, tick),
        PictureOf::Map => map(order, tick),
    }
}

fn put(order: &ExportOrder<'_>, figure: &Figure, out: &Path) -> anyhow::Result<()> {
    let seal = order.job.seal.as_ref();
    let bytes = match order.args.format {
        Format::Png => {
            let picture = png::png(figure, order.args.dpi.unwrap_or(png::DOTS_PER_INCH))?;
            match seal {
                Some(seal) => sealed::in_png(picture, seal),
                None => picture,
            }
        }
        _ => {
            let picture = svg::svg(figure);
            match seal {
                Some(seal) => sealed::in_svg(&picture, seal).into_bytes(),
                None => picture.into_bytes(),
            }
        }
    };
    Ok(whole_file::write_bytes(out, &bytes)?)
}

fn of_data(error: DataError) -> anyhow::Error {
    match error {
        DataError::Stopped(stopped) => stopped.into(),
        error => error.into(),
    }
}

fn place(order: &ExportOrder<'_>, text: Option<&str>) -> anyhow::Result<Option<Length>> {
    Ok(text.map(|text| parse_length(text, order.job.plan.job.units)).transpose()?)
}

/// The one run that is meant.
fn only<'a>(order: &ExportOrder<'a>, shown: &str) -> anyhow::Result<ReadingsOf<'a>> {
    match order.sources.as_slice() {
        [] => bail!("{}: there is no run in this job, so there is no {shown} to draw", order.args.job.display()),
        [source] => Ok(*source),
        sources => {
            let known: Vec<_> = sources.iter().map(|source| format!("{} ({})", source.run().id, source.run().start.line)).collect();
            bail!("which run? Name one with --run; this job has: {}", known.join(", "))
        }
    }
}

fn strips(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<ExportDone> {
    let args = order.args;
    let several = args.out.is_dir() || order.sources.len() > 1 && args.out.extension().is_none();
    let sources =
        if several { order.sources.clone() } else { vec![only(order, "strip").context("several strips need a folder as --out")?] };
    if several {
        std::fs::create_dir_all(&args.out).with_context(|| format!("{}: this folder cannot be made", args.out.display()))?;
    }
    let (from, to) = (place(order, args.from.as_deref())?, place(order, args.to.as_deref())?);
    let mut files = Vec::new();
    for source in &sources {
        let run = source.run();
        let wall = RunWall::read(order.reader, *source, order.job.plan.alarm, tick).map_err(of_data)?;
        let (first, last) = data::stretch(run, &wall.strip);
        let (from, to) = (from.unwrap_or(first), to.unwrap_or(last));
        if to - from < Length::mm(1.0) {
            bail!("a strip from {from} to {to} has no length: --from must be below --to, by 1 mm or more");
        }
        if to - from > Length::metres(1000.0) {
            bail!("a strip from {from} to {to} is longer than any line: choose --from and --to nearer to each other");
        }
        let figure = data::strip_figure_of(order.job, *source, &wall, (from, to), order.job.plan.job.units);
        let out = if several { args.out.join(file_name(order, run.id)) } else { args.out.clone() };
        put(order, &figure, &out)?;
        files.push(out);
    }
    let runs: Vec<_> = sources.iter().map(|source| source.run().id).collect();
    Ok(ExportDone {
        count: files.len() as u64,
        words: format!("strip of {}", backwall_report::words::count(runs.len() as u64, "run")),
        files,
        runs,
    })
}

fn file_name(order: &ExportOrder<'_>, run: i64) -> PathBuf {
    let number: String = order.job.plan.job.number.chars().map(|c| if c.is_alphanumeric() || c == '-' { c } else { '_' }).collect();
    PathBuf::from(format!("{number}-{run}.{}", order.args.format.word()))
}

fn waveform(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<ExportDone> {
    let source = only(order, "waveform")?;
    let run = source.run();
    let at = place(order, order.args.at.as_deref())?;
    let (row, reading) = nearest(order, source, at, tick)?;
    let Some(waveform) = order.reader.waveform(run.id, row)? else {
        bail!("run {}: no waveform is stored with shot {}; its device may send none", run.id, reading.seq)
    };
    let setup = source.setup(order.job);
    let unit = order.job.plan.job.units;
    let caution = data::caution_of(order.job, source, unit);
    let figure = data::waveform_figure(order.job, run, (setup, &caution), (&reading, &waveform), unit);
    put(order, &figure, &order.args.out)?;
    let place = reading.place.along.map_or_else(|| "no known place".to_owned(), |at| format!("{} {}", unit.place(at), unit.place_symbol()));
    let words = format!("waveform of shot {} of run {} at {place}", reading.seq, run.id);
    Ok(ExportDone { count: 1, files: vec![order.args.out.clone()], runs: vec![run.id], words })
}

/// The reading nearest to a place, or the minimum; of equal ones the first. Where nothing was read, the first reading.
fn nearest(order: &ExportOrder<'_>, source: ReadingsOf<'_>, at: Option<Length>, tick: &mut Tick<'_>) -> anyhow::Result<(u64, Reading)> {
    let run = source.run();
    let (mut best, mut row): (Option<(f64, u64, Reading)>, u64) = (None, 0);
    source
        .for_each(order.reader, (0, run.readings), tick, |_, reading| {
            let far = match at {
                Some(at) => reading.place.along.map(|along| (along - at).abs().as_mm()),
                None => Some(reading.measurement.thickness.map_or(f64::MAX, Length::as_mm)),
            };
            if let Some(far) = far
                && best.as_ref().is_none_or(|(known, ..)| far < *known)
            {
                best = Some((far, row, reading));
            }
            row += 1;
            Ok::<(), DataError>(())
        })
        .map_err(of_data)?;
    match best {
        Some((_, row, reading)) => Ok((row, reading)),
        None if row == 0 => bail!("run {}: it has no readings, so there is no waveform to draw", run.id),
        None => bail!("run {}: none of its readings has a place; leave --at out to see its minimum", run.id),
    }
}

fn map(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<ExportDone> {
    let map = data::wall_map(order.reader, order.job, tick).map_err(of_data)?;
    put(order, &data::map_figure(order.job, &map, order.job.plan.job.units, MAP), &order.args.out)?;
    let runs = order.job.runs.iter().map(|run| run.id).collect();
    let words = format!("unrolled map of {}", backwall_report::words::count(map.bands.len() as u64, "line"));
    Ok(ExportDone { count: 1, files: vec![order.args.out.clone()], runs, words })
}
