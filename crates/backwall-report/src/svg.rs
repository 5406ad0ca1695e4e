//! A figure as SVG 1.1: plain shapes, text as text, sizes in millimetres of paper.

use super::figure::{Anchor, Dash, Figure, FigureItem, FigurePoint, Ink, LineWeight, Stroke, Text, font};
use std::fmt::{self, Write};

/// The whole SVG file.
pub fn svg(figure: &Figure) -> String {
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    out.push_str(&element(figure));
    out
}

/// The `svg` element alone, to stand inside HTML.
pub fn element(figure: &Figure) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, figure);
    out
}

fn write(out: &mut String, figure: &Figure) -> fmt::Result {
    let (width, height, title) = (number(figure.width), number(figure.height), escaped(&figure.title));
    writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"'{}', Verdana, sans-serif\">",
        font::FAMILY
    )?;
    writeln!(out, "<title>{title}</title>")?;
    writeln!(out, "<rect width=\"{width}\" height=\"{height}\" fill=\"{}\"/>", colour(Ink::White))?;
    for item in &figure.items {
        match item {
            FigureItem::Lines { lines, stroke } => write_lines(out, lines, stroke)?,
            FigureItem::Areas { areas, ink } => writeln!(out, "<path fill=\"{}\" d=\"{}\"/>", colour(*ink), path(areas, true))?,
            FigureItem::Text(text) => write_text(out, text)?,
        }
    }
    writeln!(out, "</svg>")
}

fn write_lines(out: &mut String, lines: &[Vec<FigurePoint>], stroke: &Stroke) -> fmt::Result {
    let dash = match stroke.dash {
        Dash::Solid => String::new(),
        dash => {
            let lengths: Vec<_> = dash.pattern().iter().map(|length| number(length * stroke.width)).collect();
            format!(" stroke-dasharray=\"{}\"", lengths.join(" "))
        }
    };
    let (ink, width, path) = (colour(stroke.ink), number(stroke.width), path(lines, false));
    writeln!(out, "<path fill=\"none\" stroke=\"{ink}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"{dash} d=\"{path}\"/>")
}

fn write_text(out: &mut String, text: &Text) -> fmt::Result {
    let (x, y, size) = (number(text.at.x), number(text.at.y), number(text.size));
    write!(out, "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\" fill=\"{}\"", colour(text.ink))?;
    match text.anchor {
        Anchor::Start => {}
        Anchor::Middle => write!(out, " text-anchor=\"middle\"")?,
        Anchor::End => write!(out, " text-anchor=\"end\"")?,
    }
    if text.weight == LineWeight::Bold {
        write!(out, " font-weight=\"bold\"")?;
    }
    if text.turn != 0.0 {
        write!(out, " transform=\"rotate({} {x} {y})\"", number(-text.turn))?;
    }
    writeln!(out, " xml:space=\"preserve\">{}</text>", escaped(&text.text))
}

fn path(paths: &[Vec<FigurePoint>], closed: bool) -> String {
    let mut out = String::new();
    for points in paths {
        for (index, point) in points.iter().enumerate() {
            let command = if index == 0 { 'M' } else { 'L' };
            let _ = write!(out, "{command}{} {}", number(point.x), number(point.y));
        }
        if closed {
            out.push('Z');
        }
    }
    out
}

/// Micrometres of paper, without trailing zeros.
fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn colour(ink: Ink) -> String {
    let [r, g, b] = ink.rgb();
    format!("#{r:02x}{g:02x}{b:02x}")
}

/// Text for XML 1.0: markup escaped, characters it cannot hold shown as a replacement.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\t' | '\n' | '\r' => out.push(' '),
            '\0'..='\u{1f}' | '\u{7f}'..='\u{9f}' | '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            c if super::words::steers_reading(c) => {}
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::figure::{point, rectangle};
    use super::*;

    #[test]
    fn numbers_are_short_and_plain() {
        assert_eq!((number(1.5), number(-0.0001), number(100.0), number(1e-9)), ("1.5".into(), "0".into(), "100".into(), "0".into()));
    }

    #[test]
    fn text_cannot_break_out_of_the_file() {
        let mut figure = Figure::new("a </title><script>", 10.0, 10.0);
        figure.text(Text::new(point(1.0, 1.0), "\"<&>\u{0}\u{1b}[2J", 3.0).turned(90.0));
        figure.areas(vec![rectangle(0.0, 0.0, 1.0, 1.0)], Ink::Orange);
        let svg = svg(&figure);
        assert!(!svg.contains("<script>") && !svg.contains('\u{1b}') && !svg.contains('\0'));
        assert!(svg.contains("rotate(-90 1 1)") && svg.contains("&quot;&lt;&amp;&gt;\u{fffd}\u{fffd}[2J"));
        assert!(svg.contains("fill=\"#e69f00\" d=\"M0 0L1 0L1 1L0 1Z\""));
    }
}
