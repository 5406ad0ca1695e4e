//! Starting a run although something stops it: a reason, a name, and a second name where the plan asks for one.

use super::checklist::Signed;
use super::expiry::is_same_name;

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Override {
    pub reason: String,
    /// Who agreed to it besides.
    pub second: Option<String>,
    pub by: Signed,
}

/// Why an override does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum OverrideError {
    #[error("the plan asks for a second name under an override: name who agreed to it (--second NAME)")]
    NoSecond,
    #[error("the second name is that of who overrides: name somebody else who agreed to it")]
    SamePerson,
}

impl Override {
    /// What is kept with the run and shown wherever the run is.
    pub fn words(&self) -> String {
        match &self.second {
            Some(second) => format!("{} (second name: {second})", self.reason),
            None => self.reason.clone(),
        }
    }

    /// Whether it counts under a plan that asks for a second name, or does not.
    pub fn counts(&self, needs_second: bool) -> Result<(), OverrideError> {
        match self.second.as_deref().filter(|name| !name.trim().is_empty()) {
            None if needs_second => Err(OverrideError::NoSecond),
            Some(second) if is_same_name(second, &self.by.name) => Err(OverrideError::SamePerson),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_name_is_that_of_somebody_else() {
        let by = Signed { name: "R. Aldane".into(), ..Signed::default() };
        let named = |second: Option<&str>| Override { reason: "order 7".into(), second: second.map(str::to_owned), by: by.clone() };
        assert_eq!(named(None).counts(false), Ok(()));
        assert_eq!(named(None).counts(true), Err(OverrideError::NoSecond));
        assert_eq!(named(Some(" ")).counts(true), Err(OverrideError::NoSecond));
        assert_eq!(named(Some("r.aldane")).counts(true), Err(OverrideError::SamePerson));
        assert_eq!(named(Some("r.aldane")).counts(false), Err(OverrideError::SamePerson));
        assert_eq!(named(Some("M. Tesk")).counts(true), Ok(()));
        assert_eq!(named(Some("M. Tesk")).words(), "order 7 (second name: M. Tesk)");
    }
}
