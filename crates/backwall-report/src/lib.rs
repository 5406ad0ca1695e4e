//! Exports and reports.

pub mod assessment;
pub mod contents;
pub mod csv;
pub mod document;
pub mod dxf;
pub mod earlier;
pub mod figure;
pub mod geojson;
pub mod hand;
pub mod handover;
pub mod html;
pub mod left;
pub mod parquet;
pub mod pdf;
pub mod picture;
pub mod png;
pub mod qr;
pub mod readings;
pub mod statistics;
pub mod svg;
pub mod table;
pub mod template;
pub mod unrolled;
pub mod unseen;
pub mod whole_file;
pub mod words;
