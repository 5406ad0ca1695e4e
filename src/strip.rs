//! PURE. Thickness against distance: levels, bins that keep the worst, spots, statistics, and the unrolled wall.

pub mod bins;
pub mod histogram;
pub mod level;
pub mod map;
pub mod spot;
pub mod statistics;

pub use bins::{Bin, Row, Strip};
pub use level::{CourseLimits, Level, Limits};
pub use map::WallMap;
pub use spot::{AlarmSettings, Spot, SpotId, SpotWatch};
