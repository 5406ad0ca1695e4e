//! The one table of keys: what each does, where it works, what the footer and the help say of it.

mod table;

pub use table::BINDINGS;

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

/// What the operator can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Action {
    Quit,
    Help,
    NextStep,
    PreviousStep,
    NextTheme,
    NextGlyphs,
    ToggleUnit,
    ToggleBell,
    Redraw,
    TestCard,
    Up,
    Down,
    PageUp,
    PageDown,
    Home,
    End,
    /// Take what the cursor is on.
    Choose,
    Yes,
    No,
    Back,
    Sign,
    Comment,
    EditSetup,
    Start,
    Override,
    Note,
    /// A photo goes with the job.
    Photo,
    /// Somebody saw something being done.
    Witness,
    /// Flag the place with the mark of this number.
    Mark(u8),
    Acknowledge,
    AcknowledgeAll,
    Freeze,
    WaveSpan,
    /// Where the number on screen comes from.
    Origin,
    /// Go on with the zero that the echoes show.
    TakeZero,
    /// Go on from echo to echo.
    EchoToEcho,
    /// Send something to the device by its name.
    Send,
    /// Do what the change asked about says.
    Change,
    /// The crawler stands at a place that is known.
    SetPlace,
    /// Look at another channel of the scan.
    NextChannel,
    /// Prove the profile on its device.
    Prove,
    /// The crawler stands on its starting point again.
    AtDatum,
    ZoomIn,
    ZoomOut,
    EndRun,
    /// Wait no longer for a stream that does not open.
    StopConnecting,
    Submit,
    Cancel,
    NextField,
    PreviousField,
    /// At the calibration bench.
    Bench(BenchKey),
    /// In the review of a run.
    Walk(WalkKey),
    /// Over lines that stand side by side.
    Left,
    Right,
    /// The unrolled map of the job.
    Map,
    Statistics,
    /// What the run could not have seen.
    Unseen,
    /// Whether each course is enough.
    Assess,
    /// Another basis beside the one in force.
    WhatIf,
    DropBasis,
    KeepBasis,
    /// Statistics by line, course or interval.
    By,
    Shorter,
    Longer,
    /// A stored run, played again on the scan screen.
    Replay,
    Pause,
    Slower,
    Faster,
    /// What is left to do in the job.
    WhatIsLeft,
    /// Put right what is wrong with a run, by a statement.
    Amend,
    /// The plan as a form.
    Plan,
    /// A new revision of the plan, from a file.
    Revise,
    /// In the form of the plan.
    Planning(PlanningKey),
    /// The report, written beside the job file.
    Report,
    /// A part was changed for another.
    Swap,
    /// A shift begins or ends.
    Shift,
}

/// What the operator can do in the form of the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PlanningKey {
    /// One more of what the cursor is on: a course, a line, a person, a piece of kit.
    Add,
    /// An earlier survey of the course.
    AddInside,
    Remove,
    NextMistake,
    Keep,
    /// By the basis as changed in the form.
    Judge,
}

/// What the operator can do in the review of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum WalkKey {
    NextSpot,
    PreviousSpot,
    Least,
    NextGap,
    PreviousGap,
    NextMark,
    PreviousMark,
    LimitDown,
    LimitUp,
    LimitHome,
    /// This run, or all runs of its line.
    AllRuns,
    /// This run from echo to echo, and which readings count.
    Evaluate,
    /// The next spot that nobody has taken note of.
    Acknowledge,
    /// How an earlier survey's positions lie to the present ones.
    Accept,
    /// A thickness read by hand at the cursor.
    ByHand,
}

/// What the operator can do at the calibration bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum BenchKey {
    /// Open or close the probe's stream.
    Live,
    Block,
    Verify,
    Distance,
    Take,
    /// Put away what the probe is on, or take the last block off the table.
    Drop,
    Keep,
    KeepVelocity,
    /// The probe of the device's next channel.
    Channel,
    Propose,
    Picture,
    GateEarlier,
    GateLater,
    GateShorter,
    GateLonger,
    ThresholdUp,
    ThresholdDown,
}

/// Which keys work is a matter of what is on screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum KeyMode {
    Prepare,
    CheckConfirm,
    CheckChoice,
    CheckField,
    CheckText,
    /// Behind the last item, where the checklist is signed.
    CheckSign,
    Calibrate,
    /// No run is going; one can be started.
    Ready,
    /// A stream is being opened.
    Connecting,
    Scanning,
    /// A run has ended and still stands on screen.
    Ended,
    Runs,
    ReviewRun,
    Map,
    Statistics,
    /// What a run could not have seen.
    Unseen,
    /// Whether each course is enough.
    Assessed,
    /// A stored run is played again.
    Replay,
    /// What is left to do.
    Left,
    /// What a revision of the plan changes.
    Revision,
    /// The plan as a form.
    Planning,
    /// A basis as a form.
    WhatIf,
    Typing,
    /// The last look before a run.
    Starting,
    Confirm,
    /// Whether a run is to go on with another set-up.
    Change,
    Help,
    /// Where the number on screen comes from.
    Origin,
    TestCard,
}

impl KeyMode {
    pub const ALL: [Self; 29] = [
        Self::Prepare,
        Self::CheckConfirm,
        Self::CheckChoice,
        Self::CheckField,
        Self::CheckText,
        Self::CheckSign,
        Self::Calibrate,
        Self::Ready,
        Self::Connecting,
        Self::Scanning,
        Self::Ended,
        Self::Runs,
        Self::ReviewRun,
        Self::Map,
        Self::Statistics,
        Self::Unseen,
        Self::Assessed,
        Self::Replay,
        Self::Left,
        Self::Revision,
        Self::Planning,
        Self::WhatIf,
        Self::Typing,
        Self::Starting,
        Self::Confirm,
        Self::Change,
        Self::Help,
        Self::Origin,
        Self::TestCard,
    ];
}

impl KeyMode {
    /// Letters go into a field.
    pub const fn types(self) -> bool {
        matches!(self, Self::Typing | Self::Starting)
    }
}

/// A key, with or without Ctrl.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Chord {
    pub code: KeyCode,
    pub control: bool,
}

const fn key(code: KeyCode) -> Chord {
    Chord { code, control: false }
}
const fn letter(c: char) -> Chord {
    key(KeyCode::Char(c))
}
const fn control(c: char) -> Chord {
    Chord { code: KeyCode::Char(c), control: true }
}

#[derive(Debug)]
pub struct Binding {
    pub keys: &'static [Chord],
    pub action: Action,
    pub modes: &'static [KeyMode],
    /// How the key is written on screen; empty where another binding's line speaks for it.
    pub shown: &'static str,
    /// Two words for the footer; empty keeps it out of there.
    pub label: &'static str,
    pub help: &'static str,
    /// Held down, it goes on.
    pub repeats: bool,
}

/// What a key means here. Releases mean nothing; a key held down only goes on where that does no harm.
pub fn lookup(mode: KeyMode, event: &KeyEvent) -> Option<&'static Binding> {
    if event.kind == KeyEventKind::Release {
        return None;
    }
    let control = event.modifiers.contains(KeyModifiers::CONTROL) && !event.modifiers.contains(KeyModifiers::ALT);
    let chord = Chord { code: event.code, control };
    BINDINGS
        .iter()
        .find(|binding| binding.modes.contains(&mode) && binding.keys.contains(&chord))
        .filter(|binding| event.kind == KeyEventKind::Press || binding.repeats)
}

/// Key and words for the footer of a mode, in order.
pub fn footer(mode: KeyMode) -> impl Iterator<Item = (&'static str, &'static str)> {
    BINDINGS.iter().filter(move |binding| binding.modes.contains(&mode) && !binding.label.is_empty()).map(|b| (b.shown, b.label))
}

/// Every key that works in a mode, with what it does.
pub fn help(mode: KeyMode) -> impl Iterator<Item = (&'static str, &'static str)> {
    BINDINGS.iter().filter(move |binding| binding.modes.contains(&mode) && !binding.help.is_empty()).map(|b| (b.shown, b.help))
}

#[cfg(test)]
mod tests {
    use super::*;
    use BenchKey as B;
    use PlanningKey as P;
    use WalkKey as W;
    use std::collections::HashSet;

    #[test]
    fn no_key_means_two_things_in_one_mode() {
        for mode in KeyMode::ALL {
            let mut seen = HashSet::new();
            for binding in BINDINGS.iter().filter(|binding| binding.modes.contains(&mode)) {
                for chord in binding.keys {
                    assert!(seen.insert(*chord), "{chord:?} is given twice in {mode:?}");
                }
            }
        }
    }

    #[test]
    fn every_action_has_a_key_and_every_mode_a_way_out() {
        use Action::*;
        let all = [
            Quit,
            Help,
            NextStep,
            PreviousStep,
            NextTheme,
            NextGlyphs,
            ToggleUnit,
            ToggleBell,
            Redraw,
            TestCard,
            Up,
            Down,
            PageUp,
            PageDown,
            Home,
            End,
            Choose,
            Yes,
            No,
            Back,
            Sign,
            Comment,
            EditSetup,
            Start,
            Override,
            Note,
            Mark(0),
            Mark(1),
            Mark(2),
            Mark(3),
            Mark(4),
            Acknowledge,
            AcknowledgeAll,
            Freeze,
            WaveSpan,
            Origin,
            TakeZero,
            EchoToEcho,
            Send,
            Change,
            SetPlace,
            AtDatum,
            ZoomIn,
            ZoomOut,
            EndRun,
            StopConnecting,
            Submit,
            Cancel,
            NextField,
            PreviousField,
            Bench(B::Live),
            Bench(B::Block),
            Bench(B::Verify),
            Bench(B::Distance),
            Bench(B::Channel),
            Bench(B::Take),
            Bench(B::Drop),
            Bench(B::Keep),
            Bench(B::KeepVelocity),
            Bench(B::Propose),
            Bench(B::Picture),
            Bench(B::GateEarlier),
            Bench(B::GateLater),
            Bench(B::GateShorter),
            Bench(B::GateLonger),
            Bench(B::ThresholdUp),
            Bench(B::ThresholdDown),
            Walk(W::NextSpot),
            Walk(W::PreviousSpot),
            Walk(W::Least),
            Walk(W::NextGap),
            Walk(W::PreviousGap),
            Walk(W::NextMark),
            Walk(W::PreviousMark),
            Walk(W::LimitDown),
            Walk(W::LimitUp),
            Walk(W::LimitHome),
            Walk(W::AllRuns),
            Walk(W::Acknowledge),
            Photo,
            Witness,
            Walk(W::ByHand),
            Walk(W::Accept),
            Walk(W::Evaluate),
            Left,
            Right,
            Map,
            Statistics,
            Unseen,
            Assess,
            WhatIf,
            DropBasis,
            KeepBasis,
            By,
            Shorter,
            Longer,
            Replay,
            Pause,
            Slower,
            Faster,
            WhatIsLeft,
            Amend,
            Plan,
            Revise,
            Planning(P::Add),
            Planning(P::AddInside),
            Planning(P::Remove),
            Planning(P::NextMistake),
            Planning(P::Keep),
            Planning(P::Judge),
            Report,
            Swap,
            Shift,
            NextChannel,
            Prove,
        ];
        let bound: HashSet<Action> = BINDINGS.iter().map(|binding| binding.action).collect();
        for action in all {
            assert!(bound.contains(&action), "{action:?} has no key");
        }
        assert_eq!(bound.len(), all.len(), "an action is bound that this test does not know");
        for mode in KeyMode::ALL {
            let out = BINDINGS.iter().any(|b| b.modes.contains(&mode) && matches!(b.action, Quit | Cancel | Back));
            assert!(out, "{mode:?}");
        }
    }

    #[test]
    fn releases_mean_nothing_and_a_held_key_only_navigates() {
        let event = |c, kind| KeyEvent { kind, ..KeyEvent::new(KeyCode::Char(c), KeyModifiers::NONE) };
        assert!(lookup(KeyMode::Scanning, &event('e', KeyEventKind::Press)).is_some());
        assert!(lookup(KeyMode::Scanning, &event('e', KeyEventKind::Release)).is_none());
        assert!(lookup(KeyMode::Scanning, &event('e', KeyEventKind::Repeat)).is_none());
        assert!(lookup(KeyMode::Scanning, &event('+', KeyEventKind::Repeat)).is_some());
    }

    #[test]
    fn the_footer_names_a_handful_of_keys() {
        for mode in KeyMode::ALL {
            assert!((1..=11).contains(&footer(mode).count()), "{mode:?}: {}", footer(mode).count());
        }
    }
}
