//! A plan or a basis while it is made or changed: every table with its keys as they were typed. What may stand where, and what is
//! written beside it, comes from the key table of either.

use super::super::basis;
use super::super::check::Problem;
use super::super::statement::BasisText;
use super::super::{Basis, Plan, PlanError};
use super::comments::{Comment, Comments};
use super::{Allowed, KeyLeftOut, PlanKey, PlanTable, TABLES, written};
use backwall_units::parse_number;

/// What a plan on its way is called in messages; it has no file yet.
const NAME: &str = "the plan";
/// The same of a basis, and what one is called until it is given a name.
const BASIS: &str = "the basis";
const UNNAMED: &str = "what if";

/// A plan or a basis as a list of tables, in the order in which it is written.
#[derive(Debug, Clone)]
pub struct Sheet {
    tables: &'static [PlanTable],
    parts: Vec<SheetPart>,
    /// Comments behind everything.
    below: Vec<String>,
}

impl PartialEq for Sheet {
    fn eq(&self, other: &Self) -> bool {
        self.is_basis() == other.is_basis() && self.parts == other.parts
    }
}

/// One table of the plan.
#[derive(Debug, Clone)]
pub struct SheetPart {
    pub table: &'static PlanTable,
    /// One for each key, without quotes; empty where it is left out.
    pub values: Vec<String>,
    /// What people wrote about the table and about each key, as they wrote it.
    about: Comment,
    about_keys: Vec<Comment>,
}

impl PartialEq for SheetPart {
    fn eq(&self, other: &Self) -> bool {
        self.table.path == other.table.path && self.values == other.values
    }
}

/// A line of the form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SheetRow {
    /// The name of a table, by its part.
    Heading(usize),
    /// A part and the number of its key.
    Key(usize, usize),
    /// A table that the plan does not have, by its number in the key table.
    Without(usize),
}

impl SheetPart {
    fn empty(table: &'static PlanTable) -> Self {
        Self::with(table, vec![String::new(); table.keys.len()])
    }

    fn with(table: &'static PlanTable, values: Vec<String>) -> Self {
        Self { table, about: Comment::default(), about_keys: vec![Comment::default(); values.len()], values }
    }

    /// A course of a basis that has its number and nothing else.
    fn says_nothing(&self) -> bool {
        let number = |key: &PlanKey| key.name == "number";
        let is_bare = |about: &Comment| *about == Comment::default();
        self.table.path == "course[]"
            && is_bare(&self.about)
            && self.about_keys.iter().all(is_bare)
            && self.table.keys.iter().zip(&self.values).all(|(key, value)| value.is_empty() || number(key))
    }
}

impl Sheet {
    /// Nothing but what must be there and what hardly any job does without, all of it to be filled in.
    pub fn blank() -> Self {
        let wanted = |table: &&PlanTable| table.needed || ["person[]", "line[]"].contains(&table.path);
        Self { tables: TABLES, parts: TABLES.iter().filter(wanted).map(SheetPart::empty).collect(), below: Vec::new() }
    }

    /// A plan that is there.
    pub fn of(text: &str) -> Result<Self, PlanError> {
        Plan::parse(NAME, text).map(|plan| Self::of_plan(&plan).with_comments(text))
    }

    /// With the comments of the text it was read from, each where it stood.
    pub fn with_comments(mut self, text: &str) -> Self {
        let Comments { of, below } = Comments::of(text);
        self.below = below;
        let paths: Vec<String> = (0..self.parts.len()).map(|part| self.path(part)).collect();
        for ((path, key), mut comment) in of {
            // What belongs to a table or a key that is called otherwise today stays with the table above it.
            let mut above = path.as_str();
            let at = loop {
                match paths.iter().position(|known| known == above) {
                    Some(at) => break at,
                    None if above.is_empty() => break 0,
                    None => above = above.rsplit_once('.').map_or("", |(parent, _)| parent),
                }
            };
            let Some(part) = self.parts.get_mut(at) else { continue };
            let number = key.as_ref().filter(|_| above == path).and_then(|key| part.table.keys.iter().position(|known| known.name == *key));
            let known = number.map_or(&mut part.about, |number| &mut part.about_keys[number]);
            known.above.append(&mut comment.above);
            match (&known.beside, comment.beside) {
                (None, beside) => known.beside = beside,
                (Some(_), beside) => known.above.extend(beside),
            }
        }
        self
    }

    /// By its own written form, so that words of earlier plans have become those of today.
    pub fn of_plan(plan: &Plan) -> Self {
        // A plan came out of a file, so that it can be written.
        let value = serde_json::to_value(plan).unwrap_or_default();
        let mut sheet = Self { tables: TABLES, parts: Vec::new(), below: Vec::new() };
        for table in super::inside("") {
            sheet.read(table, &value[table.name()]);
        }
        sheet
    }

    /// A basis to be made of the one that is there, with every course of the plan to be filled in.
    pub fn of_basis(known: Option<&Basis>, plan: &Plan) -> Self {
        let value = serde_json::to_value(known.cloned().unwrap_or_default()).unwrap_or_default();
        let mut sheet = Self { tables: basis::TABLES, parts: Vec::new(), below: Vec::new() };
        let given = value["course"].as_array().cloned().unwrap_or_default();
        for table in basis::TABLES {
            if !table.is_many() {
                sheet.read(table, &value);
                continue;
            }
            for course in &plan.asset.courses {
                let of = given.iter().find(|given| given["number"] == course.number);
                sheet.read(table, of.unwrap_or(&serde_json::json!({ "number": course.number })));
            }
        }
        // What is so anyway need not stand there.
        for part in &mut sheet.parts {
            for (key, value) in part.table.keys.iter().zip(&mut part.values) {
                if matches!(key.left_out, KeyLeftOut::Default(then) if then.trim_matches('"') == value) {
                    value.clear();
                }
                if key.name == "name" && value.is_empty() {
                    UNNAMED.clone_into(value);
                }
            }
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
                serde_json::Value::Array(list) => {
                    let typed = list.iter().map(|entry| entry.as_str().map_or_else(|| entry.to_string(), str::to_owned));
                    typed.collect::<Vec<_>>().join(", ")
                }
                other => other.to_string(),
            };
            self.parts.push(SheetPart::with(table, table.keys.iter().map(typed).collect()));
            for inner in super::inside(table.path).filter(|_| !table.path.is_empty()) {
                self.read(inner, &value[inner.name()]);
            }
        }
    }

    pub fn parts(&self) -> &[SheetPart] {
        &self.parts
    }

    /// A basis has keys without a table.
    pub fn is_basis(&self) -> bool {
        self.tables.first().is_some_and(|table| table.path.is_empty())
    }

    /// The key table it goes by.
    pub fn tables(&self) -> &'static [PlanTable] {
        self.tables
    }

    /// The form line by line: every table that is there or could be.
    pub fn rows(&self) -> Vec<SheetRow> {
        let mut rows = Vec::new();
        for (number, table) in self.tables.iter().enumerate() {
            // What stands in other tables comes with them.
            if table.parent().ends_with("[]") {
                continue;
            }
            let here = |part: &SheetPart| part.table.path == table.path || table.is_many() && part.table.parent() == table.path;
            let mut any = false;
            for (index, part) in self.parts.iter().enumerate().filter(|(_, part)| here(part)) {
                any = true;
                rows.push(SheetRow::Heading(index));
                rows.extend((0..part.table.keys.len()).map(|key| SheetRow::Key(index, key)));
            }
            if !any {
                rows.push(SheetRow::Without(number));
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
    pub fn add(&mut self, row: SheetRow) -> Option<usize> {
        let (table, at) = match row {
            SheetRow::Without(number) => {
                let table = &self.tables[number];
                let order = |path: &str| self.tables.iter().position(|known| known.path == path);
                let at = self.parts.iter().position(|part| order(part.table.path) > Some(number)).unwrap_or(self.parts.len());
                (table, at)
            }
            SheetRow::Heading(part) | SheetRow::Key(part, _) => {
                let table = self.parts[part].table;
                if !table.is_many() {
                    return None;
                }
                (table, part + 1 + self.inside(part))
            }
        };
        self.parts.insert(at, SheetPart::empty(table));
        self.rows().iter().position(|row| *row == SheetRow::Heading(at))
    }

    /// Adds an entry of a table within the part at `row`, where there is such a table: an earlier survey of a course.
    pub fn add_inside(&mut self, row: SheetRow) -> Option<usize> {
        let (SheetRow::Heading(part) | SheetRow::Key(part, _)) = row else { return None };
        let table = super::inside(self.parts[part].table.path).find(|inner| inner.parent().ends_with("[]"))?;
        let at = part + 1 + self.inside(part);
        self.parts.insert(at, SheetPart::empty(table));
        self.rows().iter().position(|row| *row == SheetRow::Heading(at))
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
    pub fn remove(&mut self, row: SheetRow) -> Result<(), String> {
        let (SheetRow::Heading(part) | SheetRow::Key(part, _)) = row else { return Err("it is not in the plan".to_owned()) };
        let table = self.parts[part].table;
        if table.path.is_empty() {
            return Err("this part must be there; x takes out a course".to_owned());
        }
        if table.needed && self.parts.iter().filter(|known| known.table.path == table.path).count() == 1 {
            return Err(format!("{} must be in a plan", table.header()));
        }
        self.parts.drain(part..=part + self.inside(part));
        Ok(())
    }

    /// The plan as its file has it, with the comments people wrote; where there is none above a table, with what the table means.
    pub fn text(&self) -> String {
        let page = if self.is_basis() { "basis" } else { "plan" };
        let mut text = format!("# Made in the console of Backwall. Keys that are not here are left out; docs/{page}.md lists all.\n");
        // A file that was made here says so already.
        if self.parts.first().is_some_and(|part| part.about.above.first().is_some_and(|line| *line == text.trim_end())) {
            text.clear();
        }
        for part in self.parts.iter().filter(|part| !part.says_nothing()) {
            if !text.is_empty() {
                text.push('\n');
            }
            if part.about.above.is_empty() {
                written::comment(&mut text, part.table.meaning);
            }
            let header = if part.table.path.is_empty() { String::new() } else { part.table.header() };
            commented(&mut text, &part.about, &header);
            for ((key, value), about) in part.table.keys.iter().zip(&part.values).zip(&part.about_keys) {
                let line = if value.is_empty() { String::new() } else { format!("{} = {}", key.name, quoted(key, value)) };
                commented(&mut text, about, &line);
            }
        }
        if !self.below.is_empty() {
            text.push('\n');
        }
        self.below.iter().for_each(|line| text.extend([line, "\n"]));
        text
    }

    /// The plan, or all its mistakes.
    pub fn plan(&self) -> Result<Plan, Vec<Problem>> {
        Plan::parse(NAME, &self.text()).map_err(|error| error.problems)
    }

    /// The basis with its text, or all its mistakes.
    pub fn basis(&self) -> Result<BasisText, Vec<Problem>> {
        let text = self.text();
        // Courses that say nothing are not in the text: what is said of the others is counted as the form counts them.
        let mut place = 0;
        let shown: Vec<usize> = self
            .parts
            .iter()
            .filter(|part| part.table.is_many())
            .filter_map(|part| {
                place += 1;
                (!part.says_nothing()).then_some(place - 1)
            })
            .collect();
        let moved = |key: &str| {
            let (before, rest) = key.split_once('[')?;
            let (number, rest) = rest.split_once(']')?;
            Some(format!("{before}[{}]{rest}", shown.get(number.parse::<usize>().ok()?)?))
        };
        let basis = Basis::parse(BASIS, &text).map_err(|error| {
            let found = error.problems.into_iter();
            found.map(|problem| Problem { key: moved(&problem.key).unwrap_or(problem.key.clone()), ..problem }).collect::<Vec<_>>()
        })?;
        Ok(BasisText { text, basis })
    }

    /// The plan as far as it can be read, mistakes and all: enough to work out what it will take.
    pub fn draft(&self) -> Option<Plan> {
        toml::from_str(&self.text()).ok()
    }
}

/// A line with its comments; what belongs to one that is left out stands for itself.
fn commented(text: &mut String, about: &Comment, line: &str) {
    for comment in &about.above {
        text.extend([comment, "\n"]);
    }
    match (line, &about.beside) {
        ("", None) => {}
        ("", Some(beside)) => text.extend([beside, "\n"]),
        (line, None) => text.extend([line, "\n"]),
        (line, Some(beside)) => text.extend([line, " ", beside, "\n"]),
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
        Allowed::Texts => Some(entries(typed).collect::<Vec<_>>().join(", ")),
        Allowed::Numbers => entries(typed).all(|entry| entry.parse::<i64>().is_ok()).then(|| entries(typed).collect::<Vec<_>>().join(", ")),
    }
}

/// What stands between the commas of a list.
fn entries(typed: &str) -> impl Iterator<Item = &str> {
    typed.split(',').map(str::trim).filter(|entry| !entry.is_empty())
}

/// As a plan writes it.
fn quoted(key: &PlanKey, value: &str) -> String {
    match key.allowed {
        Allowed::Text | Allowed::Filled | Allowed::Zone | Allowed::Words(_) => toml::Value::String(value.to_owned()).to_string(),
        Allowed::Number(_) | Allowed::Whole(..) | Allowed::Date | Allowed::Flag => value.to_owned(),
        Allowed::Texts => {
            let quoted: Vec<String> = entries(value).map(|entry| toml::Value::String(entry.to_owned()).to_string()).collect();
            format!("[{}]", quoted.join(", "))
        }
        Allowed::Numbers => format!("[{}]", entries(value).collect::<Vec<_>>().join(", ")),
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
        let none = (!matches!(self.left_out, KeyLeftOut::Needed)).then(String::new);
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

    /// The values come back as those of the file, and so do the comments: by every line that begins with one.
    #[test]
    fn comments_stay_with_what_they_are_about_when_values_change() {
        let comments = |text: &str| {
            let mut lines: Vec<String> =
                text.lines().filter_map(|line| line.find("# ").map(|at| line[at..].trim_end().to_owned())).collect();
            lines.sort();
            lines
        };
        let text = PLAN
            .replacen("[job]", "# Agreed with the client on 3 March (invented).\n[job]", 1)
            .replacen("required_mm = 6.2", "required_mm = 6.2 # by C-118, not by the drawing", 1)
            .replacen("[encoder]", "# wheel changed in February\n[encoder]", 1)
            + "\n# end of the plan\n";
        let mut sheet = Sheet::of(&text).unwrap();
        set(&mut sheet, "asset.course[0]", "required_mm", "6.4").unwrap();
        let kept = sheet.text();
        assert!(kept.contains("required_mm = 6.4 # by C-118, not by the drawing\n"), "{kept}");
        assert!(kept.contains("# wheel changed in February\n[encoder]\n") && kept.ends_with("\n# end of the plan\n"), "{kept}");
        let missing: Vec<String> = comments(&text).into_iter().filter(|line| !comments(&kept).contains(line)).collect();
        assert!(missing.is_empty(), "{missing:?} in\n{kept}");
        // Once more through the form nothing is added and nothing is lost, also where a value is taken out.
        assert_eq!(Sheet::of(&kept).unwrap().text(), kept);
        set(&mut sheet, "asset.course[0]", "required_mm", "").unwrap();
        assert!(sheet.text().contains("\n# by C-118, not by the drawing\n"), "{}", sheet.text());
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
    fn a_basis_starts_as_the_plan_has_it_and_holds_what_is_typed() {
        let plan = Plan::parse("plan.toml", PLAN).unwrap();
        let mut sheet = Sheet::of_basis(None, &plan);
        assert_eq!(sheet.parts.len(), 1 + plan.asset.courses.len());
        let nothing = sheet.basis().unwrap();
        assert_eq!((nothing.basis.name.as_str(), nothing.basis.courses.len()), ("what if", 0));
        set(&mut sheet, "course[0]", "required_mm", "5,5").unwrap();
        set(&mut sheet, "", "surveys", "2021.job, 2016.csv").unwrap();
        set(&mut sheet, "", "hand", "12,15").unwrap();
        assert!(set(&mut sheet, "", "hand", "twelve").is_err());
        let made = sheet.basis().unwrap();
        assert_eq!(made.basis.courses.len(), 1, "a course that says nothing is left out");
        assert_eq!(made.basis.courses[0].required.unwrap().as_mm(), 5.5);
        assert_eq!((made.basis.surveys.len(), made.basis.hand.as_slice()), (2, &[12, 15][..]));
        assert_eq!(Sheet::of_basis(Some(&made.basis), &plan), sheet, "and it comes back as it was");
        assert_eq!(Basis::parse("kept.toml", &made.text).unwrap(), made.basis);
        // What contradicts itself is said at the course as the form counts it.
        set(&mut sheet, "course[0]", "required_mm", "").unwrap();
        let last = plan.asset.courses.len() - 1;
        set(&mut sheet, &format!("course[{last}]"), "required_mm", "6").unwrap();
        set(&mut sheet, &format!("course[{last}]"), "by_formula", "true").unwrap();
        assert_eq!(sheet.basis().unwrap_err()[0].key, format!("course[{last}].by_formula"));
    }

    #[test]
    fn courses_lines_and_earlier_surveys_are_added_where_the_cursor_is_and_taken_out() {
        let mut sheet = Sheet::of(PLAN).unwrap();
        let first = SheetRow::Heading(at(&sheet, "asset.course[0]", "number").0);
        let inner = sheet.add_inside(first).unwrap();
        let row = sheet.rows()[inner];
        assert!(matches!(row, SheetRow::Heading(part) if sheet.path(part) == "asset.course[0].earlier[0]"));
        let second = sheet.add(first).unwrap();
        let row = sheet.rows()[second];
        assert!(matches!(row, SheetRow::Heading(part) if sheet.path(part) == "asset.course[1]"), "behind the earlier survey of the first");
        assert_eq!(sheet.add(SheetRow::Heading(at(&sheet, "job", "number").0)), None, "there is one [job]");
        sheet.remove(first).unwrap();
        assert_eq!(sheet.parts.iter().filter(|part| part.table.path.contains("earlier")).count(), 0);
        let last = SheetRow::Heading(at(&sheet, "asset.course[0]", "number").0);
        assert!(sheet.remove(last).unwrap_err().contains("[[asset.course]] must be in a plan"));
        // A table that is not there comes in its place.
        let without =
            sheet.rows().into_iter().find(|row| matches!(row, SheetRow::Without(number) if TABLES[*number].path == "crawler")).unwrap();
        let added = sheet.add(without).unwrap();
        assert!(matches!(sheet.rows()[added], SheetRow::Heading(part) if sheet.path(part) == "crawler"));
        sheet.plan().unwrap_err();
    }
}
