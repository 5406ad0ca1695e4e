//! A run as the operator asks for it: on which line, from where on it, against what. One type from the keys to the store.

use backwall_store::{JobContents, RunId};
use backwall_survey::job::overriding::Override;
use backwall_survey::travel::{NotOnLine, Path};
use backwall_units::Length;

/// What is to be begun.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Begin {
    pub line: String,
    /// From the line's start to where the crawler stands, along the way it is driven.
    pub offset: Length,
    /// Why, and by whose name, although something stops it.
    pub against: Option<Override>,
    /// The run that this one goes on from: from its last saved place, which then counts before `line` and `offset`.
    pub continues: Option<RunId>,
}

/// Why a run cannot go on from an earlier one.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CannotContinue {
    #[error("there is no run {0} to go on from; `backwall review JOB --headless` lists the runs")]
    NoRun(RunId),
    #[error("run {0} does not count, so no run goes on from it: start on the line with an offset instead")]
    NotCounted(RunId),
    #[error("run {0} is still being recorded: end it first")]
    Open(RunId),
    #[error("run {0} has no reading with a place to go on from: start on the line with an offset instead")]
    NoPlace(RunId),
    #[error("run {run} was put on line {line} driven from its far end: start on the line with an offset instead")]
    Mirrored { run: RunId, line: String },
    #[error("run {run} ended at {:.1} mm, where line {line} is not: start on the line with an offset instead", .at.as_mm())]
    OffLine { run: RunId, line: String, at: Length },
}

impl Begin {
    /// On a line from its start.
    pub fn on(line: &str) -> Self {
        Self { line: line.to_owned(), ..Self::default() }
    }

    pub fn against(self, against: Option<Override>) -> Self {
        Self { against, ..self }
    }

    /// On the line of an earlier run, from the last place that was saved of it.
    pub fn continuing(job: &JobContents, run: RunId, last: Option<Length>) -> Result<Self, CannotContinue> {
        let found = job.any_run(run).ok_or(CannotContinue::NoRun(run))?;
        let standing = job.force.runs.get(&run);
        if !job.runs.iter().any(|known| known.id == run) {
            return Err(CannotContinue::NotCounted(run));
        }
        if found.state == backwall_store::RunState::Open {
            return Err(CannotContinue::Open(run));
        }
        let line = found.start.line.clone();
        if standing.is_some_and(|standing| standing.mirrored) {
            return Err(CannotContinue::Mirrored { run, line });
        }
        let at = last.ok_or(CannotContinue::NoPlace(run))?;
        let off_line = CannotContinue::OffLine { run, line: line.clone(), at };
        let Some(planned) = job.plan.line(&line) else { return Err(off_line) };
        let path = job.plan.path(planned);
        let offset = offset_of(&path, at);
        match path.starting(offset) {
            Ok(_) => Ok(Self { line, offset, against: None, continues: Some(run) }),
            Err(_) => Err(off_line),
        }
    }

    /// The path of the run, if the line is there to start on.
    pub fn path(&self, planned: Path) -> Result<Path, NotOnLine> {
        planned.starting(self.offset)
    }
}

/// How far a place is from the line's start, along the way it is driven.
pub fn offset_of(path: &Path, at: Length) -> Length {
    Length::micrometres(((at - path.line_start()) * path.direction.sign()).as_micrometres())
}
