//! All lines together as `assess` prints them: courses, plain words, what to do next, the worst places.

use super::table;
use backwall_report::assessment::{Assessment, Place, RolledCourse, Worst};
use backwall_report::words::{percent, safe_text, stretch};
use backwall_units::LengthUnit;

const COURSES: [&str; 12] = [
    "course",
    "required",
    "minimum",
    "on line, at",
    "t1",
    "covered",
    "decision",
    "rate/y",
    "on line, at",
    "life, years",
    "next by",
    "to do",
];

/// The courses over all lines, what that means in plain words, what to do, and the worst places.
pub fn text(assessment: &Assessment, unit: LengthUnit) -> Vec<String> {
    let roll_up = &assessment.roll_up;
    let mut lines = vec![String::new(), format!("All lines together, lengths in {}", unit.thickness_symbol()), roll_up.headline()];
    let mut rows = vec![COURSES.map(str::to_owned)];
    rows.extend(roll_up.courses.iter().map(|course| course_row(course, unit)));
    lines.extend(table(&rows));
    lines.extend(roll_up.courses.iter().map(|course| {
        let from = safe_text(&course.required_from);
        format!("  course {}: {}: {}; required by {from}", course.course, course.decision.word(), safe_text(&course.decision_why))
    }));
    lines.push(String::new());
    lines.extend(roll_up.plain(&safe_text(&assessment.asset), unit));
    lines.push(String::new());
    lines.push("What to do next".to_owned());
    lines.extend(roll_up.next_steps(unit).iter().map(|step| format!("  - {}", safe_text(step))));
    for (title, spots) in [
        ("Worst places of all lines", &roll_up.worst),
        ("Apart from them: may be laminations, whose depth may not be the wall's", &roll_up.laminations),
    ] {
        if spots.is_empty() {
            continue;
        }
        lines.push(String::new());
        lines.push(title.to_owned());
        let mut rows = vec![WORST.map(str::to_owned)];
        rows.extend(spots.iter().take(MOST_WORST).enumerate().map(|(index, spot)| worst_row(index + 1, spot, unit)));
        lines.extend(table(&rows));
        if spots.len() > MOST_WORST {
            lines.push(format!("  and {} more: --json or `backwall export --what spots`", spots.len() - MOST_WORST));
        }
    }
    lines
}

/// More places than this are counted only.
const MOST_WORST: usize = 20;

fn course_row(course: &RolledCourse, unit: LengthUnit) -> [String; 12] {
    let dash = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    let place = |place: &Place| {
        let at = place.at.map_or_else(String::new, |at| format!(" {}", unit.place(at)));
        safe_text(&format!("{}{at}", place.line))
    };
    [
        course.course.to_string(),
        dash(course.required.map(|required| unit.thickness(required))),
        dash(course.minimum.as_ref().map(|found| {
            let expanded = found.expanded.map_or_else(String::new, |expanded| format!(" ± {}", unit.thickness(expanded)));
            format!("{}{expanded}", unit.thickness(found.thickness))
        })),
        dash(course.minimum.as_ref().map(place)),
        course.average_words(unit),
        dash(course.covered_share.map(percent)),
        course.decision.word().to_owned(),
        dash(course.rate.as_ref().map(|rate| rate.words(unit))),
        dash(course.rate.as_ref().map(|rate| safe_text(&rate.where_words(unit)))),
        course.life_words(),
        dash(course.next.map(|next| next.to_string())),
        safe_text(&course.first_to_do(unit)),
    ]
}

const WORST: [&str; 11] =
    ["", "minimum", "line", "at", "course", "required", "margin", "under it from, to", "long", "judged as", "by hand"];

fn worst_row(rank: usize, spot: &Worst, unit: LengthUnit) -> [String; 11] {
    let dash = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    [
        format!("{rank}"),
        unit.thickness(spot.place.thickness),
        safe_text(&spot.place.line),
        dash(spot.place.at.map(|at| format!("{} {}", unit.place(at), unit.place_symbol()))),
        dash(spot.course.map(|course| course.to_string())),
        dash(spot.required.map(|required| unit.thickness(required))),
        dash(spot.left.map(|left| unit.thickness(left))),
        dash(spot.under.map(|(from, to)| format!("{} to {}", unit.place(from), unit.place(to)))),
        dash(spot.under_length().map(|length| stretch(unit, length))),
        spot.kind.unwrap_or("-").to_owned(),
        spot.proven_words(unit),
    ]
}
