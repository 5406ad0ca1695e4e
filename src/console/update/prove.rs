//! A profile proven on its device: what the steps ask is a form, with what was found so far above it.

use super::super::backend::ProveNews;
use super::super::form::FormField;
use super::super::state::{App, Effect, Prompt, Proving, Purpose};
use super::super::theme::Role;
use super::prompt;

const ANSWER: &str = "answer";

/// Begins. The steps need the device for themselves.
pub fn start(app: &mut App) -> Vec<Effect> {
    if app.scanning() {
        app.say(Role::Watch, "a run reads the device: end it first");
        return Vec::new();
    }
    if prompt::unknown_operator(app) {
        return Vec::new();
    }
    app.bench = None;
    let channel = app.channel_on_bench().map(str::to_owned);
    let on = channel.as_ref().map(|channel| format!("The probe of channel {channel} is proven."));
    let said = on.into_iter().chain(["Nothing is kept unless every step holds.".to_owned()]).collect();
    app.proving = Some(Proving { said, asked: None });
    app.say(Role::Plain, "the device is being opened ...");
    vec![Effect::CloseBench, Effect::OpenProve(channel, app.signed())]
}

/// The next question, what was found, or the end.
pub fn news(app: &mut App, news: ProveNews) -> Vec<Effect> {
    match news {
        ProveNews::Said(words) => {
            app.say(Role::Plain, words.clone());
            app.proving.get_or_insert_default().said.push(words);
        }
        ProveNews::Asked(question) => app.proving.get_or_insert_default().asked = Some(question),
        ProveNews::Done(done) => {
            app.proving = None;
            app.prompt.take_if(|prompt| matches!(prompt.purpose, Purpose::Prove));
            match done {
                Ok(words) => app.say(Role::Plain, words.replace('\n', ". ")),
                Err(why) => app.say(Role::Fault, why),
            }
            return vec![Effect::CloseProve];
        }
    }
    Vec::new()
}

/// Asks what is to be asked, as soon as nothing else is being typed.
pub fn ask_next(app: &mut App) {
    if app.prompt.is_some() {
        return;
    }
    let Some(proving) = &mut app.proving else { return };
    let Some(question) = proving.asked.take() else { return };
    let about = proving.said.clone();
    app.unsay();
    let field = FormField::text(ANSWER, ANSWER, "", false).hint("Enter goes on; Esc ends it, and nothing is kept");
    prompt::ask(app, question, Purpose::Prove, vec![field]);
    if let Some(prompt) = &mut app.prompt {
        prompt.about = about;
    }
}

/// Answered: the step reads the device now.
pub fn submit(app: &mut App, prompt: &Prompt) -> Vec<Effect> {
    app.say(Role::Plain, "reading ...");
    vec![Effect::AnswerProve(prompt.form.value(ANSWER).to_owned())]
}

/// Given up.
pub fn cancelled(app: &mut App) -> Vec<Effect> {
    app.proving = None;
    app.say(Role::Watch, "the profile was not proven: nothing was kept");
    vec![Effect::CloseProve]
}
