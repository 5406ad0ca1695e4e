//! PURE. What a revision of the plan changes, key by key, so that it can be looked at before it is taken.

use super::plan::Plan;
use serde::Serialize;
use serde_json::Value;

/// One key that differs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyChange {
    /// As a path, entries of lists by their name: `line A090.length_mm`.
    pub key: String,
    /// As a plan writes it; `None` where the key was not there.
    pub before: Option<String>,
    pub after: Option<String>,
}

impl std::fmt::Display for KeyChange {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match (&self.before, &self.after) {
            (Some(before), Some(after)) => write!(f, "{}: {before} -> {after}", self.key),
            (None, Some(after)) => write!(f, "{}: added, {after}", self.key),
            (Some(before), None) => write!(f, "{}: removed, was {before}", self.key),
            (None, None) => f.write_str(&self.key),
        }
    }
}

/// What entries of a list are known by, the first key that they have.
const NAMES: [&str; 5] = ["name", "number", "serial", "date", "kind"];

/// Every key that differs, in the order of the keys.
pub fn changes(before: &Plan, after: &Plan) -> Vec<KeyChange> {
    differences(before, after)
}

/// The same of any two things that are written with keys.
pub(super) fn differences<T: Serialize>(before: &T, after: &T) -> Vec<KeyChange> {
    let value = |of: &T| serde_json::to_value(of).unwrap_or(Value::Null);
    let mut found = Vec::new();
    compare("", Some(&value(before)), Some(&value(after)), &mut found);
    found
}

fn compare(key: &str, before: Option<&Value>, after: Option<&Value>, found: &mut Vec<KeyChange>) {
    let below = |name: &str| if key.is_empty() { name.to_owned() } else { format!("{key}.{name}") };
    match (before, after) {
        (before, after) if before == after => {}
        (Some(Value::Object(a)), Some(Value::Object(b))) => {
            for name in a.keys().chain(b.keys().filter(|name| !a.contains_key(*name))) {
                compare(&below(name), a.get(name), b.get(name), found);
            }
        }
        (Some(Value::Array(a)), Some(Value::Array(b))) if a.iter().chain(b).all(|entry| name_of(entry).is_some()) => {
            let mut names: Vec<String> = Vec::new();
            for name in a.iter().chain(b).filter_map(name_of) {
                if !names.contains(&name) {
                    names.push(name);
                }
            }
            for name in names {
                let of = |list: &[Value]| list.iter().find(|entry| name_of(entry).as_ref() == Some(&name)).cloned();
                compare(&format!("{key} {name}"), of(a).as_ref(), of(b).as_ref(), found);
            }
        }
        (before, after) => found.push(KeyChange { key: key.to_owned(), before: before.map(written), after: after.map(written) }),
    }
}

fn name_of(entry: &Value) -> Option<String> {
    let value = NAMES.iter().find_map(|name| entry.get(name))?;
    Some(value.as_str().map_or_else(|| value.to_string(), str::to_owned))
}

fn written(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Object(object) => object.iter().map(|(key, value)| format!("{key} {}", written(value))).collect::<Vec<_>>().join(", "),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_revision_is_shown_key_by_key() {
        let before: Plan = toml::from_str(include_str!("../../../../tests/data/plan.toml")).unwrap();
        let mut after = before.clone();
        after.asset.courses[0].required = Some(backwall_units::Length::mm(9.5));
        after.lines[0].length = backwall_units::Length::mm(5000.0);
        let mut added = after.lines[0].clone();
        added.name = "Z9".to_owned();
        after.lines.push(added);
        let said: Vec<String> = changes(&before, &after).iter().map(KeyChange::to_string).collect();
        assert_eq!(said.len(), 3, "{said:?}");
        assert!(said[0].starts_with("asset.course 1.required_mm: ") && said[0].ends_with(" -> 9.5"), "{said:?}");
        assert!(said[1].starts_with(&format!("line {}.length_mm: ", before.lines[0].name)) && said[1].ends_with("-> 5000.0"), "{said:?}");
        assert!(said[2].starts_with("line Z9: added, "), "{said:?}");
        assert!(changes(&before, &before).is_empty());
    }
}
