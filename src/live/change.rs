//! A run that goes on with another set-up from the next shot on: with the zero that its echoes show, or read echo to echo. Says what
//! is taken and from what, or why not; the engine does it.

use super::view::LiveView;
use backwall_store::RunId;
use backwall_survey::reading::Zero;
use backwall_ultrasound::{Mode, Setup, ZeroKeeping};
use backwall_units::{Length, LengthUnit, Time, Wording};
use std::sync::Arc;

/// Shots that must agree before their zero is taken: with fewer a stretch of weld or paint would do.
const LEAST_SHOTS: u32 = 17;
/// A zero is taken only where it is known better than this on the wall, k = 2; half of what a verification allows (common practice,
/// no source).
const WELL_KNOWN: Length = Length::mm(0.05);

/// What a run is to go on with.
#[derive(Debug, Clone, PartialEq)]
pub struct GoesOnWith {
    pub run: RunId,
    pub setup: Setup,
    /// What it is, as the screen asks for it.
    pub asked: String,
    /// How it came about, as it is kept with the set-up.
    pub origin: Wording,
}

/// A change on its way to the engine; the set-up stands in the job already.
#[derive(Debug, Clone, PartialEq)]
pub struct Changed {
    pub run: RunId,
    pub setup: Box<Setup>,
    pub setup_id: i64,
    pub origin: Wording,
}

/// `+240 ns ±6 (0.71 mm ±0.02 mm), from 85 shots`; U at k = 2.
fn taken_words(zero: &Zero, length: Length, known: Length) -> Wording {
    let (late, u) = (zero.late.as_ns(), (spread(zero) * 2.0).as_ns());
    let said = Wording::from(format!("{late:+.0} ns ±{u:.0} (")).thickness(length.abs()).say(" ±").thickness(known);
    said.say(format!("), from {} shots", zero.shots))
}

/// What the estimate may be off by, k = 1: its own spread, and what it may lag behind.
fn spread(zero: &Zero) -> Time {
    Time::ns(libm::hypot(zero.uncertainty.as_ns(), zero.moving.as_ns()))
}

/// Where in the job it was.
fn place_of(said: Wording, view: &LiveView) -> Wording {
    let said = said.say(format!("in run {} on {}", view.run, view.line));
    match view.reading.as_ref().and_then(|reading| reading.place.along) {
        Some(along) => said.say(" at ").length(along, 1),
        None => said,
    }
}

/// The run's set-up with the zero that the last shots show, or why it is not to be had.
pub fn take_zero(view: &LiveView, unit: LengthUnit) -> Result<GoesOnWith, String> {
    let setup = &*view.setup;
    if setup.mode == Mode::EchoToEcho {
        return Err("this run is read echo to echo: the zero does not count".to_owned());
    }
    let Some(blocks) = &setup.calibration else {
        return Err("no calibration: there are no blocks to compare the second echo with".to_owned());
    };
    let known = view.zero.as_ref();
    if setup.zero_keeping == ZeroKeeping::Tracked {
        let now = known.map_or_else(|| "no estimate yet".to_owned(), |(zero, _)| format!("now {:+.0} ns", zero.late.as_ns()));
        return Err(format!("the zero is tracked already: every reading follows it ({now})"));
    }
    let Some((zero, length)) = known else {
        return Err("no estimate of the zero yet: no shots with two sound back-wall echoes".to_owned());
    };
    // What a nanosecond is on the wall there.
    let per_ns = if zero.late == Time::ZERO { Length::mm(0.003) } else { *length / zero.late.as_ns() };
    let u = (per_ns * (spread(zero) * 2.0).as_ns()).abs();
    let kept = taken_words(zero, *length, u);
    let words = kept.words(unit);
    if zero.shots < LEAST_SHOTS {
        return Err(format!("the zero is not sure enough: {words}; {LEAST_SHOTS} shots must agree"));
    }
    if zero.moving > zero.uncertainty * 2.0 && (per_ns * zero.moving.as_ns()).abs() > WELL_KNOWN {
        return Err(format!(
            "the zero is still moving, by {:.0} ns over the last shots: wait, or E reads echo to echo",
            zero.moving.as_ns()
        ));
    }
    if u > WELL_KNOWN {
        let (least, symbol) = (unit.thickness(WELL_KNOWN), unit.thickness_symbol());
        return Err(format!("the zero is not sure enough: {words}; U must be under {least} {symbol}"));
    }
    if zero.late.abs() <= spread(zero) * 2.0 {
        return Err(format!("the zero has not moved: {words}"));
    }
    let mut blocks = (**blocks).clone();
    blocks.zero = to_picoseconds(blocks.zero + zero.late);
    blocks.budget.zero = to_picoseconds(Time::ns(libm::hypot(blocks.budget.zero.as_ns(), spread(zero).as_ns())));
    let origin = place_of("zero taken ".into(), view).say(": ").then(&kept).say("; U k=2");
    blocks.warnings.push(origin.clone());
    let setup = Setup { zero: blocks.zero, calibration: Some(Arc::new(blocks)), ..setup.clone() };
    Ok(GoesOnWith { run: view.run, setup, asked: format!("Take the zero {words}?"), origin })
}

/// The run's set-up read echo to echo, or why it is not to be had.
pub fn echo_to_echo(view: &LiveView, unit: LengthUnit) -> Result<GoesOnWith, String> {
    if view.setup.mode == Mode::EchoToEcho {
        return Err("this run is read echo to echo already".to_owned());
    }
    let Some(found) = view.disagreement else {
        return Err("first echo and echo to echo do not disagree: E works where they do".to_owned());
    };
    let setup = Setup { mode: Mode::EchoToEcho, ..(*view.setup).clone() };
    let origin = place_of("echo to echo ".into(), view).say(": ").then(&found.wording());
    let (by_spacing, by_first) = (unit.thickness(found.echo_to_echo), unit.thickness(found.first_echo));
    let asked = format!("Read echo to echo from here on ({by_spacing}, first echo {by_first})?");
    Ok(GoesOnWith { run: view.run, setup, asked, origin })
}

fn to_picoseconds(time: Time) -> Time {
    Time::ns((time.as_ns() * 1e3).round() / 1e3)
}
