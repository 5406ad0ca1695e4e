//! The console: what the operator sees and types. `state` is everything it knows, `update` turns events into new
//! state and effects, `view` draws the state, and `shell` alone owns terminal, input thread and clock. It reads the
//! newest [`crate::live::LiveView`] and never holds up what it looks at.

pub mod backend;
pub mod form;
pub mod glyphs;
pub mod keys;
pub mod left;
pub mod origin;
pub mod planning;
pub mod replay;
pub mod review;
pub mod revision;
pub mod settings;
pub mod shell;
pub mod standing;
pub mod state;
pub mod survey;
pub mod text;
pub mod theme;
pub mod update;
pub mod view;

pub use backend::{Backend, Clock, Reads, ReplayHandle, ReviewHandle, ScanHandle, SurveyHandle};
pub use glyphs::Glyphs;
pub use shell::{ConsoleEnd, ConsoleOptions, count_draws, run};
pub use text::safe_text;
pub use theme::Theme;

/// The steps of a job, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Step {
    Prepare,
    Checklist,
    Calibrate,
    Scan,
    Review,
}

impl Step {
    pub const ALL: [Self; 5] = [Self::Prepare, Self::Checklist, Self::Calibrate, Self::Scan, Self::Review];

    pub const fn word(self) -> &'static str {
        match self {
            Self::Prepare => "Prepare",
            Self::Checklist => "Checklist",
            Self::Calibrate => "Calibrate",
            Self::Scan => "Scan",
            Self::Review => "Review",
        }
    }
}
