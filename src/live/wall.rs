//! What has been learned of the wall in a run, and the copy of a part of it that a picture is drawn from. Taking a copy
//! costs what a screen can show, however long the run is, so that whoever holds the wall holds it for a moment only.

use backwall_store::{Mark, Note};
use backwall_survey::neighbours::Stretch;
use backwall_survey::reading::Reading;
use backwall_survey::strip::spot::SpotEvent;
use backwall_survey::strip::{Bin, Level, Limits, Section, Seen, Spot, SpotId};
use backwall_units::Length;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

#[derive(Debug, Clone)]
pub struct LiveWall {
    section: Section,
    pub marks: Vec<Mark>,
    pub notes: Vec<Note>,
    /// Seams of the plan along this line.
    pub seams: Vec<Length>,
    /// The planned stretch, in rising order.
    pub span: (Length, Length),
    order: SpotOrder,
    spread: Spread,
}

/// A wall is its section, with what was written on it.
impl std::ops::Deref for LiveWall {
    type Target = Section;
    fn deref(&self) -> &Section {
        &self.section
    }
}

impl LiveWall {
    /// Nothing driven yet.
    pub fn new(section: Section, seams: Vec<Length>, span: (Length, Length)) -> Self {
        let order = SpotOrder::of(section.spots.spots());
        Self { section, marks: Vec::new(), notes: Vec::new(), seams, span, order, spread: Spread::default() }
    }

    /// Takes the next reading, judged by `limits`; the spot that the operator must be told of.
    pub fn push(&mut self, reading: &Reading, limits: &Limits) -> Option<SpotEvent> {
        self.see(&Seen::from(reading), limits)
    }

    /// The same for what is known of a reading in an overview.
    pub fn see(&mut self, seen: &Seen, limits: &Limits) -> Option<SpotEvent> {
        let raised = self.changing(seen.along, limits, |section| section.see(seen, limits));
        // A spot changes its rank only when it is raised or acknowledged.
        if let Some(SpotEvent::Raised(id)) = raised {
            self.rank(id);
        }
        raised
    }

    /// Does something to the section that changes what is known of the millimetre at a place.
    fn changing<T>(&mut self, along: Option<Length>, limits: &Limits, change: impl FnOnce(&mut Section) -> T) -> T {
        let millimetre = along.map(|along| Length::mm(along.as_mm().floor()));
        let known = |section: &Section| millimetre.map(|from| section.strip.stretch(from, from + Length::mm(1.0)));
        let before = known(&self.section);
        let done = change(&mut self.section);
        if let (Some(from), Some(before), Some(after)) = (millimetre, before, known(&self.section)) {
            let course = limits.courses.iter().find(|course| from >= course.bottom && from < course.top);
            self.spread.moved(course.map(|course| course.number), &before, &after);
        }
        done
    }

    /// Takes a reading that proved to stand alone out of strip, spots and minimum.
    /// Answers spots of which none is left.
    pub fn withdraw(&mut self, seq: u32, limits: &Limits) -> Vec<Spot> {
        let along = self.section.place_of(seq);
        self.changing(along, limits, |section| section.withdraw(seq));
        let gone = self.section.spots.take_back();
        gone.iter().for_each(|spot| self.order.forget(spot.id));
        gone
    }

    /// Judges spots by the stretches known by now; answers those whose finding is new.
    pub fn judge(&mut self, stretches: &[Stretch], all: bool) -> Vec<Spot> {
        let news = self.section.spots.judge(stretches, all);
        news.iter().for_each(|id| self.rank(*id));
        news.iter().filter_map(|id| find(self.section.spots.spots(), *id)).cloned().collect()
    }

    pub fn acknowledge(&mut self, id: SpotId) -> bool {
        let known = self.section.spots.acknowledge(id);
        self.rank(id);
        known
    }

    fn rank(&mut self, id: SpotId) {
        if let Some(spot) = find(self.section.spots.spots(), id) {
            self.order.changed(spot);
        }
    }

    /// The spot an alarm is about: the worst that nobody has acknowledged, the newest of equals; and how many are open.
    pub fn alarm(&self) -> Option<(Spot, usize)> {
        let worst = self.order.first(self.spots.spots(), 1).next().filter(|spot| !spot.acknowledged)?;
        Some((worst.clone(), self.order.open))
    }

    /// A copy of what a picture shows.
    pub fn glimpse(&self, ask: &WallAsk) -> Glimpse {
        let WallAsk { window, lines, spread } = *ask;
        let inside = |along: Option<Length>| along.is_some_and(|along| along >= window.from() && along < window.to());
        Glimpse {
            window,
            bins: (0..i64::from(window.count))
                .map(|offset| {
                    let (from, to) = window.edges(window.first + offset);
                    self.strip.stretch(from, to)
                })
                .collect(),
            marks: self.marks.iter().filter(|mark| inside(mark.along)).cloned().collect(),
            seams: self.seams.clone(),
            newest_marks: last(&self.marks, lines),
            newest_notes: last(&self.notes, lines),
            spots: self.order.first(self.spots.spots(), lines).cloned().collect(),
            all_spots: self.spots.spots().len(),
            open_spots: self.order.open,
            is_driven: self.strip.extent().is_some(),
            spread: spread.map_or_else(Vec::new, |of| self.spread.counted(of)),
            without_echo: spread.map_or(0, |of| self.spread.without_echo(of)),
        }
    }
}

fn last<T: Clone>(all: &[T], count: usize) -> Vec<T> {
    all[all.len().saturating_sub(count)..].to_vec()
}

/// The spots in the order to look at them: those nobody has acknowledged, then the worst, then the newest. Kept as spots
/// change, which is seldom, since a picture looks at it often.
#[derive(Debug, Clone, Default)]
struct SpotOrder {
    ranks: BTreeSet<Rank>,
    known: BTreeMap<SpotId, Rank>,
    open: usize,
}

type Rank = (bool, Reverse<Level>, Reverse<SpotId>);

impl SpotOrder {
    fn of(spots: &[Spot]) -> Self {
        let mut order = Self::default();
        spots.iter().for_each(|spot| order.changed(spot));
        order
    }

    fn changed(&mut self, spot: &Spot) {
        let rank = (spot.acknowledged, Reverse(spot.level), Reverse(spot.id));
        if let Some(before) = self.known.insert(spot.id, rank) {
            self.ranks.remove(&before);
            self.open -= usize::from(!before.0);
        }
        self.ranks.insert(rank);
        self.open += usize::from(!spot.acknowledged);
    }

    fn forget(&mut self, id: SpotId) {
        if let Some(rank) = self.known.remove(&id) {
            self.ranks.remove(&rank);
            self.open -= usize::from(!rank.0);
        }
    }

    fn first<'a>(&self, spots: &'a [Spot], count: usize) -> impl Iterator<Item = &'a Spot> {
        self.ranks.iter().take(count).filter_map(|(_, _, Reverse(id))| find(spots, *id))
    }
}

/// Spots stand in the order of their numbers.
fn find(spots: &[Spot], id: SpotId) -> Option<&Spot> {
    spots.binary_search_by_key(&id, |spot| spot.id).ok().map(|index| &spots[index])
}

/// Equal stretches along the line, counted from its zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StretchWindow {
    pub step: Length,
    /// The number of the lowest stretch.
    pub first: i64,
    pub count: u16,
}

impl StretchWindow {
    /// Where a stretch begins and ends.
    pub fn edges(&self, index: i64) -> (Length, Length) {
        (self.step * index as f64, self.step * (index + 1) as f64)
    }
    fn from(&self) -> Length {
        self.edges(self.first).0
    }
    fn to(&self) -> Length {
        self.edges(self.first + i64::from(self.count)).0
    }
}

/// Which part of the wall a spread is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpreadOf {
    Course(u16),
    Line,
}

impl SpreadOf {
    fn course(self) -> Option<u16> {
        match self {
            Self::Course(number) => Some(number),
            Self::Line => None,
        }
    }
}

/// What a picture needs of a wall.
#[derive(Debug, Clone, Copy)]
pub struct WallAsk {
    pub window: StretchWindow,
    /// Spots, notes and marks beyond this number find no room.
    pub lines: usize,
    pub spread: Option<SpreadOf>,
}

/// A copy of a part of a wall.
#[derive(Debug, Clone)]
pub struct Glimpse {
    window: StretchWindow,
    bins: Vec<Bin>,
    /// Those in the window, in the order they were set.
    pub marks: Vec<Mark>,
    pub seams: Vec<Length>,
    pub newest_marks: Vec<Mark>,
    pub newest_notes: Vec<Note>,
    /// In the order to look at them, as many as there is room for.
    pub spots: Vec<Spot>,
    pub all_spots: usize,
    pub open_spots: usize,
    pub is_driven: bool,
    /// Thicknesses, in steps of [`STEP`], each with the millimetres driven of which it is the least.
    pub spread: Vec<(Length, u32)>,
    /// Millimetres driven without any echo.
    pub without_echo: u32,
}

impl Glimpse {
    /// What is known of a stretch of the window.
    pub fn bin(&self, index: i64) -> Option<Bin> {
        usize::try_from(index - self.window.first).ok().and_then(|offset| self.bins.get(offset)).copied()
    }

    /// Where a stretch begins and ends.
    pub fn edges(&self, index: i64) -> (Length, Length) {
        self.window.edges(index)
    }
}

/// A spread counts in steps of this, a tenth of what is shown of a thickness.
pub const STEP: Length = Length::mm(0.001);

/// No wall is thicker than this many steps: 300 mm, above all that pulse-echo is used on. Common practice, no source.
const THICKEST: usize = 300_000;

/// How many millimetres of a line have which least thickness, kept as they are driven: counting them anew would cost
/// more the longer the line is.
#[derive(Debug, Clone, Default)]
struct Spread(BTreeMap<Option<u16>, LiveOfCourse>);

#[derive(Debug, Clone, Default)]
struct LiveOfCourse {
    /// By thickness in steps.
    read: Vec<u32>,
    /// Nothing was ever counted under this step.
    lowest: usize,
    without_echo: u32,
}

impl Spread {
    /// A millimetre was known as `before` and is now known as `after`.
    fn moved(&mut self, course: Option<u16>, before: &Bin, after: &Bin) {
        let step = |bin: &Bin| bin.least.map(|least| ((least / STEP).max(0.0) as usize).min(THICKEST));
        let without_echo = |bin: &Bin| u32::from(bin.least.is_none() && bin.lost > 0);
        let of = self.0.entry(course).or_default();
        of.without_echo = of.without_echo + without_echo(after) - without_echo(before);
        let (was, is) = (step(before), step(after));
        if was == is {
            return;
        }
        if let Some(count) = was.and_then(|was| of.read.get_mut(was)) {
            *count -= 1;
        }
        if let Some(is) = is {
            of.lowest = if of.read.is_empty() { is } else { of.lowest.min(is) };
            of.read.resize(of.read.len().max(is + 1), 0);
            of.read[is] += 1;
        }
    }

    fn parts(&self, of: SpreadOf) -> impl Iterator<Item = &LiveOfCourse> {
        self.0.iter().filter(move |(course, _)| of == SpreadOf::Line || **course == of.course()).map(|(_, part)| part)
    }

    fn counted(&self, of: SpreadOf) -> Vec<(Length, u32)> {
        let mut counted = Vec::new();
        for part in self.parts(of) {
            let lowest = part.lowest.min(part.read.len());
            for (offset, count) in part.read[lowest..].iter().enumerate() {
                if *count > 0 {
                    counted.push((STEP * (lowest + offset) as f64, *count));
                }
            }
        }
        counted
    }

    fn without_echo(&self, of: SpreadOf) -> u32 {
        self.parts(of).map(|part| part.without_echo).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use backwall_survey::strip::CourseLimits;
    use proptest::prelude::*;

    fn limits() -> Limits {
        let course = |number: u16, bottom: f64, top: f64| CourseLimits {
            number,
            bottom: Length::mm(bottom),
            top: Length::mm(top),
            nominal: Length::mm(10.0),
            required: Some(Length::mm(6.0)),
        };
        let courses = vec![course(1, 0.0, 50.0), course(2, 50.0, 200.0)];
        Limits { courses, watch_margin: Length::mm(0.5), guard_band: false }
    }

    fn wall(readings: &[(f64, Option<f64>)]) -> LiveWall {
        let limits = limits();
        let mut wall = LiveWall::new(Section::new(Default::default()), Vec::new(), (Length::ZERO, Length::mm(200.0)));
        for (seq, (along, thickness)) in readings.iter().enumerate() {
            let level = match thickness {
                None => Level::NoEcho,
                Some(thickness) if *thickness < 6.0 => Level::Thin,
                Some(_) => Level::Clear,
            };
            let (along, thickness) = (Some(Length::mm(*along)), thickness.map(Length::mm));
            wall.see(&Seen { seq: seq as u32, along, course: Some(1), thickness, level, alone: false }, &limits);
        }
        wall
    }

    fn ask(spread: SpreadOf) -> WallAsk {
        WallAsk { window: StretchWindow { step: Length::mm(20.0), first: -1, count: 12 }, lines: 3, spread: Some(spread) }
    }

    proptest! {
        // Against a count of every millimetre anew, and against the strip itself.
        #[test]
        fn a_glimpse_shows_what_the_wall_knows(
            readings in prop::collection::vec((-5.0f64..205.0, prop::option::weighted(0.8, 3.0f64..12.0)), 1..300),
        ) {
            let wall = wall(&readings);
            for (of, low, high) in [(SpreadOf::Course(1), 0.0, 50.0), (SpreadOf::Course(2), 50.0, 200.0), (SpreadOf::Line, -1e9, 1e9)] {
                let glimpse = wall.glimpse(&ask(of));
                let (mut counted, mut lost) = (BTreeMap::<i64, u32>::new(), 0);
                for (_, bin) in wall.strip.finest().filter(|(from, _)| (low..high).contains(&from.as_mm())) {
                    match bin.least {
                        Some(least) => *counted.entry((least.as_mm() / 0.001) as i64).or_default() += 1,
                        None => lost += u32::from(bin.lost > 0),
                    }
                }
                let mut got = BTreeMap::<i64, u32>::new();
                for (thickness, count) in &glimpse.spread {
                    *got.entry((thickness.as_mm() / 0.001).round() as i64).or_default() += count;
                }
                prop_assert_eq!(got, counted);
                prop_assert_eq!(glimpse.without_echo, lost);
                for index in -1..11 {
                    let (from, to) = (Length::mm(20.0 * index as f64), Length::mm(20.0 * (index + 1) as f64));
                    prop_assert_eq!(glimpse.bin(index), Some(wall.strip.stretch(from, to)));
                }
                prop_assert_eq!(glimpse.bin(11), None);
            }
        }
    }

    #[test]
    fn the_spots_to_see_first_come_first() {
        let thin = |place: f64, to: f64| (0..20).map(move |step| (place + f64::from(step), Some(to)));
        let readings: Vec<_> = [(0.0, 5.0), (40.0, 5.5), (80.0, 5.9), (120.0, 5.2), (160.0, 5.1)]
            .into_iter()
            .flat_map(|(place, to)| thin(place, to).chain([(place + 30.0, Some(9.0))]))
            .collect();
        let mut wall = wall(&readings);
        assert!(wall.acknowledge(5));
        let glimpse = wall.glimpse(&ask(SpreadOf::Line));
        assert_eq!(glimpse.spots.iter().map(|spot| spot.id).collect::<Vec<_>>(), [4, 3, 2]);
        assert_eq!((glimpse.open_spots, glimpse.all_spots), (4, 5));
        assert_eq!(wall.alarm().map(|(spot, open)| (spot.id, open)), Some((4, 4)));
        // Thinner than what was acknowledged: it is new again.
        let (along, thickness) = (Some(Length::mm(165.0)), Some(Length::mm(4.0)));
        wall.see(&Seen { seq: 900, along, course: Some(1), thickness, level: Level::Thin, alone: false }, &limits());
        assert_eq!(wall.alarm().map(|(spot, open)| (spot.id, open)), Some((5, 5)));
        (1..=5).for_each(|id| assert!(wall.acknowledge(id)));
        assert!(wall.alarm().is_none() && !wall.acknowledge(6));
    }
}
