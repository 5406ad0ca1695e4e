//! Everything the console knows, as plain data. `update` changes it, `view` draws it; neither touches a terminal,
//! a file or a clock.

mod message;
mod run;
mod said;

pub use message::{Effect, Event, NewPhoto};
pub use run::{BenchShown, Frozen, RunPicture, ShownRun, WallLook, WaveScale, ZOOMS};
pub use said::Message;

use super::form::Form;
use super::keys::KeyMode;
use super::left::{LeftShown, ToGoOn};
use super::planning::Planning;
use super::review::Reviewing;
use super::revision::RevisionShown;
use super::{Glyphs, Reads, Step, Theme, origin};
use crate::live::view::Misclosure;
use crate::live::{Begin, GoesOnWith};
use backwall_report::left::Left;
use backwall_store::{EvaluationId, JobContents, MarkKind, RunId, RunState, RunSummary};
use backwall_stream::command::CommandOrder;
use backwall_survey::job::checklist::{AnswerValue, Conditions, Due, Item, ItemKind, ItemState, Signed};
use backwall_survey::job::noted::Where;
use backwall_survey::job::overriding::Override;
use backwall_survey::job::plan::Date;
use backwall_survey::job::validity::{Validity, validity};
use backwall_survey::job::{Zone, expiry};
use backwall_ultrasound::Setup;
use backwall_units::{Length, LengthUnit, Wording};
use std::collections::VecDeque;
use std::sync::Arc;

/// How the screen looks.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    pub theme: Theme,
    pub glyphs: Glyphs,
    pub unit: LengthUnit,
    /// The site's clock.
    pub zone: Zone,
}

/// What is being typed, and what it is for.
#[derive(Debug, Clone)]
pub struct Prompt {
    pub title: String,
    /// What must be known to answer, line by line.
    pub about: Vec<String>,
    pub purpose: Purpose,
    pub form: Form,
}

#[derive(Debug, Clone)]
pub enum Purpose {
    /// Who is at the keys; then what was wanted.
    Identify,
    Answer {
        item: String,
    },
    Comment {
        item: String,
        value: AnswerValue,
    },
    Sign,
    /// With the place at which it was begun.
    Note {
        begun: Option<Length>,
    },
    /// A note or a mark put at a place afterwards.
    Later {
        at: Where,
        mark: Option<MarkKind>,
    },
    /// A thickness read by hand.
    Hand {
        run: RunId,
        line: String,
    },
    Photo {
        at: Where,
    },
    Witness {
        run: Option<RunId>,
    },
    Setup,
    /// What is to be put right of a run.
    Amend {
        run: RunId,
    },
    /// Whether an interrupted run goes on or stays as it is.
    Interrupted {
        run: RunId,
    },
    /// The file of a revision of the plan.
    PlanFile,
    /// A value of the plan, by its part and key.
    PlanValue {
        part: usize,
        key: usize,
    },
    /// Why the revision on screen is taken.
    Revise,
    /// Why the basis on screen is kept.
    KeepBasis,
    Swap,
    SignOn,
    SignOff,
    Override,
    /// Once more before a run starts: where, which way, on what calibration.
    Start {
        against: Option<Override>,
    },
    Block,
    VerifyBlock,
    Distance,
    /// Words for the mark just set.
    MarkText,
    /// Where the crawler stands.
    Place,
    /// What is to be sent to the device.
    Send,
    /// What the proof of a profile asks next.
    Prove,
    /// Which readings of a run count: an evaluation's, or its own.
    Adopt {
        run: RunId,
        evaluation: Option<EvaluationId>,
    },
}

/// A question to be answered with yes or no.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Question {
    EndRun,
    EndRunAndQuit,
    /// The plan was changed and is not kept.
    DropPlan,
    /// The same of a basis.
    DropBasis,
    /// The crawler is said to be at its start, and the encoder has it far from there; what was asked before, if the run is being ended.
    AtDatum {
        off: Misclosure,
        ending: Option<Ending>,
    },
}

/// How a run is being ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    Run,
    RunAndQuit,
}

impl Question {
    pub fn words(self, unit: LengthUnit) -> String {
        match self {
            Self::EndRun => "End this run?".to_owned(),
            Self::DropPlan => "Drop what was changed in the plan?".to_owned(),
            Self::DropBasis => "Drop what was typed into the basis?".to_owned(),
            Self::EndRunAndQuit => "A run is going. End it and leave?".to_owned(),
            Self::AtDatum { off, .. } => {
                Wording::default().signed(off.off, 0).say(" off its start by the encoder. Is it at its start?").words(unit)
            }
        }
    }

    /// The keys, with what they do.
    pub fn keys(self) -> &'static str {
        match self {
            Self::EndRun | Self::EndRunAndQuit => "y yes   n no   d yes, back at its start",
            Self::AtDatum { .. } => "y note it   n no",
            Self::DropPlan | Self::DropBasis => "y yes   n no",
        }
    }

    pub fn ending(self) -> Option<Ending> {
        match self {
            Self::EndRun => Some(Ending::Run),
            Self::EndRunAndQuit => Some(Ending::RunAndQuit),
            Self::AtDatum { ending, .. } => ending,
            Self::DropPlan | Self::DropBasis => None,
        }
    }
}

impl From<Ending> for Question {
    fn from(ending: Ending) -> Self {
        match ending {
            Ending::Run => Self::EndRun,
            Ending::RunAndQuit => Self::EndRunAndQuit,
        }
    }
}

/// What is asked about in one line, and taken with one key.
#[derive(Debug, Clone)]
pub enum ToTake {
    /// The run goes on with another set-up.
    Change(GoesOnWith),
    /// Something that readings depend on is sent to the device.
    Send { order: CommandOrder, asked: String },
}

impl ToTake {
    pub fn asked(&self) -> &str {
        match self {
            Self::Change(change) => &change.asked,
            Self::Send { asked, .. } => asked,
        }
    }
}

/// Where a number comes from, held still while it is read.
#[derive(Debug, Clone)]
pub struct OriginShown {
    pub lines: Vec<origin::OriginLine>,
    pub top: usize,
}

/// A stream that is being opened, for a run or for the bench.
#[derive(Debug, Clone, Default)]
pub struct Opening {
    /// What is waited for, once that is known.
    pub what: Option<String>,
}

impl Opening {
    pub fn words(&self) -> String {
        format!("{} ...", self.what.as_deref().unwrap_or("opening the stream"))
    }
}

/// A profile that is being proven on its device.
#[derive(Debug, Clone, Default)]
pub struct Proving {
    /// What was said so far.
    pub said: Vec<String>,
    /// What is asked next, as soon as nothing else is being typed.
    pub asked: Option<String>,
}

/// The whole state.
#[derive(Debug, Clone)]
pub struct App {
    pub step: Step,
    pub look: Look,
    pub now_us: i64,
    pub contents: JobContents,
    /// Nothing here is real.
    pub demo: bool,
    /// Which channels of the device are read, and which of them, by its place in that list, is on the bench.
    pub reads: Reads,
    pub on_bench: usize,
    /// Where none is named and the plan has no track: the channels that were seen to come, and which of them is read.
    pub seen: Vec<String>,
    pub chosen: Option<String>,
    /// What was sent to the device on the bench behind the calibration in force, in words.
    pub adjusted: Vec<String>,
    pub operator: Signed,
    pub line: usize,
    /// The start offset to offer for the next run: what the command line asked for.
    pub begin_from: Length,
    pub item: usize,
    pub choice: usize,
    pub scan: Option<ShownRun>,
    /// The screens of the Review step.
    pub review: Reviewing,
    /// Over any step: what is left to do.
    pub left: Option<LeftShown>,
    /// What was left when it was last read, until something is written.
    pub left_known: Option<Arc<Left>>,
    /// The next run goes on where an earlier one broke off.
    pub goes_on: Option<ToGoOn>,
    /// Over Prepare: the plan as a form.
    pub planning: Option<Planning>,
    /// Over Prepare: what a revision of the plan changes.
    pub revision: Option<RevisionShown>,
    /// The place to stand on in the line that is being opened.
    pub aim: Option<Length>,
    pub bench: Option<BenchShown>,
    /// What was said so far of the profile that is being proven.
    pub proving: Option<Proving>,
    /// A stream is being opened.
    pub opening: Option<Opening>,
    /// The run that is being evaluated again.
    pub evaluating: Option<RunId>,
    pub run: usize,
    pub prompt: Option<Prompt>,
    pub question: Option<Question>,
    /// Whether the run is to go on with another set-up.
    pub change: Option<ToTake>,
    pub message: Option<Message>,
    /// What is said as soon as the line is free, in order.
    pub(super) waiting: VecDeque<Message>,
    pub help: Option<usize>,
    pub origin: Option<OriginShown>,
    pub test_card: bool,
    pub wave_whole: bool,
    /// Alarms ring.
    pub bell: bool,
    /// Leave as soon as the run has ended.
    pub leaving: bool,
}

impl App {
    pub fn new(step: Step, look: Look, contents: JobContents, operator: Signed, now_us: i64) -> Self {
        let operator = if operator.name.trim().is_empty() { operator_of(&contents) } else { operator };
        let mut app = Self {
            step,
            look,
            now_us,
            contents,
            demo: false,
            reads: Reads::One,
            on_bench: 0,
            seen: Vec::new(),
            chosen: None,
            adjusted: Vec::new(),
            operator,
            line: 0,
            begin_from: Length::ZERO,
            item: 0,
            choice: 0,
            scan: None,
            review: Reviewing::default(),
            left: None,
            left_known: None,
            goes_on: None,
            planning: None,
            revision: None,
            aim: None,
            bench: None,
            proving: None,
            opening: None,
            evaluating: None,
            run: 0,
            prompt: None,
            question: None,
            change: None,
            message: None,
            waiting: VecDeque::new(),
            help: None,
            origin: None,
            test_card: false,
            wave_whole: false,
            bell: true,
            leaving: false,
        };
        app.item = app.next_open_item(0).unwrap_or(app.contents.checklist.items.len());
        app.line = app.next_open_line();
        app.run = app.all_runs().len().saturating_sub(1);
        app
    }

    pub fn mode(&self) -> KeyMode {
        if self.test_card {
            return KeyMode::TestCard;
        }
        if self.help.is_some() {
            return KeyMode::Help;
        }
        if self.origin.is_some() {
            return KeyMode::Origin;
        }
        if let Some(prompt) = &self.prompt {
            return if matches!(prompt.purpose, Purpose::Start { .. }) { KeyMode::Starting } else { KeyMode::Typing };
        }
        if self.question.is_some() {
            return KeyMode::Confirm;
        }
        if self.change.is_some() {
            return KeyMode::Change;
        }
        if self.revision.is_some() {
            return KeyMode::Revision;
        }
        if let Some(planning) = &self.planning {
            return planning.mode();
        }
        self.step_mode()
    }

    /// The mode beneath help, prompts and questions.
    pub fn step_mode(&self) -> KeyMode {
        if self.left.is_some() {
            return KeyMode::Left;
        }
        match self.step {
            Step::Prepare => KeyMode::Prepare,
            Step::Checklist => match self.contents.checklist.items.get(self.item).map(|item| &item.kind) {
                Some(ItemKind::Confirm) => KeyMode::CheckConfirm,
                Some(ItemKind::Choice { .. }) => KeyMode::CheckChoice,
                Some(ItemKind::Number { .. }) => KeyMode::CheckField,
                Some(ItemKind::Text) => KeyMode::CheckText,
                None => KeyMode::CheckSign,
            },
            Step::Calibrate if self.proving.is_some() || self.opening.is_some() && self.bench.is_none() => KeyMode::Connecting,
            Step::Calibrate => KeyMode::Calibrate,
            Step::Scan => match &self.scan {
                None if self.opening.is_some() => KeyMode::Connecting,
                None => KeyMode::Ready,
                Some(scan) if scan.is_over() => KeyMode::Ended,
                Some(_) => KeyMode::Scanning,
            },
            Step::Review => self.review.mode(),
        }
    }

    /// The run the scan screen shows: the one that is going, or in the review the one that is played again.
    pub fn on_screen(&self) -> Option<&ShownRun> {
        if self.step == Step::Review { self.review.replay() } else { self.scan.as_ref() }
    }

    pub fn on_screen_mut(&mut self) -> Option<&mut ShownRun> {
        if self.step == Step::Review { self.review.replay_mut() } else { self.scan.as_mut() }
    }

    /// What must stand on every screen where a virtual crawler is the source.
    pub fn not_real(&self) -> Option<&'static str> {
        let simulated = |scan: &ShownRun| scan.view.telemetry.device.as_deref().is_some_and(is_virtual);
        let benched = self.bench.as_ref().and_then(|bench| bench.view.device.as_deref()).is_some_and(is_virtual);
        match (self.demo, benched || self.on_screen().or(self.scan.as_ref()).is_some_and(simulated)) {
            (true, _) => Some("DEMO"),
            (false, true) => Some("SIMULATED"),
            (false, false) => None,
        }
    }

    pub fn scanning(&self) -> bool {
        self.scan.iter().flat_map(ShownRun::all).any(|scan| !scan.is_over())
    }

    /// Whether anything on screen changes by time alone.
    pub fn shows_time(&self) -> bool {
        self.scanning() || self.bench.is_some()
    }

    pub fn signed(&self) -> Signed {
        Signed { at_us: self.now_us, ..self.operator.clone() }
    }

    /// The set-up of what stands on the block.
    pub fn setup(&self) -> Setup {
        self.contents.setup_of_channel(self.channel_on_bench())
    }

    /// The channels of the device that are read.
    pub fn channels(&self) -> Vec<&str> {
        match &self.reads {
            Reads::One => Vec::new(),
            Reads::Named(channels) => channels.iter().map(String::as_str).collect(),
            Reads::Tracks if self.chooses() => self.chosen.iter().map(String::as_str).collect(),
            Reads::Tracks => self.contents.plan.channels(),
        }
    }

    /// Whether the device has channels and it is for the operator to choose one of those that come.
    pub fn chooses(&self) -> bool {
        self.reads == Reads::Tracks && self.contents.plan.tracks.is_empty()
    }

    /// Channels that are read and whose probe was never on the blocks, or is to be verified again, in words.
    fn channels_open(&self) -> Vec<String> {
        self.channels().into_iter().filter_map(|channel| self.contents.obstacle_of_channel(channel, self.now_us)).collect()
    }

    /// The channel whose probe is calibrated and proven on Calibrate.
    pub fn channel_on_bench(&self) -> Option<&str> {
        let channels = self.channels();
        channels.get(self.on_bench % channels.len().max(1)).copied()
    }

    /// How the calibration stands: of the run that is going, else of the set-up in force.
    pub fn calibration(&self) -> Validity {
        self.scan.as_ref().map_or_else(|| self.contents.standing(), |scan| self.calibration_of(scan))
    }

    /// How the calibration of a run on screen stands.
    pub fn calibration_of(&self, scan: &ShownRun) -> Validity {
        let stored = self.contents.any_run(scan.view.run).filter(|_| scan.replay.is_some());
        if let Some(run) = stored {
            return self.contents.validity(run);
        }
        if scan.view.changed {
            return Validity::Pending(backwall_store::contents::CHANGED);
        }
        if scan.view.device.adjusted {
            return Validity::Pending(backwall_store::contents::ADJUSTED);
        }
        let started = scan.view.started_us;
        let of_channel = |other: &Option<String>| other.is_none() || scan.view.channel.is_none() || *other == scan.view.channel;
        let known = self.contents.setups.iter().filter(|entry| of_channel(&entry.setup.channel));
        let setup_id = known.rev().find(|entry| entry.by.at_us <= started).map(|entry| entry.id);
        validity(started, setup_id, &self.contents.checks)
    }

    /// The conditions that checklist and dates are judged in: now, for the line that is scanned or chosen.
    pub fn conditions(&self) -> Conditions {
        let running = self.scan.as_ref().filter(|scan| !scan.is_over()).map(|scan| scan.view.line.as_str());
        let chosen = self.contents.plan.lines.get(self.line).map(|line| line.name.as_str());
        self.contents.conditions(self.now_us, running.or(chosen), &self.operator.name)
    }

    /// What was answered to what is asked for the case of a thin spot.
    pub fn at_thin(&self) -> Option<String> {
        let list = &self.contents.checklist;
        let said = |item: &Item| list.answer(item, &self.contents.answers).map(|answer| answer.value.to_string());
        let all: Vec<String> = list.items.iter().filter(|item| item.at_thin).filter_map(said).collect();
        (!all.is_empty()).then(|| all.join("; "))
    }

    /// How an item of the checklist stands.
    pub fn state_of(&self, item: &Item) -> ItemState {
        self.contents.checklist.state(item, &self.contents.answers, &self.conditions())
    }

    /// Why the checklist does not allow scanning.
    pub fn obstacles(&self) -> Vec<String> {
        self.contents.checklist.obstacles(&self.contents.answers, &self.contents.signatures, &self.conditions())
    }

    /// What stops scanning, dates and calibration included.
    pub fn in_the_way(&self) -> Vec<String> {
        self.contents.obstacles_on(&self.conditions(), &self.channels())
    }

    /// What has run out by now, the oldest first.
    pub fn overdue(&self) -> Vec<Due> {
        let mut due = self.contents.due(&self.conditions(), &self.channels());
        due.retain(|due| due.at_us <= self.now_us);
        due
    }

    /// Every run of the job in order, those that do not count among them.
    pub fn all_runs(&self) -> Vec<&RunSummary> {
        let mut runs: Vec<_> = self.contents.runs.iter().chain(&self.contents.set_aside).collect();
        runs.sort_by_key(|run| run.id);
        runs
    }

    /// The run of the list that the cursor is on.
    pub fn chosen_run(&self) -> Option<&RunSummary> {
        self.all_runs().get(self.run).copied()
    }

    /// Puts the cursor of the list on a run.
    pub fn choose_run(&mut self, run: RunId) {
        self.run = self.all_runs().iter().position(|known| known.id == run).unwrap_or(self.run);
    }

    pub fn runs_on(&self, line: &str) -> impl Iterator<Item = &RunSummary> {
        self.contents.runs.iter().filter(move |run| run.start.line == line)
    }

    /// The first item from `from` on (then from the start) that is not answered well.
    pub fn next_open_item(&self, from: usize) -> Option<usize> {
        let list = &self.contents.checklist;
        let conditions = self.conditions();
        let asked = |item: &Item| item.filled_by.is_none();
        let open = |index: &usize| {
            asked(&list.items[*index]) && list.state(&list.items[*index], &self.contents.answers, &conditions) != ItemState::Passed
        };
        (from..list.items.len()).find(open).or_else(|| (0..from.min(list.items.len())).find(open))
    }

    /// Puts a run that has ended away. The line stays chosen: only a key goes to another.
    pub fn put_away(&mut self) {
        if self.scan.as_ref().is_some_and(ShownRun::is_over) {
            self.scan = None;
        }
    }

    /// Chooses the line that was asked for.
    pub fn begin_on(&mut self, begin: &Begin) {
        self.line = self.contents.plan.lines.iter().position(|line| line.name == begin.line).unwrap_or(self.line);
        self.begin_from = begin.offset;
    }

    /// Takes the job as it is stored now. The line chosen stays so where the plan lists its lines anew.
    pub fn take_contents(&mut self, contents: JobContents) {
        let chosen = self.contents.plan.lines.get(self.line).map(|line| line.name.clone());
        self.contents = contents;
        let lines = &self.contents.plan.lines;
        let at = chosen.and_then(|chosen| lines.iter().position(|line| line.name == chosen));
        self.line = at.unwrap_or(self.line.min(lines.len().saturating_sub(1)));
        self.item = self.item.min(self.contents.checklist.items.len());
        self.run = self.run.min(self.all_runs().len().saturating_sub(1));
    }

    fn next_open_line(&self) -> usize {
        let lines = &self.contents.plan.lines;
        lines.iter().position(|line| self.runs_on(&line.name).next().is_none()).unwrap_or(0)
    }

    /// What keeps a step from being done, in words; empty when it is done.
    pub fn missing(&self, step: Step) -> Vec<String> {
        match step {
            Step::Prepare => self.out_of_date(),
            Step::Checklist => self.obstacles(),
            Step::Calibrate if !self.contents.is_calibrated() => vec!["NO CALIBRATION: scanning needs one, or an override".to_owned()],
            Step::Calibrate if !self.channels_open().is_empty() => self.channels_open(),
            Step::Calibrate => match self.contents.standing() {
                Validity::Valid => Vec::new(),
                doubt => vec![format!("{}: {}", super::view::header::word(&doubt), doubt.why(self.look.unit))],
            },
            Step::Scan => {
                let lines = &self.contents.plan.lines;
                let open = |name: &str| !self.runs_on(name).any(|run| run.state == RunState::Closed && run.readings > 0);
                lines.iter().filter(|line| open(&line.name)).map(|line| format!("{} not scanned", line.name)).collect()
            }
            Step::Review => Vec::new(),
        }
    }

    /// The same in the dozen columns of the list of steps.
    pub fn missing_in_short(&self, step: Step) -> String {
        let count = self.missing(step).len();
        match step {
            Step::Prepare if self.contents.plan.lines.is_empty() => "no line".to_owned(),
            Step::Prepare => format!("{count} expired"),
            Step::Checklist => format!("{count} open"),
            Step::Calibrate if !self.contents.is_calibrated() => "NONE".to_owned(),
            Step::Calibrate if !self.channels_open().is_empty() => format!("{count} ch open"),
            Step::Calibrate => super::view::header::word(&self.contents.standing()).to_owned(),
            Step::Scan => format!("{count} to scan"),
            Step::Review => String::new(),
        }
    }

    /// Whether a step must be put right before scanning, or is only not done yet.
    pub fn stops(&self, step: Step) -> bool {
        match step {
            Step::Prepare => !self.out_of_date().is_empty(),
            Step::Checklist => !self.obstacles().is_empty(),
            Step::Calibrate => !self.contents.is_calibrated() || !self.channels_open().is_empty(),
            _ => false,
        }
    }

    /// People and kit that are out of date today, and lines that are not there.
    pub fn out_of_date(&self) -> Vec<String> {
        let plan = &self.contents.plan;
        let mut found = expiry::out_of_date(plan, &self.conditions().now);
        if plan.lines.is_empty() {
            found.push("the plan has no line to scan".to_owned());
        }
        found
    }

    pub fn is_past(&self, date: Option<Date>) -> bool {
        matches!((date, self.conditions().now.date()), (Some(date), Some(today)) if date.0 < today)
    }
}

/// Whether a device calls itself a virtual crawler; the one of this program always does.
fn is_virtual(device: &str) -> bool {
    device.to_lowercase().contains("simulated")
}

/// The plan's first operator, else nobody.
fn operator_of(contents: &JobContents) -> Signed {
    let people = &contents.plan.people;
    let person = people.iter().find(|person| person.role == "operator").or(people.first());
    Signed {
        name: person.map(|person| person.name.clone()).unwrap_or_default(),
        certificate: person.and_then(|person| person.certificate.clone()).unwrap_or_default(),
        at_us: 0,
    }
}
