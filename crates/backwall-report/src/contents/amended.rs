//! What was put right after it was recorded: every statement by name, time and reason, and the runs that do not count.

use super::DocumentWriter;
use super::summary::capital;
use crate::document::{DocumentTable, Tone};
use crate::words::{count, safe_text};
use backwall_survey::job::{Said, Statement, revision};

impl DocumentWriter<'_> {
    /// On page one: what a reader must know before comparing with what was seen on site.
    pub(super) fn what_does_not_count(&mut self) {
        let contents = &self.job.contents;
        let mut lines: Vec<String> = contents
            .set_aside
            .iter()
            .map(|run| format!("Run {} on line {} {}", run.id, safe_text(&run.start.line), safe_text(&contents.counts_in_words(run.id))))
            .collect();
        for run in &contents.runs {
            let standing = contents.force.runs.get(&run.id);
            if let Some(by) = standing.and_then(|standing| standing.reassigned_by).and_then(|by| self.statement(by)) {
                lines.push(format!("{}: {}, {}", capital(&by.said.to_string()), safe_text(&by.by.name), safe_text(&by.reason)));
            }
        }
        if !contents.force.revisions.is_empty() {
            let revisions = count(contents.force.revisions.len() as u64, "revision");
            lines.push(format!("The plan was changed by {revisions}; levels and required thicknesses are by the newest"));
        }
        if !lines.is_empty() {
            self.out.notice(Tone::Watch, "CORRECTED SINCE IT WAS RECORDED", lines);
        }
    }

    fn statement(&self, id: i64) -> Option<&Statement> {
        self.job.contents.statements.iter().find(|statement| statement.id == id)
    }

    /// Every statement, and what the revisions of the plan changed.
    pub(super) fn amendments(&mut self) {
        let contents = &self.job.contents;
        if contents.statements.is_empty() {
            return;
        }
        let mut table = DocumentTable::of(&["No.>", "Statement", "Reason", "By", ""]);
        for statement in &contents.statements {
            let idle = contents.force.idle.iter().find(|idle| idle.statement == statement.id);
            let stands = idle.map_or_else(String::new, |idle| format!("has no effect: {}", idle.why));
            table.row([
                statement.id.to_string(),
                safe_text(&capital(&statement.said.words(self.wanted.unit))),
                safe_text(&statement.reason),
                self.signed(&statement.by),
                stands,
            ]);
        }
        let mut plan = &contents.made_with;
        let mut revised = Vec::new();
        for statement in contents.statements.iter().filter(|statement| contents.force.stands(statement.id)) {
            let Said::Plan(revision) = &statement.said else { continue };
            let changes = revision::changes(plan, &revision.plan).iter().map(|change| safe_text(&change.to_string())).collect::<Vec<_>>();
            revised.push(format!("Statement {}: {}", statement.id, changes.join("; ")));
            plan = &revision.plan;
        }
        self.out.heading(2, "Statements and amendments");
        self.out.paragraph(
            "Nothing recorded was changed. The newest statement about a thing counts; the export also has the levels as they were shown at the time.",
        );
        self.out.table(table);
        self.out.bullets(revised);
    }
}
