//! A plan or a basis that is made or changed on screen: its rows, what is wrong with it and what comes of it, worked out anew with each
//! value.

use super::keys::KeyMode;
use super::text::safe_text;
use backwall_survey::job::check::Problem;
use backwall_survey::job::keys::sheet::{Sheet, SheetRow};
use backwall_survey::job::keys::{KeyLeftOut, PlanKey};
use backwall_survey::job::statement::BasisText;
use backwall_survey::job::takes::TakesSaid;
use backwall_survey::job::{Basis, Plan, Takes};

/// What becomes of what is typed.
#[derive(Debug, Clone)]
pub enum Making {
    /// A job is made of the plan.
    Job,
    /// A revision of the plan of the job that is open.
    Revision,
    /// A basis, set against this plan.
    Basis(Box<Plan>),
}

/// What the sheet says.
#[derive(Debug, Clone)]
pub enum Made {
    Plan(Box<Plan>),
    Basis(Box<BasisText>),
}

#[derive(Debug, Clone)]
pub struct Planning {
    pub sheet: Sheet,
    pub rows: Vec<SheetRow>,
    /// The row the cursor is on.
    pub at: usize,
    /// What the sheet says, or what is wrong with it.
    pub made: Result<Made, Vec<Problem>>,
    /// What a plan will take, or what a basis has otherwise than the plan, as far as that can be worked out.
    pub comes_of: Vec<TakesSaid>,
    pub making: Making,
    pub is_changed: bool,
}

impl Planning {
    pub fn new(sheet: Sheet, makes_job: bool) -> Self {
        Self::of(sheet, if makes_job { Making::Job } else { Making::Revision })
    }

    /// A basis to be made of one that is there, or of the plan.
    pub fn of_basis(known: Option<&BasisText>, plan: &Plan) -> Self {
        let sheet = Sheet::of_basis(known.map(|known| &known.basis), plan);
        let sheet = match known {
            Some(known) => sheet.with_comments(&known.text),
            None => sheet,
        };
        Self::of(sheet, Making::Basis(Box::new(plan.clone())))
    }

    fn of(sheet: Sheet, making: Making) -> Self {
        let mut planning = Self { rows: Vec::new(), at: 0, made: Err(Vec::new()), comes_of: Vec::new(), making, is_changed: false, sheet };
        planning.work_out();
        planning.at = planning.rows.iter().position(|row| matches!(row, SheetRow::Key(..))).unwrap_or(0);
        planning
    }

    pub fn mode(&self) -> KeyMode {
        if matches!(self.making, Making::Basis(_)) { KeyMode::WhatIf } else { KeyMode::Planning }
    }

    pub fn title(&self) -> &'static str {
        if matches!(self.making, Making::Basis(_)) { "a basis as a form" } else { "the plan as a form" }
    }

    pub fn makes_job(&self) -> bool {
        matches!(self.making, Making::Job)
    }

    /// After a change: rows, mistakes, and what comes of it.
    pub fn work_out(&mut self) {
        self.rows = self.sheet.rows();
        self.at = self.at.min(self.rows.len().saturating_sub(1));
        if let Making::Basis(plan) = &self.making {
            let made = self.sheet.basis();
            let differs = made.as_ref().map(|made| Basis::differs(None, Some(&made.basis), plan)).unwrap_or_default();
            self.comes_of = differs.iter().map(|change| TakesSaid { words: change.to_string(), lacks: false }).collect();
            self.made = made.map(|made| Made::Basis(Box::new(made)));
            return;
        }
        let made = self.sheet.plan();
        let read = made.as_ref().ok().cloned().or_else(|| self.sheet.draft());
        self.comes_of = read.map_or_else(Vec::new, |plan| Takes::of(&plan).words(plan.job.units, &plan));
        self.made = made.map(|plan| Made::Plan(Box::new(plan)));
    }

    pub fn row(&self) -> SheetRow {
        self.rows.get(self.at).copied().unwrap_or(SheetRow::Without(0))
    }

    pub fn problems(&self) -> &[Problem] {
        self.made.as_ref().err().map_or(&[], Vec::as_slice)
    }

    /// The key a row stands for, with what was typed.
    pub fn key(&self, row: SheetRow) -> Option<(&'static PlanKey, &str)> {
        let SheetRow::Key(part, key) = row else { return None };
        let part = &self.sheet.parts()[part];
        Some((&part.table.keys[key], part.values[key].as_str()))
    }

    /// What the plan has, for a basis that leaves it out: key by key as the plan writes it.
    pub fn planned(&self) -> Option<serde_json::Value> {
        if let Making::Basis(plan) = &self.making { serde_json::to_value(plan).ok() } else { None }
    }

    /// The plan's own value in a row, out of [`Self::planned`].
    pub fn of_plan(&self, planned: &serde_json::Value, row: SheetRow) -> Option<String> {
        let SheetRow::Key(part, key) = row else { return None };
        let part = &self.sheet.parts()[part];
        let name = part.table.keys[key].name;
        let value = if part.table.is_many() {
            let number = part.values.first()?.parse::<u64>().ok()?;
            let courses = planned["asset"]["course"].as_array()?;
            &courses.iter().find(|course| course["number"].as_u64() == Some(number))?[name]
        } else {
            &planned["assess"][name]
        };
        match value {
            serde_json::Value::String(text) => Some(text.clone()),
            serde_json::Value::Number(number) => number.as_f64().map(|number| number.to_string()),
            _ => None,
        }
    }

    /// As mistakes name it.
    pub fn path(&self, row: SheetRow) -> String {
        match row {
            SheetRow::Heading(part) => self.sheet.path(part),
            SheetRow::Key(part, key) => {
                let (before, name) = (self.sheet.path(part), self.sheet.parts()[part].table.keys[key].name);
                if before.is_empty() { name.to_owned() } else { format!("{before}.{name}") }
            }
            SheetRow::Without(number) => self.sheet.tables()[number].path.replace("[]", ""),
        }
    }

    /// What is wrong in a row.
    pub fn problem(&self, row: SheetRow) -> Option<&Problem> {
        let path = self.path(row);
        self.problems().iter().find(|problem| problem.key == path)
    }

    /// Whether it says no more than that a key must be typed.
    pub fn is_untyped(&self, problem: &Problem) -> bool {
        let of = |row: &&SheetRow| matches!(row, SheetRow::Key(..)) && self.path(**row) == problem.key;
        let row = self.rows.iter().find(of);
        row.and_then(|row| self.key(*row)).is_some_and(|(key, typed)| typed.is_empty() && matches!(key.left_out, KeyLeftOut::Needed))
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
        let next = (self.at + 1..self.rows.len()).find(|at| matches!(self.rows[*at], SheetRow::Key(..)));
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
        KeyLeftOut::Needed => None,
        KeyLeftOut::Usual(then) | KeyLeftOut::Open(then) => Some(then.to_owned()),
        KeyLeftOut::Default(value) => Some(value.trim_matches('"').to_owned()),
    }
}
