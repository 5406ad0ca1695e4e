//! Bytes to records: sources, profiles, framing, decoding, and the virtual crawler.

pub mod feed;
pub mod profile;
pub mod spec;
