//! Limits of a number that are worked out: from other answers, from the statics of a magnet on a wall, from the height of a fall.

use super::{Answer, AnswerValue, Checklist, Conditions, Item, ItemKind, number_in};
use serde::{Deserialize, Serialize};

/// Standard gravity, m/s².
const GRAVITY: f64 = 9.806_65;
/// What falls is thrown aside with this, m/s, and bounces this far, m. Common practice, no source.
const THROWN_M_S: f64 = 2.0;
const BOUNCE_M: f64 = 2.0;

/// Where the limits of a number come from besides `min` and `max`.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum WorkedBounds {
    #[default]
    Nowhere,
    /// The answer to another item is the most that passes; `max` counts as long as there is none.
    MaxFrom(String),
    /// The least pull that holds the crawler.
    Pull(Pull),
    /// The least radius of the closed area under the highest line.
    DropZone,
}

/// The items that a pull test's limit is worked out from, and the safety factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pull {
    /// Item with the crawler's mass, kg.
    pub mass: String,
    /// Item with the mass of the cable that hangs from it, kg.
    pub cable: String,
    /// Item with the friction of its treads on the wall.
    pub friction: String,
    pub safety: f64,
    /// Item that says which way it was pulled.
    pub way: String,
    /// The choice of `way` that means along the wall; any other means straight off it.
    pub along: String,
}

/// What a number must lie between, and why where that was worked out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Bounds {
    pub min: Option<f64>,
    pub max: Option<f64>,
    pub why: Option<String>,
}

/// The pull that holds a weight of 1 with a safety of 1 on a wall that leans out by `lean_deg` (0 upright, 90 overhead): slip and
/// lift-off together, `cos β / µ + sin β`.
pub fn holding(lean_deg: f64, friction: f64) -> f64 {
    let lean = lean_deg.to_radians();
    libm::cos(lean) / friction + libm::sin(lean)
}

/// The most of [`holding`] on the way from upright to `steepest_deg`: at `tan β = µ`, if the way leads past it.
pub fn holding_on_the_way(steepest_deg: f64, friction: f64) -> f64 {
    let worst = libm::atan(friction).to_degrees();
    holding(worst.min(steepest_deg.max(0.0)), friction)
}

/// How far from below the line something that falls `height_m` comes to lie, m.
pub fn drop_zone_m(height_m: f64) -> f64 {
    THROWN_M_S * (2.0 * height_m.max(0.0) / GRAVITY).sqrt() + BOUNCE_M
}

impl Checklist {
    /// What the answer to a number must lie between; says what is missing where that cannot be worked out.
    pub fn bounds(&self, item: &Item, answers: &[Answer], conditions: &Conditions) -> Result<Bounds, String> {
        let ItemKind::Number { min, max, worked, .. } = &item.kind else { return Ok(Bounds::default()) };
        let plain = Bounds { min: *min, max: *max, why: None };
        let given = |id: &str| self.item(id).and_then(|item| self.answer(item, answers)).map(|answer| &answer.value);
        let number = |id: &str| match given(id) {
            Some(AnswerValue::Number(number)) => Ok(*number),
            _ => Err(format!("'{}' is to be answered first: the limit is worked out from it", self.item(id).map_or(id, |item| &item.ask))),
        };
        match worked {
            WorkedBounds::Nowhere => Ok(plain),
            WorkedBounds::MaxFrom(id) => Ok(match number(id) {
                Ok(limit) => Bounds { max: Some(limit), ..plain },
                Err(_) => plain,
            }),
            WorkedBounds::DropZone => {
                let height = conditions.height.as_metres();
                let least = (drop_zone_m(height) * 10.0).ceil() / 10.0;
                let (fall, away) =
                    (number_in((height * 10.0).round() / 10.0, "m", conditions.unit), number_in(least, "m", conditions.unit));
                let why = format!("what falls {fall} may land {away} away, bounce included; add loose cable and wind");
                Ok(Bounds { min: Some(min.unwrap_or(0.0).max(least)), why: Some(why), ..plain })
            }
            WorkedBounds::Pull(pull) => {
                let (mass, friction) = (number(&pull.mass)? + number(&pull.cable)?, number(&pull.friction)?);
                let along = match given(&pull.way) {
                    Some(AnswerValue::Choice(way)) => *way == pull.along,
                    _ => return Err("first say which way it was pulled: straight off and along the wall have different limits".to_owned()),
                };
                let weight = mass * GRAVITY;
                let factor = pull.safety * holding_on_the_way(conditions.lean_deg, friction) * if along { friction } else { 1.0 };
                let why = format!(
                    "{factor:.2} times the weight of {} ({}); safety {}, friction {friction}, {}",
                    number_in((weight * 10.0).round() / 10.0, "N", conditions.unit),
                    number_in(mass, "kg", conditions.unit),
                    pull.safety,
                    if conditions.lean_deg > 0.0 { "the wall leans out" } else { "the wall is upright" }
                );
                let least = (factor * weight * 10.0).round() / 10.0;
                Ok(Bounds { min: Some(min.unwrap_or(0.0).max(least)), why: Some(why), ..plain })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Statics: F = S·W·(cos β/µ + sin β); the values are worked by hand from it.
    #[test]
    fn the_pull_that_holds_is_greatest_where_the_wall_leans_out_by_the_angle_of_friction() {
        let at = |lean, friction| (2.0 * holding(lean, friction) * 100.0).round() / 100.0;
        assert_eq!((at(0.0, 0.5), at(26.565, 0.5), at(90.0, 0.5)), (4.0, 4.47, 2.0));
        assert_eq!((at(0.0, 0.3), at(0.0, 0.2)), (6.67, 10.0));
        let worst = |lean, friction| (2.0 * holding_on_the_way(lean, friction) * 100.0).round() / 100.0;
        assert_eq!((worst(0.0, 0.5), worst(10.0, 0.5), worst(90.0, 0.5)), (4.0, at(10.0, 0.5), 4.47));
        // S·√(1 + 1/µ²).
        assert!((holding_on_the_way(90.0, 0.3) - (1.0 + 1.0 / 0.09_f64).sqrt()).abs() < 1e-12);
    }

    // Ballistics: x = v·√(2H/g) with v = 2 m/s gives 2.02, 2.86, 3.50, 4.04 and 4.95 m; 2 m of bounce are added.
    #[test]
    fn the_closed_area_grows_with_the_height_of_the_line() {
        for (height, aside) in [(5.0, 2.02), (10.0, 2.86), (15.0, 3.50), (20.0, 4.04), (30.0, 4.95)] {
            assert!((drop_zone_m(height) - 2.0 - aside).abs() < 0.005, "{height} m");
        }
    }

    const TEMPLATE: &str = r#"
name = "pull"
title = "Pull"
caution = "care"
item = [
  { id = "mass", group = "a", ask = "Mass", kind = "number", unit = "kg" },
  { id = "cable", group = "a", ask = "Cable", kind = "number", unit = "kg" },
  { id = "friction", group = "a", ask = "Friction", kind = "number", unit = "" },
  { id = "way", group = "a", ask = "Way", kind = "choice", choices = ["straight off", "along"] },
  { id = "pull", group = "a", ask = "Pull", kind = "number", unit = "N", hold = true, pull = { mass = "mass", cable = "cable", friction = "friction", safety = 2.0, way = "way", along = "along" } },
  { id = "zone", group = "a", ask = "Zone", kind = "number", unit = "m", min = 3.0, drop_zone = true },
  { id = "gas-limit", group = "a", ask = "Limit", kind = "number", unit = "%" },
  { id = "gas", group = "a", ask = "Gas", kind = "number", unit = "%", max = 0.0, max_from = "gas-limit" },
]
"#;

    fn answer(item: &str, value: AnswerValue) -> Answer {
        Answer { item: item.into(), value, note: String::new(), by: Default::default() }
    }

    // 12 kg and 20 m of 0.15 kg/m are 15 kg or 147.1 N; straight off 588.4 N on a wall, along it 294.2 N.
    #[test]
    fn a_pull_test_is_held_against_weight_friction_lean_and_the_way_it_was_pulled() {
        let list = Checklist::parse("pull.toml", TEMPLATE).unwrap();
        let item = list.item("pull").unwrap();
        let mut answers = vec![answer("mass", AnswerValue::Number(12.0)), answer("cable", AnswerValue::Number(3.0))];
        let wall = Conditions::default();
        assert!(list.bounds(item, &answers, &wall).unwrap_err().contains("'Friction' is to be answered first"));
        answers.push(answer("friction", AnswerValue::Number(0.5)));
        assert!(list.bounds(item, &answers, &wall).unwrap_err().contains("which way"));
        answers.push(answer("way", AnswerValue::Choice("straight off".into())));
        let least = |answers: &[Answer], lean_deg| {
            list.bounds(item, answers, &Conditions { lean_deg, ..Conditions::default() }).unwrap().min.unwrap()
        };
        assert_eq!((least(&answers, 0.0), least(&answers, 90.0)), (588.4, 657.9));
        answers.push(answer("way", AnswerValue::Choice("along".into())));
        assert_eq!(least(&answers, 0.0), 294.2);
        // Twice the weight straight off passed before; it does not hold.
        answers.push(answer("way", AnswerValue::Choice("straight off".into())));
        answers.push(answer("pull", AnswerValue::Number(295.0)));
        let state = list.state(item, &answers, &wall);
        assert!(matches!(&state, crate::job::ItemState::Failed(why) if why.contains("under the limit of 588.4 N")), "{state:?}");
        answers.push(answer("pull", AnswerValue::Number(590.0)));
        assert_eq!(list.state(item, &answers, &wall), crate::job::ItemState::Passed);
        // A heavier cable later on: the same pull is too little.
        answers.push(answer("cable", AnswerValue::Number(4.0)));
        assert!(matches!(list.state(item, &answers, &wall), crate::job::ItemState::Failed(_)));
    }

    #[test]
    fn limits_come_from_the_height_of_the_line_and_from_the_permit() {
        let list = Checklist::parse("pull.toml", TEMPLATE).unwrap();
        let of = |id: &str, answers: &[Answer], height| {
            let height = backwall_units::Length::mm(height);
            list.bounds(list.item(id).unwrap(), answers, &Conditions { height, ..Conditions::default() }).unwrap()
        };
        assert_eq!((of("zone", &[], 0.0).min, of("zone", &[], 20_000.0).min), (Some(3.0), Some(6.1)));
        assert_eq!(of("gas", &[], 0.0).max, Some(0.0));
        assert_eq!(of("gas", &[answer("gas-limit", AnswerValue::Number(5.0))], 0.0).max, Some(5.0));
    }

    #[test]
    fn a_limit_from_an_item_that_is_not_there_is_a_mistake_of_the_template() {
        for wrong in
            [TEMPLATE.replace("mass = \"mass\"", "mass = \"mas\""), TEMPLATE.replace("max_from = \"gas-limit\"", "max_from = \"x\"")]
        {
            assert!(Checklist::parse("t.toml", &wrong).unwrap_err().to_string().contains("no item"), "{wrong}");
        }
        let choice = TEMPLATE.replace("along = \"along\"", "along = \"sideways\"");
        assert!(Checklist::parse("t.toml", &choice).unwrap_err().to_string().contains("sideways"));
    }
}
