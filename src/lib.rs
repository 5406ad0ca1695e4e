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
//! The libraries under `crates/` are what flows and where to; Cargo holds who may know whom. This package is the program:
//! `live` runs one step, `console` draws and takes keys, `session` is what it works on, `cli` reads arguments and prints.

pub mod cli;
pub mod console;
pub mod live;
pub mod platform;
pub mod session;
