//! Finds every mistake in a plan and says where it stands: file, line, key, and what to do.

use super::plan::{AskedFor, Plan};
use super::walk::Walk;
use crate::travel::Direction;
use backwall_units::Length;
use serde::Deserialize;
use std::fmt;
use toml::de::{DeTable, DeValue};

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

/// The lines of a text, for whoever asks of many places: where each begins is looked up once.
pub struct LineNumbers(Vec<usize>);

impl LineNumbers {
    pub fn of(text: &str) -> Self {
        let breaks = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        Self(breaks.map(|(offset, _)| offset + 1).collect())
    }

    /// 1-based line of a byte offset.
    pub fn at(&self, offset: usize) -> usize {
        self.0.partition_point(|begins| *begins <= offset) + 1
    }
}

/// Turns what the TOML reader says into a problem with its line.
pub fn toml_problem(text: &str, error: &toml::de::Error) -> Problem {
    Problem { line: error.span().map(|span| line_of(text, span.start)), key: String::new(), message: error.message().replace('\n', " ") }
}

/// Where a key path stands in the text. A path that does not exist points at the deepest part that does.
pub fn line_of_key(text: &str, path: &str) -> Option<usize> {
    let offset = place_of_key(DeTable::parse(text).ok()?.get_ref(), path)?;
    Some(line_of(text, offset))
}

/// The same as a byte offset, in a text that was read.
fn place_of_key(root: &DeTable<'_>, path: &str) -> Option<usize> {
    let mut place = None;
    let mut here: Option<&DeValue<'_>> = None;
    for part in path.split('.') {
        let (key, index) = match part.split_once('[') {
            Some((key, rest)) => (key, rest.trim_end_matches(']').parse::<usize>().ok()),
            None => (part, None),
        };
        let table: &DeTable<'_> = match here {
            None => root,
            Some(DeValue::Table(table)) => table,
            Some(_) => return place,
        };
        let Some((name, value)) = table.iter().find(|(name, _)| name.get_ref() == key) else {
            return place;
        };
        place = Some(name.span().start);
        let mut value = value;
        if let (Some(index), DeValue::Array(items)) = (index, value.get_ref()) {
            let Some(item) = items.get(index) else {
                return place;
            };
            place = Some(item.span().start);
            value = item;
        }
        here = Some(value.get_ref());
    }
    place
}

/// What keys have to do with each other; what a single key may hold is in [`super::keys`].
struct PlanFindings<'a> {
    root: &'a DeTable<'a>,
    lines: &'a LineNumbers,
    /// Paths that do not hold what the file says: nothing is concluded from them.
    mended: &'a [String],
    problems: Vec<Problem>,
}

impl PlanFindings<'_> {
    /// A mistake at `key` that rests on `others` as well.
    fn add(&mut self, key: impl Into<String>, others: &[&str], message: impl Into<String>) {
        let key = key.into();
        let unsure = |path: &str| self.mended.iter().any(|mended| path == mended || path.starts_with(&format!("{mended}.")));
        if !unsure(&key) && !others.iter().any(|other| unsure(other)) {
            let line = place_of_key(self.root, &key).map(|place| self.lines.at(place));
            self.problems.push(Problem { line, key, message: message.into() });
        }
    }
    fn once<'b>(&mut self, what: &str, keys: impl Iterator<Item = (String, &'b str)>) {
        let mut seen: Vec<(String, &str)> = Vec::new();
        for (key, name) in keys {
            match seen.iter().find(|(_, known)| *known == name) {
                Some((first, _)) => self.add(key, &[first], format!("{what} {name} is given twice: give each its own")),
                None => seen.push((key, name)),
            }
        }
    }
}

pub(super) fn parse(file: &str, text: &str) -> Result<Plan, PlanError> {
    let (root, broken) = toml::de::DeTable::parse_recoverable(text);
    let mut problems: Vec<_> = broken.iter().map(|error| syntax_problem(text, error)).collect();
    let lines = LineNumbers::of(text);
    let mut walk = Walk::new(&lines, broken.is_empty());
    let mended = walk.plan(root.get_ref());
    let torn: Vec<_> = problems.iter().map(|problem| problem.line).collect();
    problems.extend(walk.problems.into_iter().filter(|problem| !torn.contains(&problem.line)));
    if broken.is_empty() {
        match Plan::deserialize(toml::Value::Table(mended)) {
            Ok(plan) => {
                let found = PlanFindings { root: root.get_ref(), lines: &lines, mended: &walk.mended, problems: Vec::new() };
                problems.extend(together(found, &plan));
            }
            // Only where the key table and the serde types disagree: say what the reader says.
            Err(error) if problems.is_empty() => problems.push(toml_problem(text, &error)),
            Err(_) => {}
        }
    }
    if problems.is_empty() {
        match toml::from_str(text) {
            Ok(plan) => return Ok(plan),
            Err(error) => problems.push(toml_problem(text, &error)),
        }
    }
    problems.sort_by_key(|problem| problem.line.unwrap_or(usize::MAX));
    // One slip can break several things on a line: the first says where.
    problems.dedup_by(|later, first| later.line.is_some() && later.line == first.line && torn.contains(&first.line));
    Err(PlanError { file: file.to_owned(), problems })
}

/// What is no TOML at all, with the two slips that lead there most often: a decimal comma, and text without quotes.
fn syntax_problem(text: &str, error: &toml::de::Error) -> Problem {
    let problem = toml_problem(text, error);
    let Some(line) = problem.line else { return problem };
    let header = text.lines().take(line).filter(|line| line.starts_with('[')).last().map(|line| line.trim_matches(['[', ']', ' ']));
    let Some((name, value)) = text.lines().nth(line - 1).and_then(|line| line.split_once('=')) else { return problem };
    let key = header.map_or_else(|| name.trim().to_owned(), |header| format!("{header}.{}", name.trim()));
    let value = value.split('#').next().unwrap_or_default().trim();
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let is_comma =
        value.split_once(',').is_some_and(|(whole, part)| digits(whole.trim_start_matches(['-', '+'])) && digits(part.trim_end()));
    let message = if is_comma {
        format!("{value} is not a number here: a plan has a point as decimal mark, write {}", value.replace(',', "."))
    } else if value.starts_with(char::is_alphabetic) && !value.contains('"') {
        format!("{value} is neither a number nor true or false: text goes in quotes, write \"{value}\"")
    } else {
        problem.message
    };
    Problem { line: Some(line), key, message }
}

/// Every mistake that shows only where several keys are looked at together.
fn together(mut found: PlanFindings<'_>, plan: &Plan) -> Vec<Problem> {
    if plan.asset.courses.is_empty() {
        found.add("asset", &["asset.course"], "has no [[asset.course]]: describe at least one, with number, height_mm and nominal_mm");
    }
    for (index, course) in plan.asset.courses.iter().enumerate() {
        let key = |name: &str| format!("asset.course[{index}].{name}");
        if let Some(required) = course.required.filter(|required| *required > course.nominal) {
            let message = format!("{required} is more than the nominal {}: check both", course.nominal);
            found.add(key("required_mm"), &[&key("nominal_mm")], message);
        }
        if course.yield_stress.zip(course.tensile).is_some_and(|(yields, tensile)| tensile < yields) {
            found.add(key("tensile_mpa"), &[&key("yield_mpa")], "is less than yield_mpa: check both");
        }
    }
    let numbers: Vec<String> = plan.asset.courses.iter().map(|course| course.number.to_string()).collect();
    found.once("course", numbers.iter().enumerate().map(|(i, n)| (format!("asset.course[{i}].number"), n.as_str())));
    lines(&mut found, plan);
    let setup = &plan.setup;
    let gate = plan.typed_setup().gate;
    if (setup.gate_start.is_some() || setup.gate_length.is_some()) && gate.end() <= setup.zero {
        let rests = ["setup.gate_length_us", "setup.zero_ns", "setup.velocity_m_s", "probe.minimum_mm", "asset"];
        let message = format!("the gate ends before the zero of {}: no wall could ever be in it", setup.zero);
        found.add("setup.gate_start_us", &rests, message);
    }
    found.problems
}

fn lines(found: &mut PlanFindings<'_>, plan: &Plan) {
    let height = plan.asset.courses.iter().fold(Length::ZERO, |sum, course| sum + course.height);
    let heights: Vec<_> = (0..plan.asset.courses.len()).map(|index| format!("asset.course[{index}].height_mm")).collect();
    let heights: Vec<_> = heights.iter().map(String::as_str).chain(["asset.course"]).collect();
    for (index, line) in plan.lines.iter().enumerate() {
        let key = |name: &str| format!("line[{index}].{name}");
        if let Some(course) = line.course.filter(|course| !plan.asset.courses.iter().any(|known| known.number == *course)) {
            let numbers: Vec<_> = plan.asset.courses.iter().map(|course| course.number.to_string()).collect();
            found.add(key("course"), &["asset.course"], format!("there is no course {course}: the plan has {}", numbers.join(", ")));
        }
        let (start, length) = (line.start, line.length);
        if line.direction == Direction::Down && start < length {
            let message =
                format!("a line down from {start} by {length} would end below the datum: start_mm is the elevation where it starts");
            found.add(key("start_mm"), &[&key("length_mm"), &key("direction")], message);
        }
        if line.direction == Direction::Up && start > height {
            let mut rests = heights.clone();
            let direction = key("direction");
            rests.push(&direction);
            found.add(key("start_mm"), &rests, format!("{start} is above the top of the last course at {height}"));
        }
    }
    found.once("line", plan.lines.iter().enumerate().map(|(i, line)| (format!("line[{i}].name"), line.name.as_str())));
    asked_for(found, plan, "witness_point", "witness point", &plan.witness_points);
    asked_for(found, plan, "photo", "photo", &plan.photos);
}

/// What the job must have besides readings: each its own name, and a line that is there.
fn asked_for(found: &mut PlanFindings<'_>, plan: &Plan, table: &str, what: &str, asked: &[AskedFor]) {
    for (index, wanted) in asked.iter().enumerate() {
        if let Some(line) = wanted.line.as_ref().filter(|line| plan.line(line).is_none()) {
            found.add(
                format!("{table}[{index}].line"),
                &["line"],
                format!("there is no line {line}: name one of the plan, or leave it out"),
            );
        }
    }
    found.once(what, asked.iter().enumerate().map(|(i, wanted)| (format!("{table}[{i}].name"), wanted.name.as_str())));
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
        assert!(plan("tolerance = 0.1").unwrap_err().to_string().contains("did you mean tolerance_mm?"));
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
    fn lines_are_counted_and_looked_up_alike() {
        for text in ["", "\n", "a\nbc\n\nd", GOOD] {
            let lines = LineNumbers::of(text);
            assert!((0..=text.len()).all(|offset| lines.at(offset) == line_of(text, offset)), "{text:?}");
        }
    }

    #[test]
    fn a_file_that_is_not_toml_says_where() {
        let error = Plan::parse("plan.toml", "[job]\nnumber = \"x\nsite = 3").unwrap_err();
        assert_eq!(error.problems[0].line, Some(2));
    }
}
