//! One run as it happens: the tasks and channels between stream, reading, store and screen.
//!
//! `view` holds what a screen may look at, `scan` starts and drives a run, `step` is one feed item to readings
//! and entries. The screen never holds anything up: it looks at the latest [`LiveView`] and locks [`Wall`] for
//! no longer than it takes to copy rows out.

pub mod view;

pub use view::{Command, Counts, LiveView, Phase, Telemetry, Wall};
