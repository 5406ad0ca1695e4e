//! What people say of the job from the screen: a run that does not count or was driven elsewhere, a new revision of the plan, a
//! part that was changed, a shift. Each is checked against what is in force before it leaves the form.

use super::super::form::FormField;
use super::super::planning::Planning;
use super::super::revision::RevisionShown;
use super::super::state::{App, Effect, Prompt, Purpose};
use super::super::theme::Role;
use super::super::{Step, standing, text};
use super::prompt::{self, identify};
use backwall_store::RunId;
use backwall_survey::job::Said;
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::force::Refused;
use backwall_survey::job::keys::sheet::Sheet;
use backwall_survey::job::statement::{Part, Revision, SignOff, SignOn, Swap};

/// What can be said of a run, with the key of the field that says more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum RunStatement {
    Void,
    Restore,
    Reassign,
    Replace,
    Join,
    Leave,
    Withdraw,
}

const WHAT: [(RunStatement, &str); 7] = [
    (RunStatement::Void, "does not count"),
    (RunStatement::Restore, "counts again"),
    (RunStatement::Reassign, "is on another line"),
    (RunStatement::Replace, "replaces run N"),
    (RunStatement::Join, "goes on from run N"),
    (RunStatement::Leave, "is left as it is"),
    (RunStatement::Withdraw, "take back statement N"),
];
const FROM_START: &str = "from its start";
const FROM_FAR_END: &str = "from its far end";
pub(super) const REASON: &str = "kept with the name and shown in the report";

/// Asks what is to be put right of the run that is looked at.
pub fn ask(app: &mut App) -> Vec<Effect> {
    let chosen = app.review.walked.as_ref().map(|opened| opened.run).or_else(|| app.chosen_run().map(|run| run.id));
    let Some(run) = chosen.and_then(|run| app.contents.any_run(run)) else {
        app.say(Role::Plain, "there is no run");
        return Vec::new();
    };
    let (id, line) = (run.id, run.start.line.clone());
    let counts = app.contents.force.counts(id);
    let first = if counts { WHAT[0].1 } else { WHAT[1].1 };
    let lines = app.contents.plan.lines.iter().map(|line| line.name.clone()).collect();
    let mut fields = vec![
        FormField::choice("what", &format!("run {id}"), first, WHAT.iter().map(|(_, words)| (*words).to_owned()).collect())
            .hint("Left and Right go through them; nothing recorded is changed"),
        FormField::choice("line", "line", &line, lines).hint("for another line: the one it was driven along"),
        FormField::choice("way", "driven", FROM_START, vec![FROM_START.to_owned(), FROM_FAR_END.to_owned()]).hint("for another line"),
        FormField::text("number", "N (run or statement)", "", false).hint("number of the other run, or of the statement to be taken back"),
        FormField::text("reason", "reason", "", true).hint(REASON),
    ];
    fields.extend(prompt::who(app));
    let about = said_so_far(app, id);
    prompt::ask(app, format!("Correct run {id} on {line}"), Purpose::Amend { run: id }, fields);
    if let Some(prompt) = &mut app.prompt {
        prompt.about = about;
    }
    Vec::new()
}

/// How the run stands, and the statements that can be taken back, the newest last.
fn said_so_far(app: &App, run: RunId) -> Vec<String> {
    const SHOWN: usize = 4;
    let contents = &app.contents;
    let mut lines = standing::words(contents, run);
    if lines.is_empty() {
        lines.push("counts as it was recorded".to_owned());
    }
    let stands = contents.statements.iter().filter(|statement| contents.force.stands(statement.id));
    let all: Vec<String> = stands.map(|known| format!("statement {}: {}, {}", known.id, known.said, known.by.name)).collect();
    let skipped = all.len().saturating_sub(SHOWN);
    if skipped > 0 {
        lines.push(format!("{} earlier", backwall_report::words::count(skipped as u64, "statement")));
    }
    lines.extend(all.into_iter().skip(skipped));
    lines.push(String::new());
    lines
}

pub fn ask_plan(app: &mut App) -> Vec<Effect> {
    prompt::ask(app, "file of the revision", Purpose::PlanFile, vec![FormField::text("file", "file", "", true)])
}

/// The revision was read, or could not be; either is shown on Prepare.
pub fn plan_read(app: &mut App, file: String, read: Result<Box<Revision>, String>) -> Vec<Effect> {
    app.unsay();
    if let (Some(planning), Ok(revision)) = (app.planning.as_mut().filter(|planning| planning.makes_job()), &read) {
        *planning = Planning::new(Sheet::of_plan(&revision.plan).with_comments(&revision.text), true);
        planning.is_changed = true;
        return Vec::new();
    }
    if app.step == Step::Prepare {
        app.revision = Some(RevisionShown::new(file, &app.contents.plan, read));
    }
    Vec::new()
}

/// Asks why the revision on screen is taken.
pub fn ask_revision(app: &mut App) -> Vec<Effect> {
    let Some(title) = app.revision.as_ref().filter(|shown| shown.revision.is_some()).map(RevisionShown::title) else {
        app.say(Role::Plain, "it cannot be taken: correct the file and read it again");
        return Vec::new();
    };
    let mut fields = vec![FormField::text("reason", "reason", "", true).hint(REASON)];
    fields.extend(prompt::who(app));
    prompt::ask(app, format!("Take it: {title}. Results follow the newest revision."), Purpose::Revise, fields)
}

pub fn ask_swap(app: &mut App) -> Vec<Effect> {
    let parts = Part::ALL.iter().map(|(_, word, _)| (*word).to_owned()).collect();
    let mut fields = vec![
        FormField::choice("part", "part", Part::Probe.word(), parts).hint("the calibration with the old one no longer holds"),
        FormField::text("was", "serial of the old", "", false),
        FormField::text("serial", "serial of the new", "", false),
        FormField::text("reason", "reason", "", true).hint(REASON),
    ];
    fields.extend(prompt::who(app));
    prompt::ask(app, "A part was replaced", Purpose::Swap, fields)
}

/// Signs on, or off where a shift is on.
pub fn ask_shift(app: &mut App) -> Vec<Effect> {
    let shift = shift_words(app);
    let (title, purpose, mut fields) = match &shift {
        None => {
            let fields = vec![
                FormField::text("crew", "who else works", "", false).hint("names, separated by commas"),
                FormField::text("weather", "weather", "", false).hint("wind, rain, temperature"),
                FormField::text("gas", "gas test", "", false).hint("what it read, or why none is needed"),
            ];
            ("A shift begins", Purpose::SignOn, fields)
        }
        Some(_) => {
            let field = FormField::text("handover", "for the next shift", "", false).hint("what the next shift must know");
            ("The shift ends", Purpose::SignOff, vec![field])
        }
    };
    fields.extend(prompt::who(app));
    prompt::ask(app, title, purpose, fields);
    if let (Some(prompt), Some(words)) = (&mut app.prompt, shift) {
        prompt.about = vec![words, String::new()];
    }
    Vec::new()
}

/// Who works, since when, and what was found; nothing where no shift is on.
pub fn shift_words(app: &App) -> Option<String> {
    let (id, shift) = app.contents.force.shift.as_ref()?;
    let by = &app.contents.statements.iter().find(|statement| statement.id == *id)?.by;
    let mut words = format!("{} since {}", by.name, text::short_day_and_clock(by.at_us, app.look.zone));
    if !shift.crew.is_empty() {
        words = format!("{words}, with {}", shift.crew.join(", "));
    }
    for more in [&shift.weather, &shift.gas].into_iter().filter(|more| !more.is_empty()) {
        words = format!("{words}; {more}");
    }
    Some(words)
}

/// Does what a form of this file says, or puts the refusal under its field.
pub fn submit(app: &mut App, prompt: Prompt) -> Vec<Effect> {
    match taken(app, &prompt) {
        Ok(effects) => effects,
        Err((key, why)) => {
            let known = prompt.form.fields.iter().any(|field| field.key == key);
            let key = if known { key } else { prompt.form.fields.first().map_or(key, |field| field.key) };
            prompt::refuse(app, prompt, key, why)
        }
    }
}

type WrongField = (&'static str, String);

fn taken(app: &mut App, prompt: &Prompt) -> Result<Vec<Effect>, WrongField> {
    let form = &prompt.form;
    let value = |key| form.value(key).to_owned();
    if matches!(prompt.purpose, Purpose::PlanFile) {
        return Ok(vec![Effect::ReadPlan(value("file"))]);
    }
    let reason = value("reason");
    let by = identify(app, form);
    let what = match &prompt.purpose {
        Purpose::Interrupted { run } => {
            return super::left::interrupted(app, *run, form.value("what"), reason, by).map_err(|why| ("what", why));
        }
        Purpose::Amend { run } => of_run(*run, prompt)?,
        Purpose::Revise => match app.revision.as_ref().and_then(|shown| shown.revision.clone()) {
            Some(revision) => Said::Plan(revision),
            None => return Ok(Vec::new()),
        },
        Purpose::KeepBasis => match app.review.assessed_mut().and_then(|shown| shown.what_if.clone()) {
            Some(basis) => Said::Basis(basis),
            None => return Ok(Vec::new()),
        },
        Purpose::Swap => {
            let part = Part::ALL.iter().find(|(_, word, _)| *word == form.value("part")).map(|(part, ..)| *part);
            Said::Swap(Swap { part: part.ok_or(("part", "choose one".to_owned()))?, was: value("was"), serial: value("serial") })
        }
        Purpose::SignOn => {
            let crew = form.value("crew").split(',').map(str::trim).filter(|name| !name.is_empty()).map(str::to_owned).collect();
            Said::SignOn(SignOn { crew, weather: value("weather"), gas: value("gas") })
        }
        Purpose::SignOff => Said::SignOff(SignOff { handover: value("handover") }),
        _ => return Ok(Vec::new()),
    };
    let effects = said(app, what, reason, by)?;
    (app.revision, app.planning) = (None, None);
    Ok(effects)
}

/// What the form says of a run.
fn of_run(run: RunId, prompt: &Prompt) -> Result<Said, WrongField> {
    let form = &prompt.form;
    let what = WHAT.iter().find(|(_, words)| *words == form.value("what")).ok_or(("what", "choose one".to_owned()))?.0;
    let number = || form.value("number").parse::<i64>().map_err(|_| ("number", "write a whole number, as the list shows it".to_owned()));
    Ok(match what {
        RunStatement::Void => Said::Void { run },
        RunStatement::Restore => Said::Restore { run },
        RunStatement::Reassign => Said::Reassign { run, line: form.value("line").to_owned(), mirrored: form.value("way") == FROM_FAR_END },
        RunStatement::Replace => Said::Replace { run, replaced: number()? },
        RunStatement::Join => Said::Join { run, with: number()? },
        RunStatement::Leave => Said::Leave { run },
        RunStatement::Withdraw => Said::Withdraw { statement: number()? },
    })
}

/// Keeps it where it makes sense, and has everything on screen read anew; else the field it hangs on, and why.
pub(super) fn said(app: &mut App, said: Said, reason: String, by: Signed) -> Result<Vec<Effect>, WrongField> {
    let statement = app.contents.statement(said, &reason, by).map_err(|refused| (field_of(&refused), refused.to_string()))?;
    let mut effects = vec![Effect::State(Box::new(statement)), Effect::Reload];
    if let Some(opened) = &app.review.walked {
        effects.push(if opened.is_all() { Effect::OpenLine(opened.run) } else { Effect::OpenRun(opened.run) });
    }
    Ok(effects)
}

const fn field_of(refused: &Refused) -> &'static str {
    match refused {
        Refused::NoReason => "reason",
        Refused::NoName => "name",
        Refused::NoLine { .. } | Refused::SameLine { .. } => "line",
        Refused::NoRun { .. }
        | Refused::Itself(_)
        | Refused::OtherLines { .. }
        | Refused::Circle { .. }
        | Refused::Joined { .. }
        | Refused::NoStatement(_)
        | Refused::Idle(_) => "number",
        _ => "what",
    }
}
