//! One or several runs of a line in a few numbers each millimetre: what a whole strip is drawn from, whatever the
//! number of readings, and what falls under a limit moved for looking.

use crate::live::LiveWall;
use backwall_store::{ReadingSummary, RunId};
use backwall_survey::strip::places::PlaceGap;
use backwall_survey::strip::{At, Bin, Level, Limits, Places, Section, Seen, SpotWatch, Strip};
use backwall_survey::travel::Direction;
use backwall_units::Length;
use std::collections::BTreeMap;

/// How far the reading of the runs has come.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ReadProgress {
    pub read: u64,
    pub of: u64,
    /// All that is there has been read.
    pub done: bool,
    /// A run is still being recorded (or was, when its program died).
    pub open: bool,
}

#[derive(Debug, Clone)]
pub struct Overview {
    /// The runs walked together, in the order of [`At::run`].
    pub runs: Vec<RunId>,
    /// All runs of the line were asked for.
    pub all: bool,
    pub direction: Direction,
    /// For lines across: the course they run in.
    pub course: Option<u16>,
    /// Of the newest of the runs.
    pub limits: Limits,
    /// No stretch without an echo may be longer.
    pub max_gap: Length,
    pub wall: LiveWall,
    pub places: Places,
    pub gaps: Vec<PlaceGap>,
    pub progress: ReadProgress,
    /// Of the last run.
    pub last_row: Option<u64>,
    /// Thickness less what must be between it and the limit for the wall to be CLEAR.
    edge: Strip,
    /// How many readings have which whole micrometre, course by course.
    classes: BTreeMap<Option<u16>, Vec<u32>>,
}

/// What lies under a limit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct UnderLimit {
    pub readings: u64,
    /// Millimetres of wall whose least reading lies under it.
    pub wall: Length,
}

/// Thicker than this is no wall; such readings are counted as this thick.
const THICKEST_UM: i64 = 1_000_000;

impl Overview {
    pub fn new(
        runs: Vec<RunId>,
        all: bool,
        limits: Limits,
        direction: Direction,
        course: Option<u16>,
        max_gap: Length,
        wall: LiveWall,
    ) -> Self {
        Self {
            runs,
            all,
            direction,
            course,
            limits,
            max_gap,
            wall,
            places: Places::default(),
            gaps: Vec::new(),
            progress: ReadProgress::default(),
            last_row: None,
            edge: Strip::default(),
            classes: BTreeMap::new(),
        }
    }

    pub fn is_down(&self) -> bool {
        self.direction == Direction::Down
    }

    pub fn last_run(&self) -> u32 {
        self.runs.len().saturating_sub(1) as u32
    }

    /// Takes the next reading of a run, judged by the limits of that run.
    pub fn push(&mut self, run: u32, glance: &ReadingSummary, limits: &Limits) {
        let ReadingSummary { row, seq, along, course, thickness, uncertainty, level, .. } = *glance;
        let counted = glance.counted();
        self.wall.see(&Seen { seq, along, course, thickness, level, alone: counted != thickness }, limits);
        let margin = limits.watch_margin + limits.doubt(uncertainty);
        self.edge.push(along, counted.map(|thickness| Length::nanometres((thickness - margin).as_nanometres())), level);
        self.places.push(At::new(along, run, row), thickness, counted.is_some());
        if let Some(thickness) = thickness {
            let um = (thickness.as_nanometres().div_euclid(1000)).clamp(0, THICKEST_UM) as usize;
            let counts = self.classes.entry(course).or_default();
            if counts.len() <= um {
                counts.resize(um + 1, 0);
            }
            counts[um] += 1;
        }
        self.last_row = Some(row);
        self.progress.read += 1;
    }

    /// After the last reading: what is known only of the whole.
    pub fn settle(&mut self) {
        self.gaps = self.places.gaps(self.max_gap);
    }

    /// The course a place lies in, by its lower edge.
    fn course_at(&self, place: Length) -> Option<u16> {
        if self.direction == Direction::Across {
            return self.course;
        }
        let courses = &self.limits.courses;
        courses.iter().rev().find(|course| place >= course.bottom).or(courses.first()).map(|course| course.number)
    }

    /// What lies under limits that are whole micrometres; exactly, not by the class.
    pub fn under(&self, limits: &Limits) -> UnderLimit {
        let mut under = UnderLimit::default();
        for (course, counts) in &self.classes {
            let Some(required) = limits.required(*course) else { continue };
            let below = (required.as_micrometres().max(0) as usize).min(counts.len());
            under.readings += counts[..below].iter().map(|count| u64::from(*count)).sum::<u64>();
        }
        let thin = |place: Length, bin: &Bin| match (limits.required(self.course_at(place)), bin.least) {
            (Some(required), Some(least)) => least < required,
            _ => false,
        };
        let count = self.wall.strip.finest().filter(|(place, bin)| thin(*place, bin)).count();
        under.wall = Length::mm(count as f64);
        under
    }

    /// A stretch as other limits would have it.
    pub fn judged(&self, limits: &Limits, from: Length, to: Length) -> Bin {
        let mut bin = self.wall.strip.stretch(from, to);
        if bin.read == 0 {
            return bin;
        }
        let mut edges = vec![from];
        if self.direction != Direction::Across {
            edges.extend(self.limits.courses.iter().map(|course| course.bottom).filter(|bottom| *bottom > from && *bottom < to));
            edges.sort_by(Length::total_cmp);
        }
        let ends = edges.iter().skip(1).copied().chain([to]);
        let levels = edges.iter().zip(ends).filter_map(|(low, high)| {
            let least = self.wall.strip.stretch(*low, high).least?;
            let edge = self.edge.stretch(*low, high).least?;
            Some(match limits.required(self.course_at(*low)) {
                None => Level::Unjudged,
                Some(required) if least < required => Level::Thin,
                Some(required) if edge < required => Level::Watch,
                Some(_) => Level::Clear,
            })
        });
        bin.worst = levels.max().unwrap_or(bin.worst);
        bin
    }
}

/// Limits with every required thickness moved, to whole micrometres and never below zero.
pub fn moved(limits: &Limits, by: Length) -> Limits {
    let mut limits = limits.clone();
    for course in &mut limits.courses {
        course.required = course.required.map(|required| Length::micrometres((required + by).as_micrometres().max(0)));
    }
    limits
}

/// A wall nothing is known of yet.
pub fn empty_wall(spots: SpotWatch, seams: Vec<Length>, span: (Length, Length)) -> LiveWall {
    LiveWall::new(Section::watched_by(spots), seams, span)
}
