//! What a screen may see of a run, and what it may ask of it.

use super::change::Changed;
use super::disagree::Disagreement;
use super::engine::EngineSaid;
use backwall_store::{MarkKind, RunId, RunStart, RunSummary, Saved};
use backwall_stream::command::{CommandOrder, DeviceCommand};
use backwall_stream::feed::LinkState;
use backwall_survey::reading::{Reading, Zero};
use backwall_survey::strip::{Limits, SpotId};
use backwall_survey::travel::Direction;
use backwall_survey::travel::encoder_check::{LARGEST_ERROR, misclosure};
use backwall_ultrasound::{Setup, Waveform};
use backwall_units::{Length, Speed, Temperature, Wording};
use std::sync::Arc;

#[derive(Debug, Clone, PartialEq)]
pub enum Phase {
    /// The run is open; nothing has come yet.
    Waiting,
    Recording,
    /// The link is down; the reader keeps trying.
    LinkDown(String),
    Ending,
    Ended(Box<RunSummary>),
    /// The run could not be closed properly; says what is safe.
    Failed(String),
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Telemetry {
    pub device: Option<String>,
    pub battery_mv: Option<u16>,
    pub surface_temperature: Option<Temperature>,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct LiveCounts {
    pub received: u64,
    pub no_echo: u64,
    /// Shots that never arrived.
    pub lost: u64,
    /// Frames that were dropped.
    pub dropped: u64,
    /// Readings that could not be queued for saving.
    pub unsaved: u64,
    /// Stretches without an echo longer than the procedure allows.
    pub long_gaps: u64,
    pub stalls: u64,
}

/// The newest state of a run; older ones are never queued.
#[derive(Debug, Clone)]
pub struct LiveView {
    pub phase: Phase,
    pub run: RunId,
    pub line: String,
    /// The channel it is of, where one was chosen.
    pub channel: Option<String>,
    pub direction: Direction,
    pub reading: Option<Reading>,
    pub waveform: Option<Waveform>,
    pub setup: Arc<Setup>,
    pub limits: Arc<Limits>,
    pub max_speed: Speed,
    pub max_gap: Length,
    pub link: LinkState,
    pub saved: Saved,
    pub telemetry: Telemetry,
    pub counts: LiveCounts,
    pub started_us: i64,
    /// Counts up by one at each alarm: ring the bell when it has changed.
    pub bells: u64,
    /// How often the last of them rings.
    pub rings: u8,
    /// Why scanning was allowed against the checklist.
    pub checklist_override: Option<String>,
    /// Where the run started, along the line.
    pub start: Length,
    /// The course there.
    pub course: Option<u16>,
    /// How far along the line the crawler has been, from there.
    pub reach: Length,
    /// The zero as the last shots show it, and what it is on the wall there.
    pub zero: Option<(Zero, Length)>,
    /// Where first echo and echo to echo disagree over the last shots.
    pub disagreement: Option<Disagreement>,
    /// The run went on with another set-up than it began with.
    pub changed: bool,
    /// What can be sent to the device by name.
    pub commands: Arc<[DeviceCommand]>,
    /// What became of what was sent to it.
    pub device: DeviceSaid,
    /// What the run said last that nothing else here shows, the oldest first.
    pub said: Vec<EngineSaid>,
    /// Length of the stretch without echo the crawler is in, if it is in one.
    pub gap: Option<Length>,
}

impl LiveView {
    /// A run of which nothing has come yet.
    pub fn waiting(run: RunId, start: &RunStart, limits: Arc<Limits>, max_speed: Speed, max_gap: Length) -> Self {
        Self {
            phase: Phase::Waiting,
            run,
            line: start.line.clone(),
            channel: start.channel.clone(),
            direction: start.path.direction,
            reading: None,
            waveform: None,
            setup: Arc::new(start.setup.clone()),
            limits,
            max_speed,
            max_gap,
            link: LinkState::default(),
            saved: Saved::default(),
            telemetry: Telemetry::default(),
            counts: LiveCounts::default(),
            started_us: start.started_us,
            bells: 0,
            rings: 1,
            checklist_override: start.checklist_override.clone(),
            start: start.path.start,
            course: start.path.course_at(start.path.start),
            reach: Length::ZERO,
            gap: None,
            zero: None,
            disagreement: None,
            changed: false,
            commands: Arc::from([]),
            device: DeviceSaid::default(),
            said: Vec::new(),
        }
    }

    /// How far the encoder is off, if the crawler stands at its starting point now.
    pub fn misclosure(&self) -> Option<Misclosure> {
        let returned = self.reading.as_ref()?.place.along?;
        Some(Misclosure { off: misclosure(self.start, returned), reach: self.reach })
    }
}

/// What became of the orders to the device.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DeviceSaid {
    /// Counts up by one with each.
    pub count: u64,
    pub words: String,
    /// It did not go as asked, or makes readings doubtful.
    pub is_doubt: bool,
    /// Gain or range were changed behind the calibration.
    pub adjusted: bool,
}

/// What a line's return to its starting point showed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Misclosure {
    pub off: Length,
    /// How far out the crawler had been.
    pub reach: Length,
}

impl Misclosure {
    /// Off by more than the encoder check allows over the way there and back.
    pub fn is_large(&self) -> bool {
        self.off.abs() > self.reach * (2.0 * LARGEST_ERROR)
    }

    pub fn words(&self) -> Wording {
        let way = self.reach * 2.0;
        let share = if way > Length::ZERO { 100.0 * (self.off / way) } else { 0.0 };
        let is_large = self.is_large();
        let said = Wording::from(if is_large { "MISCLOSURE OVER 1 %: " } else { "back at the start, misclosure " });
        let found = said.signed(self.off, 1).say(" of ").length(way, 0).say(format!(" there and back ({share:+.2} %)"));
        if is_large { found.say(": look for slip, places of this run are in doubt") } else { found }
    }
}

/// What the operator asks of a run. None of them stops anything.
#[derive(Debug, Clone, PartialEq)]
pub enum RunCommand {
    Mark {
        kind: MarkKind,
        text: String,
    },
    /// The crawler stands at its starting point again: keeps how far the encoder is off.
    AtDatum,
    /// Words for the mark set last; it keeps its place.
    MarkText(String),
    /// A note, with the place at which it was begun.
    Note {
        text: String,
        begun: Option<Length>,
    },
    Acknowledge(SpotId),
    AcknowledgeAll,
    /// The crawler stands here: places go on from there, from the next shot on.
    SetPlace {
        along: Length,
        /// Of the scanner beside the line; it goes on as it is counted where nothing is said.
        across: Option<Length>,
    },
    /// Go on with another set-up, from the next shot on.
    Change(Changed),
    /// Send this to the device.
    Send(CommandOrder),
    /// The operator ends the run.
    End,
    /// The program has been told to end, or its terminal is gone.
    Terminate,
}
