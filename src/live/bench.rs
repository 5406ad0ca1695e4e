//! The calibration bench: the probe's stream seen live, held on blocks until it is steady, fitted, verified, and driven
//! over a measured distance. Knows no task and no clock; `drive` runs it. It keeps nothing: what it finds is told, and
//! whoever asked for it stores it, in the form `settle` gives it. `unattended` runs it over streams without a screen.

mod drive;
mod fit;
mod settle;
mod unattended;
mod view;

pub use drive::{BenchEnd, BenchHandle, BenchRequest, BenchStream, start};
pub use fit::FitJob;
pub use settle::{KeptSetup, Settled, check_of, check_words, encoder_words, in_force, kept, settle, suspect_with};
pub use unattended::{Attempt, Unattended, UnattendedRefused, unattended};
pub use view::{BenchCommand, BenchFound, BenchSaid, BenchView, BlockPiece, FitState, Fitted, Hold, Taken};

use super::blocks::BlockCollector;
use super::ordered;
use backwall_store::JobContents;
use backwall_stream::command::{CommandKind, CommandOrder, Ordered};
use backwall_survey::job::gate::{DeviceSeen, GateRule};
use backwall_survey::reading::Record;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::{BlockCheck, Gate, Setup, verify_block};
use backwall_units::{Length, Temperature};
use std::sync::Arc;

/// Of a device that finds thickness or echo times itself.
pub const NO_WAVEFORM: &str =
    "this device sends no waveform: what it reads is calibrated by its own means. e keeps the set-up, f proves its profile on blocks";

/// Shots older than this are not what the probe stands on now. Common practice, no source.
const FRESH_US: i64 = 2_000_000;
/// A reading with typed values this far off, absolute and relative, is asked about: likely another block.
const ODD: (Length, f64) = (Length::mm(1.0), 0.2);

/// What a bench starts from.
#[derive(Debug, Clone)]
pub struct Start {
    /// What counts until something better is found.
    pub setup: Setup,
    pub rule: GateRule,
    /// What the plan says of the wall's temperature.
    pub wall: Temperature,
    pub counts_per_mm: f64,
}

impl Start {
    /// For a channel of the device, where one is chosen.
    pub fn of(job: &JobContents, channel: Option<&str>) -> Self {
        Self {
            setup: job.setup_of_channel(channel),
            rule: GateRule::of(&job.plan),
            wall: job.plan.wall_temperature(),
            counts_per_mm: job.plan.encoder.counts_per_mm,
        }
    }
}

/// The state of the bench.
pub struct Bench {
    start: Start,
    gate: Gate,
    /// Whether the gate was moved on the live waveform.
    by_hand: bool,
    keep_velocity: bool,
    header: Option<Record>,
    collector: BlockCollector,
    last_shot_us: Option<i64>,
    /// The device says its gain with each shot.
    says_gain: bool,
    count: Option<i32>,
    position: i64,
    mark: Option<i64>,
    fits: u64,
    wants_fit: bool,
    pub view: BenchView,
}

impl Bench {
    pub fn new(start: Start) -> Self {
        let mut bench = Self {
            gate: start.setup.gate,
            by_hand: false,
            collector: BlockCollector::new(&start.setup),
            start,
            keep_velocity: false,
            header: None,
            last_shot_us: None,
            says_gain: false,
            count: None,
            position: 0,
            mark: None,
            fits: 0,
            wants_fit: false,
            view: BenchView::default(),
        };
        bench.collect_anew();
        bench
    }

    /// Typed values to calibrate from.
    fn typed(&self) -> Setup {
        Setup { calibration: None, gate: self.gate, ..self.start.setup.clone() }
    }

    /// Blocks for a calibration are read with the typed values, all else with what the bench has found, or with what is in force.
    fn measures_with(&self) -> Setup {
        match (&self.view.hold, self.view.fitted()) {
            (Some(Hold::Block(_)), _) => self.typed(),
            (_, Some(fitted)) => Setup { gate: self.gate, ..fitted.setup.clone() },
            (_, None) => Setup { gate: self.gate, ..self.start.setup.clone() },
        }
    }

    /// What came before counts no more.
    fn collect_anew(&mut self) {
        let setup = self.measures_with();
        self.collector = match &self.view.hold {
            Some(Hold::Block(piece)) => BlockCollector::on_block(&setup, piece.thickness),
            _ => BlockCollector::new(&setup),
        };
        self.view.setup = Some(Arc::new(setup));
        self.view.stability = None;
        self.view.shots = 0;
        if let Some(header) = self.header.clone() {
            self.take_record(header);
        }
    }

    /// The stream was opened anew.
    pub fn opened(&mut self) {
        self.header = None;
        self.count = None;
        self.view.ended = None;
        self.collect_anew();
    }

    pub fn ended(&mut self, why: String) {
        self.view.ended = Some(why);
    }

    pub fn say(&mut self, words: impl Into<String>) {
        self.tell(false, words.into());
    }

    /// What was asked for was not done, and why.
    fn refuse(&mut self, why: impl std::fmt::Display) {
        self.tell(true, format!("NOT TAKEN: {why}"));
    }

    fn tell(&mut self, refused: bool, words: String) {
        let number = self.view.said.as_ref().map_or(0, |said| said.number + 1);
        self.view.said = Some(BenchSaid { number, refused, words });
    }

    pub fn record(&mut self, record: Record, at_us: i64) {
        self.pass(&record, at_us);
        self.take_record(record);
    }

    /// Takes of a record all but what it measures.
    pub fn pass(&mut self, record: &Record, at_us: i64) {
        let encoder = match record {
            Record::Shot(shot) => shot.encoder,
            Record::Gauge(gauge) => gauge.encoder,
            _ => None,
        };
        if let Some(count) = encoder {
            self.position += self.count.map_or(0, |last| i64::from(count.wrapping_sub(last)));
            self.count = Some(count);
            self.view.travelled = self.mark.map(|mark| self.position - mark);
        }
        if let Record::Shot(shot) = record {
            self.says_gain = shot.gain.as_db().is_finite() && shot.gain.as_db() != 0.0;
        }
        match record {
            Record::Header(header) => {
                self.view.device = Some(header.device_name.clone());
                self.header = Some(record.clone());
            }
            Record::Shot(_) => self.last_shot_us = Some(at_us),
            Record::Gauge(gauge) => {
                self.last_shot_us = Some(at_us);
                self.view.by_device = Some(gauge.value);
            }
            Record::Status(_) => {}
        }
    }

    fn take_record(&mut self, record: Record) {
        match self.collector.take(record) {
            Ok(Some(progress)) => {
                self.view.waveform = Some(progress.waveform);
                self.view.measurement = Some(progress.measurement);
                self.view.stability = Some(progress.stability);
                self.view.shots = progress.shots;
                self.view.temperature = self.collector.temperature().or(self.view.temperature);
            }
            Ok(None) => {}
            Err(error) => self.say(format!("this set-up cannot evaluate the device's waveforms: {error}")),
        }
    }

    /// Does what is asked; `now_us` tells whether what came last is of now.
    pub fn command(&mut self, command: BenchCommand, now_us: i64) {
        match command {
            BenchCommand::Hold(hold) => {
                self.mark = None;
                self.view.travelled = None;
                self.view.hold = Some(hold);
                self.collect_anew();
            }
            BenchCommand::Take => self.take(now_us),
            BenchCommand::GiveUp => self.give_up(),
            BenchCommand::DropBlock => match self.view.blocks.pop() {
                Some(dropped) => {
                    self.say(format!("the {:.3} mm block is removed from the table", dropped.piece.thickness.as_mm()));
                    self.fit_anew();
                }
                None => self.say("there is no block to remove"),
            },
            BenchCommand::Gate(gate) => {
                (self.gate, self.by_hand) = (gate, true);
                self.collect_anew();
            }
            BenchCommand::Propose => self.propose(),
            BenchCommand::KeepVelocity(keep) => {
                self.keep_velocity = keep;
                self.fit_anew();
            }
            BenchCommand::InForce(setup) => {
                self.gate = setup.gate;
                self.start.setup = *setup;
                let now = self.start.setup.calibration.as_ref();
                let is_the_fit = self.view.fitted().is_some_and(|fitted| now == Some(&fitted.calibration));
                if is_the_fit {
                    self.view.sent.clear();
                }
                if is_the_fit { self.collect_anew() } else { self.fit_anew() }
            }
            BenchCommand::Send(order) => self.ordered(&order, &Ordered::NotSent(ordered::NO_LINE.to_owned())),
            BenchCommand::Stop => {}
        }
    }

    /// Something was sent to the device, or not. Blocks read before and behind a gain or a range make no calibration together.
    pub fn ordered(&mut self, order: &CommandOrder, became: &Ordered) {
        let mut words = ordered::words(order, became);
        let is_doubt = matches!(became, Ordered::Unanswered | Ordered::NotSent(_));
        if *became == Ordered::Sent && order.kind.touches_readings() {
            self.view.sent.push(words.clone());
            self.view.found.push(BenchFound::Sent { words: words.clone(), is_behind: self.is_behind(order.kind) });
            if !self.view.blocks.is_empty() {
                words += ": the blocks that were read before it are removed";
                self.view.blocks.clear();
                self.fit_anew();
            }
            self.collect_anew();
        }
        self.tell(is_doubt, words);
    }

    /// Something was sent to the device before a block was taken, as before every other.
    fn set_before(&mut self, order: &CommandOrder, became: &Ordered) {
        let words = ordered::words(order, became);
        if *became == Ordered::Sent && order.kind.touches_readings() && !self.view.sent.contains(&words) {
            self.view.sent.push(words.clone());
            self.view.found.push(BenchFound::Sent { words, is_behind: self.is_behind(order.kind) });
        }
    }

    /// Whether what is in force was calibrated before it: not where blocks and shots say their gain, which is then taken off.
    fn is_behind(&self, kind: CommandKind) -> bool {
        let Some(calibration) = &self.start.setup.calibration else { return false };
        !(kind == CommandKind::Gain && calibration.gain.is_some() && self.says_gain)
    }

    /// Why what stands on the block cannot be taken: nobody has said whose probe it is.
    fn unchosen(&self) -> Option<String> {
        let channels = &self.view.link.channels;
        (channels.len() > 1 && self.start.setup.channel.is_none()).then(|| {
            format!(
                "the device sends channels {} and none is chosen: o chooses whose probe stands on the block, or --channel names it",
                channels.join(", ")
            )
        })
    }

    fn take(&mut self, now_us: i64) {
        let fresh = self.view.ended.is_some() || self.last_shot_us.is_some_and(|last| now_us - last <= FRESH_US);
        match self.view.hold.clone() {
            None => self.say("first say what the probe is on: b a block, v a block to verify on, d a measured distance"),
            Some(_) if !fresh && self.last_shot_us.is_none() => self.refuse("no data from the probe yet; check the link"),
            Some(_) if !fresh => self.refuse("no data from the probe for 2 s; check the link"),
            Some(Hold::Encoder { distance }) => self.take_distance(distance),
            Some(hold) => match (self.unchosen(), hold) {
                (Some(why), _) => self.refuse(why),
                (None, _) if self.view.waveform.is_none() && self.view.by_device.is_some() => self.refuse(NO_WAVEFORM),
                (None, Hold::Block(piece)) => self.take_block(piece),
                (None, Hold::Verify { piece, tolerance }) => self.take_check(piece, tolerance),
                (None, Hold::Encoder { .. }) => {}
            },
        }
    }

    fn finish(&mut self) -> Option<Taken> {
        let piece = match &self.view.hold {
            Some(Hold::Block(piece) | Hold::Verify { piece, .. }) => piece.clone(),
            _ => return None,
        };
        match self.collector.finish(&self.view.link.what) {
            Ok(shots) => {
                let temperature = piece.temperature.or(shots.temperature).unwrap_or(self.start.setup.block_temperature);
                Some(Taken { piece, temperature, taken: shots })
            }
            Err(error) => {
                self.refuse(error);
                None
            }
        }
    }

    /// The gate the program would set, from what is known now.
    fn propose(&mut self) {
        let setup = self.measures_with();
        let live = self.view.measurement.and_then(|measurement| measurement.height_pct.zip(measurement.snr));
        let mut seen = self.seen();
        seen.noise_pct = seen.noise_pct.or(live.map(|(height, snr)| height / snr.as_ratio()));
        let end = |waveform: &backwall_ultrasound::Waveform| waveform.base.end(waveform.samples.len());
        seen.record_end = seen.record_end.or(self.view.waveform.as_ref().map(end));
        let rule = &self.start.rule;
        let gate = rule.gate(&setup, seen);
        let why = rule.why(&gate, &setup, seen).unwrap_or_else(|| "the plan's own gate and threshold".into());
        (self.gate, self.by_hand) = (gate, false);
        self.say(format!("{why}; look at the waveform, k keeps it"));
        self.collect_anew();
    }

    /// What the blocks tell of the device.
    fn seen(&self) -> DeviceSeen {
        let blocks = || self.view.blocks.iter().map(|block| &block.taken);
        DeviceSeen {
            // On a thin block echoes pass for noise; the quietest block has it.
            noise_pct: blocks().filter_map(|taken| taken.noise_pct).reduce(f64::min),
            record_end: blocks().map(|taken| taken.record_end).reduce(|a, b| a.max(b)),
            block: self.view.blocks.iter().map(|block| block.piece.thickness).reduce(Length::max),
        }
    }

    /// Whether the stream has brought encoder counts.
    pub fn counts(&self) -> bool {
        self.count.is_some()
    }

    /// Whether as much was taken as is kept, and the probe is still.
    pub fn is_done(&self) -> bool {
        self.view.hold.is_some() && self.collector.is_done()
    }

    fn take_block(&mut self, piece: BlockPiece) {
        let Some(taken) = self.finish() else { return };
        if self.view.blocks.first().is_some_and(|first| first.taken.base != taken.taken.base) {
            self.refuse("another time base than on the blocks before it; measure all blocks with the same settings");
            return;
        }
        let read = taken.taken.stability.mean.unwrap_or(Length::ZERO);
        let off = (read - piece.thickness).abs();
        if off > ODD.0 && off > piece.thickness * ODD.1 {
            self.say(format!(
                "taken, but the typed values read {:.2} mm on it: is it the {:.3} mm block? x removes it again",
                read.as_mm(),
                piece.thickness.as_mm()
            ));
        } else {
            self.say(format!("taken: {:.3} mm, spread {:.4} mm", piece.thickness.as_mm(), taken.taken.stability.spread.as_mm()));
        }
        self.view.blocks.push(Arc::new(taken));
        self.view.hold = None;
        self.fit_anew();
    }

    fn take_check(&mut self, piece: BlockPiece, tolerance: Length) {
        if matches!(self.view.fit, FitState::Working) {
            self.refuse("the calibration is still being worked out; press Enter again in a moment");
            return;
        }
        let fitted = self.view.fitted().cloned();
        let setup = self.measures_with();
        let Some(taken) = self.finish() else { return };
        match verify_block(&setup, taken.taken.base, piece.thickness, taken.temperature, &taken.taken.shots, tolerance) {
            Ok(check) => {
                self.view.found.push(BenchFound::Checked { piece, tolerance, temperature: taken.temperature, check, fitted });
                self.view.hold = None;
                self.collect_anew();
            }
            Err(error) => self.refuse(error),
        }
    }

    fn take_distance(&mut self, distance: Length) {
        if self.count.is_none() {
            self.refuse("this stream has no encoder counts");
            return;
        }
        let Some(mark) = self.mark else {
            self.mark = Some(self.position);
            self.view.travelled = Some(0);
            self.say(format!("start marked: drive {:.0} mm by the tape and press Enter again", distance.as_mm()));
            return;
        };
        let check = EncoderCheck { distance, counts: self.position - mark, set_counts_per_mm: self.start.counts_per_mm };
        self.view.found.push(BenchFound::Encoder(check, check.judge()));
        (self.mark, self.view.travelled, self.view.hold) = (None, None, None);
        self.collect_anew();
    }

    fn give_up(&mut self) {
        if let Some(Hold::Verify { piece, tolerance }) = self.view.hold.clone() {
            let spread = self.view.stability.map_or(Length::ZERO, |stability| stability.spread);
            let readings = self.view.stability.map_or(0, |stability| stability.readings);
            let check = BlockCheck {
                thickness: piece.thickness,
                measured: None,
                error: None,
                spread,
                shots: self.view.shots,
                readings,
                within: false,
            };
            let temperature = piece.temperature.or(self.view.temperature).unwrap_or(self.start.setup.block_temperature);
            let fitted = self.view.fitted().cloned();
            self.view.found.push(BenchFound::Checked { piece, tolerance, temperature, check, fitted });
        }
        (self.mark, self.view.travelled, self.view.hold) = (None, None, None);
        self.collect_anew();
    }

    fn fit_anew(&mut self) {
        self.fits += 1;
        self.wants_fit = !self.view.blocks.is_empty();
        self.view.fit = if self.wants_fit { FitState::Working } else { FitState::None };
        self.collect_anew();
    }

    /// A fit that is due, once.
    pub fn fit_job(&mut self) -> Option<FitJob> {
        if !std::mem::take(&mut self.wants_fit) {
            return None;
        }
        let thickness = |taken: &Arc<Taken>| taken.piece.thickness;
        let first = self.view.blocks.first().map(thickness)?;
        let distinct = self.view.blocks.iter().any(|taken| (thickness(taken) - first).abs() > Length::mm(0.01));
        let fit_velocity = distinct && !self.keep_velocity;
        let rule = (!self.by_hand).then(|| (self.start.rule.clone(), self.seen()));
        let blocks = self.view.blocks.clone();
        Some(FitJob { number: self.fits, setup: self.typed(), rule, wall: self.start.wall, blocks, fit_velocity })
    }

    pub fn fitted(&mut self, (number, fit): (u64, Result<Arc<Fitted>, String>)) {
        // Blocks have come or gone since.
        if number != self.fits {
            return;
        }
        self.view.fit = match fit {
            Ok(fitted) => {
                if !self.by_hand {
                    self.gate = fitted.setup.gate;
                }
                FitState::Done(fitted)
            }
            Err(why) => FitState::Refused(why),
        };
        if self.view.hold.is_none() {
            self.collect_anew();
        }
    }
}
