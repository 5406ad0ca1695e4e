//! The section through the wall along a line: upright for lines up and down, flat for lines across. Each row shows the
//! least reading of its stretch; what was not read stays blank, what gave no echo is hatched, nothing is filled in.

use super::axis;
use super::label::{self, Hole, holes};
use super::mark::{self, BODY, EDGE, Key, SMALL, TITLE};
use super::rows::{FigureRows, steps};
use super::{Anchor, Figure, FigurePoint, Ink, LineWeight, Stroke, Text, font, point};
use backwall_store::Mark;
use backwall_survey::strip::map::CourseSpan;
use backwall_survey::strip::{Level, Spot, Strip};
use backwall_survey::travel::Direction;
use backwall_units::{Length, LengthUnit};

/// Everything a strip shows, and how.
pub struct StripFigure<'a> {
    pub title: String,
    /// Beneath the title: job, set-up, calibration; whatever must be read with it.
    pub subtitle: String,
    pub direction: Direction,
    pub unit: LengthUnit,
    pub from: Length,
    pub to: Length,
    pub strip: &'a Strip,
    /// An earlier survey of the line, drawn as an outline, with what it is called.
    pub earlier: Option<(&'a Strip, String)>,
    pub spans: &'a [CourseSpan],
    pub seams: &'a [Length],
    pub marks: &'a [Mark],
    pub spots: &'a [Spot],
    /// What was read by hand on the line.
    pub hand: &'a [HandMark],
    /// Width of the stripe a reading speaks for: no row is shorter.
    pub beam: Length,
    /// Holes longer than this are named.
    pub max_gap: Length,
    /// Paper, millimetres.
    pub width: f64,
    pub height: f64,
}

/// A place read by hand: drawn at its depth, never as a row of the section.
#[derive(Debug, Clone, PartialEq)]
pub struct HandMark {
    pub along: Length,
    pub thickness: Length,
    /// Behind the value: what it proves.
    pub words: String,
}

/// Paper for a line of this direction that fits A4 and Letter upright, with what is said of a run above it.
pub const fn paper(direction: Direction) -> (f64, f64) {
    if direction.is_upright() { (180.0, 200.0) } else { (180.0, 130.0) }
}

/// How much of a line one figure shows well.
pub const fn longest(direction: Direction) -> Length {
    if direction.is_upright() { Length::mm(6_000.0) } else { Length::mm(4_000.0) }
}

/// A stretch cut into equal pieces of at most `longest`, each a figure of its own.
pub fn pages(from: Length, to: Length, longest: Length) -> Vec<(Length, Length)> {
    let count = ((to - from) / longest - 1e-9).ceil().clamp(1.0, 10_000.0) as usize;
    let step = (to - from) / count as f64;
    (0..count).map(|page| (from + step * page as f64, if page + 1 == count { to } else { from + step * (page + 1) as f64 })).collect()
}

/// Where the section lies on the paper. `u` runs along the line, `v` from the outer face into the wall and on.
pub(super) struct Axes {
    pub(super) upright: bool,
    pub(super) origin: FigurePoint,
    from: Length,
    /// Paper per millimetre of line.
    pub(super) along: f64,
    /// Paper per millimetre of wall.
    deep: f64,
    /// Length of the section on paper, and its depth.
    pub(super) long: f64,
    pub(super) depth: f64,
}

impl Axes {
    pub(super) fn at(&self, u: f64, v: f64) -> FigurePoint {
        if self.upright { point(self.origin.x + v, self.origin.y - u) } else { point(self.origin.x + u, self.origin.y - v) }
    }
    pub(super) fn u(&self, along: Length) -> f64 {
        ((along - self.from).as_mm() * self.along).clamp(0.0, self.long)
    }
    pub(super) fn v(&self, thickness: Length) -> f64 {
        (thickness.as_mm() * self.deep).clamp(0.0, self.depth)
    }
}

pub fn draw(strip: &StripFigure<'_>) -> Figure {
    let mut figure = Figure::new(strip.title.clone(), strip.width, strip.height);
    let top = heading(&mut figure, strip);
    let holes = holes(strip);
    let axes = axes(strip, &holes, top, strip.height - FOOT);
    ruler(&mut figure, strip, &axes);
    depth_scale(&mut figure, strip, &axes);
    let rows = FigureRows::of(strip, &axes);
    rows.draw(&mut figure, &axes, &holes);
    if let Some((earlier, _)) = &strip.earlier {
        outline(&mut figure, earlier, strip, &axes, mark::EARLIER);
    }
    limits(&mut figure, strip, &axes);
    by_hand(&mut figure, strip, &axes);
    label::draw(&mut figure, strip, &axes, &holes);
    footer(&mut figure, strip, &rows, strip.height - FOOT);
    figure
}

fn heading(figure: &mut Figure, strip: &StripFigure<'_>) -> f64 {
    let mut y = TITLE;
    figure.text(Text::new(point(0.0, y), font::fitted(&strip.title, strip.width, TITLE, LineWeight::Bold), TITLE).bold());
    for line in mark::wrapped(&strip.subtitle, strip.width, BODY, LineWeight::Regular) {
        y += BODY * 1.5;
        figure.text(Text::new(point(0.0, y), line, BODY));
    }
    y + 2.0
}

const RULER: f64 = 17.0;
/// Room for glyphs between the section and its labels.
pub(super) const LANE: f64 = 5.0;
pub(super) const LABELS: f64 = 68.0;

fn axes(strip: &StripFigure<'_>, holes: &[Hole], top: f64, bottom: f64) -> Axes {
    let upright = strip.direction.is_upright();
    let span = (strip.to - strip.from).max(Length::mm(1e-3));
    let (origin, long, depth) = if upright {
        let head = top + 7.0;
        (point(RULER, bottom), bottom - head, strip.width - RULER - LANE - LABELS)
    } else {
        let base = bottom - 9.0;
        (point(13.0, base), strip.width - 16.0, base - top - label::flat_room(strip, holes) - LANE)
    };
    let thickest = strip.spans.iter().filter_map(|span| span.nominal).chain(strip.strip.stretch(strip.from, strip.to).greatest);
    let thickest = thickest.reduce(Length::max).unwrap_or(Length::mm(10.0)) * 1.06;
    let (long, depth) = (long.max(10.0), depth.max(10.0));
    Axes { upright, origin, from: strip.from, along: long / span.as_mm(), deep: depth / thickest.as_mm(), long, depth }
}

/// Places along the line, outside the outer face.
fn ruler(figure: &mut Figure, strip: &StripFigure<'_>, axes: &Axes) {
    let reading = axis::place(strip.unit);
    let apart = if axes.upright { 9.0 } else { 14.0 };
    let mut lines = vec![vec![axes.at(0.0, 0.0), axes.at(axes.long, 0.0)]];
    for (place, number) in axis::scale(reading, strip.from, strip.to, Length::mm(apart / axes.along)) {
        let u = axes.u(place);
        lines.push(vec![axes.at(u, 0.0), axes.at(u, -1.6)]);
        let text = if axes.upright {
            let at = axes.at(u, -2.2);
            Text::new(point(at.x, at.y + SMALL * 0.36), number, SMALL).anchored(Anchor::End)
        } else {
            Text::new(axes.at(u, -4.2), number, SMALL).anchored(Anchor::Middle)
        };
        figure.text(text);
    }
    figure.lines(lines, EDGE);
    let what = if axes.upright { "elevation above the datum" } else { "distance from the datum" };
    let words = format!("{what}, {}", reading.symbol);
    figure.text(if axes.upright {
        let at = axes.at(axes.long / 2.0, -RULER + SMALL);
        Text::new(at, words, SMALL).anchored(Anchor::Middle).turned(90.0)
    } else {
        Text::new(axes.at(axes.long / 2.0, -8.0), words, SMALL).anchored(Anchor::Middle)
    });
}

/// Thicknesses, with a lattice over the section.
fn depth_scale(figure: &mut Figure, strip: &StripFigure<'_>, axes: &Axes) {
    let reading = axis::thickness(strip.unit);
    let most = Length::mm(axes.depth / axes.deep);
    let apart = if axes.upright { 9.0 } else { 5.0 };
    let mut lattice = Vec::new();
    for (thickness, number) in axis::scale(reading, Length::ZERO, most, Length::mm(apart / axes.deep)) {
        let v = axes.v(thickness);
        lattice.push(vec![axes.at(0.0, v), axes.at(axes.long, v)]);
        figure.text(if axes.upright {
            Text::new(axes.at(axes.long + 1.6, v), number, SMALL).anchored(Anchor::Middle)
        } else {
            let at = axes.at(-1.0, v);
            Text::new(point(at.x, at.y + SMALL * 0.36), number, SMALL).anchored(Anchor::End)
        });
    }
    figure.lines(lattice, Stroke::solid(Ink::Pale, 0.15));
    let words = format!("wall from its outer face, {}", reading.symbol);
    figure.text(if axes.upright {
        Text::new(axes.at(axes.long + 4.6, axes.depth / 2.0), words, SMALL).anchored(Anchor::Middle)
    } else {
        Text::new(axes.at(-8.5, axes.depth / 2.0), words, SMALL).anchored(Anchor::Middle).turned(90.0)
    });
}

fn outline(figure: &mut Figure, of: &Strip, strip: &StripFigure<'_>, axes: &Axes, stroke: Stroke) {
    let rows = FigureRows::of(&StripFigure { strip: of, earlier: None, ..shallow(strip) }, axes);
    let groups = rows.rows.chunk_by(|a, b| (b.u.0 - a.u.1).abs() < 1e-6 && a.v.is_some() == b.v.is_some());
    figure.lines(groups.filter(|group| group[0].v.is_some()).map(|group| steps(group, axes)).collect(), stroke);
}

fn shallow<'a>(strip: &StripFigure<'a>) -> StripFigure<'a> {
    StripFigure { title: String::new(), subtitle: String::new(), earlier: None, ..*strip }
}

/// Nominal and required thickness, and the seams.
fn limits(figure: &mut Figure, strip: &StripFigure<'_>, axes: &Axes) {
    let line = |span: &CourseSpan, thickness: Option<Length>| {
        let (from, to) = (span.from.max(strip.from), span.to.min(strip.to));
        let v = axes.v(thickness?);
        (from < to).then(|| vec![axes.at(axes.u(from), v), axes.at(axes.u(to), v)])
    };
    figure.lines(strip.spans.iter().filter_map(|span| line(span, span.nominal)).collect(), mark::NOMINAL);
    figure.lines(strip.spans.iter().filter_map(|span| line(span, span.required)).collect(), mark::REQUIRED);
    let seams = strip.seams.iter().filter(|seam| **seam > strip.from && **seam < strip.to);
    figure.lines(seams.map(|seam| vec![axes.at(axes.u(*seam), 0.0), axes.at(axes.u(*seam), axes.depth)]).collect(), mark::SEAM);
}

/// A cross at the place and the depth of each reading by hand.
fn by_hand(figure: &mut Figure, strip: &StripFigure<'_>, axes: &Axes) {
    for hand in strip.hand.iter().filter(|hand| hand.along >= strip.from && hand.along <= strip.to) {
        let at = axes.at(axes.u(hand.along), axes.v(hand.thickness));
        figure.text(Text::new(point(at.x, at.y + BODY * 0.36), mark::HAND, BODY).anchored(Anchor::Middle).bold());
    }
}

/// Legend and note.
const FOOT: f64 = 19.0;

fn footer(figure: &mut Figure, strip: &StripFigure<'_>, rows: &FigureRows, top: f64) {
    let filled = |level: Level, words: &str| {
        let ink = mark::fill(level).unwrap_or(Ink::White);
        (Key::Filled(ink, mark::glyph(level), if level == Level::Thin { Ink::White } else { Ink::Black }), words.to_owned())
    };
    let mut entries = vec![filled(Level::Clear, "CLEAR"), filled(Level::Watch, "WATCH"), filled(Level::Thin, "THIN")];
    if rows.rows.iter().any(|row| row.level == Level::Unjudged) {
        entries.push(filled(Level::Unjudged, "NO LIMIT set"));
    }
    entries.push((Key::Hatched, "NO ECHO".to_owned()));
    entries.push((Key::Line(Stroke::solid(Ink::Grey, 0.7)), "some readings without echo".to_owned()));
    entries.push((Key::Blank, "not scanned".to_owned()));
    entries.push((Key::Line(mark::NOMINAL), "nominal".to_owned()));
    entries.push((Key::Line(mark::REQUIRED), "required".to_owned()));
    if !strip.seams.is_empty() {
        entries.push((Key::Line(mark::SEAM), "seam".to_owned()));
    }
    if !strip.hand.is_empty() {
        entries.push((Key::Filled(Ink::White, mark::HAND, Ink::Black), "read by hand".to_owned()));
    }
    if let Some((_, name)) = &strip.earlier {
        entries.push((Key::Line(mark::EARLIER), name.clone()));
    }
    let taken = mark::legend(figure, point(0.0, top + 3.0), strip.width, &entries);
    let each = match strip.unit {
        LengthUnit::Mm => format!("{:.1} mm", rows.each.as_mm()),
        LengthUnit::Inch => format!("{:.2} in", rows.each.as_inch()),
    };
    let words = format!("Each row is the minimum reading of {each} of the line. Nothing is interpolated, smoothed or filled in.");
    figure.text(Text::new(point(0.0, top + 3.0 + taken + SMALL), words, SMALL).ink(Ink::Grey));
}

#[cfg(test)]
mod tests {
    use super::super::FigureItem;
    use super::*;

    const BEAM: Length = Length::mm(5.0);

    fn figure(strip: &Strip, to: f64) -> Figure {
        with_earlier(strip, None, to)
    }

    fn with_earlier(strip: &Strip, earlier: Option<(&Strip, String)>, to: f64) -> Figure {
        let spans = [CourseSpan {
            course: Some(1),
            from: Length::ZERO,
            to: Length::mm(to),
            nominal: Some(Length::mm(10.0)),
            required: Some(Length::mm(6.0)),
        }];
        let (width, height) = paper(Direction::Up);
        draw(&StripFigure {
            title: "test".into(),
            subtitle: String::new(),
            direction: Direction::Up,
            unit: LengthUnit::Mm,
            from: Length::ZERO,
            to: Length::mm(to),
            strip,
            earlier,
            spans: &spans,
            seams: &[],
            marks: &[],
            spots: &[],
            hand: &[],
            beam: BEAM,
            max_gap: Length::mm(10.0),
            width,
            height,
        })
    }

    /// Height on paper that an ink fills inside the section, least to greatest `y`; legends lie beneath it.
    fn filled(figure: &Figure, ink: Ink) -> f64 {
        let areas = figure.items.iter().filter_map(|item| match item {
            FigureItem::Areas { areas, ink: of } if *of == ink => Some(areas),
            _ => None,
        });
        let section = areas.flatten().filter(|area| area.iter().all(|p| p.y <= figure.height - FOOT + 1e-6));
        section.map(|area| area.iter().map(|p| p.y).fold(0.0, f64::max) - area.iter().map(|p| p.y).fold(f64::MAX, f64::min)).sum()
    }

    fn push(strip: &mut Strip, from: i32, to: i32, thickness: Option<f64>, level: Level) {
        for place in from..to {
            strip.push(Some(Length::mm(f64::from(place) + 0.5)), thickness.map(Length::mm), level);
        }
    }

    #[test]
    fn one_thin_reading_in_ten_metres_is_drawn() {
        let mut strip = Strip::default();
        push(&mut strip, 0, 10_000, Some(9.5), Level::Clear);
        push(&mut strip, 7_003, 7_004, Some(5.0), Level::Thin);
        let figure = figure(&strip, 10_000.0);
        assert!(filled(&figure, Ink::Vermilion) >= 0.24, "{}", filled(&figure, Ink::Vermilion));
        assert!(figure.items.iter().any(|item| matches!(item, FigureItem::Text(text) if text.text == "◆")));
    }

    #[test]
    fn what_was_not_read_is_not_filled_and_a_gap_is_as_long_as_it_is() {
        let mut strip = Strip::default();
        push(&mut strip, 0, 400, Some(9.5), Level::Clear);
        push(&mut strip, 450, 700, Some(9.5), Level::Clear);
        let figure = figure(&strip, 1_000.0);
        let blank = filled(&figure, Ink::White);
        let sound = filled(&figure, Ink::Pale);
        // 650 of 1000 mm were read.
        let section: f64 = sound / 0.65;
        assert!((blank / section - 0.05).abs() < 0.002, "{blank} of {section}");
        assert!(sound < 0.67 * (figure.height - FOOT), "the rest of the line was filled: {sound}");
        assert!(figure.items.iter().any(|item| matches!(item, FigureItem::Text(text) if text.text.contains("gap: no reading over 50 mm"))));
    }

    #[test]
    fn an_earlier_survey_is_an_outline_with_its_name_and_fills_nothing() {
        let (mut now, mut then) = (Strip::default(), Strip::default());
        push(&mut now, 0, 500, Some(9.0), Level::Clear);
        push(&mut then, 0, 1_000, Some(9.5), Level::Clear);
        let figure = with_earlier(&now, Some((&then, "2021".into())), 1_000.0);
        let outlines = |item: &&FigureItem| matches!(item, FigureItem::Lines { stroke, .. } if stroke.ink == Ink::Purple);
        assert_eq!(figure.items.iter().filter(outlines).count(), 2, "once in the section, once in the legend");
        assert!(figure.items.iter().any(|item| matches!(item, FigureItem::Text(text) if text.text == "2021")));
        assert_eq!(filled(&figure, Ink::Pale), filled(&super::tests::figure(&now, 1_000.0), Ink::Pale));
    }

    #[test]
    fn long_lines_are_cut_into_equal_pages_that_meet() {
        let all = pages(Length::ZERO, Length::mm(13_000.0), Length::mm(6_000.0));
        assert_eq!(all.len(), 3);
        assert_eq!((all[0].1, all[1].1, all[2].1), (all[1].0, all[2].0, Length::mm(13_000.0)));
        assert_eq!(pages(Length::ZERO, Length::mm(6_000.0), Length::mm(6_000.0)).len(), 1);
        assert_eq!(pages(Length::ZERO, Length::ZERO, Length::mm(6_000.0)).len(), 1);
    }
}
