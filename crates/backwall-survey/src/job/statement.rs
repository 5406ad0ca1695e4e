//! PURE. What people say about a job while it lives: a run that does not count, a run on another line, a new revision of the
//! plan. A statement is never changed; a later one says otherwise. What follows from all of them is in [`super::force`].

use super::basis::Basis;
use super::checklist::Signed;
use super::hand::{HandProof, HandReading};
use super::noted::{Noted, Photo, Witness};
use super::plan::Plan;
use backwall_units::LengthUnit;
use serde::{Deserialize, Serialize};

/// Numbers a run within its job, from 1.
pub type RunId = i64;

/// One statement, as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Statement {
    /// 1, 2, 3 … in the order they were made; 0 before it is kept.
    pub id: i64,
    pub said: Said,
    /// Why, in words.
    pub reason: String,
    pub by: Signed,
}

/// What is said. The serde form, without its `kind`, is the body that is kept: see [`Said::body`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Said {
    /// The run does not count.
    Void { run: RunId },
    /// A run that did not count counts again.
    Restore { run: RunId },
    /// The run was driven along another line; `mirrored` where from its far end.
    Reassign { run: RunId, line: String, mirrored: bool },
    /// The run stands in for another, which no longer counts.
    Replace { run: RunId, replaced: RunId },
    /// The run goes on where another ended: both are one way along the line.
    Join { run: RunId, with: RunId },
    /// A spot of a run that has ended, by the number of its minimum shot, was taken note of.
    Acknowledge { run: RunId, seq: u32 },
    /// A run that ended in the middle stays as it is: nothing goes on from it.
    Leave { run: RunId },
    /// A new revision of the plan.
    Plan(Box<Revision>),
    /// What assessments judge by from now on.
    Basis(Box<BasisText>),
    /// A part of the kit was changed for another: what was calibrated with the old one holds no more.
    Swap(Swap),
    /// A shift begins.
    SignOn(SignOn),
    /// A shift ends.
    SignOff(SignOff),
    /// A thickness was read by hand.
    HandReading(Box<HandReading>),
    /// A spot was proven otherwise than by a thickness read by hand; the reason says how.
    Confirm(HandProof),
    /// A note or a mark, put at a place afterwards.
    Note(Noted),
    /// A photo.
    Photo(Photo),
    /// Somebody saw something being done.
    Witness(Witness),
    /// An earlier statement is taken back.
    Withdraw { statement: i64 },
}

/// A plan as its file has it, with what it says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "RevisionText", into = "RevisionText")]
pub struct Revision {
    pub text: String,
    pub plan: Plan,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RevisionText {
    plan_toml: String,
}

impl TryFrom<RevisionText> for Revision {
    type Error = toml::de::Error;
    /// By its schema alone: a rule added later must not lock a job out that was good when it was made.
    fn try_from(RevisionText { plan_toml: text }: RevisionText) -> Result<Self, Self::Error> {
        Ok(Self { plan: toml::from_str(&text)?, text })
    }
}
impl From<Revision> for RevisionText {
    fn from(revision: Revision) -> Self {
        Self { plan_toml: revision.text }
    }
}

/// A basis as its file has it, with what it says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "BasisWritten", into = "BasisWritten")]
pub struct BasisText {
    pub text: String,
    pub basis: Basis,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct BasisWritten {
    basis_toml: String,
}

impl TryFrom<BasisWritten> for BasisText {
    type Error = toml::de::Error;
    /// By its schema alone, as a revision of the plan.
    fn try_from(BasisWritten { basis_toml: text }: BasisWritten) -> Result<Self, Self::Error> {
        Ok(Self { basis: toml::from_str(&text)?, text })
    }
}
impl From<BasisText> for BasisWritten {
    fn from(basis: BasisText) -> Self {
        Self { basis_toml: basis.text }
    }
}

/// Which part was changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Swap {
    pub part: Part,
    /// Serial numbers of the old and the new one; empty where it has none.
    pub was: String,
    pub serial: String,
}

/// Parts that a calibration or the encoder's scale hangs on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    Probe,
    Tyre,
    Crawler,
    Instrument,
    Cable,
}

impl Part {
    /// Each with its word and what is meant.
    pub const ALL: &'static [(Self, &'static str, &'static str)] = &[
        (Self::Probe, "probe", "the probe"),
        (Self::Tyre, "tyre", "the probe wheel's tyre"),
        (Self::Crawler, "crawler", "the crawler, its wheels or its encoder"),
        (Self::Instrument, "instrument", "the pulser and receiver"),
        (Self::Cable, "cable", "the probe's cable"),
    ];

    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(part, ..)| *part == self).map_or("", |(_, word, _)| word)
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignOn {
    /// Who works this shift, besides who says so.
    pub crew: Vec<String>,
    pub weather: String,
    /// The gas test and what it read, or why none is needed.
    pub gas: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignOff {
    /// What the next shift must know.
    pub handover: String,
}

impl Said {
    /// The word that the file keeps it under.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Void { .. } => "void",
            Self::Restore { .. } => "restore",
            Self::Reassign { .. } => "reassign",
            Self::Replace { .. } => "replace",
            Self::Join { .. } => "join",
            Self::Acknowledge { .. } => "acknowledge",
            Self::Leave { .. } => "leave",
            Self::Plan(_) => "plan",
            Self::Basis(_) => "basis",
            Self::Swap(_) => "swap",
            Self::SignOn(_) => "sign-on",
            Self::SignOff(_) => "sign-off",
            Self::HandReading(_) => "hand-reading",
            Self::Confirm(_) => "confirm",
            Self::Note(_) => "note",
            Self::Photo(_) => "photo",
            Self::Witness(_) => "witness",
            Self::Withdraw { .. } => "withdraw",
        }
    }

    /// Every run it says something of, the one it is about in front.
    pub fn runs(&self) -> Vec<RunId> {
        match self {
            Self::Void { run }
            | Self::Restore { run }
            | Self::Reassign { run, .. }
            | Self::Leave { run }
            | Self::Acknowledge { run, .. } => vec![*run],
            Self::Replace { run, replaced } => vec![*run, *replaced],
            Self::Join { run, with } => vec![*run, *with],
            Self::HandReading(reading) => reading.proof.iter().map(|proof| proof.run).collect(),
            Self::Confirm(proof) => vec![proof.run],
            Self::Note(Noted { at, .. }) | Self::Photo(Photo { at, .. }) => at.run.into_iter().collect(),
            Self::Witness(witness) => witness.run.into_iter().collect(),
            Self::Plan(_) | Self::Basis(_) | Self::Swap(_) | Self::SignOn(_) | Self::SignOff(_) | Self::Withdraw { .. } => Vec::new(),
        }
    }

    /// Whether it can be said of a run that is still being recorded: what only stands beside it can.
    pub const fn may_be_of_an_open_run(&self) -> bool {
        matches!(self, Self::Note(_) | Self::Photo(_) | Self::Witness(_))
    }

    /// Whether it must say why.
    pub const fn needs_reason(&self) -> bool {
        !matches!(
            self,
            Self::SignOn(_)
                | Self::SignOff(_)
                | Self::Acknowledge { .. }
                | Self::HandReading(_)
                | Self::Note(_)
                | Self::Photo(_)
                | Self::Witness(_)
        )
    }

    /// In words, for lists of amendments.
    pub fn words(&self, unit: LengthUnit) -> String {
        match self {
            Self::HandReading(reading) => reading.words(unit),
            Self::Note(note) => note.words(unit),
            Self::Photo(photo) => photo.words(unit),
            other => other.to_string(),
        }
    }

    /// What is said besides its kind, as canonical JSON: keys sorted, no spaces, so the same bytes everywhere.
    pub fn body(&self) -> Result<String, serde_json::Error> {
        let mut value = serde_json::to_value(self)?;
        if let Some(object) = value.as_object_mut() {
            object.remove("kind");
        }
        serde_json::to_string(&value)
    }

    /// The same read back.
    pub fn read(kind: &str, body: &str) -> Result<Self, serde_json::Error> {
        let mut value: serde_json::Value = serde_json::from_str(body)?;
        if let Some(object) = value.as_object_mut() {
            object.insert("kind".to_owned(), kind.into());
        }
        serde_json::from_value(value)
    }
}

impl std::fmt::Display for Said {
    /// The same in millimetres.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Void { run } => write!(f, "run {run} does not count"),
            Self::Restore { run } => write!(f, "run {run} counts again"),
            Self::Reassign { run, line, mirrored: false } => write!(f, "run {run} was driven along line {line}"),
            Self::Reassign { run, line, mirrored: true } => write!(f, "run {run} was driven along line {line}, from its far end"),
            Self::Replace { run, replaced } => write!(f, "run {run} replaces run {replaced}"),
            Self::Join { run, with } => write!(f, "run {run} goes on where run {with} ended"),
            Self::Acknowledge { run, seq } => write!(f, "the spot of run {run} at shot {seq} is acknowledged"),
            Self::Leave { run } => write!(f, "run {run} is left as it is"),
            Self::Plan(_) => f.write_str("a new revision of the plan"),
            Self::Basis(basis) => write!(f, "assessments go by the basis '{}'", basis.basis.name),
            Self::Swap(Swap { part, was, serial }) => {
                write!(f, "{} changed", part.word())?;
                match (was.as_str(), serial.as_str()) {
                    ("", "") => Ok(()),
                    ("", new) => write!(f, ": now {new}"),
                    (old, "") => write!(f, ": {old} removed"),
                    (old, new) => write!(f, ": {old} for {new}"),
                }
            }
            Self::SignOn(SignOn { crew, weather, gas }) => {
                f.write_str("shift begins")?;
                let crew = crew.join(", ");
                for (word, value) in [("crew", &crew), ("weather", weather), ("gas", gas)] {
                    if !value.is_empty() {
                        write!(f, "; {word}: {value}")?;
                    }
                }
                Ok(())
            }
            Self::SignOff(SignOff { handover }) if handover.is_empty() => f.write_str("shift ends"),
            Self::SignOff(SignOff { handover }) => write!(f, "shift ends; {handover}"),
            Self::HandReading(reading) => f.write_str(&reading.words(LengthUnit::Mm)),
            Self::Confirm(proof) => write!(f, "{proof} by other means"),
            Self::Note(note) => f.write_str(&note.words(LengthUnit::Mm)),
            Self::Photo(photo) => f.write_str(&photo.words(LengthUnit::Mm)),
            Self::Witness(witness) => witness.fmt(f),
            Self::Withdraw { statement } => write!(f, "statement {statement} is taken back"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::hand::{BlockRead, GridPoint, HandGauge, HandPlace};
    use super::super::noted::{MarkKind, PhotoClock, Where};
    use super::*;
    use backwall_units::Length;

    fn by_hand() -> HandReading {
        HandReading {
            place: Some(HandPlace::Line { line: "A090".to_owned(), along: Length::mm(1234.0) }),
            values: vec![Length::mm(6.1), Length::mm(6.2)],
            gauge: HandGauge {
                name: "gauge".to_owned(),
                serial: "G-7".to_owned(),
                block: Some(BlockRead { true_nm: 10_000_000, measured_nm: 10_020_000, at_us: 5 }),
            },
            proof: Some(proof()),
            grid: Some(GridPoint { grid: "G1".to_owned(), point: "B3".to_owned() }),
            inspection_point: Some("TML-7".to_owned()),
        }
    }

    fn proof() -> HandProof {
        HandProof { run: 3, spot: 2, seq: 17, least: Length::mm(5.9), confirmed: false }
    }

    #[test]
    fn what_is_said_comes_back_from_its_kind_and_body_byte_for_byte() {
        let plan = include_str!("../../../../tests/data/plan.toml");
        let revision = Revision { text: plan.to_owned(), plan: toml::from_str(plan).unwrap() };
        let text = "name = 'b' # kept with its comments\nfill_height_mm = 8500\n".to_owned();
        let basis = BasisText { basis: Basis::parse("b.toml", &text).unwrap(), text };
        let all = [
            Said::Void { run: 3 },
            Said::Restore { run: 3 },
            Said::Reassign { run: 3, line: "A090".to_owned(), mirrored: true },
            Said::Replace { run: 4, replaced: 3 },
            Said::Join { run: 4, with: 3 },
            Said::Acknowledge { run: 4, seq: 1201 },
            Said::Leave { run: 3 },
            Said::Plan(Box::new(revision)),
            Said::Basis(Box::new(basis)),
            Said::Swap(Swap { part: Part::Tyre, was: "T-1".to_owned(), serial: "T-2".to_owned() }),
            Said::SignOn(SignOn { crew: vec!["A".to_owned()], weather: "dry".to_owned(), gas: "0 % LEL".to_owned() }),
            Said::SignOff(SignOff { handover: "tyre worn".to_owned() }),
            Said::HandReading(Box::new(by_hand())),
            Said::Confirm(proof()),
            Said::Note(Noted {
                at: Where { run: Some(3), line: Some("A090".to_owned()), along: Some(Length::mm(237.0)) },
                mark: Some(MarkKind::Nozzle),
                text: "N2".to_owned(),
                drawing: "+--+\n|  |".to_owned(),
            }),
            Said::Photo(Photo {
                at: Where::default(),
                text: String::new(),
                file: "a.jpg".to_owned(),
                kept: true,
                blake3: "00".to_owned(),
                bytes: 7,
                taken: "2026-03-01 09:00:00".to_owned(),
                taken_by: PhotoClock::Camera,
                asked: Some("nameplate".to_owned()),
            }),
            Said::Witness(Witness {
                name: "C. Client".to_owned(),
                initials: "CC".to_owned(),
                of: String::new(),
                what: "the block".to_owned(),
                run: None,
                asked: None,
            }),
            Said::Withdraw { statement: 2 },
        ];
        for said in all {
            let body = said.body().unwrap();
            let back = Said::read(said.kind(), &body).unwrap();
            assert_eq!(back, said);
            assert_eq!(back.body().unwrap(), body);
        }
        assert_eq!(
            Said::Reassign { run: 3, line: "B".to_owned(), mirrored: false }.body().unwrap(),
            r#"{"line":"B","mirrored":false,"run":3}"#
        );
        assert_eq!(
            Said::Confirm(proof()).body().unwrap(),
            r#"{"confirmed":false,"minimum_nm":5900000,"run":3,"seq":17,"spot":2}"#,
            "lengths are whole numbers"
        );
        assert!(Said::read("void", r#"{"run":3,"more":1}"#).is_err());
    }
}
