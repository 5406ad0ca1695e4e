//! The last look before a run: on which line, from where, which way, on what calibration. Asked once; Enter starts it, Esc does not, and no
//! run is recorded on a line that the operator has not just read.

use super::super::form::{Form, FormField};
use super::super::state::{App, Effect, Prompt, Purpose};
use super::super::theme::Role;
use super::super::view::header;
use super::{left, prompt, steps};
use crate::live::{Begin, place};
use backwall_survey::job::overriding::Override;
use backwall_survey::travel::Path;
use backwall_units::{Length, LengthUnit, Wording, parse_length};

const LINE: &str = "line";
const OFFSET: &str = "offset";
const ACROSS: &str = "across";

/// Asks, where nothing stops scanning.
pub fn ask(app: &mut App) -> Vec<Effect> {
    if app.contents.plan.lines.is_empty() {
        app.say(Role::Error, "the plan has no line to scan");
        return Vec::new();
    }
    let obstacles = app.in_the_way();
    if !obstacles.is_empty() {
        app.say(Role::Error, format!("NOT STARTED: {}; o overrides with a reason", steps::what_stops(&obstacles)));
        return Vec::new();
    }
    open(app, None)
}

/// Asks; `against` is why it is scanned although something stops it.
pub fn open(app: &mut App, against: Option<Override>) -> Vec<Effect> {
    let lines = &app.contents.plan.lines;
    let Some(chosen) = lines.get(app.line).map(|line| line.name.clone()) else { return Vec::new() };
    let names = lines.iter().map(|line| line.name.clone()).collect();
    let unit = app.contents.plan.job.units;
    let typed = match unit {
        _ if app.begin_from == Length::ZERO => String::new(),
        LengthUnit::Mm => format!("{} mm", app.begin_from.as_mm()),
        // As fine as a micrometre.
        LengthUnit::Inch => format!("{:.4} in", app.begin_from.as_inch()),
    };
    let mut fields = vec![
        FormField::choice(LINE, LINE, &chosen, names).hint("←→ change the line"),
        FormField::text(OFFSET, "start offset", &typed, false)
            .hint(format!("from the line's start, in {} or with m", unit.thickness_symbol())),
    ];
    fields.extend(across_field(app, ACROSS, "", "empty on the line"));
    prompt::ask(app, "Start this run?", Purpose::Start { against }, fields);
    if let Some(prompt) = &mut app.prompt {
        // On the offset, so that Enter alone starts and a digit types where from; up is the line.
        prompt.form.focus = 1;
    }
    refresh(app);
    Vec::new()
}

/// Where a scanner has a second encoder: how far beside the line it stands.
pub fn across_field(app: &App, key: &'static str, typed: &str, empty: &str) -> Option<FormField> {
    let plan = &app.contents.plan;
    plan.encoder.across_counts_per_mm?;
    let symbol = plan.job.units.thickness_symbol();
    let hint = format!("of the scanner beside the line, in {symbol}: clockwise or upward, else with -; {empty}");
    Some(FormField::text(key, "place across", typed, false).hint(hint))
}

/// Says in the panel what its fields ask for now.
pub fn refresh(app: &mut App) {
    let Some(Prompt { purpose: Purpose::Start { against }, form, .. }) = &app.prompt else { return };
    let begin = of(app, form).map_err(|(_, why)| why);
    let about = about(app, form.value(LINE), begin, against.as_ref());
    if let Some(prompt) = &mut app.prompt {
        prompt.about = about;
    }
}

/// The path of the run that the fields ask for, or why there is none.
fn of(app: &App, form: &Form) -> Result<Path, (&'static str, String)> {
    let plan = &app.contents.plan;
    let line = plan.line(form.value(LINE)).ok_or((LINE, "the plan has no such line".to_owned()))?;
    let typed = match form.value(OFFSET) {
        "" => Ok(Length::ZERO),
        typed => parse_length(typed, plan.job.units).map_err(|error| error.to_string()),
    };
    let path = typed.and_then(|offset| plan.path(line).starting(offset).map_err(|error| error.to_string())).map_err(|why| (OFFSET, why))?;
    let across = place::across(form.value(ACROSS), plan.job.units).map_err(|why| (ACROSS, why))?;
    Ok(Path { across_start: across.unwrap_or_default(), ..path })
}

fn about(app: &App, line: &str, path: Result<Path, String>, against: Option<&Override>) -> Vec<String> {
    let unit = app.look.unit;
    let place = |at| format!("{} {}", unit.place(at), unit.place_symbol());
    let mut about = match path {
        Ok(path) => {
            let (near, far) = path.span();
            let end = if path.direction.sign() < 0.0 { near } else { far };
            let from = match path.offset {
                Length::ZERO => "where the line starts".to_owned(),
                offset => format!("{} from the line's start", place(offset)),
            };
            let beside = match path.across_start {
                Length::ZERO => String::new(),
                across => format!(", {} beside it", Wording::default().signed(across, 1).words(unit)),
            };
            vec![
                format!("{line}: from {}, {from}{beside}", place(path.start)),
                format!("way: {}, to {}", path.direction.word(), place(end)),
                format!("crawler at its mark? The first shot is taken to be at {}", place(path.start)),
            ]
        }
        Err(why) => vec![format!("{line}: {why}")],
    };
    let standing = app.contents.standing();
    about.push(match app.contents.is_calibrated() {
        true => format!("calibration {}: {}", header::word(&standing), standing.why(app.look.unit)),
        false => "NO CALIBRATION: the values of the set-up are typed".to_owned(),
    });
    about.push(against.map_or_else(|| "no override".to_owned(), |against| format!("OVERRIDE: {}", against.words())));
    about.extend(left::goes_on(app, line).map(|goes_on| format!("goes on from run {}: {}", goes_on.from, goes_on.reason)));
    let runs: Vec<String> = app.runs_on(line).map(|run| run.id.to_string()).collect();
    if !runs.is_empty() {
        about.push(format!("{line} was scanned already: {}", backwall_report::words::runs(&runs)));
    }
    about
}

/// Starts what the panel shows, or says under its field why not.
pub fn submit(app: &mut App, prompt: Prompt) -> Vec<Effect> {
    let Purpose::Start { against } = &prompt.purpose else { return Vec::new() };
    let (line, against) = (prompt.form.value(LINE).to_owned(), against.clone());
    let (offset, across) = match of(app, &prompt.form) {
        Ok(path) => (path.offset, path.across_start),
        Err((field, why)) => return prompt::refuse(app, prompt, field, why),
    };
    let begin =
        Begin { offset, across, continues: left::goes_on(app, &line), adjusted: app.adjusted.clone(), ..Begin::on(&line) }.against(against);
    app.begin_on(&begin);
    // What ran out while it was asked, or stops only the other line.
    let obstacles = app.in_the_way();
    if begin.against.is_none() && !obstacles.is_empty() {
        app.say(Role::Error, format!("NOT STARTED: {}; o overrides with a reason", steps::what_stops(&obstacles)));
        return Vec::new();
    }
    let overridden = begin.against.is_some();
    let mut effects = vec![Effect::StartScan(begin)];
    effects.extend(overridden.then_some(Effect::Reload));
    effects
}
