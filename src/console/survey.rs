//! The whole job on one screen, read through in the background: the unrolled map and the statistics of its lines.

pub mod map;

pub use map::{MapShown, Surveyed};

use std::sync::Arc;

/// What is to be read of the job.
#[derive(Debug, Clone, PartialEq)]
pub enum Survey {
    Map,
}

/// What has come of it.
#[derive(Debug, Clone)]
pub enum SurveyNews {
    Map(Arc<Surveyed>),
    /// What could not be read, and what to do.
    Failed(String),
}

/// The survey on screen.
#[derive(Debug, Clone)]
pub enum SurveyShown {
    Map(MapShown),
}
