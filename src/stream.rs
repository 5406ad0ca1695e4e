//! Bytes to records: sources, profiles, framing, decoding, and the virtual crawler.

pub mod cobs;
pub mod crc;
pub mod packet;
