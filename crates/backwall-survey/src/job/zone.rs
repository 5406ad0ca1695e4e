//! The clock of the site, as the plan gives it: a fixed way ahead of UTC. The name of a region is not taken: what it means is in a
//! database that goes out of date, and an hour of autumn would be there twice.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// How far a clock is ahead of UTC; UTC itself by default.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Zone {
    minutes: i32,
}

impl Zone {
    pub const UTC: Self = Self { minutes: 0 };

    pub const fn seconds(self) -> i32 {
        self.minutes * 60
    }

    /// As it stands behind a time: `UTC`, `+01:00`.
    pub fn short(self) -> String {
        if self == Self::UTC { "UTC".to_owned() } else { self.hours_and_minutes() }
    }

    fn hours_and_minutes(self) -> String {
        let minutes = self.minutes.abs();
        format!("{}{:02}:{:02}", if self.minutes < 0 { '-' } else { '+' }, minutes / 60, minutes % 60)
    }
}

/// `UTC`, `UTC+01:00`.
impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("UTC")?;
        if *self == Self::UTC { Ok(()) } else { f.write_str(&self.hours_and_minutes()) }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is not a zone: write \"UTC\", or hours and minutes ahead of UTC like \"+01:00\"")]
pub struct ZoneError(String);

impl FromStr for Zone {
    type Err = ZoneError;
    fn from_str(text: &str) -> Result<Self, ZoneError> {
        let wrong = || ZoneError(text.to_owned());
        if text == "UTC" || text == "Z" {
            return Ok(Self::UTC);
        }
        let (sign, rest) = match text.as_bytes().first() {
            Some(b'+') => (1, &text[1..]),
            Some(b'-') => (-1, &text[1..]),
            _ => return Err(wrong()),
        };
        let part = |part: &str, under: i32| {
            let digits = part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
            part.parse::<i32>().ok().filter(|number| digits && *number < under).ok_or_else(wrong)
        };
        let (hours, minutes) = rest.split_once(':').ok_or_else(wrong)?;
        Ok(Self { minutes: sign * (part(hours, 16)? * 60 + part(minutes, 60)?) })
    }
}

impl TryFrom<String> for Zone {
    type Error = ZoneError;
    fn try_from(text: String) -> Result<Self, ZoneError> {
        text.parse()
    }
}
impl From<Zone> for String {
    fn from(zone: Zone) -> Self {
        zone.short()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 3339, section 5.6, time-numoffset: ("+" / "-") time-hour ":" time-minute.
    #[test]
    fn an_offset_is_read_as_times_are_written_and_nothing_else() {
        for (text, seconds, shown) in [
            ("+01:00", 3600, "UTC+01:00"),
            ("-03:30", -12_600, "UTC-03:30"),
            ("+05:45", 20_700, "UTC+05:45"),
            ("UTC", 0, "UTC"),
            ("-00:00", 0, "UTC"),
        ] {
            let zone: Zone = text.parse().unwrap();
            assert_eq!((zone.seconds(), zone.to_string().as_str()), (seconds, shown));
            assert_eq!(String::from(zone).parse::<Zone>().unwrap(), zone);
        }
        for wrong in ["", "+1:00", "01:00", "+01", "+16:00", "+01:60", "+-1:00", "Europe/Nowhere", "+01:00 "] {
            assert!(wrong.parse::<Zone>().is_err(), "{wrong}");
        }
    }
}
