//! What is left to do, read by a thread of its own for a screen; it ends when nobody listens any more.

use crate::console::SurveyHandle;
use crate::console::survey::SurveyNews;
use backwall_report::left::left;
use backwall_store::JobFile;
use std::path::Path;
use std::sync::Arc;
use tokio::sync::mpsc::error::TrySendError;

pub fn open(path: &Path) -> anyhow::Result<SurveyHandle> {
    let reader = JobFile::open_read_only(path)?;
    let (tell, news) = tokio::sync::mpsc::channel(4);
    let (asks, _) = std::sync::mpsc::channel();
    let work = move || {
        let found = reader.contents().and_then(|contents| {
            let of: u64 = contents.runs.iter().map(|run| run.readings).sum();
            let mut done = 0;
            left(&reader, &contents, crate::live::now_us(), contents.plan.job.units, &mut |new| {
                done += new;
                // A screen that is behind gets a later one; one that is gone ends the work.
                !matches!(tell.try_send(SurveyNews::Left { done, of: of.max(done) }), Err(TrySendError::Closed(_)))
            })
        });
        let news = match found {
            Ok(None) => return,
            Ok(Some(found)) => SurveyNews::LeftFound(Arc::new(found)),
            Err(error) => SurveyNews::LeftFailed(error.to_string()),
        };
        tell.blocking_send(news).ok();
    };
    std::thread::Builder::new().name("left".to_owned()).spawn(work)?;
    Ok(SurveyHandle { news, asks })
}
