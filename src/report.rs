//! Exports and reports.
