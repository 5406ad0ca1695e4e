//! The pre-scan checklist: a template's items, the answers given so far, and whether scanning may start.
//! Answers are never overwritten: a later answer to the same item stands beside the earlier one and counts.

mod bounds;
mod conditions;
mod in_units;
mod standing;
mod written;

pub use bounds::{Bounds, Pull, WorkedBounds, drop_zone_m, holding, holding_on_the_way};
pub use conditions::{Conditions, Filled, Now, Valid, zone_of};
pub use in_units::number_in;
pub use standing::Due;

use super::check::{PlanError, Problem, line_of_key, toml_problem};
use backwall_units::{LengthUnit, NumberError, parse_number};
use serde::{Deserialize, Serialize};
use written::ItemText;

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
    /// What it is called where there is little room; without it, its id.
    pub short: Option<String>,
    pub group: String,
    /// As it is written; [`Item::asked`] is what is shown.
    pub ask: String,
    pub kind: ItemKind,
    /// How long its answer holds.
    pub valid: Valid,
    /// Not asked: what is measured or planned answers it.
    pub filled_by: Option<FilledBy>,
    /// The name that answers it must be another than that of who answers or scans.
    pub second_person: bool,
    /// Its answer is shown on the scan screen while there is an alarm of a thin spot.
    pub at_thin: bool,
    /// A hold point: scanning waits until it is answered and passes.
    pub hold: bool,
    /// Shown with the item.
    pub caution: Option<String>,
    /// Where the requirement comes from.
    pub reference: Option<String>,
}

/// What answers an item instead of a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FilledBy {
    /// The newest check of the encoder over a measured distance: its error in percent.
    EncoderCheck,
    /// The dates of the plan's kit.
    Kit,
}

/// What kind of answer an item wants.
#[derive(Debug, Clone, PartialEq)]
pub enum ItemKind {
    Confirm,
    Number {
        unit: String,
        min: Option<f64>,
        max: Option<f64>,
        worked: WorkedBounds,
    },
    Choice {
        choices: Vec<String>,
        /// Choices that stop the job.
        failing: Vec<String>,
    },
    Text,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AnswerValue {
    Confirmed(bool),
    Number(f64),
    Choice(String),
    Text(String),
}

impl std::fmt::Display for AnswerValue {
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
    pub value: AnswerValue,
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
    /// Answered once, but the answer no longer holds: open again; says why.
    RanOut(String),
    Passed,
    /// Answered, but the answer stops the job; says why.
    Failed(String),
}

/// Why an answer cannot be taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AnswerError {
    #[error("{0}, without the unit")]
    NotANumber(NumberError),
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
    /// What it is called where there is little room.
    pub fn short(&self) -> &str {
        self.short.as_deref().unwrap_or(&self.id)
    }

    /// The question in the units it is read in.
    pub fn asked(&self, unit: LengthUnit) -> String {
        in_units::words_in(&self.ask, unit)
    }

    pub fn warned(&self, unit: LengthUnit) -> Option<String> {
        self.caution.as_ref().map(|caution| in_units::words_in(caution, unit))
    }

    /// An answer with its unit.
    pub fn answered(&self, value: &AnswerValue, unit: LengthUnit) -> String {
        match (&self.kind, value) {
            (ItemKind::Number { unit: of, .. }, AnswerValue::Number(number)) => number_in(*number, of, unit),
            _ => value.to_string(),
        }
    }

    /// Reads a typed answer.
    pub fn parse(&self, text: &str) -> Result<AnswerValue, AnswerError> {
        let text = text.trim();
        match &self.kind {
            ItemKind::Confirm => match text.to_ascii_lowercase().as_str() {
                "y" | "yes" | "true" => Ok(AnswerValue::Confirmed(true)),
                "n" | "no" | "false" => Ok(AnswerValue::Confirmed(false)),
                _ => Err(AnswerError::NotYesOrNo),
            },
            ItemKind::Number { .. } => parse_number(text).map(AnswerValue::Number).map_err(AnswerError::NotANumber),
            ItemKind::Choice { choices, .. } => choices
                .iter()
                .find(|choice| choice.eq_ignore_ascii_case(text))
                .map(|choice| AnswerValue::Choice(choice.clone()))
                .ok_or_else(|| AnswerError::NotAChoice { given: text.to_owned(), choices: choices.join(", ") }),
            ItemKind::Text if text.is_empty() => Err(AnswerError::Empty),
            ItemKind::Text => Ok(AnswerValue::Text(text.to_owned())),
        }
    }

    /// Whether a value passes within its bounds.
    fn judge(&self, value: &AnswerValue, bounds: &Bounds, shown: LengthUnit) -> ItemState {
        match (&self.kind, value) {
            (ItemKind::Confirm, AnswerValue::Confirmed(true)) => ItemState::Passed,
            (ItemKind::Confirm, AnswerValue::Confirmed(false)) => ItemState::Failed("not confirmed".to_owned()),
            (ItemKind::Number { unit, .. }, AnswerValue::Number(number)) => {
                if let Some(min) = bounds.min.filter(|min| number < min) {
                    ItemState::Failed(format!("{} is under the limit of {}", number_in(*number, unit, shown), number_in(min, unit, shown)))
                } else if let Some(max) = bounds.max.filter(|max| number > max) {
                    ItemState::Failed(format!("{} is over the limit of {}", number_in(*number, unit, shown), number_in(max, unit, shown)))
                } else {
                    ItemState::Passed
                }
            }
            (ItemKind::Choice { failing, .. }, AnswerValue::Choice(choice)) if failing.contains(choice) => {
                ItemState::Failed(format!("'{choice}' stops the job"))
            }
            (ItemKind::Choice { choices, .. }, AnswerValue::Choice(choice)) if choices.contains(choice) => ItemState::Passed,
            (ItemKind::Text, AnswerValue::Text(text)) if !text.trim().is_empty() => ItemState::Passed,
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
        let ids: std::collections::HashSet<&str> = checklist.items.iter().map(|item| item.id.as_str()).collect();
        let choices_of = |id: &str| match checklist.item(id).map(|item| &item.kind) {
            Some(ItemKind::Choice { choices, .. }) => choices.as_slice(),
            _ => &[],
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
            let named: Vec<&str> = match &item.kind {
                ItemKind::Number { worked: WorkedBounds::MaxFrom(id), .. } => vec![id],
                ItemKind::Number { worked: WorkedBounds::Pull(pull), .. } => {
                    if !choices_of(&pull.way).contains(&pull.along) {
                        let words = format!("'{}' is not among the choices of '{}'", pull.along, pull.way);
                        problem(format!("item[{index}].pull"), &words);
                    }
                    vec![&pull.mass, &pull.cable, &pull.friction, &pull.way]
                }
                _ => Vec::new(),
            };
            for id in named.into_iter().filter(|id| !ids.contains(id)) {
                problem(format!("item[{index}].id"), &format!("has a limit from '{id}', but there is no item of that id"));
            }
            if matches!(item.valid, Valid::Hours(hours) if !(hours > 0.0 && hours.is_finite())) {
                problem(format!("item[{index}].valid_h"), "is not a time that an answer could hold for: give hours above 0");
            }
        }
        if problems.is_empty() { Ok(checklist) } else { Err(refuse(problems)) }
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
    fn answer(item: &str, value: AnswerValue) -> Answer {
        Answer { item: item.into(), value, note: String::new(), by: signed() }
    }

    #[test]
    fn an_open_hold_point_a_failed_number_and_a_missing_signature_stop_scanning() {
        let list = Checklist::parse("test.toml", TEMPLATE).unwrap();
        let any = Conditions::default();
        let obstacles = |answers: &[Answer], signatures: &[Signature]| list.obstacles(answers, signatures, &any);
        assert_eq!(obstacles(&[], &[]), ["Permit number: hold point not answered", "the checklist is not signed"]);
        let mut answers = vec![answer("permit", AnswerValue::Text("P-1".into())), answer("wind", AnswerValue::Number(12.0))];
        let sign = |answers: &[Answer]| vec![Signature { by: signed(), answers: answers.len() }];
        let signatures = sign(&answers);
        assert_eq!(obstacles(&answers, &signatures), ["Wind at height: 12 m/s is over the limit of 10.3 m/s"]);
        answers.push(answer("wind", AnswerValue::Number(8.0)));
        assert_eq!(obstacles(&answers, &signatures), ["an answer was changed after the signature: sign again"]);
        assert!(obstacles(&answers, &sign(&answers)).is_empty());
        assert_eq!(answers.len(), 3, "the first answer still stands");
    }

    #[test]
    fn what_has_run_out_stops_scanning_until_it_is_answered_and_signed_again() {
        const HOUR: i64 = 3_600_000_000;
        let text = TEMPLATE
            .replace("max = 10.3", "max = 10.3\nhold = true\nvalid_h = 1.0")
            .replace("hold = true\n[[item]]\nid = \"wind\"", "hold = true\nvalid = \"day\"\n[[item]]\nid = \"wind\"");
        let list = Checklist::parse("test.toml", &text).unwrap();
        assert_eq!((list.items[0].valid, list.items[1].valid, list.items[2].valid), (Valid::Day, Valid::Hours(1.0), Valid::Job));
        let mut answers = vec![answer("permit", AnswerValue::Text("P-1".into())), answer("wind", AnswerValue::Number(8.0))];
        let mut signatures = vec![Signature { by: signed(), answers: 2 }];
        let at = |hours: i64| Conditions { now: Now { at_us: hours * HOUR, ..Now::default() }, ..Conditions::default() };
        assert!(list.obstacles(&answers, &signatures, &at(0)).is_empty());
        assert_eq!(list.signed(&answers, &signatures, &at(0)).map(|by| by.name.as_str()), Some("R. Aldane"));
        assert_eq!(
            list.obstacles(&answers, &signatures, &at(1)),
            ["Wind at height: ran out, answer again (answered 1.0 h ago, holds for 1 h)"]
        );
        assert_eq!(list.signed(&answers, &signatures, &at(1)), None, "the signature runs out with what it signed");
        let later = list.obstacles(&answers, &signatures, &at(90 * 24));
        assert!(later.len() == 2 && later[0].contains("held for its day") && later[1].contains("90 days ago"), "{later:?}");
        let due: Vec<_> = list.due(&answers, &at(0)).into_iter().map(|due| (due.what, due.at_us / HOUR)).collect();
        assert_eq!(due, [("permit".to_owned(), 24), ("wind".to_owned(), 1)]);
        answers.push(Answer { by: Signed { at_us: HOUR, ..signed() }, ..answer("wind", AnswerValue::Number(7.0)) });
        assert_eq!(list.obstacles(&answers, &signatures, &at(1)), ["an answer was changed after the signature: sign again"]);
        signatures.push(Signature { by: signed(), answers: 3 });
        assert!(list.obstacles(&answers, &signatures, &at(1)).is_empty());
        // What stops the job does not get better by waiting.
        answers.push(answer("wind", AnswerValue::Number(12.0)));
        assert!(matches!(list.state(&list.items[1], &answers, &at(90 * 24)), ItemState::Failed(_)));
    }

    #[test]
    fn typed_answers_are_read_or_refused_with_what_to_do() {
        let list = Checklist::parse("test.toml", TEMPLATE).unwrap();
        assert_eq!(list.item("wind").unwrap().parse("7.5"), Ok(AnswerValue::Number(7.5)));
        assert_eq!(list.item("wind").unwrap().parse("7,5"), Ok(AnswerValue::Number(7.5)));
        for wrong in ["7.5 m/s", "1,234", "calm"] {
            assert!(list.item("wind").unwrap().parse(wrong).unwrap_err().to_string().contains("without the unit"), "{wrong}");
        }
        assert_eq!(list.item("steel").unwrap().parse("Ferritic"), Ok(AnswerValue::Choice("ferritic".into())));
        assert!(list.item("steel").unwrap().parse("lead").is_err());
    }

    #[test]
    fn template_mistakes_name_line_and_key() {
        let wrong = TEMPLATE.replace("max = 10.3", "max = 1.0\nmin = 5.0");
        let error = Checklist::parse("t.toml", &wrong).unwrap_err().to_string();
        assert!(error.starts_with("t.toml:18: item[1].min"), "{error}");
        assert!(Checklist::parse("t.toml", &TEMPLATE.replace("group", "grup")).is_err());
        let never = TEMPLATE.replace("max = 10.3", "max = 10.3\nvalid_h = 0");
        assert!(Checklist::parse("t.toml", &never).unwrap_err().to_string().contains("item[1].valid_h"));
        let both = never.replace("valid_h = 0", "valid_h = 1\nvalid = \"day\"");
        assert!(Checklist::parse("t.toml", &both).unwrap_err().to_string().contains("not both"));
    }
}
