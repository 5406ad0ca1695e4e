//! Exports and reports.

pub mod csv;
pub mod figure;
pub mod svg;
