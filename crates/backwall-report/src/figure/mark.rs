//! How levels and classes look on paper: glyph, word, colour and hatch together, and the legend that says so.

use super::{Anchor, Dash, Figure, FigurePoint, Ink, LineWeight, Stroke, Text, point, rectangle};
use backwall_survey::strip::Level;
use backwall_survey::strip::map::Class;

/// Heights of the font, millimetres.
pub const TITLE: f64 = 3.7;
pub const BODY: f64 = 2.6;
pub const SMALL: f64 = 2.2;

/// No echo: thin grey lines.
pub const HATCH: Stroke = Stroke::solid(Ink::Grey, 0.15);
pub const HATCH_APART: f64 = 1.0;
/// Lines of help.
pub const FINE: Stroke = Stroke::solid(Ink::Grey, 0.15);
pub const EDGE: Stroke = Stroke::solid(Ink::Black, 0.2);
pub const NOMINAL: Stroke = Stroke { ink: Ink::Black, width: 0.2, dash: Dash::Chain };
pub const REQUIRED: Stroke = Stroke { ink: Ink::Black, width: 0.35, dash: Dash::Dashed };
pub const SEAM: Stroke = Stroke { ink: Ink::Blue, width: 0.3, dash: Dash::Dotted };
pub const EARLIER: Stroke = Stroke::solid(Ink::Purple, 0.25);

/// A place read by hand.
pub const HAND: &str = "✚";

pub const fn glyph(level: Level) -> &'static str {
    match level {
        Level::Unjudged => "?",
        Level::Clear => "·",
        Level::Watch => "▲",
        Level::Thin => "◆",
        Level::NoEcho => "○",
    }
}

/// What a wall of this level is filled with; no echo is hatched instead.
pub const fn fill(level: Level) -> Option<Ink> {
    match level {
        Level::Clear | Level::Unjudged => Some(Ink::Pale),
        Level::Watch => Some(Ink::Orange),
        Level::Thin => Some(Ink::Vermilion),
        Level::NoEcho => None,
    }
}

pub const fn class_glyph(class: Class) -> &'static str {
    match class {
        Class::NotScanned => "",
        Class::NoEcho => "○",
        Class::Unrated => "?",
        Class::Ninety => "·",
        Class::Eighty => "–",
        Class::Less => "=",
        Class::Watch => "▲",
        Class::Thin => "◆",
    }
}

/// What a cell of this class is filled with; `None` for what stays white.
pub const fn class_fill(class: Class) -> Option<Ink> {
    match class {
        Class::NotScanned | Class::NoEcho => None,
        Class::Unrated | Class::Ninety => Some(Ink::Pale),
        Class::Eighty => Some(Ink::SkyBlue),
        Class::Less => Some(Ink::Blue),
        Class::Watch => Some(Ink::Orange),
        Class::Thin => Some(Ink::Vermilion),
    }
}

/// The ink of a glyph that stands on a class's fill.
pub const fn class_glyph_ink(class: Class) -> Ink {
    match class {
        Class::Less | Class::Thin => Ink::White,
        _ => Ink::Black,
    }
}

/// What stands before the words of a legend's entry.
pub enum Key {
    Filled(Ink, &'static str, Ink),
    Hatched,
    Blank,
    Line(Stroke),
}

/// Entries in rows from `at` on, not wider than `width`; answers the height taken.
pub fn legend(figure: &mut Figure, at: FigurePoint, width: f64, entries: &[(Key, String)]) -> f64 {
    const BOX: (f64, f64) = (6.0, 3.2);
    const ROW: f64 = 4.6;
    let (mut x, mut y) = (at.x, at.y);
    for (key, words) in entries {
        let text = Text::new(point(0.0, 0.0), words, SMALL);
        let wide = BOX.0 + 1.2 + text.width() + 4.0;
        if x > at.x && x + wide > at.x + width {
            (x, y) = (at.x, y + ROW);
        }
        let corners = rectangle(x, y, BOX.0, BOX.1);
        match key {
            Key::Filled(ink, glyph, on) => {
                figure.areas(vec![corners.clone()], *ink);
                figure.outline(&corners, FINE);
                let middle = point(x + BOX.0 / 2.0, y + BOX.1 / 2.0 + SMALL * 0.36);
                figure.text(Text::new(middle, *glyph, SMALL).anchored(Anchor::Middle).ink(*on));
            }
            Key::Hatched => {
                figure.hatch(&[(corners[0], corners[2])], HATCH_APART, HATCH);
                figure.outline(&corners, FINE);
                let middle = point(x + BOX.0 / 2.0, y + BOX.1 / 2.0 + SMALL * 0.36);
                figure.text(Text::new(middle, glyph(Level::NoEcho), SMALL).anchored(Anchor::Middle).bold());
            }
            Key::Blank => figure.outline(&corners, FINE),
            Key::Line(stroke) => figure.line(point(x, y + BOX.1 / 2.0), point(x + BOX.0, y + BOX.1 / 2.0), *stroke),
        }
        figure.text(Text { at: point(x + BOX.0 + 1.2, y + BOX.1 / 2.0 + SMALL * 0.36), ..text });
        x += wide;
    }
    y + ROW - at.y
}

/// Words in lines no wider than `width`, broken at spaces.
pub fn wrapped(words: &str, width: f64, size: f64, weight: LineWeight) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        match lines.last_mut() {
            Some(line) if super::font::width(&format!("{line} {word}"), size, weight) <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}
