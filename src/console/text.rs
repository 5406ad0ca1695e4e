//! Free text made safe and short enough for a screen, and the small formats every screen shares.

pub use backwall_report::words::{
    bytes, clock, clock_and_zone, day, day_and_clock, duration, moment, safe_text, short_day_and_clock, stretch,
};
use backwall_ultrasound::Coating;
use backwall_units::{Length, LengthUnit};

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

/// The same in at most `rows` lines; what was cut shows as `~`.
pub fn wrap_to(text: &str, width: usize, rows: usize) -> Vec<String> {
    let mut lines = wrap(text, width);
    if lines.len() > rows {
        let rest = lines.split_off(rows.saturating_sub(1)).join(" ");
        lines.extend((rows > 0).then(|| clip(&rest, width)));
    }
    lines
}

/// Time gone by, as on a stop watch: `1:46`, `2:05:00`.
pub fn elapsed(seconds: f64) -> String {
    let whole = seconds.max(0.0) as u64;
    match whole {
        0..3600 => format!("{}:{:02}", whole / 60, whole % 60),
        _ => format!("{}:{:02}:{:02}", whole / 3600, whole % 3600 / 60, whole % 60),
    }
}

/// A thickness as a calibration looks at it: to a micrometre, or a tenth of a thousandth of an inch.
pub fn fine(unit: LengthUnit, length: Length) -> String {
    match unit {
        LengthUnit::Mm => format!("{:.3}", length.as_mm()),
        LengthUnit::Inch => format!("{:.4}", length.as_inch()),
    }
}

/// What a shot told of a coating: `coating 0.31 ±0.04 mm`, U at k = 2.
pub fn coating(unit: LengthUnit, coating: &Coating) -> String {
    format!("coating {} ±{} {}", unit.thickness(coating.thickness), unit.thickness(coating.uncertainty * 2.0), unit.thickness_symbol())
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
        assert_eq!(wrap_to("one two three", 8, 2), ["one two", "three"]);
        assert_eq!(wrap_to("one two three four", 8, 2), ["one two", "three f~"]);
        assert_eq!(wrap_to("one two three", 7, 1), ["one tw~"]);
    }
}
