//! Bytes to records: sources, profiles, framing, decoding, and the virtual crawler.

pub mod cobs;
pub mod feed;
pub mod packet;
pub mod profile;
pub mod simulate;
pub mod spec;
