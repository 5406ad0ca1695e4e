//! One run as it happens: the tasks and channels between stream, reading, store and screen.
//!
//! `ahead` measures a long batch on all cores, `bench` is the calibration with the probe on blocks, `distrust` is what a device says that cannot
//! be, `engine` is one feed item to readings and entries, `scan`
//! starts and drives a run, `view` holds what a screen may look at, `wall` what was learned of the wall. The screen never holds anything up: it looks at
//! the latest [`LiveView`] and locks [`Wall`] for no longer than it takes to copy a glimpse out.

mod ahead;
pub mod bench;
pub mod blocks;
pub mod connecting;
mod distrust;
pub mod engine;
pub mod scan;
mod unsaved;
pub mod unseen;
pub mod verdict;
pub mod view;
pub mod wall;

pub use backwall_store::now_us;
pub use connecting::{ConnectError, Connecting};
pub use engine::Notice;
pub use scan::{LEAST_FREE, Order, Scan, ScanRequest, StartError, low_disk, start};
pub use view::{Command, Counts, LiveView, Phase, Telemetry};
pub use wall::Wall;
