//! A stored run opened for a look: where the cursor stands, what is asked of the disk and what has come of it. The
//! screen never waits: the cursor moves at once, and the reading it stands on follows when it has been fetched.

pub mod assessed;
pub mod earlier;
pub mod over;
pub mod overview;

pub use assessed::AssessedShown;
pub use earlier::{Behind, Earlier, EarlierOutline};
pub use over::{Over, Review, Reviewing};
pub use overview::{Overview, ReadProgress, UnderLimit};

use super::state::WallLook;
use backwall_store::RunId;
use backwall_survey::reading::Reading;
use backwall_survey::strip::compare::Comparison;
use backwall_survey::strip::{At, Limits};
use backwall_ultrasound::Waveform;
use backwall_units::{Length, LengthUnit};
use std::sync::Arc;

/// What the screen asks of the disk. The newest of a kind counts; older ones may go unanswered.
#[derive(Debug, Clone, PartialEq)]
pub enum Ask {
    /// One reading with its waveform.
    Reading(At),
    /// The readings about a place, in order of place, then run, then row.
    Window(At),
    /// The differences to the earlier survey, with this added to its positions.
    Compare(Length),
}

/// What comes from the disk.
#[derive(Debug, Clone)]
pub enum News {
    /// The runs as far as they have been read.
    Overview(Arc<Overview>),
    Reading(Arc<Shown>),
    Window(Arc<Window>),
    Earlier(Arc<Earlier>),
    Compared(Arc<Comparison>),
    /// What could not be read, and what to do.
    Failed(String),
}

/// The reading at the cursor.
#[derive(Debug, Clone)]
pub struct Shown {
    pub at: At,
    pub reading: Reading,
    /// `None` where the device sent none; `Err` says why it cannot be read.
    pub waveform: Result<Option<Waveform>, String>,
}

/// Readings in order about the cursor.
#[derive(Debug, Clone, Default)]
pub struct Window {
    pub readings: Vec<(At, Reading)>,
    /// Nothing comes before the first, or behind the last.
    pub whole: (bool, bool),
}

impl Window {
    /// Where a reading stands in it, or the next one behind it.
    pub fn find(&self, at: At) -> Result<usize, usize> {
        self.readings.binary_search_by_key(&at, |(known, _)| *known)
    }

    pub fn get(&self, at: At) -> Option<&Reading> {
        self.find(at).ok().map(|index| &self.readings[index].1)
    }

    /// The reading nearest in order; `None` when there is none at all.
    fn nearest(&self, at: At) -> Option<At> {
        let index = self.find(at).unwrap_or_else(|index| index.min(self.readings.len().saturating_sub(1)));
        self.readings.get(index).map(|(at, _)| *at)
    }

    /// Whether the cursor comes so near an edge that the next readings should be fetched.
    fn is_short_of(&self, at: At) -> bool {
        let index = self.find(at).unwrap_or_else(|index| index);
        (index < AHEAD && !self.whole.0) || (index + AHEAD >= self.readings.len() && !self.whole.1)
    }
}

/// Readings a window holds each way, and from where on the next one is asked for.
pub const SIDE: usize = 512;
const AHEAD: usize = 160;

/// The runs on screen.
#[derive(Debug, Clone)]
pub struct Opened {
    /// The run that was opened; the others of its line may be walked with it.
    pub run: RunId,
    pub overview: Arc<Overview>,
    /// How much wall a row shows; `back` is the place of the cursor.
    pub look: WallLook,
    /// Rows are single readings.
    pub single: bool,
    /// The reading the cursor stands on.
    pub at: Option<At>,
    pub shown: Option<Arc<Shown>>,
    pub window: Option<Arc<Window>>,
    /// What the limit is moved by, for looking only.
    pub moved: Length,
    pub under: UnderLimit,
    /// The earlier survey, once it has been read.
    pub behind: Option<Behind>,
    /// Where to stand until somebody walks, instead of at the end of what is read.
    pub aim: Option<Length>,
    /// Nobody has walked yet: the cursor goes with what is read.
    follows: bool,
}

impl Opened {
    pub fn new(run: RunId, overview: Arc<Overview>) -> Self {
        let mut opened = Self {
            run,
            overview,
            look: WallLook::default(),
            single: false,
            at: None,
            shown: None,
            window: None,
            moved: Length::ZERO,
            under: UnderLimit::default(),
            behind: None,
            aim: None,
            follows: true,
        };
        opened.go_start();
        opened.follows = true;
        opened.judge();
        opened
    }

    pub fn place(&self) -> Option<Length> {
        self.look.back
    }

    pub fn is_all(&self) -> bool {
        self.overview.all
    }

    /// The reading at the cursor, as soon as it is known.
    pub fn reading(&self) -> Option<&Reading> {
        let at = self.at?;
        let shown = self.shown.as_ref().filter(|shown| shown.at == at).map(|shown| &shown.reading);
        shown.or_else(|| self.window.as_ref().filter(|_| self.single)?.get(at))
    }

    /// Its waveform, once it has been fetched.
    pub fn fetched(&self) -> Option<&Arc<Shown>> {
        self.shown.as_ref().filter(|shown| Some(shown.at) == self.at)
    }

    /// The limits as judged now.
    pub fn limits(&self) -> Limits {
        overview::moved(&self.overview.limits, self.moved)
    }

    /// Takes what has been read since.
    pub fn take(&mut self, overview: Arc<Overview>) {
        let was = self.overview.clone();
        self.overview = overview;
        if self.follows || was.wall.strip.extent().is_none() {
            match self.aim {
                Some(place) => self.go(place),
                None => self.go_start(),
            }
            self.follows = true;
        }
        if !self.single {
            self.stand();
        }
        // What was fetched to the end of a growing run no longer is.
        if self.overview.places.count() != was.places.count()
            && let Some(window) = self.window.as_mut()
        {
            Arc::make_mut(window).whole = (false, false);
        }
        self.judge();
    }

    pub fn take_window(&mut self, window: Arc<Window>) {
        if let Some(at) = self.at.and_then(|at| window.nearest(at)) {
            self.at = Some(at);
            self.look.back = at.along().or(self.look.back);
        }
        self.window = Some(window);
    }

    /// What must be fetched for what is to be seen now.
    pub fn asks(&self) -> Vec<Ask> {
        let Some(at) = self.at else { return Vec::new() };
        let mut asks = Vec::new();
        if self.single && self.window.as_ref().is_none_or(|window| window.is_short_of(at)) {
            asks.push(Ask::Window(at));
        }
        // In single steps the cursor may stand between readings until the window has come.
        let is_known = !self.single || self.window.as_ref().is_some_and(|window| window.find(at).is_ok());
        if is_known && self.fetched().is_none() {
            asks.push(Ask::Reading(at));
        }
        asks
    }

    /// Goes up the wall (to greater places) or down, by rows as they are drawn.
    pub fn walk(&mut self, by: usize, up: bool) {
        self.follows = false;
        if self.single {
            self.step(by, up);
            return;
        }
        let step = self.look.step();
        let Some((low, high)) = self.overview.wall.strip.extent() else { return };
        let row = |place: Length| (place / step).floor();
        let here = row(self.look.back.unwrap_or(low));
        let to = if up { here + by as f64 } else { here - by as f64 };
        let to = to.clamp(row(low), row(high - Length::mm(1.0)));
        self.look.back = Some(step * to);
        self.stand();
    }

    fn step(&mut self, by: usize, up: bool) {
        let (Some(window), Some(at)) = (&self.window, self.at) else { return };
        let index = window.find(at).unwrap_or_else(|index| index);
        let last = window.readings.len().saturating_sub(1);
        let index = if up { (index + by).min(last) } else { index.saturating_sub(by) };
        if let Some((at, _)) = window.readings.get(index) {
            self.at = Some(*at);
            self.look.back = at.along().or(self.look.back);
        }
    }

    /// Goes to a place.
    pub fn go(&mut self, place: Length) {
        self.follows = false;
        if self.single {
            let at = At::new(Some(place), 0, 0);
            self.at = Some(at);
            self.look.back = Some(place);
            match self.window.as_ref().filter(|window| !window.is_short_of(at)).and_then(|window| window.nearest(at)) {
                Some(near) => self.at = Some(near),
                None => self.window = None,
            }
            return;
        }
        let step = self.look.step();
        self.look.back = Some(step * (place / step).floor());
        self.stand();
    }

    /// Goes to a place before anybody walks; what is read meanwhile does not move the cursor from there.
    pub fn look_at(&mut self, place: Length) {
        self.go(place);
        self.follows = true;
    }

    /// Goes to a reading.
    pub fn go_to(&mut self, at: At) {
        self.follows = false;
        match (at.along(), self.single) {
            (Some(place), false) => self.go(place),
            (place, _) => {
                self.look.back = place.or(self.look.back);
                if self.window.as_ref().is_none_or(|window| window.find(at).is_err()) {
                    self.window = None;
                }
            }
        }
        self.at = Some(at);
    }

    pub fn go_start(&mut self) {
        self.go_edge(false);
    }

    pub fn go_end(&mut self) {
        self.go_edge(true);
    }

    /// The end the crawler drove to, or the one it came from.
    fn go_edge(&mut self, far: bool) {
        match self.overview.wall.strip.extent() {
            Some((low, high)) => {
                let up = far != self.overview.is_down();
                self.go(if up { high - Length::mm(1.0) } else { low });
            }
            // Without places the readings stand in the order they came.
            None => {
                self.single = self.overview.places.count() > 0;
                let last = self.overview.last_row.unwrap_or(0);
                self.at = self.single.then(|| At::new(None, self.overview.last_run(), if far { last } else { 0 }));
                self.window = None;
            }
        }
    }

    /// The cursor stands on the reading its row is drawn by.
    fn stand(&mut self) {
        let Some(place) = self.look.back else { return };
        self.at = self.overview.places.drawn_by(place, place + self.look.step());
    }

    pub fn zoom(&mut self, out: bool) {
        use super::state::ZOOMS;
        if self.overview.wall.strip.extent().is_none() {
            return;
        }
        self.follows = false;
        match (self.single, out, self.look.zoom) {
            (true, true, _) => {
                self.single = false;
                self.go(self.look.back.unwrap_or(Length::ZERO));
            }
            (false, false, 0) => {
                self.single = self.at.is_some();
                self.window = None;
            }
            (false, _, zoom) => {
                // The reading stood on stays, so that zooming in leads to it.
                let place = self.at.and_then(|at| at.along()).or(self.look.back);
                self.look.zoom = if out { (zoom + 1).min(ZOOMS.len() - 1) } else { zoom - 1 };
                if let Some(place) = place {
                    self.go(place);
                }
            }
            (true, false, _) => {}
        }
    }

    /// Moves the limit; it is for looking only and is stored nowhere.
    pub fn move_limit(&mut self, up: bool, unit: LengthUnit) {
        let step = match unit {
            LengthUnit::Mm => Length::mm(0.1),
            LengthUnit::Inch => Length::inch(0.005),
        };
        let moved = self.moved + if up { step } else { -step };
        // Whole micrometres, so that many steps there and back lead home.
        self.moved = Length::micrometres(moved.as_micrometres());
        self.judge();
    }

    /// Judges again after the limit or the wall has changed.
    pub fn limit_again(&mut self) {
        self.judge();
    }

    pub fn limit_home(&mut self) {
        self.moved = Length::ZERO;
        self.judge();
    }

    fn judge(&mut self) {
        self.under = self.overview.under(&self.limits());
    }
}
