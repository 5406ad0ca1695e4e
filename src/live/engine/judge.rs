//! What neighbours make of the readings, and of the spots they lie in.

use super::{Engine, LAST_ROWS, Notice, Outcome};
use backwall_store::{Entry, EventKind};
use backwall_survey::neighbours::{Judgement, Neighbour};
use backwall_survey::reading::Reading;
use backwall_ultrasound::{Flag, Sight};

impl Engine {
    /// What its neighbours make of the readings up to here.
    pub(super) fn judge(&mut self, reading: &Reading, sight: &Sight, out: &mut Outcome) {
        let Some(neighbour) = Neighbour::new(self.next_row, reading, sight) else { return };
        self.last_rows.push_back((self.next_row, reading.seq));
        if self.last_rows.len() > LAST_ROWS {
            self.last_rows.pop_front();
        }
        let judgements = self.neighbours.push(neighbour);
        for judgement in judgements.iter().filter(|judgement| judgement.flags.has(Flag::Alone)) {
            let seq = self.last_rows.iter().find(|(row, _)| *row == judgement.rows.0).map(|(_, seq)| *seq);
            let gone = seq.map_or_else(Vec::new, |seq| self.wall().withdraw(seq, &self.limits));
            for spot in gone {
                let text = format!("spot {} is taken back: its readings stand alone", spot.id);
                self.event(EventKind::Alarm, text, reading.host_time_us, out);
                out.entries.push(Entry::Spot(spot));
            }
        }
        self.judged(judgements, false, reading.host_time_us, out);
    }

    pub(super) fn judged(&mut self, judgements: Vec<Judgement>, all: bool, at_us: i64, out: &mut Outcome) {
        let known = self.stretches.len();
        self.stretches.extend(judgements.iter().filter_map(|judgement| judgement.stretch));
        let news = self.stretches.len() > known;
        out.entries.extend(judgements.into_iter().map(Entry::Judgement));
        // A spot is judged when all that lies behind the crawler is.
        let left = self.unjudged > 0 && !self.wall().spots.is_inside();
        if !all && !(self.neighbours.is_settled() && (news || left)) {
            return;
        }
        let judged = self.wall().judge(&self.stretches, all);
        for spot in judged {
            // What only grew more certain is kept, not said again.
            if let Some(finding) = spot.finding.filter(|finding| self.told_kinds.insert(spot.id, finding.kind) != Some(finding.kind)) {
                // What speaks for it is kept with the spot.
                self.event(EventKind::Alarm, format!("spot {}: {}", spot.id, finding.kind.word()), at_us, out);
                out.notices.push(Notice::Finding(spot.clone()));
            }
            out.entries.push(Entry::Spot(spot));
        }
        self.unjudged = 0;
    }
}
