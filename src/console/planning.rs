//! A plan that is made or changed on screen: its rows, what is wrong with it and what it will take, worked out anew with each value.

use super::text::safe_text;
use backwall_survey::job::check::Problem;
use backwall_survey::job::keys::sheet::{Row, Sheet};
use backwall_survey::job::keys::{LeftOut, PlanKey, TABLES};
use backwall_survey::job::takes::Said;
use backwall_survey::job::{Plan, Takes};

#[derive(Debug, Clone)]
pub struct Planning {
    pub sheet: Sheet,
    pub rows: Vec<Row>,
    /// The row the cursor is on.
    pub at: usize,
    /// What the sheet says, where it makes a plan.
    pub plan: Result<Box<Plan>, Vec<Problem>>,
    /// What it will take, as far as that can be worked out.
    pub takes: Vec<Said>,
    /// A job is made of it; otherwise it is a revision of the plan of the job that is open.
    pub makes_job: bool,
    pub is_changed: bool,
}

impl Planning {
    pub fn new(sheet: Sheet, makes_job: bool) -> Self {
        let mut planning = Self { rows: Vec::new(), at: 0, plan: Err(Vec::new()), takes: Vec::new(), makes_job, is_changed: false, sheet };
        planning.work_out();
        planning.at = planning.rows.iter().position(|row| matches!(row, Row::Key(..))).unwrap_or(0);
        planning
    }

    /// After a change: rows, mistakes, and what it will take.
    pub fn work_out(&mut self) {
        self.rows = self.sheet.rows();
        self.at = self.at.min(self.rows.len().saturating_sub(1));
        self.plan = self.sheet.plan().map(Box::new);
        let read = self.plan.as_ref().ok().map(|plan| (**plan).clone()).or_else(|| self.sheet.draft());
        self.takes = read.map_or_else(Vec::new, |plan| Takes::of(&plan).words(plan.job.units, &plan));
    }

    pub fn row(&self) -> Row {
        self.rows.get(self.at).copied().unwrap_or(Row::Without(0))
    }

    pub fn problems(&self) -> &[Problem] {
        self.plan.as_ref().err().map_or(&[], Vec::as_slice)
    }

    /// The key a row stands for, with what was typed.
    pub fn key(&self, row: Row) -> Option<(&'static PlanKey, &str)> {
        let Row::Key(part, key) = row else { return None };
        let part = &self.sheet.parts()[part];
        Some((&part.table.keys[key], part.values[key].as_str()))
    }

    /// As mistakes name it.
    pub fn path(&self, row: Row) -> String {
        match row {
            Row::Heading(part) => self.sheet.path(part),
            Row::Key(part, key) => format!("{}.{}", self.sheet.path(part), self.sheet.parts()[part].table.keys[key].name),
            Row::Without(number) => TABLES[number].path.replace("[]", ""),
        }
    }

    /// What is wrong in a row.
    pub fn problem(&self, row: Row) -> Option<&Problem> {
        let path = self.path(row);
        self.problems().iter().find(|problem| problem.key == path)
    }

    /// Whether it says no more than that a key must be typed.
    pub fn is_untyped(&self, problem: &Problem) -> bool {
        let of = |row: &&Row| matches!(row, Row::Key(..)) && self.path(**row) == problem.key;
        let row = self.rows.iter().find(of);
        row.and_then(|row| self.key(*row)).is_some_and(|(key, typed)| typed.is_empty() && matches!(key.left_out, LeftOut::Needed))
    }

    pub fn problem_words(problem: &Problem) -> String {
        safe_text(&format!("{}: {}", counted(&problem.key), problem.message))
    }

    /// Goes to the next row with a mistake; `false` where there is none.
    pub fn to_next_problem(&mut self) -> bool {
        let count = self.rows.len();
        let next = (1..=count).map(|step| (self.at + step) % count).find(|at| self.problem(self.rows[*at]).is_some());
        self.at = next.unwrap_or(self.at);
        next.is_some()
    }

    pub fn walk(&mut self, by: usize, back: bool) {
        self.at = if back { self.at.saturating_sub(by) } else { self.at.saturating_add(by).min(self.rows.len().saturating_sub(1)) };
    }

    /// To the next key, once a value was typed.
    pub fn to_next_key(&mut self) {
        let next = (self.at + 1..self.rows.len()).find(|at| matches!(self.rows[*at], Row::Key(..)));
        self.at = next.unwrap_or(self.at);
    }
}

/// A path counted as people count: the first course is 1.
pub fn counted(path: &str) -> String {
    let mut parts = path.split('[');
    let mut words = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        match part.split_once(']').and_then(|(number, rest)| Some((number.parse::<usize>().ok()?, rest))) {
            Some((number, rest)) => words += &format!(" {}{rest}", number + 1),
            None => words += &format!("[{part}"),
        }
    }
    words
}

/// What counts where a key is left out, in words; nothing for one that must be there.
pub fn left_out(key: &PlanKey) -> Option<String> {
    match key.left_out {
        LeftOut::Needed => None,
        LeftOut::Usual(then) | LeftOut::Open(then) => Some(then.to_owned()),
        LeftOut::Default(value) => Some(value.trim_matches('"').to_owned()),
    }
}
