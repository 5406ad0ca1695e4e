//! The terminal console.
