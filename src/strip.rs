//! PURE. Thickness against distance: levels, bins that keep the worst, spots, and statistics.

pub mod bins;
pub mod histogram;
pub mod level;
pub mod spot;
pub mod statistics;

pub use bins::{Bin, Row, Strip};
pub use level::{CourseLimits, Level, Limits};
pub use spot::{AlarmSettings, Spot, SpotId, SpotWatch};
