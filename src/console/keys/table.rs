//! Every key with what it does, where it works, and what the footer and the help say of it.

use super::{Action, BenchKey, Binding, Chord, KeyMode, PlanningKey, WalkKey, control, key, letter};
use ratatui::crossterm::event::KeyCode;

use Action as A;
use BenchKey as B;
use KeyMode as M;
use PlanningKey as P;
use WalkKey as W;

const WALK: &[KeyMode] = &[M::ReviewRun];
const BENCH: &[KeyMode] = &[M::Calibrate];
/// No letter works on a text that is to be typed: it would be taken for the answer's first.
const TEXT: &[KeyMode] = &[M::CheckText];
/// Where the arrows walk through the checklist, but the sign row.
const CHECK: &[KeyMode] = &[M::CheckConfirm, M::CheckChoice, M::CheckField, M::CheckText];
const STRIP: &[KeyMode] = &[M::Scanning, M::Ended, M::ReviewRun, M::Map, M::Replay];
const STEPS: &[KeyMode] = &[
    M::Prepare,
    M::CheckConfirm,
    M::CheckChoice,
    M::CheckField,
    M::CheckSign,
    M::Calibrate,
    M::Ready,
    M::Connecting,
    M::Scanning,
    M::Ended,
    M::Runs,
    M::ReviewRun,
    M::Map,
    M::Statistics,
    M::Unseen,
    M::Assessed,
    M::Replay,
    M::Left,
];
/// Where the footer has no room for what is left; the help names it.
const FULL: &[KeyMode] =
    &[M::Calibrate, M::Connecting, M::Scanning, M::ReviewRun, M::Map, M::Statistics, M::Unseen, M::Assessed, M::Replay, M::Left];
const ROOMY: &[KeyMode] = &[M::Prepare, M::CheckConfirm, M::CheckChoice, M::CheckField, M::CheckSign, M::Ready, M::Ended, M::Runs];
const LISTS: &[KeyMode] = &[
    M::Prepare,
    M::CheckConfirm,
    M::CheckChoice,
    M::CheckField,
    M::CheckSign,
    M::Ready,
    M::Connecting,
    M::Scanning,
    M::Ended,
    M::Runs,
    M::ReviewRun,
    M::Map,
    M::Statistics,
    M::Replay,
    M::Left,
    M::Revision,
    M::Help,
    M::Origin,
];

/// The forms of a plan and of a basis.
const FORM: &[KeyMode] = &[M::Planning, M::WhatIf];
/// Where the arrows walk and the letter beside them means something else.
const ARROWS: &[KeyMode] = &[M::Planning, M::WhatIf, M::Assessed];

/// Where something was looked at, and a letter is no answer.
const NOTED: &[KeyMode] =
    &[M::Prepare, M::CheckConfirm, M::CheckChoice, M::CheckSign, M::Calibrate, M::Ready, M::Scanning, M::Ended, M::Runs, M::ReviewRun];

const MAP_HELP: &str = "all lines on the unrolled wall";
const STATISTICS_HELP: &str = "statistics and histograms by line, by course, or by intervals";
const ASSESS_HELP: &str = "whether each course is thick enough over all lines: decision, rate, life, next date, what to do; and what if";
const AMEND_HELP: &str =
    "correct what is wrong with this run, with name and reason: it does not count, counts again, is on another line, and so on";
const LEFT_HELP: &str = "what is left to do, worst first; Enter goes to where it is done";
const REPLAY_HELP: &str = "play the run again on the scan screen, from its start; nothing is written";

const fn bind(keys: &'static [Chord], action: Action, modes: &'static [KeyMode], words: [&'static str; 3]) -> Binding {
    let repeats = matches!(
        action,
        A::Up
            | A::Down
            | A::PageUp
            | A::PageDown
            | A::ZoomIn
            | A::ZoomOut
            | A::Left
            | A::Right
            | A::Shorter
            | A::Longer
            | A::NextField
            | A::PreviousField
    ) || matches!(action, A::Walk(W::LimitDown | W::LimitUp))
        || matches!(action, A::Bench(B::GateEarlier | B::GateLater | B::GateShorter | B::GateLonger | B::ThresholdUp | B::ThresholdDown));
    Binding { keys, action, modes, shown: words[0], label: words[1], help: words[2], repeats }
}

/// In the order of the footer.
pub const BINDINGS: &[Binding] = &[
    bind(
        &[key(KeyCode::Esc), letter('e')],
        A::StopConnecting,
        &[M::Connecting],
        ["Esc", "stop", "stop waiting for the stream; nothing is recorded"],
    ),
    bind(&[letter('s')], A::Start, &[M::Ready], ["s", "start run", "open a run on the chosen line and record"]),
    bind(
        &[letter('o')],
        A::Override,
        &[M::Ready],
        ["o", "override", "scan although the checklist does not allow it; asks why and keeps the reason"],
    ),
    bind(&[letter('b')], A::Bench(B::Block), BENCH, ["b", "block", "put the probe on a block of known thickness to calibrate on"]),
    bind(
        &[key(KeyCode::Enter)],
        A::Bench(B::Take),
        BENCH,
        ["Enter", "take", "take the block once it is steady; at a measured distance mark its start, then its end"],
    ),
    bind(
        &[letter('v')],
        A::Bench(B::Verify),
        BENCH,
        ["v", "verify", "verify on another block: before the first run, in between, and after the last"],
    ),
    bind(
        &[letter('k')],
        A::Bench(B::Keep),
        BENCH,
        ["k", "keep", "keep the calibration or the moved gate as a new set-up; earlier ones stay"],
    ),
    bind(
        &[letter('x')],
        A::Bench(B::Drop),
        BENCH,
        ["x", "", "give up what the probe is on (a verification has then failed), or take the last block off"],
    ),
    bind(
        &[letter('p')],
        A::Bench(B::Propose),
        BENCH,
        ["p", "", "propose gate and threshold from nominal thickness, velocity, zero and the echo seen"],
    ),
    bind(&[key(KeyCode::Left)], A::Bench(B::GateEarlier), BENCH, ["←→", "", "gate start 0.05 µs earlier or later"]),
    bind(&[key(KeyCode::Right)], A::Bench(B::GateLater), BENCH, ["", "", ""]),
    bind(&[letter('<'), letter(',')], A::Bench(B::GateShorter), BENCH, ["< >", "", "gate 0.1 µs shorter or longer"]),
    bind(&[letter('>'), letter('.')], A::Bench(B::GateLonger), BENCH, ["", "", ""]),
    bind(&[key(KeyCode::Up)], A::Bench(B::ThresholdUp), BENCH, ["↑↓", "", "threshold 1 % of full screen height up or down"]),
    bind(&[key(KeyCode::Down)], A::Bench(B::ThresholdDown), BENCH, ["", "", ""]),
    bind(&[letter('c')], A::Bench(B::Picture), BENCH, ["c", "", "show the waveform, the residual curve, or the pulse that was learned"]),
    bind(
        &[letter('o')],
        A::Bench(B::Channel),
        BENCH,
        [
            "o",
            "",
            "where several channels are read, or come: the probe of the next is calibrated, verified and proven; each has a set-up of its own",
        ],
    ),
    bind(
        &[letter('s')],
        A::Send,
        BENCH,
        ["s", "", "send the device a command of its profile, as its gain or its range; blocks are read with what is set here"],
    ),
    bind(&[letter('y')], A::Bench(B::KeepVelocity), BENCH, ["y", "", "velocity from the blocks, or kept as typed"]),
    bind(
        &[letter('p')],
        A::Plan,
        &[M::Prepare],
        ["p", "plan", "the plan as a form: look it up, change it; what is kept is a new revision"],
    ),
    bind(&[letter('n')], A::Note, &[M::Prepare], ["n", "", "write a note about the job"]),
    bind(
        &[letter('n')],
        A::Note,
        &[M::Ready, M::Connecting, M::Scanning, M::Ended, M::ReviewRun],
        ["n", "note", "write a note; it keeps the place, and recording goes on"],
    ),
    // The footer of the list of runs has no room for it beside how to leave.
    bind(&[letter('n')], A::Note, &[M::Runs], ["n", "", "write a note"]),
    bind(
        &[letter('P')],
        A::Photo,
        NOTED,
        ["P", "", "add a photo: of the place under the cursor or of the crawler, else of the job; L lists those the plan asks for"],
    ),
    bind(&[letter('W')], A::Witness, NOTED, ["W", "", "at a witness point: who saw what, with initials; L lists them"]),
    bind(
        &[letter('1')],
        A::Mark(0),
        &[M::Scanning],
        ["1-5", "mark", "flag this place: 1 seam, 2 nozzle, 3 obstruction, 4 surface, 5 other"],
    ),
    bind(&[letter('2')], A::Mark(1), &[M::Scanning], ["", "", ""]),
    bind(&[letter('3')], A::Mark(2), &[M::Scanning], ["", "", ""]),
    bind(&[letter('4')], A::Mark(3), &[M::Scanning], ["", "", ""]),
    bind(&[letter('5')], A::Mark(4), &[M::Scanning], ["", "", ""]),
    bind(
        &[letter('a')],
        A::Acknowledge,
        &[M::Scanning, M::Ended],
        ["a", "ack", "acknowledge the spot named in the alarm line; it stays in the list"],
    ),
    bind(&[letter('A')], A::AcknowledgeAll, &[M::Scanning], ["A", "", "acknowledge all spots"]),
    bind(&[letter('f')], A::Freeze, &[M::Scanning, M::Replay], ["f", "freeze", "hold the waveform still to look at it; recording goes on"]),
    bind(
        &[letter('i')],
        A::Origin,
        &[M::Scanning, M::Ended, M::ReviewRun, M::Replay],
        ["i", "", "where this number comes from: shot, gate, picker, set-up, blocks, verification, uncertainty"],
    ),
    bind(
        &[letter('o')],
        A::NextChannel,
        &[M::Scanning, M::Ended],
        ["o", "", "where several channels are read at once: look at the next; all go on being recorded"],
    ),
    bind(
        &[letter('d')],
        A::AtDatum,
        &[M::Scanning, M::Confirm],
        ["d", "", "the crawler is at its start again: note how far the encoder is off"],
    ),
    bind(
        &[letter('p')],
        A::SetPlace,
        &[M::Scanning],
        ["p", "", "the crawler is at a seam or a known mark: places go on from there, from the next shot on; what was recorded stays"],
    ),
    bind(
        &[letter('z')],
        A::TakeZero,
        &[M::Scanning],
        ["z", "", "go on with the zero that the back-wall echoes show: asks first, kept as a new set-up from the next shot on"],
    ),
    bind(
        &[letter('E')],
        A::EchoToEcho,
        &[M::Scanning],
        ["E", "", "where first echo and echo to echo disagree: read this run echo to echo from here on; asks first"],
    ),
    bind(
        &[letter('c')],
        A::Send,
        &[M::Scanning],
        ["c", "", "send the device a command of its profile, as its gain; asks again where readings depend on it"],
    ),
    // Not Enter: what was typed behind a form must not change a run.
    bind(&[letter('y'), letter('Y')], A::Change, &[M::Change], ["y", "yes", "do so from the next shot on"]),
    bind(&[letter('n'), letter('N')], A::Cancel, &[M::Change], ["n", "no", "go on as before"]),
    bind(
        &[letter('w')],
        A::WaveSpan,
        &[M::Scanning, M::Calibrate, M::ReviewRun, M::Replay],
        ["w", "", "A-scan around the gate, or the whole record"],
    ),
    bind(&[letter('y'), letter('Y')], A::Yes, &[M::CheckConfirm, M::Confirm], ["y", "yes", "confirmed"]),
    bind(
        &[letter('n'), letter('N')],
        A::No,
        &[M::CheckConfirm, M::Confirm],
        ["n", "no", "not confirmed: this stops the job until it is corrected"],
    ),
    bind(
        &[key(KeyCode::Enter)],
        A::Choose,
        &[M::Prepare, M::CheckChoice, M::CheckField, M::CheckText, M::Ended, M::Runs, M::Map, M::Statistics, M::Left],
        ["Enter", "choose", "take what the cursor is on, or type the answer"],
    ),
    bind(&[key(KeyCode::Enter)], A::Choose, FORM, ["Enter", "type", "type the value, or choose it; empty leaves it out"]),
    bind(
        &[letter('m')],
        A::Planning(P::NextMistake),
        FORM,
        ["m", "mistake", "go to the next mistake, or to the next key that must be typed"],
    ),
    bind(
        &[letter('+')],
        A::Planning(P::Add),
        &[M::Planning],
        ["+", "add", "one more of what the cursor is on: a course, a line, a person, a piece of kit; or the table that is not there"],
    ),
    bind(&[letter('E')], A::Planning(P::AddInside), &[M::Planning], ["E", "", "an earlier survey of the course the cursor is on"]),
    bind(
        &[letter('x')],
        A::Planning(P::Remove),
        &[M::Planning],
        ["x", "remove", "take out the course, line, person or kit the cursor is on"],
    ),
    bind(
        &[letter('k')],
        A::Planning(P::Keep),
        &[M::Planning],
        ["k", "keep", "keep the plan: in an open job as a revision, whose differences are shown first; else as a new job"],
    ),
    bind(
        &[letter('w')],
        A::Planning(P::Judge),
        &[M::WhatIf],
        ["w", "what if", "judge by these values: A is what is in force, B is what is typed here; nothing is kept"],
    ),
    bind(&[letter('+')], A::Planning(P::Add), &[M::WhatIf], ["+", "", "one more course"]),
    bind(
        &[letter('x')],
        A::Planning(P::Remove),
        &[M::WhatIf],
        ["x", "", "take out the course the cursor is on: it stays as the plan has it"],
    ),
    bind(&[letter('f')], A::Revise, &[M::Planning], ["f", "file", "read the plan from a file instead"]),
    bind(
        &[letter('s')],
        A::Sign,
        &[M::CheckConfirm, M::CheckChoice],
        ["s", "sign", "to the end of the list, where the answers are signed; nothing is signed yet"],
    ),
    bind(
        &[letter('s'), key(KeyCode::Enter)],
        A::Sign,
        &[M::CheckSign],
        ["s", "sign", "sign the answers with name and certificate; every hold point must be answered"],
    ),
    bind(&[key(KeyCode::End)], A::End, CHECK, ["End", "", "to the end of the list, where the answers are signed"]),
    bind(
        &[letter('c')],
        A::Comment,
        &[M::CheckConfirm, M::CheckChoice, M::CheckField],
        ["c", "comment", "add words to an answer; the earlier answer stays"],
    ),
    bind(&[letter('s')], A::Walk(W::NextSpot), WALK, ["s/S", "spot", "next or previous spot, in driving direction"]),
    bind(&[letter('S')], A::Walk(W::PreviousSpot), WALK, ["", "", ""]),
    bind(&[letter('m')], A::Walk(W::Least), &[M::ReviewRun, M::Map], ["m", "minimum", "the minimum reading of all"]),
    bind(&[letter('o')], A::Walk(W::NextGap), WALK, ["o/O", "gap", "next or previous stretch without a thickness longer than allowed"]),
    bind(&[letter('O')], A::Walk(W::PreviousGap), WALK, ["", "", ""]),
    bind(&[letter('v')], A::Walk(W::NextMark), WALK, ["v/V", "", "next or previous mark, note or reading by hand"]),
    bind(&[letter('V')], A::Walk(W::PreviousMark), WALK, ["", "", ""]),
    bind(
        &[letter('<'), letter(',')],
        A::Walk(W::LimitDown),
        WALK,
        ["< >", "limit", "move the limit to see what falls under it; a trial, stored nowhere"],
    ),
    bind(&[letter('>'), letter('.')], A::Walk(W::LimitUp), WALK, ["", "", ""]),
    bind(&[letter('0')], A::Walk(W::LimitHome), WALK, ["0", "", "the limit of the plan again"]),
    bind(&[letter('l')], A::Walk(W::AllRuns), WALK, ["l", "", "this run alone, or all runs of its line together"]),
    bind(
        &[letter('a')],
        A::Walk(W::Acknowledge),
        WALK,
        ["a", "", "acknowledge the spot at the cursor, else go to the next that is not acknowledged yet"],
    ),
    bind(
        &[letter('c')],
        A::Walk(W::Accept),
        WALK,
        ["c", "", "accept the offset of the earlier survey, and show what has changed since; again takes it back"],
    ),
    bind(
        &[letter('E')],
        A::Walk(W::Evaluate),
        WALK,
        ["E", "", "read this run again from echo to echo, see both, and say which counts; again offers its own readings"],
    ),
    bind(&[letter('A')], A::Amend, WALK, ["A", "", AMEND_HELP]),
    bind(
        &[letter('s')],
        A::Shift,
        &[M::Prepare],
        ["s", "shift", "sign a shift on (crew, weather, gas), or off (what the next one must know)"],
    ),
    bind(&[key(KeyCode::Enter)], A::Choose, &[M::Revision], ["Enter", "take", "take the revision; asks for a reason"]),
    bind(&[letter('H')], A::Walk(W::ByHand), WALK, ["H", "", "enter a thickness read by hand here, and whether it proves the spot"]),
    bind(&[letter('1')], A::Mark(0), WALK, ["1-5", "", "mark this place afterwards: 1 seam, 2 nozzle, 3 obstruction, 4 surface, 5 other"]),
    bind(&[letter('2')], A::Mark(1), WALK, ["", "", ""]),
    bind(&[letter('3')], A::Mark(2), WALK, ["", "", ""]),
    bind(&[letter('4')], A::Mark(3), WALK, ["", "", ""]),
    bind(&[letter('5')], A::Mark(4), WALK, ["", "", ""]),
    bind(&[letter('p')], A::Map, &[M::Runs, M::Statistics], ["p", "map", MAP_HELP]),
    // The footers of walk and replay are full; their help names these.
    bind(&[letter('p')], A::Map, WALK, ["p", "", MAP_HELP]),
    bind(&[letter('h')], A::Statistics, WALK, ["h", "", STATISTICS_HELP]),
    bind(
        &[letter('U')],
        A::Unseen,
        &[M::Runs, M::ReviewRun],
        ["U", "", "what this run could not have seen, by a model of it; takes some seconds"],
    ),
    bind(&[letter('d')], A::Assess, &[M::Runs], ["d", "judge", ASSESS_HELP]),
    // Here the footer is full.
    bind(&[letter('d')], A::Assess, &[M::ReviewRun, M::Map, M::Statistics], ["d", "", ASSESS_HELP]),
    bind(&[key(KeyCode::Enter)], A::Choose, &[M::Assessed], ["Enter", "go there", "open the line at the place the cursor is on"]),
    bind(
        &[letter('b')],
        A::WhatIf,
        &[M::Assessed],
        ["b", "what if", "another basis beside this one: required thickness, rate, interval and so on, typed into a form"],
    ),
    bind(
        &[letter('k')],
        A::KeepBasis,
        &[M::Assessed],
        ["k", "keep B", "from now on B counts, with name and reason; nothing measured changes"],
    ),
    bind(&[letter('x')], A::DropBasis, &[M::Assessed], ["x", "drop B", "what is in force alone again"]),
    bind(&[letter('r')], A::Replay, &[M::ReviewRun, M::Replay], ["r", "", REPLAY_HELP]),
    bind(&[letter('h')], A::Statistics, &[M::Map], ["h", "stats", STATISTICS_HELP]),
    bind(&[letter('h')], A::Statistics, &[M::Runs], ["h", "", STATISTICS_HELP]),
    bind(&[letter('b')], A::By, &[M::Statistics], ["b", "by", "by line, by course, or by interval"]),
    bind(&[letter('<'), letter(',')], A::Shorter, &[M::Statistics], ["< >", "interval", "shorter or longer intervals"]),
    bind(&[letter('>'), letter('.')], A::Longer, &[M::Statistics], ["", "", ""]),
    bind(&[letter('w')], A::Report, &[M::Runs], ["w", "report", "write the report beside the job file, as PDF"]),
    bind(&[letter('r')], A::Replay, &[M::Runs], ["r", "", REPLAY_HELP]),
    bind(&[letter(' ')], A::Pause, &[M::Replay], ["Space", "pause", "pause or continue the replay"]),
    bind(
        &[letter('<'), letter(',')],
        A::Slower,
        &[M::Replay],
        ["< >", "speed", "device pace, 2, 5, 10 times, or as fast as it can be read"],
    ),
    bind(&[letter('>'), letter('.')], A::Faster, &[M::Replay], ["", "", ""]),
    bind(&[key(KeyCode::Right)], A::Right, &[M::Map, M::Statistics], ["←→", "line", "the next line, or along a line across"]),
    bind(&[key(KeyCode::Left)], A::Left, &[M::Map, M::Statistics], ["", "", ""]),
    bind(&[key(KeyCode::Right)], A::Up, WALK, ["", "", ""]),
    bind(&[key(KeyCode::Left)], A::Down, WALK, ["", "", ""]),
    bind(&[key(KeyCode::End)], A::End, WALK, ["End", "", "to the far end of what was driven"]),
    bind(&[letter('+'), letter('=')], A::ZoomIn, STRIP, ["+/-", "zoom", "less or more wall in a row; the minimum always shows"]),
    bind(&[letter('-')], A::ZoomOut, STRIP, ["", "", ""]),
    // The footer names how to leave; arrows are tried anyway.
    bind(&[key(KeyCode::Up)], A::Up, ARROWS, ["↑↓", "", "through the list"]),
    bind(&[key(KeyCode::Down)], A::Down, ARROWS, ["", "", ""]),
    bind(&[key(KeyCode::PageUp)], A::PageUp, ARROWS, ["PgUp PgDn", "", "ten rows at a time"]),
    bind(&[key(KeyCode::PageDown)], A::PageDown, ARROWS, ["", "", ""]),
    bind(&[key(KeyCode::Home)], A::Home, ARROWS, ["Home", "", "to the start"]),
    bind(&[key(KeyCode::Up), letter('k')], A::Up, LISTS, ["↑↓", "move", "back along the wall, or through the list; recording goes on"]),
    bind(&[key(KeyCode::Down), letter('j')], A::Down, LISTS, ["", "", ""]),
    bind(&[key(KeyCode::Up)], A::Up, TEXT, ["↑↓", "move", "through the list"]),
    bind(&[key(KeyCode::Down)], A::Down, TEXT, ["", "", ""]),
    bind(&[key(KeyCode::PageUp)], A::PageUp, TEXT, ["PgUp PgDn", "", "ten rows at a time"]),
    bind(&[key(KeyCode::PageDown)], A::PageDown, TEXT, ["", "", ""]),
    bind(&[key(KeyCode::Home)], A::Home, TEXT, ["Home", "", "to the start"]),
    bind(&[key(KeyCode::Tab)], A::NextStep, TEXT, ["Tab", "next step", "next step; Shift-Tab goes back. A run goes on meanwhile"]),
    bind(&[key(KeyCode::BackTab)], A::PreviousStep, TEXT, ["", "", ""]),
    bind(&[control('l')], A::Redraw, TEXT, ["^L", "", "draw the whole screen again"]),
    bind(&[control('c')], A::Quit, TEXT, ["^C", "quit", "leave; asks first while a run is going"]),
    bind(&[key(KeyCode::F(1))], A::Help, TEXT, ["F1", "help", "this page; a letter would begin the answer"]),
    bind(&[key(KeyCode::PageUp)], A::PageUp, LISTS, ["PgUp PgDn", "", "ten rows at a time"]),
    bind(&[key(KeyCode::PageDown)], A::PageDown, LISTS, ["", "", ""]),
    bind(&[key(KeyCode::Home)], A::Home, LISTS, ["Home", "", "to the start, or back to the crawler"]),
    bind(&[letter('e')], A::EndRun, &[M::Scanning], ["e", "end run", "close the run; asks first"]),
    bind(
        &[key(KeyCode::Esc)],
        A::Back,
        &[
            M::Ended,
            M::ReviewRun,
            M::Map,
            M::Statistics,
            M::Unseen,
            M::Assessed,
            M::Replay,
            M::Left,
            M::Revision,
            M::Planning,
            M::WhatIf,
            M::Help,
            M::Origin,
            M::TestCard,
        ],
        ["Esc", "back", "back to where you were"],
    ),
    bind(&[key(KeyCode::Enter)], A::Submit, &[M::Typing], ["Enter", "keep", "keep what was typed; in a form, the next field"]),
    bind(&[key(KeyCode::Enter)], A::Submit, &[M::Starting], ["Enter", "start", "start the run as it is said here"]),
    bind(&[key(KeyCode::Enter)], A::Choose, &[M::TestCard], ["Enter", "keep", "keep the set that looks right"]),
    bind(&[key(KeyCode::Esc)], A::Cancel, &[M::Typing, M::Confirm, M::Change], ["Esc", "drop", "drop what was typed"]),
    bind(&[key(KeyCode::Esc)], A::Cancel, &[M::Starting], ["Esc", "do not start", "start nothing"]),
    bind(&[key(KeyCode::Tab), key(KeyCode::Down)], A::NextField, &[M::Typing, M::Starting], ["Tab", "next field", "next field"]),
    bind(&[key(KeyCode::BackTab), key(KeyCode::Up)], A::PreviousField, &[M::Typing, M::Starting], ["", "", ""]),
    bind(&[key(KeyCode::Tab)], A::NextStep, STEPS, ["Tab", "next step", "next step; Shift-Tab goes back. A run goes on meanwhile"]),
    bind(&[key(KeyCode::BackTab)], A::PreviousStep, STEPS, ["", "", ""]),
    // Behind the way on, which must be seen at 80 columns.
    bind(&[letter('d')], A::Bench(B::Distance), BENCH, ["d", "distance", "check the encoder over a measured distance of 500 mm or more"]),
    bind(
        &[letter('f')],
        A::Prove,
        BENCH,
        [
            "f",
            "",
            "prove the stream's profile on its device: blocks, the probe lifted, a measured distance; kept with the profile, named in the report",
        ],
    ),
    bind(&[letter('l')], A::Bench(B::Live), BENCH, ["l", "live", "open or close the probe's stream"]),
    bind(&[letter('n')], A::Note, BENCH, ["n", "note", "write a note"]),
    bind(
        &[letter('e')],
        A::EditSetup,
        &[M::Calibrate],
        ["e", "edit", "type velocity, zero and gate; kept beside the earlier set-ups with your name"],
    ),
    bind(&[letter('t')], A::NextTheme, STEPS, ["t", "", "colours: dark, light, sunlight, mono"]),
    bind(&[letter('g')], A::NextGlyphs, STEPS, ["g", "", "characters for drawing: braille, half blocks, ASCII"]),
    bind(&[letter('g')], A::NextGlyphs, &[M::TestCard], ["g", "", "characters for drawing: braille, half blocks, ASCII"]),
    bind(&[letter('G')], A::TestCard, STEPS, ["G", "", "the test card: see which characters your font has"]),
    bind(&[letter('u')], A::ToggleUnit, STEPS, ["u", "", "millimetres or inches; what is stored does not change"]),
    bind(&[letter('B')], A::ToggleBell, STEPS, ["B", "", "the bell of alarms on or off: once for WATCH, three times for THIN"]),
    bind(&[control('l')], A::Redraw, STEPS, ["^L", "", "draw the whole screen again"]),
    bind(&[letter('q'), control('c')], A::Quit, STEPS, ["q", "quit", "leave; asks first while a run is going"]),
    bind(&[letter('L'), key(KeyCode::F(2))], A::WhatIsLeft, ROOMY, ["L", "left", LEFT_HELP]),
    bind(&[letter('L'), key(KeyCode::F(2))], A::WhatIsLeft, FULL, ["L", "", LEFT_HELP]),
    bind(&[key(KeyCode::F(2))], A::WhatIsLeft, TEXT, ["F2", "left", LEFT_HELP]),
    bind(&[letter('x')], A::Swap, &[M::Prepare], ["x", "swap", "a part was replaced: the calibration with the old one no longer holds"]),
    bind(&[letter('A')], A::Amend, &[M::Runs], ["A", "amend", AMEND_HELP]),
    bind(&[control('c')], A::Cancel, &[M::Typing, M::Starting, M::Confirm, M::Change], ["", "", ""]),
    bind(&[control('c')], A::Back, &[M::Revision, M::Planning, M::WhatIf, M::Help, M::Origin, M::TestCard], ["", "", ""]),
    bind(&[letter('?'), key(KeyCode::F(1))], A::Help, STEPS, ["?", "help", "this page"]),
    bind(&[letter('?'), key(KeyCode::F(1))], A::Help, FORM, ["?", "help", "this page"]),
    bind(&[letter('?'), letter('q')], A::Back, &[M::Revision, M::Help, M::Origin], ["", "", ""]),
    bind(&[letter('i')], A::Back, &[M::Origin], ["", "", ""]),
];
