//! What was read by hand: a table with everything, and beside each spot what proves it. The crawler's own numbers stay as they are.

use super::DocumentWriter;
use super::summary::capital;
use crate::document::{DocumentTable, Tone};
use crate::hand::{self, HandRow};
use crate::words::{count, safe_text};
use backwall_store::RunId;
use backwall_survey::strip::Spot;

impl DocumentWriter<'_> {
    /// On page one: where a hand found less wall than is required.
    pub(super) fn thin_by_hand(&mut self) {
        let rows = hand::rows(&self.job.contents);
        let thin: Vec<String> = rows.iter().filter(|row| row.is_thin()).map(|row| self.hand_line(row)).collect();
        if !thin.is_empty() {
            let title = format!("THIN BY HAND: {} under the required thickness", count(thin.len() as u64, "place"));
            self.out.notice(Tone::Bad, title, thin);
        }
    }

    fn hand_line(&self, row: &HandRow<'_>) -> String {
        let what = &row.entered.what;
        let value = self.thickness_or(what.mean(), "no value");
        let required = row.required.map_or_else(String::new, |required| format!(", required {}", self.thickness(required)));
        format!("{value} read by hand, {}{required}; {}", safe_text(&what.place_words(self.wanted.unit)), safe_text(&row.entered.by.name))
    }

    /// Everything that was read by hand.
    pub(super) fn by_hand(&mut self) {
        let rows = hand::rows(&self.job.contents);
        if rows.is_empty() {
            return;
        }
        let unit = self.wanted.unit;
        let mut table = DocumentTable::of(&[
            "No.>",
            "Place",
            "Course>",
            "Values",
            &self.head("Mean"),
            &self.head("Spread"),
            &self.head("Required"),
            "Instrument and block",
            "Proves",
            "By",
            "Note",
        ]);
        for row in &rows {
            let what = &row.entered.what;
            let values: Vec<_> = what.values.iter().map(|value| unit.thickness(*value)).collect();
            let proves = what.proof.as_ref().map_or_else(|| "–".to_owned(), |proof| proof.to_string());
            table.toned(
                if row.is_thin() { Tone::Bad } else { Tone::Plain },
                [
                    row.entered.statement.to_string(),
                    safe_text(&what.place_words(unit)),
                    row.course.map_or_else(|| "–".to_owned(), |course| course.to_string()),
                    values.join(", "),
                    self.bare(what.mean()),
                    self.bare(Some(what.spread())),
                    self.bare(row.required),
                    self.gauge(row),
                    proves,
                    self.signed(&row.entered.by),
                    safe_text(&row.entered.note),
                ],
            );
        }
        self.out.heading(2, "Read by hand");
        self.out.paragraph(
            "Read with a hand-held gauge, apart from the crawler. These values are in no minimum, average, rate or date of this report; where one \
             proves a spot, the spot says so.",
        );
        self.shortened(table, "readings by hand", "in the order they were entered");
    }

    fn gauge(&self, row: &HandRow<'_>) -> String {
        let gauge = &row.entered.what.gauge;
        let name = [gauge.name.as_str(), gauge.serial.as_str()].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ");
        let name = if name.is_empty() { "instrument not named".to_owned() } else { safe_text(&name) };
        match gauge.block {
            Some(block) => {
                let (truth, read) = (self.thickness(block.truth()), self.thickness(block.measured()));
                format!("{name}; read {read} on a block of {truth}, {}", self.time(block.at_us))
            }
            None => format!("{name}; no block"),
        }
    }

    /// What is known of a spot by hand or by other means, for its row.
    pub(super) fn proven(&self, run: RunId, spot: &Spot) -> String {
        let proven = self.job.contents.force.proven(run, spot);
        proven.map_or_else(|| "–".to_owned(), |proven| proven.words(self.wanted.unit))
    }

    /// The same in a sentence, with who says so; nothing where nothing is known.
    pub(super) fn proven_sentence(&self, run: RunId, spot: &Spot) -> Option<String> {
        let contents = &self.job.contents;
        let proven = contents.force.proven(run, spot)?;
        let statement = contents.statements.iter().find(|statement| statement.id == proven.statement)?;
        let reason = if statement.reason.is_empty() { String::new() } else { format!(", {}", safe_text(&statement.reason)) };
        Some(format!("{} ({}{reason})", capital(&proven.words(self.wanted.unit)), self.signed(&statement.by)))
    }
}
