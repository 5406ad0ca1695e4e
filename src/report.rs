//! Exports and reports.

pub mod csv;
