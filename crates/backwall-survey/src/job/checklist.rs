//! The pre-scan checklist: a template's items, the answers given so far, and whether scanning may start.
//! Answers are never overwritten: a later answer to the same item stands beside the earlier one and counts.

use super::check::{PlanError, Problem, line_of_key, toml_problem};
use serde::{Deserialize, Serialize};

/// A checklist template, as read from its TOML file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Checklist {
    pub name: String,
    pub title: String,
    pub caution: String,
    #[serde(rename = "item")]
    pub items: Vec<Item>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "ItemText", into = "ItemText")]
pub struct Item {
    pub id: String,
    pub group: String,
    pub ask: String,
    pub kind: ItemKind,
    /// A hold point: scanning waits until it is answered and passes.
    pub hold: bool,
    /// Shown with the item.
    pub caution: Option<String>,
    /// Where the requirement comes from.
    pub reference: Option<String>,
}

/// What kind of answer an item wants.
#[derive(Debug, Clone, PartialEq)]
pub enum ItemKind {
    Confirm,
    Number {
        unit: String,
        min: Option<f64>,
        max: Option<f64>,
    },
    Choice {
        choices: Vec<String>,
        /// Choices that stop the job.
        failing: Vec<String>,
    },
    Text,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum KindWord {
    Confirm,
    Number,
    Choice,
    Text,
}

/// An item as it is written: the keys of one `[[item]]`.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ItemText {
    id: String,
    group: String,
    ask: String,
    kind: KindWord,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    unit: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    min: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    max: Option<f64>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    choices: Vec<String>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    failing: Vec<String>,
    #[serde(default)]
    hold: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    caution: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    reference: Option<String>,
}

impl TryFrom<ItemText> for Item {
    type Error = String;
    fn try_from(text: ItemText) -> Result<Self, String> {
        let id = &text.id;
        if text.kind != KindWord::Number && (text.unit.is_some() || text.min.is_some() || text.max.is_some()) {
            return Err(format!("item '{id}': unit, min and max belong to kind = \"number\" only"));
        }
        if text.kind != KindWord::Choice && !(text.choices.is_empty() && text.failing.is_empty()) {
            return Err(format!("item '{id}': choices and failing belong to kind = \"choice\" only"));
        }
        let kind = match text.kind {
            KindWord::Confirm => ItemKind::Confirm,
            KindWord::Text => ItemKind::Text,
            KindWord::Choice => ItemKind::Choice { choices: text.choices, failing: text.failing },
            KindWord::Number => ItemKind::Number {
                unit: text.unit.ok_or_else(|| format!("item '{id}': a number needs its unit"))?,
                min: text.min,
                max: text.max,
            },
        };
        let ItemText { id, group, ask, hold, caution, reference, .. } = text;
        Ok(Self { id, group, ask, kind, hold, caution, reference })
    }
}

impl From<Item> for ItemText {
    fn from(item: Item) -> Self {
        let (kind, unit, min, max, choices, failing) = match item.kind {
            ItemKind::Confirm => (KindWord::Confirm, None, None, None, vec![], vec![]),
            ItemKind::Text => (KindWord::Text, None, None, None, vec![], vec![]),
            ItemKind::Number { unit, min, max } => (KindWord::Number, Some(unit), min, max, vec![], vec![]),
            ItemKind::Choice { choices, failing } => (KindWord::Choice, None, None, None, choices, failing),
        };
        let Item { id, group, ask, hold, caution, reference, .. } = item;
        Self { id, group, ask, kind, unit, min, max, choices, failing, hold, caution, reference }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Value {
    Confirmed(bool),
    Number(f64),
    Choice(String),
    Text(String),
}

impl std::fmt::Display for Value {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Confirmed(true) => f.write_str("confirmed"),
            Self::Confirmed(false) => f.write_str("not confirmed"),
            Self::Number(number) => write!(f, "{number}"),
            Self::Choice(text) | Self::Text(text) => f.write_str(text),
        }
    }
}

/// Who did something, and when.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Signed {
    pub name: String,
    pub certificate: String,
    /// µs since 1970-01-01 UTC.
    pub at_us: i64,
}

/// One answer, as stored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    pub item: String,
    pub value: Value,
    pub note: String,
    pub by: Signed,
}

/// A signature under all answers given before it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Signature {
    pub by: Signed,
    /// How many answers stood when it was given; a later answer makes it stale.
    pub answers: usize,
}

/// How an item stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ItemState {
    Open,
    Passed,
    /// Answered, but the answer stops the job; says why.
    Failed(String),
}

/// Why an answer cannot be taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AnswerError {
    #[error("'{0}' is not a number: write it with digits and a point, without the unit")]
    NotANumber(String),
    #[error("'{given}' is not one of: {choices}")]
    NotAChoice { given: String, choices: String },
    #[error("write something, or leave the item open")]
    Empty,
    #[error("answer y (confirmed) or n (not confirmed)")]
    NotYesOrNo,
    #[error("there is no checklist item '{0}'")]
    NoSuchItem(String),
}

impl Item {
    /// Reads a typed answer.
    pub fn parse(&self, text: &str) -> Result<Value, AnswerError> {
        let text = text.trim();
        match &self.kind {
            ItemKind::Confirm => match text.to_ascii_lowercase().as_str() {
                "y" | "yes" | "true" => Ok(Value::Confirmed(true)),
                "n" | "no" | "false" => Ok(Value::Confirmed(false)),
                _ => Err(AnswerError::NotYesOrNo),
            },
            ItemKind::Number { .. } => match text.parse::<f64>() {
                Ok(number) if number.is_finite() => Ok(Value::Number(number)),
                _ => Err(AnswerError::NotANumber(text.to_owned())),
            },
            ItemKind::Choice { choices, .. } => choices
                .iter()
                .find(|choice| choice.eq_ignore_ascii_case(text))
                .map(|choice| Value::Choice(choice.clone()))
                .ok_or_else(|| AnswerError::NotAChoice { given: text.to_owned(), choices: choices.join(", ") }),
            ItemKind::Text if text.is_empty() => Err(AnswerError::Empty),
            ItemKind::Text => Ok(Value::Text(text.to_owned())),
        }
    }

    /// Whether an answer passes.
    pub fn judge(&self, value: &Value) -> ItemState {
        match (&self.kind, value) {
            (ItemKind::Confirm, Value::Confirmed(true)) => ItemState::Passed,
            (ItemKind::Confirm, Value::Confirmed(false)) => ItemState::Failed("not confirmed".to_owned()),
            (ItemKind::Number { unit, min, max }, Value::Number(number)) => {
                if let Some(min) = min.filter(|min| number < min) {
                    ItemState::Failed(format!("{number} {unit} is under the limit of {min} {unit}"))
                } else if let Some(max) = max.filter(|max| number > max) {
                    ItemState::Failed(format!("{number} {unit} is over the limit of {max} {unit}"))
                } else {
                    ItemState::Passed
                }
            }
            (ItemKind::Choice { failing, .. }, Value::Choice(choice)) if failing.contains(choice) => {
                ItemState::Failed(format!("'{choice}' stops the job"))
            }
            (ItemKind::Choice { choices, .. }, Value::Choice(choice)) if choices.contains(choice) => ItemState::Passed,
            (ItemKind::Text, Value::Text(text)) if !text.trim().is_empty() => ItemState::Passed,
            _ => ItemState::Failed("the answer does not fit the question".to_owned()),
        }
    }
}

impl Checklist {
    /// Reads and checks a template. `name` stands for the file in messages.
    pub fn parse(name: &str, text: &str) -> Result<Self, PlanError> {
        let refuse = |problems| PlanError { file: name.to_owned(), problems };
        let checklist: Self = toml::from_str(text).map_err(|error| refuse(vec![toml_problem(text, &error)]))?;
        let mut problems = Vec::new();
        let mut problem = |key: String, message: &str| {
            problems.push(Problem { line: line_of_key(text, &key), key, message: message.to_owned() });
        };
        let mut seen = std::collections::HashSet::new();
        for (index, item) in checklist.items.iter().enumerate() {
            if !seen.insert(&item.id) {
                problem(format!("item[{index}].id"), "is given twice: give each item its own");
            }
            match &item.kind {
                ItemKind::Number { min: Some(min), max: Some(max), .. } if min > max => {
                    problem(format!("item[{index}].min"), "is above max: no number could pass");
                }
                ItemKind::Choice { choices, .. } if choices.is_empty() => {
                    problem(format!("item[{index}].choices"), "is empty: name at least one");
                }
                ItemKind::Choice { choices, failing } if failing.iter().any(|choice| !choices.contains(choice)) => {
                    problem(format!("item[{index}].failing"), "names something that is not among the choices");
                }
                _ => {}
            }
        }
        if problems.is_empty() { Ok(checklist) } else { Err(refuse(problems)) }
    }

    pub fn item(&self, id: &str) -> Option<&Item> {
        self.items.iter().find(|item| item.id == id)
    }

    /// The answer that counts for an item: the last one given.
    pub fn answer<'a>(&self, item: &Item, answers: &'a [Answer]) -> Option<&'a Answer> {
        answers.iter().rev().find(|answer| answer.item == item.id)
    }

    pub fn state(&self, item: &Item, answers: &[Answer]) -> ItemState {
        self.answer(item, answers).map_or(ItemState::Open, |answer| item.judge(&answer.value))
    }

    /// What stops scanning, in words; empty when nothing does. A failed answer stops it on any item, an open item
    /// only on a hold point; and the whole must be signed after the last answer.
    pub fn obstacles(&self, answers: &[Answer], signatures: &[Signature]) -> Vec<String> {
        let mut found: Vec<String> = self
            .items
            .iter()
            .filter_map(|item| match self.state(item, answers) {
                ItemState::Failed(why) => Some(format!("{}: {why}", item.ask)),
                ItemState::Open if item.hold => Some(format!("{}: hold point not answered", item.ask)),
                _ => None,
            })
            .collect();
        match signatures.last() {
            None => found.push("the checklist is not signed".to_owned()),
            Some(signature) if signature.answers != answers.len() => {
                found.push("an answer was changed after the signature: sign again".to_owned());
            }
            Some(_) => {}
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEMPLATE: &str = r#"
name = "test"
title = "Test"
caution = "care"
[[item]]
id = "permit"
group = "authority"
ask = "Permit number"
kind = "text"
hold = true
[[item]]
id = "wind"
group = "weather"
ask = "Wind at height"
kind = "number"
unit = "m/s"
max = 10.3
[[item]]
id = "steel"
group = "adhesion"
ask = "Steel"
kind = "choice"
choices = ["ferritic", "austenitic"]
failing = ["austenitic"]
"#;
    fn signed() -> Signed {
        Signed { name: "R. Aldane".into(), certificate: "UT 2".into(), at_us: 0 }
    }
    fn answer(item: &str, value: Value) -> Answer {
        Answer { item: item.into(), value, note: String::new(), by: signed() }
    }

    #[test]
    fn an_open_hold_point_a_failed_number_and_a_missing_signature_stop_scanning() {
        let list = Checklist::parse("test.toml", TEMPLATE).unwrap();
        assert_eq!(list.obstacles(&[], &[]), ["Permit number: hold point not answered", "the checklist is not signed"]);
        let mut answers = vec![answer("permit", Value::Text("P-1".into())), answer("wind", Value::Number(12.0))];
        let sign = |answers: &[Answer]| vec![Signature { by: signed(), answers: answers.len() }];
        let signatures = sign(&answers);
        assert_eq!(list.obstacles(&answers, &signatures), ["Wind at height: 12 m/s is over the limit of 10.3 m/s"]);
        answers.push(answer("wind", Value::Number(8.0)));
        assert_eq!(list.obstacles(&answers, &signatures), ["an answer was changed after the signature: sign again"]);
        assert!(list.obstacles(&answers, &sign(&answers)).is_empty());
        assert_eq!(answers.len(), 3, "the first answer still stands");
    }

    #[test]
    fn typed_answers_are_read_or_refused_with_what_to_do() {
        let list = Checklist::parse("test.toml", TEMPLATE).unwrap();
        assert_eq!(list.item("wind").unwrap().parse("7.5"), Ok(Value::Number(7.5)));
        assert!(list.item("wind").unwrap().parse("7,5").unwrap_err().to_string().contains("without the unit"));
        assert_eq!(list.item("steel").unwrap().parse("Ferritic"), Ok(Value::Choice("ferritic".into())));
        assert!(list.item("steel").unwrap().parse("lead").is_err());
    }

    #[test]
    fn template_mistakes_name_line_and_key() {
        let wrong = TEMPLATE.replace("max = 10.3", "max = 1.0\nmin = 5.0");
        let error = Checklist::parse("t.toml", &wrong).unwrap_err().to_string();
        assert!(error.starts_with("t.toml:18: item[1].min"), "{error}");
        assert!(Checklist::parse("t.toml", &TEMPLATE.replace("group", "grup")).is_err());
    }
}
