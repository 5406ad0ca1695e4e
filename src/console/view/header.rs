//! The top line: what must never be guessed. A fault takes it over, in words.

use super::pen::Pen;
use crate::console::Step;
use crate::console::state::{App, ShownRun};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::live::Phase;
use backwall_survey::job::validity::Validity;
use ratatui::layout::Rect;

/// Later than this, saving is behind; later than [`LATE_S`], it is too slow. Common practice, no source.
const BEHIND_S: f64 = 0.5;
const LATE_S: f64 = 2.0;
/// What is left on the disk is counted down from here on.
const LAST_HOUR_S: f64 = 3600.0;

pub fn draw(app: &App, pen: &mut Pen, area: Rect) {
    if let Some(fault) = app.scan.as_ref().and_then(|scan| fault(app, scan)) {
        let style = pen.look.theme.style(Role::Fault);
        pen.fill(area, style);
        let fault = app.not_real().map_or(fault.clone(), |word| format!("{word}  {fault}"));
        pen.put_style(area.x + 1, area.y, area.width - 2, &text::clip(&fault, usize::from(area.width - 2)), style);
        return;
    }
    if app.planning.as_ref().is_some_and(|planning| planning.makes_job()) {
        // There is no job yet that anything could be said of.
        pen.put(area.x + 1, area.y, area.width - 2, "no job yet: k keeps the plan and makes the job", Role::Strong);
        return;
    }
    let plan = &app.contents.plan;
    let gap = if area.width < 100 { 1 } else { 2 };
    let mut parts = Vec::new();
    // First of all, so that nothing pushes it off: what is shown is of no wall.
    parts.extend(app.not_real().map(|word| HeaderPart::of(0, format!(" {word} "), Role::Cursor)));
    parts.push(HeaderPart::of(5, safe_text(&plan.job.number), Role::Strong));
    parts.push(HeaderPart::of(6, safe_text(&plan.asset.name), Role::Strong));
    let replay = app.on_screen().filter(|scan| scan.replay.is_some());
    parts.extend(replay.map(|scan| HeaderPart::of(1, replayed(app, scan), Role::Cursor)));
    match &app.scan {
        Some(scan) if replay.is_none() || app.scanning() => running(app, scan, &mut parts),
        _ if replay.is_some() => parts.extend(due(app)),
        _ => {
            parts.extend(due(app));
            parts.push(HeaderPart::of(8, safe_text(&plan.job.site), Role::Plain));
        }
    }
    let calibration = replay.map_or_else(|| app.calibration(), |scan| app.calibration_of(scan));
    let (role, rank) = if matches!(calibration, Validity::Suspect(_)) { (Role::Fault, 2) } else { (Role::Plain, 5) };
    // Where none was ever made there is none that could wait for its verification.
    let is_none = replay.is_none() && app.scan.is_none() && !app.contents.is_calibrated();
    parts.push(HeaderPart::of(rank, format!("cal {}", if is_none { "NONE" } else { word(&calibration) }), role));
    // The zone stands there where nothing must go for it; screens without a run always have room.
    let needed: u16 = parts.iter().map(|part| part.width() + gap).sum();
    let whole = text::clock_and_zone(app.now_us, pen.look.zone);
    let fits = needed + whole.len() as u16 + 2 <= area.width;
    let clock = if fits { whole } else { text::clock(app.now_us, pen.look.zone) };
    let room = area.right().saturating_sub(clock.len() as u16 + 1);
    let mut x = area.x + 1;
    for part in fitting(parts, room.saturating_sub(x), gap) {
        x = pen.put(x, area.y, part.width(), &part.words, part.role) + gap;
    }
    pen.put(room, area.y, clock.len() as u16, &clock, Role::Plain);
}

/// One thing in the top line; the lower its rank, the longer it stays where there is little room.
struct HeaderPart {
    rank: u8,
    words: String,
    role: Role,
}

impl HeaderPart {
    fn of(rank: u8, words: String, role: Role) -> Self {
        Self { rank, words, role }
    }

    fn width(&self) -> u16 {
        text::columns(&self.words) as u16
    }
}

/// Those that fit, by their rank, in the order they stand in.
fn fitting(mut parts: Vec<HeaderPart>, room: u16, gap: u16) -> Vec<HeaderPart> {
    let mut order: Vec<usize> = (0..parts.len()).collect();
    order.sort_by_key(|index| parts[*index].rank);
    let (mut used, mut stays) = (0, vec![false; parts.len()]);
    for index in order {
        let width = parts[index].width() + gap;
        if used + width <= room {
            used += width;
            stays[index] = true;
        }
    }
    let mut stays = stays.into_iter();
    parts.retain(|_| stays.next().unwrap_or(false));
    parts
}

/// What runs out further ahead than this is not for the top line.
const AHEAD_US: i64 = 24 * 3_600_000_000;
/// What runs out sooner than this is pointed out. Common practice, no source.
const SOON_US: i64 = 30 * 60_000_000;

/// The next thing that runs out and how long it still holds, or what has run out; in the review of stored runs it is nobody's
/// business.
fn due(app: &App) -> Option<HeaderPart> {
    if app.step == Step::Review && !app.scanning() {
        return None;
    }
    let due = app.contents.due(&app.conditions(), &app.channels());
    let over = due.iter().filter(|due| due.at_us <= app.now_us).count();
    let first = due.first()?;
    let what = text::clip(&safe_text(&first.what), 14);
    let left = first.at_us - app.now_us;
    match over {
        0 if left > AHEAD_US => None,
        0 => {
            let minutes = left / 60_000_000;
            let role = if left < SOON_US { Role::Watch } else { Role::Plain };
            // Never in a form that reads as a time of day: the clock stands beside it.
            let left = if minutes < 120 { format!("{minutes} min") } else { format!("{} h", minutes / 60) };
            Some(HeaderPart::of(2, format!("{what} due {left}"), role))
        }
        1 => Some(HeaderPart::of(2, format!("DUE {what}"), Role::Fault)),
        more => Some(HeaderPart::of(2, format!("DUE {what} +{}", more - 1), Role::Fault)),
    }
}

/// How a calibration stands, loud where it must not be overlooked.
pub fn word(validity: &Validity) -> &'static str {
    match validity {
        Validity::Suspect(_) => "SUSPECT",
        _ => validity.word(),
    }
}

/// What is played again, so that nobody takes it for what is now.
fn replayed(app: &App, scan: &ShownRun) -> String {
    let view = &scan.view;
    let replay = scan.replay.unwrap_or_default();
    let state = match (&view.phase, replay.paused) {
        (Phase::Ended(_), _) => "at its end".to_owned(),
        (Phase::Failed(_), _) => "STOPPED".to_owned(),
        (_, true) => "PAUSED".to_owned(),
        (_, false) => replay.pace.word().to_owned(),
    };
    let at = view.reading.as_ref().map_or_else(String::new, |reading| format!(" {}", text::clock(reading.host_time_us, app.look.zone)));
    format!(" REPLAY {} {} run {} {state}{at} ", safe_text(&view.line), view.direction.word(), view.run)
}

fn running(app: &App, scan: &ShownRun, parts: &mut Vec<HeaderPart>) {
    let view = &scan.view;
    let unit = app.look.unit;
    let channel = view.channel.as_ref().map_or_else(String::new, |channel| format!("ch {} ", safe_text(channel)));
    parts.push(HeaderPart::of(3, format!("{} {} {channel}run {}", safe_text(&view.line), view.direction.word(), view.run), Role::Plain));
    let lag = scan.lag_s(app.now_us);
    let saved = match view.saved.along {
        Some(along) => format!("saved {} {}", unit.place(along), unit.place_symbol()),
        None => format!("saved {}", view.saved.readings),
    };
    let (words, role) = match &view.phase {
        Phase::Waiting => ("WAITING for the first shot".to_owned(), Role::Strong),
        Phase::Ending => (format!("ENDING {saved}"), Role::Strong),
        Phase::Ended(_) => (format!("ENDED {saved}"), Role::Strong),
        _ if lag > LATE_S => (format!("SAVING SLOW: {saved}, {lag:.1} s behind"), Role::Watch),
        _ if lag > BEHIND_S => (format!("REC {saved}, {lag:.1} s behind"), Role::Strong),
        _ => (format!("REC {saved}"), Role::Strong),
    };
    parts.push(HeaderPart::of(1, words, role));
    parts.extend(due(app));
    // Only the last hour is counted down, and then before what is good to know.
    let full = scan.disk_seconds().filter(|left| *left < LAST_HOUR_S && !scan.is_over());
    parts.extend(full.map(|left| HeaderPart::of(2, format!("disk {:.0} min", (left / 60.0).floor()), Role::Watch)));
    parts.extend(battery(app, scan));
    if let Some(reason) = &view.checklist_override {
        parts.push(HeaderPart::of(4, format!("OVERRIDE: {}", text::clip(&safe_text(reason), 24)), Role::Watch));
    }
    let end = if let Phase::Ended(summary) = &view.phase { summary.closed_us.unwrap_or(app.now_us) } else { app.now_us };
    parts.push(HeaderPart::of(5, text::elapsed((end - view.started_us) as f64 / 1e6), Role::Plain));
    if !scan.is_over() {
        parts.push(HeaderPart::of(7, format!("{:.0}/s", view.link.rate_hz), Role::Plain));
    }
    // One number that stays one: what is free; short, it goes before what is good to know.
    if let (None, Some(free)) = (full, view.saved.free_bytes) {
        let (rank, role) = if crate::live::low_disk(Some(free)).is_some() { (2, Role::Watch) } else { (7, Role::Plain) };
        parts.push(HeaderPart::of(rank, format!("{} free", text::bytes(free)), role));
    }
}

/// The crawler's battery; under what the plan calls low it is pointed out and stays.
fn battery(app: &App, scan: &ShownRun) -> Option<HeaderPart> {
    let millivolts = scan.view.telemetry.battery_mv?;
    let low = app.contents.plan.crawler.as_ref().and_then(|crawler| crawler.battery_low_mv);
    let volts = format!("{:.1}V", f64::from(millivolts) / 1e3);
    Some(match low {
        Some(low) if millivolts <= low => HeaderPart::of(2, format!("BATTERY {volts}"), Role::Watch),
        _ => HeaderPart::of(6, volts, Role::Plain),
    })
}

/// The worst thing that is wrong, in words.
fn fault(app: &App, scan: &ShownRun) -> Option<String> {
    let view = &scan.view;
    let saved = match view.saved.along {
        Some(along) => format!("saved up to {} {}", app.look.unit.place(along), app.look.unit.place_symbol()),
        None => format!("{} saved", backwall_report::words::count(view.saved.readings, "reading")),
    };
    if let Some(why) = &view.saved.fault {
        return Some(format!("NOT SAVED ({saved}): {}", safe_text(why)));
    }
    if let Phase::Failed(why) = &view.phase {
        return Some(format!("RUN NOT CLOSED ({saved}): {}", safe_text(why)));
    }
    if view.counts.unsaved > 0 {
        let readings = backwall_report::words::count(view.counts.unsaved, "reading");
        return Some(format!("NOT SAVED: {readings} could not be queued, the disk is too slow ({saved})"));
    }
    if let Phase::LinkDown(why) = &view.phase {
        // What is safe first: the reason may be longer than the line.
        let before = match view.link.reconnects {
            0 => String::new(),
            more => format!(" ({})", backwall_report::words::count(more, "reconnect")),
        };
        return Some(format!("LINK DOWN, {saved}: {}; trying again{before}", safe_text(why)));
    }
    match scan.stale_s(app.now_us) {
        Some(age) => Some(format!("NO DATA: last byte {} ago ({saved})", text::duration(age))),
        None => view.link.fault.as_ref().map(|why| format!("LINK: {} ({saved})", safe_text(why))),
    }
}
