//! The job file: one SQLite file per job, written by one thread, append-only where it matters.
//!
//! "Saved" means: in a transaction that was committed and synced (`synchronous=FULL`). Nothing else is ever
//! called saved. `contents` holds the plain types that go in and come out.

pub mod contents;

pub use contents::{
    CloseReason, Entry, EventKind, JobContents, Mark, MarkKind, Note, RunId, RunStart, RunState, RunSummary, Saved, SetupEntry,
};
