//! The unrolled map: all lines side by side at their azimuth, elevation upward, lines across beneath. A cell is filled as
//! far as it was read; what nobody looked at stays blank.

use super::hand;
use crate::console::state::App;
use crate::console::survey::map::{CELLS_ACROSS, MapShown, Surveyed};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::console::view::pen::{AreaRows, Pen};
use crate::console::view::section::BY_HAND;
use backwall_report::figure::data::{CalibrationDoubt, calibrations};
use backwall_report::figure::map::scanned_words;
use backwall_store::JobContents;
use backwall_survey::strip::map::{Class, MapBand, MapCell};
use backwall_units::{Length, LengthUnit};
use ratatui::layout::Rect;

/// Columns of the ruler on the left.
const RULER: u16 = 10;
/// A lane with a number in each cell, its bar, and the widest a lane is made.
const WITH_NUMBER: u16 = 12;
const WIDEST: u16 = 20;

pub fn draw(app: &App, shown: &MapShown, pen: &mut Pen, body: Rect) {
    let surveyed = &shown.surveyed;
    let mut rows = AreaRows::of(body);
    let taken = rows.take(1);
    title(app, surveyed, pen, taken);
    said(&app.contents, surveyed, pen, &mut rows);
    let legend = legend(usize::from(body.width - 2));
    let beneath = legend.len() as u16 + 1;
    if surveyed.lanes() == 0 {
        let taken = rows.take(2);
        pen.put(taken.x + 1, taken.y + 1, taken.width - 1, "no line of the plan has a place on the wall", Role::Strong);
        return;
    }
    let across = surveyed.lanes() - surveyed.upright();
    let flat = if across == 0 { 0 } else { (across as u16 + 1).min(rows.left() / 3) };
    let main = rows.take(rows.left().saturating_sub(beneath + flat));
    if surveyed.upright() > 0 {
        upright(app, shown, pen, main);
    }
    let taken = rows.take(flat);
    round(app, shown, pen, taken);
    let taken = rows.take(1);
    cursor_line(app, shown, pen, taken);
    for entries in &legend {
        let taken = rows.take(1);
        let mut x = taken.x + 1;
        for (class, words) in entries {
            x = key(pen, x, taken.y, *class, words) + 2;
        }
    }
}

fn title(app: &App, surveyed: &Surveyed, pen: &mut Pen, area: Rect) {
    let asset = &app.contents.plan.asset;
    let progress = &surveyed.progress;
    let (right, role) = match (progress.done, progress.open) {
        (false, _) => {
            let share = (100 * progress.read).checked_div(progress.of).unwrap_or(0).min(100);
            (format!("reading {share} %: {} of {}", progress.read, progress.of), Role::Strong)
        }
        (true, true) => (format!("RECORDING, {} so far", progress.read), Role::Strong),
        (true, false) => (format!("{} readings", progress.read), Role::Plain),
    };
    pen.title(area, &format!("{} {} unrolled, lines side by side", asset.kind.word(), safe_text(&asset.name)), "");
    let width = text::columns(&right) as u16 + 2;
    if width + 2 < area.width {
        pen.put(area.right() - width - 1, area.y, width, &format!(" {right} "), role);
    }
}

/// How much of the wall was looked at, and what is not on the map at all.
fn said(contents: &JobContents, surveyed: &Surveyed, pen: &mut Pen, rows: &mut AreaRows) {
    let progress = &surveyed.progress;
    if !progress.done {
        let taken = rows.take(1);
        pen.put(
            taken.x + 1,
            taken.y,
            taken.width - 1,
            "The runs are being read: what is blank may only not have been read yet.",
            Role::Strong,
        );
        return;
    }
    let words = scanned_words(&surveyed.map, surveyed.scanned, surveyed.beam_known, pen.look.unit);
    let mut lines: Vec<(String, Role)> = Vec::new();
    let width = |rows: &AreaRows| usize::from(rows.width().saturating_sub(2));
    lines.extend(text::wrap(&words, width(rows)).into_iter().map(|line| (line, Role::Strong)));
    if !surveyed.map.off.is_empty() {
        let off: Vec<_> = surveyed.map.off.iter().map(|(line, why)| format!("{} ({why})", safe_text(line))).collect();
        let words = format!("NOT ON THE MAP: {}", off.join(", "));
        lines.extend(text::wrap(&words, width(rows)).into_iter().take(2).map(|line| (line, Role::Watch)));
    }
    // What a failed verification makes of these numbers must be read with them.
    let (doubt, calibration) = calibrations(contents);
    if doubt != CalibrationDoubt::None {
        let role = if doubt == CalibrationDoubt::Suspect { Role::Fault } else { Role::Watch };
        lines.push((text::clip(&calibration, width(rows)), role));
    }
    for (words, role) in lines {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width - 1, &words, role);
    }
}

type LegendEntry = (Option<Class>, &'static str);

/// The legend in as many rows as it needs.
fn legend(width: usize) -> Vec<Vec<LegendEntry>> {
    let of = |class: Class| match class {
        Class::Ninety => "90 % of nominal",
        Class::Eighty => "80 %",
        Class::Less => "under 80 %",
        class => class.words(),
    };
    let classes = [Class::Ninety, Class::Eighty, Class::Less, Class::Watch, Class::Thin, Class::NoEcho, Class::Unrated];
    let entries = classes
        .into_iter()
        .map(|class| (Some(class), of(class)))
        .chain([(None, "planned"), (Some(Class::NotScanned), "blank: not scanned")]);
    let mut rows: Vec<Vec<LegendEntry>> = vec![Vec::new()];
    let mut used = 0;
    for entry in entries {
        let wide = entry.1.len() + 4;
        if used + wide > width && used > 0 {
            rows.push(Vec::new());
            used = 0;
        }
        used += wide;
        if let Some(row) = rows.last_mut() {
            row.push(entry);
        }
    }
    rows
}

fn key(pen: &mut Pen, x: u16, y: u16, class: Option<Class>, words: &str) -> u16 {
    let x = match class {
        None => {
            pen.cell(x, y, pen.look.glyphs.shapes().divider, Role::Quiet);
            x + 2
        }
        Some(Class::NotScanned) => x,
        Some(class) => {
            pen.cell_style(x, y, pen.look.glyphs.class(class), pen.look.theme.class(class));
            x + 2
        }
    };
    pen.put(x, y, words.len() as u16, words, Role::Plain)
}

/// The lanes that fit, about the cursor's, and how wide each is.
fn lanes(shown: &MapShown, width: u16) -> (std::ops::Range<usize>, u16) {
    let count = shown.surveyed.upright();
    let lane = (width / count.max(1) as u16).clamp(5, WIDEST);
    let fit = usize::from(width / lane).max(1).min(count);
    let first = shown.lane.min(count.saturating_sub(1)).saturating_sub(fit / 2).min(count - fit);
    (first..first + fit, lane)
}

/// Columns of a cell's bar, and whether its least thickness stands beside it.
fn bar_of(lane: u16) -> (u16, bool) {
    if lane >= WITH_NUMBER { (lane - 8, true) } else { (lane - 2, false) }
}

fn upright(app: &App, shown: &MapShown, pen: &mut Pen, area: Rect) {
    let surveyed = &shown.surveyed;
    let unit = pen.look.unit;
    let (visible, lane) = lanes(shown, area.width.saturating_sub(RULER));
    let mut rows = AreaRows::of(area);
    let head = rows.take(3);
    pen.put(head.x + 1, head.y, RULER - 1, "line", Role::Quiet);
    pen.put(head.x + 1, head.y + 1, RULER - 1, "azimuth", Role::Quiet);
    pen.put(head.x + 1, head.y + 2, RULER - 1, &format!("min {}", unit.thickness_symbol()), Role::Quiet);
    let wall = rows.rest();
    let (step, foot, count) = (shown.step(), shown.foot(), shown.rows());
    // Everything where it fits, each row then as tall as there is room; otherwise about the cursor.
    let tall = (usize::from(wall.height) / count).max(1);
    let fit = (usize::from(wall.height) / tall).min(count);
    let row = if shown.lane < surveyed.upright() { shown.row } else { 0 };
    let first = row.saturating_sub(fit / 2).min(count - fit);
    for index in first..first + fit {
        let y = wall.y + ((first + fit - 1 - index) * tall) as u16;
        let from = foot + step * index as f64;
        let here = index == row && shown.lane < surveyed.upright();
        let label = text::ruler(from, step, unit);
        // A row is named by its lower edge.
        pen.put(wall.x, y + tall as u16 - 1, RULER - 2, &format!("{label:>7}"), if here { Role::Strong } else { Role::Quiet });
        for seam in surveyed.seams.iter().filter(|seam| **seam >= from && **seam < from + step) {
            let line = ((*seam - from) / step * tall as f64).floor() as u16;
            pen.cell(wall.x + RULER - 1, y + tall as u16 - 1 - line, pen.look.glyphs.shapes().seam, Role::Strong);
        }
    }
    if count > fit {
        let words = if first + fit < count && first > 0 {
            "more above and below"
        } else if first > 0 {
            "more below"
        } else {
            "more above"
        };
        pen.put(head.right().saturating_sub(words.len() as u16 + 1), head.y, words.len() as u16, words, Role::Quiet);
    }
    let hidden = surveyed.upright() - visible.len();
    for (column, index) in visible.clone().enumerate() {
        let Some(band) = surveyed.band(index) else { continue };
        let x = area.x + RULER + column as u16 * lane;
        let line = app.contents.plan.line(&band.line).and_then(|line| line.azimuth_deg);
        let beside = line.and_then(|degrees| surveyed.beside(band, degrees));
        lane_head(surveyed, (band, beside), pen, Rect { x, y: head.y, width: lane - 1, height: 3 }, index == shown.lane);
        let cells = surveyed.cells(index, foot + step * first as f64, foot + step * (first + fit) as f64, fit);
        for (offset, cell) in cells.iter().enumerate() {
            let y = wall.y + ((fit - 1 - offset) * tall) as u16;
            let here = index == shown.lane && first + offset == row;
            let planned = band.planned.0 < cell.to && band.planned.1 > cell.from;
            upright_cell(cell, (planned, here), pen, Rect { x, y, width: lane, height: tall as u16 });
            if !here && hand::least_in(app, &band.line, cell.from, cell.to).is_some() {
                pen.cell(x, y, BY_HAND, Role::Strong);
            }
        }
    }
    if hidden > 0 {
        let words = format!("lines {} to {} of {}", visible.start + 1, visible.end, surveyed.upright());
        pen.put(head.right().saturating_sub(words.len() as u16 + 1), head.y + 1, words.len() as u16, &words, Role::Cursor);
    }
}

fn lane_head(surveyed: &Surveyed, (band, beside): (&MapBand, Option<Length>), pen: &mut Pen, area: Rect, here: bool) {
    let Rect { x, y, width, .. } = area;
    let name = text::clip(&safe_text(&band.line), usize::from(width));
    pen.put(x + 1, y, width, &name, if here { Role::Cursor } else { Role::Strong });
    // A stripe beside its line is named by how far: their azimuths differ by less than a degree.
    let aside = beside.filter(|aside| aside.as_mm().abs() >= 0.5);
    match (surveyed.azimuth(band), aside) {
        (Some(_), Some(aside)) => {
            let words = match pen.look.unit {
                LengthUnit::Mm => format!("{:+.0} mm", aside.as_mm()),
                LengthUnit::Inch => format!("{:+.1} in", aside.as_mm() / 25.4),
            };
            pen.put(x + 1, y + 1, width, &words, Role::Plain);
        }
        (Some(degrees), None) => {
            pen.put(x + 1, y + 1, width, &format!("{degrees:.0}°"), Role::Plain);
        }
        (None, _) => {}
    }
    let least = band.strip.extent().and_then(|(from, to)| band.strip.stretch(from, to).least);
    let least = least.map_or_else(|| "none".to_owned(), |least| pen.look.unit.thickness(least));
    // A number that does not fit would be another number.
    if least.len() <= usize::from(width) {
        pen.put(x + 1, y + 2, width, &least, Role::Plain);
    }
}

/// A cell of an upright line: the planned stretch at its edge, its bar, and its least thickness where there is room.
fn upright_cell(cell: &MapCell, (planned, here): (bool, bool), pen: &mut Pen, area: Rect) {
    let (bar, number) = bar_of(area.width);
    for y in area.top()..area.bottom() {
        if planned {
            pen.cell(area.x, y, pen.look.glyphs.shapes().divider, Role::Quiet);
        }
        fill(cell, pen, Rect { x: area.x + 1, y, width: bar, height: 1 });
    }
    if here {
        pen.cell(area.x, area.y, '[', Role::Cursor);
        pen.cell(area.x + 1 + bar, area.y, ']', Role::Cursor);
    }
    if let (true, Some(least)) = (number, cell.bin.least) {
        let style = match cell.class {
            Class::Thin | Class::Watch => pen.look.theme.class(cell.class),
            _ => pen.look.theme.style(Role::Plain),
        };
        pen.put_style(area.x + 2 + bar, area.y, 6, &pen.look.unit.thickness(least), style);
    }
}

/// A bar filled as far as its stretch was read, then as far as it was driven without an echo. Rounded down, but what was
/// read at all shows its glyph.
fn fill(cell: &MapCell, pen: &mut Pen, area: Rect) {
    let width = f64::from(area.width);
    let columns = |share: f64| if share > 0.0 { ((share * width + 1e-9).floor() as u16).max(1) } else { 0 };
    let read = columns(cell.read).min(area.width);
    let lost = columns(cell.no_echo).min(area.width - read);
    for x in 0..read {
        pen.cell_style(area.x + x, area.y, pen.look.glyphs.class(cell.class), pen.look.theme.class(cell.class));
    }
    for x in read..read + lost {
        pen.cell_style(area.x + x, area.y, pen.look.glyphs.class(Class::NoEcho), pen.look.theme.class(Class::NoEcho));
    }
}

/// Lines across, the highest on top: cells along the circumference.
fn round(app: &App, shown: &MapShown, pen: &mut Pen, area: Rect) {
    let surveyed = &shown.surveyed;
    let across = surveyed.lanes() - surveyed.upright();
    if across == 0 || area.height == 0 {
        return;
    }
    let unit = pen.look.unit;
    let (low, high) = surveyed.round();
    let place = |place: Length| format!("{} {}", unit.place(place), unit.place_symbol());
    const NAME: u16 = 18;
    let each = (area.width.saturating_sub(NAME + 2) / CELLS_ACROSS as u16).max(1);
    pen.title(Rect { height: 1, ..area }, "lines across, from azimuth 0", &format!("{} to {}", place(low), place(high)));
    let room = usize::from(area.height - 1).min(across);
    let cursor = shown.lane.checked_sub(surveyed.upright());
    let below = cursor.map_or(0, |cursor| (across - 1 - cursor).saturating_sub(room.saturating_sub(1)));
    for row in 0..room {
        let index = surveyed.lanes() - 1 - below - row;
        let Some(band) = surveyed.band(index) else { continue };
        let y = area.y + 1 + row as u16;
        let elevation = match band.lie {
            backwall_survey::strip::map::Orientation::Across { elevation } => place(elevation),
            backwall_survey::strip::map::Orientation::Upright { .. } => String::new(),
        };
        let here = index == shown.lane;
        let name = text::clip(&safe_text(&band.line), 7);
        pen.put(area.x + 1, y, 8, &name, if here { Role::Cursor } else { Role::Strong });
        pen.put(area.x + 9, y, NAME - 9, &elevation, Role::Plain);
        for (column, cell) in surveyed.cells(index, low, high, CELLS_ACROSS).iter().enumerate() {
            let x = area.x + NAME + column as u16 * each;
            fill(cell, pen, Rect { x, y, width: each, height: 1 });
            if hand::least_in(app, &band.line, cell.from, cell.to).is_some() {
                pen.cell(x, y, BY_HAND, Role::Strong);
            }
            if here && column == shown.column {
                let style = pen.look.theme.style(Role::Cursor);
                for x in x..x + each {
                    let c = pen.buffer[(x, y)].symbol().chars().next().filter(|c| *c != ' ').unwrap_or('+');
                    pen.cell_style(x, y, c, style);
                }
            }
        }
    }
}

/// What is known of the cell the cursor is on.
fn cursor_line(app: &App, shown: &MapShown, pen: &mut Pen, area: Rect) {
    let Some((band, cell)) = shown.cell() else { return };
    let unit = pen.look.unit;
    let by_hand = hand::least_in(app, &band.line, cell.from, cell.to);
    let by_hand =
        by_hand.map_or_else(String::new, |least| format!(", {BY_HAND} {} {} by hand", unit.thickness(least), unit.thickness_symbol()));
    let of = |with_lost| format!("{} {}{by_hand}", safe_text(&band.line), cell_words(&cell, with_lost, unit));
    // Readings without an echo are hatched in the cell: where not all has room they are not counted beneath it.
    let words = Some(of(true)).filter(|words| text::columns(words) < usize::from(area.width)).unwrap_or_else(|| of(false));
    let role = match cell.class {
        Class::Thin => Role::Thin,
        Class::Watch => Role::Watch,
        _ => Role::Strong,
    };
    pen.put(area.x + 1, area.y, area.width - 1, &words, role);
}

fn cell_words(cell: &MapCell, with_lost: bool, unit: LengthUnit) -> String {
    let stretch = format!("{} to {} {}", unit.place(cell.from), unit.place(cell.to), unit.place_symbol());
    let percent = |share: f64| match share * 100.0 {
        share if share > 0.0 && share < 1.0 => "under 1 %".to_owned(),
        share => format!("{:.0} %", (share + 1e-9).floor()),
    };
    if cell.bin.is_empty() {
        return format!("{stretch}: not scanned");
    }
    let lost = if cell.bin.lost > 0 && with_lost {
        format!(", {} of {} no echo", cell.bin.lost, cell.bin.lost + cell.bin.read)
    } else {
        String::new()
    };
    match cell.bin.least {
        Some(least) => format!(
            "{stretch}: min {} {}, {}, {} read{lost}",
            unit.thickness(least),
            unit.thickness_symbol(),
            cell.class.words(),
            percent(cell.read)
        ),
        None => format!("{stretch}: no echo in {} readings", cell.bin.lost),
    }
}
