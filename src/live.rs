//! One run as it happens: the tasks and channels between stream, reading, store and screen.
//!
//! `ahead` measures a long batch on all cores, `begin` is a run as it is asked for, `bench` is the calibration with the probe on blocks, `change` what a run may go on with, `disagree` where
//! first echo and echo to echo do, `distrust` is what a device says that cannot
//! be, `engine` is one feed item to readings and entries, `ordered` what was sent to the device, `place` a place that is set again, `scan`
//! starts and drives a run, `view` holds what a screen may look at, `wall` what was learned of the wall. The screen never holds anything up: it looks at
//! the latest [`LiveView`] and locks [`LiveWall`] for no longer than it takes to copy a glimpse out.

mod ahead;
pub mod begin;
pub mod bench;
pub mod blocks;
pub mod change;
pub mod connecting;
pub mod disagree;
mod distrust;
pub mod engine;
mod ordered;
pub mod place;
pub mod scan;
mod unsaved;
pub mod unseen;
pub mod verdict;
pub mod view;
pub mod wall;

pub use backwall_store::now_us;
pub use begin::{Begin, CannotContinue, ContinuesRun};
pub use change::{Changed, GoesOnWith};
pub use connecting::{ConnectError, Connecting};
pub use disagree::Disagreement;
pub use engine::Notice;
pub use scan::{LEAST_FREE, RunRequest, Scan, ScanOrder, ScanRequest, StartError, low_disk, start};
pub use view::{LiveCounts, LiveView, Phase, RunCommand, Telemetry};
pub use wall::LiveWall;
