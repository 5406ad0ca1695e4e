//! Run by run: the section through the wall, the spots with their waveforms, notes, marks and what happened.

use super::gather::{RunFacts, SpotFacts};
use super::summary::capital;
use super::{DocumentWriter, captioned, count, fact};
use crate::document::{Captioned, DocumentTable, Tone};
use crate::figure::data;
use crate::figure::strip;
use crate::figure::waveform::{self, WaveformFigure};
use backwall_store::{EventKind, RunId};
use backwall_survey::strip::{Level, Spot};
use backwall_units::{Length, LengthUnit};

/// Spots whose evidence is written out; the table and the exports have all.
const MOST_EVIDENCE: usize = 40;

/// Two waveforms stand side by side.
const WAVEFORM_HEIGHT: f64 = 54.0;

impl DocumentWriter<'_> {
    pub(super) fn runs(&mut self, heading: &str) {
        for run in &self.job.runs {
            self.out.heading(1, format!("{heading}: {}", run.name()));
            self.run(run);
        }
        if self.job.runs.is_empty() {
            self.out.heading(1, heading);
            self.out.paragraph("No run was made.");
        }
    }

    fn run(&mut self, run: &RunFacts) {
        let (tone, words) = run.calibration(self.wanted.unit);
        if tone != Tone::Good {
            self.out.notice(tone, words, vec![]);
        }
        if let Some((evaluation, adoption)) = self.job.contents.adopted(run.summary.id) {
            let (id, differs) = (evaluation.id, self.job.contents.differs(&evaluation.start, self.wanted.unit));
            let words = format!("The readings of evaluation {id} count as this run's: {differs}");
            let by = format!("Adopted by {}: {}.", self.signed(&adoption.by), adoption.reason);
            self.out.notice(Tone::Watch, words, vec![by, "The run's own readings stay in the job file.".to_owned()]);
        }
        let flaws = run.flaws();
        if !flaws.is_empty() {
            let lines = flaws.into_iter().map(|flaw| format!("This run {flaw}")).collect();
            self.out.notice(Tone::Watch, "Read these results with this in mind", lines);
        }
        self.out.facts(self.run_facts(run));
        self.spots(run);
        if run.wall.strip.extent().is_some() {
            self.strip(run);
        } else {
            self.out.paragraph("No reading has a place on the wall, so there is no section to draw.");
        }
        self.waveforms(run);
        self.said(run);
        self.happened(run);
        self.evaluations(run);
    }

    fn run_facts(&self, run: &RunFacts) -> Vec<(String, String)> {
        let (summary, unit) = (&run.summary, self.wanted.unit);
        let start = &summary.start;
        let (from, to) = start.path.span();
        let ended = summary.closed_us.map_or_else(|| "not ended".to_owned(), |us| self.time(us));
        let driven = summary.from.zip(summary.to).map_or_else(|| "no place was recorded".to_owned(), |(from, to)| self.stretch(from, to));
        let line = self.job.contents.plan.line(&start.line);
        let azimuth = line.and_then(|line| line.azimuth_deg).map_or_else(String::new, |azimuth| format!(", azimuth {azimuth}°"));
        let elevation = line
            .and_then(|line| line.elevation)
            .map_or_else(String::new, |at| format!(", elevation {} {}", unit.place(at), unit.place_symbol()));
        let mut setup = start.setup_id.map_or_else(|| "never entered in the job".to_owned(), |id| format!("no. {id}"));
        for change in &summary.changes {
            let entry = self.job.contents.setups.iter().find(|entry| entry.id == change.setup_id);
            let origin = entry.map_or_else(String::new, |entry| entry.origin.words(unit));
            setup += &format!("; from reading {} on no. {}: {origin}", change.from_row + 1, change.setup_id);
        }
        let fastest = run.fastest.map_or_else(|| "not known".to_owned(), |speed| format!("{} {}", unit.speed(speed), unit.speed_symbol()));
        let place = |at| format!("{} {}", unit.place(at), unit.place_symbol());
        let mut offset = match start.path.offset {
            Length::ZERO => String::new(),
            offset => format!("; started at {}, {} from the line's start", place(start.path.start), place(offset)),
        };
        for placed in &summary.placed {
            offset += &format!("; place set to {} at reading {}", place(placed.along), placed.from_row + 1);
        }
        let mut facts = vec![
            fact(
                "Line",
                format!("{}, {}{azimuth}{elevation}; planned {}{offset}", start.line, start.path.direction.word(), self.stretch(from, to)),
            ),
            fact("Driven", format!("{driven}; fastest {fastest}")),
            fact("Recorded", format!("{} to {ended} by {}; {}", self.time(start.started_us), start.operator, summary.reason)),
            fact("Readings", format!("{}, {} without an echo, {} lost", summary.readings, summary.no_echo, count(summary.lost, "shot"))),
            fact("Set-up", setup),
            fact("Wall temperature at the start", self.temperature(start.wall_temperature)),
        ];
        let least =
            run.thinnest.iter().filter_map(|reading| Some((reading.measurement.thickness?, reading))).min_by(|a, b| a.0.total_cmp(&b.0));
        facts.push(fact(
            "Minimum reading",
            least.map_or_else(|| "none: there is no reading with an echo".to_owned(), |(_, reading)| self.where_found(run, reading)),
        ));
        facts
    }

    fn strip(&mut self, run: &RunFacts) {
        let (from, to) = data::stretch(&run.summary, &run.wall.strip);
        let pieces = strip::pages(from, to, strip::longest(run.summary.start.path.direction));
        let job = &self.job.contents;
        let figures = pieces
            .iter()
            .enumerate()
            .map(|(index, piece)| {
                let figure = data::strip_figure(job, &run.summary, &run.validity, &run.wall, *piece, self.wanted.unit, None);
                let part = if pieces.len() > 1 { format!(", part {} of {}", index + 1, pieces.len()) } else { String::new() };
                captioned(figure, format!("Section through the wall along {}{part}. Each row is the minimum reading of its stretch; hatched: no echo; blank: not driven.", run.name()))
            })
            .collect();
        self.out.figures(figures);
    }

    fn spots(&mut self, run: &RunFacts) {
        let spots = &run.wall.spots;
        self.out.heading(2, format!("Spots of {}", run.name()));
        if spots.is_empty() {
            let judged = run.summary.start.limits.courses.iter().any(|course| course.required.is_some());
            let words = match (judged, run.statistics.read) {
                (_, 0) => "None: nothing was read.",
                (false, _) => "None could be found: no required thickness is known.",
                (true, _) => "No stretch under a limit was found among the readings with an echo.",
            };
            return self.out.paragraph(words);
        }
        let unit = self.wanted.unit;
        let mut table = DocumentTable::of(&[
            "No.",
            "Level",
            &format!("From, {}>", unit.place_symbol()),
            &format!("To, {}>", unit.place_symbol()),
            "Length>",
            &self.head("Minimum"),
            &format!("At, {}>", unit.place_symbol()),
            "Course>",
            &self.head("Required"),
            &self.head("Left"),
            "Readings>",
            "Kind",
            "Acknowledged",
            "By hand",
        ]);
        let limits = &run.summary.start.limits;
        let left = |spot: &Spot| limits.required(spot.course).map(|required| spot.least - required);
        for spot in spots {
            let edge = |along: Option<backwall_units::Length>| along.map_or_else(|| "–".to_owned(), |along| unit.place(along));
            table.toned(
                if spot.level == Level::Thin { Tone::Bad } else { Tone::Watch },
                [
                    spot.id.to_string(),
                    spot.level.word().to_owned(),
                    edge(spot.edges.map(|edges| edges.0)),
                    edge(spot.edges.map(|edges| edges.1)),
                    spot.length().map_or_else(|| "–".to_owned(), |length| self.long(length)),
                    self.bare(Some(spot.least)),
                    edge(spot.least_at),
                    spot.course.map_or_else(|| "–".to_owned(), |course| course.to_string()),
                    self.bare(limits.required(spot.course)),
                    self.bare(left(spot)),
                    spot.readings.to_string(),
                    spot.finding.map_or("–", |finding| finding.kind.word()).to_owned(),
                    if spot.acknowledged { "yes" } else { "new" }.to_owned(),
                    self.proven(run.summary.id, spot),
                ],
            );
        }
        self.shortened(table, "spots", "in the order they were found");
        self.evidence(run.summary.id, spots);
    }

    /// What speaks for the kind of each spot, and what proves it.
    fn evidence(&mut self, run: RunId, spots: &[Spot]) {
        let line = |spot: &Spot| {
            let proven = self.proven_sentence(run, spot);
            let Some(finding) = spot.finding else { return proven.map(|proven| format!("Spot {}: {proven}.", spot.id)) };
            let advice = match (&proven, finding.kind.advice()) {
                (Some(proven), _) => format!(". {proven}"),
                (None, "") => String::new(),
                (None, advice) => format!(". {}", capital(advice)),
            };
            Some(format!("Spot {}, {}: {}{advice}.", spot.id, finding.kind.word(), finding.evidence(self.wanted.unit)))
        };
        let lines: Vec<String> = spots.iter().filter_map(line).collect();
        for line in lines.into_iter().take(MOST_EVIDENCE) {
            self.out.paragraph(line);
        }
    }

    fn waveforms(&mut self, run: &RunFacts) {
        if run.wall.spots.is_empty() {
            return;
        }
        let figures: Vec<Captioned> = run.looked_at.iter().filter_map(|spot| self.waveform(run, spot)).collect();
        let without = run.looked_at.iter().filter(|spot| spot.waveform.is_none()).count();
        let left_out = run.wall.spots.len() - run.looked_at.len();
        if !figures.is_empty() {
            self.out.heading(2, format!("Waveforms at the spots of {}, worst first", run.name()));
        }
        self.out.figures(figures);
        if without > 0 {
            self.out.paragraph(format!(
                "{} no waveform: the device sent finished values.",
                if without == 1 { "1 spot has".to_owned() } else { format!("{without} spots have") }
            ));
        }
        if left_out > 0 {
            let words =
                format!("The waveforms of {} less severe are left out; `backwall review` shows them all.", count(left_out as u64, "spot"));
            self.out.paragraph(words);
        }
    }

    fn waveform(&self, run: &RunFacts, of: &SpotFacts) -> Option<Captioned> {
        let waveform = of.waveform.as_ref()?;
        let measurement = &of.reading.measurement;
        let figure = waveform::draw(&WaveformFigure {
            title: format!(
                "Spot {}, {}: {} at {}",
                of.spot.id,
                of.spot.level,
                self.thickness_or(measurement.thickness, "no echo"),
                self.place(of.reading.place.along)
            ),
            subtitle: String::new(),
            unit: self.wanted.unit,
            waveform,
            gate: run.setup.gate,
            measurement,
            width: (self.wanted.paper.text_width() - 4.0) / 2.0,
            height: WAVEFORM_HEIGHT,
        });
        let flags = if measurement.flags.is_empty() { String::new() } else { format!(", {}", measurement.flags) };
        Some(captioned(figure, format!("Shot {}{flags}", of.reading.seq)))
    }

    /// Notes and marks of the operator.
    fn said(&mut self, run: &RunFacts) {
        let mut table = DocumentTable::of(&["When", "At", "Mark", "Text"]);
        let notes = run.notes.iter().map(|note| (note.at_us, note.along, "note", note.text.words(self.wanted.unit)));
        let marks = run.wall.marks.iter().map(|mark| (mark.at_us, mark.along, mark.kind.word(), mark.text.clone()));
        let mut all: Vec<_> = notes.chain(marks).collect();
        all.sort_by_key(|said| said.0);
        for (at, along, kind, text) in all {
            table.row([self.time(at), self.place(along), kind.to_owned(), text]);
        }
        if !table.rows.is_empty() {
            self.out.heading(2, format!("Notes and marks of {}", run.name()));
            self.shortened(table, "notes and marks", "later ones");
            self.kept_as_recorded(run.notes.iter().any(|note| note.text.is_recorded()));
        }
    }

    /// In a report in inches: words of a file from before values were kept apart cannot be read in them.
    pub(super) fn kept_as_recorded(&mut self, is_any: bool) {
        if is_any && self.wanted.unit == LengthUnit::Inch {
            self.out.paragraph("As recorded by an earlier version of the job file: lengths in these words are in mm, temperatures in °C.");
        }
    }

    /// What happened besides readings, without what only the screen needed.
    fn happened(&mut self, run: &RunFacts) {
        let told = |kind| !matches!(kind, EventKind::Header | EventKind::Status | EventKind::Alarm | EventKind::Acknowledged);
        let mut table = DocumentTable::of(&["When", "Event", "At", "Shot>", "What"]);
        for event in run.events.iter().filter(|event| told(event.kind)) {
            let bad = matches!(event.kind, EventKind::Overflow | EventKind::Fault);
            table.toned(
                if bad { Tone::Bad } else { Tone::Plain },
                [
                    self.time(event.at_us),
                    event.kind.word().to_owned(),
                    self.place(event.along),
                    event.seq.map_or_else(String::new, |seq| seq.to_string()),
                    event.text.words(self.wanted.unit),
                ],
            );
        }
        if !table.rows.is_empty() {
            self.out.heading(2, format!("Link, losses and faults of {}", run.name()));
            self.shortened(table, "events", "later ones");
            self.kept_as_recorded(run.events.iter().any(|event| told(event.kind) && event.text.is_recorded()));
        }
    }

    fn evaluations(&mut self, run: &RunFacts) {
        let contents = &self.job.contents;
        let of_run: Vec<_> = contents.evaluations.iter().filter(|evaluation| evaluation.start.run == run.summary.id).collect();
        if of_run.is_empty() {
            return;
        }
        self.out.heading(2, format!("{} evaluated again", capital(&run.name())));
        let mut table = DocumentTable::of(&[
            "No.",
            "By",
            "Differs in",
            "Why",
            "Changed>",
            &self.head("Minimum before"),
            &self.head("Minimum after"),
            "Calibration",
        ]);
        for evaluation in of_run {
            let changes = &evaluation.changes;
            table.row([
                evaluation.id.to_string(),
                self.signed(&evaluation.start.by),
                contents.differs(&evaluation.start, self.wanted.unit),
                evaluation.start.why.clone(),
                changes.changed.to_string(),
                self.bare(changes.before.least),
                self.bare(changes.after.least),
                contents.validity_of(evaluation).word().to_owned(),
            ]);
        }
        self.out.table(table);
        self.out.paragraph(match contents.adopted(run.summary.id) {
            Some((evaluation, _)) => format!("The results in this report are those of evaluation {}; the run's own readings and every other evaluation are kept beside them.", evaluation.id),
            None => "The results in this report are the run's own; evaluations are kept beside them and replace nothing.".to_owned(),
        });
        let mut said = DocumentTable::of(&["Counts", "By", "Why"]);
        for adoption in contents.adoptions.iter().filter(|adoption| adoption.run == run.summary.id) {
            let counts = adoption.evaluation.map_or_else(|| "the run's own readings".to_owned(), |id| format!("evaluation {id}"));
            said.row([counts, self.signed(&adoption.by), adoption.reason.clone()]);
        }
        if !said.rows.is_empty() {
            self.out.paragraph("Which readings count; the newest statement applies:");
            self.out.table(said);
        }
    }
}
