//! PURE. Thickness against distance: levels, bins that keep the worst, spots, statistics,
//! and the comparison of two surveys.

pub mod bins;
pub mod compare;
pub mod histogram;
pub mod level;
pub mod spot;
pub mod statistics;

pub use bins::{Bin, Row, Strip};
pub use level::{CourseLimits, Level, Limits};
pub use spot::{AlarmSettings, Spot, SpotId, SpotWatch};
