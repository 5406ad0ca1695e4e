//! PURE. Thickness against distance: levels, bins that keep the worst, and spots.

pub mod bins;
pub mod level;
pub mod spot;

pub use bins::{Bin, Row, Strip};
pub use level::{CourseLimits, Level, Limits};
pub use spot::{AlarmSettings, Spot, SpotId, SpotWatch};
