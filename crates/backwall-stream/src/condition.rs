//! What a field must hold for something to follow from it: a value, one of several, or some bits.

use super::layout::Number;

/// A value written in a profile, to compare with.
#[derive(Debug, Clone, PartialEq)]
pub enum Constant {
    Number(f64),
    Text(String),
}

impl Constant {
    pub fn is_number(&self, value: Number) -> bool {
        matches!(self, Self::Number(constant) if *constant == value.as_f64())
    }

    /// A number is compared as one also where it came as text.
    pub fn is(&self, sent: Sent<'_>) -> bool {
        match (self, sent) {
            (Self::Text(due), Sent::Text(text)) => due == text,
            (Self::Number(_), Sent::Text(text)) => Number::parse(text, false).is_some_and(|number| self.is_number(number)),
            (Self::Number(_), Sent::Number(number)) => self.is_number(number),
            (Self::Text(_), Sent::Number(_)) => false,
        }
    }
}

/// A field's value as it came.
#[derive(Debug, Clone, Copy)]
pub enum Sent<'a> {
    Number(Number),
    Text(&'a str),
}

#[derive(Debug, Clone, PartialEq)]
pub enum Condition {
    AnyOf(Vec<Constant>),
    /// The bits of `mask` are those of `is`.
    Bits {
        mask: u64,
        is: u64,
    },
}

impl Condition {
    pub fn holds(&self, sent: Sent<'_>) -> bool {
        match self {
            Self::AnyOf(constants) => constants.iter().any(|constant| constant.is(sent)),
            Self::Bits { mask, is } => word(sent).is_some_and(|word| word & mask == *is),
        }
    }
}

/// A status word, in decimal or, as text may have it, in hexadecimal behind `0x`.
fn word(sent: Sent<'_>) -> Option<u64> {
    match sent {
        Sent::Number(Number::Whole(value)) => Some(value as u64),
        Sent::Number(Number::Float(_)) => None,
        Sent::Text(text) => match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
            Some(digits) => u64::from_str_radix(digits, 16).ok(),
            None => text.parse::<i128>().ok().map(|value| value as u64),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_and_bits_are_compared_as_numbers_and_as_text() {
        let any = |constants: &[Constant]| Condition::AnyOf(constants.to_vec());
        let (ok, seven) = (Constant::Text("OK".to_owned()), Constant::Number(7.0));
        assert!(any(&[ok.clone(), seven.clone()]).holds(Sent::Text("OK")) && any(std::slice::from_ref(&seven)).holds(Sent::Text("007")));
        assert!(
            any(std::slice::from_ref(&seven)).holds(Sent::Number(Number::Whole(7))) && !any(&[ok]).holds(Sent::Number(Number::Whole(7)))
        );
        let bits = Condition::Bits { mask: 0x06, is: 0x04 };
        for (text, holds) in [("5", true), ("0x0D", true), ("6", false), ("-4", true), ("LC", false)] {
            assert_eq!(bits.holds(Sent::Text(text)), holds, "{text}");
        }
        assert!(bits.holds(Sent::Number(Number::Whole(0x14))) && !bits.holds(Sent::Number(Number::Float(4.0))));
    }
}
