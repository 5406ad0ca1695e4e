//! What is typed: answers, signatures, notes, reasons, a set-up. Nothing typed stops anything.

use super::super::Step;
use super::super::form::{Form, FormField};
use super::super::keys::Action;
use super::super::state::{App, Effect, Prompt, Purpose, ShownRun};
use super::super::theme::Role;
use super::{hand, noted, prove, send};
use crate::live::RunCommand;
use backwall_store::{Adoption, Note};
use backwall_survey::job::checklist::{Answer, AnswerValue, FilledBy, Item, ItemKind, ItemState, Signature, Signed};
use backwall_survey::job::overriding::Override;
use backwall_ultrasound::{Gate, Mode, Picker, Setup};
use backwall_units::{Length, Temperature, Time, Velocity};

pub fn typing(app: &mut App, action: Action) -> Vec<Effect> {
    if action == Action::Cancel {
        let given_up = app.prompt.take().is_some_and(|prompt| matches!(prompt.purpose, Purpose::Prove));
        app.question = None;
        app.change = None;
        return if given_up { prove::cancelled(app) } else { Vec::new() };
    }
    let Some(prompt) = &mut app.prompt else {
        return Vec::new();
    };
    match action {
        Action::NextField => prompt.form.go(true),
        Action::PreviousField => prompt.form.go(false),
        _ if !prompt.form.on_last() && !matches!(prompt.purpose, Purpose::Start { .. } | Purpose::Place) => prompt.form.go(true),
        _ if prompt.form.validate() => {
            // Taken out while it is worked on; put back by whoever refuses it.
            if let Some(prompt) = app.prompt.take() {
                return submit(app, prompt);
            }
        }
        _ => {}
    }
    Vec::new()
}

pub(super) fn ask(app: &mut App, title: impl Into<String>, purpose: Purpose, fields: Vec<FormField>) -> Vec<Effect> {
    app.prompt = Some(Prompt { title: title.into(), about: Vec::new(), purpose, form: Form::new(fields) });
    Vec::new()
}

pub(super) fn who(app: &App) -> Vec<FormField> {
    vec![
        FormField::text("name", "name", &app.operator.name, true),
        FormField::text("certificate", "certificate", &app.operator.certificate, true),
    ]
}

/// Answers carry a name: asks for it once if there is none.
pub(super) fn unknown_operator(app: &mut App) -> bool {
    let unknown = app.operator.name.trim().is_empty();
    if unknown {
        let fields = who(app);
        ask(app, "Who is answering? Answers carry a name.", Purpose::Identify, fields);
    }
    unknown
}

fn current(app: &App) -> Option<Item> {
    app.contents.checklist.items.get(app.item).cloned()
}

pub fn take_item(app: &mut App) -> Vec<Effect> {
    match current(app).map(|item| (item.kind.clone(), item)) {
        Some((ItemKind::Choice { choices, .. }, item)) => match choices.get(app.choice) {
            Some(choice) => give(app, &item, AnswerValue::Choice(choice.clone()), String::new()),
            None => Vec::new(),
        },
        Some(_) => ask_answer(app),
        None => ask_sign(app),
    }
}

/// Behind the last item, where the checklist is signed.
pub fn to_sign(app: &mut App) -> Vec<Effect> {
    app.item = app.contents.checklist.items.len();
    Vec::new()
}

/// Says so where an item is not asked.
fn is_filled(app: &mut App, item: &Item) -> bool {
    let words = match item.filled_by {
        Some(FilledBy::EncoderCheck) => "this is filled by the check of the encoder: Calibrate, d",
        Some(FilledBy::Kit) => "this is filled from the dates of the plan's kit",
        None => return false,
    };
    app.say(Role::Plain, words);
    true
}

pub fn confirm_item(app: &mut App, yes: bool) -> Vec<Effect> {
    match current(app) {
        Some(item) => give(app, &item, AnswerValue::Confirmed(yes), String::new()),
        None => Vec::new(),
    }
}

pub fn ask_answer(app: &mut App) -> Vec<Effect> {
    if unknown_operator(app) {
        return Vec::new();
    }
    let Some(item) = current(app).filter(|item| !is_filled(app, item)) else {
        return Vec::new();
    };
    let label = match &item.kind {
        ItemKind::Number { unit, .. } => format!("answer in {unit}"),
        _ => "answer".to_owned(),
    };
    let field = FormField::text("answer", &label, "", true);
    ask(app, item.asked(app.look.unit), Purpose::Answer { item: item.id }, vec![field])
}

/// Keeps an answer and goes on to the next open item; a failed one stays in sight.
fn give(app: &mut App, item: &Item, value: AnswerValue, note: String) -> Vec<Effect> {
    if unknown_operator(app) {
        return Vec::new();
    }
    if is_filled(app, item) {
        return Vec::new();
    }
    let answer = Answer { item: item.id.clone(), value, note, by: app.signed() };
    let failed = match app.contents.checklist.judge(item, &answer, &app.contents.answers, &app.conditions()) {
        ItemState::Failed(why) => Some(why),
        _ => None,
    };
    // Known here at once; the reload after it brings what was really stored.
    app.contents.answers.push(answer.clone());
    match failed {
        Some(why) => app.say(Role::Error, format!("this stops the job: {why}. Correct it and answer again, or comment with c")),
        None => {
            app.choice = 0;
            match app.next_open_item(app.item + 1) {
                Some(next) => app.item = next,
                None => {
                    app.item = app.contents.checklist.items.len();
                    app.say(Role::Plain, "every item is answered: s signs");
                }
            }
        }
    }
    vec![Effect::Answer(answer), Effect::Reload]
}

pub fn ask_comment(app: &mut App) -> Vec<Effect> {
    let Some(item) = current(app) else {
        return Vec::new();
    };
    match app.contents.checklist.answer(&item, &app.contents.answers).map(|answer| answer.value.clone()) {
        Some(value) => {
            let field = FormField::text("note", "comment", "", true);
            ask(app, item.asked(app.look.unit), Purpose::Comment { item: item.id, value }, vec![field])
        }
        None => {
            app.say(Role::Error, "answer the item first; a comment goes with an answer");
            Vec::new()
        }
    }
}

/// Asks for the signature; from elsewhere in the list it only goes to where one signs.
pub fn ask_sign(app: &mut App) -> Vec<Effect> {
    if app.item < app.contents.checklist.items.len() {
        return to_sign(app);
    }
    if app.contents.answers.is_empty() {
        app.say(Role::Error, "there is nothing to sign yet: answer the items first");
        return Vec::new();
    }
    let open = app.contents.checklist.unanswered(&app.contents.answers, &app.conditions());
    if !open.is_empty() {
        app.say(Role::Error, format!("NOT SIGNED: {}", super::steps::what_stops(&open)));
        app.item = app.next_open_item(0).unwrap_or(app.item);
        return Vec::new();
    }
    let fields = who(app);
    let list = &app.contents.checklist;
    // An item that was answered again is one answer.
    let answered = list.items.iter().filter(|item| list.answer(item, &app.contents.answers).is_some()).count();
    let title = format!("Sign {}. A later answer makes the signature stale.", backwall_report::words::count(answered as u64, "answer"));
    ask(app, title, Purpose::Sign, fields)
}

pub fn ask_note(app: &mut App) -> Vec<Effect> {
    if app.step == Step::Review && app.review.walked.is_some() && app.scan.as_ref().is_none_or(ShownRun::is_over) {
        return hand::ask_later(app, None);
    }
    let begun = app.scan.as_ref().filter(|scan| !scan.is_over()).and_then(|scan| scan.view.reading.as_ref()?.place.along);
    let title = match begun {
        Some(along) => format!("note at {} {}", app.look.unit.place(along), app.look.unit.place_symbol()),
        None => "note".to_owned(),
    };
    ask(app, title, Purpose::Note { begun }, vec![FormField::text("note", "note", "", true)])
}

/// The mark is set; words for it may follow or not.
pub fn ask_mark_text(app: &mut App, mark: String) {
    ask(app, format!("marked {mark}"), Purpose::MarkText, vec![FormField::text("text", "words", "", false)]);
}

pub fn ask_override(app: &mut App) -> Vec<Effect> {
    let Some(line) = app.contents.plan.lines.get(app.line).map(|line| line.name.clone()) else {
        return Vec::new();
    };
    if app.in_the_way().is_empty() {
        app.say(Role::Plain, "nothing stops scanning: s starts the run");
        return Vec::new();
    }
    let mut fields = vec![
        FormField::text("reason", "reason", "", true).hint("kept in the job file, shown on every screen of the run and in the report"),
    ];
    if app.contents.plan.job.override_needs_second_name {
        fields.push(FormField::text("second", "second name", "", true).hint("who else agreed to it; the plan asks for a second name"));
    }
    fields.extend(who(app));
    ask(app, format!("Scan {line} although it is not allowed"), Purpose::Override, fields)
}

pub fn ask_setup(app: &mut App) -> Vec<Effect> {
    let setup = app.setup();
    let words = |all: &[&dyn std::fmt::Display]| all.iter().map(ToString::to_string).collect::<Vec<_>>();
    let number = |key, label, unit, value: f64, min, max| FormField::number(key, label, unit, (value * 1e6).round() / 1e6, min, max);
    let mut fields = vec![
        number("velocity", "velocity", "m/s", setup.velocity.as_m_s(), 500.0, 15000.0)
            .hint("an error of 1 % here is 1 % of every thickness"),
        number("zero", "zero", "ns", setup.zero.as_ns(), 0.0, 1e6)
            .hint("the time outside the wall: tyre there and back, cable, electronics"),
        number("separation", "element separation", "mm", (setup.half_separation * 2.0).as_mm(), 0.0, 100.0)
            .hint("exit point to exit point; 0 for a single element"),
        number("start", "gate start", "us", setup.gate.start.as_us(), 0.0, 1000.0)
            .hint("after the tyre's own echoes, before the minimum wall"),
        number("length", "gate length", "us", setup.gate.length.as_us(), 0.01, 1000.0).hint("long enough for the thickest wall"),
        number("threshold", "gate threshold", "%", setup.gate.threshold_pct, 1.0, 100.0)
            .hint("percent of full screen height; 2 % loses nothing, a higher one loses weak walls and pits"),
        FormField::choice(
            "picker",
            "picker",
            &setup.picker.to_string(),
            words(&[&Picker::LeadingEdge, &Picker::Peak, &Picker::ZeroCrossing, &Picker::Matched]),
        )
        .hint("how the arrival of the echo is timed; calibrate again after a change"),
        FormField::choice("mode", "mode", &setup.mode.to_string(), words(&[&Mode::FirstEcho, &Mode::EchoToEcho]))
            .hint("echo to echo leaves paint out of the thickness"),
        number("temperature", "block temperature", "C", setup.block_temperature.as_celsius(), -60.0, 500.0)
            .hint("what velocity and zero were found at"),
    ];
    fields.extend(who(app));
    ask(app, "Set-up: kept beside the earlier ones, with your name", Purpose::Setup, fields)
}

fn submit(app: &mut App, prompt: Prompt) -> Vec<Effect> {
    let form = &prompt.form;
    match &prompt.purpose {
        Purpose::Identify => {
            identify(app, form);
            Vec::new()
        }
        Purpose::Answer { item } => {
            let Some(item) = app.contents.checklist.item(item).cloned() else {
                return Vec::new();
            };
            match item.parse(form.value("answer")) {
                Ok(value) => give(app, &item, value, String::new()),
                Err(error) => refuse(app, prompt, "answer", error.to_string()),
            }
        }
        Purpose::Comment { item, value } => match app.contents.checklist.item(item).cloned() {
            Some(item) => give(app, &item, value.clone(), form.value("note").to_owned()),
            None => Vec::new(),
        },
        Purpose::Sign => {
            let by = identify(app, form);
            let signature = Signature { by, answers: app.contents.answers.len() };
            app.contents.signatures.push(signature.clone());
            vec![Effect::Sign(signature), Effect::Reload]
        }
        Purpose::Note { begun } => {
            let (text, begun) = (form.value("note").to_owned(), *begun);
            match app.scan.as_ref().filter(|scan| !scan.is_over()) {
                Some(_) => vec![Effect::Command(RunCommand::Note { text, begun })],
                None => {
                    let run = app.scan.as_ref().filter(|_| app.step == Step::Scan).map(|scan: &ShownRun| scan.view.run);
                    vec![Effect::Note(Note { run, along: begun, text: text.into(), at_us: app.now_us }), Effect::Reload]
                }
            }
        }
        Purpose::Later { at, mark } => {
            let (at, mark) = (at.clone(), *mark);
            let by = if form.value("name").is_empty() { app.signed() } else { identify(app, form) };
            hand::submit_later(app, prompt, at, mark, by)
        }
        Purpose::Hand { run, line } => {
            let by = identify(app, form);
            match hand::submit(app, *run, line, form, by) {
                Ok(effects) => effects,
                Err((key, why)) => refuse(app, prompt, key, why),
            }
        }
        Purpose::Photo { at } => {
            let at = at.clone();
            noted::submit_photo(app, prompt, at)
        }
        Purpose::Witness { run } => {
            let run = *run;
            noted::submit_witness(app, prompt, run)
        }
        Purpose::Send => send::submit(app, prompt),
        Purpose::Prove => prove::submit(app, &prompt),
        Purpose::MarkText => match form.value("text") {
            "" => Vec::new(),
            text => vec![Effect::Command(RunCommand::MarkText(text.to_owned()))],
        },
        Purpose::PlanValue { part, key } => {
            let (part, key) = (*part, *key);
            super::planning::submit(app, prompt, part, key)
        }
        Purpose::Place => super::place::submit(app, prompt),
        Purpose::Start { .. } => super::start::submit(app, prompt),
        Purpose::Override => {
            let needs_second = app.contents.plan.job.override_needs_second_name;
            let second = needs_second.then(|| form.value("second").to_owned());
            let by = Signed { name: form.value("name").to_owned(), certificate: form.value("certificate").to_owned(), at_us: app.now_us };
            let against = Override { reason: form.value("reason").to_owned(), second, by };
            match against.counts(needs_second) {
                Ok(()) => {
                    identify(app, form);
                    super::start::open(app, Some(against))
                }
                Err(error) => refuse(app, prompt, "second", error.to_string()),
            }
        }
        Purpose::Adopt { run, evaluation } => {
            let (run, evaluation, reason) = (*run, *evaluation, form.value("reason").to_owned());
            let by = identify(app, form);
            super::evaluate::adopted(app, Adoption { run, evaluation, reason, by })
        }
        Purpose::Amend { .. }
        | Purpose::Interrupted { .. }
        | Purpose::PlanFile
        | Purpose::Revise
        | Purpose::KeepBasis
        | Purpose::Swap
        | Purpose::SignOn
        | Purpose::SignOff => super::amend::submit(app, prompt),
        Purpose::Setup => match setup_of(app, form) {
            Ok(setup) => {
                let by = identify(app, form);
                vec![Effect::SetSetup { setup: Box::new(setup), origin: "typed".into(), by, checks: Vec::new() }, Effect::Reload]
            }
            Err((key, why)) => refuse(app, prompt, key, why),
        },
        Purpose::Block | Purpose::VerifyBlock | Purpose::Distance => match super::bench::submit(app, &prompt) {
            Ok(effects) => effects,
            Err((key, why)) => refuse(app, prompt, key, why),
        },
    }
}

pub(super) fn refuse(app: &mut App, mut prompt: Prompt, key: &str, why: String) -> Vec<Effect> {
    prompt.form.refuse(key, why);
    app.prompt = Some(prompt);
    Vec::new()
}

pub(super) fn identify(app: &mut App, form: &Form) -> Signed {
    app.operator.name = form.value("name").to_owned();
    app.operator.certificate = form.value("certificate").to_owned();
    app.signed()
}

/// The set-up a form describes, or which field makes it impossible and why.
fn setup_of(app: &App, form: &Form) -> Result<Setup, (&'static str, String)> {
    let read = |key: &'static str| form.number(key).ok_or((key, "is not a number".to_owned()));
    let picker = [Picker::LeadingEdge, Picker::Peak, Picker::ZeroCrossing, Picker::Matched];
    let mode = [Mode::FirstEcho, Mode::EchoToEcho];
    let setup = Setup {
        velocity: Velocity::m_s(read("velocity")?),
        zero: Time::ns(read("zero")?),
        half_separation: Length::mm(read("separation")?) / 2.0,
        gate: Gate { start: Time::us(read("start")?), length: Time::us(read("length")?), threshold_pct: read("threshold")? },
        picker: picker.into_iter().find(|p| p.to_string() == form.value("picker")).ok_or(("picker", "choose one".to_owned()))?,
        mode: mode.into_iter().find(|m| m.to_string() == form.value("mode")).ok_or(("mode", "choose one".to_owned()))?,
        block_temperature: Temperature::celsius(read("temperature")?),
        ..app.setup()
    };
    if setup.gate.end() <= setup.zero {
        return Err(("start", format!("the gate ends before the zero of {}: no wall could ever be in it", setup.zero)));
    }
    Ok(setup)
}
