//! The other channels of a scan, a row each: what they read now, and the alarm that nobody has acknowledged. Nothing of them is out of sight
//! while one is looked at.

use super::panels;
use super::pen::Pen;
use crate::console::state::ShownRun;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::live::Phase;
use ratatui::layout::Rect;

/// So many are shown; a wall is seen besides.
const MOST: usize = 4;

pub fn height(scan: &ShownRun) -> u16 {
    scan.beside.len().min(MOST) as u16
}

pub fn draw(scan: &ShownRun, pen: &mut Pen, area: Rect) {
    for (row, beside) in scan.beside.iter().take(usize::from(area.height)).enumerate() {
        let alarm = beside.alarm();
        let style = match &alarm {
            Some((spot, _)) => pen.look.theme.level(spot.level),
            None if matches!(beside.view.phase, Phase::LinkDown(_) | Phase::Failed(_)) => pen.look.theme.style(Role::Watch),
            None => pen.look.theme.style(Role::Plain),
        };
        let line = Rect { y: area.y + row as u16, height: 1, ..area };
        let tail = if row == 0 { "  [o] look at it " } else { " " };
        let width = usize::from(line.width).saturating_sub(tail.len() + 1);
        pen.fill(line, style);
        // The place matters more than by how much: where not all has room the margin goes first.
        let whole = words(beside, pen, true);
        let words = if text::columns(&whole) <= width { whole } else { words(beside, pen, false) };
        pen.put_style(line.x + 1, line.y, line.width - 1, &text::clip(&words, width), style);
        pen.put_style(line.right() - tail.len() as u16, line.y, tail.len() as u16, tail, style);
    }
}

/// `ch 2: 9.51 mm CLEAR; THIN at 0.020 m, 5.00 mm (1.20 under 6.20)`.
fn words(scan: &ShownRun, pen: &Pen, with_margin: bool) -> String {
    let (view, unit) = (&scan.view, pen.look.unit);
    let channel = view.channel.as_ref().map_or_else(|| format!("run {}", view.run), |channel| format!("ch {}", safe_text(channel)));
    let now = match (&view.phase, &view.reading) {
        (Phase::Failed(_), _) => "RUN NOT CLOSED".to_owned(),
        (Phase::LinkDown(_), _) => "LINK DOWN".to_owned(),
        (Phase::Ended(_), _) => "ended".to_owned(),
        (_, None) => "WAITING for the first shot".to_owned(),
        (_, Some(reading)) => match reading.measurement.thickness {
            Some(thickness) => format!("{} {} {}", unit.thickness(thickness), unit.thickness_symbol(), reading.level_shown.word()),
            None => reading.level_shown.word().to_owned(),
        },
    };
    let alarm = scan.alarm().map_or_else(String::new, |(spot, open)| {
        let more = if open > 1 { format!(" +{} more", open - 1) } else { String::new() };
        let required = view.limits.required(spot.course).filter(|_| with_margin);
        format!("; {}{more}", panels::alarm_words(&spot, required, unit))
    });
    format!("{channel}: {now}{alarm}")
}
