//! A run as the operator asks for it: on which line, from where on it, against what. One type from the keys to the store.

use backwall_store::{JobContents, RunId, RunState, RunSummary};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::overriding::Override;
use backwall_survey::travel::{NotOnLine, Path};
use backwall_units::Length;

/// What is to be begun.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Begin {
    pub line: String,
    /// From the line's start to where the crawler stands, along the way it is driven.
    pub offset: Length,
    /// How far beside the line a scanner with a second encoder stands.
    pub across: Length,
    /// Why, and by whose name, although something stops it.
    pub against: Option<Override>,
    /// The run that this one goes on from, and who says so why. It is kept as soon as this one is open.
    pub continues: Option<ContinuesRun>,
    /// What was sent to the device on the bench since it was calibrated or verified, in words, where readings depend on it.
    pub adjusted: Vec<String>,
}

/// A run goes on where an earlier one broke off: both are one way along the line.
#[derive(Debug, Clone, PartialEq)]
pub struct ContinuesRun {
    pub from: RunId,
    pub reason: String,
    pub by: Signed,
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
    #[error("that a run goes on from run {0} needs a name and a reason: both are shown in the report")]
    Unsaid(RunId),
    #[error("run {run} is on line {line}: a run that goes on from it is on that line")]
    OtherLine { run: RunId, line: String },
    #[error(
        "run {run} is of another channel, and no run of channel {channel} that counts began with it: start on the line with an offset instead"
    )]
    OtherChannel { run: RunId, channel: String },
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
    pub fn continuing(job: &JobContents, goes_on: ContinuesRun, last: Option<Length>) -> Result<Self, CannotContinue> {
        let run = goes_on.from;
        let line = can_continue(job, run)?.to_owned();
        let at = last.ok_or(CannotContinue::NoPlace(run))?;
        let off_line = CannotContinue::OffLine { run, line: line.clone(), at };
        let Some(planned) = job.plan.line(&line) else { return Err(off_line) };
        let path = job.plan.path(planned);
        let offset = offset_of(&path, at);
        match path.starting(offset) {
            Ok(_) => Ok(Self { line, offset, continues: Some(goes_on), ..Self::default() }),
            Err(_) => Err(off_line),
        }
    }

    /// Whether the run that it goes on from is there to be gone on from, on this line.
    pub fn check(&self, job: &JobContents) -> Result<(), CannotContinue> {
        let Some(ContinuesRun { from, reason, by }) = &self.continues else { return Ok(()) };
        if reason.trim().is_empty() || by.name.trim().is_empty() {
            return Err(CannotContinue::Unsaid(*from));
        }
        let line = can_continue(job, *from)?;
        if line == self.line { Ok(()) } else { Err(CannotContinue::OtherLine { run: *from, line: line.to_owned() }) }
    }

    /// The path of the run, if the line is there to start on.
    pub fn path(&self, planned: Path) -> Result<Path, NotOnLine> {
        Ok(Path { across_start: self.across, ..planned.starting(self.offset)? })
    }
}

/// The run that a new one of `channel` goes on from, where an operator named `run`: that run, or the one of this channel that began with it.
pub fn goes_on_from(job: &JobContents, run: RunId, channel: Option<&str>) -> Result<RunId, CannotContinue> {
    let named = job.any_run(run).ok_or(CannotContinue::NoRun(run))?;
    let Some(channel) = channel.filter(|channel| named.start.channel.as_deref().is_some_and(|own| own != *channel)) else {
        return Ok(run);
    };
    let found = began_with(job, named).find(|other| other.start.channel.as_deref() == Some(channel));
    let found = found.ok_or_else(|| CannotContinue::OtherChannel { run, channel: channel.to_owned() })?;
    can_continue(job, found.id).map(|_| found.id)
}

/// The runs that were opened together with one, itself among them: one stream was read for all of them.
pub fn began_with<'a>(job: &'a JobContents, run: &'a RunSummary) -> impl Iterator<Item = &'a RunSummary> {
    let together = |other: &&RunSummary| other.start.started_us == run.start.started_us && other.start.line == run.start.line;
    job.runs.iter().filter(move |other| together(other))
}

/// The line on which a run can go on from an earlier one.
fn can_continue(job: &JobContents, run: RunId) -> Result<&str, CannotContinue> {
    let found = job.any_run(run).ok_or(CannotContinue::NoRun(run))?;
    if !job.runs.iter().any(|known| known.id == run) {
        return Err(CannotContinue::NotCounted(run));
    }
    if found.state == RunState::Open {
        return Err(CannotContinue::Open(run));
    }
    let line = &found.start.line;
    if job.force.runs.get(&run).is_some_and(|standing| standing.mirrored) {
        return Err(CannotContinue::Mirrored { run, line: line.clone() });
    }
    Ok(line)
}

/// How far a place is from the line's start, along the way it is driven.
pub fn offset_of(path: &Path, at: Length) -> Length {
    Length::micrometres(((at - path.line_start()) * path.direction.sign()).as_micrometres())
}
