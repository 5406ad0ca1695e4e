//! Exports and reports.

pub mod csv;
pub mod earlier;
