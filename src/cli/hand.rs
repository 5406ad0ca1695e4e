//! `backwall hand`: a thickness read with a gauge held by hand, at a place of its own, and what it proves.

use super::choice::choice;
use super::enter::{EnterArgs, enter};
use crate::session::Session;
use anyhow::{Context, bail};
use backwall_store::{JobContents, RunId};
use backwall_survey::job::hand::{BlockRead, GridPoint, HandGauge, HandPlace, HandReading};
use backwall_survey::job::statement::Said;
use backwall_survey::strip::SpotId;
use backwall_units::{Length, LengthUnit, parse_length};
use clap::Args;
use serde_json::{Value, json};

#[derive(Args, Debug)]
pub struct HandArgs {
    #[command(flatten)]
    pub enter: EnterArgs,
    /// A value that was read, in the job's unit or with its own (6.15, 0.242in); once for each value read there
    #[arg(long = "value", value_name = "LENGTH")]
    pub values: Vec<String>,
    /// The line it was read on
    #[arg(long, value_name = "LINE", requires = "at", conflicts_with_all = ["azimuth", "near"])]
    pub line: Option<String>,
    /// Where on the line, in the job's unit or with its own (1.234m)
    #[arg(long, value_name = "PLACE", requires = "line", allow_hyphen_values = true)]
    pub at: Option<String>,
    /// Anywhere on the wall: degrees from azimuth 0
    #[arg(long, value_name = "DEGREES", requires = "elevation", conflicts_with = "near")]
    pub azimuth: Option<f64>,
    /// With --azimuth: height over the datum
    #[arg(long, value_name = "LENGTH", requires = "azimuth", allow_hyphen_values = true)]
    pub elevation: Option<String>,
    /// Near a weld or a nozzle, in words ("nozzle N2, below it")
    #[arg(long, value_name = "TEXT", requires = "distance")]
    pub near: Option<String>,
    /// With --near: how far from it
    #[arg(long, value_name = "LENGTH", requires = "near")]
    pub distance: Option<String>,
    /// The gauge it was read with
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub instrument: String,
    /// Its serial number
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub serial: String,
    /// The block the gauge was checked on, and what it read there: 10.00=10.02
    #[arg(long, value_name = "TRUE=READ")]
    pub block: Option<String>,
    /// With --block: when (2026-03-01T09:30:00Z); without it, now
    #[arg(long, value_name = "TIME", requires = "block")]
    pub block_at: Option<String>,
    /// The spot it proves, by run and number (3/2); without a place it was read at the spot's minimum
    #[arg(long, value_name = "RUN/NUMBER", requires = "confirms", value_parser = spot)]
    pub spot: Option<(RunId, SpotId)>,
    /// With --spot: whether the spot is what the crawler read there. Without a value it was proven by other means, and --note says how
    #[arg(long, value_name = "ANSWER", requires = "spot", value_parser = choice(ANSWERS))]
    pub confirms: Option<bool>,
    /// The grid it is a point of
    #[arg(long, value_name = "NAME", requires = "point")]
    pub grid: Option<String>,
    /// With --grid: the point, a letter and a number (B3)
    #[arg(long, value_name = "POINT", requires = "grid")]
    pub point: Option<String>,
    /// The fixed inspection point of the asset
    #[arg(long, value_name = "ID")]
    pub inspection_point: Option<String>,
    /// Anything else to note; needed where the values are far apart
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub note: String,
}

const ANSWERS: &[(bool, &str, &str)] = &[(true, "yes", "the wall is as thin as the spot says"), (false, "no", "it is not")];

/// `3/2`: run 3, spot 2.
fn spot(text: &str) -> Result<(RunId, SpotId), String> {
    let parts = text.split_once('/').and_then(|(run, spot)| Some((run.trim().parse().ok()?, spot.trim().parse().ok()?)));
    parts.ok_or_else(|| "write the run and the number of its spot, as 3/2".to_owned())
}

pub fn run(args: &HandArgs) -> anyhow::Result<()> {
    let kept = enter(&args.enter, &args.note, |session, contents| said(args, session, contents))?;
    let unit = kept.contents.plan.job.units;
    let (words, more) = match &kept.statement.said {
        Said::HandReading(reading) => (in_words(reading, unit), object_of(reading)),
        said => (said.to_string(), json!({})),
    };
    kept.say(&args.enter, &words, more)
}

fn said(args: &HandArgs, session: &Session, contents: &JobContents) -> anyhow::Result<Said> {
    let unit = contents.plan.job.units;
    let proof = match args.spot.zip(args.confirms) {
        Some(((run, spot), confirmed)) => Some(session.file.reader()?.proof(run, spot, confirmed)??),
        None => None,
    };
    let place = match place(args, unit)? {
        Some(place) => Some(place),
        None => proof.as_ref().and_then(|(proof, at)| {
            let line = contents.any_run(proof.run)?.start.line.clone();
            at.map(|along| HandPlace::Line { line, along })
        }),
    };
    let proof = proof.map(|(proof, _)| proof);
    if let (Some(proof), true) = (&proof, args.values.is_empty()) {
        return Ok(Said::Confirm(proof.clone()));
    }
    let values = args.values.iter().map(|text| parse_length(text, unit)).collect::<Result<_, _>>()?;
    let at_us = session.signed().at_us;
    let block = args.block.as_deref().map(|text| block(text, args.block_at.as_deref(), at_us, unit)).transpose()?;
    Ok(Said::HandReading(Box::new(HandReading {
        place,
        values,
        gauge: HandGauge { name: args.instrument.clone(), serial: args.serial.clone(), block },
        proof,
        grid: args.grid.clone().zip(args.point.clone()).map(|(grid, point)| GridPoint { grid, point }),
        inspection_point: args.inspection_point.clone(),
    })))
}

fn place(args: &HandArgs, unit: LengthUnit) -> anyhow::Result<Option<HandPlace>> {
    let length = |text: &Option<String>| text.as_deref().map(|text| parse_length(text, unit)).transpose();
    Ok(match (&args.line, args.azimuth, &args.near) {
        (Some(line), ..) => length(&args.at)?.map(|along| HandPlace::Line { line: line.clone(), along: stored(along) }),
        (_, Some(azimuth), _) if !azimuth.is_finite() => bail!("the azimuth is not a number of degrees"),
        (_, Some(azimuth), _) => length(&args.elevation)?
            .map(|elevation| HandPlace::Wall { azimuth_millideg: (azimuth * 1e3).round() as i64, elevation: stored(elevation) }),
        (.., Some(what)) => length(&args.distance)?.map(|distance| HandPlace::Near { what: what.clone(), distance: stored(distance) }),
        _ => None,
    })
}

/// To the micrometre, as it is kept.
fn stored(length: Length) -> Length {
    Length::micrometres(length.as_micrometres())
}

fn block(text: &str, at: Option<&str>, now_us: i64, unit: LengthUnit) -> anyhow::Result<BlockRead> {
    let at_us = match at {
        Some(text) => chrono::DateTime::parse_from_rfc3339(text)
            .with_context(|| format!("--block-at: '{text}' is not a time: write it as 2026-03-01T09:30:00Z"))?
            .timestamp_micros(),
        None => now_us,
    };
    BlockRead::parse(text, at_us, unit).map_err(|why| anyhow::anyhow!("--block: {why}"))
}

fn in_words(reading: &HandReading, unit: LengthUnit) -> String {
    let thick = |length: Length| format!("{} {}", unit.thickness(length), unit.thickness_symbol());
    let mean = reading.mean().map_or_else(String::new, thick);
    let spread = match reading.values.len() {
        0 | 1 => String::new(),
        count => format!(" (mean of {count}, spread {})", thick(reading.spread())),
    };
    let proof = reading.proof.as_ref().map_or_else(String::new, |proof| format!("; {proof}"));
    format!("{mean}{spread} read by hand, {}{proof}", reading.place_words(unit))
}

fn object_of(reading: &HandReading) -> Value {
    let values: Vec<f64> = reading.values.iter().map(|value| value.as_mm()).collect();
    let mut object = json!({
        "thickness_mm": reading.mean().map(Length::as_mm), "spread_mm": reading.spread().as_mm(), "values_mm": values,
        "place": reading.place_words(LengthUnit::Mm),
    });
    if let Some(proof) = &reading.proof {
        object["proof"] = json!({"run": proof.run, "spot": proof.spot, "seq": proof.seq, "confirmed": proof.confirmed});
    }
    object
}
