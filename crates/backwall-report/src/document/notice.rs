//! Boxes that must not be overlooked: a coloured edge, a title, and lines.

use super::layout::{GAP, STRONG, TEXT};
use super::page::PaperSheet;
use super::wrap::Type;
use super::{Tone, table};
use crate::figure::{Anchor, Ink, Stroke};

/// What a box of lines leaves of the width of the text.
const BESIDE_NOTICE: f64 = 8.0;
/// Above and below the lines in a box, together.
const INSIDE: f64 = 2.2;
/// Before a line of a box that has several.
const LEAD: f64 = 4.0;
/// Boxes no higher than this are not torn.
const TOGETHER: f64 = 97.0;

/// The rows of a box, its title first.
fn rows(title: &str, lines: &[String], width: f64) -> Vec<(Type, String)> {
    let inner = width - BESIDE_NOTICE;
    // What was cut off a text without a title has none.
    let title = if title.is_empty() { Vec::new() } else { STRONG.wrap(title, inner) };
    let mut all: Vec<(Type, String)> = title.into_iter().map(|line| (STRONG, line)).collect();
    for line in lines {
        let wrapped = TEXT.wrap(line, inner - if lines.len() > 1 { LEAD } else { 0.0 });
        all.extend(wrapped.into_iter().enumerate().map(|(index, text)| {
            let lead = match (lines.len() > 1, index) {
                (true, 0) => "– ",
                (true, _) => "   ",
                _ => "",
            };
            (TEXT, format!("{lead}{text}"))
        }));
    }
    all
}

/// What of the width of the text a line has in a box.
pub(super) const fn line_width(width: f64) -> f64 {
    width - BESIDE_NOTICE - LEAD
}

/// How much of it must stand together.
pub(super) fn start_height(title: &str, lines: &[String], width: f64) -> f64 {
    rows(title, lines, width).iter().map(|(kind, _)| kind.line()).sum::<f64>().min(TOGETHER) + GAP + INSIDE
}

/// Boxes longer than a page go on where it ends.
pub(super) fn put(sheet: &mut PaperSheet, tone: Tone, title: &str, lines: &[String]) {
    let all = rows(title, lines, sheet.width());
    sheet.gap(GAP);
    let whole = all.iter().map(|(kind, _)| kind.line()).sum::<f64>() + INSIDE;
    if whole < TOGETHER + INSIDE {
        sheet.need(whole);
    } else {
        sheet.need(20.0);
    }
    let mut rest = all.as_slice();
    while !rest.is_empty() {
        let fit = ((sheet.room() - INSIDE) / TEXT.line()).floor().max(1.0) as usize;
        let (now, later) = rest.split_at(fit.min(rest.len()));
        let height = now.iter().map(|(kind, _)| kind.line()).sum::<f64>() + INSIDE;
        let (left, width) = (sheet.left(), sheet.width());
        sheet.area(left, 0.0, 1.6, height, table::ink(tone));
        sheet.rule(left, 0.0, width, Stroke::solid(table::ink(tone), 0.25));
        sheet.rule(left, height, width, Stroke::solid(table::ink(tone), 0.25));
        let mut down = INSIDE * 0.4;
        for (kind, line) in now {
            sheet.text(left + 4.5, down + kind.size, *kind, Anchor::Start, Ink::Black, line);
            down += kind.line();
        }
        sheet.y += height;
        rest = later;
        if !rest.is_empty() {
            sheet.turn();
        }
    }
    sheet.y += 0.6;
}
