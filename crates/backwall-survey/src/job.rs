//! PURE. What a job is: asset, people, kit, lines, limits and set-up (the plan), and the pre-scan checklist.

pub mod assess;
pub mod check;
pub mod checklist;
pub mod expiry;
pub mod gate;
pub mod overriding;
pub mod plan;
pub mod validity;
pub mod wall;

pub use check::{PlanError, Problem};
pub use checklist::{Answer, AnswerError, Checklist, Item, ItemState};
pub use gate::GateRule;
pub use plan::Plan;
