//! The unrolled map on paper. Above, the whole wall true to scale, with each line no wider than its beam: what is white
//! there was never looked at. Beneath, the lines side by side, wide enough to read, each cell with the class of its worst
//! reading.

use super::axis::{self, scale};
use super::lying;
use super::mark::{self, BODY, EDGE, FINE, HATCH, HATCH_APART, Key, SMALL, TITLE};
use super::{Anchor, Figure, FigurePoint, Ink, LineWeight, Stroke, Text, font, point, rectangle};
use crate::words::short_name;
use backwall_survey::strip::map::{Class, MapBand, MapCell, WallMap};
use backwall_units::{Length, LengthUnit};

pub struct MapFigure<'a> {
    pub title: String,
    pub subtitle: String,
    pub unit: LengthUnit,
    pub map: &'a WallMap,
    /// Whether the plan tells the beam's width.
    pub beam_known: bool,
    /// Elevations of the seams between courses.
    pub seams: &'a [Length],
    /// Azimuth in degrees and elevation of what was read by hand.
    pub hand: &'a [(f64, Length)],
    /// Paper, millimetres.
    pub width: f64,
    pub height: f64,
}

/// Fits A4 and Letter upright.
pub const PAPER: (f64, f64) = (180.0, 232.0);
/// Leaves room for something else on its page; a sphere is higher than other walls.
pub const LOW: (f64, f64) = (180.0, 165.0);
pub const LOW_SPHERE: (f64, f64) = (180.0, 190.0);

pub(super) const LEFT: f64 = 14.0;
/// Thinner than this no line shows on paper.
pub(super) const HAIRLINE: f64 = 0.12;
/// Said where that is so.
pub(super) const WIDER: &str = "lines are drawn wider than the beam: finer ones cannot be printed";

pub fn draw(of: &MapFigure<'_>) -> Figure {
    let mut figure = Figure::new(of.title.clone(), of.width, of.height);
    let mut y = TITLE;
    figure.text(Text::new(point(0.0, y), font::fitted(&of.title, of.width, TITLE, LineWeight::Bold), TITLE).bold());
    let words = |figure: &mut Figure, y: &mut f64, text: &str, bold: bool| {
        for line in mark::wrapped(text, of.width, BODY, if bold { LineWeight::Bold } else { LineWeight::Regular }) {
            *y += BODY * 1.5;
            let line = Text::new(point(0.0, *y), line, BODY);
            figure.text(if bold { line.bold() } else { line });
        }
    };
    words(&mut figure, &mut y, &of.subtitle, false);
    words(&mut figure, &mut y, &share(of), true);
    if !of.map.off.is_empty() {
        let off: Vec<_> = of.map.off.iter().map(|(line, why)| format!("{line} ({why})")).collect();
        words(&mut figure, &mut y, &format!("Not on the map: {}.", off.join(", ")), false);
    }
    let y = if lying::is_slender(of) { lying::draw(&mut figure, of, y + 4.0) } else { true_to_scale(&mut figure, of, y + 7.0) };
    let foot = of.height - 24.0;
    side_by_side(&mut figure, of, y + 9.0, foot);
    footer(&mut figure, of, foot + 3.0);
    figure
}

/// How much of the surface was read, in words that do not promise more.
fn share(of: &MapFigure<'_>) -> String {
    let map = of.map;
    let words = scanned_words(map, (map.scanned_share(), map.scanned_m2()), of.beam_known, of.unit);
    format!("{words} The rest of the wall was not scanned.")
}

/// The same of a share and an area in m² that are known already.
pub fn scanned_words(map: &WallMap, (share, area): (Option<f64>, f64), beam_known: bool, unit: LengthUnit) -> String {
    let beam = format!("{} {}", unit.thickness(map.beam), unit.thickness_symbol());
    let beam = if beam_known { format!("{beam} wide") } else { format!("{beam} wide (assumed: the plan gives no beam_width_mm)") };
    let (per_m2, symbol) = crate::words::area(unit);
    let of = |m2: f64| m2 * per_m2;
    match share {
        Some(share) => {
            let (area, unit, whole) = (of(area), symbol, of(map.ground.surface_m2()));
            format!("Scanned: {} of the surface ({area:.3} of {whole:.1} {unit}), stripes {beam}.", percent(share))
        }
        None => format!("Scanned: {:.3} {symbol}, stripes {beam}; the surface of the wall is not known.", of(area)),
    }
}

/// A share with enough digits to tell it from nothing; rounded down, so that it never says more than was read.
fn percent(share: f64) -> String {
    let digits = if share >= 0.1 { 1 } else { 3 };
    let scale = libm::exp10(f64::from(digits));
    format!("{:.*} %", digits as usize, (share * 100.0 * scale + 1e-9).floor() / scale)
}

/// The wall at one scale in both directions; answers its lower end on paper.
fn true_to_scale(figure: &mut Figure, of: &MapFigure<'_>, top: f64) -> f64 {
    const TALLEST: f64 = 62.0;
    let ground = &of.map.ground;
    let (around, up) = (ground.circumference.as_mm().max(1.0), (ground.top - ground.bottom).as_mm().max(1.0));
    let scale = ((of.width - LEFT - 4.0) / around).min(TALLEST / up);
    let (width, height) = (around * scale, up * scale);
    let bottom = top + height;
    let x = |arc: Length| LEFT + arc.as_mm() * scale;
    let y = |elevation: Length| bottom - (elevation - ground.bottom).as_mm() * scale;
    // On a sphere parallels grow shorter towards the poles: every place lies as far from the middle meridian as on its parallel.
    let narrow = |elevation: Length| ground.narrowing(elevation).unwrap_or(1.0);
    let spot = |arc: Length, elevation: Length| {
        let middle = LEFT + width / 2.0;
        point(middle + (x(arc) - middle) * narrow(elevation), y(elevation))
    };
    let wide = (of.map.beam.as_mm() * scale).max(HAIRLINE);
    // Upright edges are straight on a cylinder and curved on a sphere.
    let pieces = if ground.is_sphere() { 24 } else { 1 };
    let along = |arc: Length, from: Length, to: Length| -> Vec<FigurePoint> {
        (0..=pieces).map(|piece| spot(arc, from + (to - from) * (f64::from(piece) / f64::from(pieces)))).collect()
    };
    let shifted = |points: Vec<FigurePoint>, by: f64| points.into_iter().map(move |at| point(at.x + by, at.y));
    let ribbon =
        |left: Vec<FigurePoint>, right: Vec<FigurePoint>| -> Vec<FigurePoint> { left.into_iter().chain(right.into_iter().rev()).collect() };
    let seams = of.seams.iter().map(|seam| vec![spot(Length::ZERO, *seam), spot(ground.circumference, *seam)]);
    figure.lines(seams.collect(), Stroke::solid(Ink::Pale, 0.15));
    let mut stripes = Vec::new();
    for (band, at) in of.map.upright() {
        stripes.extend(band.read(of.map.beam).into_iter().map(|(from, to)| {
            let middle = along(at, from, to);
            ribbon(shifted(middle.clone(), -wide / 2.0).collect(), shifted(middle, wide / 2.0).collect())
        }));
    }
    for (band, elevation) in of.map.across() {
        let over = y(elevation) - wide / 2.0;
        let mut stripe = |from: Length, to: Length| {
            let (from, to) = (spot(from, elevation).x, spot(to, elevation).x);
            stripes.push(rectangle(from, over, to - from, wide));
        };
        band.read(of.map.beam).into_iter().flat_map(|read| round(read, ground.circumference)).for_each(|(from, to)| stripe(from, to));
    }
    figure.areas(stripes, Ink::Black);
    let edge = |arc: Length| along(arc, ground.bottom, ground.top);
    figure.outline(&ribbon(edge(Length::ZERO), edge(ground.circumference)), EDGE);
    for (azimuth, elevation) in of.hand.iter().filter(|(_, elevation)| *elevation >= ground.bottom && *elevation <= ground.top) {
        let at = spot(ground.circumference * (azimuth / 360.0), *elevation);
        let at = point(at.x, at.y + SMALL * 0.36);
        figure.text(Text::new(at, mark::HAND, SMALL).anchored(Anchor::Middle).ink(Ink::Vermilion));
    }
    for degrees in [0, 90, 180, 270, 360] {
        let x = LEFT + width * f64::from(degrees) / 360.0;
        figure.line(point(x, bottom), point(x, bottom + 1.2), EDGE);
        figure.text(Text::new(point(x, bottom + 4.0), format!("{degrees}°"), SMALL).anchored(Anchor::Middle));
    }
    elevations(figure, of.unit, (ground.bottom, ground.top), &y, 6.0 / scale);
    // The stripes of a line stand close together: its name stands once.
    let mut lines: Vec<(&str, f64)> = of.map.upright().iter().map(|(band, at)| (band.line.as_str(), x(*at))).collect();
    lines.dedup_by_key(|(name, _)| *name);
    // A long name among short ones must not push others off the wall.
    let lines: Vec<(String, f64)> = lines.into_iter().map(|(name, x)| (short_name(name), x)).collect();
    names(figure, &lines, top, of.width);
    let hair = if of.map.beam.as_mm() * scale < HAIRLINE { format!("; {WIDER}") } else { String::new() };
    let shape = match (ground.is_sphere(), ground.narrowing(ground.bottom)) {
        (false, _) => "The whole wall, true to scale, azimuth to the right",
        (true, Some(_)) => "The whole sphere by latitude: every parallel and the middle meridian true to scale, azimuth to the right",
        (true, None) => "The sphere by azimuth and place along the meridian, NOT to scale: the plan gives no datum_latitude_deg",
    };
    let words = mark::wrapped(&format!("{shape}{hair}"), of.width - LEFT, SMALL, LineWeight::Regular);
    let line = SMALL * 1.35;
    for (index, words) in words.iter().enumerate() {
        figure.text(Text::new(point(LEFT, bottom + 7.6 + line * index as f64), words.clone(), SMALL).ink(Ink::Grey));
    }
    bottom + 8.0 + line * words.len().saturating_sub(1) as f64
}

/// Names of lines over their places; smaller where they crowd, and pushed apart only where that does not help.
fn names(figure: &mut Figure, lines: &[(String, f64)], top: f64, width: f64) {
    let widest = lines.iter().map(|(name, _)| font::width(name, SMALL, LineWeight::Regular)).fold(1.0, f64::max);
    let nearest = lines.windows(2).map(|pair| pair[1].1 - pair[0].1).filter(|apart| *apart > 1e-6).fold(f64::MAX, f64::min);
    let size = SMALL * ((nearest - 0.8) / widest).clamp(SMALLEST / SMALL, 1.0);
    let pitch = widest * size / SMALL + 0.8;
    let wished: Vec<(f64, u32)> = lines.iter().map(|(_, x)| (*x, 1)).collect();
    for (index, x) in axis::spread(&wished, pitch, width - pitch / 2.0) {
        figure.text(Text::new(point(x, top - 1.4), lines[index].0.as_str(), size).anchored(Anchor::Middle));
    }
}

/// Smaller than this nobody reads.
const SMALLEST: f64 = 1.5;

/// A text made smaller, and cut in the end, to fit a width; with its size.
fn squeezed(text: &str, room: f64, weight: LineWeight) -> (String, f64) {
    let size = (SMALL * room * 0.999 / font::width(text, SMALL, weight).max(1e-3)).clamp(SMALLEST, SMALL);
    (font::fitted(text, room, size, weight), size)
}

fn elevations(figure: &mut Figure, unit: LengthUnit, (low, high): (Length, Length), y: &dyn Fn(Length) -> f64, least_step: f64) {
    let reading = axis::place(unit);
    for (elevation, number) in scale(reading, low, high, Length::mm(least_step)) {
        let at = y(elevation);
        figure.line(point(LEFT, at), point(LEFT - 1.2, at), EDGE);
        figure.text(Text::new(point(LEFT - 1.8, at + SMALL * 0.36), number, SMALL).anchored(Anchor::End));
    }
    let middle = y((low + high) / 2.0);
    let words = format!("elevation, {}", reading.symbol);
    figure.text(Text::new(point(SMALL, middle), words, SMALL).anchored(Anchor::Middle).turned(90.0));
}

/// Length of a drawn cell on paper, and the widest a line is drawn.
const CELL: f64 = 3.2;
const WIDEST: f64 = 9.0;

/// Upright lines in the order of their azimuth, and lines across beneath them.
fn side_by_side(figure: &mut Figure, of: &MapFigure<'_>, top: f64, bottom: f64) {
    let (upright, across) = (of.map.upright(), of.map.across());
    let words = "The lines side by side, not spaced to scale: every cell shows the worst reading in it, white was not scanned";
    figure.text(Text::new(point(LEFT, top), words, SMALL).ink(Ink::Grey));
    let flat_height = if across.is_empty() { 0.0 } else { 7.0 + across.len() as f64 * 8.0 };
    let (head, foot) = (top + 13.0, bottom - flat_height);
    let ground = &of.map.ground;
    if !upright.is_empty() && foot - head > CELL {
        // From the lowest to the highest place of the wall that any line was to reach or did reach.
        let ends = upright.iter().flat_map(|(band, _)| [Some(band.planned), band.strip.extent()].into_iter().flatten());
        let (low, high) = ends.fold((ground.top, ground.bottom), |(low, high), (from, to)| (low.min(from), high.max(to)));
        let per_mm = (foot - head) / (high - low).as_mm().max(1.0);
        let y = |elevation: Length| foot - (elevation - low).as_mm() * per_mm;
        elevations(figure, of.unit, (low, high), &y, 8.0 / per_mm);
        let seams = of.seams.iter().filter(|seam| **seam > low && **seam < high);
        figure.lines(seams.map(|seam| vec![point(LEFT, y(*seam)), point(of.width, y(*seam))]).collect(), mark::SEAM);
        let pitch = (of.width - LEFT) / upright.len() as f64;
        let wide = WIDEST.min(pitch * 0.6);
        let captions = [("azimuth", 4.6), (if of.unit == LengthUnit::Mm { "minimum, mm" } else { "minimum, in" }, 1.6)];
        for (caption, above) in captions {
            figure.text(Text::new(point(0.0, head - above), caption, SMALL).ink(Ink::Grey));
        }
        let rows = ((foot - head) / CELL).floor().max(1.0) as usize;
        for (index, (band, at)) in upright.iter().enumerate() {
            let left = LEFT + pitch * (index as f64 + 0.5) - wide / 2.0;
            let degrees = *at / ground.circumference * 360.0;
            let middle = left + wide / 2.0;
            let least = band.strip.extent().and_then(|(from, to)| band.strip.stretch(from, to).least);
            let least = least.map_or_else(|| "–".to_owned(), |least| of.unit.thickness(least));
            let azimuth = format!("{degrees:.0}°");
            for (text, above, weight) in
                [(&band.line, 7.6, LineWeight::Bold), (&azimuth, 4.6, LineWeight::Regular), (&least, 1.6, LineWeight::Regular)]
            {
                let (fitted, size) = squeezed(text, pitch - 0.8, weight);
                // A name may be cut, a number never.
                let text = if fitted == *text || weight == LineWeight::Bold { fitted } else { String::new() };
                figure.text(Text { weight, ..Text::new(point(middle, head - above), text, size).anchored(Anchor::Middle) });
            }
            planned(figure, point(left - 0.8, y(band.planned.0)), point(left - 0.8, y(band.planned.1)));
            cells(figure, &band.cells(low, high, rows * SLICES), |cell| (point(left, y(cell.to)), point(left + wide, y(cell.from))));
        }
    }
    flat(figure, of, &across, foot + 6.0);
}

/// The planned stretch, as a thin line beside the cells.
fn planned(figure: &mut Figure, from: FigurePoint, to: FigurePoint) {
    figure.line(from, to, FINE);
}

/// Lines across as bars from azimuth 0 on.
fn flat(figure: &mut Figure, of: &MapFigure<'_>, across: &[(&MapBand, Length)], top: f64) {
    let ends = across.iter().flat_map(|(band, _)| [Some(band.planned), band.strip.extent()].into_iter().flatten());
    let Some((low, high)) = ends.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))) else { return };
    let name_width = 34.0;
    let (left, width) = (LEFT + name_width, of.width - LEFT - name_width - 2.0);
    let per_mm = width / (high - low).as_mm().max(1.0);
    let x = |along: Length| left + (along - low).as_mm() * per_mm;
    let count = (width / CELL).floor().max(1.0) as usize;
    let place = |length: Length| format!("{} {}", of.unit.place(length), of.unit.place_symbol());
    for (index, (band, elevation)) in across.iter().enumerate() {
        let y = top + index as f64 * 8.0;
        let words = font::fitted(&format!("{} at {}", band.line, place(*elevation)), name_width - 2.0, SMALL, LineWeight::Bold);
        figure.text(Text::new(point(LEFT, y + 3.0), words, SMALL).bold());
        planned(figure, point(x(band.planned.0), y + 4.8), point(x(band.planned.1), y + 4.8));
        cells(figure, &band.cells(low, high, count * SLICES), |cell| (point(x(cell.from), y), point(x(cell.to), y + 4.0)));
    }
    let words = format!("lines across: {} to {} from the datum", place(low), place(high));
    figure.text(Text::new(point(left + width, top - 1.6), words, SMALL).ink(Ink::Grey).anchored(Anchor::End));
}

/// Slices of a drawn cell: only those that were read are filled.
const SLICES: usize = 6;

/// Cells of [`SLICES`] each, with fill, hatch and the glyph of their worst reading. What was not read stays white.
fn cells(figure: &mut Figure, slices: &[MapCell], corners: impl Fn(&MapCell) -> (FigurePoint, FigurePoint)) {
    let between = |a: FigurePoint, b: FigurePoint| rectangle(a.x, a.y, b.x - a.x, b.y - a.y);
    for cell in slices.chunks(SLICES) {
        let class = cell.iter().map(|slice| slice.class).max().unwrap_or(Class::NotScanned);
        if class == Class::NotScanned {
            continue;
        }
        let read = cell.iter().filter(|slice| slice.bin.read > 0).map(&corners).map(|(a, b)| between(a, b));
        figure.areas(read.collect(), mark::class_fill(class).unwrap_or(Ink::White));
        let no_echo: Vec<_> = cell.iter().filter(|slice| slice.class == Class::NoEcho).map(&corners).collect();
        figure.hatch(&no_echo, HATCH_APART, HATCH);
        let ((a, b), (c, d)) = (corners(&cell[0]), corners(&cell[cell.len() - 1]));
        let (low, high) = (point(a.x.min(c.x), a.y.min(c.y)), point(b.x.max(d.x), b.y.max(d.y)));
        figure.outline(&between(low, high), FINE);
        let middle = point((low.x + high.x) / 2.0, (low.y + high.y) / 2.0 + SMALL * 0.36);
        let ink = if cell.iter().all(|slice| slice.bin.read > 0) { mark::class_glyph_ink(class) } else { Ink::Black };
        figure.text(Text::new(middle, mark::class_glyph(class), SMALL).anchored(Anchor::Middle).bold().ink(ink));
    }
}

fn footer(figure: &mut Figure, of: &MapFigure<'_>, top: f64) {
    let entries: Vec<(Key, String)> = Class::ALL
        .into_iter()
        .map(|class| {
            let key = match mark::class_fill(class) {
                Some(ink) => Key::Filled(ink, mark::class_glyph(class), mark::class_glyph_ink(class)),
                None if class == Class::NoEcho => Key::Hatched,
                None => Key::Blank,
            };
            (key, class.words().to_owned())
        })
        .chain([(Key::Line(FINE), "planned".to_owned()), (Key::Line(mark::SEAM), "seam".to_owned())])
        .chain((!of.hand.is_empty()).then(|| (Key::Filled(Ink::White, mark::HAND, Ink::Vermilion), "read by hand".to_owned())))
        .collect();
    let taken = mark::legend(figure, point(0.0, top), of.width, &entries);
    let words = "A place passed twice shows the worst. A cell that was read in part is filled in part. Classes are shares of the course's nominal thickness; WATCH and THIN take precedence.";
    for (index, line) in mark::wrapped(words, of.width, SMALL, LineWeight::Regular).into_iter().enumerate() {
        figure.text(Text::new(point(0.0, top + taken + SMALL + index as f64 * 3.2), line, SMALL).ink(Ink::Grey));
    }
}

/// What was read across, as stretches between azimuth 0 and once round: what lies past the end of the wall comes round to its start.
pub(super) fn round((from, to): (Length, Length), circumference: Length) -> impl Iterator<Item = (Length, Length)> {
    let to = to.min(from + circumference);
    let turn = circumference * (from / circumference).floor();
    let (from, to) = (from - turn, to - turn);
    let rest = (to > circumference).then(|| (Length::ZERO, to - circumference));
    std::iter::once((from, to.min(circumference))).chain(rest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_never_rounded_up() {
        assert_eq!(
            (percent(0.000_079_99), percent(0.1234), percent(0.9999), percent(1.0)),
            ("0.007 %".into(), "12.3 %".into(), "99.9 %".into(), "100.0 %".into())
        );
        assert_eq!(percent(0.0), "0.000 %");
    }

    #[test]
    fn a_text_that_was_made_to_fit_fits() {
        let room = 6.1;
        let (text, size) = squeezed("0.172", room, LineWeight::Regular);
        assert_eq!(text, "0.172");
        assert!(size < SMALL && font::width(&text, size, LineWeight::Regular) <= room);
        let (cut, size) = squeezed("a very long name of a line", room, LineWeight::Bold);
        assert!(cut.ends_with('…') && size == SMALLEST);
    }
}
