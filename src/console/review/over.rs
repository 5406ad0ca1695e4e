//! What the Review step shows: the runs of the job, over them a run that is walked, and over both one more screen. A new screen is
//! a variant of [`Over`] with its arms here, a view of its own, and its mode in the key table.

use super::super::keys::KeyMode;
use super::super::state::{Effect, ShownRun};
use super::super::survey::{MapShown, StatisticsShown, SurveyAsk, SurveyNews, UnseenShown};
use super::Opened;
use super::assessed::AssessedShown;
use backwall_units::{Length, LengthUnit};

/// The screens of the Review step that are open.
#[derive(Debug, Clone, Default)]
pub struct Reviewing {
    /// The run that is walked, also while something lies over it.
    pub walked: Option<Opened>,
    pub over: Option<Over>,
}

/// A screen over the runs, or over the one that is walked.
#[derive(Debug, Clone)]
pub enum Over {
    Map(MapShown),
    Statistics(StatisticsShown),
    Unseen(UnseenShown),
    Assessed(AssessedShown),
    Replay(Box<ShownRun>),
}

/// The screen on top.
#[derive(Debug, Clone, Copy)]
pub enum Review<'a> {
    Runs,
    Walk(&'a Opened),
    Over(&'a Over),
}

impl Reviewing {
    pub fn top(&self) -> Review<'_> {
        match (&self.over, &self.walked) {
            (Some(over), _) => Review::Over(over),
            (None, Some(walked)) => Review::Walk(walked),
            (None, None) => Review::Runs,
        }
    }

    pub fn mode(&self) -> KeyMode {
        match self.top() {
            Review::Runs => KeyMode::Runs,
            Review::Walk(_) => KeyMode::ReviewRun,
            Review::Over(over) => over.mode(),
        }
    }

    /// The run that is played again.
    pub fn replay(&self) -> Option<&ShownRun> {
        if let Some(Over::Replay(scan)) = &self.over { Some(scan) } else { None }
    }

    pub fn replay_mut(&mut self) -> Option<&mut ShownRun> {
        if let Some(Over::Replay(scan)) = &mut self.over { Some(scan) } else { None }
    }

    /// The assessment on screen.
    pub fn assessed_mut(&mut self) -> Option<&mut AssessedShown> {
        if let Some(Over::Assessed(shown)) = &mut self.over { Some(shown) } else { None }
    }

    /// Leaves the screen on top: what is still to be closed with it.
    pub fn back(&mut self) -> Effect {
        match self.over.take() {
            Some(over) => over.closed(),
            None => {
                self.walked = None;
                Effect::CloseReview
            }
        }
    }
}

impl Over {
    fn mode(&self) -> KeyMode {
        match self {
            Self::Map(_) => KeyMode::Map,
            Self::Statistics(_) => KeyMode::Statistics,
            Self::Unseen(_) => KeyMode::Unseen,
            Self::Assessed(_) => KeyMode::Assessed,
            Self::Replay(_) => KeyMode::Replay,
        }
    }

    pub fn closed(&self) -> Effect {
        if matches!(self, Self::Replay(_)) { Effect::CloseReplay } else { Effect::CloseSurvey }
    }

    /// What is read for it anew after something else was read in its place; nothing where all is known.
    pub fn read_again(&self, unit: LengthUnit) -> Option<SurveyAsk> {
        match self {
            Self::Map(_) => Some(SurveyAsk::Map),
            Self::Statistics(shown) => Some(SurveyAsk::Statistics { line: shown.line.clone(), interval: shown.interval(unit) }),
            Self::Unseen(shown) => shown.found.is_none().then_some(SurveyAsk::Unseen(shown.run)),
            Self::Assessed(shown) => shown.progress.map(|_| SurveyAsk::Assessed(shown.what_if.clone(), unit)),
            Self::Replay(_) => None,
        }
    }

    /// What it asks for when its cursor has moved.
    pub fn asks(&self, unit: LengthUnit) -> Vec<Effect> {
        match self {
            Self::Statistics(shown) => {
                let (line, interval) = (shown.line.clone(), shown.interval(unit));
                let is_known = shown.figures.as_ref().is_some_and(|figures| figures.interval == (line.clone(), interval));
                if is_known { Vec::new() } else { vec![Effect::AskSurvey(SurveyAsk::Statistics { line, interval })] }
            }
            Self::Map(_) | Self::Unseen(_) | Self::Assessed(_) | Self::Replay(_) => Vec::new(),
        }
    }

    pub fn walk(&mut self, by: usize, up: bool) {
        match self {
            Self::Map(shown) => shown.walk(by, up),
            Self::Statistics(shown) => shown.walk(by, up),
            Self::Unseen(_) => {}
            Self::Assessed(shown) => shown.walk(by, up),
            Self::Replay(scan) => scan.look_back(by, up),
        }
    }

    pub fn sideways(&mut self, right: bool) {
        match self {
            Self::Map(shown) => shown.sideways(right),
            Self::Statistics(shown) => shown.sideways(right),
            Self::Unseen(_) | Self::Assessed(_) | Self::Replay(_) => {}
        }
    }

    pub fn home(&mut self) {
        match self {
            Self::Map(shown) => (shown.lane, shown.row, shown.column) = (0, 0, 0),
            Self::Statistics(shown) => shown.walk(usize::MAX, true),
            Self::Unseen(_) => {}
            Self::Assessed(shown) => shown.at = 0,
            Self::Replay(scan) => scan.look.back = None,
        }
    }

    pub fn zoom(&mut self, out: bool) {
        match self {
            Self::Map(shown) => shown.zoom(out),
            Self::Statistics(_) | Self::Unseen(_) | Self::Assessed(_) => {}
            Self::Replay(scan) => scan.zoom(out),
        }
    }

    /// Goes to the minimum; `false` where there is none.
    pub fn minimum(&mut self) -> bool {
        if let Self::Map(shown) = self { shown.least() } else { true }
    }

    /// The line under the cursor, and the place in it.
    pub fn chosen(&self) -> Option<(String, Option<Length>)> {
        match self {
            Self::Map(shown) => shown.cell().map(|(band, cell)| (band.line.clone(), Some(shown.place_in(band, &cell)))),
            Self::Statistics(shown) => shown.figures.as_ref().and_then(|figures| shown.chosen(figures)).map(|part| {
                let least = part.row.statistics.least.and_then(|found| found.along);
                (part.row.line.clone(), least.or(part.row.edges.map(|edges| edges.0)))
            }),
            Self::Assessed(shown) => shown.chosen(),
            Self::Unseen(_) | Self::Replay(_) => None,
        }
    }

    /// Takes what has been read; of a screen that was left it is passed over.
    pub fn take(&mut self, news: SurveyNews) {
        match (news, self) {
            (SurveyNews::Map(surveyed), Self::Map(shown)) => shown.take(surveyed),
            (SurveyNews::Statistics(figures), Self::Statistics(shown)) => shown.take(figures),
            (SurveyNews::Unseen { done, of }, Self::Unseen(shown)) => shown.progress = (done, of),
            (SurveyNews::UnseenFound(found), Self::Unseen(shown)) if found.run == shown.run => shown.found = Some(found),
            (SurveyNews::Assessing { done, of }, Self::Assessed(shown)) => shown.progress = Some((done, of)),
            (SurveyNews::Assessed(found), Self::Assessed(shown)) => shown.take(found),
            (SurveyNews::AssessFailed(why), Self::Assessed(shown)) => shown.fail(why),
            (SurveyNews::UnseenFailed(why), Self::Unseen(shown)) => shown.failed = Some(why),
            _ => {}
        }
    }
}
