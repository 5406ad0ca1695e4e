//! One feed item to readings, entries and the state of the wall. Knows no task and no clock: times come in.

use super::change::Changed;
use super::disagree::DisagreementWatch;
use super::distrust::{Distrust, Said, host_jump};
use super::place;
use super::view::{Command, Counts, Misclosure, Phase, Telemetry};
use super::wall::Wall;
use backwall_store::{CloseReason, Entry, EventKind, Mark, Note};
use backwall_stream::feed::{Feed, FeedItem};
use backwall_survey::neighbours::{Judgement, Kind, Neighbour, Neighbours, Stretch};
use backwall_survey::reading::{Cause, Measured, Reading, ReadingMaker, Record, Zero};
use backwall_survey::strip::{Level, Limits, Spot, SpotId};
use backwall_survey::travel::encoder_check::misclosure;
use backwall_survey::travel::{Counted, Moment, Path, Restart, RestartWatch};
use backwall_ultrasound::{Flag, Mode, Setup, Sight, TimeBase, Waveform, ZeroKeeping};
use backwall_units::{Length, LengthUnit, Temperature, Time};
use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard};

/// A device is taken to stall when it says nothing for this long while the link is up.
pub const STALL_US: i64 = 1_500_000;
/// A change of the wall's temperature smaller than this is not worth an event.
const TEMPERATURE_STEP: Temperature = Temperature::celsius(0.5);

/// A first sample that comes at another time is said so often, then no more.
const FIRST_SAID: u32 = 3;
/// More than neighbours look back for a single reading.
const LAST_ROWS: usize = 8;
/// What is under the required thickness rings more often than what is watched. Common practice, no source.
const RINGS_OF_THIN: u8 = 3;
/// A zero that moves by less is not worth an event.
const ZERO_STEP: Time = Time::ns(20.0);

/// `+240 ns, 0.71 mm, from 85 shots`, and behind a colon what has moved it where that shows.
pub fn zero_words(zero: &Zero, length: Length, unit: LengthUnit) -> String {
    let (ns, length, symbol) = (zero.late.as_ns(), unit.thickness(length.abs()), unit.thickness_symbol());
    let words = format!("{ns:+.0} ns, {length} {symbol}, from {} shots", zero.shots);
    match zero.cause() {
        None => words,
        Some(Cause::Tyre) => format!("{words}: tyre"),
        Some(Cause::Surface) => format!("{words}: surface"),
        Some(Cause::Both) => format!("{words}: tyre {:+.0} ns", zero.tyre.map_or(0.0, |tyre| tyre.late.as_ns())),
    }
}

/// What the word behind the zero means.
fn cause_words(cause: Cause) -> &'static str {
    match cause {
        Cause::Tyre => "the echo of the tyre's inner face has moved as far: the tyre is worn or warm",
        Cause::Surface => "the echo of the tyre's inner face rests: paint, coating or a gap lies between tyre and wall",
        Cause::Both => "the echo of the tyre's inner face has moved by another amount: the tyre, and paint, coating or a gap as well",
    }
}

/// `12 frames dropped: 8 the check fails, 4 gauge: not 4 columns`.
pub fn dropped_words(frames: u64, reasons: &BTreeMap<String, u64>) -> String {
    let mut reasons: Vec<_> = reasons.iter().collect();
    reasons.sort_by_key(|(_, count)| std::cmp::Reverse(**count));
    let why: Vec<String> = reasons.iter().map(|(why, count)| format!("{count} {why}")).collect();
    format!("{frames} {} dropped: {}", if frames == 1 { "frame" } else { "frames" }, why.join(", "))
}

/// `first shot: seq 0, encoder 5000, taken to be at 2000.0 mm, where the line starts`.
fn first_words(reading: &Reading, path: &Path) -> String {
    let place = match (reading.encoder, reading.place.along) {
        (Some(encoder), Some(along)) => {
            let from = match path.offset {
                Length::ZERO => "where the line starts".to_owned(),
                offset => format!("{:.1} mm from where the line starts", offset.as_mm()),
            };
            format!("encoder {encoder}, taken to be at {:.1} mm, {from}", along.as_mm())
        }
        _ => "no encoder: readings have no place".to_owned(),
    };
    format!("first shot: seq {}, {place}", reading.seq)
}

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
    Fault(String),
}

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
    gap: Gap,
    /// The zero as the last shots show it, and what it is on the wall there.
    pub zero: Option<(Zero, Length)>,
    zero_told: Time,
    /// What was last said to have moved it.
    cause_told: Option<Cause>,
    pub disagreement: DisagreementWatch,
    /// The set-up of the next shot.
    pub setup: Arc<Setup>,
    pub changed: bool,
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
    status_temperature: Option<Temperature>,
    last_shot_us: Option<i64>,
    stalled: bool,
    pub wall: Arc<Mutex<Wall>>,
    pub phase: Phase,
    pub reading: Option<Reading>,
    pub waveform: Option<Waveform>,
    pub telemetry: Telemetry,
    pub counts: Counts,
    pub bells: u64,
    /// How often the last alarm rings.
    pub rings: u8,
}

/// The stretch without an echo that the crawler is in.
#[derive(Debug, Clone, Copy, Default)]
struct Gap {
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
    pub fn new(maker: ReadingMaker, limits: Arc<Limits>, max_gap: Length, start: Length, wall: Wall) -> Self {
        Self {
            setup: Arc::new(maker.setup().clone()),
            changed: false,
            disagreement: DisagreementWatch::default(),
            maker,
            limits,
            max_gap,
            distrust: Distrust::default(),
            restarts: RestartWatch::default(),
            was_down: false,
            first_moved: 0,
            base: None,
            gap: Gap::default(),
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
            status_temperature: None,
            last_shot_us: None,
            stalled: false,
            wall: Arc::new(Mutex::new(wall)),
            phase: Phase::Waiting,
            reading: None,
            waveform: None,
            telemetry: Telemetry::default(),
            counts: Counts::default(),
            bells: 0,
            rings: 1,
        }
    }

    fn wall(&self) -> MutexGuard<'_, Wall> {
        // A screen that panicked while it looked has changed nothing: go on with what is there.
        self.wall.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    pub fn gap(&self) -> Option<Length> {
        self.gap.length
    }

    pub(super) fn maker(&self) -> &ReadingMaker {
        &self.maker
    }

    /// Takes the next item of the stream.
    pub fn take(&mut self, feed: Feed, out: &mut Outcome) {
        self.take_measured(feed, None, out);
    }

    /// The same; `measured` is what its shot measures, where that is known already.
    pub fn take_measured(&mut self, feed: Feed, measured: Option<Measured>, out: &mut Outcome) {
        let at_us = feed.host_time_us;
        match feed.item {
            FeedItem::Record(record) => self.record(record, measured, at_us, out),
            FeedItem::Up { what } => {
                if !matches!(self.phase, Phase::Recording) {
                    self.phase = Phase::Waiting;
                }
                self.link(true, format!("connected to {what}"), at_us, out);
            }
            FeedItem::Down { why } => {
                self.phase = Phase::LinkDown(why.clone());
                // What is driven while nothing comes is not driven over without an echo.
                self.gap = Gap::default();
                self.was_down = true;
                self.link(false, why, at_us, out);
            }
            FeedItem::Reconnected { attempts, down_ms } => {
                self.phase = Phase::Waiting;
                let text = format!("connected again after {:.1} s and {attempts} attempts", down_ms as f64 / 1e3);
                self.link(true, text, at_us, out);
            }
            FeedItem::Overflow { bytes } => {
                self.event(EventKind::Overflow, format!("{bytes} bytes came faster than they could be decoded and are lost"), at_us, out);
            }
            FeedItem::Said { words } => self.link(true, words, at_us, out),
            FeedItem::OtherChannel { words } => self.say([Said::Begins(words)], at_us, out),
            FeedItem::Beside { seq } => self.distrust.beside(seq),
            FeedItem::Dropped { frames, reasons } => {
                self.counts.dropped = frames;
                self.event(EventKind::Dropped, dropped_words(frames, &reasons), at_us, out);
            }
            FeedItem::Unreadable { words } => {
                self.event(EventKind::Link, words.clone(), at_us, out);
                out.notices.push(Notice::Fault(words));
            }
            FeedItem::HostClock { ahead_us } => self.say([Said::Begins(host_jump(ahead_us as f64 / 1e6))], at_us, out),
            FeedItem::Ended => out.ended = true,
        }
    }

    fn record(&mut self, record: Record, measured: Option<Measured>, at_us: i64, out: &mut Outcome) {
        match record {
            Record::Header(header) => {
                self.telemetry.device = Some(header.device_name.clone());
                if self.base == Some(header.base) {
                    return;
                }
                let before = self.base.replace(header.base);
                let only_first = before.is_some_and(|before| TimeBase { first: header.base.first, ..before } == header.base);
                self.first_moved += u32::from(only_first);
                if let Err(error) = self.maker.set_time_base(header.base) {
                    self.fault(format!("this set-up cannot evaluate the device's waveforms: {error}"), at_us, out);
                }
                out.entries.push(Entry::TimeBase(header.base));
                if only_first && self.first_moved > FIRST_SAID {
                    return;
                }
                let text = format!(
                    "{}{} MS/s, first sample at {:.3} µs, {} samples, {} bit, device {} '{}'",
                    match (before, only_first && self.first_moved == FIRST_SAID) {
                        (None, _) => "",
                        (_, true) => "the first sample comes at another time again and again, which is said no more: ",
                        _ => "time base changed: ",
                    },
                    header.base.rate.as_mhz(),
                    header.base.first.as_us(),
                    header.samples,
                    header.base.bits,
                    header.device_id,
                    header.device_name
                );
                self.event(EventKind::Header, text, at_us, out);
            }
            Record::Shot(shot) => {
                let counted = Counted { seq: shot.seq, device_us: shot.device_time_us, encoder: shot.encoder };
                self.arrived(counted, false, at_us, out);
                let measured = measured.unwrap_or_else(|| self.maker.measure(&shot));
                let reading = self.maker.measured(&shot, &measured, at_us);
                let waveform = self.base.map(|base| Waveform { base, samples: shot.samples });
                self.reading(reading, &measured.sight, waveform, out);
            }
            Record::Gauge(gauge) => {
                let counted = Counted { seq: gauge.seq, device_us: gauge.device_time_us, encoder: gauge.encoder };
                self.arrived(counted, true, at_us, out);
                let reading = self.maker.gauge(&gauge, at_us);
                self.reading(reading, &Sight::default(), None, out);
            }
            Record::Status(status) => {
                self.telemetry.battery_mv = status.battery_mv.or(self.telemetry.battery_mv);
                let Some(temperature) = status.surface_temperature else { return };
                self.telemetry.surface_temperature = Some(temperature);
                self.maker.set_wall_temperature(temperature);
                if self.status_temperature.is_none_or(|last| (temperature - last).abs() >= TEMPERATURE_STEP) {
                    self.status_temperature = Some(temperature);
                    let text = format!("surface temperature {:.1} °C", temperature.as_celsius());
                    self.event(EventKind::Status, text, at_us, out);
                }
            }
        }
    }

    /// A shot, or a value the device found itself, by its number.
    fn arrived(&mut self, counted: Counted, by_device: bool, at_us: i64, out: &mut Outcome) {
        let said = self.distrust.shot(counted.seq, by_device, Moment { device_us: counted.device_us, host_us: at_us });
        self.counts.lost = self.distrust.lost();
        self.say(said, at_us, out);
        let silent = std::mem::take(&mut self.was_down) || self.last_shot_us.is_some_and(|last| at_us.saturating_sub(last) > STALL_US);
        if let Some(restart) = self.restarts.next(counted, self.maker.path().counts_per_mm, silent) {
            self.hold_place(restart, at_us, out);
        }
        self.last_shot_us = Some(at_us);
        self.stalled = false;
    }

    /// Keeps what cannot be, and tells of it as it begins.
    fn say(&mut self, said: impl IntoIterator<Item = Said>, at_us: i64, out: &mut Outcome) {
        for said in said {
            match said {
                Said::Lost(text) => self.event(EventKind::Lost, text, at_us, out),
                Said::Over(text) => self.event(EventKind::Doubt, text, at_us, out),
                Said::Begins(text) => {
                    self.event(EventKind::Doubt, text.clone(), at_us, out);
                    out.notices.push(Notice::Fault(text));
                }
            }
        }
    }

    fn reading(&mut self, reading: Reading, sight: &Sight, waveform: Option<Waveform>, out: &mut Outcome) {
        self.phase = Phase::Recording;
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
            let text = format!("spot {} {}: {:.2} mm", spot.id, spot.level, spot.least.as_mm());
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

    /// What its neighbours make of the readings up to here.
    fn judge(&mut self, reading: &Reading, sight: &Sight, out: &mut Outcome) {
        let Some(neighbour) = Neighbour::new(self.next_row, reading, sight) else { return };
        self.last_rows.push_back((self.next_row, reading.seq));
        if self.last_rows.len() > LAST_ROWS {
            self.last_rows.pop_front();
        }
        let judgements = self.neighbours.push(neighbour);
        for judgement in judgements.iter().filter(|judgement| judgement.flags.has(Flag::Alone)) {
            let seq = self.last_rows.iter().find(|(row, _)| *row == judgement.rows.0).map(|(_, seq)| *seq);
            seq.into_iter().for_each(|seq| self.wall().withdraw(seq));
        }
        self.judged(judgements, false, reading.host_time_us, out);
    }

    fn judged(&mut self, judgements: Vec<Judgement>, all: bool, at_us: i64, out: &mut Outcome) {
        let known = self.stretches.len();
        self.stretches.extend(judgements.iter().filter_map(|judgement| judgement.stretch));
        let news = self.stretches.len() > known;
        out.entries.extend(judgements.into_iter().map(Entry::Judgement));
        // A spot is judged when all that lies behind the crawler is.
        let left = self.unjudged > 0 && !self.wall().spots.is_inside();
        if !all && !(self.neighbours.is_settled() && (news || left)) {
            return;
        }
        let judged = self.wall().judge(&self.stretches, all);
        for spot in judged {
            // What only grew more certain is kept, not said again.
            if let Some(finding) = spot.finding.filter(|finding| self.told_kinds.insert(spot.id, finding.kind) != Some(finding.kind)) {
                let text = format!("spot {}: {}: {}", spot.id, finding.kind.word(), finding.evidence(LengthUnit::Mm));
                self.event(EventKind::Alarm, text, at_us, out);
                out.notices.push(Notice::Finding(spot.clone()));
            }
            out.entries.push(Entry::Spot(spot));
        }
        self.unjudged = 0;
    }

    /// A reading found no room and is not in the file: rows no longer run on, so that what is open cannot be judged.
    pub fn row_lost(&mut self) {
        self.next_row = self.next_row.saturating_sub(1);
        self.neighbours = Neighbours::default();
    }

    /// Keeps an event where the zero moves, and alarms where it is kept fixed and has moved past the reading's U.
    fn watch_zero(&mut self, reading: &Reading, out: &mut Outcome) {
        let (Some(zero), Some(thickness)) = (self.maker.zero(), reading.measurement.thickness) else { return };
        let length = self.maker.length(zero.late, thickness);
        let step = ZERO_STEP.max(zero.uncertainty * 4.0);
        let found = zero.cause().filter(|cause| zero.late.abs() > step && self.cause_told != Some(*cause));
        let moved = (zero.late - self.zero_told).abs() > step;
        self.zero = Some((zero, length));
        let doubted = moved && reading.measurement.flags.has(Flag::ZeroMoved) && self.maker.setup().zero_keeping == ZeroKeeping::Fixed;
        if !moved && found.is_none() {
            return;
        }
        let known = std::mem::replace(&mut self.zero_told, zero.late);
        self.cause_told = zero.cause().or(self.cause_told);
        let cause = zero.cause().map_or_else(String::new, |cause| format!(" ({})", cause_words(cause)));
        let words = format!("zero {}{cause}", zero_words(&zero, length, LengthUnit::Mm));
        let (kind, text) = match doubted {
            true => (
                EventKind::Alarm,
                format!("{words}: more than U, the readings are that much off; take the zero, read echo to echo or calibrate again"),
            ),
            false => (EventKind::Status, format!("{words}, was {:+.0} ns", known.as_ns())),
        };
        self.event(kind, text.clone(), reading.host_time_us, out);
        if doubted {
            self.ring(1);
            out.notices.push(Notice::Fault(text));
        }
    }

    /// Says where first echo and echo to echo begin to disagree.
    fn watch_disagreement(&mut self, reading: &Reading, out: &mut Outcome) {
        if self.setup.mode != Mode::FirstEcho {
            return;
        }
        let before = self.disagreement.now();
        self.disagreement.push(reading, self.maker.echo_to_echo());
        if let (None, Some(found)) = (before, self.disagreement.now()) {
            let text = format!("{} mm: they differ by more than U", found.words(LengthUnit::Mm));
            self.event(EventKind::Alarm, text, reading.host_time_us, out);
        }
    }

    /// Goes on with another set-up, from the next shot on. Readings by two set-ups are no neighbours.
    fn change(&mut self, change: Changed, at_us: i64, out: &mut Outcome) {
        if let Err(error) = self.maker.set_setup((*change.setup).clone()) {
            return self.fault(format!("the set-up of this run was NOT changed, it could not evaluate: {error}"), at_us, out);
        }
        let judgements = self.neighbours.end();
        self.judged(judgements, false, at_us, out);
        self.last_rows.clear();
        (self.setup, self.changed) = (Arc::new(*change.setup), true);
        (self.zero, self.zero_told, self.cause_told) = (None, Time::ZERO, None);
        self.disagreement = DisagreementWatch::default();
        out.entries.push(Entry::SetupChange(change.setup_id));
        self.event(EventKind::Setup, format!("from here on with set-up {}: {}", change.setup_id, change.origin), at_us, out);
    }

    /// Places go on from a known one, from the next shot on. Readings before it and behind it are no neighbours.
    fn set_place(&mut self, along: Length, at_us: i64, out: &mut Outcome) {
        let counted = self.reading.as_ref().and_then(|reading| reading.place.along);
        self.goes_on_from(along, at_us, out);
        self.event(EventKind::Place, place::words(counted, along), at_us, out);
    }

    /// The device has started anew: the crawler is held where it was last believed to be, until somebody says otherwise.
    fn hold_place(&mut self, restart: Restart, at_us: i64, out: &mut Outcome) {
        let held = self.distrust.believed();
        let path = self.maker.path();
        let since = Length::mm(f64::from(restart.counted) / path.counts_per_mm) * path.direction.sign();
        if let Some(along) = held {
            self.goes_on_from(along + since, at_us, out);
        }
        let text = place::held_words(&restart, held);
        self.event(EventKind::Place, text.clone(), at_us, out);
        out.notices.push(Notice::Fault(text));
    }

    fn goes_on_from(&mut self, along: Length, at_us: i64, out: &mut Outcome) {
        let judgements = self.neighbours.end();
        self.judged(judgements, false, at_us, out);
        self.last_rows.clear();
        self.gap = Gap::default();
        self.maker.set_place(along);
        out.entries.push(Entry::PlaceSet(along));
    }

    fn watch_gap(&mut self, reading: &Reading, out: &mut Outcome) {
        let along = reading.place.along;
        if reading.measurement.thickness.is_some() {
            self.gap = Gap { from: along, ..Gap::default() };
            return;
        }
        self.gap.from = self.gap.from.or(along);
        let from = self.gap.from.unwrap_or(Length::ZERO);
        let length = along.map_or(Length::ZERO, |along| (along - from).abs());
        let length = self.gap.length.map_or(length, |known| known.max(length));
        self.gap.length = Some(length);
        if length > self.max_gap && !self.gap.told {
            self.gap.told = true;
            self.counts.long_gaps += 1;
            self.ring(1);
            let text = format!("no echo over more than {:.0} mm from {:.0} mm on", self.max_gap.as_mm(), from.as_mm());
            self.event(EventKind::Alarm, text, reading.host_time_us, out);
            out.notices.push(Notice::LongGap { from: Some(from), length, seq: reading.seq });
        }
    }

    /// Takes a reading that was made and stored before, for a run that is played again; nothing is entered of it.
    pub fn stored(&mut self, reading: Reading) {
        self.reading(reading, &Sight::default(), None, &mut Outcome::default());
    }

    /// Takes what the operator asks for; a reason when the run is to end.
    pub fn command(&mut self, command: Command, at_us: i64, out: &mut Outcome) -> Option<CloseReason> {
        let (along, seq) = match &self.reading {
            Some(reading) => (reading.place.along, Some(reading.seq)),
            None => (None, None),
        };
        match command {
            Command::Mark { kind, text } => {
                let mark = Mark { kind, along, seq, text, at_us };
                self.wall().marks.push(mark.clone());
                out.entries.push(Entry::Mark(mark));
            }
            Command::AtDatum => {
                if let Some(returned) = along {
                    let found = Misclosure { off: misclosure(self.start, returned), reach: self.reach };
                    let note = Note { run: None, along, text: found.words(), at_us };
                    self.wall().notes.push(note.clone());
                    out.entries.push(Entry::Note(note));
                }
            }
            Command::MarkText(text) => {
                let mark = self.wall().marks.last_mut().map(|mark| {
                    mark.text = text;
                    mark.clone()
                });
                // Stored again with its words; the later one counts.
                out.entries.extend(mark.map(Entry::Mark));
            }
            Command::Note { text, begun } => {
                let note = Note { run: None, along: begun, text, at_us };
                self.wall().notes.push(note.clone());
                out.entries.push(Entry::Note(note));
            }
            Command::Acknowledge(id) => self.acknowledge(&[id], at_us, out),
            Command::AcknowledgeAll => {
                let open: Vec<SpotId> = self.wall().spots.open().map(|spot| spot.id).collect();
                self.acknowledge(&open, at_us, out);
            }
            Command::SetPlace(along) => self.set_place(along, at_us, out),
            Command::Change(change) => self.change(change, at_us, out),
            Command::End => return Some(CloseReason::Operator),
            Command::Terminate => return Some(CloseReason::Terminated),
        }
        None
    }

    fn acknowledge(&mut self, ids: &[SpotId], at_us: i64, out: &mut Outcome) {
        for id in ids {
            let spot = {
                let mut wall = self.wall();
                wall.acknowledge(*id);
                wall.spots.spots().iter().find(|spot| spot.id == *id).cloned()
            };
            if let Some(spot) = spot {
                out.entries.push(Entry::Spot(spot));
                self.event(EventKind::Acknowledged, format!("spot {id} acknowledged"), at_us, out);
            }
        }
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
        out.notices.push(Notice::Fault(text));
    }

    fn event(&self, kind: EventKind, text: String, at_us: i64, out: &mut Outcome) {
        let (seq, along) = match &self.reading {
            Some(reading) => (Some(reading.seq), reading.place.along),
            None => (None, None),
        };
        out.entries.push(Entry::Event { kind, text, seq, along, at_us });
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use backwall_store::MarkKind;
    use backwall_survey::job::Plan;
    use backwall_survey::reading::{Gauge, GaugeValue};
    use backwall_survey::strip::Section;
    use backwall_survey::travel::Odometer;

    /// The demo's line A120 runs down from 2 m, with 40 counts per mm.
    pub fn engine() -> Engine {
        let plan = Plan::parse("plan.toml", include_str!("../../demo-stream/plan.toml")).unwrap();
        let path = plan.path(plan.line("A120").unwrap());
        let wall = Wall::new(Section::new(plan.alarm), Vec::new(), path.span());
        let (start, limits) = (path.start, plan.limits());
        let maker = ReadingMaker::new(plan.typed_setup(), Odometer::new(path).unwrap(), limits.clone(), plan.wall_temperature());
        Engine::new(maker, Arc::new(limits), plan.limits.max_gap, start, wall)
    }

    fn drive(engine: &mut Engine, counts: &[i32]) {
        for (seq, count) in counts.iter().enumerate() {
            let value = GaugeValue::Thickness(Some(Length::mm(9.0)));
            let gauge = Gauge { seq: seq as u32, device_time_us: Some(seq as u64 * 10_000_000), encoder: Some(*count), value };
            let item = FeedItem::Record(Record::Gauge(gauge));
            engine.take(Feed { item, host_time_us: 7 }, &mut Outcome::default());
        }
    }

    // Arithmetic: 40,000 counts are 1000 mm; back by 39,960 leaves 40 counts, 1 mm, of 2000 mm there and back.
    #[test]
    fn a_return_to_the_start_notes_how_far_the_encoder_is_off() {
        let mut engine = engine();
        drive(&mut engine, &[0, 20_000, 40_000, 40]);
        let mut out = Outcome::default();
        assert_eq!(engine.command(Command::AtDatum, 9, &mut out), None);
        let [Entry::Note(note)] = &out.entries[..] else { panic!("{:?}", out.entries) };
        assert!(note.text.contains("misclosure -1.0 mm of 2000 mm there and back (-0.05 %)"), "{}", note.text);
        assert_eq!((note.along, engine.wall().notes.len()), (Some(Length::mm(1999.0)), 1));
        drive(&mut engine, &[1_000]);
        engine.command(Command::AtDatum, 9, &mut out);
        assert!(matches!(&out.entries[1], Entry::Note(note) if note.text.contains("MISCLOSURE OVER 1 %")), "{:?}", out.entries[1]);
    }

    // Arithmetic: 4,000 counts are 100 mm. The link is down from 100 mm to 600 mm of the way, and on both sides there is no echo.
    #[test]
    fn what_is_driven_while_the_link_is_down_is_not_driven_over_without_an_echo() {
        let mut engine = engine();
        let mut take = |item| {
            let mut out = Outcome::default();
            engine.take(Feed { item, host_time_us: 7 }, &mut out);
            (engine.gap(), out.notices.into_iter().filter(|notice| matches!(notice, Notice::LongGap { .. })).count())
        };
        let blind = |seq: u32, count: i32| {
            let value = GaugeValue::Thickness(None);
            FeedItem::Record(Record::Gauge(Gauge { seq, device_time_us: Some(u64::from(seq) * 20_000_000), encoder: Some(count), value }))
        };
        assert_eq!(take(blind(0, 3_900)), (Some(Length::ZERO), 0));
        assert_eq!(take(blind(1, 4_000)), (Some(Length::mm(2.5)), 0));
        assert_eq!(take(FeedItem::Down { why: "pulled".to_owned() }).0, None);
        take(FeedItem::Reconnected { attempts: 3, down_ms: 9_000 });
        assert_eq!(take(blind(2, 24_000)), (Some(Length::ZERO), 0), "500 mm on: not a stretch without an echo");
        assert_eq!(take(blind(3, 24_040)), (Some(Length::mm(1.0)), 0));
        // The line runs down from 2 m; the first count is its start.
        let between = engine.wall().strip.stretch(Length::mm(1_510.0), Length::mm(1_990.0));
        assert!(between.is_empty(), "nothing is drawn there: {between:?}");
    }

    #[test]
    fn a_note_keeps_the_place_where_it_was_begun() {
        let mut engine = engine();
        drive(&mut engine, &[0, 4_000]);
        let begun = engine.reading.as_ref().and_then(|reading| reading.place.along);
        assert_eq!(begun, Some(Length::mm(1900.0)));
        drive(&mut engine, &[8_000]);
        let mut out = Outcome::default();
        engine.command(Command::Note { text: "scale".to_owned(), begun }, 9, &mut out);
        assert!(matches!(&out.entries[..], [Entry::Note(note)] if note.along == begun), "{:?}", out.entries);
        // Begun before there was any place, it has none.
        engine.command(Command::Note { text: "start".to_owned(), begun: None }, 9, &mut out);
        assert!(matches!(&out.entries[1], Entry::Note(note) if note.along.is_none()), "{:?}", out.entries);
    }

    #[test]
    fn words_for_a_mark_keep_its_place() {
        let mut engine = engine();
        let mut out = Outcome::default();
        drive(&mut engine, &[0, 4_000]);
        engine.command(Command::Mark { kind: MarkKind::Nozzle, text: String::new() }, 5, &mut out);
        drive(&mut engine, &[8_000]);
        engine.command(Command::MarkText("N3".to_owned()), 9, &mut out);
        let [Entry::Mark(first), Entry::Mark(second)] = &out.entries[..] else { panic!("{:?}", out.entries) };
        assert_eq!((first.along, first.text.as_str()), (Some(Length::mm(1900.0)), ""));
        assert_eq!(*second, Mark { text: "N3".to_owned(), ..first.clone() });
        assert_eq!(engine.wall().marks, std::slice::from_ref(second));
    }
}
