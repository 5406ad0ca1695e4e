//! The job file: one SQLite file per job, written by one thread, append-only where it matters.
//!
//! "Saved" means: in a transaction that was committed and synced (`synchronous=FULL`). Nothing else is ever
//! called saved. `contents` holds the plain types that go in and come out. `file` makes, opens and closes, `writer`
//! and `queue` take in, `reader` gives back, `cursor` run by run, `evaluation` makes readings again, `adoption`, `statements` and `minimum` say what counts; `schema`, `insert`, `row`, `codec` and `summary` are the tables and what
//! is in them, `digest` the chain over them, `lock` what keeps a second writer out. `docs/job-file.md` describes the
//! file to others.

pub mod contents;

mod adoption;
mod allowed;
mod codec;
mod cursor;
mod differing;
mod digest;
mod error;
mod evaluation;
mod evaluator;
mod file;
pub mod in_order;
mod insert;
mod lock;
mod minimum;
mod overview;
pub mod photos;
mod queue;
mod reader;
mod remake;
mod row;
mod schema;
mod seal;
pub mod small_file;
mod statements;
mod summary;
mod verify;
mod writer;

pub use adoption::Adoption;
pub use codec::{CodecError, Packer, Unpacker};
pub use contents::{
    CloseReason, Entry, EventKind, JobContents, Mark, MarkKind, Note, PlaceSet, RunEvent, RunId, RunStart, RunState, RunSummary, Saved,
    SavedRun, SetupChange, SetupEntry,
};
pub use cursor::{Cursor, CursorStep};
pub use differing::{differences, differences_in};
pub use error::{Holder, StoreError};
pub use evaluation::{Changes, EvaluationError, EvaluationFindings, EvaluationId, EvaluationStart, EvaluationSummary, ReadingDifference};
pub use evaluator::Moved;
pub use file::JobFile;
pub use overview::ReadingSummary;
pub use reader::JobReader;
pub use seal::{AgainstSeal, LEAST_DIGITS, Seal, bytes_digest, file_digest};
pub use verify::{EvaluationVerdict, FileProblem, FileVerdict, RunVerdict};
pub use writer::{Writer, now_us};
