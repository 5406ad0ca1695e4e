//! The assessment on screen: opened, set against another basis that is typed into a form, and that basis kept by name and reason.

use super::super::form::FormField;
use super::super::planning::Planning;
use super::super::review::{AssessedShown, Over};
use super::super::state::{App, Effect, Purpose};
use super::super::survey::SurveyAsk;
use super::super::theme::Role;
use super::amend::REASON;
use super::prompt;
use backwall_survey::job::statement::BasisText;

pub fn open(app: &mut App) -> Vec<Effect> {
    app.review.over = Some(Over::Assessed(AssessedShown::reading(None)));
    vec![Effect::OpenSurvey(SurveyAsk::Assessed(None, app.look.unit))]
}

/// The form of a basis: what was typed before, else what is in force, else the plan as it is.
pub fn ask_what_if(app: &mut App) -> Vec<Effect> {
    let typed = app.review.assessed_mut().and_then(|shown| shown.what_if.clone());
    let known = typed.as_deref().or(app.contents.basis_text());
    app.planning = Some(Planning::of_basis(known, &app.contents.plan));
    Vec::new()
}

/// Sets what is in force against the basis that was typed.
pub fn judge(app: &mut App, basis: Box<BasisText>) -> Vec<Effect> {
    if let Some(why) = basis.basis.unfit(&app.contents.plan) {
        app.say(Role::Error, format!("NOT JUDGED: {why}"));
        return Vec::new();
    }
    app.planning = None;
    against(app, Some(basis))
}

pub fn drop_basis(app: &mut App) -> Vec<Effect> {
    match app.review.assessed_mut().map(|shown| shown.what_if.is_some()) {
        Some(true) => against(app, None),
        _ => {
            app.say(Role::Plain, NO_BASIS);
            Vec::new()
        }
    }
}

const NO_BASIS: &str = "there is no B: b sets another basis against this one";

fn against(app: &mut App, what_if: Option<Box<BasisText>>) -> Vec<Effect> {
    let unit = app.look.unit;
    let Some(shown) = app.review.assessed_mut() else { return Vec::new() };
    shown.what_if = what_if;
    shown.again();
    vec![Effect::OpenSurvey(SurveyAsk::Assessed(shown.what_if.clone(), unit))]
}

/// Something was written: it may count, so all is worked out again. A basis that was kept is no longer one of two.
pub fn again(app: &mut App) -> Option<Effect> {
    let in_force = app.contents.force.basis.as_ref().map(|kept| kept.what.clone());
    let (unit, elsewhere) = (app.look.unit, app.left.is_some());
    let shown = app.review.assessed_mut()?;
    if shown.what_if.as_ref().is_some_and(|what_if| Some(&what_if.basis) == in_force.as_ref()) {
        shown.what_if = None;
    }
    shown.again();
    // Where something else is read meanwhile it is read when that is left.
    (!elsewhere).then(|| Effect::OpenSurvey(SurveyAsk::Assessed(shown.what_if.clone(), unit)))
}

/// Asks by whom and why the basis counts from now on.
pub fn ask_keep(app: &mut App) -> Vec<Effect> {
    let Some(name) = app.review.assessed_mut().and_then(|shown| Some(shown.what_if.as_ref()?.basis.name.clone())) else {
        app.say(Role::Plain, NO_BASIS);
        return Vec::new();
    };
    let mut fields = vec![FormField::text("reason", "reason", "", true).hint(REASON)];
    fields.extend(prompt::who(app));
    prompt::ask(app, format!("Keep '{name}': assessments and reports go by it from now on"), Purpose::KeepBasis, fields)
}
