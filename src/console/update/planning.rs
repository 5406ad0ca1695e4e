//! The plan in the console: a value is typed where the cursor is, courses and lines come and go, and what was made is kept as a new
//! job or as a revision.

use super::super::form::{Field, Form};
use super::super::keys::PlanningKey;
use super::super::planning::Planning;
use super::super::revision::RevisionShown;
use super::super::state::{App, Effect, Prompt, Purpose, Question};
use super::super::theme::Role;
use super::prompt;
use backwall_survey::job::keys::sheet::{Row, Sheet};
use backwall_survey::job::statement::Revision;

const VALUE: &str = "value";

/// Opens the plan of the job.
pub fn open(app: &mut App) -> Vec<Effect> {
    app.planning = Some(Planning::new(Sheet::of_plan(&app.contents.plan), false));
    Vec::new()
}

pub fn press(app: &mut App, key: PlanningKey) -> Vec<Effect> {
    let Some(planning) = &mut app.planning else { return Vec::new() };
    let row = planning.row();
    match key {
        PlanningKey::Add | PlanningKey::AddInside => {
            let added = if key == PlanningKey::Add { planning.sheet.add(row) } else { planning.sheet.add_inside(row) };
            match added {
                Some(at) => {
                    changed(planning);
                    planning.at = at;
                    planning.to_next_key();
                }
                None if key == PlanningKey::Add => {
                    app.say(Role::Plain, "there is one of it; + adds a course, line, person or piece of kit")
                }
                None => app.say(Role::Plain, "earlier surveys belong to a course: go to one first"),
            }
        }
        PlanningKey::Remove => match planning.sheet.remove(row) {
            Ok(()) => changed(planning),
            Err(why) => app.say(Role::Error, why),
        },
        PlanningKey::NextMistake => {
            if !planning.to_next_problem() {
                app.say(Role::Plain, "there is no mistake: k keeps the plan");
            }
        }
        PlanningKey::Keep => return keep(app),
    }
    Vec::new()
}

fn changed(planning: &mut Planning) {
    planning.is_changed = true;
    planning.work_out();
}

/// Types a value, or adds the table the cursor is on.
pub fn choose(app: &mut App) -> Vec<Effect> {
    let Some(planning) = &app.planning else { return Vec::new() };
    let (row, name) = (planning.row(), planning.path(planning.row()));
    match (row, planning.key(row)) {
        (Row::Key(part, number), Some((key, typed))) => {
            let field = match key.choices() {
                Some(choices) => {
                    let typed = if choices.iter().any(|choice| choice == typed) { typed.to_owned() } else { choices[0].clone() };
                    Field::choice(VALUE, VALUE, &typed, choices)
                }
                None => Field::text(VALUE, VALUE, typed, false),
            };
            prompt::ask(app, name, Purpose::PlanValue { part, key: number }, vec![field])
        }
        (Row::Without(_), _) => press(app, PlanningKey::Add),
        _ => {
            app.planning.iter_mut().for_each(Planning::to_next_key);
            Vec::new()
        }
    }
}

/// Puts in what was typed, or says in the bottom line what may stand there.
pub fn submit(app: &mut App, prompt: Prompt, part: usize, key: usize) -> Vec<Effect> {
    let Some(planning) = &mut app.planning else { return Vec::new() };
    match planning.sheet.set(part, key, prompt.form.value(VALUE)) {
        Ok(()) => {
            changed(planning);
            planning.to_next_key();
            Vec::new()
        }
        Err(why) => prompt::refuse(app, prompt, VALUE, why),
    }
}

/// The value that is being typed is refused for this, in full.
pub fn refusal(form: &Form) -> Option<&str> {
    form.fields.first()?.error.as_deref()
}

fn keep(app: &mut App) -> Vec<Effect> {
    let Some(planning) = &mut app.planning else { return Vec::new() };
    let plan = match &planning.plan {
        Ok(plan) => plan.clone(),
        Err(problems) => {
            let words = backwall_report::words::count(problems.len() as u64, "mistake");
            planning.to_next_problem();
            app.say(Role::Error, format!("NOT KEPT: {words}; m goes from one to the next"));
            return Vec::new();
        }
    };
    let text = planning.sheet.text();
    if planning.makes_job {
        return vec![Effect::MakeJob(text)];
    }
    if *plan == app.contents.plan {
        app.say(Role::Plain, "nothing is changed yet");
        return Vec::new();
    }
    let revision = Ok(Box::new(Revision { text, plan: *plan }));
    app.revision = Some(RevisionShown::new("as changed in the form".to_owned(), &app.contents.plan, revision));
    Vec::new()
}

/// Leaves the form; asks first where something was changed.
pub fn close(app: &mut App) -> Vec<Effect> {
    let Some(planning) = &app.planning else { return Vec::new() };
    if planning.is_changed {
        app.question = Some(Question::DropPlan);
        return Vec::new();
    }
    drop_it(app)
}

/// What was changed is dropped; where a job was to be made there is nothing behind the form.
pub fn drop_it(app: &mut App) -> Vec<Effect> {
    let made_job = app.planning.take().is_some_and(|planning| planning.makes_job);
    if made_job { vec![Effect::Quit] } else { Vec::new() }
}
