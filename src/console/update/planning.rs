//! The plan or a basis in the console: a value is typed where the cursor is, courses and lines come and go, and what was made is kept as a
//! new job or as a revision, or judged by.

use super::super::form::{Form, FormField};
use super::super::keys::PlanningKey;
use super::super::planning::{Made, Making, Planning};
use super::super::revision::RevisionShown;
use super::super::state::{App, Effect, Prompt, Purpose, Question};
use super::super::theme::Role;
use super::prompt;
use backwall_survey::job::keys::sheet::{Sheet, SheetRow};
use backwall_survey::job::statement::Revision;

const VALUE: &str = "value";

/// Opens the plan of the job.
pub fn open(app: &mut App) -> Vec<Effect> {
    app.planning = Some(Planning::new(Sheet::of_plan(&app.contents.plan).with_comments(app.contents.plan_text()), false));
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
                    app.say(Role::Plain, "there is one of it; + adds where there can be several: a course, a line, and so on")
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
                let next = if matches!(planning.making, Making::Basis(_)) { "w judges by it" } else { "k keeps the plan" };
                app.say(Role::Plain, format!("there is no mistake: {next}"));
            }
        }
        PlanningKey::Keep | PlanningKey::Judge => return keep(app),
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
        (SheetRow::Key(part, number), Some((key, typed))) => {
            let field = match key.choices() {
                Some(choices) => {
                    let typed = if choices.iter().any(|choice| choice == typed) { typed.to_owned() } else { choices[0].clone() };
                    FormField::choice(VALUE, VALUE, &typed, choices)
                }
                None => FormField::text(VALUE, VALUE, typed, false),
            };
            prompt::ask(app, name, Purpose::PlanValue { part, key: number }, vec![field])
        }
        (SheetRow::Without(_), _) => press(app, PlanningKey::Add),
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
    let plan = match &planning.made {
        Ok(Made::Plan(plan)) => plan.clone(),
        Ok(Made::Basis(basis)) => {
            let basis = basis.clone();
            return super::assessed::judge(app, basis);
        }
        Err(problems) => {
            let words = backwall_report::words::count(problems.len() as u64, "mistake");
            let not_done = if matches!(planning.making, Making::Basis(_)) { "NOT JUDGED" } else { "NOT KEPT" };
            planning.to_next_problem();
            app.say(Role::Error, format!("{not_done}: {words}; m goes from one to the next"));
            return Vec::new();
        }
    };
    let text = planning.sheet.text();
    if planning.makes_job() {
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
        let basis = matches!(planning.making, Making::Basis(_));
        app.question = Some(if basis { Question::DropBasis } else { Question::DropPlan });
        return Vec::new();
    }
    drop_it(app)
}

/// What was changed is dropped; where a job was to be made there is nothing behind the form.
pub fn drop_it(app: &mut App) -> Vec<Effect> {
    let made_job = app.planning.take().is_some_and(|planning| planning.makes_job());
    if made_job { vec![Effect::Quit] } else { Vec::new() }
}
