//! Statistics of the lines as a table, and of the chosen row everything, with its histogram and the limits in it.

use crate::console::glyphs::Shapes;
use crate::console::survey::statistics::{By, Figures, StatisticsPart, StatisticsShown};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::console::view::pen::{AreaRows, Pen};
use crate::console::view::section::BY_HAND;
use backwall_report::words::percent;
use backwall_survey::strip::Level;
use backwall_survey::strip::histogram::Histogram;
use backwall_survey::strip::statistics::{Percentiles, Statistics};
use backwall_units::{Length, LengthUnit};
use ratatui::layout::Rect;

pub fn draw(shown: &StatisticsShown, pen: &mut Pen, body: Rect) {
    let mut rows = AreaRows::of(body);
    let unit = pen.look.unit;
    let title = match shown.by {
        By::Line => "statistics by line".to_owned(),
        By::Course => format!("statistics of {} by course", safe_text(&shown.line)),
        By::Interval => format!("statistics of {}, each {}", safe_text(&shown.line), text::stretch(unit, shown.interval(unit))),
    };
    let head = rows.take(1);
    let Some(figures) = shown.figures.as_ref().filter(|figures| figures.progress.done) else {
        let progress = shown.figures.as_ref().map(|figures| figures.progress).unwrap_or_default();
        let share = (100 * progress.read).checked_div(progress.of).unwrap_or(0).min(100);
        pen.title(head, &title, &format!("reading {share} %: {} of {}", progress.read, progress.of));
        let taken = rows.take(2);
        let words = "the readings are being read: there are no statistics of a part";
        pen.put(taken.x + 1, taken.y + 1, taken.width - 1, words, Role::Plain);
        return;
    };
    let right = if figures.progress.open {
        format!("RECORDING, {} so far", figures.progress.read)
    } else {
        format!("{} readings", figures.progress.read)
    };
    let parts = shown.parts(figures);
    let chosen = shown.chosen(figures);
    let details = chosen.map_or_else(Vec::new, |part| details(part, unit, usize::from(body.width - 2)));
    let histogram = (rows.left() * 2 / 5).clamp(7, 22);
    let table = rows.left().saturating_sub(histogram + details.len() as u16);
    let table = table.min(u16::try_from(parts.len().max(2)).unwrap_or(u16::MAX - 1) + 1);
    // What the table has no room for is not left unsaid.
    let cut = parts.len() > usize::from(table.saturating_sub(1));
    let right = if cut { format!("row {} of {}; {right}", shown.at(figures) + 1, parts.len()) } else { right };
    pen.title(head, &title, &right);
    table_of(shown, figures, &parts, pen, rows.take(table));
    for (words, role) in &details {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width - 1, words, *role);
    }
    if let Some(part) = chosen {
        drawn(part, pen, rows.rest());
    }
}

type CellText = fn(&Statistics, LengthUnit) -> String;

fn dash(length: Option<Length>, unit: LengthUnit) -> String {
    length.map_or_else(|| "-".to_owned(), |length| unit.thickness(length))
}
fn place(along: Option<Length>, unit: LengthUnit) -> String {
    along.map_or_else(|| "-".to_owned(), |along| unit.place(along))
}
fn of_percentile(of: &Statistics, unit: LengthUnit, pick: fn(&Percentiles) -> Length) -> String {
    dash(of.percentiles.as_ref().map(pick), unit)
}
fn share(share: Option<f64>) -> String {
    share.map_or_else(|| "-".to_owned(), percent)
}

/// A column: its head, its width, and how much it is wanted (1 the most).
struct StatisticsColumn(&'static str, u16, u8, CellText);

/// In the order they stand.
const COLUMNS: &[StatisticsColumn] = &[
    StatisticsColumn("readings", 9, 1, |of, _| of.readings.to_string()),
    StatisticsColumn("no echo", 8, 1, |of, _| share(of.no_echo_share)),
    StatisticsColumn("min", 6, 1, |of, unit| dash(of.least.map(|found| found.thickness), unit)),
    StatisticsColumn("at", 8, 1, |of, unit| place(of.least.and_then(|found| found.along), unit)),
    StatisticsColumn("1 %", 7, 3, |of, unit| of_percentile(of, unit, |p| p.p1)),
    StatisticsColumn("5 %", 6, 1, |of, unit| of_percentile(of, unit, |p| p.p5)),
    StatisticsColumn("25 %", 7, 3, |of, unit| of_percentile(of, unit, |p| p.p25)),
    StatisticsColumn("median", 7, 2, |of, unit| of_percentile(of, unit, |p| p.p50)),
    StatisticsColumn("75 %", 7, 3, |of, unit| of_percentile(of, unit, |p| p.p75)),
    StatisticsColumn("95 %", 7, 3, |of, unit| of_percentile(of, unit, |p| p.p95)),
    StatisticsColumn("greatest", 9, 3, |of, unit| dash(of.greatest.map(|found| found.thickness), unit)),
    StatisticsColumn("mean", 6, 1, |of, unit| dash(of.mean, unit)),
    StatisticsColumn("st.dev", 7, 1, |of, unit| dash(of.deviation, unit)),
    StatisticsColumn("THIN", 7, 3, |of, _| of.thin.to_string()),
    StatisticsColumn("WATCH", 7, 3, |of, _| of.watch.to_string()),
    StatisticsColumn("poor", 7, 3, |of, _| of.poor.to_string()),
    StatisticsColumn("gap", 7, 1, |of, unit| place(of.coverage.as_ref().map(|of| of.largest_gap.length()), unit)),
    StatisticsColumn("over", 6, 3, |of, _| {
        of.coverage.as_ref().and_then(|of| of.gaps_over).map_or_else(|| "-".to_owned(), |gaps| gaps.to_string())
    }),
    StatisticsColumn("covered", 8, 1, |of, _| share(of.coverage.as_ref().and_then(|of| of.share))),
];

/// Columns that fit into a width: the most wanted first, in their order.
fn fitting(width: u16) -> Vec<&'static StatisticsColumn> {
    let sum = |most: u8| COLUMNS.iter().filter(|column| column.2 <= most).map(|column| column.1).sum::<u16>();
    let most = (1..=3).rev().find(|most| sum(*most) <= width).unwrap_or(1);
    COLUMNS.iter().filter(|column| column.2 <= most).collect()
}

fn name_of(part: &StatisticsPart, unit: LengthUnit) -> String {
    let by_hand = if part.row.by_hand.places > 0 { format!(" {BY_HAND}") } else { String::new() };
    let name = match (part.row.edges, part.row.scope, part.row.course) {
        (Some((from, _)), ..) => format!("from {}", unit.place(from)),
        (None, "course", Some(course)) => format!("course {course}"),
        (None, "course", None) => "no course".to_owned(),
        _ if part.row.calibration == "suspect" => format!("{} SUSPECT", safe_text(&part.row.line)),
        _ => safe_text(&part.row.line),
    };
    name + &by_hand
}

fn table_of(shown: &StatisticsShown, figures: &Figures, parts: &[&StatisticsPart], pen: &mut Pen, area: Rect) {
    if area.height == 0 {
        return;
    }
    let unit = pen.look.unit;
    let name = if area.width >= 120 { 18 } else { 14 };
    let columns = fitting(area.width.saturating_sub(name + 1));
    let mut x = area.x + name;
    pen.put(area.x + 1, area.y, name, &format!("{}, {}", unit.thickness_symbol(), unit.place_symbol()), Role::Quiet);
    for StatisticsColumn(head, width, ..) in &columns {
        pen.put(x, area.y, *width, &format!("{head:>0$}", usize::from(*width)), Role::Quiet);
        x += width;
    }
    if parts.is_empty() {
        let no_run = figures.lines.iter().any(|of| of.line == shown.line && of.whole.row.runs.is_empty());
        let words = match (&figures.trouble, shown.by) {
            _ if no_run => format!("line {} has no run: it was not scanned", safe_text(&shown.line)),
            (Some(words), By::Interval) => safe_text(words),
            (_, By::Interval) if figures.interval != (shown.line.clone(), shown.interval(unit)) => "being worked out".to_owned(),
            _ => "no intervals".to_owned(),
        };
        pen.put(area.x + 1, area.y + 1, area.width - 1, &words, Role::Plain);
        return;
    }
    let room = usize::from(area.height - 1);
    let cursor = shown.at(figures);
    let top = cursor.saturating_sub(room / 2).min(parts.len().saturating_sub(room));
    for (row, part) in parts.iter().enumerate().skip(top).take(room) {
        let y = area.y + 1 + (row - top) as u16;
        let here = row == cursor;
        let of = &part.row.statistics;
        let level = match (of.thin, of.watch) {
            (0, 0) => None,
            (0, _) => Some(Level::Watch),
            _ => Some(Level::Thin),
        };
        let role = if here { Role::Cursor } else { Role::Plain };
        let glyph = level.map_or(' ', |level| pen.look.glyphs.level(level));
        let words = text::clip(&name_of(part, unit), usize::from(name - 2));
        pen.put(area.x, y, name, &format!("{glyph}{words:<0$}", usize::from(name - 1)), role);
        let mut x = area.x + name;
        for StatisticsColumn(head, width, _, read) in &columns {
            let words = read(of, unit);
            // A number that does not fit its column would be another number.
            let words = if words.len() > usize::from(*width) { "*".to_owned() } else { words };
            let style = match (*head, here, level) {
                ("min", false, Some(level)) => pen.look.theme.level(level),
                _ => pen.look.theme.style(role),
            };
            pen.put_style(x, y, *width, &format!("{words:>0$}", usize::from(*width)), style);
            x += width;
        }
    }
}

/// Run numbers with a space between, in words.
fn runs_of(runs: &str) -> String {
    backwall_report::words::runs(&runs.split(' ').collect::<Vec<_>>())
}

/// Everything known of the chosen row, in words.
fn details(part: &StatisticsPart, unit: LengthUnit, width: usize) -> Vec<(String, Role)> {
    let (row, of) = (&part.row, &part.row.statistics);
    let (symbol, places) = (unit.thickness_symbol(), unit.place_symbol());
    let stretch = row.edges.map_or_else(String::new, |(from, to)| format!(" from {} to {} {places}", unit.place(from), unit.place(to)));
    let course = row.course.map_or_else(String::new, |course| format!(" course {course}"));
    let runs = match (row.runs.is_empty(), row.calibration) {
        (true, _) => "no run".to_owned(),
        (false, "suspect") => format!("{}, cal SUSPECT", runs_of(&row.runs)),
        (false, word) => format!("{}, cal {word}", runs_of(&row.runs)),
    };
    let unplaced = if of.unplaced > 0 { format!(", {} without a place", of.unplaced) } else { String::new() };
    let mut words = format!(
        "{}{course}{stretch} ({runs}): {} THIN, {} WATCH, {} poor, {} of {} without echo{unplaced}.",
        safe_text(&row.line),
        of.thin,
        of.watch,
        of.poor,
        of.no_echo,
        of.readings
    );
    if let (Some(p), Some(greatest)) = (&of.percentiles, &of.greatest) {
        let each = [(1, p.p1), (5, p.p5), (25, p.p25), (50, p.p50), (75, p.p75), (95, p.p95)];
        let each: Vec<_> = each.iter().map(|(share, value)| format!("{share} % {}", unit.thickness(*value))).collect();
        words = format!("{words} Percentiles {}, greatest {} {symbol}.", each.join(", "), unit.thickness(greatest.thickness));
    }
    if let Some(coverage) = &of.coverage {
        let gap = coverage.largest_gap;
        let over = match coverage.gaps_over {
            None => String::new(),
            Some(1) => ", 1 gap longer than allowed".to_owned(),
            Some(over) => format!(", {over} gaps longer than allowed"),
        };
        words = format!(
            "{words} Largest gap {} at {} {places}{over}; covered {} of {} to {} {places}.",
            text::stretch(unit, gap.length()),
            unit.place(gap.from),
            share(coverage.share),
            unit.place(coverage.from),
            unit.place(coverage.to)
        );
    }
    if let Some(least) = row.by_hand.least {
        let places = backwall_report::words::count(row.by_hand.places, "place");
        words =
            format!("{words} {BY_HAND}: {places} read by hand, the lowest {} {symbol}, in none of these numbers.", unit.thickness(least));
    }
    let role = if row.calibration == "suspect" { Role::Watch } else { Role::Plain };
    text::wrap(&words, width).into_iter().map(|line| (line, role)).collect()
}

/// How a step of a histogram stands to the limits, by its lower edge: never better than its least reading.
fn level_of(from: Length, part: &StatisticsPart) -> Level {
    match part.required.last() {
        None => Level::Unjudged,
        Some(required) if from < *required => Level::Thin,
        Some(required) if from < *required + part.watch_margin => Level::Watch,
        Some(_) => Level::Clear,
    }
}

/// The histogram upward, with required and nominal thickness in it.
fn drawn(part: &StatisticsPart, pen: &mut Pen, area: Rect) {
    if area.height < 5 {
        return;
    }
    let unit = pen.look.unit;
    let title = Rect { height: 1, ..area };
    let list = |lengths: &[Length]| lengths.iter().map(|length| unit.thickness(*length)).collect::<Vec<_>>().join(", ");
    let shapes = pen.look.glyphs.shapes();
    let mut limits = Vec::new();
    if !part.required.is_empty() {
        limits.push(format!("{} required {}", shapes.required, list(&part.required)));
    }
    if !part.nominal.is_empty() {
        limits.push(format!("{} nominal {}", shapes.nominal, list(&part.nominal)));
    }
    let limits = if part.required.is_empty() { format!("no required thickness  {}", limits.join("  ")) } else { limits.join("  ") };
    let Some(histogram) = &part.histogram else {
        pen.title(title, "histogram", &limits);
        let words = if part.row.statistics.readings == 0 { "nothing was read here" } else { "no reading has a thickness" };
        pen.put(area.x + 1, area.y + 1, area.width - 1, words, Role::Plain);
        return;
    };
    let step = format!("readings in steps of {} {}", thickness_step(histogram.step, unit), unit.thickness_symbol());
    pen.title(title, &step, &limits);
    bars(part, histogram, pen, Rect { y: area.y + 1, height: area.height - 1, ..area });
}

fn thickness_step(step: Length, unit: LengthUnit) -> String {
    match unit {
        LengthUnit::Mm => text::scale_mark(step.as_mm()),
        LengthUnit::Inch => format!("{:.4}", step.as_inch()),
    }
}

fn bars(part: &StatisticsPart, histogram: &Histogram, pen: &mut Pen, area: Rect) {
    const LABEL: u16 = 9;
    let unit = pen.look.unit;
    let shapes = pen.look.glyphs.shapes();
    // The limits are in the picture also where nothing was read near them.
    let (step, first) = (histogram.step, histogram.first);
    let index = |thickness: Length| ((thickness - first) / step + 1e-9).floor() as i64;
    let marks = part.required.iter().chain(&part.nominal).map(|limit| index(*limit));
    let (low, high) = marks.fold((0, histogram.counts.len() as i64 - 1), |(low, high), at| (low.min(at), high.max(at)));
    let room = i64::from(area.width.saturating_sub(LABEL + 1));
    // Too far off to be drawn: the bars alone.
    let (low, high) = if high - low + 1 > room { (0, (histogram.counts.len() as i64 - 1).min(room - 1)) } else { (low, high) };
    let wide = (room / (high - low + 1).max(1)).clamp(1, 8) as u16;
    let tall = area.height.saturating_sub(2);
    let most = histogram.counts.iter().copied().max().unwrap_or(0).max(1);
    pen.put(area.x + 1, area.y + 1, LABEL - 1, &format!("{most:>7}"), Role::Quiet);
    let foot = area.y + tall;
    let is_fine = unit == LengthUnit::Inch && step < Length::inch(0.001);
    let mut free = area.x;
    for at in low..=high {
        let x = area.x + LABEL + (at - low) as u16 * wide;
        let from = first + step * at as f64;
        let count = usize::try_from(at).ok().and_then(|at| histogram.counts.get(at)).copied().unwrap_or(0);
        let level = level_of(from, part);
        let role = if matches!(level, Level::Thin | Level::Watch) { Role::Watch } else { Role::Plain };
        // A step with anything in it shows at least its first stroke: a single thin reading must not vanish.
        // The topmost row is left for the count.
        let height = count as f64 / most as f64 * f64::from(tall - 1);
        let least = 1.0 / (shapes.upward.len() - 1) as f64;
        let height = if count > 0 { height.max(least) } else { 0.0 };
        let bar: Vec<char> = Shapes::bar(shapes.upward, height, usize::from(tall)).collect();
        let edge = |limits: &[Length]| limits.iter().any(|limit| index(*limit) == at);
        let line = match (edge(&part.required), edge(&part.nominal)) {
            (true, _) => Some(shapes.required),
            (false, true) => Some(shapes.nominal),
            _ => None,
        };
        let bar_wide = if wide > 2 { wide - 1 } else { wide };
        for (row, c) in bar.iter().enumerate() {
            let y = foot - 1 - row as u16;
            for column in 0..bar_wide {
                pen.cell(x + column, y, *c, role);
            }
            if let (Some(line), ' ') = (line, *c) {
                pen.cell(x, y, line, Role::Strong);
            }
        }
        let number = count.to_string();
        if count > 0 && number.len() <= usize::from(bar_wide) {
            pen.put(x, foot - 1 - height.ceil() as u16, bar_wide, &number, role);
        }
        let below = if count > 0 { pen.look.glyphs.level(level) } else { shapes.rule };
        for column in 0..wide {
            let c = if column < bar_wide { below } else { shapes.rule };
            pen.cell(x + column, foot, c, if count > 0 { role } else { Role::Quiet });
        }
        let label = if is_fine { text::fine(unit, from) } else { unit.thickness(from) };
        if x >= free && x + label.len() as u16 <= area.right() {
            pen.put(x, foot + 1, label.len() as u16, &label, Role::Quiet);
            free = x + label.len() as u16 + 2;
        }
    }
    pen.put(area.x + 1, foot + 1, LABEL - 1, unit.thickness_symbol(), Role::Quiet);
}
