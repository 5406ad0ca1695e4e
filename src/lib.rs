//! Backwall: a terminal console for live ultrasonic wall-thickness acquisition.
//!
//! The way of the data through the house is straight:
//!
//! ```text
//! bytes ──stream──> record ──live──> reading ──┬──> store    (the job file, durable)
//!                                              ├──> strip    (bins by distance, worst case kept)
//!                                              ├──> alarm    (levels, spots, bell)
//!                                              └──> console  (what the operator sees)
//! ```
//!
//! The rooms, from the ground up. `units` knows nobody. The pure rooms (`ultrasound`, `travel`, `strip`,
//! `integrity`, `job`, `reading`) know `units` and each other where the trade does; they open no file, read no clock and
//! spawn no task. `stream` and `store` know the pure rooms; `live` knows those; `console`, `report` and
//! `cli` know all of them, and nobody knows `console` or `cli`. `tests/architecture.rs` holds this law.

pub mod platform;
pub mod units;

pub mod integrity;
pub mod job;
pub mod reading;
pub mod strip;
pub mod travel;
pub mod ultrasound;

pub mod store;
pub mod stream;

pub mod live;

pub mod cli;
pub mod console;
pub mod report;
