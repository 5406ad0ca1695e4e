//! The whole job on one screen, read through in the background: the unrolled map and the statistics of its lines.

pub mod map;
pub mod statistics;

pub use map::{MapShown, Surveyed};
pub use statistics::{Figures, StatisticsShown};

use backwall_report::assessment::Against;
use backwall_report::left::Left;
use backwall_report::unseen::UnseenOfRun;
use backwall_store::RunId;
use backwall_survey::job::statement::BasisText;
use backwall_units::{Length, LengthUnit};
use std::sync::Arc;

/// What is to be read of the job.
#[derive(Debug, Clone, PartialEq)]
pub enum SurveyAsk {
    Map,
    /// Statistics of every line, and of the intervals of one.
    Statistics {
        line: String,
        interval: Length,
    },
    /// What a run could not have seen.
    Unseen(RunId),
    /// What is left to do.
    Left,
    /// Whether each course is enough, by what is in force; and beside it by another basis. Words in this unit.
    Assessed(Option<Box<BasisText>>, LengthUnit),
}

/// What has come of it.
#[derive(Debug, Clone)]
pub enum SurveyNews {
    Map(Arc<Surveyed>),
    Statistics(Arc<Figures>),
    /// Drives of the model done, and of how many.
    Unseen {
        done: u64,
        of: u64,
    },
    UnseenFound(Arc<UnseenOfRun>),
    /// Why there is none.
    UnseenFailed(String),
    /// Readings read for what is left, and of how many.
    Left {
        done: u64,
        of: u64,
    },
    LeftFound(Arc<Left>),
    LeftFailed(String),
    /// Readings read for the assessment, and of how many.
    Assessing {
        done: u64,
        of: u64,
    },
    Assessed(Arc<Against>),
    AssessFailed(String),
    /// What could not be read, and what to do.
    Failed(String),
}

/// What a run could not have seen, or how far the model is driven.
#[derive(Debug, Clone)]
pub struct UnseenShown {
    pub run: RunId,
    pub progress: (u64, u64),
    pub found: Option<Arc<UnseenOfRun>>,
    pub failed: Option<String>,
}
