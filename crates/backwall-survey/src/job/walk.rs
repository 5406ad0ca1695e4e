//! Goes through a plan key by key, before it is read as one, and finds all mistakes that a single key or table can have: unknown,
//! missing, of the wrong kind, out of range. It leaves a mended plan behind, so that what keys have to do with each other can be
//! looked at in the same go.

use super::check::{LineNumbers, Problem};
use super::keys::near::meant;
use super::keys::{self, Allowed, KeyLeftOut, PlanKey, PlanTable, TABLES};
use super::zone::Zone;
use toml::Spanned;
use toml::de::{DeTable, DeValue};
use toml::{Table, Value};

/// Words of earlier plans that are still read.
const FORMER: &[&str] = &["flank"];

pub(super) struct Walk<'a> {
    lines: &'a LineNumbers,
    /// Whether the file is whole TOML: what a broken one lacks cannot be known.
    whole: bool,
    pub problems: Vec<Problem>,
    /// Paths of what was put in, left out or replaced.
    pub mended: Vec<String>,
}

impl<'a> Walk<'a> {
    pub fn new(lines: &'a LineNumbers, whole: bool) -> Self {
        Self { lines, whole, problems: Vec::new(), mended: Vec::new() }
    }

    /// The plan as it would be without its mistakes.
    pub fn plan(&mut self, root: &DeTable<'_>) -> Table {
        self.inside("", "", None, &[], root)
    }

    fn add(&mut self, line: Option<usize>, key: &str, message: String) {
        self.mended.push(key.to_owned());
        self.problems.push(Problem { line, key: key.to_owned(), message });
    }

    /// One table: `schema` is its path in the key table, `here` the same with numbers.
    fn inside(&mut self, schema: &str, here: &str, line: Option<usize>, known: &'static [PlanKey], table: &DeTable<'_>) -> Table {
        let mut mended = Table::new();
        // What a misspelt name most likely stands for is not called missing as well.
        let mut meant_here = Vec::new();
        for (name, value) in table.iter() {
            let (name, line) = (name.get_ref().as_ref(), Some(self.lines.at(name.span().start)));
            let path = join(here, name);
            if let Some(key) = known.iter().find(|key| key.name == name) {
                mended.insert(name.to_owned(), self.value(key, &path, line, value.get_ref()));
            } else if let Some(table) = keys::inside(schema).find(|table| table.name() == name) {
                mended.insert(name.to_owned(), self.child(table, &path, line, value));
            } else {
                let names = || known.iter().map(|key| key.name).chain(keys::inside(schema).map(PlanTable::name));
                let near = meant(name, names().filter(|name| !table.contains_key(*name)));
                meant_here.extend(near);
                self.add(line, &path, unknown(name, near, schema, names().collect()));
            }
        }
        if self.whole {
            self.missing(schema, here, line, known, &meant_here, &mut mended);
        }
        mended
    }

    fn missing(&mut self, schema: &str, here: &str, line: Option<usize>, known: &[PlanKey], meant: &[&str], mended: &mut Table) {
        for key in known.iter().filter(|key| matches!(key.left_out, KeyLeftOut::Needed)) {
            if mended.contains_key(key.name) {
                continue;
            }
            let path = join(here, key.name);
            if meant.contains(&key.name) {
                self.mended.push(path);
            } else {
                self.add(line, &path, format!("is missing: write {} = {} (it may be {})", key.name, key.example, key.allowed_words()));
            }
            mended.insert(key.name.to_owned(), example(key));
        }
        for table in keys::inside(schema).filter(|table| table.needed) {
            if mended.contains_key(table.name()) {
                continue;
            }
            let path = format!("{here}{}{}", if here.is_empty() { "" } else { "." }, table.name());
            let needed: Vec<_> = needed(table).map(|key| key.name).collect();
            if meant.contains(&table.name()) {
                self.mended.push(path);
            } else {
                self.add(None, &path, format!("is missing: write {} with {}", table.header(), needed.join(", ")));
            }
            mended.insert(table.name().to_owned(), examples(table));
        }
    }

    fn child(&mut self, table: &'static PlanTable, path: &str, line: Option<usize>, value: &Spanned<DeValue<'_>>) -> Value {
        match value.get_ref() {
            DeValue::Array(items) if table.is_many() => {
                let mut all = Vec::new();
                for (index, item) in items.iter().enumerate() {
                    let (path, line) = (format!("{path}[{index}]"), Some(self.lines.at(item.span().start)));
                    all.push(match item.get_ref() {
                        DeValue::Table(inner) => Value::Table(self.inside(table.path, &path, line, table.keys, inner)),
                        other => {
                            self.add(line, &path, format!("is {}: write {} above its keys", kind(other), table.header()));
                            examples(table)
                        }
                    });
                }
                Value::Array(all)
            }
            DeValue::Table(inner) if !table.is_many() => Value::Table(self.inside(table.path, path, line, table.keys, inner)),
            DeValue::Table(_) => {
                self.add(line, path, format!("there may be several: write {} with two brackets", table.header()));
                Value::Array(vec![examples(table)])
            }
            other => {
                self.add(line, path, format!("is {}: write {} above its keys", kind(other), table.header()));
                if table.is_many() { Value::Array(vec![examples(table)]) } else { examples(table) }
            }
        }
    }

    fn value(&mut self, key: &PlanKey, path: &str, line: Option<usize>, value: &DeValue<'_>) -> Value {
        match accepted(key, value) {
            Ok(value) => value,
            Err(message) => {
                self.add(line, path, message);
                example(key)
            }
        }
    }
}

fn join(here: &str, name: &str) -> String {
    if here.is_empty() { name.to_owned() } else { format!("{here}.{name}") }
}

fn unknown(name: &str, near: Option<&str>, schema: &str, names: Vec<&str>) -> String {
    if let Some(near) = near {
        return format!("there is no such key: did you mean {near}?");
    }
    // Right name, wrong table.
    if let Some(table) = TABLES.iter().find(|table| table.path != schema && table.key(name).is_some()) {
        return format!("is in the wrong place: it belongs under {}", table.header());
    }
    format!("there is no such key; possible here: {}", names.join(", "))
}

fn needed(table: &PlanTable) -> impl Iterator<Item = &'static PlanKey> {
    table.keys.iter().filter(|key| matches!(key.left_out, KeyLeftOut::Needed))
}

fn examples(table: &PlanTable) -> Value {
    Value::Table(needed(table).map(|key| (key.name.to_owned(), example(key))).collect())
}

/// The example as a value; a test proves that each is one.
fn example(key: &PlanKey) -> Value {
    let read: Option<Table> = toml::from_str(&format!("value = {}", key.example)).ok();
    read.and_then(|mut table| table.remove("value")).unwrap_or(Value::Boolean(false))
}

fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or a time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(_) => whole(value).map(|whole| whole as f64),
        DeValue::Float(float) => float.as_str().parse().ok(),
        _ => None,
    }
}
fn whole(value: &DeValue<'_>) -> Option<i64> {
    value.as_integer().and_then(|integer| i64::from_str_radix(integer.as_str(), integer.radix()).ok())
}

/// What stands there if it may, else what may.
fn accepted(key: &PlanKey, value: &DeValue<'_>) -> Result<Value, String> {
    let wanted = || format!("write {}, like {}", key.allowed_words(), key.example);
    let wrong_kind = || match value {
        DeValue::String(text) if matches!(key.allowed, Allowed::Number(_) | Allowed::Whole(..)) => {
            format!("\"{text}\" is text: {} (without quotes)", wanted())
        }
        other => format!("is {}: {}", kind(other), wanted()),
    };
    let impossible = |what: &dyn std::fmt::Display| format!("{what} is not possible: {}", wanted());
    let text = value.as_str();
    match key.allowed {
        Allowed::Number(range) => match number(value) {
            Some(number) if range.holds(number) => Ok(Value::Float(number)),
            Some(number) => Err(impossible(&number)),
            None => Err(wrong_kind()),
        },
        Allowed::Whole(low, high) => match (whole(value), number(value)) {
            (Some(number), _) if (low..=high).contains(&number) => Ok(Value::Integer(number)),
            (_, Some(number)) => Err(impossible(&number)),
            _ => Err(wrong_kind()),
        },
        Allowed::Text | Allowed::Filled => match text {
            Some(text) if matches!(key.allowed, Allowed::Filled) && text.trim().is_empty() => Err("is empty: fill it in".to_owned()),
            Some(text) => Ok(Value::String(text.to_owned())),
            None => Err(wrong_kind()),
        },
        Allowed::Zone => match text.map(str::parse::<Zone>) {
            Some(Ok(zone)) => Ok(Value::String(zone.into())),
            Some(Err(_)) => Err(impossible(&format_args!("\"{}\"", text.unwrap_or_default()))),
            None => Err(wrong_kind()),
        },
        Allowed::Date => {
            let written = match value {
                DeValue::Datetime(date) => date.to_string(),
                DeValue::String(text) => text.to_string(),
                _ => return Err(wrong_kind()),
            };
            match chrono::NaiveDate::parse_from_str(&written, "%Y-%m-%d") {
                Ok(_) => Ok(Value::String(written)),
                Err(_) => Err(impossible(&format_args!("'{written}'"))),
            }
        }
        // No key of a plan is a list of values.
        Allowed::Texts | Allowed::Numbers => Err(wrong_kind()),
        Allowed::Flag => value.as_bool().map(Value::Boolean).ok_or_else(wrong_kind),
        Allowed::Words(words) => match text {
            Some(text) if words.contains(&text) || FORMER.contains(&text) => Ok(Value::String(text.to_owned())),
            Some(text) => {
                let near = meant(text, words.iter().copied()).map_or_else(String::new, |near| format!("; did you mean \"{near}\"?"));
                Err(format!("\"{text}\" is not possible: write {}{near}", key.allowed_words()))
            }
            None => Err(wrong_kind()),
        },
    }
}
