//! Two assessments side by side: the same readings judged by one basis and by another.

use backwall_report::assessment::{Assessment, RolledCourse};
use backwall_report::words::safe_text;
use backwall_units::LengthUnit;

/// Two assessments of the same readings: what differs in what they are judged by, and what comes of that.
pub fn side_by_side(one: &Assessment, other: &Assessment, differs: &[String], unit: LengthUnit) -> Vec<String> {
    let mut lines = vec![
        format!("A is {}", safe_text(&one.basis)),
        format!("B is {}", safe_text(&other.basis)),
        "Nothing measured differs between them.".to_owned(),
        String::new(),
        "What B has otherwise than A".to_owned(),
    ];
    lines.extend(differs.iter().map(|change| format!("  - {}", safe_text(change))));
    if differs.is_empty() {
        lines.push("  nothing".to_owned());
    }
    lines.push(String::new());
    lines.push(format!("Lengths in {}", unit.thickness_symbol()));
    let mut rows = vec![["course", "", "required", "minimum", "decision", "rate/y", "life, years", "next by"].map(str::to_owned)];
    for (a, b) in one.roll_up.courses.iter().zip(&other.roll_up.courses) {
        rows.push(row("A", a, unit));
        rows.push(row("B", b, unit));
    }
    lines.extend(super::assess::table(&rows));
    lines
}

fn row(which: &str, course: &RolledCourse, unit: LengthUnit) -> [String; 8] {
    let dash = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    [
        course.course.to_string(),
        which.to_owned(),
        dash(course.required.map(|required| unit.thickness(required))),
        dash(course.minimum.as_ref().map(|found| unit.thickness(found.thickness))),
        course.decision.word().to_owned(),
        dash(course.rate.as_ref().map(|rate| rate.words(unit))),
        course.life_words(),
        dash(course.next.map(|next| next.to_string())),
    ]
}
