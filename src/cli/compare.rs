//! Options that name earlier surveys and tell what they do not tell themselves.

use super::choice::choice;
use crate::session::review::EarlierSurvey;
use anyhow::{Context, bail};
use backwall_report::assessment::Request;
use backwall_report::earlier::{self, ColumnRole, ColumnUnit, DateOrder, EarlierTold};
use backwall_store::JobFile;
use backwall_survey::strip::compare::CompareSettings;
use backwall_survey::travel::Direction;
use backwall_ultrasound::Mode;
use backwall_units::{Length, LengthUnit, Velocity, parse_length, parse_number};
use chrono::NaiveDate;
use clap::Args;
use std::path::{Path, PathBuf};

/// What tables do not give themselves.
#[derive(Args, Debug, Clone, Default)]
#[command(next_help_heading = "Earlier surveys")]
pub struct ToldArgs {
    /// Which column of a table is what: position, thickness, uncertainty, line, date or calibration
    #[arg(long, value_name = "WHAT=NAME", value_parser = column)]
    pub column: Vec<(ColumnRole, String)>,
    /// The unit of columns whose name does not give it (position_mm, Wall (in)); never guessed
    #[arg(long, value_parser = choice(ColumnUnit::ALL))]
    pub unit: Option<ColumnUnit>,
    /// The line a table is of, if it has no column for it
    #[arg(long, value_name = "NAME")]
    pub earlier_line: Option<String>,
    /// How a table writes days that could be two, such as 03/04/2021; never guessed
    #[arg(long, value_parser = choice(DateOrder::ALL))]
    pub earlier_date_order: Option<DateOrder>,
    /// The datum of a table, in the words of the plan
    #[arg(long, value_name = "TEXT")]
    pub earlier_datum: Option<String>,
    /// Positions of a table count from where its line starts, in this direction, instead of from the datum
    #[arg(long, value_name = "WAY", value_parser = direction)]
    pub earlier_direction: Option<Direction>,
    /// Where such a line starts, from the datum
    #[arg(long, value_name = "LENGTH")]
    pub earlier_start: Option<String>,
    /// Expanded uncertainty (k = 2) of one reading of a table without such a column
    #[arg(long, value_name = "LENGTH")]
    pub earlier_u: Option<String>,
    /// Velocity a table was measured with, m/s
    #[arg(long, value_name = "M_S", value_parser = parse_number)]
    pub earlier_velocity: Option<f64>,
    /// Mode a table was measured in
    #[arg(long, value_parser = choice(Mode::ALL))]
    pub earlier_mode: Option<Mode>,
}

/// An earlier survey that a screen draws behind the present one.
#[derive(Args, Debug, Clone, Default)]
#[command(next_help_heading = "Earlier surveys")]
pub struct BehindArgs {
    /// An earlier survey to draw behind the present one: another job file, or a CSV file with columns named
    #[arg(long, value_name = "FILE", conflicts_with = "headless")]
    pub earlier: Option<PathBuf>,
    #[command(flatten)]
    pub told: ToldArgs,
}

impl BehindArgs {
    /// The earlier survey, and what was given with it. Its lengths are in the job's unit where they name none.
    pub fn survey(&self, job: &Path) -> anyhow::Result<Option<EarlierSurvey>> {
        let Some(path) = self.earlier.clone() else { return Ok(None) };
        let unit = JobFile::open_read_only(job)?.contents()?.plan.job.units;
        Ok(Some(EarlierSurvey { path, told: self.told.told(unit)? }))
    }
}

#[derive(Args, Debug, Clone, Default)]
#[command(next_help_heading = "Earlier surveys")]
pub struct EarlierArgs {
    /// An earlier survey: a job file, or a table as CSV; once for each
    #[arg(long, value_name = "FILE")]
    pub earlier: Vec<PathBuf>,
    /// The day of an earlier survey, once for each --earlier and in the same order
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub earlier_date: Vec<NaiveDate>,
    #[command(flatten)]
    pub told: ToldArgs,
    /// Added to the earlier positions, instead of an offset that is found
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true, conflicts_with = "accept_offset")]
    pub offset: Option<String>,
    /// How far each way an offset is looked for, 1 m if not given
    #[arg(long, value_name = "LENGTH")]
    pub search: Option<String>,
    /// Take the offset that laying the profiles over each other finds
    #[arg(long)]
    pub accept_offset: bool,
}

fn column(text: &str) -> Result<(ColumnRole, String), String> {
    let (role, name) = text.split_once('=').ok_or_else(|| format!("'{text}' is not WHAT=NAME, such as thickness=Wall"))?;
    Ok((role.trim().parse()?, name.trim().to_owned()))
}

fn direction(text: &str) -> Result<Direction, String> {
    [Direction::Up, Direction::Down, Direction::Across]
        .into_iter()
        .find(|direction| direction.word() == text)
        .ok_or_else(|| format!("'{text}' is not a direction: up, down or across"))
}

/// A length as it was typed behind an option.
fn length(name: &'static str, text: &Option<String>, unit: LengthUnit) -> anyhow::Result<Option<Length>> {
    text.as_deref().map(|text| parse_length(text, unit)).transpose().context(name)
}

impl ToldArgs {
    /// Lengths without a unit are in `unit`.
    pub fn told(&self, unit: LengthUnit) -> anyhow::Result<EarlierTold> {
        let expanded = length("--earlier-u", &self.earlier_u, unit)?;
        if expanded.is_some_and(|expanded| expanded <= Length::ZERO) {
            bail!("--earlier-u must be greater than 0");
        }
        if self.earlier_velocity.is_some_and(|velocity| !(500.0..=15000.0).contains(&velocity)) {
            bail!("--earlier-velocity must be between 500 and 15000 m/s");
        }
        Ok(EarlierTold {
            columns: self.column.clone(),
            unit: self.unit,
            line: self.earlier_line.clone(),
            date: None,
            date_order: self.earlier_date_order,
            datum: self.earlier_datum.clone(),
            direction: self.earlier_direction,
            start: length("--earlier-start", &self.earlier_start, unit)?,
            expanded,
            velocity: self.earlier_velocity.map(Velocity::m_s),
            mode: self.earlier_mode,
        })
    }
}

impl EarlierArgs {
    /// Reads the surveys. Lengths without a unit are in `unit`.
    pub fn request(&self, unit: LengthUnit) -> anyhow::Result<Request> {
        if !self.earlier_date.is_empty() && self.earlier_date.len() != self.earlier.len() {
            bail!(
                "{} --earlier-date for {} --earlier: give one for each, in the same order, or none",
                self.earlier_date.len(),
                self.earlier.len()
            );
        }
        let told = self.told.told(unit)?;
        let surveys = self.earlier.iter().enumerate().map(|(index, path)| {
            let told = EarlierTold { date: self.earlier_date.get(index).copied(), ..told.clone() };
            earlier::load(path, &told)
        });
        let mut settings = CompareSettings { unit, ..CompareSettings::default() };
        settings.search = length("--search", &self.search, unit)?.unwrap_or(settings.search);
        if !(settings.search > Length::ZERO && settings.search <= Length::metres(100.0)) {
            bail!("--search must be more than 0 and not more than 100 m");
        }
        Ok(Request {
            earlier: surveys.collect::<Result<_, _>>()?,
            offset: length("--offset", &self.offset, unit)?,
            accept_offset: self.accept_offset,
            settings,
            ..Request::default()
        })
    }
}
