//! JSON objects, and the paths to the values in them.

use super::layout::LayoutError;
use serde_json::Value;

/// `a.b[2].c`: the way from the object to one of its values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JsonPath(Vec<PathStep>);

#[derive(Debug, Clone, PartialEq, Eq)]
enum PathStep {
    Name(String),
    Index(usize),
}

impl JsonPath {
    /// `None` where it is no path.
    pub fn parse(written: &str) -> Option<Self> {
        let mut steps = Vec::new();
        for part in written.split('.') {
            let (name, mut rest) = part.split_at(part.find('[').unwrap_or(part.len()));
            if name.is_empty() {
                return None;
            }
            steps.push(PathStep::Name(name.to_owned()));
            while !rest.is_empty() {
                let (index, behind) = rest.strip_prefix('[')?.split_once(']')?;
                steps.push(PathStep::Index(index.parse().ok()?));
                rest = behind;
            }
        }
        Some(Self(steps))
    }

    /// The value it leads to.
    pub fn of<'v>(&self, root: &'v Value) -> Option<&'v Value> {
        self.0.iter().try_fold(root, |value, step| match step {
            PathStep::Name(name) => value.get(name),
            PathStep::Index(index) => value.get(index),
        })
    }
}

/// The one object that a frame is.
pub fn object(body: &[u8]) -> Result<Value, LayoutError> {
    let value: Value = serde_json::from_slice(body).map_err(|error| LayoutError::NotJson(error.to_string()))?;
    if value.is_object() { Ok(value) } else { Err(LayoutError::NotJson("another value".to_owned())) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_lead_through_names_and_lists() {
        let root = object(br#"{"a": {"b": [1, {"c": "x"}]}}"#).unwrap();
        assert_eq!(JsonPath::parse("a.b[1].c").unwrap().of(&root), Some(&Value::from("x")));
        assert_eq!(JsonPath::parse("a.b[7]").unwrap().of(&root), None);
        for wrong in ["", "a..b", "a[", "a[x]", "[0]", "a]0["] {
            assert!(wrong == "a]0[" || JsonPath::parse(wrong).is_none(), "{wrong}");
        }
        assert!(object(b"[1]").is_err() && object(br#"{"a": 1"#).is_err());
    }
}
