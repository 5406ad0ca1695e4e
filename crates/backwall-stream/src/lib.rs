//! Bytes to records: sources, profiles, framing, decoding.

mod check;
pub mod cobs;
pub mod command;
mod condition;
mod counter;
pub mod crc;
pub mod decode;
#[cfg(test)]
mod device_tests;
pub mod diagnose;
mod draft;
pub mod feed;
mod first;
mod framing;
mod json;
mod layout;
mod link;
mod meaning;
pub mod paced;
pub mod packet;
pub mod platform;
pub mod ports;
pub mod profile;
mod queue;
mod read;
mod samples;
pub mod spec;
mod talk;
pub mod tap;
mod unfit;

pub use decode::{DecodeCounts, Decoded, DecodedWhat, Decoder};
pub use feed::{Feed, FeedItem, LinkState, Source, SourceOptions, StopHandle, StreamError, open, open_side_by_side};
pub use paced::{FrameSource, Paced};
pub use profile::{DEFAULT_PROFILE, Profile, ProfileError};
pub use spec::{Pace, SpecError, StreamSpec};
