//! What a scan could not have seen, computed with its progress shown, and printed.

use super::work::interruptible;
use anyhow::Context;
use backwall_report::unseen::UnseenOfRun;
use backwall_report::words::safe_text;
use backwall_store::JobReader;
use backwall_units::LengthUnit;

/// The table of the last run that can be modelled.
pub fn of_job(reader: &JobReader) -> anyhow::Result<UnseenOfRun> {
    let found = interruptible("drives", |tick| crate::session::unseen::of_job(reader, None, tick))??;
    found.context("stopped before the end: nothing was written")
}

pub fn text(of: &UnseenOfRun, unit: LengthUnit) -> Vec<String> {
    let mut lines = vec![String::new(), safe_text(&of.title())];
    lines.extend(crate::console::text::wrap(&of.statement(unit), 110).into_iter().map(|line| format!("  {line}")));
    for row in of.rows(unit) {
        let cells: String = row.iter().skip(1).map(|cell| format!("{cell:>16}")).collect();
        lines.push(format!("  {:<10}{cells}", row.first().map_or("", String::as_str)));
    }
    lines.push(format!("  So {}.", safe_text(&of.summary(unit))));
    lines
}
