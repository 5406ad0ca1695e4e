//! Everything a report needs out of a job file, read once, run by run; nothing is decided here.

use crate::assessment::{AssessError, Assessment, Request, assess};
use crate::figure::data::RunWall;
use crate::picture::{self, Picture};
use crate::unseen::UnseenOfRun;
use crate::whole_file::{Stopped, Tick};
use backwall_store::{Cursor, JobContents, JobReader, Note, RunEvent, RunSummary, Seal, StoreError, photos};
use backwall_survey::job::noted::Photo;
use backwall_survey::job::validity::Validity;
use backwall_survey::neighbours::Kind;
use backwall_survey::reading::Reading;
use backwall_survey::strip::statistics::{Gap, OfCourse, Scope, Statistics, Tally};
use backwall_survey::strip::{Level, Section, Spot, SpotId, Strip, WallMap};
use backwall_ultrasound::{Flag, Setup, Waveform};
use backwall_units::{Length, Speed};
use std::collections::BTreeMap;

#[derive(Debug, thiserror::Error)]
pub enum GatherError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Assess(#[from] AssessError),
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// A job as the report needs it.
pub struct Gathered {
    /// The job file's name, without its folder.
    pub file: String,
    pub contents: JobContents,
    /// The digest over the whole job as it was read.
    pub seal: Option<Seal>,
    pub runs: Vec<RunFacts>,
    /// All lines on the unrolled wall.
    pub map: WallMap,
    /// `None` while there is no run.
    pub assessment: Option<Assessment>,
    /// The photos in the order they were added, each with why it is not shown where it is not.
    pub photos: Vec<Result<Picture, String>>,
    /// What the last run could not have seen, where that was asked for.
    pub unseen: Option<UnseenOfRun>,
}

/// One run.
pub struct RunFacts {
    pub summary: RunSummary,
    /// The set-up that made the readings that count.
    pub setup: Setup,
    pub validity: Validity,
    pub wall: RunWall,
    pub statistics: Statistics,
    pub courses: Vec<OfCourse>,
    /// Longer than the procedure allows, in rising order.
    pub gaps: Vec<Gap>,
    /// The worst spots with their reading and its waveform, worst first.
    pub looked_at: Vec<SpotFacts>,
    /// The thinnest reading of each course that does not stand alone, in the order of the courses.
    pub thinnest: Vec<Reading>,
    /// The thinnest of those that stand alone, and how many there are.
    pub alone: Option<(Reading, u64)>,
    pub readings_by_flag: Vec<(Flag, u64)>,
    /// Least and greatest standard uncertainty of a reading.
    pub uncertainty: Option<(Length, Length)>,
    /// Readings taken faster than the procedure allows.
    pub too_fast: u64,
    pub fastest: Option<Speed>,
    pub without_uncertainty: u64,
    pub notes: Vec<Note>,
    pub events: Vec<RunEvent>,
}

pub struct SpotFacts {
    pub spot: Spot,
    pub reading: Reading,
    /// `None` where the device sent finished values.
    pub waveform: Option<Waveform>,
}

/// Reads a job. `waveforms` spots of each run are read with theirs; `request` tells the earlier surveys.
pub fn gather(reader: &JobReader, waveforms: usize, request: &Request, tick: &mut Tick<'_>) -> Result<Gathered, GatherError> {
    let contents = reader.contents()?;
    let all: u64 = contents.runs.iter().map(|run| run.readings).sum();
    // They are read twice: for the lines, and for the assessment.
    let of = 2 * all;
    let mut done = 0;
    let (mut runs, mut lines) = (Vec::new(), BTreeMap::new());
    for summary in &contents.runs {
        let validity = contents.validity(summary);
        let line: &mut BTreeMap<i32, Strip> = lines.entry(summary.start.line.clone()).or_default();
        runs.push(run(reader, &contents, (summary, validity), line, waveforms, &mut |new| {
            done += new;
            tick(done.min(all), of)
        })?);
    }
    let file = reader.path().file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let map = contents.plan.wall_map(|line| lines.remove(line).unwrap_or_default());
    let assessment = if runs.is_empty() { None } else { Some(assess(reader, request, &mut |done, _| tick(all + done.min(all), of))?) };
    let seal = reader.seal()?;
    let photos = photos(reader, &contents);
    Ok(Gathered { file, contents, seal, photos, runs, map, assessment, unseen: None })
}

/// A photo that cannot be had or set is no reason to have no report: it says so in its row.
fn photos(reader: &JobReader, contents: &JobContents) -> Vec<Result<Picture, String>> {
    let mut all = 0;
    let picture = |photo: &Photo, all: &mut u64| {
        if photo.bytes > picture::LARGEST || *all + photo.bytes > picture::MOST {
            return Err("too large to be shown here".to_owned());
        }
        let bytes = photos::read(reader.path(), photo).map_err(|error| error.to_string())?.map_err(|state| state.words().to_owned())?;
        *all += photo.bytes;
        picture::read(bytes, String::new()).map_err(|why| format!("not shown: {why}"))
    };
    contents.force.photos.iter().map(|entered| picture(&entered.what, &mut all)).collect()
}

fn run(
    reader: &JobReader,
    contents: &JobContents,
    (summary, validity): (&RunSummary, Validity),
    stripes: &mut BTreeMap<i32, Strip>,
    waveforms: usize,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> Result<RunFacts, GatherError> {
    let id = summary.id;
    let limits = &contents.plan.limits;
    let mut section = Section::new(contents.plan.alarm).with_statistics();
    let mut flags = vec![0; Flag::ALL.len()];
    let mut uncertainty: Option<(Length, Length)> = None;
    let (mut too_fast, mut fastest, mut without_uncertainty) = (0, None::<Speed>, 0);
    let mut thinnest = Thinnest::default();
    let to_the_end = Cursor::in_force(id).read_on(reader, go_on, |_, reading| {
        let measurement = &reading.measurement;
        thinnest.push(&reading);
        let stripe = contents.plan.stripe(reading.place.across.map(|across| across.at));
        stripes.entry(stripe).or_default().push(reading.place.along, measurement.counted(), reading.level);
        section.push(&reading, &summary.start.limits);
        for (count, flag) in flags.iter_mut().zip(Flag::ALL) {
            *count += u64::from(measurement.flags.has(*flag));
        }
        match (measurement.thickness, measurement.uncertainty) {
            (Some(_), Some(u)) => uncertainty = Some(uncertainty.map_or((u, u), |(low, high)| (low.min(u), high.max(u)))),
            (Some(_), None) => without_uncertainty += 1,
            (None, _) => {}
        }
        if let Some(speed) = reading.place.speed {
            too_fast += u64::from(speed.abs() > limits.max_speed);
            fastest = Some(fastest.map_or(speed.abs(), |most| most.max(speed.abs())));
        }
        Ok::<(), GatherError>(())
    })?;
    if !to_the_end {
        return Err(Stopped.into());
    }
    let none = Tally::new();
    let tally = section.tally().unwrap_or(&none);
    let scope = Scope { path: Some(&summary.start.path), max_gap: Some(limits.max_gap), ..Scope::default() };
    let (statistics, courses, gaps) = (tally.whole(&scope), tally.by_course(&scope), tally.gaps_over(&scope));
    let spots = reader.spots(id)?;
    Ok(RunFacts {
        setup: contents.setup_of(summary).clone(),
        validity,
        statistics,
        courses,
        gaps,
        looked_at: looked_at(reader, summary, &spots, waveforms)?,
        thinnest: thinnest.of_courses.into_values().collect(),
        alone: thinnest.alone,
        readings_by_flag: Flag::ALL.iter().copied().zip(flags).filter(|(_, count)| *count > 0).collect(),
        uncertainty,
        too_fast,
        fastest,
        without_uncertainty,
        wall: RunWall { readings: section.readings(), no_echo: section.no_echo(), strip: section.strip, marks: reader.marks(id)?, spots },
        notes: reader.notes(id)?,
        events: reader.events(id)?,
        summary: summary.clone(),
    })
}

/// The thinnest readings as they come.
#[derive(Default)]
struct Thinnest {
    of_courses: BTreeMap<Option<u16>, Reading>,
    alone: Option<(Reading, u64)>,
}

impl Thinnest {
    fn push(&mut self, reading: &Reading) {
        let Some(thickness) = reading.measurement.thickness else { return };
        let thinner = |known: &Reading| known.measurement.thickness.is_none_or(|known| thickness < known);
        if reading.measurement.flags.has(Flag::Alone) {
            let (least, count) = self.alone.get_or_insert_with(|| (reading.clone(), 0));
            *count += 1;
            if thinner(least) {
                *least = reading.clone();
            }
            return;
        }
        match self.of_courses.get_mut(&reading.place.course) {
            Some(known) if !thinner(known) => {}
            Some(known) => *known = reading.clone(),
            None => {
                self.of_courses.insert(reading.place.course, reading.clone());
            }
        }
    }
}

/// THIN before WATCH, and of each the one deepest under its limit first.
fn looked_at(reader: &JobReader, summary: &RunSummary, spots: &[Spot], most: usize) -> Result<Vec<SpotFacts>, StoreError> {
    let limits = &summary.start.limits;
    let left = |spot: &Spot| spot.least - limits.required(spot.course).unwrap_or(Length::ZERO);
    let mut worst: Vec<&Spot> = spots.iter().collect();
    worst.sort_by(|a, b| b.level.cmp(&a.level).then(left(a).total_cmp(&left(b))).then(a.id.cmp(&b.id)));
    // Suspected laminations stand apart among the worst places: they must not crowd out the waveforms of the others.
    let apart = |spot: &&&Spot| spot.finding.is_some_and(|finding| finding.kind == Kind::Lamination);
    let others: Vec<SpotId> = worst.iter().filter(|spot| !apart(spot)).take(most).map(|spot| spot.id).collect();
    let (mut facts, mut rank) = (Vec::new(), 0);
    worst.retain(|spot| {
        rank += 1;
        rank <= most || others.contains(&spot.id)
    });
    for spot in worst {
        let Some(row) = reader.row_of_seq(summary.id, spot.least_seq)? else { continue };
        let Some(reading) = reader.readings(summary.id, row, 1)?.pop() else { continue };
        facts.push(SpotFacts { spot: spot.clone(), reading, waveform: reader.waveform(summary.id, row)? });
    }
    Ok(facts)
}

impl Gathered {
    /// Whether any reading was taken along a line.
    pub fn has_scanned(&self, line: &str) -> bool {
        self.runs.iter().any(|run| run.summary.start.line == line && run.summary.readings > 0)
    }
}

impl RunFacts {
    /// `run 3 on A090`, as messages and headings name it.
    pub fn name(&self) -> String {
        format!("run {} on {}", self.summary.id, self.summary.start.line)
    }
    pub fn spots_of(&self, level: Level) -> usize {
        self.wall.spots.iter().filter(|spot| spot.level == level).count()
    }
}
