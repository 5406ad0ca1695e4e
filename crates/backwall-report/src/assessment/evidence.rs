//! What the reader must know of the readings that numbers rest on: counted as they are read, said beside every decision.

use backwall_store::{JobContents, JobReader, RunId, RunSummary, StoreError};
use backwall_survey::integrity::rate::DatedWall;
use backwall_survey::job::validity::Validity;
use backwall_survey::neighbours::Kind;
use backwall_survey::reading::Reading;
use backwall_ultrasound::{Flag, Quality};
use backwall_units::{Length, LengthUnit};
use std::collections::BTreeMap;

/// Of one course on one line.
#[derive(Debug, Clone, Default)]
struct Doubts {
    uncalibrated: u64,
    /// How many stand alone, and the lowest of them.
    alone: Option<(u64, DatedWall)>,
    without_uncertainty: u64,
    /// Spots that may be laminations.
    laminations: u64,
    lowest: Option<LowestReading>,
    /// The shot before, by its run: whether its echo is a doubtful one.
    before: Option<(RunId, bool)>,
}

/// The minimum of all that do not stand alone, and whether its echo is worse than those beside it.
#[derive(Debug, Clone)]
struct LowestReading {
    wall: DatedWall,
    /// Its number and U are for an even wall, and that is not what it stands on.
    even_only: bool,
    at: Option<Length>,
    /// What is wrong with it; empty where nothing is.
    weakness: String,
    /// Whether the shot before and the one behind have the same trouble; not known yet of the one behind.
    shared: (bool, Option<bool>),
    run: RunId,
}

impl LowestReading {
    /// A reading of poor quality, or of a weak echo on uneven wall, between two that are neither: what it shows is shown by nothing else.
    fn is_weak_alone(&self) -> bool {
        !self.weakness.is_empty() && !self.shared.0 && self.shared.1 == Some(false)
    }
}

/// What is wrong with the echo of a reading, in the words of the list of flags; no echo is the worst of it.
fn weakness(reading: &Reading) -> String {
    let measurement = &reading.measurement;
    let both = measurement.flags.has(Flag::Weak) && measurement.flags.has(Flag::Uneven);
    let poor = measurement.quality <= Quality::Poor;
    let flags = [Flag::Weak, Flag::Uneven].into_iter().filter(|flag| measurement.flags.has(*flag)).map(Flag::word);
    let words: Vec<&str> = poor.then_some("poor").into_iter().chain(flags).collect();
    if poor || both { words.join(", ") } else { String::new() }
}

/// What a minimum is worth.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct OfMinimum {
    pub uncertainty: Option<Length>,
    /// Part of the beam stands on something else: U does not hold for the least wall under it.
    pub even_only: bool,
    /// The lowest of the readings that agree with no neighbour, where there are such.
    pub alone: Option<DatedWall>,
}

/// Of all courses of all lines.
#[derive(Debug, Default)]
pub(super) struct RestsOn {
    courses: BTreeMap<(String, Option<u16>), Doubts>,
    /// What is known of whole lines: runs left out, runs not verified.
    lines: BTreeMap<String, Vec<RunDoubt>>,
}

/// A run whose calibration is not simply valid.
#[derive(Debug, Clone)]
struct RunDoubt {
    run: RunId,
    is_suspect: bool,
    why: String,
}

fn lower(a: DatedWall, b: DatedWall) -> DatedWall {
    if b.thickness < a.thickness { b } else { a }
}

impl Doubts {
    fn add(&mut self, other: &Self) {
        self.uncalibrated += other.uncalibrated;
        self.without_uncertainty += other.without_uncertainty;
        self.laminations += other.laminations;
        self.alone = match (self.alone, other.alone) {
            (Some((a, least)), Some((b, other))) => Some((a + b, lower(least, other))),
            (one, other) => one.or(other),
        };
    }
}

impl RestsOn {
    /// Of the runs themselves, before their readings.
    pub(super) fn of(reader: &JobReader, contents: &JobContents, unit: LengthUnit) -> Result<Self, StoreError> {
        let mut found = Self::default();
        for run in &contents.runs {
            let line = &run.start.line;
            let doubt = |is_suspect, why: &str| Some(RunDoubt { run: run.id, is_suspect, why: why.to_owned() });
            let said = match contents.validity(run) {
                Validity::Valid => None,
                Validity::Pending(why) => doubt(false, why),
                Validity::Suspect(why) => doubt(true, &why.words(unit)),
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
        let found = self.courses.entry((run.start.line.clone(), reading.place.course)).or_default();
        let weakness = weakness(reading);
        let weak = !weakness.is_empty();
        let before = found.before.replace((run.id, weak)).filter(|(of, _)| *of == run.id);
        if let Some(lowest) = found.lowest.as_mut().filter(|lowest| lowest.run == run.id && lowest.shared.1.is_none()) {
            lowest.shared.1 = Some(weak);
        }
        let measurement = &reading.measurement;
        let Some(thickness) = measurement.thickness else { return };
        found.uncalibrated += u64::from(!calibrated || measurement.flags.has(Flag::Uncalibrated));
        found.without_uncertainty += u64::from(measurement.uncertainty.is_none());
        let wall = DatedWall { thickness, uncertainty: measurement.uncertainty };
        if measurement.counted().is_none() {
            found.alone = Some(found.alone.map_or((1, wall), |(count, least)| (count + 1, lower(least, wall))));
            return;
        }
        if found.lowest.as_ref().is_none_or(|lowest| thickness < lowest.wall.thickness) {
            // Beside the first shot of a run there is none to speak for it.
            let shared = (before.is_none_or(|(_, weak)| weak), None);
            let even_only = measurement.is_for_even_wall_only();
            found.lowest = Some(LowestReading { wall, even_only, at: reading.place.along, weakness, shared, run: run.id });
        }
    }

    /// Minima of courses, over the lines that are meant, which rest on an echo worse than its neighbours'.
    fn weak_minima(&self, is_meant: &dyn Fn(&str, Option<u16>) -> bool, unit: LengthUnit) -> Vec<String> {
        let mut lowest: BTreeMap<Option<u16>, (&str, &LowestReading)> = BTreeMap::new();
        for ((line, course), doubts) in self.courses.iter().filter(|((line, course), _)| is_meant(line, *course)) {
            let Some(found) = &doubts.lowest else { continue };
            if lowest.get(course).is_none_or(|(_, known)| found.wall.thickness < known.wall.thickness) {
                lowest.insert(*course, (line, found));
            }
        }
        let weak = lowest.into_iter().filter(|(_, (_, found))| found.is_weak_alone());
        weak.map(|(course, (line, found))| {
            let of = course.map_or_else(String::new, |course| format!(" of course {course}"));
            let at = found.at.map_or_else(String::new, |at| format!(" at {}", crate::words::place(unit, at)));
            format!(
                "the minimum{of}, {}{at} on line {line}, rests on one doubtful echo ({}) between two that are not: prove it by hand",
                crate::words::thickness(unit, found.wall.thickness),
                found.weakness
            )
        })
        .collect()
    }

    /// U of the minimum, and whether it is that of an even wall only.
    pub(super) fn of_minimum(&self, line: &str, course: Option<u16>) -> OfMinimum {
        let found = self.courses.get(&(line.to_owned(), course));
        let lowest = found.and_then(|found| found.lowest.as_ref());
        OfMinimum {
            uncertainty: lowest.and_then(|lowest| lowest.wall.uncertainty),
            even_only: lowest.is_some_and(|lowest| lowest.even_only),
            alone: found.and_then(|found| found.alone).map(|(_, lowest)| lowest),
        }
    }

    /// Of one course on one line in words, worst first.
    pub(super) fn words(&self, line: &str, course: Option<u16>, unit: LengthUnit) -> Vec<String> {
        self.together(|on, of| on == line && of == course, |on| on == line, unit)
    }

    /// Of a course over all lines, or of all courses.
    pub(super) fn rolled(&self, course: Option<u16>, unit: LengthUnit) -> Vec<String> {
        let through = |line: &str| course.is_none() || self.courses.keys().any(|(on, of)| on == line && *of == course);
        self.together(|_, of| course.is_none() || of == course, through, unit)
    }

    /// Everything of the courses and lines that are meant, each kind of doubt once.
    fn together(&self, is_meant: impl Fn(&str, Option<u16>) -> bool, on_line: impl Fn(&str) -> bool, unit: LengthUnit) -> Vec<String> {
        let count = crate::words::count;
        let mut found = Doubts::default();
        self.courses.iter().filter(|((line, course), _)| is_meant(line, *course)).for_each(|(_, doubts)| found.add(doubts));
        let mut words = Vec::new();
        if found.uncalibrated > 0 {
            words.push(format!("NOT CALIBRATED: {} rest on typed velocity and zero", count(found.uncalibrated, "reading")));
        }
        if found.laminations > 0 {
            words.push(format!("LAMINATION? {}: the depth counts as wall", count(found.laminations, "spot")));
        }
        if let Some((alone, least)) = found.alone {
            let least = crate::words::thickness(unit, least.thickness);
            words.push(format!(
                "no neighbour agrees with {}, the lowest {least}: in no minimum, check there by hand",
                count(alone, "reading")
            ));
        }
        words.extend(self.weak_minima(&is_meant, unit));
        if found.without_uncertainty > 0 {
            words.push(format!("{} have no uncertainty", count(found.without_uncertainty, "reading")));
        }
        // Runs with the same doubt are named together.
        let mut runs: Vec<(&RunDoubt, Vec<RunId>)> = Vec::new();
        for doubt in self.lines.iter().filter(|(line, _)| on_line(line)).flat_map(|(_, doubts)| doubts) {
            match runs.iter_mut().find(|(known, _)| known.is_suspect == doubt.is_suspect && known.why == doubt.why) {
                Some((_, ids)) => ids.push(doubt.run),
                None => runs.push((doubt, vec![doubt.run])),
            }
        }
        words.extend(runs.into_iter().map(|(doubt, mut ids)| {
            ids.sort_unstable();
            let names: Vec<String> = ids.iter().map(RunId::to_string).collect();
            let (named, is) =
                if ids.len() == 1 { (format!("run {}", names[0]), "is") } else { (format!("runs {}", names.join(", ")), "are") };
            match doubt.is_suspect {
                true => format!("{named} {is} suspect and left out: {}", doubt.why),
                false => format!("the calibration of {named} is pending: {}", doubt.why),
            }
        }));
        words
    }
}
