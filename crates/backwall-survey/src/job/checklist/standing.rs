//! How a checklist stands: which answer counts for an item, whether it still holds, and what stops scanning.

use super::{Answer, AnswerValue, Checklist, Conditions, Filled, FilledBy, Item, ItemState, Signature, Signed};
use crate::job::expiry::is_same_name;

/// Something that runs out at a known time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Due {
    /// In a word or two.
    pub what: String,
    /// µs since 1970-01-01 UTC.
    pub at_us: i64,
}

impl Checklist {
    pub fn item(&self, id: &str) -> Option<&Item> {
        self.items.iter().find(|item| item.id == id)
    }

    /// The answer that counts for an item: the last one given.
    pub fn answer<'a>(&self, item: &Item, answers: &'a [Answer]) -> Option<&'a Answer> {
        answers.iter().rev().find(|answer| answer.item == item.id)
    }

    /// How an item stands. An answer that stops the job goes on doing so until there is a better one; one that passes
    /// holds for as long as the template says.
    pub fn state(&self, item: &Item, answers: &[Answer], conditions: &Conditions) -> ItemState {
        let (state, at_us) = match (item.filled_by, self.answer(item, answers)) {
            (Some(by), _) => match conditions.filled(by) {
                Some(filled) => {
                    let bounds = self.bounds(item, answers, conditions).unwrap_or_default();
                    (item.judge(&filled.value, &bounds, conditions.unit), filled.at_us)
                }
                None => return ItemState::Open,
            },
            (None, Some(answer)) => (self.judge(item, answer, answers, conditions), answer.by.at_us),
            (None, None) => return ItemState::Open,
        };
        match (state, item.valid.ran_out(at_us, &conditions.now)) {
            (ItemState::Passed, Some(why)) => ItemState::RanOut(why),
            (state, _) => state,
        }
    }

    /// Whether an answer passes, however old it is.
    pub fn judge(&self, item: &Item, answer: &Answer, answers: &[Answer], conditions: &Conditions) -> ItemState {
        if let (true, AnswerValue::Text(name)) = (item.second_person, &answer.value)
            && let Some(same) = [&answer.by.name, &conditions.operator].into_iter().find(|one| is_same_name(one, name))
        {
            return ItemState::Failed(format!("{same} cannot be the second person as well: name somebody else"));
        }
        match self.bounds(item, answers, conditions) {
            Ok(bounds) => item.judge(&answer.value, &bounds, conditions.unit),
            Err(why) => ItemState::Failed(why),
        }
    }

    /// What stops scanning, in words; empty when nothing does. A failed answer stops it on any item, one that is open or has
    /// run out only on a hold point; and the whole must be signed after the last answer.
    pub fn obstacles(&self, answers: &[Answer], signatures: &[Signature], conditions: &Conditions) -> Vec<String> {
        let mut found = self.unanswered(answers, conditions);
        match signatures.last() {
            None => found.push("the checklist is not signed".to_owned()),
            Some(signature) if signature.answers != answers.len() => {
                found.push("an answer was changed after the signature: sign again".to_owned());
            }
            Some(_) => {}
        }
        found
    }

    /// What stops scanning of what people answer; as long as there is any, there is nothing to sign. What is measured later fills its
    /// items by itself, and the dates of kit stop scanning whether an item asks for them or not.
    pub fn unanswered(&self, answers: &[Answer], conditions: &Conditions) -> Vec<String> {
        let of_item = |item: &Item| match self.state(item, answers, conditions) {
            ItemState::Failed(why) => Some(format!("{}: {why}", item.asked(conditions.unit))),
            ItemState::RanOut(why) if item.hold => Some(format!("{}: ran out, answer again ({why})", item.asked(conditions.unit))),
            ItemState::Open if item.hold => Some(format!("{}: hold point not answered", item.asked(conditions.unit))),
            _ => None,
        };
        self.items.iter().filter(|item| item.filled_by.is_none()).filter_map(of_item).collect()
    }

    /// What stops scanning because it was not measured yet, or badly: the items that a later step fills.
    pub fn unmeasured(&self, conditions: &Conditions) -> Vec<String> {
        let of_item = |item: &Item| match self.state(item, &[], conditions) {
            ItemState::Open if item.hold => Some(format!("{}: not measured yet (Calibrate, d)", item.asked(conditions.unit))),
            ItemState::RanOut(why) if item.hold => Some(format!("{}: {why}; check it again (Calibrate, d)", item.asked(conditions.unit))),
            ItemState::Failed(why) => Some(format!("{}: {why}; check it again (Calibrate, d)", item.asked(conditions.unit))),
            ItemState::Open | ItemState::RanOut(_) | ItemState::Passed => None,
        };
        let encoder = |item: &&Item| item.filled_by == Some(FilledBy::EncoderCheck);
        self.items.iter().filter(encoder).filter_map(of_item).collect()
    }

    /// Who signed, where the signature stands under all answers and none that it holds for has run out.
    pub fn signed<'a>(&self, answers: &[Answer], signatures: &'a [Signature], conditions: &Conditions) -> Option<&'a Signed> {
        let stands = |signature: &&Signature| signature.answers == answers.len() && self.unanswered(answers, conditions).is_empty();
        signatures.last().filter(stands).map(|signature| &signature.by)
    }

    /// When the hold points that hold for a time run out, or did.
    pub fn due(&self, answers: &[Answer], conditions: &Conditions) -> Vec<Due> {
        let of_item = |item: &Item| {
            let passes = |answer: &&Answer| self.judge(item, answer, answers, conditions) == ItemState::Passed;
            let given_us = match item.filled_by {
                Some(by) => conditions.filled(by)?.at_us,
                None => self.answer(item, answers).filter(passes)?.by.at_us,
            };
            let at_us = item.valid.until(given_us, &conditions.now)?;
            Some(Due { what: item.short().to_owned(), at_us })
        };
        self.items.iter().filter(|item| item.hold).filter_map(of_item).collect()
    }
}

impl Conditions {
    pub fn filled(&self, by: FilledBy) -> Option<&Filled> {
        match by {
            FilledBy::EncoderCheck => self.encoder.as_ref(),
            FilledBy::Kit => self.kit.as_ref(),
        }
    }
}
