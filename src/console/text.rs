//! Free text made safe and short enough for a screen, and the small formats every screen shares.

use crate::units::{Length, LengthUnit};

/// Text from outside (notes, device names, faults) with everything that could steer a terminal taken out.
/// Control characters become `·`; direction overrides and zero-width characters vanish, so that nothing on screen
/// reads other than it is stored.
pub fn safe_text(text: &str) -> String {
    text.chars()
        .filter_map(|c| match c {
            '\t' | '\n' | '\r' => Some(' '),
            '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}' => None,
            c if c.is_control() => Some('·'),
            c => Some(c),
        })
        .collect()
}

/// Columns a text takes on screen.
pub fn columns(text: &str) -> usize {
    ratatui::text::Span::raw(text).width()
}

/// Cuts a text to a number of columns; what was cut shows as `~`.
pub fn clip(text: &str, width: usize) -> String {
    if columns(text) <= width {
        return text.to_owned();
    }
    let mut out = String::new();
    for c in text.chars() {
        out.push(c);
        if columns(&out) + 1 > width {
            out.pop();
            break;
        }
    }
    if width > 0 {
        out.push('~');
    }
    out
}

/// Breaks a text at spaces into lines of at most `width` columns.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && columns(&line) + 1 + columns(word) > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
        while columns(&line) > width {
            let head: String = line.chars().take(width).collect();
            line = line.chars().skip(width).collect();
            lines.push(head);
        }
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
}

/// A time of day, `14:02`, for a clock `offset_s` seconds ahead of UTC.
pub fn clock(at_us: i64, offset_s: i32) -> String {
    stamp(at_us, offset_s, "%H:%M")
}

/// A day and time, `2026-05-04 14:02`.
pub fn day_and_clock(at_us: i64, offset_s: i32) -> String {
    stamp(at_us, offset_s, "%Y-%m-%d %H:%M")
}

fn stamp(at_us: i64, offset_s: i32, format: &str) -> String {
    let local = at_us.saturating_add(i64::from(offset_s) * 1_000_000);
    chrono::DateTime::from_timestamp_micros(local).map_or_else(|| "no time".to_owned(), |time| time.format(format).to_string())
}

/// A day and time without the year, for lists: `05-04 14:02`.
pub fn short_day_and_clock(at_us: i64, offset_s: i32) -> String {
    stamp(at_us, offset_s, "%m-%d %H:%M")
}

/// The calendar day at a clock `offset_s` seconds ahead of UTC.
pub fn day(at_us: i64, offset_s: i32) -> Option<chrono::NaiveDate> {
    chrono::DateTime::from_timestamp_micros(at_us.saturating_add(i64::from(offset_s) * 1_000_000)).map(|time| time.date_naive())
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

/// Time gone by, as on a stop watch: `1:46`, `2:05:00`.
pub fn elapsed(seconds: f64) -> String {
    let whole = seconds.max(0.0) as u64;
    match whole {
        0..3600 => format!("{}:{:02}", whole / 60, whole % 60),
        _ => format!("{}:{:02}:{:02}", whole / 3600, whole % 3600 / 60, whole % 60),
    }
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

/// A thickness as a calibration looks at it: to a micrometre, or a tenth of a thousandth of an inch.
pub fn fine(unit: LengthUnit, length: Length) -> String {
    match unit {
        LengthUnit::Mm => format!("{:.3}", length.as_mm()),
        LengthUnit::Inch => format!("{:.4}", length.as_inch()),
    }
}

/// A difference of thicknesses with its sign, as fine.
pub fn signed(unit: LengthUnit, length: Length) -> String {
    let (value, digits) = match unit {
        LengthUnit::Mm => (length.as_mm(), 3),
        LengthUnit::Inch => (length.as_inch(), 4),
    };
    let text = format!("{value:+.digits$}");
    // What rounds to nothing has no sign to go by.
    if text.bytes().all(|c| !(b'1'..=b'9').contains(&c)) { text.replacen('-', "+", 1) } else { text }
}

/// A whole number of units of length, for a scale: `0`, `5`, `0.25`.
pub fn scale_mark(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A short form of a place for a ruler.
pub fn ruler(place: Length, step: Length, unit: LengthUnit) -> String {
    match unit {
        LengthUnit::Mm if step < Length::mm(10.0) => format!("{:.3}", place.as_metres()),
        LengthUnit::Mm => format!("{:.2}", place.as_metres()),
        LengthUnit::Inch => format!("{:.1}", place.as_inch()),
    }
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
    fn long_text_is_cut_visibly_and_wide_letters_count_double() {
        assert_eq!(clip("pitting on old weld", 10), "pitting o~");
        assert_eq!(columns(&clip("漢字漢字漢字", 7)), 7);
        assert_eq!(clip("short", 10), "short");
        assert_eq!(clip("x y", 0), "");
    }

    #[test]
    fn text_is_wrapped_at_spaces_and_words_too_long_are_broken() {
        assert_eq!(wrap("one two three", 8), ["one two", "three"]);
        assert_eq!(wrap("abcdefghij", 4), ["abcd", "efgh", "ij"]);
    }

    #[test]
    fn times_and_amounts_read_as_the_trade_reads_them() {
        assert_eq!(clock(1_777_903_320_000_000, 0), "14:02");
        assert_eq!(clock(1_777_903_320_000_000, 7200), "16:02");
        assert_eq!((duration(12.9).as_str(), duration(185.0).as_str(), duration(40_000.0).as_str()), ("12 s", "3:05 min", "11:06 h"));
        assert_eq!(bytes(3_200_000_000), "3.2 GB");
    }
}
