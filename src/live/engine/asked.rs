//! What the operator asks of a running run.

use super::super::change::Changed;
use super::super::disagree::DisagreementWatch;
use super::super::place;
use super::super::view::{Command, Misclosure};
use super::{Engine, Outcome};
use backwall_store::{CloseReason, Entry, EventKind, Mark, Note};
use backwall_survey::strip::SpotId;
use backwall_survey::travel::encoder_check::misclosure;
use backwall_units::{Length, Time};
use std::sync::Arc;

impl Engine {
    /// Takes what the operator asks for; a reason when the run is to end.
    pub fn command(&mut self, command: Command, at_us: i64, out: &mut Outcome) -> Option<CloseReason> {
        let (along, seq) = match &self.reading {
            Some(reading) => (reading.place.along, Some(reading.seq)),
            None => (None, None),
        };
        match command {
            Command::Mark { kind, text } => {
                let mark = Mark { kind, along, seq, text, at_us };
                self.wall().marks.push(mark.clone());
                out.entries.push(Entry::Mark(mark));
            }
            Command::AtDatum => {
                if let Some(returned) = along {
                    let found = Misclosure { off: misclosure(self.start, returned), reach: self.reach };
                    let note = Note { run: None, along, text: found.words(), at_us };
                    self.wall().notes.push(note.clone());
                    out.entries.push(Entry::Note(note));
                }
            }
            Command::MarkText(text) => {
                let mark = self.wall().marks.last_mut().map(|mark| {
                    mark.text = text;
                    mark.clone()
                });
                // Stored again with its words; the later one counts.
                out.entries.extend(mark.map(Entry::Mark));
            }
            Command::Note { text, begun } => {
                let note = Note { run: None, along: begun, text, at_us };
                self.wall().notes.push(note.clone());
                out.entries.push(Entry::Note(note));
            }
            Command::Acknowledge(id) => self.acknowledge(&[id], at_us, out),
            Command::AcknowledgeAll => {
                let open: Vec<SpotId> = self.wall().spots.open().map(|spot| spot.id).collect();
                self.acknowledge(&open, at_us, out);
            }
            Command::SetPlace(along) => self.set_place(along, at_us, out),
            Command::Change(change) => self.change(change, at_us, out),
            Command::End => return Some(CloseReason::Operator),
            Command::Terminate => return Some(CloseReason::Terminated),
        }
        None
    }

    pub(super) fn acknowledge(&mut self, ids: &[SpotId], at_us: i64, out: &mut Outcome) {
        for id in ids {
            let spot = {
                let mut wall = self.wall();
                wall.acknowledge(*id);
                wall.spots.spots().iter().find(|spot| spot.id == *id).cloned()
            };
            if let Some(spot) = spot {
                out.entries.push(Entry::Spot(spot));
                self.event(EventKind::Acknowledged, format!("spot {id} acknowledged"), at_us, out);
            }
        }
    }

    /// Goes on with another set-up, from the next shot on. Readings by two set-ups are no neighbours.
    pub(super) fn change(&mut self, change: Changed, at_us: i64, out: &mut Outcome) {
        if let Err(error) = self.maker.set_setup((*change.setup).clone()) {
            return self.fault(format!("the set-up of this run was NOT changed, it could not evaluate: {error}"), at_us, out);
        }
        let judgements = self.neighbours.end();
        self.judged(judgements, false, at_us, out);
        self.last_rows.clear();
        (self.setup, self.changed) = (Arc::new(*change.setup), true);
        (self.zero, self.zero_told, self.cause_told) = (None, Time::ZERO, None);
        self.disagreement = DisagreementWatch::default();
        out.entries.push(Entry::SetupChange(change.setup_id));
        self.event(EventKind::Setup, format!("from here on with set-up {}: {}", change.setup_id, change.origin), at_us, out);
    }

    /// Places go on from a known one, from the next shot on. Readings before it and behind it are no neighbours.
    pub(super) fn set_place(&mut self, along: Length, at_us: i64, out: &mut Outcome) {
        let counted = self.reading.as_ref().and_then(|reading| reading.place.along);
        self.goes_on_from(along, at_us, out);
        self.event(EventKind::Place, place::words(counted, along), at_us, out);
    }
}
