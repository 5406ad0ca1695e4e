//! A wall that is much higher than it is round, such as a pipe, laid on its side: upright it would be too narrow to read. Elevation to the
//! right, azimuth upward, true to scale.

use super::axis::{self, scale};
use super::map::{self, HAIRLINE, LEFT, MapFigure};
use super::mark::{self, EDGE, SMALL};
use super::{Anchor, Figure, Ink, LineWeight, Stroke, Text, font, point, rectangle};
use backwall_units::Length;

/// Higher than so many times round it is laid down.
const SLENDER: f64 = 1.5;
const HIGHEST: f64 = 62.0;
/// Room for the names of lines behind its upper end.
const NAMES: f64 = 24.0;

pub fn is_slender(of: &MapFigure<'_>) -> bool {
    let ground = &of.map.ground;
    !ground.is_sphere() && ground.top - ground.bottom > ground.circumference * SLENDER
}

/// Draws it under `top`; answers its lower end on paper.
pub fn draw(figure: &mut Figure, of: &MapFigure<'_>, top: f64) -> f64 {
    let ground = &of.map.ground;
    let (around, up) = (ground.circumference.as_mm().max(1.0), (ground.top - ground.bottom).as_mm().max(1.0));
    let per_mm = ((of.width - LEFT - NAMES) / up).min(HIGHEST / around);
    let (width, height) = (up * per_mm, around * per_mm);
    let bottom = top + height;
    let x = |elevation: Length| LEFT + (elevation - ground.bottom).as_mm() * per_mm;
    let y = |arc: Length| bottom - arc.as_mm() * per_mm;
    let wide = (of.map.beam.as_mm() * per_mm).max(HAIRLINE);
    let seams = of.seams.iter().map(|seam| vec![point(x(*seam), top), point(x(*seam), bottom)]);
    figure.lines(seams.collect(), Stroke::solid(Ink::Pale, 0.15));
    let mut stripes = Vec::new();
    for (band, at) in of.map.upright() {
        let read = band.read(of.map.beam).into_iter();
        stripes.extend(read.map(|(from, to)| rectangle(x(from), y(at) - wide / 2.0, x(to) - x(from), wide)));
    }
    for (band, elevation) in of.map.across() {
        let mut stripe = |from: Length, to: Length| stripes.push(rectangle(x(elevation) - wide / 2.0, y(to), wide, y(from) - y(to)));
        band.read(of.map.beam).into_iter().flat_map(|read| map::round(read, ground.circumference)).for_each(|(from, to)| stripe(from, to));
    }
    figure.areas(stripes, Ink::Black);
    figure.outline(&rectangle(LEFT, top, width, height), EDGE);
    for (azimuth, elevation) in of.hand.iter().filter(|(_, elevation)| *elevation >= ground.bottom && *elevation <= ground.top) {
        let at = point(x(*elevation), y(ground.circumference * (azimuth / 360.0)) + SMALL * 0.36);
        figure.text(Text::new(at, mark::HAND, SMALL).anchored(Anchor::Middle).ink(Ink::Vermilion));
    }
    let every = if height < 4.0 * SMALL * 1.4 { 180 } else { 90 };
    for degrees in (0..=360).step_by(every) {
        let at = bottom - height * f64::from(degrees) / 360.0;
        figure.line(point(LEFT, at), point(LEFT - 1.2, at), EDGE);
        figure.text(Text::new(point(LEFT - 1.8, at + SMALL * 0.36), format!("{degrees}°"), SMALL).anchored(Anchor::End));
    }
    let reading = axis::place(of.unit);
    for (elevation, number) in scale(reading, ground.bottom, ground.top, Length::mm(14.0 / per_mm)) {
        figure.line(point(x(elevation), bottom), point(x(elevation), bottom + 1.2), EDGE);
        figure.text(Text::new(point(x(elevation), bottom + 4.0), number, SMALL).anchored(Anchor::Middle));
    }
    let mut lines: Vec<(&str, f64)> = of.map.upright().iter().map(|(band, at)| (band.line.as_str(), y(*at) - top)).collect();
    lines.dedup_by_key(|(name, _)| *name);
    lines.sort_by(|a, b| a.1.total_cmp(&b.1));
    let wished: Vec<(f64, u32)> = lines.iter().map(|(_, at)| (*at, 1)).collect();
    for (index, at) in axis::spread(&wished, SMALL * 1.2, height) {
        let name = font::fitted(lines[index].0, NAMES - 2.5, SMALL, LineWeight::Regular);
        figure.text(Text::new(point(LEFT + width + 1.5, top + at + SMALL * 0.36), name, SMALL));
    }
    let words = format!("The whole wall, true to scale, lying: elevation, {}, to the right, azimuth upward", reading.symbol);
    let words = if of.map.beam.as_mm() * per_mm < HAIRLINE { format!("{words}; {}", map::WIDER) } else { words };
    let words = mark::wrapped(&words, of.width - LEFT, SMALL, LineWeight::Regular);
    let line = SMALL * 1.35;
    for (index, words) in words.iter().enumerate() {
        figure.text(Text::new(point(LEFT, bottom + 7.6 + line * index as f64), words.clone(), SMALL).ink(Ink::Grey));
    }
    bottom + 8.0 + line * words.len().saturating_sub(1) as f64
}
