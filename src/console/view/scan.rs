//! The scan screen: before a run what stands against it, during a run everything the operator steers by.

use super::pen::{AreaRows, Pen};
use super::review::hand;
use super::section::{self, Extra, Lookout, SectionView};
use super::wave::{self, Wave};
use super::{WIDE, channels, panels, reading};
use crate::console::state::{App, ShownRun};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::live::Phase;
use crate::live::wall::{Glimpse, SpreadOf, WallAsk};
use backwall_store::RunSummary;
use backwall_survey::job::validity::Validity;
use backwall_units::Length;
use ratatui::layout::Rect;

/// No run is going.
pub fn ready(app: &App, pen: &mut Pen, area: Rect) {
    let mut rows = AreaRows::of(area);
    pen.title(rows.take(1), "scan", "");
    let lines = &app.contents.plan.lines;
    pen.put(area.x + 1, area.y + 1, area.width, "line to scan:", Role::Plain);
    rows.take(1);
    super::prepare::lines(app, pen, rows.take((lines.len() as u16).min(area.height / 3).max(1)));
    rows.take(1);
    let obstacles = app.in_the_way();
    if obstacles.is_empty() {
        let taken = rows.take(2);
        pen.put(taken.x + 1, taken.y, taken.width, "READY: nothing stops scanning. s starts the run.", Role::Strong);
        caution(app, pen, &mut rows);
        rows.take(1);
        warnings(app, &obstacles, pen, rows.rest());
        return;
    }
    let taken = rows.take(1);
    let words = format!("BLOCKED: scanning is not allowed ({})", backwall_report::words::count(obstacles.len() as u64, "reason"));
    pen.put(taken.x + 1, taken.y, taken.width - 1, &words, Role::Fault);
    let caution_rows = caution_lines(app, area.width).len() as u16;
    let room = rows.left().saturating_sub(2 + caution_rows);
    let shapes = pen.look.glyphs.shapes();
    let all: Vec<(char, String)> = obstacles
        .iter()
        .flat_map(|reason| {
            let broken = text::wrap(&safe_text(reason), usize::from(area.width.saturating_sub(5)));
            broken.into_iter().enumerate().map(|(index, line)| (if index == 0 { shapes.missing } else { ' ' }, line)).collect::<Vec<_>>()
        })
        .collect();
    for (row, (glyph, words)) in all.iter().take(usize::from(room)).enumerate() {
        let taken = rows.take(1);
        if row + 1 == usize::from(room) && all.len() > usize::from(room) {
            pen.put(
                taken.x + 1,
                taken.y,
                taken.width - 1,
                &format!("  and {} more lines; Tab to checklist and calibration", all.len() - row),
                Role::Plain,
            );
        } else {
            pen.put(taken.x + 1, taken.y, taken.width - 1, &format!("{glyph} {words}"), Role::Plain);
        }
    }
    rows.take(1);
    let taken = rows.take(1);
    pen.put(taken.x + 1, taken.y, taken.width - 1, "o overrides, with your name and a reason kept in the job", Role::Plain);
    caution(app, pen, &mut rows);
    warnings(app, &obstacles, pen, rows.rest());
}

/// The checklist's general caution, whole.
fn caution_lines(app: &App, width: u16) -> Vec<String> {
    match app.contents.checklist.caution.as_str() {
        "" => Vec::new(),
        words => text::wrap_to(&format!("CAUTION: {}", safe_text(words)), usize::from(width - 2), 3),
    }
}

fn caution(app: &App, pen: &mut Pen, rows: &mut AreaRows) {
    for line in caution_lines(app, rows.width()) {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width - 1, &line, Role::Watch);
    }
}

/// What is good to know; what stops scanning stands above it already.
fn warnings(app: &App, obstacles: &[String], pen: &mut Pen, area: Rect) {
    let calibration = app.calibration();
    let mut notes = vec![format!("calibration {}: {}", super::header::word(&calibration), calibration.why(app.look.unit))];
    if app
        .bench
        .as_ref()
        .is_some_and(|bench| bench.view.fitted().is_some_and(|fitted| !crate::live::bench::in_force(&app.contents, &fitted.setup)))
    {
        notes.push("a calibration on blocks is not kept: a run now reads with the set-up before it".to_owned());
    }
    notes.extend(app.out_of_date().into_iter().filter(|words| !obstacles.contains(words)));
    let role = if matches!(calibration, Validity::Valid) && notes.len() == 1 { Role::Plain } else { Role::Watch };
    let width = usize::from(area.width.saturating_sub(2));
    let lines = notes.iter().flat_map(|words| text::wrap(&format!("note: {}", safe_text(words)), width));
    for (row, words) in lines.enumerate().take(usize::from(area.height)) {
        pen.put(area.x + 1, area.y + row as u16, area.width - 1, &words, role);
    }
}

/// A run is going, or has just ended.
pub fn running(app: &App, scan: &ShownRun, pen: &mut Pen, body: Rect) {
    let mut rows = AreaRows::of(body);
    channels::draw(scan, pen, rows.take(channels::height(scan)));
    let body = rows.rest();
    match (scan.view.direction.is_upright(), body.width >= WIDE && body.height >= 30) {
        (true, false) => narrow(app, scan, pen, body),
        (true, true) => wide(app, scan, pen, body),
        (false, is_wide) => across(app, scan, pen, body, is_wide),
    }
}

/// The part of the wall that a picture shows, copied, and where on it the section looks.
struct WallInSight {
    wall: Glimpse,
    lookout: Lookout,
    /// Places on the line that were read by hand.
    hand: Vec<(Length, Length)>,
}

impl WallInSight {
    fn take(app: &App, scan: &ShownRun, section: Rect, body: Rect, spread: Option<SpreadOf>) -> Self {
        let wall = scan.wall();
        let at = scan.view.reading.as_ref().and_then(|reading| reading.place.along);
        let lookout = Lookout { direction: scan.view.direction, at, look: scan.look, span: wall.span };
        let ask = WallAsk { window: lookout.window(section), lines: usize::from(body.height), spread };
        Self { wall: wall.glimpse(&ask), lookout, hand: hand::places(app, &scan.view.line) }
    }

    fn section<'a>(&'a self, scan: &'a ShownRun) -> SectionView<'a> {
        let course = scan.view.reading.as_ref().map_or(scan.view.course, |reading| reading.place.course);
        let behind = scan.behind.as_ref().map(|behind| (&behind.strip, Length::ZERO));
        let extra = Extra { behind, hand: &self.hand, ..Extra::default() };
        SectionView { wall: &self.wall, limits: &scan.view.limits, lookout: self.lookout, course, extra }
    }
}

fn back_word(scan: &ShownRun, pen: &mut Pen, area: Rect) {
    if let Some(back) = scan.look.back {
        let unit = pen.look.unit;
        let words = format!(" LOOKING BACK at {} {}, Home returns ", unit.place(back), unit.place_symbol());
        pen.put(area.x + 1, area.bottom() - 1, area.width - 1, &words, Role::Cursor);
    }
}

fn narrow(app: &App, scan: &ShownRun, pen: &mut Pen, body: Rect) {
    let left = Rect { width: (body.width / 2).max(30), ..body };
    let right = Rect { x: left.right() + 1, width: body.width - left.width - 1, ..body };
    pen.down(left.right(), body);
    let sight = WallInSight::take(app, scan, left, body, None);
    section::upright(&sight.section(scan), pen, left);
    back_word(scan, pen, left);
    let mut rows = AreaRows::of(right);
    reading::draw(app, scan, pen, rows.take(reading::height(pen)));
    if let Phase::Ended(summary) = &scan.view.phase {
        ended(scan, summary, pen, rows.take(11));
        panels::spots(&sight.wall, pen, rows.rest());
        return;
    }
    let fixed = 3 + 2 + 1;
    let waves = rows.left().saturating_sub(fixed).clamp(6, 14);
    waveform(app, scan, pen, rows.take(waves));
    let spots = rows.left().saturating_sub(3).clamp(2, 8);
    panels::spots(&sight.wall, pen, rows.take(spots));
    let notes = rows.left().saturating_sub(1);
    panels::notes(&sight.wall, &scan.view.saved, pen, rows.take(notes), notes > 3);
    panels::link_line(app, scan, pen, rows.take(1));
}

fn wide(app: &App, scan: &ShownRun, pen: &mut Pen, body: Rect) {
    let left = Rect { width: body.width / 3, ..body };
    let middle = Rect { x: left.right() + 1, width: (body.width - left.width) / 2 - 1, ..body };
    let right = Rect { x: middle.right() + 1, width: body.right() - middle.right() - 1, ..body };
    pen.down(left.right(), body);
    pen.down(middle.right(), body);
    let at = scan.view.reading.as_ref().map_or(Some(scan.view.start), |reading| reading.place.along);
    let sight = WallInSight::take(app, scan, left, body, Some(panels::spread_of(&scan.view.limits, at)));
    section::upright(&sight.section(scan), pen, left);
    back_word(scan, pen, left);
    let mut rows = AreaRows::of(middle);
    reading::draw(app, scan, pen, rows.take(reading::height(pen)));
    waveform(app, scan, pen, rows.take((body.height / 3).max(10)));
    panels::histogram(&sight.wall, &scan.view.limits, at, pen, rows.rest());
    side(app, scan, &sight.wall, pen, right);
}

/// Spots, notes, link; or how the run ended.
fn side(app: &App, scan: &ShownRun, wall: &Glimpse, pen: &mut Pen, area: Rect) {
    let mut rows = AreaRows::of(area);
    if let Phase::Ended(summary) = &scan.view.phase {
        ended(scan, summary, pen, rows.take(13));
    }
    let link = 15.min(area.height / 2);
    let spots = rows.left().saturating_sub(link) * 3 / 5;
    panels::spots(wall, pen, rows.take(spots));
    let notes = rows.left().saturating_sub(link);
    panels::notes(wall, &scan.view.saved, pen, rows.take(notes), true);
    panels::link(app, scan, pen, rows.rest());
}

fn across(app: &App, scan: &ShownRun, pen: &mut Pen, body: Rect, is_wide: bool) {
    let mut rows = AreaRows::of(body);
    let top = rows.take(if is_wide { body.height * 2 / 5 } else { reading::height(pen) });
    let section_rows = if is_wide { rows.left() / 2 } else { rows.left().saturating_sub(4) };
    let middle = rows.take(section_rows);
    let bottom = rows.rest();
    let sight = WallInSight::take(app, scan, middle, body, Some(SpreadOf::Line));
    let wall = &sight.wall;
    let reading_area = Rect { width: top.width / 2, height: top.height.min(reading::height(pen)), ..top };
    reading::draw(app, scan, pen, reading_area);
    if top.height > reading_area.height + 5 {
        let below = Rect { y: reading_area.bottom(), height: top.height - reading_area.height, ..reading_area };
        panels::histogram(wall, &scan.view.limits, None, pen, below);
    }
    pen.down(reading_area.right(), top);
    let wave_area = Rect { x: reading_area.right() + 1, width: top.width - reading_area.width - 1, ..top };
    waveform(app, scan, pen, wave_area);
    section::flat(&sight.section(scan), pen, middle);
    back_word(scan, pen, middle);
    if let (Phase::Ended(summary), false) = (&scan.view.phase, is_wide) {
        ended(scan, summary, pen, bottom);
        return;
    }
    let half = Rect { width: bottom.width / 2, ..bottom };
    let other = Rect { x: half.right() + 1, width: bottom.width - half.width - 1, ..bottom };
    if is_wide {
        let third = Rect { width: bottom.width / 3, ..bottom };
        panels::spots(wall, pen, third);
        panels::link(app, scan, pen, Rect { x: third.right() + 1, width: third.width - 1, ..bottom });
        let last = Rect { x: third.right() * 2 + 1, width: bottom.right().saturating_sub(third.right() * 2 + 1), ..bottom };
        match &scan.view.phase {
            Phase::Ended(summary) => ended(scan, summary, pen, last),
            _ => panels::notes(wall, &scan.view.saved, pen, last, true),
        }
    } else {
        panels::spots(wall, pen, half);
        panels::notes(wall, &scan.view.saved, pen, Rect { height: bottom.height.saturating_sub(1), ..other }, true);
        panels::link_line(app, scan, pen, Rect { y: bottom.bottom().saturating_sub(1), height: 1, ..other });
    }
}

fn waveform(app: &App, scan: &ShownRun, pen: &mut Pen, area: Rect) {
    if area.height < 5 {
        return;
    }
    let (waveform, shown) = match &scan.frozen {
        Some(frozen) => (Some(&frozen.waveform), Some(&frozen.reading)),
        None => (scan.view.waveform.as_ref(), scan.view.reading.as_ref()),
    };
    let title = Rect { height: 1, ..area };
    let Some(waveform) = waveform else {
        pen.title(title, "A-scan", "");
        pen.put(
            area.x + 1,
            area.y + 1,
            area.width - 1,
            if scan.replay.is_some() { "this reading has no waveform" } else { "the device sends no waveform" },
            Role::Quiet,
        );
        return;
    };
    let picture = Rect { y: area.y + 1, height: area.height - 1, ..area };
    let measurement = shown.map(|reading| &reading.measurement);
    let wave = Wave { waveform, setup: &scan.view.setup, measurement, whole: app.wave_whole };
    // What is held still has its own height; the live picture keeps its height for a while.
    let height = if scan.frozen.is_some() { wave.height() } else { wave.height().max(scan.scale.height()) };
    let height = wave::draw(&wave, height, pen, picture);
    let full = format!("±{height:.0} %");
    let threshold = scan.view.setup.gate.threshold_pct;
    match (&scan.frozen, shown.and_then(|reading| reading.place.along)) {
        (Some(_), Some(along)) => {
            let words = format!("FROZEN at {} {}", pen.look.unit.place(along), pen.look.unit.place_symbol());
            pen.title(title, &words, &full);
        }
        (Some(_), None) => pen.title(title, "FROZEN waveform", &full),
        (None, _) => {
            let name = if scan.stale_s(app.now_us).is_some() { "A-scan, OLD" } else { "A-scan" };
            pen.title(title, name, &format!("{full}, gate {threshold:.0} %"));
        }
    }
}

/// How a run ended, in words.
pub fn ended(scan: &ShownRun, summary: &RunSummary, pen: &mut Pen, area: Rect) {
    if area.height == 0 {
        return;
    }
    pen.title(Rect { height: 1, ..area }, &format!("run {} has ended", summary.id), "");
    let mut lines = vec![(safe_text(&summary.reason), Role::Strong)];
    lines.extend(summary_lines(summary, pen.look.unit).into_iter().map(|line| (line, Role::Plain)));
    lines.push((String::new(), Role::Plain));
    let then = if scan.replay.is_some() { "r plays it again, Esc goes back" } else { "Enter reviews it, Esc goes back" };
    lines.push((then.to_owned(), Role::Plain));
    for (row, (words, role)) in lines.iter().enumerate().take(usize::from(area.height - 1)) {
        let words = text::clip(words, usize::from(area.width - 1));
        pen.put(area.x + 1, area.y + 1 + row as u16, area.width - 1, &words, *role);
    }
}

/// The numbers of a run, one a line.
pub fn summary_lines(summary: &RunSummary, unit: backwall_units::LengthUnit) -> Vec<String> {
    let place = |place| format!("{} {}", unit.place(place), unit.place_symbol());
    let mut lines = vec![format!("{} saved", backwall_report::words::count(summary.readings, "reading"))];
    lines.push(format!("{} without echo, {} lost", summary.no_echo, backwall_report::words::count(summary.lost, "shot")));
    lines.push(backwall_report::words::count(summary.spots, "spot"));
    if let Some(least) = summary.least {
        let at = summary.least_at.map_or_else(String::new, |at| format!(" at {}", place(at)));
        lines.push(format!("min {} {}{at}", unit.thickness(least), unit.thickness_symbol()));
    }
    let path = &summary.start.path;
    if path.offset != Length::ZERO {
        lines.push(format!("started at {}, {} from the line's start", place(path.start), place(path.offset)));
    }
    if let (Some(from), Some(to)) = (summary.from, summary.to) {
        lines.push(format!("from {} to {}", place(from), place(to)));
    }
    lines.push(match &summary.digest {
        Some(digest) => format!("sealed {}", digest.get(..16).unwrap_or(digest)),
        None => "not sealed".to_owned(),
    });
    if let Some(reason) = &summary.start.checklist_override {
        lines.push(format!("OVERRIDE: {}", safe_text(reason)));
    }
    lines
}
