//! What the operator asks of a running run.

use super::super::change::Changed;
use super::super::disagree::DisagreementWatch;
use super::super::view::{DeviceSaid, Misclosure, RunCommand};
use super::super::{ordered, place};
use super::{Engine, Notice, Outcome};
use backwall_store::{CloseReason, Entry, EventKind, Mark, Note};
use backwall_stream::command::{CommandKind, CommandOrder, Ordered};
use backwall_survey::strip::SpotId;
use backwall_survey::travel::encoder_check::misclosure;
use backwall_units::{Length, Time, Wording};
use std::sync::Arc;

/// Of what was sent and changed readings.
const BEHIND_CALIBRATION: &str = ": the calibration was made before it, verify on a block";

impl Engine {
    /// What was sent on the bench behind the calibration the run goes by.
    pub fn adjusted_before(&mut self, sent: &[String], at_us: i64, out: &mut Outcome) {
        for words in sent {
            let text = format!("{words} on the bench{BEHIND_CALIBRATION}");
            self.device = DeviceSaid { count: self.device.count + 1, words: text.clone(), is_doubt: true, adjusted: true };
            self.event(EventKind::Adjusted, text, at_us, out);
        }
    }

    /// Takes what the operator asks for; a reason when the run is to end.
    pub fn command(&mut self, command: RunCommand, at_us: i64, out: &mut Outcome) -> Option<CloseReason> {
        let (along, seq) = match &self.reading {
            Some(reading) => (reading.place.along, Some(reading.seq)),
            None => (None, None),
        };
        match command {
            RunCommand::Mark { kind, text } => {
                let mark = Mark { kind, along, seq, text, at_us };
                self.wall().marks.push(mark.clone());
                out.entries.push(Entry::Mark(mark));
            }
            RunCommand::AtDatum => {
                if let Some(returned) = along {
                    let found = Misclosure { off: misclosure(self.start, returned), reach: self.reach };
                    let note = Note { run: None, along, text: found.words(), at_us };
                    self.wall().notes.push(note.clone());
                    out.entries.push(Entry::Note(note));
                }
            }
            RunCommand::MarkText(text) => {
                let mark = self.wall().marks.last_mut().map(|mark| {
                    mark.text = text;
                    mark.clone()
                });
                // Stored again with its words; the later one counts.
                out.entries.extend(mark.map(Entry::Mark));
            }
            RunCommand::Note { text, begun } => {
                let note = Note { run: None, along: begun, text: text.into(), at_us };
                self.wall().notes.push(note.clone());
                out.entries.push(Entry::Note(note));
            }
            RunCommand::Acknowledge(id) => self.acknowledge(&[id], at_us, out),
            RunCommand::AcknowledgeAll => {
                let open: Vec<SpotId> = self.wall().spots.open().map(|spot| spot.id).collect();
                self.acknowledge(&open, at_us, out);
            }
            RunCommand::SetPlace { along, across } => self.set_place(along, across, at_us, out),
            RunCommand::Change(change) => self.change(change, at_us, out),
            RunCommand::Send(order) => {
                self.ordered(&order, &Ordered::NotSent(ordered::NO_LINE.to_owned()), at_us, out);
            }
            RunCommand::End => return Some(CloseReason::Operator),
            RunCommand::Terminate => return Some(CloseReason::Terminated),
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
        let text = Wording::from(format!("from here on with set-up {}: ", change.setup_id)).then(&change.origin);
        self.event(EventKind::Setup, text, at_us, out);
    }

    /// Keeps what became of something that was to be sent to the device.
    pub(super) fn ordered(&mut self, order: &CommandOrder, became: &Ordered, at_us: i64, out: &mut Outcome) {
        let kind = order.kind;
        let adjusts = *became == Ordered::Sent && kind.touches_readings() && !self.follows_gain(kind);
        let mut text = ordered::words(order, became);
        if adjusts {
            text += BEHIND_CALIBRATION;
        }
        let is_doubt = adjusts || matches!(became, Ordered::Unanswered | Ordered::NotSent(_));
        self.device = DeviceSaid { count: self.device.count + 1, words: text.clone(), is_doubt, adjusted: self.device.adjusted || adjusts };
        let kind = if adjusts { EventKind::Adjusted } else { EventKind::Command };
        self.event(kind, text.clone(), at_us, out);
        out.notices.push(if is_doubt { Notice::Fault(text.into()) } else { Notice::Link { up: true, text } });
    }

    /// Whether readings stand as before: nothing was calibrated, or both the blocks and the shots say their gain, which is then taken off.
    fn follows_gain(&self, kind: CommandKind) -> bool {
        let Some(calibration) = &self.setup.calibration else { return true };
        let said = self.reading.as_ref().is_some_and(|reading| reading.gain.as_db().is_finite() && reading.gain.as_db() != 0.0);
        kind == CommandKind::Gain && calibration.gain.is_some() && said
    }

    /// Places go on from a known one, from the next shot on. Readings before it and behind it are no neighbours.
    pub(super) fn set_place(&mut self, along: Length, across: Option<Length>, at_us: i64, out: &mut Outcome) {
        let counted = self.reading.as_ref().and_then(|reading| reading.place.along);
        self.goes_on_from(along, across, at_us, out);
        self.placed = Some((along, across));
        self.event(EventKind::Place, place::words(counted, along, across), at_us, out);
    }
}
