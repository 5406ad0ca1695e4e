//! What a calibration is worth, in words an operator acts on: what was found, what it cannot know, what looks wrong.

use backwall_ultrasound::{Calibration, LeftOut, Ruler, Setup};
use backwall_units::{Length, Temperature, Wording};
use std::sync::Arc;

/// A block that its own calibration reads further off than this does not fit the others. Common practice, no source.
const MISFIT: Length = Length::mm(0.05);

#[derive(Debug, Clone, PartialEq, Default)]
pub struct SetupVerdict {
    /// What was found and what it cannot know.
    pub says: Vec<String>,
    /// What should be looked at before it is used.
    pub warns: Vec<String>,
}

impl SetupVerdict {
    /// With where gate and threshold come from.
    pub fn with_gate(mut self, why: Option<&Wording>) -> Self {
        self.says.extend(why.map(Wording::to_string));
        self
    }

    /// With the blocks that were left out; that comes first.
    pub fn without(mut self, left_out: &[LeftOut]) -> Self {
        let words = left_out.iter().map(|out| format!("the {:.3} mm block is LEFT OUT: {}", out.thickness.as_mm(), out.why));
        self.warns.splice(0..0, words);
        self
    }
}

/// How a set-up came about, for the job file: the blocks with their serials, and whether it was verified. Bench and command line
/// both store these words.
pub fn origin<'a>(blocks: impl IntoIterator<Item = (Length, &'a str)>, verified: bool) -> Wording {
    let blocks: Vec<_> = blocks.into_iter().collect();
    let mut said = Wording::from(format!("measured on {}", backwall_report::words::count(blocks.len() as u64, "block")));
    for (index, (thickness, serial)) in blocks.into_iter().enumerate() {
        said = said.say(if index == 0 { ": " } else { ", " }).length(thickness, 3);
        said = if serial.is_empty() { said } else { said.say(format!(" ({serial})")) };
    }
    if verified { said } else { said.say(", not verified") }
}

/// The serial of the blocks in the plan's kit, where it names one.
pub fn block_serial(plan: &backwall_survey::job::Plan) -> &str {
    plan.kit.iter().find(|kit| kit.kind.contains("block")).map_or("", |kit| kit.serial.as_str())
}

/// A wall this far off the blocks has moved the tyre's delay by more than a verification allows. Common practice, no source.
const DRIFT: Temperature = Temperature::celsius(14.0);

/// Judges `calibration`, which started from the typed values of `typed`, for walls as warm as `wall`.
pub fn of(calibration: &Calibration, typed: &Setup, wall: Temperature) -> SetupVerdict {
    let count = distinct(calibration);
    let mut says = Vec::new();
    let dual = typed.half_separation > Length::ZERO;
    match (count, calibration.velocity_fitted) {
        (_, false) if count < 2 => {
            says.push("one block: the zero is found, the velocity is as typed; nothing is known of other thicknesses".to_owned())
        }
        (_, false) => says.push("the zero is found on the blocks, the velocity is kept as typed".to_owned()),
        (2, true) => says.push("two blocks: velocity and zero are solved and fit both blocks exactly, right or wrong".to_owned()),
        (_, true) => says.push(format!("{count} blocks: velocity and zero are solved, errors are in the table of the blocks")),
    }
    if calibration.velocity_u.is_some() || calibration.half_separation_u.is_some() {
        let ruler = Ruler::new(&typed.with_calibration(Arc::new(calibration.clone())));
        let mut walls: Vec<Length> = calibration.points.iter().map(|point| point.thickness).collect();
        walls.sort_by(Length::total_cmp);
        let middle = walls.get(walls.len() / 2).copied();
        let at = middle.map_or_else(String::new, |wall| {
            format!(": ±{:.2} mm on a sound wall of {:.2} mm (k = 2)", 2.0 * ruler.uncertainty(wall).as_mm(), wall.as_mm())
        });
        says.push(format!("velocity, zero and separation are found together and are correlated{at}"));
    }
    if calibration.half_separation_u.is_some() {
        let separation = (calibration.half_separation * 2.0).as_mm();
        says.push(format!("element separation found on the blocks: {separation:.2} mm"));
    } else if dual {
        let missing = if count < 3 { "take a third and fourth block" } else { "the blocks do not fix it: use a thinner one" };
        says.push(format!(
            "NOT KNOWN: the element separation is taken from the drawing; walls thinner than the blocks, or between them, \
             may read some tenths of a millimetre off, also too thick: {missing}"
        ));
    }
    if count >= 4 {
        says.push("the remaining error is a curve over thickness, drawn with its blocks; beyond them it is only extrapolated".to_owned());
    }
    if let Some((thin, thick)) = calibration.range() {
        says.push(format!("valid from {:.2} to {:.2} mm; outside, readings have more uncertainty", thin.as_mm(), thick.as_mm()));
    }
    says.push(format!(
        "found at {:.1} °C; on a warmer wall the velocity changes by {} m/s per kelvin",
        calibration.temperature.as_celsius(),
        typed.velocity_slope_m_s_k
    ));
    let mut warns: Vec<String> = calibration.warnings.iter().map(Wording::to_string).collect();
    for point in calibration.points.iter().filter(|point| point.error.abs() > MISFIT) {
        warns.push(format!(
            "the {:.3} mm block reads {:+.3} mm off with this calibration: measure it again, or check what was typed for it",
            point.thickness.as_mm(),
            point.error.as_mm()
        ));
    }
    let apart = wall - calibration.temperature;
    if apart.abs() > DRIFT {
        warns.push(format!(
            "the wall is at {:.1} °C, {:+.1} K from the blocks: the rule corrects the velocity, not the tyre's delay, which drifts \
             more; bring the blocks to the wall's temperature, or verify on a block at it",
            wall.as_celsius(),
            apart.as_celsius()
        ));
    }
    SetupVerdict { says, warns }
}

/// Different thicknesses among the blocks.
fn distinct(calibration: &Calibration) -> usize {
    let mut all: Vec<i64> = calibration.points.iter().map(|point| point.thickness.as_micrometres()).collect();
    all.sort_unstable();
    all.dedup_by(|a, b| (*a - *b).abs() <= 10);
    all.len()
}
