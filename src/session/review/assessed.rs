//! Whether each course is enough, worked out by a thread of its own for a screen: the same function and words as `assess`.

use super::EarlierSurvey;
use crate::console::SurveyHandle;
use crate::console::survey::SurveyNews;
use crate::session::basis;
use anyhow::Context;
use backwall_report::assessment::{Against, Request};
use backwall_report::earlier;
use backwall_store::{JobFile, JobReader};
use backwall_survey::job::statement::BasisText;
use backwall_units::LengthUnit;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::mpsc::error::TrySendError;

pub fn open(
    path: &Path,
    what_if: Option<Box<BasisText>>,
    unit: LengthUnit,
    behind: Option<&EarlierSurvey>,
) -> anyhow::Result<SurveyHandle> {
    let reader = JobFile::open_read_only(path)?;
    let (tell, news) = tokio::sync::mpsc::channel(4);
    let (asks, _) = std::sync::mpsc::channel();
    let (path, behind): (PathBuf, Option<EarlierSurvey>) = (path.to_owned(), behind.cloned());
    let work = move || {
        // A screen that is behind gets a later one; one that is gone ends the work.
        let mut tick = |done, of| !matches!(tell.try_send(SurveyNews::Assessing { done, of }), Err(TrySendError::Closed(_)));
        let news = match judged(&reader, &path, (what_if, unit), behind.as_ref(), &mut tick) {
            _ if tell.is_closed() => return,
            Ok(found) => SurveyNews::Assessed(Arc::new(found)),
            Err(error) => SurveyNews::AssessFailed(format!("{error:#}")),
        };
        tell.blocking_send(news).ok();
    };
    std::thread::Builder::new().name("assessment".to_owned()).spawn(work)?;
    Ok(SurveyHandle { news, asks })
}

fn judged(
    reader: &JobReader,
    path: &Path,
    (what_if, unit): (Option<Box<BasisText>>, LengthUnit),
    behind: Option<&EarlierSurvey>,
    tick: &mut dyn FnMut(u64, u64) -> bool,
) -> anyhow::Result<Against> {
    let contents = reader.contents()?;
    let earlier = behind.map(|behind| earlier::load(&behind.path, &behind.told)).transpose().context("the earlier survey")?;
    let request = Request { earlier: earlier.into_iter().collect(), unit: Some(unit), ..Request::default() };
    let in_force = basis::chosen(None, path, &contents)?;
    let other = what_if.map(|what_if| basis::typed(*what_if, path));
    basis::judged(reader, &contents, (&in_force, other.as_ref()), &request, tick)
}
