//! Two assessments side by side: the same readings judged by one basis and by another.

use backwall_report::assessment::Against;
use backwall_report::words::safe_text;
use backwall_units::LengthUnit;

/// What differs in what they are judged by, and what comes of that.
pub fn side_by_side(against: &Against, unit: LengthUnit) -> Vec<String> {
    let mut lines = against.about();
    if !against.differs.is_empty() {
        lines.push(String::new());
        lines.push("Where B differs from A".to_owned());
        lines.extend(against.differs.iter().map(|change| format!("  - {}", safe_text(change))));
    }
    lines.push(String::new());
    lines.push(format!("Lengths in {}", unit.thickness_symbol()));
    lines.extend(super::assess::table(&against.rows(unit)));
    lines
}
