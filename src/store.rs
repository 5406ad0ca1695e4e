//! The job file: one SQLite file per job, written by one thread, append-only where it matters.
