//! What is left to do in a job: read from the file what [`open_items`] is made from.

use backwall_store::{Cursor, EventKind, JobContents, JobReader, ReadingSummary, RunId, RunState, RunSummary, StoreError};
use backwall_survey::job::checklist::Conditions;
use backwall_survey::job::force::{Counts, Standing};
use backwall_survey::job::left::{KnownOfJob, LineDone, OpenItem, RunKnown, open_items};
use backwall_survey::job::validity::Validity;
use backwall_survey::strip::Strip;
use backwall_units::{Length, LengthUnit};
use std::collections::BTreeMap;

/// A job at one moment: its lines as far as they are driven, and what is left, worst first.
#[derive(Debug, Clone, PartialEq)]
pub struct Left {
    pub lines: Vec<LineDone>,
    pub items: Vec<OpenItem>,
    runs: Vec<RunKnown>,
    unit: LengthUnit,
}

impl Left {
    /// What is left by what was read, with what stops scanning and is due at this moment.
    pub fn of(contents: &JobContents, lines: Vec<LineDone>, runs: Vec<RunKnown>, now_us: i64, unit: LengthUnit) -> Self {
        let conditions = Conditions { unit, ..contents.conditions(now_us, None, "") };
        let of_list = contents.checklist.obstacles(&contents.answers, &contents.signatures, &conditions);
        // What is not of the checklist first: a long checklist must not hide that nothing is calibrated.
        let channels = contents.plan.channels();
        let mut obstacles = contents.obstacles_on(&conditions, &channels);
        obstacles.sort_by_key(|obstacle| of_list.contains(obstacle));
        let known = KnownOfJob {
            obstacles,
            verification_due_us: contents.calibration_due_on(&channels),
            due: contents.checklist.due(&contents.answers, &conditions),
            lacks: contents.plan.lacks_for_the_report(),
            lines,
            runs,
            witness_points: contents.force.open_witness_points(),
            photos: contents.force.open_photos(),
            now_us,
            unit,
        };
        let items = open_items(&known);
        Self { lines: known.lines, items, runs: known.runs, unit }
    }

    /// The same readings at a later moment: what runs out by time has moved on.
    pub fn later(&self, contents: &JobContents, now_us: i64) -> Self {
        Self::of(contents, self.lines.clone(), self.runs.clone(), now_us, self.unit)
    }

    /// Where the minimum of a spot lies.
    pub fn spot_at(&self, run: RunId, spot: u32) -> Option<Length> {
        let known = self.runs.iter().find(|known| known.run == run)?;
        known.spots.iter().find(|known| known.id == spot)?.least_at
    }

    /// The last saved place of a run.
    pub fn last_place(&self, run: RunId) -> Option<Length> {
        self.runs.iter().find(|known| known.run == run)?.last
    }

    /// Lines that are done on each of their tracks, and all lines.
    pub fn lines_done(&self) -> (usize, usize) {
        let mut lines: BTreeMap<&str, bool> = BTreeMap::new();
        for line in &self.lines {
            *lines.entry(&line.line).or_insert(true) &= line.is_done();
        }
        (lines.values().filter(|done| **done).count(), lines.len())
    }

    /// What was read of what is planned, over all lines.
    pub fn read(&self) -> (Length, Length) {
        let sum = |of: fn(&LineDone) -> Length| self.lines.iter().map(of).fold(Length::ZERO, |sum, length| sum + length);
        (sum(LineDone::read), sum(LineDone::planned))
    }
}

/// What was read on a line or one of its tracks, by which runs, and where the link went.
type Driven = (Strip, Vec<RunId>, Vec<Length>);

/// Reads every run that counts; words are in `unit`. `go_on` is answered `false` to stop, and then there is nothing.
pub fn left(
    reader: &JobReader,
    contents: &JobContents,
    now_us: i64,
    unit: LengthUnit,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> Result<Option<Left>, StoreError> {
    let plan = &contents.plan;
    let mut strips: BTreeMap<(&str, Option<&str>), Driven> = BTreeMap::new();
    let mut runs = Vec::new();
    let is_written = reader.is_being_written();
    for run in &contents.runs {
        let track = plan.tracks.iter().find(|track| track.offset == run.start.path.track).map(|track| track.channel.as_str());
        let (strip, of_line, links) = strips.entry((run.start.line.as_str(), track)).or_default();
        of_line.push(run.id);
        links.extend(reader.events(run.id)?.iter().filter(|event| event.kind == EventKind::Link).filter_map(|event| event.along));
        let each = |_, reading: ReadingSummary| {
            strip.push(reading.along, reading.thickness, reading.level);
            Ok::<(), StoreError>(())
        };
        if !Cursor::glancing(run.id).read_on(reader, &mut *go_on, each)? {
            return Ok(None);
        }
        let validity = contents.validity(run);
        let spots = reader.spots(run.id)?;
        runs.push(RunKnown {
            run: run.id,
            line: run.start.line.clone(),
            is_interrupted: run.state == RunState::Interrupted || run.state == RunState::Open && !is_written,
            is_settled: is_settled(contents, run.id),
            last: reader.last_place(run.id)?,
            doubt: (validity != Validity::Valid).then(|| (validity.why(unit), matches!(validity, Validity::Suspect(_)))),
            readings_lost: run.lost,
            proven: spots.iter().filter(|spot| contents.force.proven(run.id, spot).is_some()).map(|spot| spot.id).collect(),
            spots,
        });
    }
    // Where probes have tracks beside the line, each is to be driven; what was read on another's is not read on it.
    let tracks: Vec<Option<&str>> = match &plan.tracks[..] {
        [] => vec![None],
        tracks => tracks.iter().map(|track| Some(track.channel.as_str())).collect(),
    };
    let mut lines = Vec::new();
    for line in &plan.lines {
        for track in &tracks {
            let (strip, runs, links) = strips.remove(&(line.name.as_str(), *track)).unwrap_or_default();
            let done = LineDone::of(&line.name, plan.path(line).span(), runs, &strip, plan.limits.max_gap, &links);
            lines.push(match track {
                Some(channel) => done.on_track(channel),
                None => done,
            });
        }
    }
    Ok(Some(Left::of(contents, lines, runs, now_us, unit)))
}

/// Whether somebody said of a run how it goes on: another goes on from it, or it is left as it is.
fn is_settled(contents: &JobContents, run: RunId) -> bool {
    let runs = &contents.force.runs;
    let goes_on = |standing: &Standing| standing.joined_to == Some(run) && standing.counts == Counts::Counted;
    runs.values().any(goes_on) || runs.get(&run).is_some_and(|standing| standing.left_by.is_some())
}

/// The runs that ended in the middle and of which nobody has said anything yet.
pub fn interrupted(contents: &JobContents) -> impl Iterator<Item = &RunSummary> {
    contents.runs.iter().filter(|run| run.state == RunState::Interrupted && !is_settled(contents, run.id))
}
