//! What the blocks taught, drawn: the residual curve over thickness with its blocks, and the probe's pulse.

use crate::console::state::BenchShown;
use crate::console::theme::Role;
use crate::console::view::pen::Pen;
use crate::console::view::wave;
use ratatui::layout::Rect;

/// Beyond the blocks the curve is drawn this much further, as a share of their thickness.
const BEYOND: f64 = 0.1;
/// A curve flatter than this is drawn flat, ns.
const LEAST_NS: f64 = 0.5;

/// What is left over of the first echo's time at each thickness.
pub fn residuals(shown: &BenchShown, pen: &mut Pen, area: Rect) {
    if area.height < 4 {
        return;
    }
    let title = Rect { height: 1, ..area };
    let Some(fitted) = shown.view.fitted() else {
        pen.title(title, "residual curve", "");
        pen.put(area.x + 1, area.y + 1, area.width - 1, "comes with the blocks", Role::Quiet);
        return;
    };
    let calibration = &fitted.calibration;
    let (Some(curve), Some((thin, thick))) = (calibration.residuals.first(), calibration.range()) else { return };
    let prepared = curve.prepared();
    let unit = pen.look.unit;
    let (from, to) = (thin.as_mm() * (1.0 - BEYOND), thick.as_mm() * (1.0 + BEYOND));
    let picture = Rect { y: area.y + 1, height: area.height - 2, ..area };
    let count = wave::dots_across(pen, picture.width);
    let at = |dot: usize| prepared.at(from + (to - from) * dot as f64 / count.max(1) as f64);
    let columns: Vec<Option<(f64, f64)>> =
        (0..count).map(|dot| at(dot).zip(at(dot + 1)).map(|(here, next)| (here.min(next), here.max(next)))).collect();
    let most = columns.iter().flatten().fold(LEAST_NS, |most, (low, high)| most.max(-low).max(*high)) * 1.2;
    wave::trace(&columns, most, pen, picture);
    let glyph = pen.look.glyphs.shapes().done;
    for point in &calibration.points {
        let share = (point.thickness.as_mm() - from) / (to - from);
        let column = (share * f64::from(picture.width)).clamp(0.0, f64::from(picture.width.saturating_sub(1))) as u16;
        let Some(value) = prepared.at(point.thickness.as_mm()) else { continue };
        pen.cell(picture.x + column, picture.y + wave::cell_row(value, most, pen, picture), glyph, Role::Strong);
        let label = unit.thickness(point.thickness);
        let x = (picture.x + column).saturating_sub(label.len() as u16 / 2).max(area.x);
        pen.put(x, area.bottom() - 1, area.right().saturating_sub(x), &label, Role::Quiet);
    }
    let micrometres = most * calibration.velocity.as_m_s() * 1e-3 / 2.0;
    let name = format!("residual curve over thickness in {}", unit.thickness_symbol());
    pen.title(title, &name, &format!("±{most:.1} ns, ±{micrometres:.0} µm of wall"));
}

/// The pulse, as the mean of the blocks' echoes.
pub fn pulse(shown: &BenchShown, pen: &mut Pen, area: Rect) {
    if area.height < 4 {
        return;
    }
    let title = Rect { height: 1, ..area };
    let Some(fitted) = shown.view.fitted() else {
        pen.title(title, "pulse", "");
        pen.put(area.x + 1, area.y + 1, area.width - 1, "is learned from the blocks", Role::Quiet);
        return;
    };
    let pulse = &fitted.calibration.pulse;
    let picture = Rect { y: area.y + 1, height: area.height - 2, ..area };
    let count = wave::dots_across(pen, picture.width);
    let last = pulse.samples.len().saturating_sub(1);
    let edge = |dot: usize| dot as f64 / count.max(1) as f64 * last as f64;
    let columns: Vec<Option<(f64, f64)>> = (0..count)
        .map(|dot| {
            let inside = pulse.samples.get(edge(dot).floor() as usize..=(edge(dot + 1).ceil() as usize).min(last))?;
            Some(inside.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(*value), high.max(*value))))
        })
        .collect();
    wave::trace(&columns, 1.1, pen, picture);
    let (before, behind) = pulse.extent();
    let y = area.bottom() - 1;
    pen.put(area.x, y, area.width, &format!("-{:.2} µs", before.as_us()), Role::Quiet);
    let right = format!("+{:.2} µs", behind.as_us());
    pen.put(area.right().saturating_sub(right.len() as u16), y, right.len() as u16, &right, Role::Quiet);
    pen.title(title, "pulse learned from the blocks", &format!("{:.0} MS/s", pulse.rate.as_mhz()));
}
