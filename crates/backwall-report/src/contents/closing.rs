//! The end of a report: what the method cannot say, the seals, the lines to sign on.

use super::summary::capital;
use super::{DocumentWriter, fact};
use crate::document::{Captioned, DocumentBlock, DocumentTable, Tone};
use crate::figure::{Anchor, FigureItem, Ink, LineWeight, Text, point};
use crate::qr::Qr;
use backwall_store::RunState;

/// Of what the method cannot say a brief report has what no reader may miss: the first of the list.
const BRIEF_METHOD: usize = 2;
/// Room for the words beside the code of the seal, mm.
const BESIDE_CODE: f64 = 120.0;

impl DocumentWriter<'_> {
    pub(super) fn method(&mut self) {
        let mut lines = vec![
            "Only the scanned lines are known. Wall between them was not examined, and corrosion there is neither shown nor excluded."
                .to_owned(),
            "Readings are of remaining wall under the probe by ultrasonic pulse echo from one side. No floor, roof, nozzle neck, weld or \
             heat-affected zone was examined, and no cracks were looked for."
                .to_owned(),
            "Pits narrower than the beam, steep flanks, and walls thinner than the probe resolves can be missed or read too thick."
                .to_owned(),
            "Where no echo could be trusted there is no thickness; nothing was filled in, smoothed or taken over from neighbours."
                .to_owned(),
            "Where a place was passed twice the minimum reading counts.".to_owned(),
            "Places come from an encoder wheel: slip and side drift move them, and a line was not surveyed on the wall.".to_owned(),
            "The figures are measurements and screening numbers. Local codes, the written procedure, and the responsible engineer decide \
             about fitness for service."
                .to_owned(),
        ];
        if self.job.contents.plan.probe.beam_width.is_none() {
            lines.push("The plan does not give the beam's width; the scanned share of the surface rests on an assumed one.".to_owned());
        }
        if self.wanted.template.is_brief {
            lines.truncate(BRIEF_METHOD);
        }
        self.out.bullets(lines);
    }

    pub(super) fn seals(&mut self) {
        self.out.paragraph(
            "Each closed run carries a BLAKE3 digest of all it contains. `backwall verify` computes it again, and every reading from its waveform. \
             The seal covers them all and every statement about the job. A change or a removal shows only against a copy kept \
             elsewhere, such as this page: `backwall verify --against`.",
        );
        let mut table = DocumentTable::of(&["Run", "State", "Readings>", "Digest"]);
        let is_brief = self.wanted.template.is_brief;
        for run in self.job.runs.iter().filter(|_| !is_brief) {
            let state = match run.summary.state {
                RunState::Open => "STILL OPEN",
                RunState::Closed => "closed",
                RunState::Interrupted => "INTERRUPTED",
            };
            let digest = run.summary.digest.clone().unwrap_or_else(|| "none: a run gets its digest when it is closed".to_owned());
            let tone = if run.summary.state == RunState::Closed { Tone::Plain } else { Tone::Watch };
            table.toned(tone, [capital(&run.name()), state.to_owned(), run.summary.readings.to_string(), digest]);
        }
        for evaluation in self.job.contents.evaluations.iter().filter(|_| !is_brief) {
            let name = format!("Evaluation {} of run {}", evaluation.id, evaluation.start.run);
            table.row([name, "closed".to_owned(), evaluation.changes.readings.to_string(), evaluation.digest.clone()]);
        }
        if self.job.runs.is_empty() {
            self.out.paragraph("No run was made.");
        }
        self.out.table(table);
        let seal = self.job.seal.as_ref().map_or_else(
            || "none: the file is of an older format".to_owned(),
            |seal| format!("{} over {} entries", seal.digest, seal.entries),
        );
        let mut facts = vec![fact("Job file", &*self.job.file), fact("Seal of the whole job", seal)];
        facts.extend(self.wanted.issue.signed.as_deref().map(|signed| fact("Signed", signed)));
        self.out.facts(facts);
    }

    /// The seal on page one, to be taken over with a telephone or typed.
    pub(super) fn seal_code(&mut self) {
        let Some(seal) = &self.job.seal else { return };
        let title = format!("Seal of the whole job, over {} entries", seal.entries);
        let Some(code) = Qr::of_seal(&seal.digest) else { return };
        let mut figure = code.figure(&title);
        let (first, second) = seal.digest.split_at(seal.digest.len() / 2);
        let signed = self.wanted.issue.signed.as_deref().map_or("not signed", |_| "signed: see the seals");
        // In two lines: a browser's own letters may be wider than those of the figure's width.
        let kept = format!("{signed}; kept elsewhere it shows later whether");
        let lines = [title.as_str(), first, second, &kept, "anything was removed or changed:", "backwall verify JOB --against SEAL"];
        let down = |index: usize| 4.4 + 4.2 * index as f64;
        figure.height = figure.height.max(down(lines.len() - 1) + 1.6);
        for (index, line) in lines.into_iter().enumerate() {
            figure.items.push(FigureItem::Text(Text {
                at: point(figure.width + 2.0, down(index)),
                text: line.to_owned(),
                size: 3.0,
                anchor: Anchor::Start,
                turn: 0.0,
                weight: if index == 0 { LineWeight::Bold } else { LineWeight::Regular },
                ink: Ink::Black,
            }));
        }
        figure.width += BESIDE_CODE;
        self.out.figures(vec![Captioned { figure, caption: String::new() }]);
    }

    pub(super) fn signatures(&mut self) {
        let lines = self.wanted.template.signatures.clone();
        if lines.is_empty() {
            return self.out.paragraph("The template asks for no signatures.");
        }
        self.out.blocks.push(DocumentBlock::Signatures(lines));
    }
}
