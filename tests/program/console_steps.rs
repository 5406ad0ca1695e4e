//! What keys and events do to the state, and what they ask to be done.

use crate::console::bench;

use crate::console::fixture::*;
use backwall::console::state::{App, Effect, Event, Question};
use backwall::console::update::update;
use backwall::console::{Step, keys::KeyMode};
use backwall::live::bench::{Bench, BenchCommand, BenchView, BlockPiece, Hold};
use backwall::live::{Begin, Phase, RunCommand, verdict};
use backwall_simulate::{Crawler, StreamEnd};
use backwall_store::{MarkKind, RunState};
use backwall_survey::job::checklist::{AnswerValue, ItemState, Valid};
use backwall_survey::reading::Record;
use backwall_survey::travel::Direction;
use backwall_ultrasound::{Coating, finds_path};
use backwall_units::{Length, Temperature};
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use std::sync::Arc;

fn press(app: &mut App, c: char) -> Vec<Effect> {
    update(app, letter(c))
}
fn enter(app: &mut App) -> Vec<Effect> {
    update(app, key(KeyCode::Enter))
}

#[test]
fn the_checklist_goes_from_item_to_item_and_keeps_every_answer() {
    let mut app = app(Step::Checklist, contents());
    // The permit is answered; the first open item is the tether.
    assert_eq!((app.item, app.mode()), (1, KeyMode::CheckConfirm));
    let effects = press(&mut app, 'y');
    assert!(matches!(&effects[..], [Effect::Answer(answer), Effect::Reload] if answer.item == "tether" && answer.by.name == "R. Aldane"));
    assert_eq!((app.item, app.mode()), (2, KeyMode::CheckField));
    // A digit starts the answer; a word instead of a number is refused under the field.
    press(&mut app, '1');
    type_in(&mut app, "2,x");
    assert!(enter(&mut app).is_empty());
    let error = app.prompt.as_ref().unwrap().form.fields[0].error.clone().unwrap();
    assert!(error.contains("'12,x' is not a number"), "{error}");
    for _ in 0..2 {
        update(&mut app, key(KeyCode::Backspace));
    }
    // 12 m/s is over the limit: kept, named, and the cursor stays.
    let effects = enter(&mut app);
    assert!(matches!(&effects[0], Effect::Answer(answer) if answer.value == AnswerValue::Number(12.0)));
    assert_eq!(app.item, 2);
    let words = app.message.as_ref().unwrap().text.clone();
    assert!(words.contains("12 m/s is over the limit of 10.3 m/s"), "{words}");
    press(&mut app, '8');
    enter(&mut app);
    let winds: Vec<_> = app.contents.answers.iter().filter(|answer| answer.item == "wind").map(|answer| answer.value.clone()).collect();
    assert_eq!(winds, [AnswerValue::Number(12.0), AnswerValue::Number(8.0)]);
    // A choice that stops the job, then the right one.
    assert_eq!((app.item, app.mode()), (3, KeyMode::CheckChoice));
    update(&mut app, key(KeyCode::Down));
    enter(&mut app);
    let item = app.contents.checklist.items[3].clone();
    assert!(matches!(app.state_of(&item), ItemState::Failed(_)));
    update(&mut app, key(KeyCode::Up));
    enter(&mut app);
    assert_eq!(app.obstacles(), ["the checklist is not signed"]);
    // Signing asks for name and certificate, and signs the answers given.
    press(&mut app, 's');
    assert_eq!(app.prompt.as_ref().unwrap().form.value("name"), "R. Aldane");
    enter(&mut app);
    let effects = enter(&mut app);
    assert!(matches!(&effects[0], Effect::Sign(signature) if signature.answers == 6 && signature.by.certificate == "UT 2, no. 00417"));
    assert!(app.obstacles().is_empty());
}

#[test]
fn a_signature_without_a_certificate_is_refused_under_its_field() {
    let mut app = app(Step::Checklist, ready());
    app.operator.certificate.clear();
    press(&mut app, 's');
    enter(&mut app);
    assert!(enter(&mut app).is_empty());
    let form = &app.prompt.as_ref().unwrap().form;
    assert!(form.focus == 1 && form.fields[1].error.is_some());
}

#[test]
fn an_answer_without_a_name_asks_who_answers() {
    let mut job = contents();
    job.plan.people.clear();
    let mut app = app(Step::Checklist, job);
    assert!(press(&mut app, 'y').is_empty());
    type_in(&mut app, "S. Orrin");
    enter(&mut app);
    type_in(&mut app, "UT 2");
    enter(&mut app);
    assert!(matches!(&press(&mut app, 'y')[0], Effect::Answer(answer) if answer.by.name == "S. Orrin"));
}

#[test]
fn a_text_begins_with_its_first_letter_and_no_letter_opens_the_signature() {
    let mut app = app(Step::Checklist, contents());
    update(&mut app, key(KeyCode::Home));
    assert_eq!((app.item, app.mode()), (0, KeyMode::CheckText));
    type_in(&mut app, "s. q 7");
    assert_eq!(app.prompt.as_ref().unwrap().form.value("answer"), "s. q 7");
    let effects = enter(&mut app);
    assert!(matches!(&effects[0], Effect::Answer(answer) if answer.value == AnswerValue::Text("s. q 7".into())), "{effects:?}");
    // On a number a letter begins nothing, and on any other item s only goes to where one signs.
    app.item = 2;
    press(&mut app, 's');
    assert!(app.prompt.is_none() && app.item == 2);
    press(&mut app, '.');
    assert!(app.prompt.is_some());
    update(&mut app, key(KeyCode::Esc));
    app.item = 3;
    press(&mut app, 's');
    assert!(app.prompt.is_none() && (app.item, app.mode()) == (4, KeyMode::CheckSign));
}

#[test]
fn nothing_is_signed_while_a_hold_point_is_open() {
    let mut app = app(Step::Checklist, contents());
    update(&mut app, key(KeyCode::End));
    assert!(text(&app, 80, 24).contains("NOT YET: 2 things"), "{}", text(&app, 80, 24));
    press(&mut app, 's');
    assert!(app.prompt.is_none());
    let words = app.message.as_ref().unwrap().text.clone();
    assert!(words.contains("NOT SIGNED: Fall arrest line") && words.contains("1 more"), "{words}");
}

/// A job whose wind holds for an hour, answered an hour before NOW.
fn windy() -> backwall_store::JobContents {
    let mut job = ready();
    job.checklist.items[2].valid = Valid::Hours(1.5);
    job
}

#[test]
fn the_clock_moved_by_ninety_days_stops_scanning() {
    let mut app = app(Step::Scan, windy());
    press(&mut app, 's');
    assert_eq!(enter(&mut app).len(), 1);
    update(&mut app, Event::Clock(NOW + 90 * 86_400_000_000));
    assert!(press(&mut app, 's').is_empty());
    let words = app.message.as_ref().unwrap().text.clone();
    assert!(words.contains("NOT STARTED: Wind at height: ran out, answer again (answered 90 days ago, holds for 1.5 h)"), "{words}");
    // Kit due in the meantime, and the verification, which holds for four hours.
    let all = app.in_the_way().join("; ");
    for words in ["probe DW-118 is out of date", "block SB-4 is out of date", "the calibration was verified 90 days ago"] {
        assert!(all.contains(words), "{all}");
    }
    assert!(!all.contains("R. Aldane"), "his certificate runs to 2027: {all}");
    update(&mut app, Event::Clock(NOW + 500 * 86_400_000_000));
    assert!(app.in_the_way().contains(&"R. Aldane's certificate is out of date".to_owned()));
    press(&mut app, 'o');
    assert!(app.prompt.is_some(), "an override with name and reason goes on");
}

#[test]
fn what_runs_out_next_is_counted_down_on_the_top_line() {
    let mut app = app(Step::Scan, windy());
    let top = |app: &App| text(app, 80, 24).lines().next().unwrap().to_owned();
    assert!(top(&app).contains("wind due 30 min"), "{}", top(&app));
    update(&mut app, Event::Clock(NOW + 29 * 60_000_000));
    assert!(top(&app).contains("wind due 1 min"), "{}", top(&app));
    update(&mut app, Event::Clock(NOW + 30 * 60_000_000));
    assert!(top(&app).contains("DUE wind"), "{}", top(&app));
    update(&mut app, Event::Clock(NOW + 181 * 60_000_000));
    assert!(top(&app).contains("DUE wind +1"), "the verification as well: {}", top(&app));
    // In the review of stored runs nothing is due.
    app.step = Step::Review;
    assert!(!top(&app).contains("DUE"), "{}", top(&app));
}

#[test]
fn what_runs_out_during_a_run_rings_once_says_what_and_stops_nothing() {
    let mut app = scanning(Direction::Up);
    // Answered an hour before; it holds for a second longer.
    app.contents.checklist.items[2].valid = Valid::Hours(3601.0 / 3600.0);
    app.scan.as_ref().unwrap().wall.lock().unwrap().acknowledge(2);
    let top = |app: &App| text(app, 80, 24).lines().next().unwrap().to_owned();
    assert!(top(&app).contains("wind due 0 min"), "{}", top(&app));
    app.say(backwall::console::theme::Role::Plain, "note kept");
    assert_eq!(update(&mut app, Event::Clock(NOW + 1_000_000)), [Effect::Bell(1)]);
    let screen = text(&app, 80, 24);
    assert!(screen.contains("DUE NOW: wind.") && top(&app).contains("REC") && top(&app).contains("DUE wind"), "{screen}");
    assert!(update(&mut app, Event::Clock(NOW + 2_000_000)).is_empty() && app.mode() == KeyMode::Scanning);
}

#[test]
fn an_override_needs_a_second_name_where_the_plan_says_so() {
    let mut job = contents();
    job.plan.job.override_needs_second_name = true;
    let mut app = app(Step::Scan, job);
    press(&mut app, 'o');
    type_in(&mut app, "no wind gauge");
    enter(&mut app);
    type_in(&mut app, "r. aldane");
    for _ in 0..3 {
        assert!(enter(&mut app).is_empty());
    }
    let error = app.prompt.as_ref().unwrap().form.fields[1].error.clone().unwrap();
    assert!(error.contains("somebody else"), "{error}");
    app.prompt.as_mut().unwrap().form.fields[1].input = "M. Thole".to_owned().into();
    let mut effects = Vec::new();
    while effects.is_empty() && app.prompt.is_some() {
        effects = enter(&mut app);
    }
    let Effect::StartScan(Begin { against: Some(against), .. }) = &effects[0] else { panic!("{effects:?}") };
    assert_eq!(against.words(), "no wind gauge (second name: M. Thole)");
}

#[test]
fn the_second_person_is_not_who_answers() {
    let mut job = contents();
    job.checklist.items[0].second_person = true;
    let mut app = app(Step::Checklist, job);
    app.item = 0;
    type_in(&mut app, "R Aldane");
    enter(&mut app);
    assert!(app.message.is_none(), "another spelling is another name");
    app.item = 0;
    type_in(&mut app, "r. ALDANE");
    enter(&mut app);
    assert!(app.message.as_ref().unwrap().text.contains("cannot be the second person"));
}

#[test]
fn what_was_agreed_for_a_thin_spot_is_shown_at_its_alarm_and_the_caution_before_a_run() {
    let mut app = scanning(Direction::Up);
    app.contents.checklist.items[0].at_thin = true;
    assert!(text(&app, 80, 24).contains("AGREED: P-2207"), "{}", text(&app, 80, 24));
    app.scan.as_ref().unwrap().wall.lock().unwrap().acknowledge(2);
    assert!(!text(&app, 80, 24).contains("AGREED"));
    let ready = crate::console::fixture::app(Step::Scan, ready());
    assert!(text(&ready, 80, 24).contains("CAUTION: Nobody stands under the crawler."));
}

#[test]
fn a_run_starts_only_when_nothing_stands_against_it_or_with_a_reason() {
    let mut ready = app(Step::Scan, ready());
    assert!(press(&mut ready, 's').is_empty(), "it is asked first");
    assert_eq!(enter(&mut ready), [Effect::StartScan(Begin::on("C2"))]);
    let mut app = app(Step::Scan, contents());
    assert!(press(&mut app, 's').is_empty());
    assert!(app.message.as_ref().unwrap().text.contains("NOT STARTED"));
    press(&mut app, 'o');
    // Without a reason it does not go on.
    for _ in 0..3 {
        assert!(enter(&mut app).is_empty());
    }
    assert!(app.prompt.as_ref().unwrap().form.fields[0].error.is_some());
    type_in(&mut app, "no wind gauge");
    enter(&mut app);
    enter(&mut app);
    assert!(enter(&mut app).is_empty() && text(&app, 80, 24).contains("OVERRIDE: no wind gauge"), "{}", text(&app, 80, 24));
    let effects = enter(&mut app);
    // The reason goes with the start, and with nothing else: it is stored once.
    let [Effect::StartScan(Begin { line, against: Some(against), .. }), Effect::Reload] = &effects[..] else { panic!("{effects:?}") };
    assert_eq!((line.as_str(), against.reason.as_str(), against.by.name.as_str()), ("A090", "no wind gauge", "R. Aldane"));
}

#[test]
fn marks_and_notes_stop_nothing() {
    let mut app = scanning(Direction::Up);
    let mark = |kind| Effect::Command(RunCommand::Mark { kind, text: String::new() });
    assert_eq!(press(&mut app, '2'), [mark(MarkKind::Nozzle)]);
    // The mark is set; words may follow. Without any the next mark is one key away, and Esc or Enter goes on.
    assert_eq!(press(&mut app, '1'), [mark(MarkKind::Seam)]);
    assert!(enter(&mut app).is_empty() && app.mode() == KeyMode::Scanning);
    press(&mut app, '3');
    type_in(&mut app, "bracket 2");
    assert_eq!(enter(&mut app), [Effect::Command(RunCommand::MarkText("bracket 2".into()))]);
    let begun = app.scan.as_ref().unwrap().view.reading.as_ref().unwrap().place.along;
    press(&mut app, 'n');
    type_in(&mut app, "e1 q");
    // While a note is typed, readings go on.
    change(&mut app, |view| view.reading = Some(reading(4400.0)));
    assert_eq!(app.scan.as_ref().unwrap().view.reading.as_ref().unwrap().place.along, Some(Length::mm(4400.0)));
    assert_eq!(enter(&mut app), [Effect::Command(RunCommand::Note { text: "e1 q".into(), begun })]);
    assert_eq!(app.mode(), KeyMode::Scanning);
}

#[test]
fn ending_a_run_asks_first_and_a_no_goes_on() {
    let mut app = scanning(Direction::Up);
    assert!(press(&mut app, 'e').is_empty());
    assert_eq!((app.mode(), app.question), (KeyMode::Confirm, Some(Question::EndRun)));
    assert!(press(&mut app, 'n').is_empty() && app.mode() == KeyMode::Scanning);
    press(&mut app, 'e');
    assert_eq!(press(&mut app, 'y'), [Effect::Command(RunCommand::End)]);
}

#[test]
fn after_a_run_its_line_stays_chosen() {
    let mut app = scanning(Direction::Up);
    assert_eq!(app.contents.plan.lines[app.line].name, "A090");
    change(&mut app, |view| view.phase = Phase::Ended(Box::new(summary(3, "A090", RunState::Closed))));
    assert!(press(&mut app, 's').is_empty());
    update(&mut app, key(KeyCode::Esc));
    assert_eq!((app.mode(), app.contents.plan.lines[app.line].name.as_str()), (KeyMode::Ready, "A090"));
    // Or the run just made is looked at.
    let mut app = scanning(Direction::Up);
    change(&mut app, |view| view.phase = Phase::Ended(Box::new(summary(3, "A090", RunState::Closed))));
    assert_eq!(enter(&mut app), [Effect::Reload, Effect::OpenRun(3)]);
    assert_eq!(app.step, Step::Review);
}

#[test]
fn leaving_during_a_run_ends_it_and_leaves_when_it_is_closed() {
    let mut app = scanning(Direction::Up);
    assert!(press(&mut app, 'q').is_empty());
    assert_eq!(press(&mut app, 'y'), [Effect::Command(RunCommand::End)]);
    let mut view = (*app.scan.as_ref().unwrap().view).clone();
    view.phase = Phase::Ending;
    assert!(update(&mut app, Event::Live(view.clone().into(), NOW)).is_empty());
    view.phase = Phase::Ended(Box::new(summary(3, "A090", RunState::Closed)));
    assert_eq!(update(&mut app, Event::Live(view.into(), NOW)), [Effect::Reload, Effect::Quit]);
}

#[test]
fn releases_and_held_keys_do_nothing_twice() {
    let mut app = scanning(Direction::Up);
    let event = |kind| Event::Key(KeyEvent { kind, ..KeyEvent::new(KeyCode::Char('f'), KeyModifiers::NONE) });
    update(&mut app, event(KeyEventKind::Press));
    update(&mut app, event(KeyEventKind::Repeat));
    update(&mut app, event(KeyEventKind::Release));
    assert!(app.scan.as_ref().unwrap().frozen.is_some());
    press(&mut app, 'n');
    let typed = |kind| Event::Key(KeyEvent { kind, ..KeyEvent::new(KeyCode::Char('x'), KeyModifiers::NONE) });
    for kind in [KeyEventKind::Press, KeyEventKind::Release] {
        update(&mut app, typed(kind));
    }
    assert_eq!(app.prompt.as_ref().unwrap().form.value("note"), "x");
}

#[test]
fn a_frozen_waveform_stays_while_readings_go_on() {
    let mut app = scanning(Direction::Up);
    press(&mut app, 'f');
    change(&mut app, |view| {
        view.reading = Some(reading(4400.0));
        view.waveform = None;
    });
    let screen = text(&app, 80, 24);
    assert!(screen.contains("FROZEN at 4.350 m") && screen.contains("4.400 m course 2"), "{screen}");
    press(&mut app, 'f');
    assert!(app.scan.as_ref().unwrap().frozen.is_none());
}

#[test]
fn looking_back_stays_put_while_the_crawler_goes_on_and_home_returns() {
    let mut app = scanning(Direction::Up);
    for _ in 0..30 {
        update(&mut app, key(KeyCode::Down));
    }
    change(&mut app, |view| view.reading = Some(reading(4500.0)));
    let screen = text(&app, 80, 24);
    assert!(screen.contains("LOOKING BACK at 2.850 m") && screen.contains(" 2.40 "), "{screen}");
    update(&mut app, key(KeyCode::Home));
    assert!(!text(&app, 80, 24).contains("LOOKING BACK"));
}

#[test]
fn the_alarm_stays_until_it_is_acknowledged() {
    let mut app = scanning(Direction::Up);
    assert_eq!(press(&mut app, 'a'), [Effect::Command(RunCommand::Acknowledge(2))]);
    // Sent is not done: only the run itself takes it off the screen.
    assert!(text(&app, 80, 24).contains("THIN at 4.052 m"));
    app.scan.as_ref().unwrap().wall.lock().unwrap().acknowledge(2);
    assert!(!text(&app, 80, 24).contains("THIN at 4.052 m"));
}

#[test]
fn a_new_alarm_rings_once() {
    let mut app = scanning(Direction::Up);
    let mut view = (*app.scan.as_ref().unwrap().view).clone();
    view.bells += 1;
    assert_eq!(update(&mut app, Event::Live(view.clone().into(), NOW)), [Effect::Bell(1)]);
    assert!(update(&mut app, Event::Live(view.into(), NOW)).is_empty());
}

#[test]
fn a_set_up_is_typed_checked_and_signed() {
    let mut app = app(Step::Calibrate, contents());
    press(&mut app, 'e');
    let form = &mut app.prompt.as_mut().unwrap().form;
    form.fields[3].input = "1".to_owned().into();
    form.fields[4].input = "2".to_owned().into();
    for _ in 0..10 {
        enter(&mut app);
    }
    assert!(enter(&mut app).is_empty());
    let form = &mut app.prompt.as_mut().unwrap().form;
    assert!(form.fields[3].error.as_ref().unwrap().contains("the gate ends before the zero"));
    form.fields[3].input = "13".to_owned().into();
    form.fields[4].input = "7.5".to_owned().into();
    let mut effects = Vec::new();
    while effects.is_empty() && app.prompt.is_some() {
        effects = enter(&mut app);
    }
    let Effect::SetSetup { setup, by, .. } = &effects[0] else { panic!("{effects:?}") };
    assert_eq!((setup.gate.start.as_us(), setup.gate.length.as_us(), by.name.as_str()), (13.0, 7.5, "R. Aldane"));
    assert_eq!(setup.frequency, app.contents.plan.probe.frequency, "what is not on the form stays as it was");
}

#[test]
fn steps_are_walked_while_a_run_goes_on() {
    let mut app = scanning(Direction::Up);
    update(&mut app, key(KeyCode::Tab));
    assert_eq!((app.step, app.mode()), (Step::Review, KeyMode::Runs));
    assert!(text(&app, 80, 24).starts_with(" FP-0412 A090 up run 3 REC saved 4.340 m"));
    update(&mut app, key(KeyCode::BackTab));
    assert_eq!(app.mode(), KeyMode::Scanning);
}

#[test]
fn looks_are_switched_and_kept() {
    let mut app = app(Step::Prepare, contents());
    assert_eq!(press(&mut app, 't'), [Effect::SaveSettings]);
    assert_eq!(press(&mut app, 'g'), [Effect::SaveSettings]);
    press(&mut app, 'u');
    assert!(text(&app, 80, 24).contains("0.394"), "10 mm is 0.394 in");
}

#[test]
fn a_failure_is_told_in_words() {
    let mut app = app(Step::Prepare, contents());
    update(&mut app, Event::Failed("the answer was NOT kept: the disk\u{1b}[2J is full".into()));
    assert!(text(&app, 80, 24).contains("the answer was NOT kept: the disk·[2J is full"));
}

/// The Calibrate step with a bench in a given state.
fn at_the_bench(job: backwall_store::JobContents, bench: &Bench) -> App {
    let mut app = app(Step::Calibrate, job);
    update(&mut app, Event::BenchOpened(Arc::new(BenchView::default())));
    show(&mut app, bench);
    app
}

fn show(app: &mut App, bench: &Bench) -> Vec<Effect> {
    update(app, Event::Bench(Arc::new(bench.view.clone()), NOW))
}

#[test]
fn a_block_is_typed_held_until_steady_and_taken() {
    let mut app = app(Step::Calibrate, ready());
    // Typed before the stream is open: the stream is opened for it.
    press(&mut app, 'b');
    type_in(&mut app, "5.0");
    let mut effects = Vec::new();
    for _ in 0..3 {
        effects = enter(&mut app);
    }
    let expected = Hold::Block(BlockPiece { temperature: Some(Temperature::celsius(20.0)), ..bench::piece(5.0) });
    assert_eq!(effects, [Effect::OpenBench(None), Effect::Bench(BenchCommand::Hold(expected))]);
    let mut bench = bench::bench(bench::typed(app.contents.plan.typed_setup()));
    bench::put_on(&mut bench, Hold::Block(bench::piece(5.0)), 10);
    update(&mut app, Event::BenchOpened(Arc::new(BenchView::default())));
    assert!(show(&mut app, &bench).is_empty());
    assert_eq!(enter(&mut app), [Effect::Bench(BenchCommand::Take)]);
    // Ten shots are not enough.
    bench.command(BenchCommand::Take, NOW);
    show(&mut app, &bench);
    let words = &app.message.as_ref().unwrap().text;
    assert!(words.contains("NOT TAKEN") && words.contains("was not stable"), "{words}");
    assert!(bench.view.blocks.is_empty());
    // What came long ago is not what the probe stands on now.
    bench::put_on(&mut bench, Hold::Block(bench::piece(5.0)), 40);
    bench.command(BenchCommand::Take, NOW + 5_000_000);
    assert!(bench.view.blocks.is_empty() && bench.view.said.as_ref().unwrap().words.contains("no data"));
    bench.command(BenchCommand::Take, NOW);
    assert_eq!((bench.view.blocks.len(), bench.view.blocks[0].taken.shots.len()), (1, 32));
    assert!(bench.view.hold.is_none());
}

#[test]
fn a_verified_calibration_comes_into_force_and_a_failed_one_does_not() {
    let mut job = ready();
    job.setups[0].setup = bench::typed(job.plan.typed_setup());
    let mut bench = bench::bench(job.setups[0].setup.clone());
    bench::take(&mut bench, &[5.0, 20.0]);
    let mut app = at_the_bench(job, &bench);
    // Two blocks say what they cannot know.
    let fitted = bench.view.fitted().unwrap().clone();
    assert!(fitted.verdict.says.iter().any(|words| words.contains("NOT KNOWN")), "{:?}", fitted.verdict);
    assert!(!fitted.verdict.warns.iter().any(|words| words.contains("tyre's delay")), "{:?}", fitted.verdict);
    assert!(finds_path(Length::mm(2.5), 3) && !finds_path(Length::mm(2.5), 2) && !finds_path(Length::ZERO, 9));
    // On a wall 40 K warmer than the blocks the tyre's delay is warned about.
    let warm = verdict::of(&fitted.calibration, &app.setup(), Temperature::celsius(60.0));
    assert!(warm.warns.iter().any(|words| words.contains("+40.0 K from the blocks")), "{warm:?}");
    // 3 mm is read wrong by more than the tolerance asked for: the set-up before stands, and the job says so.
    let tight = |mm, tolerance| Hold::Verify { piece: bench::piece(mm), tolerance: Length::mm(tolerance) };
    bench::put_on(&mut bench, tight(3.0, 0.001), 40);
    bench.command(BenchCommand::Take, NOW);
    let effects = show(&mut app, &bench);
    assert!(
        matches!(&effects[..], [Effect::Note(note), Effect::Reload] if note.text.to_string().contains("NOT taken into force")),
        "{effects:?}"
    );
    // With the usual tolerance it passes and is stored with its verification.
    bench::put_on(&mut bench, tight(10.0, 0.1), 40);
    bench.command(BenchCommand::Take, NOW);
    let effects = show(&mut app, &bench);
    let [Effect::SetSetup { setup, origin, checks, .. }, Effect::Reload] = &effects[..] else { panic!("{effects:?}") };
    assert_eq!(setup.calibration.as_ref(), Some(&fitted.calibration));
    assert!(origin.to_string().contains("5.000 mm (SB-4), 20.000 mm (SB-4)"), "{origin}");
    assert!(checks.len() == 1 && checks[0].passed() && checks[0].block == "SB-4", "{checks:?}");
    // The same news again stores nothing twice.
    assert!(show(&mut app, &bench).is_empty());
}

#[test]
fn a_failed_verification_names_the_runs_it_makes_suspect() {
    let mut job = ready();
    job.setups[0].setup = bench::typed(job.plan.typed_setup());
    for run in &mut job.runs {
        run.start.setup_id = Some(1);
    }
    let mut bench = bench::bench(job.setups[0].setup.clone());
    let mut app = at_the_bench(job, &bench);
    // The probe stands on 10 mm, and the block is said to be 12.
    bench::put_on(&mut bench, Hold::Verify { piece: bench::piece(10.0), tolerance: Length::mm(0.1) }, 40);
    bench.command(BenchCommand::Hold(Hold::Verify { piece: bench::piece(12.0), tolerance: Length::mm(0.12) }), NOW);
    for record in bench::records(Crawler::on_block(&bench::wall(), Length::mm(10.0), StreamEnd::Shots(40)).unwrap()) {
        bench.record(record, NOW);
    }
    bench.command(BenchCommand::Take, NOW);
    let effects = show(&mut app, &bench);
    assert!(matches!(&effects[0], Effect::Check(check) if check.setup_id == 1 && !check.passed()), "{effects:?}");
    let words = &app.message.as_ref().unwrap().text;
    assert!(words.contains("FAILED") && words.contains("SUSPECT: runs 1 (A090), 2 (A090)"), "{words}");
    // No steady reading at all fails as well.
    bench.command(BenchCommand::Hold(Hold::Verify { piece: bench::piece(12.0), tolerance: Length::mm(0.12) }), NOW);
    bench.command(BenchCommand::GiveUp, NOW);
    let effects = show(&mut app, &bench);
    assert!(matches!(&effects[0], Effect::Check(check) if check.measured.is_none()), "{effects:?}");
}

#[test]
fn the_gate_is_moved_proposed_and_kept_as_a_new_set_up() {
    let mut job = ready();
    job.setups[0].setup = bench::typed(job.plan.typed_setup());
    let mut bench = bench::bench(job.setups[0].setup.clone());
    let mut app = at_the_bench(job, &bench);
    for (code, expected) in
        [(KeyCode::Right, (50.0, 0.0, 0.0)), (KeyCode::Char('>'), (50.0, 100.0, 0.0)), (KeyCode::Up, (50.0, 100.0, 1.0))]
    {
        let effects = update(&mut app, key(code));
        let [Effect::Bench(command @ BenchCommand::Gate(_))] = &effects[..] else { panic!("{effects:?}") };
        bench.command(command.clone(), NOW);
        show(&mut app, &bench);
        let (gate, old) = (bench.view.setup.as_ref().unwrap().gate, app.setup().gate);
        let moved = ((gate.start - old.start).as_ns(), (gate.length - old.length).as_ns(), gate.threshold_pct - old.threshold_pct);
        let off = [moved.0 - expected.0, moved.1 - expected.1, moved.2 - expected.2];
        assert!(off.iter().all(|off| off.abs() < 1e-6), "{moved:?}");
    }
    let effects = press(&mut app, 'k');
    let [Effect::SetSetup { setup, origin, .. }, Effect::Reload] = &effects[..] else { panic!("{effects:?}") };
    assert_eq!((setup.gate.threshold_pct, origin.to_string()), (3.0, "gate set on the live waveform".to_owned()));
    // p takes back what the hand did, and says what it sets and why.
    assert_eq!(press(&mut app, 'p'), [Effect::Bench(BenchCommand::Propose)]);
    bench.command(BenchCommand::Propose, NOW);
    show(&mut app, &bench);
    assert_eq!(bench.view.setup.as_ref().unwrap().gate.threshold_pct, 2.0);
    let words = &app.message.as_ref().unwrap().text;
    assert!(words.contains("since the plan gives none: gate ") && words.contains("threshold 2.0 %"), "{words}");
}

#[test]
fn an_encoder_is_checked_between_two_marks_and_refused_when_it_is_off() {
    let mut bench = bench::bench(app(Step::Calibrate, ready()).setup());
    let mut app = at_the_bench(ready(), &bench);
    press(&mut app, 'd');
    type_in(&mut app, "400");
    assert!(enter(&mut app).is_empty(), "400 mm is too short");
    for _ in 0..3 {
        update(&mut app, key(KeyCode::Backspace));
    }
    type_in(&mut app, "1000");
    let hold = Hold::Encoder { distance: Length::mm(1000.0) };
    assert_eq!(enter(&mut app), [Effect::Bench(BenchCommand::Hold(hold.clone()))]);
    let shot = |encoder| {
        let gauge = backwall_survey::reading::Gauge {
            seq: 1,
            device_time_us: None,
            encoder: Some(encoder),
            across: None,
            value: backwall_survey::reading::GaugeValue::Thickness(None),
        };
        Record::Gauge(gauge)
    };
    for (counts, accepted) in [(40_100, true), (40_500, false), (-40_000, false)] {
        bench.command(BenchCommand::Hold(hold.clone()), NOW);
        // Past the end of a 32-bit count, as a long day brings it there.
        bench.record(shot(i32::MAX - 10), NOW);
        bench.command(BenchCommand::Take, NOW);
        bench.record(shot((i32::MAX - 10).wrapping_add(counts)), NOW);
        bench.command(BenchCommand::Take, NOW);
        let effects = show(&mut app, &bench);
        assert!(matches!(&effects[0], Effect::EncoderCheck(check, _) if check.counts == i64::from(counts)), "{effects:?}");
        let words = &app.message.as_ref().unwrap().text;
        assert!(words.contains(if accepted { "accepted" } else { "REFUSED" }), "{words}");
    }
}

#[test]
fn a_return_to_the_start_is_told_and_may_end_the_run() {
    let mut app = scanning(Direction::Up);
    change(&mut app, |view| view.reading = Some(reading(2.0)));
    assert_eq!(press(&mut app, 'd'), [Effect::Command(RunCommand::AtDatum)]);
    let words = app.message.as_ref().unwrap().text.clone();
    assert!(words.contains("misclosure +2.0 mm of 8700 mm there and back (+0.02 %)"), "{words}");
    press(&mut app, 'e');
    assert_eq!(press(&mut app, 'd'), [Effect::Command(RunCommand::AtDatum), Effect::Command(RunCommand::End)]);
    // A stream without an encoder has no place to be off.
    change(&mut app, |view| view.reading.as_mut().unwrap().place.along = None);
    assert!(press(&mut app, 'd').is_empty() && app.message.as_ref().unwrap().text.contains("no encoder counts"));
}

#[test]
fn an_old_waveform_at_the_bench_is_called_old() {
    let bench = bench::bench(app(Step::Calibrate, ready()).setup());
    let mut app = at_the_bench(ready(), &bench);
    let mut view = bench.view.clone();
    view.link.last_byte_us = Some(NOW);
    update(&mut app, Event::Bench(Arc::new(view), NOW));
    assert!(!text(&app, 80, 24).contains("NOTHING COMES"));
    update(&mut app, Event::Clock(NOW + 5_000_000));
    assert!(text(&app, 80, 24).contains("NO DATA from the probe for 5 s"));
}

#[test]
fn a_coating_is_told_beside_the_wall() {
    let mut app = scanning(Direction::Up);
    assert!(!text(&app, 80, 24).contains("coating"));
    let coating = Coating { thickness: Length::mm(0.312), uncertainty: Length::mm(0.02) };
    change(&mut app, |view| view.reading.as_mut().unwrap().measurement.coating = Some(coating));
    assert!(text(&app, 80, 24).contains("quality good, coating 0.31 ±0.04 mm"), "{}", text(&app, 80, 24));
}

/// The bench and the command line store the same words for the same blocks.
#[test]
fn a_set_up_says_which_blocks_it_was_measured_on() {
    use backwall::live::verdict::origin;
    let blocks = [(Length::mm(5.0), "SB-22"), (Length::mm(15.0), "SB-22")];
    assert_eq!(origin(blocks, true).to_string(), "measured on 2 blocks: 5.000 mm (SB-22), 15.000 mm (SB-22)");
    assert_eq!(origin([(Length::mm(5.0), "")], false).to_string(), "measured on 1 block: 5.000 mm, not verified");
}
