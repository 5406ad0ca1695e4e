//! PURE. The middle of the house: where on the wall a shot was taken (`travel`), what a reading is (`reading`), thickness against
//! distance (`strip`), what a job is (`job`), and the numbers an engineer asks for (`integrity`).
//!
//! Opens no file, reads no clock, spawns no task.

pub mod integrity;
pub mod job;
pub mod neighbours;
pub mod reading;
pub mod strip;
pub mod travel;
