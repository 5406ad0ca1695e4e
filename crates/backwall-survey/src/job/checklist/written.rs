//! A checklist item as it is written in a template: the keys of one `[[item]]`, and which of them go together.

use super::{FilledBy, Item, ItemKind, Pull, Valid, WorkedBounds};
use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum KindWord {
    Confirm,
    Number,
    Choice,
    Text,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum ValidWord {
    Day,
    Shift,
    Line,
    Job,
}

/// An item as it is written: the keys of one `[[item]]`.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ItemText {
    id: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    short: Option<String>,
    group: String,
    ask: String,
    kind: KindWord,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    valid: Option<ValidWord>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    valid_h: Option<f64>,
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
    #[serde(default, skip_serializing_if = "Option::is_none")]
    max_from: Option<String>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    drop_zone: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pull: Option<Pull>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    filled_by: Option<FilledBy>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    second_person: bool,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    at_thin: bool,
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
        let worked = match (text.max_from, text.drop_zone, text.pull) {
            (None, false, None) => WorkedBounds::Nowhere,
            (Some(from), false, None) => WorkedBounds::MaxFrom(from),
            (None, true, None) => WorkedBounds::DropZone,
            (None, false, Some(pull)) if pull.safety >= 1.0 => WorkedBounds::Pull(pull),
            (None, false, Some(_)) => return Err(format!("item '{id}': a safety under 1 holds nothing")),
            _ => return Err(format!("item '{id}': give one of max_from, drop_zone and pull")),
        };
        if text.kind != KindWord::Number && worked != WorkedBounds::Nowhere {
            return Err(format!("item '{id}': max_from, drop_zone and pull belong to kind = \"number\" only"));
        }
        let filled = match text.filled_by {
            Some(FilledBy::EncoderCheck) => text.kind == KindWord::Number,
            Some(FilledBy::Kit) => text.kind == KindWord::Confirm,
            None => true,
        };
        if !filled {
            return Err(format!("item '{id}': an encoder check fills a number, the kit of the plan a confirm"));
        }
        if text.second_person && text.kind != KindWord::Text {
            return Err(format!("item '{id}': second_person belongs to kind = \"text\" only"));
        }
        let kind = match text.kind {
            KindWord::Confirm => ItemKind::Confirm,
            KindWord::Text => ItemKind::Text,
            KindWord::Choice => ItemKind::Choice { choices: text.choices, failing: text.failing },
            KindWord::Number => ItemKind::Number {
                unit: text.unit.ok_or_else(|| format!("item '{id}': a number needs its unit"))?,
                min: text.min,
                max: text.max,
                worked,
            },
        };
        let valid = match (text.valid, text.valid_h) {
            (Some(_), Some(_)) => return Err(format!("item '{id}': give valid or valid_h, not both")),
            (None, Some(hours)) => Valid::Hours(hours),
            (Some(ValidWord::Day), None) => Valid::Day,
            (Some(ValidWord::Shift), None) => Valid::Shift,
            (Some(ValidWord::Line), None) => Valid::Line,
            (Some(ValidWord::Job) | None, None) => Valid::Job,
        };
        let ItemText { id, short, group, ask, filled_by, second_person, at_thin, hold, caution, reference, .. } = text;
        Ok(Self { id, short, group, ask, kind, valid, filled_by, second_person, at_thin, hold, caution, reference })
    }
}

impl From<Item> for ItemText {
    fn from(item: Item) -> Self {
        let (mut unit, mut min, mut max, mut worked) = (None, None, None, WorkedBounds::Nowhere);
        let (mut choices, mut failing) = (Vec::new(), Vec::new());
        let kind = match item.kind {
            ItemKind::Confirm => KindWord::Confirm,
            ItemKind::Text => KindWord::Text,
            ItemKind::Number { unit: of, min: least, max: most, worked: from } => {
                (unit, min, max, worked) = (Some(of), least, most, from);
                KindWord::Number
            }
            ItemKind::Choice { choices: all, failing: bad } => {
                (choices, failing) = (all, bad);
                KindWord::Choice
            }
        };
        let drop_zone = worked == WorkedBounds::DropZone;
        let (max_from, pull) = match worked {
            WorkedBounds::MaxFrom(from) => (Some(from), None),
            WorkedBounds::Pull(pull) => (None, Some(pull)),
            WorkedBounds::Nowhere | WorkedBounds::DropZone => (None, None),
        };
        let (valid, valid_h) = match item.valid {
            Valid::Hours(hours) => (None, Some(hours)),
            Valid::Day => (Some(ValidWord::Day), None),
            Valid::Shift => (Some(ValidWord::Shift), None),
            Valid::Line => (Some(ValidWord::Line), None),
            Valid::Job => (None, None),
        };
        Self {
            id: item.id,
            short: item.short,
            group: item.group,
            ask: item.ask,
            kind,
            valid,
            valid_h,
            unit,
            min,
            max,
            choices,
            failing,
            max_from,
            drop_zone,
            pull,
            filled_by: item.filled_by,
            second_person: item.second_person,
            at_thin: item.at_thin,
            hold: item.hold,
            caution: item.caution,
            reference: item.reference,
        }
    }
}
