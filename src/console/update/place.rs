//! The place set again while a run goes on: the nearest seam with one key more, another seam, or a place that is typed.

use super::super::form::FormField;
use super::super::state::{App, Effect, Prompt, Purpose, ShownRun};
use super::super::theme::Role;
use super::prompt;
use crate::live::{RunCommand, place};
use backwall_units::{Length, LengthUnit, Wording, parse_length};

const SEAM: &str = "seam";
const TYPED: &str = "place";
const ACROSS: &str = "across";

fn going(app: &App) -> Option<&ShownRun> {
    app.scan.as_ref().filter(|scan| !scan.is_over())
}

/// Where the encoder has the crawler.
fn counted(app: &App) -> Option<Length> {
    going(app)?.view.reading.as_ref()?.place.along
}

fn words(unit: LengthUnit, along: Length) -> String {
    format!("{} {}", unit.place(along), unit.place_symbol())
}

fn signed(unit: LengthUnit, off: Length) -> String {
    Wording::default().signed(off, 0).words(unit)
}

/// The seams of the line, the nearest first.
fn seams(app: &App) -> Vec<Length> {
    let Some(scan) = going(app) else { return Vec::new() };
    let (seams, (low, high)) = {
        let wall = scan.wall();
        (wall.seams.clone(), wall.span)
    };
    let on_line: Vec<Length> = seams.into_iter().filter(|seam| *seam >= low && *seam <= high).collect();
    place::nearest(&on_line, counted(app))
}

pub fn ask(app: &mut App) -> Vec<Effect> {
    let Some(scan) = going(app) else { return Vec::new() };
    if scan.view.reading.as_ref().is_none_or(|reading| reading.encoder.is_none()) {
        app.say(Role::Error, "no place can be set: the stream has no encoder counts yet");
        return Vec::new();
    }
    let unit = app.look.unit;
    let seams: Vec<String> = seams(app).into_iter().map(|seam| words(unit, seam)).collect();
    let now = counted(app).map_or_else(|| "none is believed now".to_owned(), |along| format!("now {} by the encoder", words(unit, along)));
    // Short enough for the bottom line, where a line without seams is asked.
    let title = if seams.is_empty() { format!("place ({now})") } else { format!("Where is the crawler? Place {now}") };
    let typed = |label| FormField::text(TYPED, label, "", false);
    let mut fields = match seams.first() {
        None => vec![typed("place")],
        Some(nearest) => vec![
            FormField::choice(SEAM, "at the seam", nearest, seams.clone()).hint("the nearest; ←→ another. Enter sets it, Esc does not"),
            typed("or at the place").hint(format!("counts before the seam; in {} or followed by m", unit_typed(app).thickness_symbol())),
        ],
    };
    fields.extend(super::start::across_field(app, ACROSS, "", "empty where it is as it is counted"));
    prompt::ask(app, title, Purpose::Place, fields)
}

fn unit_typed(app: &App) -> LengthUnit {
    app.contents.plan.job.units
}

/// The place that was chosen or typed, or why it is none.
fn chosen(app: &App, prompt: &Prompt) -> Result<Length, String> {
    let typed = prompt.form.value(TYPED);
    if typed.is_empty() {
        let wanted = prompt.form.value(SEAM);
        let found = seams(app).into_iter().find(|seam| words(app.look.unit, *seam) == wanted);
        return found.ok_or_else(|| "type a place, such as 2.4 m".to_owned());
    }
    let along = parse_length(typed, unit_typed(app)).map_err(|error| error.to_string())?;
    let (low, high) = going(app).map(|scan| scan.wall().span).ok_or_else(|| "the run has ended".to_owned())?;
    if along < low || along > high {
        let unit = app.look.unit;
        return Err(format!("{} is not on the line: {} to {}", words(unit, along), unit.place(low), words(unit, high)));
    }
    Ok(along)
}

/// A place further than this from where the encoder has the crawler is asked about twice: as far as a crawler may stand beyond its line.
/// Common practice, no source.
const FAR: Length = Length::mm(200.0);

fn far_words(app: &App, along: Length) -> String {
    let off = counted(app).map_or(Length::ZERO, |counted| along - counted);
    format!("{} is {} from the encoder's place. Enter again sets it", words(app.look.unit, along), signed(app.look.unit, off))
}

/// A place that can be is; one that is far away where the panel has said so and it was not changed since.
fn is_confirmed(app: &App, prompt: &Prompt, along: Length) -> bool {
    let is_near = counted(app).is_none_or(|counted| (along - counted).abs() <= FAR);
    // The crawler may have driven on meanwhile: the place is what must be the same.
    let place = words(app.look.unit, along);
    is_near || prompt.about.first().is_some_and(|said| said.starts_with(&format!("{place} is ")))
}

pub fn submit(app: &mut App, prompt: Prompt) -> Vec<Effect> {
    if going(app).is_none() {
        app.say(Role::Watch, "the run has already ended: its places stay as they were counted");
        return Vec::new();
    }
    match chosen(app, &prompt) {
        Ok(along) if !is_confirmed(app, &prompt, along) => {
            let mut prompt = Prompt { about: vec![far_words(app, along)], ..prompt };
            if prompt.form.fields.len() == 1 {
                // In the bottom line there is room for the error only.
                let off = counted(app).map_or(Length::ZERO, |counted| along - counted);
                prompt.form.refuse(TYPED, format!("{} away: Enter again sets it", signed(app.look.unit, off)));
            }
            app.prompt = Some(prompt);
            Vec::new()
        }
        Ok(along) => {
            let across = match place::across(prompt.form.value(ACROSS), unit_typed(app)) {
                Ok(across) => across,
                Err(why) => return prompt::refuse(app, prompt, ACROSS, why),
            };
            let unit = app.look.unit;
            let was = counted(app).map_or_else(String::new, |was| format!(", was {}", words(unit, was)));
            let beside = across.map_or_else(String::new, |across| format!(", {} beside the line", signed(unit, across)));
            app.say(Role::Plain, format!("place {}{beside} from the next shot on{was}", words(unit, along)));
            vec![Effect::Command(RunCommand::SetPlace { along, across })]
        }
        Err(why) => prompt::refuse(app, prompt, TYPED, why),
    }
}
