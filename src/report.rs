//! Exports and reports.

pub mod csv;
pub mod document;
pub mod earlier;
pub mod figure;
pub mod parquet;
pub mod pdf;
pub mod png;
pub mod readings;
pub mod statistics;
pub mod svg;
pub mod table;
pub mod whole_file;
pub mod words;
