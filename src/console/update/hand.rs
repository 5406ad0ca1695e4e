//! What is put at the cursor of a review afterwards: a thickness read by hand, a note, a mark. Each is a statement by name.

use super::super::form::{Form, FormField};
use super::super::state::{App, Effect, Prompt, Purpose};
use super::super::theme::Role;
use super::prompt;
use backwall_store::{Mark, MarkKind, Note, RunId};
use backwall_survey::job::Said;
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::hand::{BlockRead, GridPoint, HandGauge, HandPlace, HandProof, HandReading};
use backwall_survey::job::noted::{Noted, Where};
use backwall_survey::strip::Spot;
use backwall_units::{Length, LengthUnit, parse_length, parse_number};
use std::sync::Arc;

/// A field and what is wrong with it.
type Wrong = (&'static str, String);

/// The run walked alone, its line, and the place of the cursor.
pub(super) fn here(app: &App) -> Option<(RunId, String, Option<Length>)> {
    let opened = app.review.walked.as_ref()?;
    let run = app.contents.runs.iter().find(|run| run.id == opened.run)?;
    let along = opened.at.and_then(|at| at.along()).or(opened.place());
    Some((run.id, run.start.line.clone(), along))
}

/// The spot the cursor stands in; of several runs together none is meant.
fn spot_here(app: &App, along: Option<Length>) -> Option<&Spot> {
    let opened = app.review.walked.as_ref().filter(|opened| !opened.is_all())?;
    let along = along?;
    opened.overview.wall.spots.spots().iter().find(|spot| spot.edges.is_some_and(|(from, to)| along >= from && along <= to))
}

fn typed(place: Length, unit: LengthUnit) -> String {
    format!("{}{}", unit.place(place), unit.place_symbol())
}

const UNANSWERED: &str = "-";

/// Asks for a thickness read by hand at the cursor; line, place and spot are filled in.
pub fn ask(app: &mut App) -> Vec<Effect> {
    let Some((run, line, along)) = here(app) else {
        app.say(Role::Plain, "no run is open");
        return Vec::new();
    };
    let unit = app.look.unit;
    let spot = spot_here(app, along).map(|spot| (spot.id, spot.least_at));
    let place = spot.and_then(|(_, least_at)| least_at).or(along).map_or_else(String::new, |place| typed(place, unit));
    let words = |all: &[&str]| all.iter().map(|word| (*word).to_owned()).collect();
    let gauge = app.contents.force.hand.last().map(|entered| entered.what.gauge.clone()).unwrap_or_default();
    let block =
        gauge.block.map_or_else(String::new, |block| format!("{}={}", unit.thickness(block.truth()), unit.thickness(block.measured())));
    let mut fields = vec![
        FormField::text("values", "values", "", false).hint("each value that was read, a space between; none where proven otherwise"),
        FormField::text("place", &format!("place on {line}"), &place, false).hint("in the unit shown, or with its own: 1.234m"),
        FormField::text("spot", "spot", &spot.map_or_else(String::new, |(id, _)| id.to_string()), false)
            .hint("the spot of this run it proves, or nothing"),
        FormField::choice("confirms", "confirmed", UNANSWERED, words(&[UNANSWERED, "yes", "no"]))
            .hint("whether the wall is what the spot says"),
        FormField::text("instrument", "instrument", &gauge.name, false),
        FormField::text("serial", "serial", &gauge.serial, false),
        FormField::text("block", "block true=read", &block, false)
            .hint("the block the gauge was checked on, and what it read there: 10.00=10.02"),
        FormField::text("point", "grid and point", "", false).hint("name of the grid and its point: G1 B3"),
        FormField::text("inspection", "inspection point", "", false).hint("the fixed inspection point of the asset, by its name"),
        FormField::text("wall", "elsewhere on the wall", "", false)
            .hint("azimuth in degrees, a space, height: 90 2,4m; counts before the place on the line"),
        FormField::text("near", "near weld or nozzle", "", false)
            .hint("distance, a space, what: 50mm nozzle N2, below it; counts before the place on the line"),
        FormField::text("note", "note", "", false).hint("needed where the values are far apart, or without a value"),
    ];
    fields.extend(prompt::who(app));
    prompt::ask(app, format!("Read by hand on {line}, run {run}"), Purpose::Hand { run, line }, fields)
}

/// What the form says, or which field is wrong and why.
pub fn submit(app: &mut App, run: RunId, line: &str, form: &Form, by: Signed) -> Result<Vec<Effect>, Wrong> {
    let unit = app.look.unit;
    let length = |key: &'static str, text: &str| parse_length(text, unit).map_err(|error| (key, error.to_string()));
    let values = form.value("values").split([' ', ';']).filter(|text| !text.is_empty());
    let values = values.map(|text| length("values", text)).collect::<Result<Vec<_>, _>>()?;
    let place = place(line, form, unit)?;
    let proof = proof(app, run, form)?;
    let said = match (proof, values.is_empty()) {
        (Some(proof), true) => Said::Confirm(proof),
        (proof, _) => Said::HandReading(Box::new(HandReading {
            place,
            values,
            gauge: HandGauge {
                name: form.value("instrument").to_owned(),
                serial: form.value("serial").to_owned(),
                block: match form.value("block") {
                    "" => None,
                    text => Some(BlockRead::parse(text, by.at_us, unit).map_err(|why| ("block", why))?),
                },
            },
            proof,
            grid: grid(form.value("point"))?,
            inspection_point: Some(form.value("inspection").to_owned()).filter(|point| !point.is_empty()),
        })),
    };
    enter(app, said, form.value("note"), by).map_err(|why| ("values", why))
}

/// Where it was read: elsewhere on the wall or near something where that is said, else on the line.
fn place(line: &str, form: &Form, unit: LengthUnit) -> Result<Option<HandPlace>, Wrong> {
    let length = |key: &'static str, text: &str| {
        let length = parse_length(text, unit).map_err(|error| (key, error.to_string()))?;
        // To the micrometre, as it is kept.
        Ok(Length::micrometres(length.as_micrometres()))
    };
    let parts = |key: &'static str, what: &str| {
        let parted = form.value(key).split_once(' ').map(|(first, rest)| (first.to_owned(), rest.trim().to_owned()));
        parted.ok_or_else(|| (key, format!("write {what}")))
    };
    Ok(match (form.value("wall"), form.value("near"), form.value("place")) {
        ("", "", "") => None,
        ("", "", along) => Some(HandPlace::Line { line: line.to_owned(), along: length("place", along)? }),
        (_, "", _) => {
            let (azimuth, elevation) = parts("wall", "the azimuth in degrees, a space, and the height: 90 2,4m")?;
            let azimuth = parse_number(&azimuth).map_err(|error| ("wall", error.to_string()))?;
            Some(HandPlace::Wall { azimuth_millideg: (azimuth * 1e3).round() as i64, elevation: length("wall", &elevation)? })
        }
        ("", _, _) => {
            let (distance, what) = parts("near", "the distance, a space, and what it is from: 50mm nozzle N2, below it")?;
            Some(HandPlace::Near { what, distance: length("near", &distance)? })
        }
        _ => return Err(("near", "it was read in one place: leave this one or the one above empty".to_owned())),
    })
}

fn proof(app: &App, run: RunId, form: &Form) -> Result<Option<HandProof>, Wrong> {
    let confirmed = match form.value("confirms") {
        "yes" => true,
        "no" => false,
        _ => return Ok(None),
    };
    let opened = app.review.walked.as_ref().filter(|opened| !opened.is_all());
    let opened = opened.ok_or(("spot", "several runs are shown: l shows this one alone, then its spots can be proven".to_owned()))?;
    let spots = opened.overview.wall.spots.spots();
    let found = spots.iter().find(|spot| spot.id.to_string() == form.value("spot"));
    let known = || spots.iter().map(|spot| spot.id.to_string()).collect::<Vec<_>>().join(", ");
    found.map(|spot| Some(HandProof::of(run, spot, confirmed))).ok_or_else(|| ("spot", format!("which spot? this run has: {}", known())))
}

fn grid(text: &str) -> Result<Option<GridPoint>, Wrong> {
    match text.rsplit_once(' ') {
        None if text.is_empty() => Ok(None),
        None => Err(("point", "write the grid, a space, and its point: G1 B3".to_owned())),
        Some((grid, point)) => Ok(Some(GridPoint { grid: grid.trim().to_owned(), point: point.to_owned() })),
    }
}

/// A statement on its way to the job, or why it makes no sense.
pub(super) fn enter(app: &App, said: Said, note: &str, by: Signed) -> Result<Vec<Effect>, String> {
    let statement = app.contents.statement(said, note, by).map_err(|refused| refused.to_string())?;
    Ok(vec![Effect::State(Box::new(statement)), Effect::Reload])
}

/// Asks for a note at the cursor, or for the words of a mark there.
pub fn ask_later(app: &mut App, mark: Option<MarkKind>) -> Vec<Effect> {
    let Some((run, line, along)) = here(app) else { return Vec::new() };
    let unit = app.look.unit;
    let at = along.map_or_else(String::new, |along| format!(" at {} {}", unit.place(along), unit.place_symbol()));
    let what = mark.map_or_else(|| "note".to_owned(), |kind| format!("mark {}", kind.word()));
    let mut fields = vec![FormField::text("text", "words", "", mark.is_none())];
    // Who is known need not be typed again.
    if app.operator.name.trim().is_empty() {
        fields.extend(prompt::who(app));
    }
    let at_words = format!("{what}{at}, afterwards");
    prompt::ask(app, at_words, Purpose::Later { at: Where { run: Some(run), line: Some(line), along }, mark }, fields)
}

/// Keeps it, and shows it at once.
pub fn submit_later(app: &mut App, prompt: Prompt, at: Where, mark: Option<MarkKind>, by: Signed) -> Vec<Effect> {
    let text = prompt.form.value("text").to_owned();
    let said = Said::Note(Noted { at: at.clone(), mark, text: text.clone(), drawing: String::new() });
    match enter(app, said, "", by.clone()) {
        Ok(effects) => {
            if let Some(opened) = &mut app.review.walked {
                let wall = &mut Arc::make_mut(&mut opened.overview).wall;
                match mark {
                    Some(kind) => wall.marks.push(Mark { kind, along: at.along, seq: None, text, at_us: by.at_us }),
                    None => wall.notes.push(Note { run: at.run, along: at.along, text: text.into(), at_us: by.at_us }),
                }
            }
            effects
        }
        Err(why) => prompt::refuse(app, prompt, "text", why),
    }
}
