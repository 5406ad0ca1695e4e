//! A drawing that belongs to no file format: lines, areas and text on a sheet measured in millimetres of paper.
//! Strip, waveform and map are drawn once, here; SVG, PNG, PDF and HTML each only put these few items down.

pub mod axis;
pub mod change;
pub mod data;
pub mod font;
mod label;
mod lying;
pub mod map;
pub mod mark;
mod rows;
pub mod strip;
pub mod waveform;

/// A place on the sheet, millimetres from its upper left corner: `x` to the right, `y` down.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct FigurePoint {
    pub x: f64,
    pub y: f64,
}

pub const fn point(x: f64, y: f64) -> FigurePoint {
    FigurePoint { x, y }
}

/// A finished drawing on white paper. Items are put down in their order, later ones over earlier ones.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Millimetres.
    pub width: f64,
    pub height: f64,
    /// What the figure shows, in words: for those who cannot see it, and for the page that carries it.
    pub title: String,
    pub items: Vec<FigureItem>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum FigureItem {
    /// Open lines, each through all of its points.
    Lines {
        lines: Vec<Vec<FigurePoint>>,
        stroke: Stroke,
    },
    /// Closed areas without overlap among themselves, each within its points.
    Areas {
        areas: Vec<Vec<FigurePoint>>,
        ink: Ink,
    },
    Text(Text),
}

/// How a line is drawn; ends are flat, corners round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    pub ink: Ink,
    /// Millimetres.
    pub width: f64,
    pub dash: Dash,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dash {
    Solid,
    /// Long strokes.
    Dashed,
    /// Short strokes.
    Dotted,
    /// A long and a short stroke.
    Chain,
}

impl Dash {
    /// Lengths of stroke and space by turns, in line widths; empty for a solid line.
    pub const fn pattern(self) -> &'static [f64] {
        match self {
            Self::Solid => &[],
            Self::Dashed => &[6.0, 3.0],
            Self::Dotted => &[1.5, 2.0],
            Self::Chain => &[9.0, 2.5, 1.5, 2.5],
        }
    }
}

/// One line of text.
#[derive(Debug, Clone, PartialEq)]
pub struct Text {
    /// On the baseline: its start, middle or end as `anchor` says.
    pub at: FigurePoint,
    pub text: String,
    /// Height of the font, millimetres.
    pub size: f64,
    pub anchor: Anchor,
    /// Degrees about `at`, counter-clockwise.
    pub turn: f64,
    pub weight: LineWeight,
    pub ink: Ink,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LineWeight {
    Regular,
    Bold,
}

/// The few colours there are: greys, and the hues of Okabe and Ito, "Color Universal Design" (2008), which stay apart
/// for every kind of colour vision. None of them ever says something that a word, a glyph or a hatch does not say too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ink {
    Black,
    /// For lines of help: rulers, frames.
    Grey,
    /// For fields and fine lattices.
    Pale,
    White,
    Orange,
    SkyBlue,
    Green,
    Yellow,
    Blue,
    Vermilion,
    Purple,
}

impl Ink {
    pub const fn rgb(self) -> [u8; 3] {
        match self {
            Self::Black => [0, 0, 0],
            Self::Grey => [110, 110, 110],
            Self::Pale => [221, 221, 221],
            Self::White => [255, 255, 255],
            Self::Orange => [230, 159, 0],
            Self::SkyBlue => [86, 180, 233],
            Self::Green => [0, 158, 115],
            Self::Yellow => [240, 228, 66],
            Self::Blue => [0, 114, 178],
            Self::Vermilion => [213, 94, 0],
            Self::Purple => [204, 121, 167],
        }
    }
}

impl Stroke {
    pub const fn solid(ink: Ink, width: f64) -> Self {
        Self { ink, width, dash: Dash::Solid }
    }
    pub const fn dashed(self, dash: Dash) -> Self {
        Self { dash, ..self }
    }
}

impl Text {
    pub fn new(at: FigurePoint, text: impl Into<String>, size: f64) -> Self {
        Self { at, text: text.into(), size, anchor: Anchor::Start, turn: 0.0, weight: LineWeight::Regular, ink: Ink::Black }
    }
    pub fn anchored(self, anchor: Anchor) -> Self {
        Self { anchor, ..self }
    }
    pub fn turned(self, degrees: f64) -> Self {
        Self { turn: degrees, ..self }
    }
    pub fn bold(self) -> Self {
        Self { weight: LineWeight::Bold, ..self }
    }
    pub fn ink(self, ink: Ink) -> Self {
        Self { ink, ..self }
    }
    /// Width in millimetres, before it is turned.
    pub fn width(&self) -> f64 {
        font::width(&self.text, self.size, self.weight)
    }
}

/// The four corners of a rectangle.
pub fn rectangle(x: f64, y: f64, width: f64, height: f64) -> Vec<FigurePoint> {
    vec![point(x, y), point(x + width, y), point(x + width, y + height), point(x, y + height)]
}

impl Figure {
    pub fn new(title: impl Into<String>, width: f64, height: f64) -> Self {
        Self { width, height, title: title.into(), items: Vec::new() }
    }

    pub fn line(&mut self, from: FigurePoint, to: FigurePoint, stroke: Stroke) {
        self.lines(vec![vec![from, to]], stroke);
    }

    pub fn lines(&mut self, lines: Vec<Vec<FigurePoint>>, stroke: Stroke) {
        if !lines.is_empty() {
            self.items.push(FigureItem::Lines { lines, stroke });
        }
    }

    pub fn areas(&mut self, areas: Vec<Vec<FigurePoint>>, ink: Ink) {
        if !areas.is_empty() {
            self.items.push(FigureItem::Areas { areas, ink });
        }
    }

    /// The outline of an area.
    pub fn outline(&mut self, area: &[FigurePoint], stroke: Stroke) {
        let closed = area.iter().chain(area.first()).copied().collect();
        self.lines(vec![closed], stroke);
    }

    pub fn text(&mut self, text: Text) {
        if !text.text.is_empty() {
            self.items.push(FigureItem::Text(text));
        }
    }

    /// Lines rising to the right, `apart` millimetres from each other, inside rectangles given by two corners.
    pub fn hatch(&mut self, rectangles: &[(FigurePoint, FigurePoint)], apart: f64, stroke: Stroke) {
        self.lines(rectangles.iter().flat_map(|(a, b)| hatch_lines(*a, *b, apart)).collect(), stroke);
    }

    /// Puts another figure down on this one, its upper left corner at `at`.
    pub fn place(&mut self, other: &Figure, at: FigurePoint) {
        let moved = |p: &FigurePoint| point(p.x + at.x, p.y + at.y);
        let all = |paths: &[Vec<FigurePoint>]| paths.iter().map(|path| path.iter().map(moved).collect()).collect();
        self.items.extend(other.items.iter().map(|item| match item {
            FigureItem::Lines { lines, stroke } => FigureItem::Lines { lines: all(lines), stroke: *stroke },
            FigureItem::Areas { areas, ink } => FigureItem::Areas { areas: all(areas), ink: *ink },
            FigureItem::Text(text) => FigureItem::Text(Text { at: moved(&text.at), ..text.clone() }),
        }));
    }
}

/// The lines x + y = k, k a multiple of the step, cut to a rectangle: neighbours hatch on without a seam.
fn hatch_lines(a: FigurePoint, b: FigurePoint, apart: f64) -> Vec<Vec<FigurePoint>> {
    let (left, right, top, bottom) = (a.x.min(b.x), a.x.max(b.x), a.y.min(b.y), a.y.max(b.y));
    let step = apart.max(0.1) * std::f64::consts::SQRT_2;
    let (first, last) = (((left + top) / step).ceil() as i64, ((right + bottom) / step).floor() as i64);
    (first..=last)
        .map(|index| {
            let sum = index as f64 * step;
            let (low, high) = ((sum - bottom).max(left), (sum - top).min(right));
            vec![point(low, sum - low), point(high, sum - high)]
        })
        .filter(|line| line[1].x - line[0].x > 1e-6)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hatching_stays_inside_its_rectangle_and_joins_its_neighbour() {
        let lines = hatch_lines(point(10.0, 5.0), point(14.0, 9.0), 1.0);
        assert!(lines.len() >= 4);
        for end in lines.iter().flatten() {
            assert!((10.0 - 1e-9..=14.0 + 1e-9).contains(&end.x) && (5.0 - 1e-9..=9.0 + 1e-9).contains(&end.y), "{end:?}");
        }
        let below = hatch_lines(point(10.0, 9.0), point(14.0, 13.0), 1.0);
        let sum = |line: &Vec<FigurePoint>| (line[0].x + line[0].y) / std::f64::consts::SQRT_2;
        for line in lines.iter().chain(&below) {
            assert!((sum(line) - sum(line).round()).abs() < 1e-9, "off the common lattice");
        }
    }

    #[test]
    fn a_figure_put_down_on_another_keeps_its_shape() {
        let mut inner = Figure::new("inner", 10.0, 10.0);
        inner.areas(vec![rectangle(1.0, 2.0, 3.0, 4.0)], Ink::Pale);
        inner.text(Text::new(point(1.0, 1.0), "A", 3.0));
        let mut sheet = Figure::new("sheet", 50.0, 50.0);
        sheet.place(&inner, point(20.0, 30.0));
        assert_eq!(sheet.items[0], FigureItem::Areas { areas: vec![rectangle(21.0, 32.0, 3.0, 4.0)], ink: Ink::Pale });
        assert!(matches!(&sheet.items[1], FigureItem::Text(text) if text.at == point(21.0, 31.0)));
    }
}
