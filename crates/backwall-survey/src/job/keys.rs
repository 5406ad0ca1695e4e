//! Every key of a job plan, declared once: what it may hold, what counts where it is left out, an example, what it means.
//! The page `docs/plan.md`, the commented example and the messages of mistakes are made from it; a test holds it against the
//! serde types of [`super::plan`].

pub mod comments;
pub mod near;
pub mod sheet;
mod table;
pub mod written;

use std::fmt;
pub use table::TABLES;

/// A table of the plan.
#[derive(Debug)]
pub struct PlanTable {
    /// As in a path: `asset.course[]`; brackets where there may be several.
    pub path: &'static str,
    /// Whether a plan without it is refused.
    pub needed: bool,
    pub meaning: &'static str,
    pub keys: &'static [PlanKey],
}

#[derive(Debug)]
pub struct PlanKey {
    pub name: &'static str,
    pub unit: &'static str,
    pub allowed: Allowed,
    pub left_out: KeyLeftOut,
    /// As it stands in a plan.
    pub example: &'static str,
    pub meaning: &'static str,
}

/// A row of a table of keys.
pub(in crate::job) const fn key(
    name: &'static str,
    unit: &'static str,
    allowed: Allowed,
    left_out: KeyLeftOut,
    example: &'static str,
    meaning: &'static str,
) -> PlanKey {
    PlanKey { name, unit, allowed, left_out, example, meaning }
}

#[derive(Debug, Clone, Copy)]
pub enum Allowed {
    Number(Range),
    Whole(i64, i64),
    Text,
    /// Text that must not be empty.
    Filled,
    /// How far the site's clock is ahead of UTC.
    Zone,
    Date,
    Flag,
    Words(&'static [&'static str]),
    /// A list of texts.
    Texts,
    /// A list of whole numbers.
    Numbers,
}

#[derive(Debug, Clone, Copy)]
pub enum Range {
    OverZero,
    FromZero,
    NotZero,
    Within(f64, f64),
    OverZeroTo(f64),
}

/// What counts where a key is left out.
#[derive(Debug, Clone, Copy)]
pub enum KeyLeftOut {
    /// The plan is refused.
    Needed,
    /// Nothing stands for it; the words say what follows. The example has it.
    Usual(&'static str),
    /// The same for a key most plans do without.
    Open(&'static str),
    /// This value, as it would be written.
    Default(&'static str),
}

impl Range {
    pub fn holds(self, value: f64) -> bool {
        value.is_finite()
            && match self {
                Self::OverZero => value > 0.0,
                Self::FromZero => value >= 0.0,
                Self::NotZero => value != 0.0,
                Self::Within(low, high) => (low..=high).contains(&value),
                Self::OverZeroTo(high) => value > 0.0 && value <= high,
            }
    }
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OverZero => f.write_str("greater than 0"),
            Self::FromZero => f.write_str("0 or greater"),
            Self::NotZero => f.write_str("other than 0"),
            Self::Within(low, high) => write!(f, "from {low} to {high}"),
            Self::OverZeroTo(high) => write!(f, "greater than 0, at most {high}"),
        }
    }
}

/// `up, down or across`.
fn either(words: &[&str]) -> String {
    match words {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} or {last}", first.join(", ")),
    }
}

impl PlanKey {
    /// What may stand here: `a number in mm, greater than 0`.
    pub fn allowed_words(&self) -> String {
        let unit = if self.unit.is_empty() { String::new() } else { format!(" in {}", self.unit) };
        match self.allowed {
            Allowed::Number(range) => format!("a number{unit}, {range}"),
            Allowed::Whole(low, high) => format!("a whole number{unit}, from {low} to {high}"),
            Allowed::Text => "text in quotes".to_owned(),
            Allowed::Filled => "text in quotes, not empty".to_owned(),
            Allowed::Zone => "\"UTC\", or hours and minutes ahead of UTC from \"-15:59\" to \"+15:59\"".to_owned(),
            Allowed::Date => "a date: year, month, day".to_owned(),
            Allowed::Flag => "true or false".to_owned(),
            Allowed::Texts => "a list of texts in quotes".to_owned(),
            Allowed::Numbers => "a list of whole numbers".to_owned(),
            Allowed::Words(words) => {
                let quoted: Vec<_> = words.iter().map(|word| format!("\"{word}\"")).collect();
                either(&quoted.iter().map(String::as_str).collect::<Vec<_>>())
            }
        }
    }

    /// The same where it is typed into a form: `text, not empty`.
    pub fn typed_words(&self) -> String {
        self.allowed_words().replace(" in quotes", "").replace('"', "")
    }

    /// The example as it is typed into a form.
    pub fn typed_example(&self) -> &'static str {
        self.example.trim_matches('"')
    }

    /// What follows where it is left out; nothing for what must be there.
    pub fn left_out_words(&self) -> Option<String> {
        match self.left_out {
            KeyLeftOut::Needed => None,
            KeyLeftOut::Usual(then) | KeyLeftOut::Open(then) => Some(then.to_owned()),
            KeyLeftOut::Default(value) => Some(format!("`{value}`")),
        }
    }
}

impl PlanTable {
    /// Its name in the table above it: `course` of `asset.course[]`.
    pub fn name(&self) -> &'static str {
        let path = self.path.strip_suffix("[]").unwrap_or(self.path);
        path.rsplit('.').next().unwrap_or(path)
    }
    pub fn is_many(&self) -> bool {
        self.path.ends_with("[]")
    }
    /// The path of the table it stands in; empty for the plan itself.
    pub fn parent(&self) -> &'static str {
        self.path.rsplit_once('.').map_or("", |(parent, _)| parent)
    }
    /// As its header is written in a plan.
    pub fn header(&self) -> String {
        let bare = self.path.replace("[]", "");
        if self.is_many() { format!("[[{bare}]]") } else { format!("[{bare}]") }
    }
    pub fn key(&self, name: &str) -> Option<&'static PlanKey> {
        self.keys.iter().find(|key| key.name == name)
    }
}

/// The tables directly in the one at `path`; those of the plan itself for an empty path.
pub fn inside(path: &str) -> impl Iterator<Item = &'static PlanTable> {
    TABLES.iter().filter(move |table| table.parent() == path)
}

/// Every key as a path: `asset.course[].nominal_mm`.
pub fn paths() -> impl Iterator<Item = String> {
    TABLES.iter().flat_map(|table| table.keys.iter().map(move |key| format!("{}.{}", table.path, key.name)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Plan;
    use serde_json::Value;
    use std::collections::BTreeSet;

    /// Every key switched on.
    fn filled() -> String {
        let on = |line: &str| match line.strip_prefix('#') {
            Some(rest) if !rest.starts_with(' ') => rest.to_owned(),
            _ => line.to_owned(),
        };
        written::example().lines().map(on).collect::<Vec<_>>().join("\n")
    }

    /// The path of every value that is no table.
    fn leaves(path: &str, value: &Value, found: &mut BTreeSet<String>) {
        match value {
            Value::Object(table) => {
                for (name, value) in table {
                    leaves(&if path.is_empty() { name.clone() } else { format!("{path}.{name}") }, value, found);
                }
            }
            Value::Array(items) => items.iter().for_each(|item| leaves(&format!("{path}[]"), item, found)),
            _ => {
                found.insert(path.to_owned());
            }
        }
    }

    #[test]
    fn a_plan_with_every_key_of_the_table_is_written_back_with_these_keys_and_no_other() {
        let plan = Plan::parse("filled.toml", &filled()).unwrap_or_else(|error| panic!("{error}"));
        let mut found = BTreeSet::new();
        leaves("", &serde_json::to_value(&plan).unwrap(), &mut found);
        assert_eq!(found, paths().collect());
        // As the serde types alone read it.
        assert_eq!(toml::from_str::<Plan>(&filled()).unwrap(), plan);
    }

    #[test]
    fn the_serde_types_refuse_a_key_that_no_table_has() {
        for table in TABLES {
            let header = format!("{}\n", table.header());
            let text = filled().replacen(&header, &format!("{header}not_a_key = 1\n"), 1);
            assert!(toml::from_str::<Plan>(&text).unwrap_err().to_string().contains("not_a_key"), "{header}");
            let error = Plan::parse("plan.toml", &text).unwrap_err();
            assert!(error.problems.len() == 1 && error.problems[0].key.ends_with("not_a_key"), "{error}");
        }
    }

    /// A plan of needed keys alone, but for the one table.
    fn bare(table: &PlanTable) -> String {
        let needed = TABLES.iter().filter(|other| other.needed || other.path == table.path || table.path.starts_with(other.path));
        needed.fold(String::new(), |text, table| {
            let keys = table.keys.iter().filter(|key| matches!(key.left_out, KeyLeftOut::Needed));
            let keys: String = keys.map(|key| format!("{} = {}\n", key.name, key.example)).collect();
            format!("{text}{}\n{keys}", table.header())
        })
    }

    #[test]
    fn what_the_table_calls_needed_is_and_what_it_calls_a_default_counts() {
        for table in TABLES {
            let plan = Plan::parse("bare.toml", &bare(table)).unwrap_or_else(|error| panic!("{}: {error}", table.path));
            let written = serde_json::to_value(&plan).unwrap();
            let here = table.path.split('.').fold(&written, |value, part| match part.strip_suffix("[]") {
                Some(name) => &value[name][0],
                None => &value[part],
            });
            for key in table.keys {
                let found = here.get(key.name);
                match key.left_out {
                    KeyLeftOut::Needed => {
                        let line = format!("{} = {}\n", key.name, key.example);
                        let without = bare(table).replacen(&line, "", 1);
                        assert!(toml::from_str::<Plan>(&without).is_err(), "{} {} is not needed", table.path, key.name);
                    }
                    KeyLeftOut::Default(value) => {
                        let wanted: toml::Table = toml::from_str(&format!("value = {value}")).unwrap();
                        assert_eq!(found, Some(&serde_json::to_value(&wanted["value"]).unwrap()), "{} {}", table.path, key.name);
                    }
                    KeyLeftOut::Usual(_) | KeyLeftOut::Open(_) => assert_eq!(found, None, "{} {}", table.path, key.name),
                }
            }
        }
    }
}
