//! Text broken into lines by its real width.

use crate::figure::{LineWeight, font};
use crate::words::safe_text;

/// A font height and weight.
#[derive(Debug, Clone, Copy)]
pub struct Type {
    pub size: f64,
    pub weight: LineWeight,
}

impl Type {
    pub const fn regular(size: f64) -> Self {
        Self { size, weight: LineWeight::Regular }
    }
    pub const fn bold(size: f64) -> Self {
        Self { size, weight: LineWeight::Bold }
    }
    pub fn width(self, text: &str) -> f64 {
        font::width(text, self.size, self.weight)
    }
    /// From one baseline to the next.
    pub fn line(self) -> f64 {
        self.size * 1.33
    }

    /// Breaks a text at spaces into lines of at most `room`; a word wider than that is broken where it must be.
    pub fn wrap(self, text: &str, room: f64) -> Vec<String> {
        let text = safe_text(text);
        // A column made as wide as its widest word must hold it, whatever the sums were rounded to.
        let room = room + 1e-6;
        let space = self.width(" ");
        let (mut lines, mut line, mut used) = (Vec::new(), String::new(), 0.0);
        for word in words(&text) {
            let width = self.width(&word);
            if !line.is_empty() && used + space + width > room {
                lines.push(std::mem::take(&mut line));
                used = 0.0;
            }
            if !line.is_empty() {
                line.push(' ');
                used += space;
            }
            if width <= room {
                line.push_str(&word);
                used += width;
                continue;
            }
            for c in word.chars() {
                let wide = self.width(c.encode_utf8(&mut [0; 4]));
                if used + wide > room && !line.is_empty() {
                    lines.push(std::mem::take(&mut line));
                    used = 0.0;
                }
                line.push(c);
                used += wide;
            }
        }
        if !line.is_empty() || lines.is_empty() {
            lines.push(line);
        }
        lines
    }

    /// Width of the widest word, and of the whole text on one line.
    pub fn extent(self, text: &str) -> (f64, f64) {
        (words(text).iter().map(|word| self.width(word)).fold(0.0, f64::max), self.width(text))
    }
}

/// A number is not parted from these.
const UNITS: [&str; 16] =
    ["%", "mm", "in", "m", "mm/year", "in/year", "m/s", "in/µs", "°C", "°F", "µs", "ns", "dB", "MHz", "years", "shots"];

/// What stays on one line: words, and a number with its unit.
fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    // A blank that is not to be broken at keeps what it joins together, and is one like others on paper.
    let is_break = |c: char| c.is_whitespace() && c != '\u{a0}';
    for word in text.split(is_break).filter(|word| !word.is_empty()) {
        let word = &word.replace('\u{a0}', " ");
        let bare = word.trim_end_matches([',', ';', '.', ':', ')', ']']);
        match words.last_mut() {
            Some(number) if UNITS.contains(&bare) && !number.contains(' ') && number.ends_with(|c: char| c.is_ascii_digit()) => {
                number.push(' ');
                number.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_fits_and_no_letter_is_lost() {
        let text = "pitting on the old weld Donaudampfschifffahrtsgesellschaft Ελένη Łukasz Жанна";
        let kind = Type::regular(3.2);
        for room in [1.0, 9.0, 20.0, 44.0] {
            let lines = kind.wrap(text, room);
            assert!(lines.iter().all(|line| kind.width(line) <= room + 1e-5 || line.chars().count() == 1), "{room}: {lines:?}");
            let letters = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
            assert_eq!(letters(&lines.concat()), letters(text));
        }
        assert_eq!(kind.wrap("", 10.0), [""]);
        // Wide enough for the longest word: no unit stands on a line of its own.
        let text = "98.4 %, 1.74 in, 35 mm";
        assert_eq!(kind.wrap(text, kind.extent(text).0), ["98.4 %,", "1.74 in,", "35 mm"]);
    }
}
