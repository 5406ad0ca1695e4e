//! Words beside the section: courses, spots, holes, seams and marks, each with a line to its place.

use super::axis::spread;
use super::mark::{self, FINE, SMALL};
use super::strip::{Axes, LABELS, LANE, StripFigure};
use super::{Anchor, Figure, LineWeight, Text, font, point};
use backwall_survey::strip::Level;
use backwall_units::{Length, LengthUnit};

/// A label beside the section.
struct Label {
    along: Length,
    /// Left out where labels stand on their side.
    glyph: &'static str,
    words: String,
    weight: u32,
    bold: bool,
}

fn label_list(strip: &StripFigure<'_>, holes: &[Hole]) -> Vec<Label> {
    let (unit, inside) = (strip.unit, |place: &Length| *place >= strip.from && *place <= strip.to);
    let thick = |thickness: Length| format!("{} {}", unit.thickness(thickness), unit.thickness_symbol());
    let place = |place: Length| format!("{} {}", unit.place(place), unit.place_symbol());
    let mut labels = Vec::new();
    for span in strip.spans {
        let name = span.course.map_or_else(|| "course not known".to_owned(), |course| format!("course {course}"));
        let nominal = span.nominal.map_or_else(String::new, |nominal| format!(", nominal {}", thick(nominal)));
        let required =
            span.required.map_or_else(|| ", no required thickness set".to_owned(), |required| format!(", required {}", thick(required)));
        let middle = (span.from.max(strip.from) + span.to.min(strip.to)) / 2.0;
        labels.push(Label { along: middle, glyph: "", words: format!("{name}{nominal}{required}"), weight: 900, bold: false });
    }
    for spot in strip.spots {
        let Some(at) = spot.least_at.filter(inside) else { continue };
        let long = spot.length().map_or_else(String::new, |length| format!(", {} long", length_words(unit, length)));
        let words = format!("{} {} at {}{long}", spot.level.word(), thick(spot.least), place(at));
        let depth = (1.0 - (spot.least.as_mm() / 100.0).min(1.0)) * 90.0;
        let weight = if spot.level == Level::Thin { 800 } else { 400 } + depth as u32;
        labels.push(Label { along: at, glyph: mark::glyph(spot.level), words, weight, bold: spot.level == Level::Thin });
    }
    for hole in holes {
        let middle = (hole.from + hole.to) / 2.0;
        let length = length_words(unit, hole.to - hole.from);
        let (glyph, words) = match hole.no_echo {
            true => (mark::glyph(Level::NoEcho), format!("no echo over {length}")),
            false => ("", format!("gap: no reading over {length}")),
        };
        labels.push(Label { along: middle, glyph, words, weight: 600, bold: false });
    }
    for seam in strip.seams.iter().filter(|seam| inside(seam)) {
        labels.push(Label { along: *seam, glyph: "", words: format!("seam at {}", place(*seam)), weight: 500, bold: false });
    }
    for hand in strip.hand.iter().filter(|hand| inside(&hand.along)) {
        let words = format!("{} by hand at {}{}", thick(hand.thickness), place(hand.along), hand.words);
        labels.push(Label { along: hand.along, glyph: mark::HAND, words, weight: 850, bold: false });
    }
    for mark in strip.marks {
        let Some(at) = mark.along.filter(inside) else { continue };
        let text = if mark.text.is_empty() { String::new() } else { format!(": {}", mark.text) };
        let words = format!("{} marked at {}{text}", mark.kind.word(), place(at));
        labels.push(Label { along: at, glyph: "▶", words, weight: 700, bold: false });
    }
    labels
}

fn length_words(unit: LengthUnit, length: Length) -> String {
    match unit {
        LengthUnit::Mm => format!("{:.0} mm", length.as_mm()),
        LengthUnit::Inch => format!("{:.1} in", length.as_inch()),
    }
}

/// A stretch longer than the procedure allows in which no thickness was read.
pub(super) struct Hole {
    pub(super) from: Length,
    pub(super) to: Length,
    pub(super) no_echo: bool,
}

pub(super) fn holes(strip: &StripFigure<'_>) -> Vec<Hole> {
    let Some((first, last)) = strip.strip.extent() else { return Vec::new() };
    let (from, to) = (first.max(strip.from), last.min(strip.to));
    let mut holes = Vec::new();
    let mut open: Option<Hole> = None;
    for index in from.as_mm().floor() as i64..to.as_mm().ceil() as i64 {
        let (low, high) = (Length::mm(index as f64), Length::mm((index + 1) as f64));
        let bin = strip.strip.stretch(low, high);
        if bin.read > 0 {
            holes.extend(open.take());
            continue;
        }
        let hole = open.get_or_insert(Hole { from: low, to: high, no_echo: false });
        hole.to = high;
        hole.no_echo |= bin.lost > 0;
    }
    holes.extend(open);
    holes.retain(|hole| hole.to - hole.from > strip.max_gap);
    holes
}

/// Room that labels need where they stand on their side.
pub(super) fn flat_room(strip: &StripFigure<'_>, holes: &[Hole]) -> f64 {
    let width = |label: &Label| font::width(&label.words, SMALL, if label.bold { LineWeight::Bold } else { LineWeight::Regular });
    label_list(strip, holes).iter().map(width).fold(0.0, f64::max).min(60.0) + 8.0
}

/// Words beside the section with a line to their place.
pub(super) fn draw(figure: &mut Figure, strip: &StripFigure<'_>, axes: &Axes, holes: &[Hole]) {
    const PITCH: f64 = 3.5;
    let all = label_list(strip, holes);
    let wished: Vec<(f64, u32)> = all.iter().map(|label| (axes.u(label.along), label.weight)).collect();
    let placed = spread(&wished, PITCH, axes.long - PITCH);
    let (near, far) = (axes.depth + LANE, axes.depth + LANE + 5.0);
    let room = if axes.upright { LABELS - 6.0 } else { flat_room(strip, holes) - 7.0 };
    let mut leaders = Vec::new();
    for (index, at) in &placed {
        let label = &all[*index];
        let weight = if label.bold { LineWeight::Bold } else { LineWeight::Regular };
        leaders.push(vec![axes.at(wished[*index].0, near), axes.at(*at, far - 1.0), axes.at(*at, far - 0.4)]);
        let spot = axes.at(*at, far);
        let nudge = SMALL * 0.36;
        let words = if axes.upright && !label.glyph.is_empty() { format!("{} {}", label.glyph, label.words) } else { label.words.clone() };
        let words = font::fitted(&words, room, SMALL, weight);
        let text = if axes.upright {
            Text::new(point(spot.x, spot.y + nudge), words, SMALL)
        } else {
            Text::new(point(spot.x + nudge, spot.y), words, SMALL).turned(90.0)
        };
        figure.text(Text { weight, ..text });
    }
    figure.lines(leaders, FINE);
    if placed.len() < all.len() {
        let words = format!("and {} more, see the lists", all.len() - placed.len());
        let at = axes.at(axes.long + 1.0, far);
        figure.text(if axes.upright {
            Text::new(at, words, SMALL)
        } else {
            Text::new(point(strip.width, axes.origin.y - axes.depth - LANE - flat_room(strip, holes) + SMALL), words, SMALL)
                .anchored(Anchor::End)
        });
    }
}
