//! The waveform of one shot with everything that was decided on it: gate, threshold, the echoes, or why there is none.

use super::axis::{decimals, nice_step, ticks};
use super::mark::{self, BODY, EDGE, SMALL, TITLE};
use super::{Anchor, Dash, Figure, Ink, LineWeight, Stroke, Text, font, point, rectangle};
use backwall_ultrasound::{Gate, Measurement, Waveform};
use backwall_units::{LengthUnit, Time};

pub struct WaveformFigure<'a> {
    pub title: String,
    pub subtitle: String,
    pub unit: LengthUnit,
    pub waveform: &'a Waveform,
    pub gate: Gate,
    pub measurement: &'a Measurement,
    /// Paper, millimetres.
    pub width: f64,
    pub height: f64,
}

/// Two of these fit beside a spot list on A4 and Letter.
pub const PAPER: (f64, f64) = (180.0, 78.0);

pub fn draw(of: &WaveformFigure<'_>) -> Figure {
    let wrapped = |text: &str| mark::wrapped(text, of.width, BODY, LineWeight::Regular);
    let lines: Vec<String> = wrapped(&of.subtitle).into_iter().chain(wrapped(&verdict(of))).collect();
    let top = TITLE + BODY * 1.5 * lines.len() as f64 + UNDER_WORDS;
    // Where there is much to say the figure grows: the waveform is never squeezed.
    let height = of.height.max(top + LEAST_PLOT + UNDER_PLOT);
    let mut figure = Figure::new(of.title.clone(), of.width, height);
    let mut y = TITLE;
    figure.text(Text::new(point(0.0, y), font::fitted(&of.title, of.width, TITLE, LineWeight::Bold), TITLE).bold());
    for line in lines {
        y += BODY * 1.5;
        figure.text(Text::new(point(0.0, y), line, BODY));
    }
    let plot = Plot::new(of, top, height);
    plot.frame(&mut figure);
    plot.gate(&mut figure, &of.gate, of.measurement);
    plot.trace(&mut figure, of.waveform);
    plot.echoes(&mut figure, of.measurement);
    figure
}

/// How much higher a label stands that has another in its way.
const LABEL: f64 = SMALL * 1.3;
/// Room between the words and the plot, and for the axis under it; and what a plot has at least.
const UNDER_WORDS: f64 = 8.0;
const UNDER_PLOT: f64 = 10.0;
const LEAST_PLOT: f64 = 22.0;

/// The reading in one line: value, uncertainty, height, or the reasons why there is none.
fn verdict(of: &WaveformFigure<'_>) -> String {
    let (m, unit) = (of.measurement, of.unit);
    let mut words = match m.thickness {
        None => "No echo: no thickness".to_owned(),
        Some(thickness) => format!("{} {}", unit.thickness(thickness), unit.thickness_symbol()),
    };
    if let (Some(_), Some(uncertainty)) = (m.thickness, m.uncertainty) {
        words += &format!(" ± {} {} (k = 2)", unit.thickness(uncertainty * 2.0), unit.thickness_symbol());
    }
    if let Some(height) = m.height_pct {
        words += &format!(", echo height {height:.0} %");
    }
    if let Some(snr) = m.snr.filter(|snr| snr.is_finite()) {
        words += &format!(", {:.0} dB over noise", snr.as_db());
    }
    if m.thickness.is_some() {
        words += &format!(", quality {}", m.quality);
    }
    let why: Vec<_> = m.flags.iter().map(|flag| format!("{}: {}", flag.word(), flag.explanation())).collect();
    if why.is_empty() { format!("{words}.") } else { format!("{words}. {}.", why.join("; ")) }
}

struct Plot {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    from: Time,
    to: Time,
}

impl Plot {
    fn new(of: &WaveformFigure<'_>, top: f64, height: f64) -> Self {
        let base = of.waveform.base;
        let (from, to) = (base.first, base.end(of.waveform.samples.len().max(1)));
        Self { left: 15.0, top, width: of.width - 18.0, height: height - top - UNDER_PLOT, from, to }
    }
    fn x(&self, time: Time) -> f64 {
        self.left + ((time - self.from) / (self.to - self.from)).clamp(0.0, 1.0) * self.width
    }
    fn shows(&self, time: Time) -> bool {
        time >= self.from && time <= self.to
    }
    /// 100 % at the top, -100 % at the bottom.
    fn y(&self, percent: f64) -> f64 {
        self.top + (100.0 - percent.clamp(-100.0, 100.0)) / 200.0 * self.height
    }

    fn frame(&self, figure: &mut Figure) {
        let lattice = Stroke::solid(Ink::Pale, 0.15);
        for percent in [-100.0, -50.0, 0.0, 50.0, 100.0] {
            let y = self.y(percent);
            figure.line(point(self.left, y), point(self.left + self.width, y), lattice);
            figure.text(Text::new(point(self.left - 1.2, y + SMALL * 0.36), format!("{percent:.0}"), SMALL).anchored(Anchor::End));
        }
        let (from, to) = (self.from.as_us(), self.to.as_us());
        let step = nice_step((to - from) / (self.width / 14.0));
        let bottom = self.top + self.height;
        for tick in ticks(from, to, step) {
            let x = self.x(Time::us(tick));
            figure.line(point(x, self.top), point(x, bottom + 1.2), lattice);
            let number = format!("{tick:.digits$}", digits = decimals(step));
            figure.text(Text::new(point(x, bottom + 4.0), number, SMALL).anchored(Anchor::Middle));
        }
        figure.outline(&rectangle(self.left, self.top, self.width, self.height), EDGE);
        let words = "time after the transmit pulse, µs";
        figure.text(Text::new(point(self.left + self.width / 2.0, bottom + 7.6), words, SMALL).anchored(Anchor::Middle));
        let side = point(SMALL * 1.2, self.top + self.height / 2.0);
        figure.text(Text::new(side, "% of full screen height", SMALL).anchored(Anchor::Middle).turned(90.0));
    }

    /// A bar at the threshold over the gate's length, with its ends down to the base line.
    fn gate(&self, figure: &mut Figure, gate: &Gate, measurement: &Measurement) {
        let (start, end) = (self.x(gate.start), self.x(gate.end()));
        let mut words = format!("gate {:.2} to {:.2} µs, threshold {} %", gate.start.as_us(), gate.end().as_us(), gate.threshold_pct);
        if start >= end {
            words += ": it is outside the record";
        }
        let label = self.label_clear_of_echoes(words, end, measurement);
        if start >= end {
            figure.text(label.ink(Ink::Blue));
            return;
        }
        let (high, low) = (self.y(gate.threshold_pct), self.y(-gate.threshold_pct));
        let stroke = Stroke::solid(Ink::Blue, 0.5);
        figure.line(point(start, high), point(end, high), stroke);
        figure.line(point(start, low), point(end, low), Stroke { width: 0.25, ..stroke }.dashed(Dash::Dotted));
        let ends = [gate.start, gate.end()].into_iter().filter(|edge| self.shows(*edge)).map(|edge| self.x(edge));
        figure.lines(ends.map(|x| vec![point(x, high), point(x, low)]).collect(), stroke);
        figure.text(label.ink(Ink::Blue));
    }

    /// At the foot of the plot, near the end of the gate, where no line of an echo runs through it.
    fn label_clear_of_echoes(&self, words: String, gate_end: f64, measurement: &Measurement) -> Text {
        let label = Text::new(point(0.0, self.y(-100.0) - 1.4), words, SMALL).anchored(Anchor::End);
        let wide = label.width();
        let lines: Vec<f64> = [measurement.echo_time, measurement.next_echo].into_iter().flatten().map(|time| self.x(time)).collect();
        let (low, high) = (self.left + wide + 0.8, self.left + self.width - 0.8);
        let is_clear = |end: &f64| lines.iter().all(|x| *x < end - wide - 0.8 || *x > end + 0.8);
        let wished = (gate_end - 0.8).clamp(low.min(high), high);
        // Behind the last echo, or between or before them: the nearest place that is free.
        let places = lines.iter().flat_map(|x| [x + wide + 1.0, x - 1.0]).filter(|end| *end >= low && *end <= high);
        let free = std::iter::once(wished).chain(places).filter(is_clear);
        let end = free.min_by(|a, b| (a - wished).abs().total_cmp(&(b - wished).abs())).unwrap_or(wished);
        Text { at: point(end, label.at.y), ..label }
    }

    /// Sample to sample; where many fall on one hair of paper, their least and greatest.
    fn trace(&self, figure: &mut Figure, waveform: &Waveform) {
        const HAIR: f64 = 0.1;
        let samples = &waveform.samples;
        let scale = 100.0 / waveform.base.full_scale();
        let at = |index: usize| self.x(waveform.base.time_at(index as f64));
        let y = |code: i16| self.y(f64::from(code) * scale);
        let per_hair = ((samples.len() as f64 * HAIR / self.width).floor() as usize).max(1);
        let mut line = Vec::new();
        if per_hair == 1 {
            line.extend(samples.iter().enumerate().map(|(index, code)| point(at(index), y(*code))));
        } else {
            for (index, piece) in samples.chunks(per_hair).enumerate() {
                let x = at(index * per_hair);
                let (Some(least), Some(greatest)) = (piece.iter().min(), piece.iter().max()) else { continue };
                line.push(point(x, y(*least)));
                line.push(point(x, y(*greatest)));
            }
        }
        figure.lines(vec![line], Stroke::solid(Ink::Black, 0.22));
    }

    /// First echo and the one behind it, each with its time above the frame.
    fn echoes(&self, figure: &mut Figure, measurement: &Measurement) {
        let echoes = [("1st", measurement.echo_time), ("2nd", measurement.next_echo)];
        let mut free = self.left;
        for (name, time) in echoes {
            let Some(time) = time.filter(|time| self.shows(*time)) else { continue };
            let x = self.x(time);
            let stroke = Stroke::solid(Ink::Vermilion, 0.35);
            let stroke = if name == "1st" { stroke } else { stroke.dashed(Dash::Dashed) };
            figure.line(point(x, self.top), point(x, self.top + self.height), stroke);
            let text = Text::new(point(0.0, self.top - 1.2), format!("▼ {name} echo {:.3} µs", time.as_us()), SMALL);
            let wide = text.width();
            // Its tip stands over the line; where the label before it is in the way, a line higher.
            let left = (x - SMALL * 0.39).min(self.left + self.width - wide);
            let up = if left < free { LABEL } else { 0.0 };
            figure.text(Text { at: point(left, self.top - 1.2 - up), ..text });
            free = left + wide + 2.0;
        }
        if measurement.thickness.is_none() {
            let at = point(self.left + self.width - 1.0, self.top - 1.2);
            figure.text(Text::new(at, "○ NO ECHO: none taken", SMALL).anchored(Anchor::End).bold());
        }
    }
}
