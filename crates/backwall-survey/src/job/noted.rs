//! PURE. What people add to a job besides numbers: notes and marks at a chosen place, photos, and who witnessed what.

use super::statement::RunId;
use backwall_units::{Length, LengthUnit, some_micrometres};
use serde::{Deserialize, Serialize};

/// A place the operator flagged, or that the plan knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MarkKind {
    Seam,
    Nozzle,
    Obstruction,
    Surface,
    Other,
}

impl MarkKind {
    pub const ALL: [Self; 5] = [Self::Seam, Self::Nozzle, Self::Obstruction, Self::Surface, Self::Other];
    /// Each with its word and what is meant.
    pub const WORDS: &'static [(Self, &'static str, &'static str)] = &[
        (Self::Seam, "seam", "a weld seam"),
        (Self::Nozzle, "nozzle", "a nozzle or another opening"),
        (Self::Obstruction, "obstruction", "what the crawler cannot pass"),
        (Self::Surface, "surface", "paint, rust or dirt on the surface"),
        (Self::Other, "other", "anything else"),
    ];

    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(kind, ..)| *kind == self).map_or("", |(_, word, _)| word)
    }
}

/// What something was added to: the job, a line, a run; and a place along it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Where {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<RunId>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    #[serde(rename = "along_um", with = "some_micrometres", default, skip_serializing_if = "Option::is_none")]
    pub along: Option<Length>,
}

impl Where {
    /// `run 3, A090 at 1.234 m`; nothing where it is of the whole job.
    pub fn words(&self, unit: LengthUnit) -> String {
        let mut words = Vec::new();
        words.extend(self.run.map(|run| format!("run {run}")));
        let at = self.along.map(|along| format!("at {} {}", unit.place(along), unit.place_symbol()));
        let placed: Vec<String> = self.line.clone().into_iter().chain(at).collect();
        if !placed.is_empty() {
            words.push(placed.join(" "));
        }
        words.join(", ")
    }
}

/// A note, or a mark where it has a kind, put at a place afterwards.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Noted {
    pub at: Where,
    /// Makes it a mark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<MarkKind>,
    pub text: String,
    /// Drawn with characters, line by line, for letters of one width.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub drawing: String,
}

/// A photo: where its file is kept, and what proves that it is the one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Photo {
    pub at: Where,
    pub text: String,
    /// The name of its file.
    pub file: String,
    /// Beside the job file, in the folder of its photos; otherwise wherever who added it keeps it.
    pub kept: bool,
    /// BLAKE3 of the file, as hexadecimal digits.
    pub blake3: String,
    pub bytes: u64,
    /// When it was taken, as far as anything says so.
    pub taken: String,
    pub taken_by: PhotoClock,
    /// The photo of the plan that it is, by its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked: Option<String>,
}

/// Whose clock says when a photo was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PhotoClock {
    /// The camera's, from within the photo; of no known zone.
    Camera,
    /// The file's own time of change, UTC.
    File,
    Unknown,
}

impl Photo {
    /// When it was taken and who says so.
    pub fn taken_words(&self) -> String {
        match self.taken_by {
            PhotoClock::Camera => format!("{} by the camera's clock", self.taken),
            PhotoClock::File => format!("{} by the time of the file", self.taken),
            PhotoClock::Unknown => "not known when".to_owned(),
        }
    }
}

/// Somebody saw something being done, and gives name and initials for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Witness {
    pub name: String,
    pub initials: String,
    /// Whom the witness stands for.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub of: String,
    pub what: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<RunId>,
    /// The witness point of the plan that it is, by its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked: Option<String>,
}

/// What something is, where, and what it says, for a list of statements.
fn listed(what: &str, at: &Where, text: &str, unit: LengthUnit) -> String {
    let mut words = what.to_owned();
    let at = at.words(unit);
    if !at.is_empty() {
        words += &format!(", {at}");
    }
    if !text.is_empty() {
        words += &format!(": {text}");
    }
    words
}

impl Noted {
    pub fn words(&self, unit: LengthUnit) -> String {
        let what = self.mark.map_or_else(|| "note".to_owned(), |kind| format!("mark {}", kind.word()));
        let drawing = if self.drawing.is_empty() { "" } else { ", with a drawing" };
        listed(&what, &self.at, &self.text, unit) + drawing
    }
}

impl Photo {
    pub fn words(&self, unit: LengthUnit) -> String {
        listed(&format!("photo {}", self.file), &self.at, &self.text, unit)
    }
}

impl std::fmt::Display for Witness {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let of = if self.of.is_empty() { String::new() } else { format!(", {}", self.of) };
        let run = self.run.map_or_else(String::new, |run| format!(", run {run}"));
        write!(f, "witnessed by {} ({}{of}){run}: {}", self.name, self.initials, self.what)
    }
}
