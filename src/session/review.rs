//! The threads behind the console's review, each in a file of its own. The screen waits for none of them, and each ends when
//! what it reads is listened to no more.

mod assessed;
mod earlier;
mod fetch;
mod map;
mod replay;
mod statistics;
mod walk;

pub use earlier::EarlierSurvey;
pub use fetch::window;
pub use replay::open as open_replay;
pub use walk::open;

use crate::console::SurveyHandle;
use crate::console::survey::SurveyAsk;
use std::path::Path;
use std::time::Duration;

/// How often what has been read is shown while it is read.
const TELL: Duration = Duration::from_millis(250);
/// How often a run still being recorded is looked at again.
const AGAIN: Duration = Duration::from_secs(1);

/// Reads the whole job for a screen of it.
pub fn open_survey(path: &Path, survey: SurveyAsk, behind: Option<&EarlierSurvey>) -> anyhow::Result<SurveyHandle> {
    match survey {
        SurveyAsk::Assessed(what_if, unit) => assessed::open(path, what_if, unit, behind),
        SurveyAsk::Map => map::open(path),
        SurveyAsk::Left => super::left::open(path),
        SurveyAsk::Unseen(run) => super::unseen::open(path, run),
        SurveyAsk::Statistics { line, interval } => statistics::open(path, line, interval),
    }
}
