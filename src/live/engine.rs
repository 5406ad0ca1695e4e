//! One feed item to readings, entries and the state of the wall. Knows no task and no clock: times come in.

mod asked;
mod items;
mod judge;
mod watch;
mod words;

use super::disagree::DisagreementWatch;
use super::distrust::Distrust;
use super::place;
use super::view::{DeviceSaid, LiveCounts, Phase, Telemetry};
use super::wall::LiveWall;
use backwall_store::{Entry, EventKind};
use backwall_survey::neighbours::{Kind, Neighbours, Stretch};
use backwall_survey::reading::{Cause, Reading, ReadingMaker, Zero};
use backwall_survey::strip::{Level, Limits, Spot, SpotId};
use backwall_survey::travel::{Restart, RestartWatch};
use backwall_ultrasound::{Setup, Sight, TimeBase, Waveform};
use backwall_units::{Length, Temperature, Time, Wording};
use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard};

use words::first_words;
pub use words::{dropped_words, zero_words};

/// A device is taken to stall when it says nothing for this long while the link is up.
pub const STALL_US: i64 = 1_500_000;
/// A change of the wall's temperature smaller than this is not worth an event.
const TEMPERATURE_STEP: Temperature = Temperature::celsius(0.5);

/// A first sample that comes at another time is said so often, then no more.
const FIRST_SAID: u32 = 3;
/// More than neighbours look back for a single reading.
const LAST_ROWS: usize = 64;
/// What is under the required thickness rings more often than what is watched. Common practice, no source.
const RINGS_OF_THIN: u8 = 3;
/// A zero that moves by less is not worth an event.
const ZERO_STEP: Time = Time::ns(20.0);

/// What headless callers are told as it happens.
#[derive(Debug, Clone, PartialEq)]
pub enum Notice {
    Alarm(Spot),
    /// What a spot is taken for, a little behind the crawler.
    Finding(Spot),
    LongGap {
        from: Option<Length>,
        length: Length,
        seq: u32,
    },
    Link {
        up: bool,
        text: String,
    },
    Fault(Wording),
    /// A device started anew and the crawler is held where it was: the operator is to say where it stands.
    Held(Wording),
}

/// What was said last, numbered, so that a screen that sees only the newest state says each once.
#[derive(Debug, Clone, PartialEq)]
pub struct EngineSaid {
    pub number: u64,
    pub notice: Notice,
}

/// A screen looks many times a second: more than these do not come in between.
const SAID_KEPT: usize = 8;

/// The state of one run.
pub struct Engine {
    maker: ReadingMaker,
    limits: Arc<Limits>,
    max_gap: Length,
    distrust: Distrust,
    restarts: RestartWatch,
    /// The link was down since the last shot.
    was_down: bool,
    /// How often the first sample alone came at another time.
    first_moved: u32,
    base: Option<TimeBase>,
    gap: OpenGap,
    /// The zero as the last shots show it, and what it is on the wall there.
    pub zero: Option<(Zero, Length)>,
    zero_told: Time,
    /// What was last said to have moved it.
    cause_told: Option<Cause>,
    pub disagreement: DisagreementWatch,
    /// The set-up of the next shot.
    pub setup: Arc<Setup>,
    pub changed: bool,
    pub device: DeviceSaid,
    neighbours: Neighbours,
    stretches: Vec<Stretch>,
    /// Row and number of the last readings, which neighbours may yet doubt.
    last_rows: VecDeque<(u64, u32)>,
    /// The row of the job file that the next reading gets.
    next_row: u64,
    /// Spots raised since all were judged.
    unjudged: u32,
    told_kinds: BTreeMap<SpotId, Kind>,
    start: Length,
    /// How far along the line the crawler has been from there.
    pub reach: Length,
    /// Where the operator said that the crawler stands, and no shot has come since.
    placed: Option<(Length, Option<Length>)>,
    status_temperature: Option<Temperature>,
    said_far: bool,
    last_shot_us: Option<i64>,
    stalled: bool,
    pub wall: Arc<Mutex<LiveWall>>,
    pub phase: Phase,
    pub reading: Option<Reading>,
    pub waveform: Option<Waveform>,
    pub telemetry: Telemetry,
    pub counts: LiveCounts,
    pub bells: u64,
    /// How often the last alarm rings.
    pub rings: u8,
    said: VecDeque<EngineSaid>,
    said_count: u64,
}

/// The stretch without an echo that the crawler is in.
#[derive(Debug, Clone, Copy, Default)]
struct OpenGap {
    from: Option<Length>,
    length: Option<Length>,
    told: bool,
}

/// Where entries and notices of one step go.
#[derive(Default)]
pub struct Outcome {
    pub entries: Vec<Entry>,
    pub notices: Vec<Notice>,
    pub ended: bool,
}

impl Engine {
    /// `start` is where along the line the run begins.
    pub fn new(maker: ReadingMaker, limits: Arc<Limits>, max_gap: Length, start: Length, wall: LiveWall) -> Self {
        Self {
            setup: Arc::new(maker.setup().clone()),
            changed: false,
            device: DeviceSaid::default(),
            disagreement: DisagreementWatch::default(),
            maker,
            limits,
            max_gap,
            distrust: Distrust::default(),
            restarts: RestartWatch::default(),
            was_down: false,
            first_moved: 0,
            base: None,
            gap: OpenGap::default(),
            zero: None,
            zero_told: Time::ZERO,
            cause_told: None,
            neighbours: Neighbours::default(),
            stretches: Vec::new(),
            last_rows: VecDeque::new(),
            next_row: 0,
            unjudged: 0,
            told_kinds: BTreeMap::new(),
            start,
            reach: Length::ZERO,
            placed: None,
            status_temperature: None,
            said_far: false,
            last_shot_us: None,
            stalled: false,
            wall: Arc::new(Mutex::new(wall)),
            phase: Phase::Waiting,
            reading: None,
            waveform: None,
            telemetry: Telemetry::default(),
            counts: LiveCounts::default(),
            bells: 0,
            rings: 1,
            said: VecDeque::new(),
            said_count: 0,
        }
    }

    /// What was said last, the oldest first.
    pub fn said(&self) -> impl Iterator<Item = &EngineSaid> {
        self.said.iter()
    }

    /// Says what no screen shows by itself.
    pub fn notify(&mut self, notice: Notice, out: &mut Outcome) {
        self.said_count += 1;
        self.said.push_back(EngineSaid { number: self.said_count, notice: notice.clone() });
        if self.said.len() > SAID_KEPT {
            self.said.pop_front();
        }
        out.notices.push(notice);
    }

    fn wall(&self) -> MutexGuard<'_, LiveWall> {
        // A screen that panicked while it looked has changed nothing: go on with what is there.
        self.wall.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    pub fn gap(&self) -> Option<Length> {
        self.gap.length
    }

    pub(super) fn maker(&self) -> &ReadingMaker {
        &self.maker
    }

    fn reading(&mut self, reading: Reading, sight: &Sight, waveform: Option<Waveform>, out: &mut Outcome) {
        self.phase = Phase::Recording;
        self.placed = None;
        if self.counts.received == 0 {
            self.event(EventKind::Link, first_words(&reading, self.maker.path()), reading.host_time_us, out);
        }
        self.counts.received += 1;
        let said = self.distrust.reading(&reading);
        self.say(said, reading.host_time_us, out);
        let thickness = reading.measurement.thickness;
        self.counts.no_echo += u64::from(thickness.is_none());
        let raised = {
            let mut wall = self.wall();
            wall.push(&reading, &self.limits).and_then(|event| wall.raised(event).cloned())
        };
        self.watch_gap(&reading, out);
        self.reach = reading.place.along.map_or(self.reach, |along| self.reach.max((along - self.start).abs()));
        out.entries.push(Entry::Reading { reading: reading.clone(), waveform: waveform.clone() });
        if let Some(spot) = raised {
            self.unjudged += 1;
            self.ring(if spot.level == Level::Thin { RINGS_OF_THIN } else { 1 });
            out.entries.push(Entry::Spot(spot.clone()));
            let text = Wording::from(format!("spot {} {}: ", spot.id, spot.level)).thickness(spot.least);
            self.event(EventKind::Alarm, text, reading.host_time_us, out);
            out.notices.push(Notice::Alarm(spot));
        }
        self.judge(&reading, sight, out);
        self.watch_zero(&reading, out);
        self.watch_disagreement(&reading, out);
        self.next_row += 1;
        self.reading = Some(reading);
        if waveform.is_some() {
            self.waveform = waveform;
        }
    }

    /// A reading found no room and is not in the file: rows no longer run on, so that what is open cannot be judged.
    pub fn row_lost(&mut self) {
        self.next_row = self.next_row.saturating_sub(1);
        self.neighbours = Neighbours::default();
    }

    /// The device has started anew: the crawler is held where it was last believed to be, until somebody says otherwise. What was said since
    /// its last shot stays: the next one is there.
    fn hold_place(&mut self, restart: Restart, at_us: i64, out: &mut Outcome) {
        let said = self.placed;
        let held = said.map(|(along, _)| along).or(self.distrust.believed());
        let path = self.maker.path();
        let since = Length::mm(f64::from(restart.counted) / path.counts_per_mm) * path.direction.sign();
        if let Some(along) = held {
            self.goes_on_from(along + since, said.and_then(|(_, across)| across), at_us, out);
        }
        let text = place::held_words(&restart, held, said.is_some());
        let notice = if said.is_some() { Notice::Fault(text.clone()) } else { Notice::Held(text.clone()) };
        self.notify(notice, out);
        self.event(EventKind::Place, text, at_us, out);
    }

    fn goes_on_from(&mut self, along: Length, across: Option<Length>, at_us: i64, out: &mut Outcome) {
        let judgements = self.neighbours.end();
        self.judged(judgements, false, at_us, out);
        self.last_rows.clear();
        self.gap = OpenGap::default();
        self.maker.set_place(along, across);
        out.entries.push(Entry::PlaceSet { along, across });
    }

    /// Takes a reading that was made and stored before, for a run that is played again; nothing is entered of it.
    pub fn stored(&mut self, reading: Reading) {
        self.reading(reading, &Sight::default(), None, &mut Outcome::default());
    }

    /// The final state of every spot, for the job file.
    pub fn finish(&mut self, out: &mut Outcome) {
        let judgements = self.neighbours.end();
        let at_us = self.reading.as_ref().map_or(0, |reading| reading.host_time_us);
        let said = self.distrust.end();
        self.counts.lost = self.distrust.lost();
        self.say(said, at_us, out);
        self.judged(judgements, true, at_us, out);
        let spots = self.wall().spots.spots().to_vec();
        out.entries.extend(spots.into_iter().map(Entry::Spot));
    }

    /// Called now and then: notices a device that has fallen silent.
    pub fn tick(&mut self, now_us: i64, out: &mut Outcome) {
        // A computer's clock that was set back must not hide a silence.
        self.last_shot_us = self.last_shot_us.map(|last| last.min(now_us));
        let silent = self.last_shot_us.is_some_and(|last| now_us - last > STALL_US);
        if silent && !self.stalled && matches!(self.phase, Phase::Recording) {
            self.stalled = true;
            self.counts.stalls += 1;
            let text = format!("no shot for {:.1} s although the link is up", STALL_US as f64 / 1e6);
            self.event(EventKind::Stall, text.clone(), now_us, out);
            out.notices.push(Notice::Link { up: true, text });
        }
    }

    pub fn is_stalled(&self) -> bool {
        self.stalled
    }

    fn ring(&mut self, times: u8) {
        self.bells += 1;
        self.rings = times;
    }

    fn link(&mut self, up: bool, text: String, at_us: i64, out: &mut Outcome) {
        self.event(EventKind::Link, text.clone(), at_us, out);
        out.notices.push(Notice::Link { up, text });
    }

    fn fault(&mut self, text: String, at_us: i64, out: &mut Outcome) {
        self.event(EventKind::Fault, text.clone(), at_us, out);
        self.notify(Notice::Fault(text.into()), out);
    }

    fn event(&self, kind: EventKind, text: impl Into<Wording>, at_us: i64, out: &mut Outcome) {
        let (seq, along) = self.last_place();
        out.entries.push(Entry::Event { kind, text: text.into(), seq, along, at_us });
    }

    /// Number and place of the last reading.
    fn last_place(&self) -> (Option<u32>, Option<Length>) {
        self.reading.as_ref().map_or((None, None), |reading| (Some(reading.seq), reading.place.along))
    }
}

#[cfg(test)]
pub(super) mod tests;
