//! The virtual crawler: a wall described in TOML, and the stream a crawler on it would send.
//!
//! Everything is simulated from closed formulas and is the same bit for bit on every machine: transcendental functions
//! come from `libm`, random numbers from our own generator, sums run in a fixed order. `docs/virtual-crawler.md`
//! describes the model and the file.
//!
//! `wall` is the file; `section` what the probe stands on at a place; `pulse` the probe's pulse; `echoes` one shot's
//! waveform; `drive` the way; `noise` the randomness; `crawler` the frames.

mod crawler;
mod drive;
mod echoes;
mod noise;
mod pulse;
mod section;
mod shooter;
pub mod wall;

pub use backwall_stream::Paced;
pub use crawler::{Crawler, CrawlerError, DeviceTime, StreamEnd};
pub use section::Sections;
pub use shooter::Shooter;
pub use wall::VirtualWall;
