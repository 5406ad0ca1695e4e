//! A process that is killed while it records.
