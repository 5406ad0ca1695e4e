//! What the console and the commands work on: the open job with its streams, and the threads that read a stored run for the
//! review. Knows the console's types, since it is what stands behind its screens; the console knows nothing of it.

pub mod amend;
mod backend;
pub mod basis;
mod draft;
pub mod evaluate;
pub mod left;
mod open_job;
pub mod photo;
pub mod prove;
pub mod report;
pub mod review;
pub mod sealed;
pub mod unseen;

pub use backend::{ConsoleBackend, ReadOnlyBackend};
pub use draft::DraftBackend;
pub use open_job::{LineStream, Session, operator_of, runtime};
