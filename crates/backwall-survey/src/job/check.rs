//! Finds every mistake in a plan and says where it stands: file, line, key, and what to do.

use super::assess::AssessPlan;
use super::plan::{Course, Plan};
use crate::travel::Direction;
use backwall_units::Length;
use std::fmt;

/// One mistake.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// 1-based; `None` where the file has no such line to point at.
    pub line: Option<usize>,
    /// The key, as a path: `asset.course[1].nominal_mm`.
    pub key: String,
    pub message: String,
}

/// A file that cannot be used, with all its mistakes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct PlanError {
    pub file: String,
    pub problems: Vec<Problem>,
}

impl fmt::Display for PlanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            if index > 0 {
                f.write_str("\n")?;
            }
            f.write_str(&self.file)?;
            if let Some(line) = problem.line {
                write!(f, ":{line}")?;
            }
            f.write_str(": ")?;
            if !problem.key.is_empty() {
                write!(f, "{}: ", problem.key)?;
            }
            f.write_str(&problem.message)?;
        }
        Ok(())
    }
}

/// 1-based line of a byte offset.
pub fn line_of(text: &str, offset: usize) -> usize {
    text.as_bytes()[..offset.min(text.len())].iter().filter(|byte| **byte == b'\n').count() + 1
}

/// Turns what the TOML reader says into a problem with its line.
pub fn toml_problem(text: &str, error: &toml::de::Error) -> Problem {
    Problem { line: error.span().map(|span| line_of(text, span.start)), key: String::new(), message: error.message().replace('\n', " ") }
}

/// Where a key path stands in the text. A path that does not exist points at the deepest part that does.
pub fn line_of_key(text: &str, path: &str) -> Option<usize> {
    use toml::de::{DeTable, DeValue};
    let table = DeTable::parse(text).ok()?;
    let mut line = None;
    let mut here: Option<&DeValue<'_>> = None;
    let root = table.get_ref();
    for part in path.split('.') {
        let (key, index) = match part.split_once('[') {
            Some((key, rest)) => (key, rest.trim_end_matches(']').parse::<usize>().ok()),
            None => (part, None),
        };
        let table: &DeTable<'_> = match here {
            None => root,
            Some(DeValue::Table(table)) => table,
            Some(_) => return line,
        };
        let Some((name, value)) = table.iter().find(|(name, _)| name.get_ref() == key) else {
            return line;
        };
        line = Some(line_of(text, name.span().start));
        let mut value = value;
        if let (Some(index), DeValue::Array(items)) = (index, value.get_ref()) {
            let Some(item) = items.get(index) else {
                return line;
            };
            line = Some(line_of(text, item.span().start));
            value = item;
        }
        here = Some(value.get_ref());
    }
    line
}

/// Collects problems by key path; their lines are looked up at the end.
struct Findings<'a> {
    text: &'a str,
    problems: Vec<Problem>,
}

impl Findings<'_> {
    fn add(&mut self, key: impl Into<String>, message: impl Into<String>) {
        let key = key.into();
        self.problems.push(Problem { line: line_of_key(self.text, &key), key, message: message.into() });
    }
    fn positive(&mut self, key: impl Into<String>, value: f64) {
        if !(value.is_finite() && value > 0.0) {
            self.add(key, format!("{value} is not possible: it must be greater than 0"));
        }
    }
    fn not_negative(&mut self, key: impl Into<String>, value: f64) {
        if !(value.is_finite() && value >= 0.0) {
            self.add(key, format!("{value} is not possible: it must be 0 or greater"));
        }
    }
    fn within(&mut self, key: impl Into<String>, value: f64, low: f64, high: f64, unit: &str) {
        if !(value.is_finite() && value >= low && value <= high) {
            self.add(key, format!("{value} is not possible: it must be between {low} and {high} {unit}"));
        }
    }
    fn filled(&mut self, key: impl Into<String>, text: &str) {
        if text.trim().is_empty() {
            self.add(key, "is empty: fill it in");
        }
    }
    fn once<'b>(&mut self, what: &str, keys: impl Iterator<Item = (String, &'b str)>) {
        let mut seen = std::collections::HashSet::new();
        for (key, name) in keys {
            if !seen.insert(name.to_owned()) {
                self.add(key, format!("{what} {name} is given twice: give each its own"));
            }
        }
    }
}

pub(super) fn parse(file: &str, text: &str) -> Result<Plan, PlanError> {
    let refuse = |problems| PlanError { file: file.to_owned(), problems };
    let plan: Plan = toml::from_str(text).map_err(|error| refuse(vec![toml_problem(text, &error)]))?;
    let problems = problems(&plan, text);
    if problems.is_empty() { Ok(plan) } else { Err(refuse(problems)) }
}

/// Every impossible value of a plan.
fn problems(plan: &Plan, text: &str) -> Vec<Problem> {
    let mut found = Findings { text, problems: Vec::new() };
    found.filled("job.number", &plan.job.number);
    for (index, person) in plan.people.iter().enumerate() {
        found.filled(format!("person[{index}].name"), &person.name);
    }
    found.positive("asset.diameter_mm", plan.asset.diameter.as_mm());
    if let Some(temperature) = plan.asset.surface_temperature {
        found.within("asset.surface_temperature_c", temperature.as_celsius(), -60.0, 500.0, "°C");
    }
    if plan.asset.courses.is_empty() {
        found.add("asset", "has no [[asset.course]]: describe at least one, with number, height_mm and nominal_mm");
    }
    for (index, course) in plan.asset.courses.iter().enumerate() {
        let key = |name: &str| format!("asset.course[{index}].{name}");
        found.positive(key("height_mm"), course.height.as_mm());
        found.positive(key("nominal_mm"), course.nominal.as_mm());
        if let Some(required) = course.required {
            found.positive(key("required_mm"), required.as_mm());
            if required > course.nominal {
                found.add(key("required_mm"), format!("{required} is more than the nominal {}: check both", course.nominal));
            }
        }
        course_inputs(&mut found, course, &key);
    }
    let numbers: Vec<String> = plan.asset.courses.iter().map(|course| course.number.to_string()).collect();
    found.once("course", numbers.iter().enumerate().map(|(i, n)| (format!("asset.course[{i}].number"), n.as_str())));
    let height = plan.asset.courses.iter().fold(Length::ZERO, |sum, course| sum + course.height);
    for (index, line) in plan.lines.iter().enumerate() {
        let key = |name: &str| format!("line[{index}].{name}");
        found.filled(key("name"), &line.name);
        found.positive(key("length_mm"), line.length.as_mm());
        found.not_negative(key("start_mm"), line.start.as_mm());
        if let Some(azimuth) = line.azimuth_deg {
            found.within(key("azimuth_deg"), azimuth, 0.0, 360.0, "degrees");
        }
        if let Some(course) = line.course
            && !plan.asset.courses.iter().any(|known| known.number == course)
        {
            found.add(key("course"), format!("there is no course {course}"));
        }
        if line.direction == Direction::Down && line.start < line.length {
            found.add(
                key("start_mm"),
                format!(
                    "a line down from {} by {} would end below the datum: start_mm is the elevation where it starts",
                    line.start, line.length
                ),
            );
        }
        if line.direction == Direction::Up && line.start > height {
            found.add(key("start_mm"), format!("{} is above the top of the last course at {height}", line.start));
        }
    }
    found.once("line", plan.lines.iter().enumerate().map(|(i, line)| (format!("line[{i}].name"), line.name.as_str())));
    if !plan.encoder.counts_per_mm.is_finite() || plan.encoder.counts_per_mm == 0.0 {
        found.add("encoder.counts_per_mm", format!("{} is not possible: it must be a number other than 0", plan.encoder.counts_per_mm));
    }
    found.within("probe.frequency_mhz", plan.probe.frequency.as_mhz(), 0.1, 50.0, "MHz");
    found.within("probe.element_separation_mm", plan.probe.element_separation.as_mm(), 0.0, 100.0, "mm");
    found.not_negative("probe.minimum_mm", plan.probe.minimum.as_mm());
    if let Some(beam) = plan.probe.beam_width {
        found.within("probe.beam_width_mm", beam.as_mm(), 0.1, 100.0, "mm");
    }
    let setup = &plan.setup;
    found.within("setup.velocity_m_s", setup.velocity.as_m_s(), 500.0, 15000.0, "m/s");
    found.not_negative("setup.zero_ns", setup.zero.as_ns());
    if let Some(start) = setup.gate_start {
        found.not_negative("setup.gate_start_us", start.as_us());
    }
    if let Some(length) = setup.gate_length {
        found.positive("setup.gate_length_us", length.as_us());
    }
    if let Some(threshold) = setup.gate_threshold_pct {
        found.within("setup.gate_threshold_pct", threshold, 1.0, 100.0, "% of full screen height");
    }
    found.within("setup.block_temperature_c", setup.block_temperature.as_celsius(), -60.0, 500.0, "°C");
    found.within("setup.velocity_slope_m_s_k", setup.velocity_slope_m_s_k, -20.0, 20.0, "m/s per kelvin");
    let gate = plan.typed_setup().gate;
    if (setup.gate_start.is_some() || setup.gate_length.is_some()) && gate.end() <= setup.zero {
        found.add("setup.gate_start_us", format!("the gate ends before the zero of {}: no wall could ever be in it", setup.zero));
    }
    found.not_negative("limits.watch_margin_mm", plan.limits.watch_margin.as_mm());
    found.positive("limits.max_speed_mm_s", plan.limits.max_speed.as_mm_s());
    found.positive("limits.max_gap_mm", plan.limits.max_gap.as_mm());
    found.not_negative("alarm.hysteresis_mm", plan.alarm.hysteresis.as_mm());
    found.not_negative("alarm.minimum_length_mm", plan.alarm.minimum_length.as_mm());
    found.not_negative("alarm.join_mm", plan.alarm.join.as_mm());
    let verification = &plan.verification;
    found.positive("verification.tolerance_mm", verification.tolerance.as_mm());
    found.within("verification.tolerance_pct", verification.tolerance_pct, 0.0, 10.0, "% of the block");
    found.within("verification.every_h", verification.every_h, 0.1, 1000.0, "hours");
    if let Some(assess) = &plan.assess {
        assess_inputs(&mut found, assess);
    }
    found.problems
}

/// What an assessment takes from a course.
fn course_inputs(found: &mut Findings<'_>, course: &Course, key: &impl Fn(&str) -> String) {
    if let Some(original) = course.original {
        found.positive(key("original_mm"), original.as_mm());
    }
    if let Some(efficiency) = course.joint_efficiency {
        found.positive(key("joint_efficiency"), efficiency);
        found.within(key("joint_efficiency"), efficiency, 0.0, 1.0, "(a part, not percent)");
    }
    let stresses = [("allowable_stress_mpa", course.allowable_stress), ("yield_mpa", course.yield_stress), ("tensile_mpa", course.tensile)];
    for (name, stress) in stresses {
        if let Some(stress) = stress {
            // Below 20 or above 1500 MPa it is no structural steel but another unit.
            found.within(key(name), stress.as_mpa(), 20.0, 1500.0, "MPa");
        }
    }
    if let (Some(yield_stress), Some(tensile)) = (course.yield_stress, course.tensile)
        && tensile < yield_stress
    {
        found.add(key("tensile_mpa"), "is less than yield_mpa: check both");
    }
    for (index, wall) in course.earlier.iter().enumerate() {
        found.positive(key(&format!("earlier[{index}].thickness_mm")), wall.thickness.as_mm());
    }
}

fn assess_inputs(found: &mut Findings<'_>, assess: &AssessPlan) {
    let lengths = [("fill_height_mm", assess.fill_height), ("track_mm", assess.track)];
    for (name, length) in lengths {
        if let Some(length) = length {
            found.positive(format!("assess.{name}"), length.as_mm());
        }
    }
    if let Some(block) = assess.block {
        found.within("assess.block_mm", block.as_mm(), 10.0, 10_000.0, "mm");
    }
    if let Some(gravity) = assess.specific_gravity {
        found.within("assess.specific_gravity", gravity, 0.1, 5.0, "(water is 1)");
    }
    if let Some(pressure) = assess.design_pressure {
        found.positive("assess.design_pressure_mpa", pressure.as_mpa());
    }
    if let Some(allowance) = assess.corrosion_allowance {
        found.not_negative("assess.corrosion_allowance_mm", allowance.as_mm());
    }
    if let Some(interval) = assess.interval {
        found.within("assess.interval_years", interval.as_years(), 0.1, 50.0, "years");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = include_str!("../../../../tests/data/plan.toml");

    #[test]
    fn the_example_plan_is_read() {
        let plan = Plan::parse("plan.toml", GOOD).unwrap();
        assert_eq!(plan.job.number, "FP-0412");
        assert_eq!(plan.people[0].expires.unwrap().to_string(), "2027-08-31");
        // Nothing of the gate is in it: it is found.
        assert_eq!((plan.setup.gate_start, plan.typed_setup().gate.threshold_pct), (None, 2.0));
        let given = GOOD.replace("zero_ns = 12000.0", "zero_ns = 12000.0\ngate_start_us = 12.5\ngate_threshold_pct = 20.0");
        let gate = Plan::parse("plan.toml", &given).unwrap().typed_setup().gate;
        assert_eq!((gate.start.as_us(), gate.threshold_pct, gate.end()), (12.5, 20.0, plan.typed_setup().gate.end()));
        // What is stored of a plan is read back the same.
        let json = serde_json::to_string(&plan).unwrap();
        assert_eq!(serde_json::from_str::<Plan>(&json).unwrap(), plan);
    }

    #[test]
    fn an_unknown_key_is_refused_with_its_line() {
        let text = GOOD.replace("max_gap_mm", "max_gape_mm");
        let error = Plan::parse("plan.toml", &text).unwrap_err().to_string();
        let line = text.lines().position(|line| line.contains("max_gape_mm")).unwrap() + 1;
        assert!(error.starts_with(&format!("plan.toml:{line}: ")), "{error}");
        assert!(error.contains("max_gape_mm"), "{error}");
    }

    #[test]
    fn every_impossible_value_is_named_with_its_line_and_key() {
        let text = GOOD
            .replace("nominal_mm = 10.0", "nominal_mm = -10.0")
            .replace("counts_per_mm = 40.0", "counts_per_mm = 0.0")
            .replace("zero_ns = 12000.0", "zero_ns = 12000.0\ngate_length_us = 0");
        let error = Plan::parse("plan.toml", &text).unwrap_err();
        for (key, needle) in [
            ("asset.course[0].nominal_mm", "nominal_mm = -10"),
            ("encoder.counts_per_mm", "counts_per_mm = 0.0"),
            ("setup.gate_length_us", "gate_length_us = 0"),
        ] {
            let line = text.lines().position(|line| line.contains(needle)).unwrap() + 1;
            let problem = error.problems.iter().find(|problem| problem.key == key).unwrap_or_else(|| panic!("{key} in {error}"));
            assert_eq!(problem.line, Some(line), "{error}");
        }
    }

    #[test]
    fn what_the_procedure_asks_of_verifications_is_read_and_what_it_leaves_open_is_common_practice() {
        let plan = |more: &str| Plan::parse("plan.toml", &format!("{GOOD}\n[verification]\n{more}"));
        let read = plan("tolerance_mm = 0.05\ntolerance_pct = 0\nevery_h = 2").unwrap().verification;
        assert_eq!((read.tolerance(Length::mm(20.0)), read.every_h), (Length::mm(0.05), 2.0));
        assert_eq!(plan("every_h = 1.5").unwrap().verification.tolerance, Length::mm(0.1));
        assert_eq!(Plan::parse("plan.toml", GOOD).unwrap().verification, Default::default());
        for (wrong, key) in [("tolerance_mm = 0", "tolerance_mm"), ("tolerance_pct = 100", "tolerance_pct"), ("every_h = -1", "every_h")] {
            let error = plan(wrong).unwrap_err();
            assert!(error.problems.iter().any(|problem| problem.key == format!("verification.{key}")), "{error}");
        }
        assert!(plan("tolerance = 0.1").unwrap_err().to_string().contains("unknown field `tolerance`"));
    }

    #[test]
    fn inputs_of_an_assessment_are_read_and_impossible_ones_named() {
        let course = "required_mm = 6.2\noriginal_mm = 10.1\njoint_efficiency = 0.7\nallowable_stress_mpa = 162.7\n\
                      earlier = [{ date = 2019-05-31, thickness_mm = 9.1, source = \"report 3\" }]";
        let assess =
            "\n[assess]\ncode = \"api-653\"\npiping_class = 2\nbuilt = 1998-06-01\nfill_height_mm = 11000\nspecific_gravity = 0.9\n";
        let text = GOOD.replace("required_mm = 6.2", course) + assess;
        let plan = Plan::parse("plan.toml", &text).unwrap();
        assert_eq!(plan.asset.courses[0].earlier[0].date.to_string(), "2019-05-31");
        assert_eq!(plan.assess.as_ref().unwrap().fill_height, Some(Length::mm(11000.0)));
        let json = serde_json::to_string(&plan).unwrap();
        assert_eq!(serde_json::from_str::<Plan>(&json).unwrap(), plan);
        for (good, bad, key) in [
            ("specific_gravity = 0.9", "specific_gravity = 900", "assess.specific_gravity"),
            ("fill_height_mm = 11000", "fill_height_mm = -1", "assess.fill_height_mm"),
            ("joint_efficiency = 0.7", "joint_efficiency = 70", "asset.course[0].joint_efficiency"),
            ("allowable_stress_mpa = 162.7", "allowable_stress_mpa = 23600", "asset.course[0].allowable_stress_mpa"),
            ("thickness_mm = 9.1", "thickness_mm = 0", "asset.course[0].earlier[0].thickness_mm"),
        ] {
            let error = Plan::parse("plan.toml", &text.replace(good, bad)).unwrap_err();
            assert!(error.problems.iter().any(|problem| problem.key == key), "{error}");
        }
        for (good, bad) in [("piping_class = 2", "piping_class = 9"), ("api-653", "api-999"), ("built =", "build =")] {
            assert!(Plan::parse("plan.toml", &text.replace(good, bad)).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_file_that_is_not_toml_says_where() {
        let error = Plan::parse("plan.toml", "[job]\nnumber = \"x\nsite = 3").unwrap_err();
        assert_eq!(error.problems[0].line, Some(2));
    }
}
