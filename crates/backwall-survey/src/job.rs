//! PURE. What a job is: asset, people, kit, lines, limits and set-up (the plan), and the pre-scan checklist.

pub mod assess;
pub mod basis;
pub mod check;
pub mod checklist;
pub mod expiry;
pub mod force;
pub mod gate;
pub mod hand;
pub mod keys;
pub mod left;
pub mod noted;
pub mod overriding;
pub mod plan;
pub mod revision;
pub mod statement;
pub mod takes;
pub mod validity;
mod walk;
pub mod wall;
pub mod zone;

pub use basis::Basis;
pub use check::{PlanError, Problem};
pub use checklist::{Answer, AnswerError, Checklist, Item, ItemState};
pub use force::{InForce, in_force};
pub use gate::GateRule;
pub use plan::Plan;
pub use statement::{Said, Statement};
pub use takes::Takes;
pub use zone::Zone;
