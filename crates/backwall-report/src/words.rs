//! The words and small formats that screen, exports and report share: text from outside made safe, times, amounts.
//! Lengths are written by `backwall_units::LengthUnit`.

use backwall_store::{Adoption, EvaluationSummary, JobContents};
use backwall_survey::job::Zone;
use backwall_units::{Length, LengthUnit};

/// Text from outside (notes, device names, faults) with everything that could steer a terminal taken out.
/// Control characters become `·`; direction overrides and zero-width characters vanish, so that nothing on screen
/// reads other than it is stored.
pub fn safe_text(text: &str) -> String {
    text.chars()
        .filter_map(|c| match c {
            '\t' | '\n' | '\r' => Some(' '),
            c if steers_reading(c) => None,
            c if c.is_control() => Some('·'),
            c => Some(c),
        })
        .collect()
}

/// Text for a terminal that comes in lines: what could steer it, or turn the order of what is read, stands as its number, as JSON writes it.
pub fn shown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\n' | '\t' => out.push(c),
            c if c.is_control() || steers_reading(c) => out.push_str(&format!("\\u{:04x}", u32::from(c))),
            c => out.push(c),
        }
    }
    out
}

/// Direction overrides and zero-width characters: with them a text reads other than it is stored.
pub(crate) fn steers_reading(c: char) -> bool {
    matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

/// The last part of a path: folders of this computer mean nothing to a reader.
pub(crate) fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// That an evaluation counts, by whose word and why.
pub fn adopted(job: &JobContents, evaluation: &EvaluationSummary, adoption: &Adoption, unit: LengthUnit) -> String {
    format!(
        "evaluation {} ({}) adopted by {} at {}: {}",
        evaluation.id,
        safe_text(&job.differs(&evaluation.start, unit)),
        safe_text(&adoption.by.name),
        moment(adoption.by.at_us, job.plan.zone()),
        safe_text(&adoption.reason)
    )
}

/// A time of day on the site's clock, `14:02`.
pub fn clock(at_us: i64, zone: Zone) -> String {
    stamp(at_us, zone, "%H:%M")
}

/// The same with its zone, `14:02 UTC`, `15:02 +01:00`.
pub fn clock_and_zone(at_us: i64, zone: Zone) -> String {
    format!("{} {}", clock(at_us, zone), zone.short())
}

/// A day and time, `2026-05-04 14:02`, where the zone is said beside it.
pub fn day_and_clock(at_us: i64, zone: Zone) -> String {
    stamp(at_us, zone, "%Y-%m-%d %H:%M")
}

/// A day and time by itself, `2026-05-04 14:02 UTC`.
pub fn moment(at_us: i64, zone: Zone) -> String {
    format!("{} {}", day_and_clock(at_us, zone), zone.short())
}

/// A day and time without the year, for lists: `05-04 14:02`.
pub fn short_day_and_clock(at_us: i64, zone: Zone) -> String {
    stamp(at_us, zone, "%m-%d %H:%M")
}

/// The only place where a moment becomes words for people.
fn stamp(at_us: i64, zone: Zone, format: &str) -> String {
    on(at_us, zone).map_or_else(|| "no time".to_owned(), |time| time.format(format).to_string())
}

/// The site's calendar day.
pub fn day(at_us: i64, zone: Zone) -> Option<chrono::NaiveDate> {
    on(at_us, zone).map(|time| time.date_naive())
}

/// What the site's clock shows.
fn on(at_us: i64, zone: Zone) -> Option<chrono::DateTime<chrono::Utc>> {
    chrono::DateTime::from_timestamp_micros(at_us.saturating_add(i64::from(zone.seconds()) * 1_000_000))
}

/// A span of time in the two units that matter: `12 s`, `3:05 min`, `11 h`.
pub fn duration(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 0.0 {
        return "?".to_owned();
    }
    let whole = seconds as u64;
    match whole {
        0..60 => format!("{whole} s"),
        60..3600 => format!("{}:{:02} min", whole / 60, whole % 60),
        3600..360_000 => format!("{}:{:02} h", whole / 3600, whole % 3600 / 60),
        _ => format!("{} h", whole / 3600),
    }
}

/// Longer names are shortened where a table must stay on its page.
const LONGEST_NAME: usize = 16;

/// A name for a narrow column: a long one with its beginning and its end, which often carries the number.
pub fn short_name(name: &str) -> String {
    let name = safe_text(name);
    let letters: Vec<char> = name.chars().collect();
    if letters.len() <= LONGEST_NAME {
        return name;
    }
    let (begin, end) = (&letters[..8], &letters[letters.len() - 6..]);
    format!("{}…{}", begin.iter().collect::<String>().trim_end(), end.iter().collect::<String>().trim_start())
}

/// `run 3`, `runs 1, 2`.
pub fn runs<Id: std::fmt::Display>(ids: &[Id]) -> String {
    let listed: Vec<String> = ids.iter().map(Id::to_string).collect();
    format!("{} {}", if ids.len() == 1 { "run" } else { "runs" }, listed.join(", "))
}

/// `1 run`, `3 runs`, `2 stretches`, `2 entries`, `2 keys`.
pub fn count(number: u64, one: &str) -> String {
    match one.strip_suffix('y').filter(|stem| !stem.ends_with(['a', 'e', 'o', 'u'])) {
        _ if number == 1 => format!("1 {one}"),
        Some(stem) => format!("{number} {stem}ies"),
        None if one.ends_with("ch") => format!("{number} {one}es"),
        None => format!("{number} {one}s"),
    }
}

/// A span of time for people: `3 h 20 min`.
pub fn hours(seconds: f64) -> String {
    let minutes = (seconds.max(0.0) / 60.0).round() as u64;
    if minutes < 60 { format!("{minutes} min") } else { format!("{} h {:02} min", minutes / 60, minutes % 60) }
}

/// An amount of storage: `3.2 GB`.
pub fn bytes(count: u64) -> String {
    let count = count as f64;
    match count {
        c if c < 1e3 => format!("{c:.0} B"),
        c if c < 1e6 => format!("{:.0} kB", c / 1e3),
        c if c < 1e9 => format!("{:.1} MB", c / 1e6),
        c => format!("{:.1} GB", c / 1e9),
    }
}

/// A length along the wall, as long as a spot or a gap: `14 mm`, `0.55 in`.
pub fn stretch(unit: LengthUnit, length: Length) -> String {
    match unit {
        LengthUnit::Mm => format!("{:.0} mm", length.as_mm()),
        LengthUnit::Inch => format!("{:.2} in", length.as_inch()),
    }
}

/// What a square metre is in the reader's unit of area, and its symbol.
pub fn area(unit: LengthUnit) -> (f64, &'static str) {
    match unit {
        LengthUnit::Mm => (1.0, "m²"),
        // The foot is 0.3048 m exactly.
        LengthUnit::Inch => (1.0 / (0.3048 * 0.3048), "ft²"),
    }
}

/// A share of 1 in percent, to a tenth; small ones are not rounded away to nothing.
pub fn percent(share: f64) -> String {
    let percent = share * 100.0;
    match percent {
        p if p > 0.0 && p < 0.05 => "under 0.1 %".to_owned(),
        p if (99.95..100.0).contains(&p) => "over 99.9 %".to_owned(),
        p => format!("{p:.1} %"),
    }
}

/// A thickness with its unit: `5.41 mm`.
pub fn thickness(unit: LengthUnit, length: Length) -> String {
    format!("{} {}", unit.thickness(length), unit.thickness_symbol())
}

/// A place along a line with its unit: `3.453 m`.
pub fn place(unit: LengthUnit, length: Length) -> String {
    format!("{} {}", unit.place(length), unit.place_symbol())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_that_would_steer_the_terminal_is_made_harmless() {
        assert_eq!(safe_text("pit\x1b[2Jting\u{7}\n\u{202e}scale\u{9b}"), "pit·[2Jting· scale·");
        assert_eq!(safe_text("Aldane 5 µm, ±0.1 °C"), "Aldane 5 µm, ±0.1 °C");
    }

    #[test]
    fn times_and_amounts_read_as_the_trade_reads_them() {
        assert_eq!(clock(1_777_903_320_000_000, Zone::UTC), "14:02");
        let summer = "+02:00".parse().unwrap();
        assert_eq!(clock(1_777_903_320_000_000, summer), "16:02");
        assert_eq!(moment(1_777_903_320_000_000, summer), "2026-05-04 16:02 +02:00");
        assert_eq!(clock_and_zone(1_777_903_320_000_000, Zone::UTC), "14:02 UTC");
        assert_eq!((duration(12.9).as_str(), duration(185.0).as_str(), duration(40_000.0).as_str()), ("12 s", "3:05 min", "11:06 h"));
        assert_eq!(bytes(3_200_000_000), "3.2 GB");
    }

    #[test]
    fn long_names_keep_their_beginning_and_their_end() {
        assert_eq!(short_name("A090"), "A090");
        assert_eq!(short_name("sixteen letters!"), "sixteen letters!");
        assert_eq!(short_name("northern wall beside the ladder, line 12"), "northern…ine 12");
    }

    #[test]
    fn a_share_never_reads_as_all_or_nothing_when_it_is_not() {
        assert_eq!((percent(0.0).as_str(), percent(0.0004).as_str(), percent(0.048).as_str()), ("0.0 %", "under 0.1 %", "4.8 %"));
        assert_eq!((percent(1.0).as_str(), percent(0.9999).as_str()), ("100.0 %", "over 99.9 %"));
    }
}
