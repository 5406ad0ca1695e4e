//! All lines together as `assess` prints them: courses, plain words, what to do next, the worst places.

use super::table;
use backwall_report::assessment::{Assessment, worst_rows};
use backwall_report::words::safe_text;
use backwall_units::LengthUnit;

/// The courses over all lines, what that means in plain words, what to do, and the worst places.
pub fn text(assessment: &Assessment, unit: LengthUnit) -> Vec<String> {
    let roll_up = &assessment.roll_up;
    let mut lines = vec![String::new(), format!("All lines together, lengths in {}", unit.thickness_symbol()), roll_up.headline()];
    lines.extend(table(&roll_up.course_rows(unit)));
    lines.extend(roll_up.courses.iter().map(|course| format!("  {}", course.decision_words())));
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
        lines.extend(table(&worst_rows(&spots[..spots.len().min(MOST_WORST)], unit)));
        if spots.len() > MOST_WORST {
            lines.push(format!("  and {} more: --json or `backwall export --what spots`", spots.len() - MOST_WORST));
        }
    }
    lines
}

/// More places than this are counted only.
const MOST_WORST: usize = 20;
