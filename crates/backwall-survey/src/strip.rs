//! PURE. Thickness against distance: levels, bins that keep the worst, spots, statistics, the unrolled wall, and
//! the comparison of two surveys.

pub mod bins;
pub mod compare;
pub mod histogram;
pub mod level;
pub mod map;
pub mod places;
mod recent;
pub mod section;
pub mod spot;
pub mod statistics;

pub use bins::{Bin, Row, Strip};
pub use level::{CourseLimits, Level, Limits};
pub use map::WallMap;
pub use places::{At, Places};
pub use section::{Section, Seen};
pub use spot::{AlarmSettings, Spot, SpotId, SpotWatch};
