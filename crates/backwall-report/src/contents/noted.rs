//! What people added to the job besides numbers: notes of no run, drawings, photos, and who witnessed what.

use super::{DocumentWriter, captioned};
use crate::document::DocumentTable;
use crate::figure::{Anchor, Figure, Text, point};
use crate::picture::Picture;
use crate::words::{bytes, safe_text};
use backwall_survey::job::noted::Noted;

/// A letter of a drawing on paper, millimetres: its pitch and that of the lines, and the smallest pitch that can be read.
const PITCH: (f64, f64) = (1.9, 3.6);

impl DocumentWriter<'_> {
    pub(super) fn noted(&mut self) {
        self.other_notes();
        self.drawings();
        self.photos();
        self.witnessed();
    }

    /// Notes and marks of a line or of the job; those of a run stand with it.
    fn other_notes(&mut self) {
        let mut table = DocumentTable::of(&["At", "Mark", "Text", "By"]);
        for entered in self.job.contents.force.notes.iter().filter(|entered| entered.what.at.run.is_none()) {
            let Noted { at, mark, text, .. } = &entered.what;
            let kind = mark.map_or("note", |kind| kind.word());
            let at = at.words(self.wanted.unit);
            let at = if at.is_empty() { "the job".to_owned() } else { safe_text(&at) };
            table.row([at, kind.to_owned(), safe_text(text), self.signed(&entered.by)]);
        }
        if !table.rows.is_empty() {
            self.out.heading(2, "Notes and marks put afterwards");
            self.out.table(table);
        }
    }

    fn drawings(&mut self) {
        let width = self.wanted.paper.text_width();
        let notes = &self.job.contents.force.notes;
        let drawn: Vec<_> = notes
            .iter()
            .filter(|entered| !entered.what.drawing.is_empty())
            .map(|entered| {
                let at = entered.what.at.words(self.wanted.unit);
                let words = [safe_text(&entered.what.text), safe_text(&at), self.signed(&entered.by)];
                let words: Vec<_> = words.into_iter().filter(|part| !part.is_empty()).collect();
                captioned(drawing(&entered.what.drawing, width), words.join("; "))
            })
            .collect();
        if !drawn.is_empty() {
            self.out.heading(2, "Drawings");
            self.out.figures(drawn);
        }
    }

    fn photos(&mut self) {
        let mut table = DocumentTable::of(&["No.>", "File", "Of", "Shows", "Taken", "Size>", "BLAKE3", "Added by"]);
        let mut shown = Vec::new();
        for (index, (entered, picture)) in self.job.contents.force.photos.iter().zip(&self.job.photos).enumerate() {
            let photo = &entered.what;
            let number = index + 1;
            let state = match picture {
                Ok(picture) => {
                    let at = safe_text(&photo.at.words(self.wanted.unit));
                    let words: Vec<_> = [at, safe_text(&photo.text)].into_iter().filter(|words| !words.is_empty()).collect();
                    shown.push(Picture { caption: format!("Photo {number}: {}", words.join("; ")), ..picture.clone() });
                    String::new()
                }
                Err(why) => format!(" ({})", safe_text(why)),
            };
            table.row([
                number.to_string(),
                format!("{}{state}", safe_text(&photo.file)),
                safe_text(&photo.at.words(self.wanted.unit)),
                safe_text(&photo.text),
                safe_text(&photo.taken_words()),
                bytes(photo.bytes),
                photo.blake3.clone(),
                self.signed(&entered.by),
            ]);
        }
        if !table.rows.is_empty() {
            self.out.heading(2, "Photos");
            self.out.paragraph(
                "The files are beside the job file, in the folder of its photos; `backwall verify` checks them against these digests.",
            );
            self.shortened(table, "photos", "in the order they were added");
            self.out.pictures(shown);
        }
    }

    fn witnessed(&mut self) {
        let mut table = DocumentTable::of(&["What was witnessed", "By", "Initials", "For", "Run>", "Entered by"]);
        for entered in &self.job.contents.force.witnessed {
            let witness = &entered.what;
            table.row([
                safe_text(&witness.what),
                safe_text(&witness.name),
                safe_text(&witness.initials),
                safe_text(&witness.of),
                witness.run.map_or_else(|| "–".to_owned(), |run| run.to_string()),
                self.signed(&entered.by),
            ]);
        }
        if !table.rows.is_empty() {
            self.out.heading(2, "Witnessed");
            self.out.table(table);
        }
    }
}

/// Characters at one pitch, whatever their own widths, so that what was drawn with them keeps its shape.
fn drawing(text: &str, width: f64) -> Figure {
    let lines: Vec<Vec<char>> = text.lines().map(|line| line.chars().collect()).collect();
    let widest = lines.iter().map(Vec::len).max().unwrap_or(1).max(1);
    let pitch = PITCH.0.min(width / widest as f64);
    let size = pitch / PITCH.0 * 3.0;
    let down = pitch / PITCH.0 * PITCH.1;
    let mut figure = Figure::new("drawing", pitch * widest as f64, down * lines.len() as f64 + size * 0.4);
    for (row, line) in lines.iter().enumerate() {
        for (column, letter) in line.iter().enumerate().filter(|(_, letter)| !letter.is_whitespace()) {
            let at = point((column as f64 + 0.5) * pitch, (row as f64 + 1.0) * down - size * 0.2);
            figure.text(Text::new(at, safe_text(&letter.to_string()), size).anchored(Anchor::Middle));
        }
    }
    figure
}
