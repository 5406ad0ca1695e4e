//! The worst places over all lines, ranked, with the waveforms of the first of them large enough to read.

use super::{DocumentWriter, captioned, tone_of};
use crate::assessment::Worst;
use crate::document::{Captioned, DocumentTable, Tone};
use crate::figure::waveform::{self, WaveformFigure};
use crate::words::{count, safe_text};
use backwall_survey::integrity::Decision;

/// Height of a waveform over the whole width of the text, millimetres.
const HEIGHT: f64 = 60.0;

impl DocumentWriter<'_> {
    pub(super) fn worst(&mut self) {
        let Some(assessment) = &self.job.assessment else {
            return self.out.paragraph("No run was made, so there is no place to name.");
        };
        let roll_up = &assessment.roll_up;
        if roll_up.worst.is_empty() && roll_up.laminations.is_empty() {
            return self.out.paragraph("No stretch under a limit was found on any line, where there was an echo.");
        }
        if !self.wanted.template.is_brief {
            self.out.paragraph(
            "Ranked by the minimum less what is required. From, to: the stretch under the required thickness. The spot is longer: it includes \
             wall that is only within the watch margin.",
        );
        }
        self.ranked(&roll_up.worst, "places");
        if !roll_up.laminations.is_empty() && !self.wanted.template.is_brief {
            let title = format!("Apart from these: {} judged lamination?", count(roll_up.laminations.len() as u64, "spot"));
            self.out.heading(2, title);
            self.ranked(&roll_up.laminations, "suspected laminations");
            if self.is_condensed() {
                let evidence = self.lamination_evidence();
                self.out.bullets(evidence);
            }
        }
        let most = self.wanted.template.spot_figures;
        let figures: Vec<Captioned> =
            roll_up.worst.iter().take(most).enumerate().filter_map(|(index, worst)| self.a_scan(index + 1, worst)).collect();
        if !figures.is_empty() {
            self.out.heading(2, "Their waveforms");
        }
        for figure in figures {
            self.out.figures(vec![figure]);
        }
    }

    fn ranked(&mut self, spots: &[Worst], what: &str) {
        let unit = self.wanted.unit;
        let mut table = DocumentTable::of(&[
            "Rank>",
            "Line",
            &format!("At, {}>", unit.place_symbol()),
            "Course>",
            &self.head("Minimum ± U"),
            &self.head("Required"),
            &self.head("Margin"),
            &format!("Under it from, to, {}", unit.place_symbol()),
            "Length>",
            "Judged as",
            "By hand",
        ]);
        let dash = |text: Option<String>| text.unwrap_or_else(|| "–".to_owned());
        for (index, spot) in spots.iter().enumerate() {
            let under = spot.left.is_some_and(|left| left < backwall_units::Length::ZERO);
            table.toned(
                tone_of(if under { Decision::NotMet } else { Decision::NotDecided }),
                [
                    (index + 1).to_string(),
                    safe_text(&spot.place.line),
                    dash(spot.place.at.map(|at| unit.place(at))),
                    dash(spot.course.map(|course| course.to_string())),
                    spot.place.bare_words(unit, ""),
                    self.bare(spot.required),
                    self.bare(spot.left),
                    dash(spot.under.map(|(from, to)| format!("{} to {}", unit.place(from), unit.place(to)))),
                    dash(spot.under_length().map(|length| self.long(length))),
                    spot.kind.unwrap_or("–").to_owned(),
                    if spot.proven.is_some() { spot.proven_words(unit) } else { "not yet".to_owned() },
                ],
            );
        }
        self.shortened(table, what, "less severe ones");
    }

    fn a_scan(&self, rank: usize, worst: &Worst) -> Option<Captioned> {
        let run = self.job.runs.iter().find(|run| run.summary.id == worst.run)?;
        let of = run.looked_at.iter().find(|of| of.spot.least_seq == worst.seq)?;
        let figure = waveform::draw(&WaveformFigure {
            title: format!(
                "Rank {rank}: {} at {} on {}",
                self.thickness_or(of.reading.measurement.thickness, "no echo"),
                self.place(of.reading.place.along),
                worst.place.line
            ),
            subtitle: String::new(),
            unit: self.wanted.unit,
            waveform: of.waveform.as_ref()?,
            gate: run.setup.gate,
            measurement: &of.reading.measurement,
            width: self.wanted.paper.text_width(),
            height: HEIGHT,
        });
        let flags = &of.reading.measurement.flags;
        let flags = if flags.is_empty() { String::new() } else { format!(", {flags}") };
        Some(captioned(figure, format!("Shot {} of run {}{flags}", of.reading.seq, worst.run)))
    }
}

/// Kept with the rows it colours.
pub(super) const fn tone(decision: Decision) -> Tone {
    match decision {
        Decision::Met => Tone::Plain,
        Decision::NotMet => Tone::Bad,
        Decision::NotDecided => Tone::Watch,
    }
}
