//! What the tests of the console share.

pub mod bench;
pub mod fixture;
pub mod job;
