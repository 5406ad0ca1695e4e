//! The commands of a profile: what the operator may send to the device by name, and what is wrong with them as they are written.

use super::findings::ProfileFindings;
use super::written::{self, WrittenProfile};
use crate::check::{ByteOrder, CheckPlace, FrameCheck};
use crate::command::{DeviceCommand, Encoding, Values};
use crate::layout::Wire;
use std::time::Duration;

/// Where the value stands.
const VALUE: &str = "{value}";
/// An answer is waited for so long where the profile does not say, ms.
const USUAL_PATIENCE: u64 = 1_000;
/// More than a list on a screen can show.
const MOST: usize = 40;
const LONGEST_NAME: usize = 24;

pub fn commands(written: &WrittenProfile, check: &FrameCheck, order: ByteOrder, found: &mut ProfileFindings<'_>) -> Vec<DeviceCommand> {
    if written.commands.len() > MOST {
        found.add("command", format!("{} commands are not possible: {MOST} at most", written.commands.len()));
    }
    let mut names: Vec<&str> = Vec::new();
    let mut all = Vec::new();
    for (index, command) in written.commands.iter().enumerate() {
        let key = |name: &str| format!("command[{index}].{name}");
        if let Some(name) = command.name.as_deref() {
            if names.contains(&name) {
                found.add(&key("name"), format!("'{name}' is there twice: give each command a name of its own"));
            }
            names.push(name);
        }
        all.extend(command_of(command, check, order, &key, found));
    }
    all
}

fn command_of(
    written: &written::WrittenCommand,
    check: &FrameCheck,
    order: ByteOrder,
    key: &dyn Fn(&str) -> String,
    found: &mut ProfileFindings<'_>,
) -> Option<DeviceCommand> {
    let name = found.needed(&key("name"), written.name.clone(), "how the operator finds the command, as \"gain\"");
    if let Some(name) = &name
        && (name.trim().is_empty() || name.chars().count() > LONGEST_NAME || name.contains('=') || name.chars().any(char::is_control))
    {
        found.add(&key("name"), format!("must be 1 to {LONGEST_NAME} characters without '='"));
    }
    let kind = found.needed(&key("kind"), written.kind, "gain, range or other: what changes readings is asked twice and kept as such");
    let values = values(written, key, found);
    let (before, behind, encoding) = sent(written, order, &values, key, found)?;
    if written.add_check && (check.width() == 0 || check.place != CheckPlace::End) {
        found.add(&key("add_check"), "needs a [check] at the end of a frame");
    }
    if written.answer.is_some() && written.answer_hex.is_some() {
        found.add(&key("answer_hex"), "cannot go with answer: give one of them");
    }
    let answer = match &written.answer {
        Some(text) if text.is_empty() => {
            found.add(&key("answer"), "is empty: say what the device's answer begins with, or leave it out");
            Vec::new()
        }
        Some(text) => text.clone().into_bytes(),
        None => found.hex(&key("answer_hex"), written.answer_hex.as_ref()),
    };
    if answer.is_empty() {
        found.of_no_use(&key("timeout_ms"), &written.timeout_ms, "without an answer that is waited for");
    }
    let patience = written.timeout_ms.unwrap_or(USUAL_PATIENCE);
    found.within(&key("timeout_ms"), patience as usize, 50, 60_000);
    let command = DeviceCommand {
        name: name?,
        about: written.about.clone().unwrap_or_default(),
        kind: kind?,
        values,
        unit: written.unit.clone().unwrap_or_default(),
        before,
        behind,
        encoding,
        check: written.add_check.then(|| check.clone()),
        answer,
        patience: Duration::from_millis(patience),
    };
    fits(&command, key, found);
    Some(command)
}

/// The values that are allowed. Without any a command takes none.
fn values(written: &written::WrittenCommand, key: &dyn Fn(&str) -> String, found: &mut ProfileFindings<'_>) -> Values {
    let between = written.from.is_some() || written.to.is_some();
    if !between {
        found.of_no_use(&key("decimals"), &written.decimals, "without from and to");
    }
    if between && !written.values.is_empty() {
        found.add(&key("values"), "cannot go with from and to: give one of them");
        return Values::None;
    }
    if between {
        let from = found.needed(&key("from"), written.from, "the least value");
        let to = found.needed(&key("to"), written.to, "the greatest value");
        let (Some(from), Some(to)) = (from, to) else { return Values::None };
        if !(from.is_finite() && to.is_finite() && from < to) {
            found.add(&key("to"), format!("{to} is not possible: it must be more than from, {from}"));
        }
        let decimals = written.decimals.unwrap_or(0);
        found.within(&key("decimals"), decimals, 0, 6);
        return Values::Between { from, to, decimals };
    }
    let mut all = Vec::new();
    for value in &written.values {
        match value {
            toml::Value::Integer(number) => all.push(number.to_string()),
            toml::Value::Float(number) => all.push(number.to_string()),
            toml::Value::String(text) if !text.is_empty() => all.push(text.clone()),
            _ => found.add(&key("values"), "must be numbers or texts, as they are sent"),
        }
    }
    if all.is_empty() {
        found.of_no_use(&key("unit"), &written.unit, "where the command takes no value");
        return Values::None;
    }
    Values::OneOf(all)
}

/// What is sent before the value and behind it, and how the value stands there.
fn sent(
    written: &written::WrittenCommand,
    order: ByteOrder,
    values: &Values,
    key: &dyn Fn(&str) -> String,
    found: &mut ProfileFindings<'_>,
) -> Option<(Vec<u8>, Vec<u8>, Encoding)> {
    let (name, template) = match (&written.text, &written.hex) {
        (Some(_), Some(_)) => {
            found.add(&key("hex"), "cannot go with text: give one of them");
            return None;
        }
        (Some(text), None) => ("text", text),
        (None, Some(hex)) => ("hex", hex),
        (None, None) => {
            found.add(&key("text"), "is missing: what is sent, as text, or as bytes in hex");
            return None;
        }
    };
    let is_hex = written.hex.is_some();
    if !is_hex {
        found.of_no_use(&key("value_type"), &written.value_type, "where text is sent");
    }
    if written.value_type.is_none() {
        found.of_no_use(&key("value_times"), &written.value_times, "without value_type");
    }
    let places = template.matches(VALUE).count();
    match (values, places) {
        (Values::None, 0) | (Values::OneOf(_) | Values::Between { .. }, 1) => {}
        (Values::None, _) => {
            found.add(&key(name), "has {value}, and no values are allowed: give values, or from and to");
            return None;
        }
        (_, 0) => {
            found.add(&key(name), "has no place for the value: write {value} in its place");
            return None;
        }
        _ => {
            found.add(&key(name), "has {value} more than once");
            return None;
        }
    }
    let (before, behind) = template.split_once(VALUE).unwrap_or((template, ""));
    let mut part = |part: &str| match is_hex {
        true if part.trim().is_empty() => Vec::new(),
        true => found.hex(&key(name), Some(&part.to_owned())),
        false => part.as_bytes().to_vec(),
    };
    let (before, behind) = (part(before), part(behind));
    if before.is_empty() && behind.is_empty() && places == 0 {
        found.add(&key(name), "is empty: say what is sent");
    }
    let encoding = match (is_hex, values) {
        (false, _) | (true, Values::None) => Encoding::Text,
        (true, _) => {
            let wire = found.needed(&key("value_type"), written.value_type, "how the value is written among bytes, as u16")?;
            if matches!(wire, Wire::Text | Wire::Skip) {
                found.add(&key("value_type"), "must be a number, as u8, u16 or f32");
                return None;
            }
            let times = written.value_times.unwrap_or(1.0);
            if !times.is_finite() || times == 0.0 {
                found.add(&key("value_times"), format!("{times} is not possible: it makes the number that is sent of the value"));
            }
            Encoding::Number { wire, order, times }
        }
    };
    Some((before, behind, encoding))
}

/// Every value that is allowed must fit what is sent.
fn fits(command: &DeviceCommand, key: &dyn Fn(&str) -> String, found: &mut ProfileFindings<'_>) {
    let ends = match &command.values {
        Values::None => return,
        Values::OneOf(values) => values.clone(),
        Values::Between { from, to, decimals } => vec![format!("{from:.decimals$}"), format!("{to:.decimals$}")],
    };
    if let Some(value) = ends.iter().find(|value| command.encoded(value).is_none()) {
        found.add(&key("value_type"), format!("cannot hold {value}: take a wider type, or another value_times"));
    }
}
