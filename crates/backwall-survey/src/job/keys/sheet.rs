//! A plan while it is made or changed: every table with its keys as they were typed. What may stand where, and what is written
//! beside it, comes from the key table.

use super::super::check::Problem;
use super::super::{Plan, PlanError};
use super::{Allowed, LeftOut, PlanKey, PlanTable, TABLES, written};
use backwall_units::parse_number;
use std::fmt::Write;

/// What a plan on its way is called in messages; it has no file yet.
const NAME: &str = "the plan";

/// A plan as a list of tables, in the order in which it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    parts: Vec<Part>,
}

/// One table of the plan.
#[derive(Debug, Clone)]
pub struct Part {
    pub table: &'static PlanTable,
    /// One for each key, without quotes; empty where it is left out.
    pub values: Vec<String>,
}

impl PartialEq for Part {
    fn eq(&self, other: &Self) -> bool {
        self.table.path == other.table.path && self.values == other.values
    }
}

/// A line of the form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Row {
    /// The name of a table, by its part.
    Heading(usize),
    /// A part and the number of its key.
    Key(usize, usize),
    /// A table that the plan does not have, by its number in the key table.
    Without(usize),
}

impl Part {
    fn empty(table: &'static PlanTable) -> Self {
        Self { table, values: vec![String::new(); table.keys.len()] }
    }
}

impl Sheet {
    /// Nothing but what must be there and what hardly any job does without, all of it to be filled in.
    pub fn blank() -> Self {
        let wanted = |table: &&PlanTable| table.needed || ["person[]", "line[]"].contains(&table.path);
        Self { parts: TABLES.iter().filter(wanted).map(Part::empty).collect() }
    }

    /// A plan that is there.
    pub fn of(text: &str) -> Result<Self, PlanError> {
        Plan::parse(NAME, text).map(|plan| Self::of_plan(&plan))
    }

    /// By its own written form, so that words of earlier plans have become those of today.
    pub fn of_plan(plan: &Plan) -> Self {
        // A plan came out of a file, so that it can be written.
        let value = serde_json::to_value(plan).unwrap_or_default();
        let mut sheet = Self { parts: Vec::new() };
        for table in super::inside("") {
            sheet.read(table, &value[table.name()]);
        }
        sheet
    }

    fn read(&mut self, table: &'static PlanTable, value: &serde_json::Value) {
        let many = value.as_array().map_or_else(|| std::slice::from_ref(value), Vec::as_slice);
        for value in many.iter().filter(|value| value.is_object()) {
            let typed = |key: &PlanKey| match &value[key.name] {
                serde_json::Value::Null => String::new(),
                serde_json::Value::String(text) => text.clone(),
                serde_json::Value::Number(number) => number.as_f64().map_or_else(String::new, |number| number.to_string()),
                other => other.to_string(),
            };
            self.parts.push(Part { table, values: table.keys.iter().map(typed).collect() });
            for inner in super::inside(table.path) {
                self.read(inner, &value[inner.name()]);
            }
        }
    }

    pub fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// The form line by line: every table that is there or could be.
    pub fn rows(&self) -> Vec<Row> {
        let mut rows = Vec::new();
        for (number, table) in TABLES.iter().enumerate() {
            // What stands in other tables comes with them.
            if table.parent().ends_with("[]") {
                continue;
            }
            let here = |part: &Part| part.table.path == table.path || part.table.parent() == table.path && table.is_many();
            let mut any = false;
            for (index, part) in self.parts.iter().enumerate().filter(|(_, part)| here(part)) {
                any = true;
                rows.push(Row::Heading(index));
                rows.extend((0..part.table.keys.len()).map(|key| Row::Key(index, key)));
            }
            if !any {
                rows.push(Row::Without(number));
            }
        }
        rows
    }

    /// The path of a part, as mistakes name it: `asset.course[1]`.
    pub fn path(&self, part: usize) -> String {
        let table = self.parts[part].table;
        let above = self.parts[..part].iter().rposition(|known| known.table.path == table.parent());
        let before = match above {
            Some(above) if table.parent().ends_with("[]") => format!("{}.", self.path(above)),
            _ if table.parent().is_empty() => String::new(),
            _ => format!("{}.", table.parent()),
        };
        if !table.is_many() {
            return format!("{before}{}", table.name());
        }
        // Entries of other tables above are counted by themselves.
        let from = above.filter(|_| table.parent().ends_with("[]")).unwrap_or(0);
        let number = self.parts[from..part].iter().filter(|known| known.table.path == table.path).count();
        format!("{before}{}[{number}]", table.name())
    }

    /// Puts in what was typed for a key, or says what is possible there. Nothing leaves it out.
    pub fn set(&mut self, part: usize, key: usize, typed: &str) -> Result<(), String> {
        let known = &self.parts[part].table.keys[key];
        let typed = typed.trim();
        let value = if typed.is_empty() { Some(String::new()) } else { read(known, typed) };
        self.parts[part].values[key] = value.ok_or_else(|| format!("it may be {}", known.typed_words()))?;
        Ok(())
    }

    /// Adds an entry behind the one at `row`, of its kind, or the table that is not there; answers the row of its heading.
    pub fn add(&mut self, row: Row) -> Option<usize> {
        let (table, at) = match row {
            Row::Without(number) => {
                let table = &TABLES[number];
                let order = |path: &str| TABLES.iter().position(|known| known.path == path);
                let at = self.parts.iter().position(|part| order(part.table.path) > Some(number)).unwrap_or(self.parts.len());
                (table, at)
            }
            Row::Heading(part) | Row::Key(part, _) => {
                let table = self.parts[part].table;
                if !table.is_many() {
                    return None;
                }
                (table, part + 1 + self.inside(part))
            }
        };
        self.parts.insert(at, Part::empty(table));
        self.rows().iter().position(|row| *row == Row::Heading(at))
    }

    /// Adds an entry of a table within the part at `row`, where there is such a table: an earlier survey of a course.
    pub fn add_inside(&mut self, row: Row) -> Option<usize> {
        let (Row::Heading(part) | Row::Key(part, _)) = row else { return None };
        let table = super::inside(self.parts[part].table.path).find(|inner| inner.parent().ends_with("[]"))?;
        let at = part + 1 + self.inside(part);
        self.parts.insert(at, Part::empty(table));
        self.rows().iter().position(|row| *row == Row::Heading(at))
    }

    /// How many parts stand within one.
    fn inside(&self, part: usize) -> usize {
        let path = self.parts[part].table.path;
        if !path.ends_with("[]") {
            return 0;
        }
        self.parts[part + 1..].iter().take_while(|inner| inner.table.parent() == path).count()
    }

    /// Takes out the part at `row` with what stands within it; not one that a plan must have.
    pub fn remove(&mut self, row: Row) -> Result<(), String> {
        let (Row::Heading(part) | Row::Key(part, _)) = row else { return Err("it is not in the plan".to_owned()) };
        let table = self.parts[part].table;
        if table.needed && self.parts.iter().filter(|known| known.table.path == table.path).count() == 1 {
            return Err(format!("{} must be in a plan", table.header()));
        }
        self.parts.drain(part..=part + self.inside(part));
        Ok(())
    }

    /// The plan as its file has it, with what each key means.
    pub fn text(&self) -> String {
        let mut text = "# Made in the console of Backwall. Keys that are not here are left out; docs/plan.md lists all.\n".to_owned();
        for part in &self.parts {
            text.push('\n');
            written::comment(&mut text, part.table.meaning);
            let _ = writeln!(text, "{}", part.table.header());
            for (key, value) in part.table.keys.iter().zip(&part.values).filter(|(_, value)| !value.is_empty()) {
                let _ = writeln!(text, "{} = {}", key.name, quoted(key, value));
            }
        }
        text
    }

    /// The plan, or all its mistakes.
    pub fn plan(&self) -> Result<Plan, Vec<Problem>> {
        Plan::parse(NAME, &self.text()).map_err(|error| error.problems)
    }

    /// The plan as far as it can be read, mistakes and all: enough to work out what it will take.
    pub fn draft(&self) -> Option<Plan> {
        toml::from_str(&self.text()).ok()
    }
}

/// What was typed as it is kept; nothing where it may not stand there.
fn read(key: &PlanKey, typed: &str) -> Option<String> {
    match key.allowed {
        Allowed::Text | Allowed::Filled | Allowed::Zone => Some(typed.to_owned()),
        Allowed::Words(words) => words.iter().find(|word| **word == typed).map(|word| (*word).to_owned()),
        Allowed::Number(range) => parse_number(typed).ok().filter(|number| range.holds(*number)).map(|number| number.to_string()),
        Allowed::Whole(low, high) => {
            typed.parse::<i64>().ok().filter(|number| (low..=high).contains(number)).map(|number| number.to_string())
        }
        Allowed::Date => {
            let date: toml::value::Datetime = typed.parse().ok()?;
            (date.time.is_none() && date.offset.is_none()).then(|| typed.to_owned())
        }
        Allowed::Flag => ["true", "false"].contains(&typed).then(|| typed.to_owned()),
        // No key of a plan is a list of values.
        Allowed::Texts | Allowed::Numbers => None,
    }
}

/// As a plan writes it.
fn quoted(key: &PlanKey, value: &str) -> String {
    match key.allowed {
        Allowed::Text | Allowed::Filled | Allowed::Zone | Allowed::Words(_) => toml::Value::String(value.to_owned()).to_string(),
        Allowed::Number(_) | Allowed::Whole(..) | Allowed::Date | Allowed::Flag | Allowed::Texts | Allowed::Numbers => value.to_owned(),
    }
}

impl PlanKey {
    /// The words to choose from, where it holds one of a few; nothing stands in front of them where it may be left out.
    pub fn choices(&self) -> Option<Vec<String>> {
        let words: &[&str] = match self.allowed {
            Allowed::Words(words) => words,
            Allowed::Flag => &["true", "false"],
            _ => return None,
        };
        let none = (!matches!(self.left_out, LeftOut::Needed)).then(String::new);
        Some(none.into_iter().chain(words.iter().map(|word| (*word).to_owned())).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: &str = include_str!("../../../../../tests/data/plan.toml");

    fn at(sheet: &Sheet, path: &str, key: &str) -> (usize, usize) {
        let part = (0..sheet.parts.len()).find(|part| sheet.path(*part) == path).unwrap_or_else(|| panic!("no {path}"));
        (part, sheet.parts[part].table.keys.iter().position(|known| known.name == key).unwrap())
    }

    fn set(sheet: &mut Sheet, path: &str, key: &str, typed: &str) -> Result<(), String> {
        let (part, key) = at(sheet, path, key);
        sheet.set(part, key, typed)
    }

    #[test]
    fn a_plan_comes_back_as_it_was() {
        let example: String = written::example();
        let full = example
            .lines()
            .map(|line| line.strip_prefix('#').filter(|rest| !rest.starts_with(' ')).unwrap_or(line))
            .collect::<Vec<_>>()
            .join("\n");
        for text in [PLAN, &example, &full, include_str!("../../../../../demo-stream/plan.toml")] {
            let sheet = Sheet::of(text).unwrap();
            assert_eq!(sheet.plan().unwrap(), Plan::parse("plan.toml", text).unwrap());
            assert_eq!(Sheet::of(&sheet.text()).unwrap(), sheet);
        }
    }

    #[test]
    fn a_blank_one_says_by_path_what_is_missing_and_is_a_plan_once_all_of_it_is_typed() {
        let mut sheet = Sheet::blank();
        for _ in 0..200 {
            let Err(problems) = sheet.plan() else { break };
            let problem = &problems[0];
            let (path, name) = problem.key.rsplit_once('.').unwrap_or_else(|| panic!("{problem:?}"));
            let (part, key) = at(&sheet, path, name);
            let example = sheet.parts[part].table.keys[key].example.trim_matches('"');
            sheet.set(part, key, example).unwrap_or_else(|why| panic!("{}: {why}", problem.key));
        }
        let plan = sheet.plan().unwrap();
        assert_eq!((plan.asset.courses.len(), plan.lines.len(), plan.people.len()), (1, 1, 1));
        assert!(sheet.text().contains("# The shell courses, from the datum upward; at least one.\n[[asset.course]]\n"), "{}", sheet.text());
    }

    #[test]
    fn only_what_may_stand_there_is_taken_and_an_empty_one_is_left_out() {
        let mut sheet = Sheet::of(PLAN).unwrap();
        assert_eq!(set(&mut sheet, "asset", "diameter_mm", "-1"), Err("it may be a number in mm, greater than 0".to_owned()));
        assert_eq!(set(&mut sheet, "asset", "diameter_mm", "18000,5"), Ok(()));
        assert_eq!(sheet.plan().unwrap().asset.diameter.as_mm(), 18_000.5);
        assert!(set(&mut sheet, "asset", "kind", "barrel").is_err());
        assert!(set(&mut sheet, "person[0]", "expires", "2027-02-30").is_err() && set(&mut sheet, "person[0]", "expires", "soon").is_err());
        assert_eq!(set(&mut sheet, "asset.course[0]", "required_mm", ""), Ok(()));
        assert_eq!(sheet.plan().unwrap().asset.courses[0].required, None);
        // Quotes and line ends typed into a name stay a name.
        assert_eq!(set(&mut sheet, "job", "site", "a \"b\" \\ c"), Ok(()));
        assert_eq!(sheet.plan().unwrap().job.site, "a \"b\" \\ c");
    }

    #[test]
    fn courses_lines_and_earlier_surveys_are_added_where_the_cursor_is_and_taken_out() {
        let mut sheet = Sheet::of(PLAN).unwrap();
        let first = Row::Heading(at(&sheet, "asset.course[0]", "number").0);
        let inner = sheet.add_inside(first).unwrap();
        let row = sheet.rows()[inner];
        assert!(matches!(row, Row::Heading(part) if sheet.path(part) == "asset.course[0].earlier[0]"));
        let second = sheet.add(first).unwrap();
        let row = sheet.rows()[second];
        assert!(matches!(row, Row::Heading(part) if sheet.path(part) == "asset.course[1]"), "behind the earlier survey of the first");
        assert_eq!(sheet.add(Row::Heading(at(&sheet, "job", "number").0)), None, "there is one [job]");
        sheet.remove(first).unwrap();
        assert_eq!(sheet.parts.iter().filter(|part| part.table.path.contains("earlier")).count(), 0);
        let last = Row::Heading(at(&sheet, "asset.course[0]", "number").0);
        assert!(sheet.remove(last).unwrap_err().contains("[[asset.course]] must be in a plan"));
        // A table that is not there comes in its place.
        let without =
            sheet.rows().into_iter().find(|row| matches!(row, Row::Without(number) if TABLES[*number].path == "crawler")).unwrap();
        let added = sheet.add(without).unwrap();
        assert!(matches!(sheet.rows()[added], Row::Heading(part) if sheet.path(part) == "crawler"));
        sheet.plan().unwrap_err();
    }
}
