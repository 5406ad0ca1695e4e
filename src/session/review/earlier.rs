//! An earlier survey, laid behind the walked runs and compared with them.

use crate::console::review::{Earlier, News};
use anyhow::bail;
use backwall_report::{self, earlier::Told};
use backwall_store::{Cursor, JobReader, RunSummary, StoreError};
use backwall_survey::strip::compare::{self, Point, Settings, SetupFacts, SurveyLine, align};
use backwall_survey::strip::{Level, Strip};
use backwall_units::Length;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

/// An earlier survey to be drawn behind the present one.
#[derive(Debug, Clone)]
pub struct EarlierSurvey {
    pub path: PathBuf,
    /// What a table does not tell itself.
    pub told: Told,
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
        let Some(earlier) = survey.line(name) else {
            let known: Vec<&str> = survey.lines.iter().map(|line| line.line.as_str()).collect();
            bail!(
                "{} has no line {name}; it has {}",
                behind.path.display(),
                if known.is_empty() { "none".to_owned() } else { known.join(", ") }
            );
        };
        let contents = reader.contents()?;
        let mut now = SurveyLine {
            line: name.clone(),
            source: reader.path().display().to_string(),
            datum: Some(contents.plan.asset.datum.clone()),
            direction: Some(newest.start.path.direction),
            date: backwall_report::earlier::date_of(newest.start.started_us),
            setup: SetupFacts::of(contents.setup_of(newest), newest.start.wall_temperature),
            points: Vec::new(),
            without: 0,
        };
        for run in runs {
            Cursor::glancing(run.id).read_on(
                reader,
                |_| true,
                |_, glance| {
                    match (glance.along, glance.thickness) {
                        (Some(along), Some(thickness)) => now.points.push(Point { along, thickness, uncertainty: glance.uncertainty }),
                        _ => now.without += 1,
                    }
                    Ok::<(), StoreError>(())
                },
            )?;
        }
        let mut strip = Strip::default();
        for point in &earlier.points {
            strip.push(Some(point.along), Some(point.thickness), Level::Unjudged);
        }
        let alignment = align(&now.points, &earlier.points, &Settings::default());
        let mut warnings = compare::warnings(&now, earlier);
        warnings.extend(survey.remarks.iter().cloned());
        let path = &behind.path;
        let file = path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
        let source = earlier.date.map_or_else(|| file.clone(), |date| format!("{file} of {date}"));
        let points = earlier.points.clone();
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some((now.points, points));
        Ok(Earlier { source, strip, alignment, warnings })
    }

    pub(super) fn compare(&self, offset: Length) -> Option<News> {
        let held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (now, earlier) = held.as_ref()?;
        Some(News::Compared(Arc::new(compare::compare(now, earlier, offset, &Settings::default()))))
    }
}
