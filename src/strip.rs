//! PURE. Thickness against distance: levels, bins that keep the worst, spots, and the unrolled wall.

pub mod bins;
pub mod level;
pub mod map;
pub mod spot;

pub use bins::{Bin, Row, Strip};
pub use level::{CourseLimits, Level, Limits};
pub use map::WallMap;
pub use spot::{AlarmSettings, Spot, SpotId, SpotWatch};
