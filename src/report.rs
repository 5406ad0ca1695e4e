//! Exports and reports.

pub mod csv;
pub mod document;
pub mod figure;
pub mod pdf;
pub mod svg;
pub mod words;
