//! Several lines of one area together: the critical thickness profile, and what strength a local thin area leaves.

use super::worked::{FormulaSource, Refusal, Worked, WorkedAnswer, positive};
use backwall_units::Length;

const PART_5: FormulaSource = FormulaSource::from_memory("API 579-1/ASME FFS-1 Part 5, local thin area, Level 1");

/// One place of a critical thickness profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProfileLowest {
    /// `None` where no line was read.
    pub lowest: Option<Length>,
    /// How many lines were.
    pub read: usize,
}

/// The critical thickness profile: at each place along, the lowest of all parallel lines that were read there. `None` where the lines do not
/// have the same number of places, or none.
pub fn critical_profile(lines: &[&[Option<Length>]]) -> Option<Vec<ProfileLowest>> {
    let count = lines.first()?.len();
    if count == 0 || lines.iter().any(|line| line.len() != count) {
        return None;
    }
    let place = |place: usize| {
        let read = lines.iter().filter_map(|line| line[place]);
        ProfileLowest { read: read.clone().count(), lowest: read.reduce(Length::min) }
    };
    Some((0..count).map(place).collect())
}

/// The bulging factor of a cylinder, a polynomial in the shell parameter up to its tenth power.
const BULGING: [f64; 11] =
    [1.0010, -0.014195, 0.29090, -0.096420, 0.020890, -0.0030540, 2.9570e-4, -1.8462e-5, 7.1553e-7, -1.5631e-8, 1.4656e-10];

/// The bulging factor of a cylinder; the polynomial holds up to a parameter of 10 and is never less than 1.
pub fn bulging(parameter: f64) -> Option<f64> {
    (0.0..=10.0).contains(&parameter).then(|| BULGING.iter().rev().fold(0.0, |sum, factor| sum * parameter + factor).max(1.0))
}

/// A local thin area of a cylinder, its lengths along the axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThinArea {
    pub inside_diameter: Length,
    /// The wall away from it, less what is still to come.
    pub wall: Length,
    /// The minimum in it, less what is still to come.
    pub least: Length,
    pub length: Length,
}

/// The remaining strength factor of a local thin area: R_t / (1 − (1 − R_t)/M_t).
pub fn remaining_strength(area: &ThinArea) -> Result<WorkedAnswer<f64>, Refusal> {
    let title = "Remaining strength factor of a local thin area";
    let (d, t) = (positive(title, "inside diameter", area.inside_diameter.as_mm())?, positive(title, "wall", area.wall.as_mm())?);
    let (least, s) = (positive(title, "minimum thickness", area.least.as_mm())?, positive(title, "length", area.length.as_mm())?);
    let ratio = (least / t).min(1.0);
    let parameter = 1.285 * s / libm::sqrt(d * t);
    let mut why = Vec::new();
    if ratio < 0.20 {
        why.push(format!("less than a fifth of the wall is left (R_t {ratio:.3})"));
    }
    if least < 2.5 {
        why.push(format!("a minimum of {least:.2} mm is under 2.5 mm"));
    }
    let Some(factor) = bulging(parameter).filter(|_| why.is_empty()) else {
        if why.is_empty() {
            why.push(format!("the shell parameter {parameter:.2} is above 10: take the table of the code"));
        }
        return Err(Refusal::Conditions { title: title.to_owned(), why });
    };
    let value = ratio / (1.0 - (1.0 - ratio) / factor);
    let worked = Worked::new(title, "RSF = R_t / (1 - (1 - R_t) / M_t), lambda = 1.285 s / (D t_c)^0.5", PART_5)
        .given("D", "inside diameter", d, "mm")
        .given("t_c", "wall less the loss to come", t, "mm")
        .given("", "minimum less the loss to come", least, "mm")
        .given("s", "length", s, "mm")
        .gives("R_t", "remaining thickness ratio", ratio, "")
        .gives("lambda", "shell parameter", parameter, "")
        .gives("M_t", "bulging factor", factor, "")
        .gives("RSF", "remaining strength factor", value, "")
        .caution("the distance to the next discontinuity must be 1.8 (D t_c)^0.5 or more")
        .caution("a profile of one line alone may be too thick: the critical profile is the lowest of all parallel lines");
    Ok(WorkedAnswer::new(value, worked))
}
