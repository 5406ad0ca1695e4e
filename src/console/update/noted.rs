//! A photo, and who witnessed what, entered where one is: at the place of the run that is looked at or going, else in the job.

use super::super::Step;
use super::super::form::FormField;
use super::super::state::{App, Effect, NewPhoto, Prompt, Purpose, ShownRun};
use super::{hand, prompt};
use backwall_survey::job::Said;
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::noted::{Where, Witness};
use backwall_survey::job::plan::AskedFor;
use backwall_units::{Length, parse_length};

const COPIED: &str = "copied beside the job";
const DIGEST: &str = "stays where it is";
/// Neither a witness point nor a photo that the plan asks for.
const NOT_ASKED: &str = "none of them";

/// Where one is: in a walked run, in the run on the scan screen, or nowhere.
fn here(app: &App) -> Where {
    let known = match app.step {
        Step::Review => hand::here(app),
        Step::Scan => app.scan.as_ref().map(|scan: &ShownRun| {
            let along = scan.view.reading.as_ref().and_then(|reading| reading.place.along);
            (scan.view.run, scan.view.line.clone(), along.filter(|_| !scan.is_over()))
        }),
        _ => None,
    };
    known.map_or_else(Where::default, |(run, line, along)| Where { run: Some(run), line: Some(line), along })
}

fn titled(what: &str, at: &Where) -> String {
    match (&at.run, &at.line) {
        (Some(run), Some(line)) => format!("{what} on {line}, run {run}"),
        (None, Some(line)) => format!("{what} on {line}"),
        _ => format!("{what} of the job"),
    }
}

/// What the plan asks for and is not there yet, to choose from; the chosen one, or none, stands first in sight.
fn asked_field(label: &str, open: &[AskedFor], chosen: Option<&str>) -> Option<FormField> {
    if open.is_empty() {
        return None;
    }
    let choices = std::iter::once(NOT_ASKED.to_owned()).chain(open.iter().map(|asked| asked.name.clone())).collect();
    Some(FormField::choice("asked", label, chosen.unwrap_or(NOT_ASKED), choices).hint("what the plan asks for and is still missing"))
}

fn asked_of(prompt: &Prompt) -> Option<String> {
    let chosen = prompt.form.value("asked");
    (!chosen.is_empty() && chosen != NOT_ASKED).then(|| chosen.to_owned())
}

/// Where what the plan asks for belongs.
fn place_of(asked: &AskedFor) -> Where {
    Where { line: asked.line.clone(), ..Where::default() }
}

pub fn ask_photo(app: &mut App) -> Vec<Effect> {
    let at = here(app);
    photo_form(app, at, None)
}

/// A photo that the plan asks for.
pub fn ask_photo_of(app: &mut App, name: &str) -> Vec<Effect> {
    let Some(asked) = app.contents.force.open_photos().into_iter().find(|asked| asked.name == name) else { return Vec::new() };
    photo_form(app, place_of(&asked), Some(&asked.name))
}

fn photo_form(app: &mut App, at: Where, asked: Option<&str>) -> Vec<Effect> {
    let unit = app.look.unit;
    let mut fields = vec![
        FormField::text("file", "file", "", true).hint("path of the photo on this machine, as /media/camera/IMG_0412.JPG"),
        FormField::text("text", "what it shows", asked.unwrap_or_default(), false),
    ];
    fields.extend(asked_field("of the plan's photos", &app.contents.force.open_photos(), asked));
    if let Some(line) = &at.line {
        let place = at.along.map_or_else(String::new, |along| format!("{}{}", unit.place(along), unit.place_symbol()));
        fields
            .push(FormField::text("place", &format!("place on {line}"), &place, false).hint("in the unit shown, or with its own: 1.234m"));
    }
    fields.push(
        FormField::choice("kept", "the file", COPIED, vec![COPIED.to_owned(), DIGEST.to_owned()])
            .hint("where it stays, its digest proves later that it is the same"),
    );
    fields.extend(prompt::who(app));
    prompt::ask(app, titled("Photo", &at), Purpose::Photo { at }, fields)
}

pub fn submit_photo(app: &mut App, prompt: Prompt, at: Where) -> Vec<Effect> {
    let form = &prompt.form;
    let along = match form.value("place") {
        "" => Ok(None),
        text => parse_length(text, app.look.unit).map(Some),
    };
    let along = match along {
        Ok(along) => along.map(|along| Length::micrometres(along.as_micrometres())),
        Err(why) => return prompt::refuse(app, prompt, "place", why.to_string()),
    };
    let photo = NewPhoto {
        path: form.value("file").into(),
        at: Where { along, ..at },
        text: form.value("text").to_owned(),
        digest_only: form.value("kept") == DIGEST,
        asked: asked_of(&prompt),
    };
    let by = prompt::identify(app, form);
    vec![Effect::Photo(Box::new(photo), by), Effect::Reload]
}

pub fn ask_witness(app: &mut App) -> Vec<Effect> {
    let at = here(app);
    witness_form(app, at, None)
}

/// The initials of a witness point of the plan.
pub fn ask_witness_of(app: &mut App, name: &str) -> Vec<Effect> {
    let Some(asked) = app.contents.force.open_witness_points().into_iter().find(|asked| asked.name == name) else { return Vec::new() };
    witness_form(app, place_of(&asked), Some(&asked.name))
}

fn witness_form(app: &mut App, at: Where, asked: Option<&str>) -> Vec<Effect> {
    let mut fields = vec![
        FormField::text("what", "what was seen", asked.unwrap_or_default(), true)
            .hint("as calibration on blocks, verification, this line from its start"),
        FormField::text("witness", "seen by", "", true).hint("name of the witness"),
        FormField::text("initials", "initials", "", true).hint("typed by the witness; they stand for a signature"),
        FormField::text("of", "for", "", false).hint("whom the witness represents: the client, an inspection body"),
    ];
    fields.extend(asked_field("witness point", &app.contents.force.open_witness_points(), asked));
    fields.extend(prompt::who(app));
    prompt::ask(app, titled("Witnessed", &at), Purpose::Witness { run: at.run }, fields)
}

pub fn submit_witness(app: &mut App, prompt: Prompt, run: Option<backwall_store::RunId>) -> Vec<Effect> {
    let value = |key: &str| prompt.form.value(key).to_owned();
    let witness = Witness {
        name: value("witness"),
        initials: value("initials"),
        of: value("of"),
        what: value("what"),
        run,
        asked: asked_of(&prompt),
    };
    let by: Signed = prompt::identify(app, &prompt.form);
    match hand::enter(app, Said::Witness(witness), "", by) {
        Ok(effects) => effects,
        Err(why) => prompt::refuse(app, prompt, "what", why),
    }
}
