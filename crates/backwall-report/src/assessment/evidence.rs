//! What the reader must know of the readings that numbers rest on: counted as they are read, said beside every decision.

use backwall_store::{JobContents, JobReader, RunSummary, StoreError};
use backwall_survey::integrity::rate::Wall;
use backwall_survey::job::validity::Validity;
use backwall_survey::neighbours::Kind;
use backwall_survey::reading::Reading;
use backwall_ultrasound::Flag;
use backwall_units::{Length, LengthUnit};
use std::collections::BTreeMap;

/// Of one course on one line.
#[derive(Debug, Clone, Default)]
struct Doubts {
    uncalibrated: u64,
    /// How many stand alone, and the lowest of them.
    alone: Option<(u64, Length)>,
    without_uncertainty: u64,
    /// Spots that may be laminations.
    laminations: u64,
    /// The minimum of those that agree with a neighbour.
    agreed: Option<Wall>,
}

/// Of all courses of all lines.
#[derive(Debug, Default)]
pub(super) struct Evidence {
    courses: BTreeMap<(String, Option<u16>), Doubts>,
    /// What is known of whole lines: runs left out, runs not verified.
    lines: BTreeMap<String, Vec<String>>,
}

impl Evidence {
    /// Of the runs themselves, before their readings.
    pub(super) fn of(reader: &JobReader, contents: &JobContents) -> Result<Self, StoreError> {
        let mut found = Self::default();
        for run in &contents.runs {
            let line = &run.start.line;
            let said = match contents.validity(run) {
                Validity::Valid => None,
                Validity::Pending(why) => Some(format!("the calibration of run {} is pending: {why}", run.id)),
                Validity::Suspect(why) => Some(format!("run {} is suspect and left out: {why}", run.id)),
            };
            let suspect = matches!(contents.validity(run), Validity::Suspect(_));
            found.lines.entry(line.clone()).or_default().extend(said);
            if suspect {
                continue;
            }
            for spot in reader.spots(run.id)? {
                if spot.finding.is_some_and(|finding| finding.kind == Kind::Lamination) {
                    found.courses.entry((line.clone(), spot.course)).or_default().laminations += 1;
                }
            }
        }
        Ok(found)
    }

    /// A reading that is in the numbers; `calibrated` says whether its run's set-up came from blocks.
    pub(super) fn add(&mut self, run: &RunSummary, calibrated: bool, reading: &Reading) {
        let Some(thickness) = reading.measurement.thickness else { return };
        let flags = reading.measurement.flags;
        let uncalibrated = !calibrated || flags.has(Flag::Uncalibrated);
        let without = reading.measurement.uncertainty.is_none();
        let found = self.courses.entry((run.start.line.clone(), reading.place.course)).or_default();
        if !flags.has(Flag::Alone) && found.agreed.is_none_or(|known| thickness < known.thickness) {
            found.agreed = Some(Wall { thickness, uncertainty: reading.measurement.uncertainty });
        }
        found.uncalibrated += u64::from(uncalibrated);
        found.without_uncertainty += u64::from(without);
        if flags.has(Flag::Alone) {
            let (count, least) = found.alone.unwrap_or((0, thickness));
            found.alone = Some((count + 1, least.min(thickness)));
        }
    }

    /// The minimum of the readings that agree with a neighbour, where others do not.
    pub(super) fn agreed(&self, line: &str, course: Option<u16>) -> Option<Wall> {
        let found = self.courses.get(&(line.to_owned(), course))?;
        found.agreed.filter(|_| found.alone.is_some())
    }

    /// In words, worst first.
    pub(super) fn words(&self, line: &str, course: Option<u16>, unit: LengthUnit) -> Vec<String> {
        let count = crate::words::count;
        let mut words = Vec::new();
        if let Some(found) = self.courses.get(&(line.to_owned(), course)) {
            if found.uncalibrated > 0 {
                words.push(format!("NOT CALIBRATED: {} rest on typed velocity and zero", count(found.uncalibrated, "reading")));
            }
            if found.laminations > 0 {
                words.push(format!("LAMINATION? {}: their depth counts as wall", count(found.laminations, "spot")));
            }
            if let Some((alone, least)) = found.alone {
                let least = crate::words::thickness(unit, least);
                words.push(format!(
                    "{} agree with no neighbour, the lowest {least}: look there by hand before a minimum is used",
                    count(alone, "reading")
                ));
            }
            if found.without_uncertainty > 0 {
                words.push(format!("{} have no uncertainty", count(found.without_uncertainty, "reading")));
            }
        }
        words.extend(self.lines.get(line).into_iter().flatten().cloned());
        words
    }
}
