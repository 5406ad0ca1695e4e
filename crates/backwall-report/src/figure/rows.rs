//! The rows of a section: each the minimum reading of its stretch, drawn as areas, hatch, surface and glyphs.

use super::label::Hole;
use super::mark::{self, BODY, EDGE, HATCH, HATCH_APART};
use super::strip::{Axes, LANE, StripFigure};
use super::{Anchor, Figure, FigurePoint, Ink, Stroke, Text, point};
use backwall_survey::strip::Level;
use backwall_units::Length;

/// One drawn row.
pub(super) struct FigureRow {
    pub(super) u: (f64, f64),
    pub(super) v: Option<f64>,
    pub(super) level: Level,
    some_lost: bool,
}

pub(super) struct FigureRows {
    pub(super) rows: Vec<FigureRow>,
    /// How much of the line one row stands for.
    pub(super) each: Length,
    /// Ends of each course on paper, and its nominal thickness.
    nominal: Vec<(f64, f64, f64)>,
}

impl FigureRows {
    /// The finest row on paper, millimetres.
    const FINEST: f64 = 0.25;

    pub(super) fn of(strip: &StripFigure<'_>, axes: &Axes) -> Self {
        let least = Length::mm(Self::FINEST / axes.along).max(strip.beam);
        let count = ((strip.to - strip.from) / least).floor().clamp(1.0, 20_000.0) as usize;
        let rows = strip.strip.rows(strip.from, strip.to, count);
        let nominal = strip
            .spans
            .iter()
            .map(|span| (axes.u(span.from), axes.u(span.to), span.nominal.map_or(axes.depth / 2.0, |nominal| axes.v(nominal))));
        Self {
            each: (strip.to - strip.from) / count as f64,
            nominal: nominal.collect(),
            rows: rows
                .iter()
                .filter(|row| !row.bin.is_empty())
                .map(|row| FigureRow {
                    u: (axes.u(row.from), axes.u(row.to)),
                    v: row.bin.least.map(|least| axes.v(least)),
                    level: row.bin.worst,
                    some_lost: row.bin.lost > 0,
                })
                .collect(),
        }
    }

    /// As deep as the wall should be, from one end to the other.
    fn to_nominal(&self, from: f64, to: f64, axes: &Axes) -> Vec<(FigurePoint, FigurePoint)> {
        let inside = self.nominal.iter().map(|(low, high, v)| (low.max(from), high.min(to), *v)).filter(|(low, high, _)| low < high);
        inside.map(|(low, high, v)| (axes.at(low, 0.0), axes.at(high, v))).collect()
    }

    pub(super) fn draw(&self, figure: &mut Figure, axes: &Axes, holes: &[Hole]) {
        // Neighbouring rows of one level are one area.
        let groups = |same: fn(&FigureRow, &FigureRow) -> bool| {
            self.rows.chunk_by(move |a, b| (b.u.0 - a.u.1).abs() < 1e-6 && same(a, b)).collect::<Vec<_>>()
        };
        let fill = |figure: &mut Figure, level: Level| {
            let of_level = groups(|a, b| a.level == b.level).into_iter().filter(|group| group[0].level == level);
            figure.areas(of_level.map(|group| under(group, axes)).collect(), mark::fill(level).unwrap_or(Ink::White));
        };
        fill(figure, Level::Unjudged);
        fill(figure, Level::Clear);
        // A row holds what was read anywhere in it; a hole is as long as it is. Only WATCH and THIN go over it.
        let ends = |hole: &Hole| (axes.u(hole.from), axes.u(hole.to));
        let blank = holes.iter().map(ends).map(|(from, to)| {
            let (a, b) = (axes.at(from, 0.0), axes.at(to, axes.depth));
            vec![a, point(b.x, a.y), b, point(a.x, b.y)]
        });
        figure.areas(blank.collect(), Ink::White);
        let mut no_echo: Vec<(f64, f64)> = holes.iter().filter(|hole| hole.no_echo).map(ends).collect();
        let lost = groups(|a, b| a.level == b.level).into_iter().filter(|group| group[0].level == Level::NoEcho);
        let lost = lost.map(|group| (group[0].u.0, group[group.len() - 1].u.1));
        no_echo.extend(lost.filter(|(from, to)| !holes.iter().map(ends).any(|hole| hole.0 <= *from && hole.1 >= *to)));
        let no_echo: Vec<_> = no_echo.into_iter().flat_map(|(from, to)| self.to_nominal(from, to, axes)).collect();
        figure.hatch(&no_echo, HATCH_APART, HATCH);
        fill(figure, Level::Watch);
        fill(figure, Level::Thin);
        let surface = groups(|a, b| a.v.is_some() == b.v.is_some()).into_iter().filter(|group| group[0].v.is_some());
        figure.lines(surface.map(|group| steps(group, axes)).collect(), EDGE);
        // A stretch that was read in part only: a mark outside the section, for hatch would hide what was read.
        let partly = groups(|a, b| a.some_lost == b.some_lost).into_iter().filter(|group| group[0].some_lost);
        let edge = axes.depth + 0.8;
        let ticks = partly.map(|group| vec![axes.at(group[0].u.0, edge), axes.at(group[group.len() - 1].u.1, edge)]).collect();
        figure.lines(ticks, Stroke::solid(Ink::Grey, 0.7));
        self.glyphs(figure, axes);
    }

    /// The level of each stretch that is not sound, beside the section.
    fn glyphs(&self, figure: &mut Figure, axes: &Axes) {
        let mut taken: Vec<f64> = Vec::new();
        for level in [Level::Thin, Level::Watch, Level::NoEcho] {
            for group in self.rows.chunk_by(|a, b| (b.u.0 - a.u.1).abs() < 1e-6 && a.level == b.level) {
                let middle = (group[0].u.0 + group[group.len() - 1].u.1) / 2.0;
                if group[0].level != level || taken.iter().any(|other| (other - middle).abs() < BODY) {
                    continue;
                }
                taken.push(middle);
                let at = axes.at(middle, axes.depth + LANE / 2.0 + 0.4);
                let at = point(at.x, at.y + BODY * 0.36);
                figure.text(Text::new(at, mark::glyph(level), BODY).anchored(Anchor::Middle).bold());
            }
        }
    }
}

/// The wall under the steps of neighbouring rows, down to the outer face.
fn under(group: &[FigureRow], axes: &Axes) -> Vec<FigurePoint> {
    let mut area = vec![axes.at(group[0].u.0, 0.0)];
    area.extend(steps(group, axes));
    area.push(axes.at(group[group.len() - 1].u.1, 0.0));
    area
}

pub(super) fn steps(group: &[FigureRow], axes: &Axes) -> Vec<FigurePoint> {
    let mut line: Vec<FigurePoint> = Vec::with_capacity(group.len() * 2);
    for row in group {
        let v = row.v.unwrap_or_default();
        line.push(axes.at(row.u.0, v));
        line.push(axes.at(row.u.1, v));
    }
    line.dedup();
    line
}
