//! An earlier survey, laid behind the walked runs and compared with them.

use crate::console::review::{Earlier, EarlierOutline, News};
use anyhow::bail;
use backwall_report::earlier::{EarlierTable, EarlierTold};
use backwall_store::{Cursor, JobReader, RunSummary, StoreError};
use backwall_survey::strip::compare::{self, CompareSettings, Point, SetupFacts, SurveyLine, align};
use backwall_survey::strip::{Level, Strip};
use backwall_units::Length;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

/// An earlier survey to be drawn behind the present one.
#[derive(Debug, Clone)]
pub struct EarlierSurvey {
    pub path: PathBuf,
    /// What a table does not tell itself.
    pub told: EarlierTold,
}

impl EarlierSurvey {
    /// A line of it as an outline, positions as they were written.
    pub fn outline(&self, line: &str) -> anyhow::Result<EarlierOutline> {
        let survey = backwall_report::earlier::load(&self.path, &self.told)?;
        Ok(self.outline_of(self.line(&survey, line)?))
    }

    fn line<'a>(&self, survey: &'a EarlierTable, name: &str) -> anyhow::Result<&'a SurveyLine> {
        let Some(line) = survey.line(name) else {
            let known: Vec<&str> = survey.lines.iter().map(|line| line.line.as_str()).collect();
            let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
            bail!("{} has no line {name}; it has {known}", self.path.display());
        };
        Ok(line)
    }

    fn outline_of(&self, line: &SurveyLine) -> EarlierOutline {
        let mut strip = Strip::default();
        for point in &line.points {
            strip.push(Some(point.along), Some(point.thickness), Level::Unjudged);
        }
        let file = self.path.file_name().map_or_else(|| self.path.display().to_string(), |name| name.to_string_lossy().into_owned());
        EarlierOutline { source: line.date.map_or_else(|| file.clone(), |date| format!("{file} of {date}")), strip }
    }
}

type NowAndEarlier = (Vec<Point>, Vec<Point>);

/// The present and the earlier survey, kept for as long as they may be compared.
#[derive(Clone, Default)]
pub(super) struct Surveys(Arc<Mutex<Option<NowAndEarlier>>>);

impl Surveys {
    /// Reads the earlier survey, and the present one as the same thing.
    pub(super) fn load(&self, reader: &JobReader, runs: &[RunSummary], behind: &EarlierSurvey) -> anyhow::Result<Earlier> {
        let Some(newest) = runs.last() else { bail!("there is no run to compare it with") };
        let survey = backwall_report::earlier::load(&behind.path, &behind.told)?;
        let name = &newest.start.line;
        let earlier = behind.line(&survey, name)?;
        let contents = reader.contents()?;
        let mut now = SurveyLine {
            line: name.clone(),
            source: reader.path().display().to_string(),
            datum: Some(contents.plan.asset.datum.clone()),
            direction: Some(newest.start.path.direction),
            date: backwall_report::words::day(newest.start.started_us, contents.plan.zone()),
            setup: SetupFacts::of(contents.setup_of(newest), newest.start.wall_temperature),
            points: Vec::new(),
            without: 0,
        };
        for run in runs {
            Cursor::glancing(run.id).read_on(
                reader,
                |_| true,
                |_, glance| {
                    match (glance.along, glance.counted()) {
                        (Some(along), Some(thickness)) => now.points.push(Point { along, thickness, uncertainty: glance.uncertainty }),
                        _ => now.without += 1,
                    }
                    Ok::<(), StoreError>(())
                },
            )?;
        }
        let alignment = align(&now.points, &earlier.points, &CompareSettings::default());
        let mut warnings = compare::warnings(&now, earlier, contents.plan.job.units);
        warnings.extend(survey.remarks.iter().cloned());
        let EarlierOutline { source, strip } = behind.outline_of(earlier);
        let points = earlier.points.clone();
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some((now.points, points));
        Ok(Earlier { source, strip, alignment, warnings })
    }

    pub(super) fn compare(&self, offset: Length) -> Option<News> {
        let held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (now, earlier) = held.as_ref()?;
        Some(News::Compared(Arc::new(compare::compare(now, earlier, offset, &CompareSettings::default()))))
    }
}
