//! When to measure again at the latest, by the interval rules of the inspection codes.

use super::worked::{FormulaSource, Refusal, Worked, WorkedAnswer};
use backwall_units::Years;
use serde::{Deserialize, Serialize};

/// Which code's rules an asset is inspected under.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rules {
    #[serde(rename = "api-653")]
    Tank,
    #[serde(rename = "api-510")]
    Vessel,
    #[serde(rename = "api-570")]
    Piping,
}

/// Piping service class: 1 is the one with the gravest consequences.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum PipingClass {
    One,
    Two,
    Three,
}

impl TryFrom<u8> for PipingClass {
    type Error = String;
    fn try_from(number: u8) -> Result<Self, String> {
        match number {
            1 => Ok(Self::One),
            2 => Ok(Self::Two),
            3 => Ok(Self::Three),
            _ => Err(format!("there is no rule for piping class {number}: 1, 2 or 3 (class 4 is optional in the code)")),
        }
    }
}

impl From<PipingClass> for u8 {
    fn from(class: PipingClass) -> Self {
        match class {
            PipingClass::One => 1,
            PipingClass::Two => 2,
            PipingClass::Three => 3,
        }
    }
}

const TANK: FormulaSource =
    FormulaSource::published("API 653, ultrasonic thickness and external inspection intervals (3rd to 5th edition wording)");
const VESSEL: FormulaSource = FormulaSource::published("API 510, internal or on-stream inspection interval");
const PIPING: FormulaSource =
    FormulaSource::from_memory("API 570, Table 1 (thickness measurement intervals by class), half the remaining life at most");

/// How long a wall lasts, and how that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lasts {
    /// By a rate.
    Rate(Years),
    /// At least so long: nothing changed by more than U, so that only a bound of the rate is known.
    AtLeast(Years),
    /// The rate is not known; whether anything is left over the required thickness.
    Unknown { left: bool },
}

/// Tank shell from outside: thickness by min(RCA/2N, 15 y), 5 y while the rate is not known. RCA/N is the remaining life.
pub fn tank_thickness(lasts: Lasts) -> Result<WorkedAnswer<Years>, Refusal> {
    let title = "Next thickness measurement, tank shell";
    tank(title, "min(RL / 2, 15 y), RL = (t_actual - t_min) / N; 5 y at most while N is not known", lasts, (2.0, 15.0))
}

/// Tank shell, external inspection by eye: min(RCA/4N, 5 y).
pub fn tank_external(lasts: Lasts) -> Result<WorkedAnswer<Years>, Refusal> {
    tank("Next external inspection, tank shell", "min(RL / 4, 5 y), RL = (t_actual - t_min) / N", lasts, (4.0, 5.0))
}

/// Years for a shell of which the rate is not known.
const RATE_UNKNOWN: f64 = 5.0;

fn tank(title: &str, formula: &str, lasts: Lasts, (part, most): (f64, f64)) -> Result<WorkedAnswer<Years>, Refusal> {
    let (life, value) = match lasts {
        Lasts::Rate(life) => checked(title, life).map(|life| (Some(life), (life / part).min(most)))?,
        Lasts::AtLeast(life) => checked(title, life).map(|life| (Some(life), (life / part).min(most.min(RATE_UNKNOWN))))?,
        Lasts::Unknown { left } => (None, if left { most.min(RATE_UNKNOWN) } else { 0.0 }),
    };
    let mut worked = Worked::new(title, formula, TANK);
    if let Some(life) = life {
        worked = worked.given("RL", "remaining life", life, "y");
    }
    let worked = worked
        .gives("", "at the latest after", value, "y")
        .caution_if(value <= 0.0, "the wall is at or below its required thickness now, or within U of it")
        .caution_if(matches!(lasts, Lasts::AtLeast(_)), "nothing changed by more than U: the rate counts as not known")
        .caution_if(matches!(lasts, Lasts::Unknown { .. }), "the rate is not known");
    Ok(WorkedAnswer::new(Years::new(value), worked))
}

/// Pressure vessel, internal or on-stream: min(RL/2, 10 y); below 4 years of life the whole of it, 2 years at most.
pub fn vessel(life: Years) -> Result<WorkedAnswer<Years>, Refusal> {
    let title = "Next internal or on-stream inspection";
    let life = checked(title, life)?;
    let value = if life < 4.0 { life.min(2.0) } else { (life / 2.0).min(10.0) };
    let worked = Worked::new(title, "min(RL / 2, 10 y); RL below 4 y: RL, not above 2 y", VESSEL)
        .given("RL", "remaining life", life, "y")
        .gives("", "at the latest after", value, "y");
    Ok(WorkedAnswer::new(Years::new(value), worked))
}

/// Piping: min(RL/2, what its class allows).
pub fn piping(life: Years, class: PipingClass) -> Result<WorkedAnswer<Years>, Refusal> {
    let title = "Next thickness measurement, piping";
    let life = checked(title, life)?;
    let most = match class {
        PipingClass::One => 5.0,
        PipingClass::Two | PipingClass::Three => 10.0,
    };
    let value = (life / 2.0).min(most);
    let worked = Worked::new(title, "min(RL / 2, longest of the class)", PIPING)
        .given("RL", "remaining life", life, "y")
        .given("", "class", f64::from(u8::from(class)), "")
        .given("", "longest of the class", most, "y")
        .gives("", "at the latest after", value, "y")
        .caution("injection points have a shorter interval (3 y, from memory)");
    Ok(WorkedAnswer::new(Years::new(value), worked))
}

fn checked(title: &str, life: Years) -> Result<f64, Refusal> {
    let life = life.as_years();
    if life.is_finite() && life >= 0.0 { Ok(life) } else { Err(Refusal::impossible(title, "the remaining life is not a number of years")) }
}
