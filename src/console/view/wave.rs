//! The waveform as text graphics: each column draws the least and the greatest sample of its stretch of time, so
//! that no peak is lost; beneath it the gate, the echoes found and the time scale.

use super::pen::Pen;
use crate::console::Glyphs;
use crate::console::text;
use crate::console::theme::Role;
use backwall_ultrasound::{Measurement, Setup, Waveform};
use backwall_units::Time;
use ratatui::layout::Rect;

/// Least and greatest of each column, in parts of full screen height; `None` where no sample lies.
pub fn columns(waveform: &Waveform, from: Time, to: Time, count: usize) -> Vec<Option<(f64, f64)>> {
    let base = &waveform.base;
    let scale = base.full_scale();
    let samples = &waveform.samples;
    let edge = |index: usize| base.sample_at(from + (to - from) * (index as f64 / count.max(1) as f64));
    (0..count)
        .map(|column| {
            let (low, high) = (edge(column), edge(column + 1));
            if high <= 0.0 || low >= samples.len() as f64 {
                return None;
            }
            // At least one sample: between samples the nearest one before stands.
            let first = (low.max(0.0).floor() as usize).min(samples.len().saturating_sub(1));
            let last = (high.ceil().max(0.0) as usize).clamp(first + 1, samples.len().max(first + 1));
            let inside = samples.get(first..last.min(samples.len()))?;
            let least = inside.iter().min()?;
            let greatest = inside.iter().max()?;
            Some((f64::from(*least) / scale, f64::from(*greatest) / scale))
        })
        .collect()
}

/// Full heights of the picture, in parts of full screen height.
const HEIGHTS: [f64; 5] = [0.1, 0.2, 0.5, 1.0, 1.1];

pub struct Wave<'a> {
    pub waveform: &'a Waveform,
    pub setup: &'a Setup,
    pub measurement: Option<&'a Measurement>,
    /// The whole waveform, or the stretch about the gate.
    pub whole: bool,
}

impl Wave<'_> {
    /// The least full height that nothing about the gate goes out of, in parts of full screen height.
    pub fn height(&self) -> f64 {
        let (from, to) = self.span();
        let peak = columns(self.waveform, from, to, 1).into_iter().flatten();
        let peak = peak.fold(self.setup.gate.threshold_pct / 100.0, |peak, (low, high)| peak.max(-low).max(high));
        HEIGHTS.into_iter().find(|height| *height >= peak).unwrap_or(1.1)
    }

    fn span(&self) -> (Time, Time) {
        let base = &self.waveform.base;
        let (first, end) = (base.first, base.end(self.waveform.samples.len()));
        if self.whole {
            return (first, end);
        }
        let gate = &self.setup.gate;
        let from = (gate.start - gate.length * 0.15).max(first);
        let to = (gate.end() + gate.length * 0.6).min(end);
        if to > from { (from, to) } else { (first, end) }
    }
}

/// Draws picture, gate line and time scale; the last two rows of `area` are for them. The picture reaches to `height`, in parts of full
/// screen height; answers it in percent.
pub fn draw(wave: &Wave, height: f64, pen: &mut Pen, area: Rect) -> f64 {
    let (from, to) = wave.span();
    let picture = Rect { height: area.height.saturating_sub(2), ..area };
    let columns = columns(wave.waveform, from, to, dots_across(pen, picture.width));
    let column_of = |time: Time| ((time - from) / (to - from) * f64::from(picture.width)).floor();

    threshold(wave, pen, picture, height, column_of);
    trace(&columns, height, pen, picture);
    gate_line(wave, pen, Rect { y: picture.bottom(), height: 1, ..area }, column_of);
    time_scale(pen, Rect { y: picture.bottom() + 1, height: 1, ..area }, from, to);
    height * 100.0
}

/// Dots of the set in hand within one cell, across and down.
fn grain(pen: &Pen) -> (usize, usize) {
    match pen.look.glyphs {
        Glyphs::Braille => (2, 4),
        Glyphs::HalfBlock => (1, 2),
        Glyphs::Ascii => (1, 1),
    }
}

/// How many columns of dots `width` cells have.
pub fn dots_across(pen: &Pen, width: u16) -> usize {
    usize::from(width) * grain(pen).0
}

/// Rows of dots of a picture: an odd number, so that the zero line is one dot high.
fn dots_down(pen: &Pen, picture: Rect) -> usize {
    (usize::from(picture.height) * grain(pen).1).saturating_sub(1) / 2 * 2
}

/// The row of cells a value stands in, in a picture from -`height` to `height`.
pub fn cell_row(value: f64, height: f64, pen: &Pen, picture: Rect) -> u16 {
    let dots = dots_down(pen, picture) as f64;
    (((1.0 - value / height) / 2.0 * dots).round().clamp(0.0, dots) as usize / grain(pen).1) as u16
}

/// Draws columns of dots, each from its least to its greatest, in a picture from -`height` to `height`.
pub fn trace(columns: &[Option<(f64, f64)>], height: f64, pen: &mut Pen, picture: Rect) {
    let across = grain(pen).0;
    let dots = dots_down(pen, picture);
    let row_of = |value: f64| (((1.0 - value / height) / 2.0 * dots as f64).round().max(0.0) as usize).min(dots);
    for (cell, mine) in (0..picture.width).zip(columns.chunks(across)) {
        let spans: Vec<Option<(usize, usize)>> = mine.iter().map(|column| column.map(|(low, high)| (row_of(high), row_of(low)))).collect();
        for row in 0..picture.height {
            let c = match pen.look.glyphs {
                Glyphs::Braille => braille(&spans, usize::from(row) * 4),
                Glyphs::HalfBlock => half_block(spans[0], usize::from(row) * 2),
                Glyphs::Ascii => ascii(spans[0], usize::from(row)),
            };
            if let Some(c) = c {
                pen.cell(picture.x + cell, picture.y + row, c, Role::Wave);
            }
        }
    }
}

fn threshold(wave: &Wave, pen: &mut Pen, picture: Rect, height: f64, column_of: impl Fn(Time) -> f64) {
    let gate = &wave.setup.gate;
    let (first, last) = (column_of(gate.start).max(0.0) as u16, column_of(gate.end()).clamp(0.0, f64::from(picture.width)) as u16);
    let c = pen.look.glyphs.shapes().seam;
    for value in [gate.threshold_pct / 100.0, -gate.threshold_pct / 100.0] {
        let row = cell_row(value, height, pen, picture);
        if row < picture.height {
            for column in (first..last).step_by(2) {
                pen.cell(picture.x + column, picture.y + row, c, Role::Quiet);
            }
        }
    }
}

fn braille(spans: &[Option<(usize, usize)>], top: usize) -> Option<char> {
    // Dots 1-2-3-7 are the left column of a braille cell, 4-5-6-8 the right (Unicode chart U+2800).
    const DOTS: [[u32; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];
    let mut bits = 0;
    for (span, dots) in spans.iter().zip(DOTS) {
        if let Some((high, low)) = span {
            for (row, bit) in dots.into_iter().enumerate() {
                if (*high..=*low).contains(&(top + row)) {
                    bits |= bit;
                }
            }
        }
    }
    (bits != 0).then(|| char::from_u32(0x2800 + bits)).flatten()
}

fn half_block(span: Option<(usize, usize)>, top: usize) -> Option<char> {
    let (high, low) = span?;
    match ((high..=low).contains(&top), (high..=low).contains(&(top + 1))) {
        (true, true) => Some('█'),
        (true, false) => Some('▀'),
        (false, true) => Some('▄'),
        (false, false) => None,
    }
}

fn ascii(span: Option<(usize, usize)>, row: usize) -> Option<char> {
    let (high, low) = span?;
    (high..=low).contains(&row).then_some(if high == low { '-' } else { '|' })
}

/// The gate as a bracket, and where the echoes stand.
fn gate_line(wave: &Wave, pen: &mut Pen, area: Rect, column_of: impl Fn(Time) -> f64) {
    let gate = &wave.setup.gate;
    let (start, bar, end) = pen.look.glyphs.shapes().gate;
    let clamp = |column: f64| column.clamp(0.0, f64::from(area.width.saturating_sub(1))) as u16;
    let (first, last) = (clamp(column_of(gate.start)), clamp(column_of(gate.end())));
    for column in first..=last {
        let c = if column == first {
            start
        } else if column == last {
            end
        } else {
            bar
        };
        pen.cell(area.x + column, area.y, c, Role::Plain);
    }
    if last > first + 8 {
        pen.put(area.x + first + 2, area.y, 6, " gate ", Role::Plain);
    }
    let up = if pen.look.glyphs == Glyphs::Ascii { '^' } else { '▲' };
    let Some(measurement) = wave.measurement else { return };
    for (time, name) in [(measurement.next_echo, "2"), (measurement.echo_time, "1")] {
        if let Some(column) = time.map(&column_of).filter(|column| (0.0..f64::from(area.width)).contains(column)) {
            let x = area.x + column as u16;
            pen.cell(x, area.y, up, Role::Strong);
            pen.put(x + 1, area.y, area.right().saturating_sub(x + 1).min(1), name, Role::Strong);
        }
    }
}

fn time_scale(pen: &mut Pen, area: Rect, from: Time, to: Time) {
    let span = (to - from).as_us();
    if span <= 0.0 || !span.is_finite() {
        return;
    }
    let room = f64::from(area.width) / 7.0;
    let step = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0].into_iter().find(|step| span / step <= room).unwrap_or(span);
    let mut value = (from.as_us() / step).ceil() * step;
    let unit = if pen.look.glyphs == Glyphs::Ascii { " us" } else { " µs" };
    let mut labels = Vec::new();
    while value <= to.as_us() {
        let column = ((value - from.as_us()) / span * f64::from(area.width)) as u16;
        labels.push((column, text::scale_mark(value)));
        value += step;
    }
    // The last label that has room for it has the unit; what lies behind that is left out.
    let fits =
        |(column, label): &(u16, String)| usize::from(*column) + text::columns(label) + text::columns(unit) <= usize::from(area.width);
    let Some(last) = labels.iter().rposition(fits) else { return };
    for (index, (column, label)) in labels.into_iter().enumerate().take(last + 1) {
        let label = if index == last { label + unit } else { label };
        pen.put(area.x + column, area.y, text::columns(&label) as u16, &label, Role::Quiet);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use backwall_ultrasound::TimeBase;
    use backwall_units::Frequency;

    #[test]
    fn a_single_sample_peak_survives_any_compression() {
        let mut samples = vec![0i16; 4000];
        samples[1234] = 1000;
        samples[1235] = -900;
        let waveform = Waveform { base: TimeBase { rate: Frequency::mhz(100.0), first: Time::us(5.0), bits: 12 }, samples: samples.into() };
        for count in [1, 7, 40, 80, 200] {
            let columns = columns(&waveform, Time::us(5.0), Time::us(45.0), count);
            let greatest = columns.iter().flatten().map(|column| column.1).fold(0.0, f64::max);
            let least = columns.iter().flatten().map(|column| column.0).fold(0.0, f64::min);
            assert_eq!((greatest, least), (1000.0 / 2048.0, -900.0 / 2048.0), "{count} columns");
        }
    }

    #[test]
    fn where_no_sample_lies_nothing_is_drawn() {
        let waveform =
            Waveform { base: TimeBase { rate: Frequency::mhz(10.0), first: Time::us(2.0), bits: 8 }, samples: vec![1i16; 10].into() };
        let columns = columns(&waveform, Time::us(0.0), Time::us(4.0), 4);
        assert_eq!(columns.iter().map(Option::is_some).collect::<Vec<_>>(), [false, false, true, false]);
    }

    #[test]
    fn an_empty_waveform_draws_nothing() {
        let waveform = Waveform { base: TimeBase { rate: Frequency::mhz(10.0), first: Time::ZERO, bits: 8 }, samples: Vec::new().into() };
        assert!(columns(&waveform, Time::us(0.0), Time::us(4.0), 4).iter().all(Option::is_none));
    }
}
