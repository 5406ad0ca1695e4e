//! The wall in section: upright for lines up and down, flat for lines across. Each row (or column) shows the least
//! reading of its stretch; a stretch without echo is hatched and says so; one not driven yet is empty.

use super::pen::Pen;
use crate::console::glyphs::{Glyphs, Shapes};
use crate::console::state::WallLook;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::live::wall::{Glimpse, StretchWindow};
use backwall_store::MarkKind;
use backwall_survey::strip::{Bin, Level, Limits, Strip};
use backwall_survey::travel::Direction;
use backwall_units::{Length, LengthUnit};
use ratatui::layout::Rect;

/// What a section is drawn from.
pub struct SectionView<'a> {
    pub wall: &'a Glimpse,
    pub limits: &'a Limits,
    pub lookout: Lookout,
    /// For lines across: the course they run in.
    pub course: Option<u16>,
    pub extra: Extra<'a>,
}

/// Where along the line a section looks.
#[derive(Debug, Clone, Copy)]
pub struct Lookout {
    pub direction: Direction,
    /// Where the crawler (or the cursor of a review) is.
    pub at: Option<Length>,
    pub look: WallLook,
    /// The planned stretch, in rising order.
    pub span: (Length, Length),
}

/// What a review draws beyond the wall as it was judged.
#[derive(Default)]
pub struct Extra<'a> {
    /// A stretch as another limit would have it.
    pub judged: Option<&'a dyn Fn(Length, Length) -> Bin>,
    /// The strip of an earlier survey, and what is added to its places.
    pub behind: Option<(&'a Strip, Length)>,
    /// Single readings instead of stretches: from the top down, or from left to right.
    pub singles: Option<&'a [Option<Single>]>,
    /// Places read by hand, with what was read.
    pub hand: &'a [(Length, Length)],
}

/// One reading as a row or column.
#[derive(Clone)]
pub struct Single {
    pub label: String,
    pub along: Option<Length>,
    pub course: Option<u16>,
    pub bin: Bin,
    pub here: bool,
}

/// One stretch of wall, ready to draw.
struct DrawnStretch {
    index: i64,
    bin: Bin,
    nominal: Option<Length>,
    required: Option<Length>,
    /// The thickness under which a reading is WATCH whatever its U.
    watch: Option<Length>,
    /// Least of the earlier survey.
    earlier: Option<Length>,
    seam: bool,
    mark: Option<(MarkKind, String)>,
    /// The lowest that was read there by hand.
    hand: Option<Length>,
}

impl DrawnStretch {
    /// The glyph of its worst level; one of its own where it is WATCH by doubt: no reading is under the watch limit, U reaches there.
    fn glyph(&self, glyphs: Glyphs) -> char {
        let is_doubt = self.bin.worst == Level::Watch && self.bin.least.zip(self.watch).is_some_and(|(least, watch)| least >= watch);
        if is_doubt { glyphs.doubt() } else { glyphs.level(self.bin.worst) }
    }
}

impl Lookout {
    /// The index of the stretch a place lies in.
    fn index(&self, place: Length) -> i64 {
        (place / self.look.step()).floor() as i64
    }

    /// The place the view hangs on.
    fn anchor(&self) -> Length {
        let start = if self.direction == Direction::Down { self.span.1 } else { self.span.0 };
        self.look.back.or(self.at).unwrap_or(start)
    }

    /// The lowest of `count` stretches to show: moved so that no room is spent beyond the ends of the line.
    fn kept_inside(&self, lowest: i64, count: i64) -> i64 {
        let (low, high) = (self.index(self.span.0) - 1, self.index(self.span.1) + 1);
        let anchor = self.index(self.anchor());
        if anchor < low || anchor > high {
            return lowest;
        }
        lowest.min(high - count + 1).max(low)
    }

    /// The stretches that an area shows.
    pub fn window(&self, area: Rect) -> StretchWindow {
        let (count, below) = if self.direction.is_upright() {
            let rows = area.height.saturating_sub(1);
            // The crawler stands a fifth from the end it drives towards, so that most of what is seen is known.
            (rows, if self.direction == Direction::Down { rows / 5 } else { rows.saturating_sub(1 + rows / 5) })
        } else {
            let cells = area.width.saturating_sub(LEFT + 1);
            (cells, cells - cells / 5)
        };
        let first = self.kept_inside(self.index(self.anchor()) - i64::from(below), i64::from(count));
        StretchWindow { step: self.look.step(), first, count }
    }
}

impl SectionView<'_> {
    fn stretch(&self, index: i64) -> Option<DrawnStretch> {
        let (from, to) = self.wall.edges(index);
        let inside = |place: Length| place >= from && place < to;
        let course = match self.lookout.direction {
            Direction::Across => self.course,
            _ => {
                let middle = from + (to - from) / 2.0;
                let courses = &self.limits.courses;
                courses.iter().find(|course| middle >= course.bottom && middle < course.top).map(|course| course.number)
            }
        };
        Some(DrawnStretch {
            index,
            bin: self.extra.judged.map_or_else(|| self.wall.bin(index), |judged| Some(judged(from, to)))?,
            earlier: self.extra.behind.and_then(|(strip, offset)| strip.stretch(from - offset, to - offset).least),
            nominal: self.limits.nominal(course),
            required: self.limits.required(course),
            watch: self.limits.required(course).map(|required| required + self.limits.watch_margin),
            seam: self.wall.seams.iter().any(|seam| inside(*seam)),
            hand: self.extra.hand.iter().filter(|(along, _)| inside(*along)).map(|(_, thickness)| *thickness).reduce(Length::min),
            mark: self.wall.marks.iter().rev().find(|mark| mark.along.is_some_and(inside)).map(|mark| (mark.kind, safe_text(&mark.text))),
        })
    }

    /// The row or column at `position`: a stretch, or a single reading; its label, and whether the cursor is on it.
    fn at_position(&self, position: u16, index: i64, unit: LengthUnit) -> Option<(DrawnStretch, String, bool)> {
        let Some(singles) = self.extra.singles else {
            let step = self.lookout.look.step();
            let here = self.lookout.at.map(|at| self.lookout.index(at)) == Some(index);
            return Some((self.stretch(index)?, text::ruler(step * index as f64, step, unit), here));
        };
        let single = singles.get(usize::from(position))?.as_ref()?;
        let place = |of: &Strip, offset: Length| single.along.and_then(|along| of.stretch(along - offset, along - offset).least);
        let stretch = DrawnStretch {
            index: i64::from(position),
            bin: single.bin,
            nominal: self.limits.nominal(single.course),
            required: self.limits.required(single.course),
            watch: self.limits.required(single.course).map(|required| required + self.limits.watch_margin),
            earlier: self.extra.behind.and_then(|(strip, offset)| place(strip, offset)),
            seam: false,
            mark: None,
            hand: None,
        };
        Some((stretch, single.label.clone(), single.here))
    }

    /// The thickness at the far end of the scale.
    fn full_scale(&self, unit: LengthUnit) -> Length {
        let nominal = self.limits.nominal(None).unwrap_or(Length::mm(10.0)) * 1.15;
        match unit {
            LengthUnit::Mm => Length::mm(nominal.as_mm().ceil().max(1.0)),
            LengthUnit::Inch => Length::inch((nominal.as_inch() * 20.0).ceil().max(1.0) / 20.0),
        }
    }
}

/// Steps of the thickness scale, finest first.
fn tick(full: Length, cells: u16, unit: LengthUnit) -> f64 {
    let (all, steps): (f64, &[f64]) = match unit {
        LengthUnit::Mm => (full.as_mm(), &[1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0]),
        LengthUnit::Inch => (full.as_inch(), &[0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0]),
    };
    *steps.iter().find(|step| all / **step <= f64::from(cells) / 7.0).unwrap_or(&all)
}

/// At the wall's face, and on the map, where a thickness was read by hand.
pub const BY_HAND: char = 'H';

fn mark_letter(kind: MarkKind) -> char {
    match kind {
        MarkKind::Seam => 's',
        MarkKind::Nozzle => 'n',
        MarkKind::Obstruction => 'o',
        MarkKind::Surface => 'f',
        MarkKind::Other => 'x',
    }
}

/// Columns of the ruler on the left of an upright section.
const RULER: u16 = 7;
/// Columns of the scale on the left of a flat one.
const LEFT: u16 = 7;

/// The upright section; the first row is its scale.
pub fn upright(section: &SectionView, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let step = section.lookout.look.step();
    let words = if area.width >= 56 { 24 } else { 14 };
    let cells = area.width.saturating_sub(RULER + 1 + words);
    let full = section.full_scale(unit);
    let bar_x = area.x + RULER + 1;
    let column_of = |thickness: Length| ((thickness / full) * f64::from(cells)).clamp(0.0, f64::from(cells));
    pen.put(area.x + 1, area.y, RULER, unit.place_symbol(), Role::Quiet);
    let of_rows =
        if section.extra.singles.is_some() { "level   single reading".to_owned() } else { format!("level   row {}", row_word(step, unit)) };
    let header = if words > 20 { of_rows } else { "level".to_owned() };
    let at = area.right().saturating_sub(if words > 20 { words - 1 } else { 6 });
    pen.put(at, area.y, area.right() - at, &header, Role::Quiet);
    scale(pen, Rect { x: bar_x, width: cells, height: 1, ..area }, full, true);

    let window = section.lookout.window(area);
    let rows = window.count;
    let top = window.first + i64::from(rows) - 1;
    for row in 0..rows {
        let y = area.y + 1 + row;
        // A row is named by its lower edge.
        let Some((stretch, label, is_here)) = section.at_position(row, top - i64::from(row), unit) else { continue };
        pen.put(area.x, y, RULER - 1, &format!("{label:>6}"), if is_here { Role::Strong } else { Role::Quiet });
        let shapes = pen.look.glyphs.shapes();
        let (edge, role) = match (&stretch.mark, is_here, stretch.seam) {
            (_, true, _) => (shapes.crawler, Role::Strong),
            _ if stretch.hand.is_some() => (BY_HAND, Role::Strong),
            (Some((kind, _)), _, _) => (mark_letter(*kind), Role::Strong),
            (None, _, true) => (shapes.seam, Role::Strong),
            _ => (shapes.outer_face, if stretch.bin.is_empty() { Role::Quiet } else { Role::Plain }),
        };
        pen.cell(area.x + RULER, y, edge, role);
        let bar = Rect { x: bar_x, y, width: cells, height: 1 };
        bar_across(pen, bar, &stretch, column_of);
        if let Some(earlier) = stretch.earlier {
            pen.cell(bar_x + (column_of(earlier) as u16).min(cells.saturating_sub(1)), y, shapes.outline, Role::Strong);
        }
        words_of(pen, Rect { x: bar_x + cells + 1, y, width: words - 1, height: 1 }, &stretch, words > 20);
    }
}

fn row_word(step: Length, unit: LengthUnit) -> String {
    match unit {
        LengthUnit::Mm => format!("{} mm", text::scale_mark(step.as_mm())),
        LengthUnit::Inch => format!("{:.2} in", step.as_inch()),
    }
}

fn scale(pen: &mut Pen, area: Rect, full: Length, unit_at_end: bool) {
    let unit = pen.look.unit;
    let of = |length: Length| if unit == LengthUnit::Mm { length.as_mm() } else { length.as_inch() };
    let step = tick(full, area.width, unit);
    let mut value = 0.0;
    while value <= of(full) {
        let x = area.x + ((value / of(full)) * f64::from(area.width)) as u16;
        let mut label = text::scale_mark(value);
        if unit_at_end && value + step > of(full) {
            label = format!("{label} {}", unit.thickness_symbol());
        }
        if x + (label.len() as u16) <= area.right() + 3 {
            pen.put(x, area.y, label.len() as u16, &label, Role::Quiet);
        }
        value += step;
    }
}

fn bar_across(pen: &mut Pen, area: Rect, stretch: &DrawnStretch, column_of: impl Fn(Length) -> f64) {
    let shapes = pen.look.glyphs.shapes();
    let bin = &stretch.bin;
    let at = |length: Length| area.x + (column_of(length) as u16).min(area.width.saturating_sub(1));
    let nominal = stretch.nominal.map(&at);
    let required = stretch.required.map(&at);
    // A limit above what was read stands clear of the bar, also where both fall into one cell.
    let clear = |limit: Option<Length>, x: Option<u16>| match (limit, bin.least) {
        (Some(limit), Some(least)) if limit > least => x.map(|x| x.max(area.x + column_of(least).ceil() as u16)),
        _ => x,
    };
    let required = clear(stretch.required, required);
    if stretch.seam && bin.is_empty() {
        let end = nominal.unwrap_or(area.right());
        for x in area.x..end {
            pen.cell(x, area.y, shapes.seam, Role::Quiet);
        }
        pen.put(area.x + 3, area.y, area.width.saturating_sub(3), " seam ", Role::Plain);
        return;
    }
    for (x, c) in [(required, shapes.required), (nominal, shapes.nominal)] {
        if let Some(x) = x {
            pen.cell(x, area.y, c, Role::Quiet);
        }
    }
    match (bin.is_empty(), bin.least) {
        (true, _) => {}
        (false, None) => {
            let end = nominal.unwrap_or(area.right());
            for x in area.x..end {
                pen.cell(x, area.y, shapes.hatch, Role::NoEcho);
            }
            pen.put(area.x + 1, area.y, area.width.saturating_sub(1), " no echo ", Role::NoEcho);
        }
        (false, Some(least)) => {
            let style = match bin.worst {
                Level::Thin => pen.look.theme.style(Role::Thin),
                level => pen.look.theme.level(level),
            };
            // Metal that is thin is named in its level word; the bar itself is metal and never reversed.
            let style = style.remove_modifier(ratatui::style::Modifier::REVERSED);
            let style = if pen.look.theme == crate::console::Theme::Sunlight { pen.look.theme.base() } else { style };
            let width = column_of(least);
            let covered = width.ceil() as u16;
            for (offset, c) in Shapes::bar(shapes.across, width, usize::from(covered.min(area.width))).enumerate() {
                if c != ' ' {
                    pen.cell_style(area.x + offset as u16, area.y, c, style);
                }
            }
        }
    }
}

fn words_of(pen: &mut Pen, area: Rect, stretch: &DrawnStretch, wide: bool) {
    let bin = &stretch.bin;
    let unit = pen.look.unit;
    let mut x = area.x;
    if !bin.is_empty() {
        let glyph = stretch.glyph(pen.look.glyphs);
        let mut words = match bin.worst {
            Level::Clear if !wide => glyph.to_string(),
            Level::Unjudged if !wide => glyph.to_string(),
            level => format!("{glyph} {}", level.word()),
        };
        if let Some(least) = bin.least
            && (wide || bin.worst >= Level::Watch)
        {
            words = format!("{words} {}", unit.thickness(least));
            // Never a cut number: where not all fits, the glyph speaks for the word.
            if text::columns(&words) > usize::from(area.width) {
                words = format!("{glyph} {}", unit.thickness(least));
            }
        }
        let style = pen.look.theme.level(bin.worst);
        x = pen.put_style(x, area.y, area.right().saturating_sub(x), &words, style);
        if bin.read > 0 && bin.lost > 0 && x + 1 < area.right() {
            // Some of this stretch gave no echo.
            x += 1;
            pen.cell(x, area.y, pen.look.glyphs.level(Level::NoEcho), Role::NoEcho);
            x += 1;
        }
    }
    let tail = match (&stretch.mark, stretch.seam) {
        _ if stretch.hand.is_some() => stretch.hand.map_or_else(String::new, |hand| format!("{} by hand", unit.thickness(hand))),
        (Some((kind, text)), _) if text.is_empty() => kind.word().to_owned(),
        (Some((_, text)), _) => text.clone(),
        (None, true) if !bin.is_empty() => "seam".to_owned(),
        _ => return,
    };
    let room = area.right().saturating_sub(x + 1);
    if room >= 4 {
        pen.put(x + 1, area.y, room, &text::clip(&tail, usize::from(room)), Role::Quiet);
    }
}

/// The flat section of a line across: outer face at the bottom, the line runs to the right.
pub fn flat(section: &SectionView, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let shapes = pen.look.glyphs.shapes();
    let window = section.lookout.window(area);
    let cells = window.count;
    let height = area.height.saturating_sub(4).max(1);
    let full = section.full_scale(unit);
    let row_of = |thickness: Length| ((thickness / full) * f64::from(height)).clamp(0.0, f64::from(height));
    let base = area.y + height;
    let course = section.course;
    for (thickness, c) in [(section.limits.nominal(course), shapes.rule), (section.limits.required(course), shapes.seam)] {
        let Some(thickness) = thickness else { continue };
        let y = base - (row_of(thickness).ceil() as u16).max(1);
        for x in 0..cells {
            pen.cell(area.x + LEFT + x, y, c, Role::Quiet);
        }
        pen.put(area.x, y, LEFT, &format!("{:>6}", unit.thickness(thickness)), Role::Quiet);
    }
    let full_wall = section.limits.nominal(course).map_or(area.y, |nominal| base - (row_of(nominal).ceil() as u16).max(1));
    let mut word_end = 0;
    let mut last = None;
    for column in 0..cells {
        let Some((stretch, label, is_here)) = section.at_position(column, window.first + i64::from(column), unit) else { continue };
        let x = area.x + LEFT + column;
        let bin = &stretch.bin;
        match (bin.is_empty(), bin.least) {
            (true, _) => {}
            (false, None) => {
                for y in full_wall..base {
                    pen.cell(x, y, shapes.hatch, Role::NoEcho);
                }
            }
            (false, Some(least)) => {
                let style = pen.look.theme.level(bin.worst).remove_modifier(ratatui::style::Modifier::REVERSED);
                let style = if pen.look.theme == crate::console::Theme::Sunlight { pen.look.theme.base() } else { style };
                for (offset, c) in Shapes::bar(shapes.upward, row_of(least), usize::from(height)).enumerate() {
                    if c != ' ' {
                        pen.cell_style(x, base - 1 - offset as u16, c, style);
                    }
                }
            }
        }
        if let Some(earlier) = stretch.earlier {
            pen.cell(x, base - (row_of(earlier).ceil() as u16).max(1), shapes.outline_flat, Role::Strong);
        }
        let edge = match (&stretch.mark, is_here, stretch.seam) {
            (_, true, _) => '^',
            _ if stretch.hand.is_some() => BY_HAND,
            (Some((kind, _)), _, _) => mark_letter(*kind),
            (None, _, true) => shapes.divider,
            _ => shapes.rule,
        };
        pen.cell(x, base, edge, if edge == shapes.rule { Role::Quiet } else { Role::Strong });
        if !bin.is_empty() {
            pen.cell_style(x, base + 1, stretch.glyph(pen.look.glyphs), pen.look.theme.level(bin.worst));
            let word = bin.worst.word();
            if last != Some(bin.worst) && bin.worst >= Level::NoEcho && column >= word_end && column + word.len() as u16 <= cells {
                pen.put_style(x, base + 2, word.len() as u16, word, pen.look.theme.level(bin.worst));
                word_end = column + word.len() as u16 + 1;
            }
        }
        last = (!bin.is_empty()).then_some(bin.worst);
        if stretch.index.rem_euclid(10) == 0 && column + (label.len() as u16) < cells {
            pen.put(x, base + 3, label.len() as u16, &label, Role::Quiet);
        }
    }
    pen.put(area.x, base + 1, LEFT, "level", Role::Quiet);
    pen.put(area.x, base + 3, LEFT, unit.place_symbol(), Role::Quiet);
}
