//! Spots: connected stretches under a limit, and the alarm that they raise. A spot latches: it stays, with its
//! minimum, until an operator has acknowledged it, and speaks up again when it grows worse.

use super::Level;
use crate::neighbours::{Finding, Kind, Stretch};
use backwall_units::Length;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// When a stretch counts as a spot and when it ends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AlarmSettings {
    /// A spot ends only when the wall is this much above the limit that opened it.
    #[serde(rename = "hysteresis_mm")]
    pub hysteresis: Length,
    /// The alarm is raised once the stretch is at least this long.
    #[serde(rename = "minimum_length_mm")]
    pub minimum_length: Length,
    /// Stretches nearer to each other than this are one spot.
    #[serde(rename = "join_mm")]
    pub join: Length,
    /// Where a stream tells no place: this many readings in a row raise the alarm.
    pub minimum_readings: u32,
}

impl Default for AlarmSettings {
    fn default() -> Self {
        Self { hysteresis: Length::mm(0.2), minimum_length: Length::mm(1.0), join: Length::mm(5.0), minimum_readings: 3 }
    }
}

/// Numbers a spot within its run, from 1.
pub type SpotId = u32;

#[derive(Debug, Clone, PartialEq)]
pub struct Spot {
    pub id: SpotId,
    /// Edges in rising order; `None` where the stream tells no place.
    pub edges: Option<(Length, Length)>,
    pub least: Length,
    pub least_at: Option<Length>,
    pub least_seq: u32,
    /// `Watch` or `Thin`.
    pub level: Level,
    pub course: Option<u16>,
    pub readings: u32,
    pub acknowledged: bool,
    /// What its neighbours take it for, a little behind the crawler.
    pub finding: Option<Finding>,
}

impl Spot {
    pub fn length(&self) -> Option<Length> {
        self.edges.map(|(from, to)| to - from)
    }
}

/// A reading, as far as spots are concerned.
#[derive(Debug, Clone, Copy)]
pub struct SpotSample {
    pub seq: u32,
    pub along: Option<Length>,
    pub course: Option<u16>,
    pub thickness: Option<Length>,
    pub level: Level,
    /// The thickness at which this reading would be CLEAR.
    pub sound_from: Option<Length>,
}

/// What the operator must be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpotEvent {
    /// A new spot, or a known one that has become worse: ring the bell.
    Raised(SpotId),
}

/// Finds spots in a run's readings as they come.
#[derive(Debug, Clone)]
pub struct SpotWatch {
    settings: AlarmSettings,
    spots: Vec<Spot>,
    /// The last number that was given.
    last: SpotId,
    /// Not yet long enough to be a spot, or the spot the crawler is in.
    current: Option<Current>,
    /// The one just left.
    left: Option<Current>,
}

#[derive(Debug, Clone)]
struct Current {
    spot: Spot,
    raised: bool,
    /// Its last readings, each of which may yet be taken back.
    recent: VecDeque<ThinReading>,
    /// The least of those before.
    older: Option<ThinReading>,
}

/// A reading under a limit.
#[derive(Debug, Clone, Copy)]
struct ThinReading {
    thickness: Length,
    at: Option<Length>,
    seq: u32,
    course: Option<u16>,
}

/// How many readings of a spot can be taken back.
const RECENT: usize = 64;

impl Current {
    fn of(spot: Spot, raised: bool, older: Option<ThinReading>) -> Self {
        Self { spot, raised, recent: VecDeque::new(), older }
    }

    fn remember(&mut self, fresh: &Spot) {
        self.recent.push_back(ThinReading::of(fresh));
        if self.recent.len() > RECENT {
            let oldest = self.recent.pop_front();
            self.older = self.older.into_iter().chain(oldest).min_by(|a, b| a.thickness.total_cmp(&b.thickness));
        }
    }

    /// Takes a reading back; whether any is left of the spot.
    fn withdraw(&mut self, seq: u32) -> bool {
        self.recent.retain(|under| under.seq != seq);
        let least = self.recent.iter().copied().chain(self.older).min_by(|a, b| a.thickness.total_cmp(&b.thickness));
        if let Some(least) = least.filter(|_| self.spot.least_seq == seq) {
            least.set(&mut self.spot);
        }
        least.is_some()
    }
}

impl ThinReading {
    fn of(spot: &Spot) -> Self {
        Self { thickness: spot.least, at: spot.least_at, seq: spot.least_seq, course: spot.course }
    }
    fn set(self, spot: &mut Spot) {
        (spot.least, spot.least_at, spot.least_seq, spot.course) = (self.thickness, self.at, self.seq, self.course);
    }
}

impl SpotWatch {
    pub fn new(settings: AlarmSettings) -> Self {
        Self { settings, spots: Vec::new(), last: 0, current: None, left: None }
    }

    /// All raised spots, in the order they were raised.
    pub fn spots(&self) -> &[Spot] {
        &self.spots
    }

    pub fn open(&self) -> impl Iterator<Item = &Spot> {
        self.spots.iter().filter(|spot| !spot.acknowledged)
    }

    /// Marks a spot as seen; `false` when there is none with this number.
    pub fn acknowledge(&mut self, id: SpotId) -> bool {
        let mut known = false;
        for spot in self.spots.iter_mut().chain(self.current.as_mut().map(|current| &mut current.spot)) {
            if spot.id == id {
                spot.acknowledged = true;
                known = true;
            }
        }
        known
    }

    /// Takes the next reading.
    pub fn push(&mut self, sample: &SpotSample) -> Option<SpotEvent> {
        // No echo neither opens nor ends a spot: nothing was learned about the wall.
        let thickness = sample.thickness?;
        let under = sample.level >= Level::Watch;
        if let Some(current) = &self.current {
            let recovered = sample.sound_from.is_none_or(|sound| thickness >= sound + self.settings.hysteresis);
            let away = match (current.spot.edges, sample.along) {
                (Some((from, to)), Some(along)) => along < from - self.settings.join || along > to + self.settings.join,
                (None, None) => false,
                _ => true,
            };
            if away || (!under && recovered) {
                self.left = self.current.take();
            }
        }
        if !under {
            return None;
        }
        let fresh = Spot {
            id: 0,
            edges: sample.along.map(|along| (along, along)),
            least: thickness,
            least_at: sample.along,
            least_seq: sample.seq,
            level: sample.level,
            course: sample.course,
            readings: 1,
            acknowledged: false,
            finding: None,
        };
        let settings = self.settings;
        let (spots, current) = (&self.spots, &mut self.current);
        let current = match current {
            Some(current) => {
                merge(&mut current.spot, &fresh);
                current
            }
            // Coming back to a known spot goes on with it.
            none => none.insert(match spots.iter().find(|known| touches(known, &fresh, settings.join)) {
                Some(known) => {
                    // What was left a moment ago may yet be taken back in part.
                    let again = self.left.take_if(|left| left.spot.id == known.id);
                    let mut again = again.unwrap_or_else(|| Current::of(known.clone(), true, Some(ThinReading::of(known))));
                    merge(&mut again.spot, &fresh);
                    again
                }
                None => Current::of(fresh.clone(), false, None),
            }),
        };
        current.remember(&fresh);
        let spot = &mut current.spot;
        if !current.raised {
            let long_enough = match spot.length() {
                Some(length) => length >= settings.minimum_length,
                None => spot.readings >= settings.minimum_readings,
            };
            if !long_enough {
                return None;
            }
            current.raised = true;
            self.last += 1;
            spot.id = self.last;
            self.spots.push(spot.clone());
            return Some(SpotEvent::Raised(spot.id));
        }
        let known = self.spots.iter_mut().find(|known| known.id == spot.id)?;
        let worse = spot.level > known.level || (known.acknowledged && spot.least < known.least - settings.hysteresis);
        if worse {
            spot.acknowledged = false;
        } else {
            // While acknowledged, keep the minimum that was seen, so that creeping thinner is noticed.
            spot.acknowledged = known.acknowledged;
        }
        let seen_least = known.least;
        *known = spot.clone();
        if known.acknowledged {
            known.least = known.least.max(seen_least - settings.hysteresis).min(seen_least);
        }
        worse.then_some(SpotEvent::Raised(spot.id))
    }
}

impl SpotWatch {
    /// Takes back one of the last readings, which proved to stand alone. A spot that was raised stays, whatever is left of it.
    pub fn withdraw(&mut self, seq: u32) {
        let Self { spots, current, left, .. } = self;
        if current.as_mut().is_some_and(|current| !current.withdraw(seq) && !current.raised) {
            *current = None;
        }
        if let Some(left) = left {
            left.withdraw(seq);
        }
        for changed in [&*current, &*left].into_iter().flatten().filter(|changed| changed.raised) {
            if let Some(known) = spots.iter_mut().find(|known| known.id == changed.spot.id && known.least_seq == seq) {
                ThinReading::of(&changed.spot).set(known);
            }
        }
    }

    /// Takes the spots back of which no reading is left, unless the operator has taken note of them. They have no readings any more.
    pub fn take_back(&mut self) -> Vec<Spot> {
        let mut gone = Vec::new();
        for of in [&mut self.current, &mut self.left] {
            if let Some(empty) = of.take_if(|of| of.raised && of.recent.is_empty() && of.older.is_none() && !of.spot.acknowledged)
                && let Some(at) = self.spots.iter().position(|known| known.id == empty.spot.id && !known.acknowledged)
            {
                gone.push(Spot { readings: 0, ..self.spots.remove(at) });
            }
        }
        gone
    }

    /// Whether the crawler is in a raised spot.
    pub fn is_inside(&self) -> bool {
        self.current.as_ref().is_some_and(|current| current.raised)
    }

    /// Judges all spots by the stretches known by now; `all` also the one the crawler is in. Answers those whose finding is new.
    pub fn judge(&mut self, stretches: &[Stretch], all: bool) -> Vec<SpotId> {
        let open = self.current.as_ref().filter(|current| current.raised && !all).map(|current| current.spot.id);
        let mut news = Vec::new();
        for stretch in stretches {
            news.extend(self.of_stretch(stretch));
        }
        for spot in self.spots.iter_mut().filter(|spot| Some(spot.id) != open) {
            let Some(edges) = spot.edges else { continue };
            let finding = Some(Finding::of(edges, stretches));
            if spot.finding != finding {
                spot.finding = finding;
                news.push(spot.id);
            }
        }
        news.sort_unstable();
        news.dedup();
        news
    }

    /// A lamination that no limit made a spot is one all the same, and reaches as far as its edges; so is a pit that a single
    /// reading proves to be under the limit.
    fn of_stretch(&mut self, stretch: &Stretch) -> Option<SpotId> {
        let (from, to) = stretch.edges;
        let least = stretch.least?;
        let is_lamination = stretch.kind == Kind::Lamination;
        let covers = |spot: &Spot| spot.edges.is_some_and(|(low, high)| high >= from && low <= to);
        if let Some(spot) = self.spots.iter_mut().find(|spot| covers(spot)) {
            if let (true, Some((low, high))) = (is_lamination, spot.edges) {
                let edges = (low.min(from), high.max(to));
                let grown = spot.edges.replace(edges) != Some(edges);
                return grown.then_some(spot.id);
            }
            return None;
        }
        if self.current.as_ref().is_some_and(|current| current.raised && covers(&current.spot)) {
            return None;
        }
        let is_thin_pit = stretch.kind == Kind::Pit && least.level >= Level::Watch;
        if !(is_lamination || is_thin_pit) {
            return None;
        }
        self.last += 1;
        let id = self.last;
        self.spots.push(Spot {
            id,
            edges: Some(stretch.edges),
            least: least.thickness,
            least_at: Some(least.along),
            least_seq: least.seq,
            level: least.level.max(Level::Watch),
            course: least.course,
            readings: stretch.readings,
            acknowledged: false,
            finding: None,
        });
        Some(id)
    }
}

fn touches(known: &Spot, fresh: &Spot, join: Length) -> bool {
    match (known.edges, fresh.edges) {
        (Some((from, to)), Some((low, high))) => high >= from - join && low <= to + join,
        _ => false,
    }
}

fn merge(spot: &mut Spot, other: &Spot) {
    if other.least < spot.least {
        (spot.least, spot.least_at, spot.least_seq, spot.course) = (other.least, other.least_at, other.least_seq, other.course);
    }
    spot.level = spot.level.max(other.level);
    spot.readings += other.readings;
    spot.edges = match (spot.edges, other.edges) {
        (Some((a, b)), Some((c, d))) => Some((a.min(c), b.max(d))),
        (edges, None) | (None, edges) => edges,
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Required 6.0 mm, watch from 6.8 mm.
    fn sample(seq: u32, along: f64, thickness: Option<f64>) -> SpotSample {
        let level = match thickness {
            None => Level::NoEcho,
            Some(t) if t < 6.0 => Level::Thin,
            Some(t) if t < 6.8 => Level::Watch,
            Some(_) => Level::Clear,
        };
        SpotSample {
            seq,
            along: Some(Length::mm(along)),
            course: Some(1),
            thickness: thickness.map(Length::mm),
            level,
            sound_from: Some(Length::mm(6.8)),
        }
    }
    fn run(watch: &mut SpotWatch, walls: &[(f64, f64)]) -> Vec<SpotEvent> {
        walls.iter().enumerate().filter_map(|(seq, (place, wall))| watch.push(&sample(seq as u32, *place, Some(*wall)))).collect()
    }

    #[test]
    fn a_stretch_under_the_limit_is_one_spot_with_its_minimum() {
        let mut watch = SpotWatch::new(AlarmSettings::default());
        let events = run(&mut watch, &[(0.0, 9.0), (1.0, 6.5), (2.0, 5.9), (3.0, 5.5), (4.0, 6.6), (5.0, 9.0)]);
        assert_eq!(events, [SpotEvent::Raised(1)]);
        let spot = &watch.spots()[0];
        assert_eq!((spot.least, spot.least_at, spot.least_seq, spot.level), (Length::mm(5.5), Some(Length::mm(3.0)), 3, Level::Thin));
        assert_eq!(spot.edges, Some((Length::mm(1.0), Length::mm(4.0))));
        assert!(!spot.acknowledged);
    }

    #[test]
    fn a_stretch_shorter_than_the_minimum_length_raises_nothing() {
        let mut watch = SpotWatch::new(AlarmSettings { minimum_length: Length::mm(2.0), ..Default::default() });
        assert_eq!(run(&mut watch, &[(0.0, 9.0), (0.5, 5.0), (1.5, 5.0), (2.5, 9.0), (3.0, 9.0)]), []);
    }

    #[test]
    fn hysteresis_keeps_a_wall_that_hovers_about_the_limit_one_spot() {
        let mut watch = SpotWatch::new(AlarmSettings::default());
        let events = run(&mut watch, &[(0.0, 6.7), (1.0, 6.85), (2.0, 6.7), (3.0, 6.9), (4.0, 6.7)]);
        assert_eq!((events.len(), watch.spots().len()), (1, 1));
    }

    #[test]
    fn an_acknowledged_spot_speaks_up_when_it_turns_thin_or_clearly_thinner() {
        let mut watch = SpotWatch::new(AlarmSettings::default());
        assert_eq!(run(&mut watch, &[(0.0, 6.5), (1.0, 6.5)]).len(), 1);
        assert!(watch.acknowledge(1));
        assert_eq!(run(&mut watch, &[(2.0, 6.45)]), []);
        assert_eq!(run(&mut watch, &[(3.0, 6.2)]), [SpotEvent::Raised(1)]);
        assert!(watch.acknowledge(1));
        assert_eq!(run(&mut watch, &[(4.0, 5.9)]), [SpotEvent::Raised(1)]);
        assert_eq!(watch.open().count(), 1);
    }

    #[test]
    fn driving_back_over_a_spot_does_not_make_a_second_one() {
        let mut watch = SpotWatch::new(AlarmSettings::default());
        run(&mut watch, &[(0.0, 9.0), (1.0, 5.5), (2.0, 5.5), (3.0, 9.0), (20.0, 9.0), (3.0, 9.0), (2.0, 5.4), (1.0, 5.5), (0.0, 9.0)]);
        assert_eq!(watch.spots().len(), 1);
        assert_eq!(watch.spots()[0].least, Length::mm(5.4));
    }

    #[test]
    fn no_echo_neither_opens_nor_ends_a_spot() {
        let mut watch = SpotWatch::new(AlarmSettings::default());
        for (seq, (place, wall)) in [(1.0, Some(5.5)), (2.0, None), (3.0, Some(5.5))].into_iter().enumerate() {
            watch.push(&sample(seq as u32, place, wall));
        }
        assert_eq!(watch.spots().len(), 1);
        assert_eq!(watch.spots()[0].edges, Some((Length::mm(1.0), Length::mm(3.0))));
    }

    #[test]
    fn without_places_a_few_readings_in_a_row_raise_the_alarm() {
        let mut watch = SpotWatch::new(AlarmSettings::default());
        let events: Vec<_> = (0..4).filter_map(|seq| watch.push(&SpotSample { along: None, ..sample(seq, 0.0, Some(5.0)) })).collect();
        assert_eq!(events, [SpotEvent::Raised(1)]);
    }
}
