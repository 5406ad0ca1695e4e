//! The three words an assessment has for "is it enough": met, not met, not decided. What is not proven is not decided.

use backwall_units::Length;
use serde::Serialize;

/// One-sided 95 % of the normal distribution: the guard band of a decision on one measured value (JCGM 106:2012, from memory),
/// and the safe end of an interval.
pub const ONE_SIDED: f64 = 1.644_853_626_951_472_7;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub enum Decision {
    #[serde(rename = "met")]
    Met,
    #[serde(rename = "not met")]
    NotMet,
    /// Neither is proven by what was read.
    #[default]
    #[serde(rename = "not decided")]
    NotDecided,
}

impl Decision {
    pub const fn word(self) -> &'static str {
        match self {
            Self::Met => "met",
            Self::NotMet => "not met",
            Self::NotDecided => "not decided",
        }
    }

    /// Both must be met; one that is not met decides.
    pub const fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::NotMet, _) | (_, Self::NotMet) => Self::NotMet,
            (Self::Met, Self::Met) => Self::Met,
            _ => Self::NotDecided,
        }
    }
}

/// The chance that a value lies under a limit, from its reading and standard uncertainty (normal distribution).
pub fn chance_under(value: Length, uncertainty: Length, limit: Length) -> f64 {
    if uncertainty <= Length::ZERO {
        return if value.as_nanometres() < limit.as_nanometres() { 1.0 } else { 0.0 };
    }
    normal_below((limit - value) / uncertainty)
}

/// The share of a normal distribution below so many standard deviations.
pub fn normal_below(deviations: f64) -> f64 {
    0.5 * libm::erfc(-deviations / std::f64::consts::SQRT_2)
}

/// One reading against a limit: met where no more than 5 % say that it lies under, not met where 95 % do. Without an uncertainty nothing is
/// proven to be met, and what reads under the limit is not.
pub fn decide(value: Length, uncertainty: Option<Length>, limit: Length) -> Decision {
    match uncertainty {
        None if value.as_nanometres() < limit.as_nanometres() => Decision::NotMet,
        None => Decision::NotDecided,
        Some(uncertainty) => match chance_under(value, uncertainty, limit) {
            under if under <= 0.05 => Decision::Met,
            under if under >= 0.95 => Decision::NotMet,
            _ => Decision::NotDecided,
        },
    }
}

/// The safe end of a reading: less its guard band.
pub fn safe_end(value: Length, uncertainty: Option<Length>) -> Length {
    value - uncertainty.unwrap_or_default() * ONE_SIDED
}

#[cfg(test)]
mod tests {
    use super::*;

    // JCGM 106:2012 (guard band of 1.645 u, from memory), arithmetic worked: required 6.00 mm, U 0.15 mm (k = 2).
    #[test]
    fn one_reading_against_its_limit() {
        let (u, required) = (Length::mm(0.075), Length::mm(6.0));
        for (reading, percent, word) in
            [(6.10, 9.12, "not decided"), (6.20, 0.38, "met"), (5.90, 90.88, "not decided"), (5.80, 99.62, "not met"), (6.1234, 5.0, "met")]
        {
            let reading = Length::mm(reading);
            assert!((chance_under(reading, u, required) * 100.0 - percent).abs() < 0.005, "{reading}");
            assert_eq!(decide(reading, Some(u), required).word(), word, "{reading}");
        }
        assert!((ONE_SIDED * u.as_mm() - 0.1234).abs() < 5e-5, "the guard band");
        assert_eq!(decide(Length::mm(9.0), None, required), Decision::NotDecided);
        assert_eq!(decide(Length::mm(5.9), None, required), Decision::NotMet);
    }
}
