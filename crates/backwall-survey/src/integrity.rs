//! PURE. What measured walls mean for an asset, as screening numbers: required thickness, averages, rate, remaining life,
//! next date, trend, variation, and the least value to expect where nobody scanned.
//!
//! Every number comes as an [`WorkedAnswer`]: the value, and beside it formula, inputs with units, source and cautions. What
//! cannot be answered is a [`Refusal`] that says what is missing or which condition does not hold; nothing is assumed.
//! The code of record and the responsible engineer decide.

pub mod average;
pub mod decision;
pub mod extreme;
pub mod interval;
pub mod life;
pub mod local;
pub mod pivot;
pub mod profile;
pub mod rate;
pub mod required;
pub mod trend;
pub mod variation;
pub mod worked;

pub use decision::Decision;
pub use worked::{FormulaSource, Refusal, SourceStanding, Worked, WorkedAnswer, WorkedFigure};

/// Stands on every page of assessment.
pub const CAUTION: &str = "Screening numbers: they rest on the readings and inputs shown. The code of record in its valid edition and the \
                           responsible engineer decide on fitness for service, intervals and re-rating.";
