//! The unrolled map as data: every line's cells, how much of the wall was read, and where the cursor stands.

use crate::console::review::ReadProgress;
use crate::console::state::ZOOMS;
use backwall_survey::strip::map::{MapBand, MapCell, Orientation, Stretches, WallMap};
use backwall_units::Length;
use std::sync::Arc;

/// The wall as far as it has been read. Made by the thread that reads: what is costly is done once, and not per picture.
#[derive(Debug, Clone)]
pub struct Surveyed {
    pub map: WallMap,
    /// Whether the plan tells the beam's width.
    pub beam_known: bool,
    pub seams: Vec<Length>,
    /// Part of the surface that was read, and its area in m².
    pub scanned: (Option<f64>, f64),
    pub progress: ReadProgress,
    /// Of each of the map's bands.
    stretches: Vec<Stretches>,
    /// Upright bands by azimuth, then those across from the lowest up, as indices into the map's bands.
    order: Vec<usize>,
    upright: usize,
}

impl Surveyed {
    pub fn new(map: WallMap, beam_known: bool, seams: Vec<Length>, progress: ReadProgress) -> Self {
        let index = |band: &MapBand| map.bands.iter().position(|known| std::ptr::eq(known, band));
        let upright: Vec<usize> = map.upright().iter().filter_map(|(band, _)| index(band)).collect();
        let across = map.across();
        let order = upright.iter().copied().chain(across.iter().filter_map(|(band, _)| index(band))).collect();
        let stretches = map.bands.iter().map(|band| band.stretches(map.beam)).collect();
        let scanned = (map.scanned_share(), map.scanned_m2());
        let upright = upright.len();
        Self { map, beam_known, seams, scanned, progress, stretches, order, upright }
    }

    pub fn lanes(&self) -> usize {
        self.order.len()
    }
    pub fn upright(&self) -> usize {
        self.upright
    }

    pub fn band(&self, lane: usize) -> Option<&MapBand> {
        self.map.bands.get(*self.order.get(lane)?)
    }

    pub fn cells(&self, lane: usize, from: Length, to: Length, count: usize) -> Vec<MapCell> {
        let found = self.order.get(lane).and_then(|index| Some((self.map.bands.get(*index)?, self.stretches.get(*index)?)));
        found.map_or_else(Vec::new, |(band, stretches)| band.cells_over(stretches, from, to, count))
    }

    /// From the least to the greatest place that any of these lines was to reach, or did.
    fn reach(&self, lanes: std::ops::Range<usize>) -> Option<(Length, Length)> {
        let ends =
            lanes.filter_map(|lane| self.band(lane)).flat_map(|band| [Some(band.planned), band.strip.extent()].into_iter().flatten());
        ends.reduce(|(low, high), (from, to)| (low.min(from), high.max(to)))
    }

    /// Elevations from the lowest to the highest of the upright lines.
    pub fn height(&self) -> (Length, Length) {
        self.reach(0..self.upright).unwrap_or((self.map.ground.bottom, self.map.ground.top))
    }

    /// The places of the lines across.
    pub fn round(&self) -> (Length, Length) {
        self.reach(self.upright..self.lanes()).unwrap_or((Length::ZERO, self.map.ground.circumference))
    }

    /// How far clockwise of its line an upright band lies, by the line's azimuth in degrees.
    pub fn beside(&self, band: &MapBand, line: f64) -> Option<Length> {
        match band.lie {
            Orientation::Upright { at } => Some(at - self.map.ground.circumference * (line / 360.0)),
            Orientation::Across { .. } => None,
        }
    }

    /// Degrees clockwise from azimuth 0.
    pub fn azimuth(&self, band: &MapBand) -> Option<f64> {
        match band.lie {
            Orientation::Upright { at } if self.map.ground.circumference > Length::ZERO => Some(at / self.map.ground.circumference * 360.0),
            _ => None,
        }
    }
}

/// Rows the smallest screen has for the wall, and cells across it.
const ROWS: usize = 11;
pub const CELLS_ACROSS: usize = 30;

/// The map on screen.
#[derive(Debug, Clone)]
pub struct MapShown {
    pub surveyed: Arc<Surveyed>,
    /// The line the cursor is on.
    pub lane: usize,
    /// Row of the cursor on upright lines, from the foot of the map.
    pub row: usize,
    /// Cell of the cursor on lines across.
    pub column: usize,
    /// Of [`ZOOMS`]; `None` shows the whole wall.
    zoom: Option<usize>,
}

impl MapShown {
    pub fn new(surveyed: Arc<Surveyed>) -> Self {
        let mut shown = Self { surveyed, lane: 0, row: 0, column: 0, zoom: None };
        shown.row = shown.rows().saturating_sub(1);
        shown
    }

    pub fn take(&mut self, surveyed: Arc<Surveyed>) {
        self.surveyed = surveyed;
        self.row = self.row.min(self.rows().saturating_sub(1));
        self.lane = self.lane.min(self.surveyed.lanes().saturating_sub(1));
    }

    /// Puts the cursor on a line.
    pub fn go(&mut self, line: &str, place: Option<Length>) {
        let found = (0..self.surveyed.lanes()).find(|lane| self.surveyed.band(*lane).is_some_and(|band| band.line == line));
        let Some(lane) = found else { return };
        self.lane = lane;
        let Some(place) = place else { return };
        if self.is_across() {
            let (low, high) = self.surveyed.round();
            let cell = ((place - low) / ((high - low) / CELLS_ACROSS as f64)).floor().max(0.0) as usize;
            self.column = cell.min(CELLS_ACROSS - 1);
        } else {
            let row = ((place - self.foot()) / self.step()).floor().max(0.0) as usize;
            self.row = row.min(self.rows().saturating_sub(1));
        }
    }

    fn is_across(&self) -> bool {
        self.lane >= self.surveyed.upright()
    }

    /// The step at which the whole wall fits on the smallest screen.
    fn fitting(&self) -> usize {
        let across = self.surveyed.lanes() - self.surveyed.upright();
        let off = usize::from(!self.surveyed.map.off.is_empty());
        let room = ROWS.saturating_sub(across + usize::from(across > 0) + off).max(5);
        let (low, high) = self.surveyed.height();
        ZOOMS.iter().position(|step| (high - low).as_mm() / step <= room as f64).unwrap_or(ZOOMS.len() - 1)
    }

    /// Elevation in a row.
    pub fn step(&self) -> Length {
        Length::mm(ZOOMS[self.zoom.unwrap_or_else(|| self.fitting()).min(ZOOMS.len() - 1)])
    }

    /// The lower edge of the lowest row: a whole step, so that rows stand at round elevations.
    pub fn foot(&self) -> Length {
        let step = self.step();
        step * (self.surveyed.height().0 / step + 1e-9).floor()
    }

    pub fn rows(&self) -> usize {
        ((self.surveyed.height().1 - self.foot()) / self.step() - 1e-9).ceil().clamp(1.0, 100_000.0) as usize
    }

    pub fn zoom(&mut self, out: bool) {
        // The least reading of the cell stays under the cursor, so that zooming in leads to it.
        let middle = match self.cell() {
            Some((band, cell)) if !self.is_across() => self.place_in(band, &cell),
            _ => self.foot() + self.step() * (self.row as f64 + 0.5),
        };
        let (fitting, zoom) = (self.fitting(), self.zoom.unwrap_or_else(|| self.fitting()));
        // Finer than a centimetre a map is no map; the walk shows more.
        let next = if out { zoom + 1 } else { zoom.saturating_sub(1).max(3) };
        self.zoom = (next < fitting).then_some(next);
        let row = ((middle - self.foot()) / self.step()).floor().max(0.0) as usize;
        self.row = row.min(self.rows().saturating_sub(1));
    }

    /// Goes up or down: along an upright line, and from there to the lines across beneath.
    pub fn walk(&mut self, by: usize, up: bool) {
        let (lanes, upright) = (self.surveyed.lanes(), self.surveyed.upright());
        match (self.is_across(), up) {
            // Lines across stand from the highest down.
            (true, true) if self.lane + 1 < lanes => self.lane = (self.lane + by).min(lanes - 1),
            (true, true) if upright > 0 => (self.lane, self.row) = (0, 0),
            (true, true) => {}
            (true, false) => self.lane = self.lane.saturating_sub(by).max(upright),
            (false, true) => self.row = (self.row + by).min(self.rows().saturating_sub(1)),
            (false, false) if self.row == 0 && lanes > upright => self.lane = lanes - 1,
            (false, false) => self.row = self.row.saturating_sub(by),
        }
    }

    /// Goes to the next or the previous line, or along a line across.
    pub fn sideways(&mut self, right: bool) {
        if self.is_across() {
            self.column = if right { (self.column + 1).min(CELLS_ACROSS - 1) } else { self.column.saturating_sub(1) };
        } else if right {
            self.lane = (self.lane + 1).min(self.surveyed.upright().saturating_sub(1));
        } else {
            self.lane = self.lane.saturating_sub(1);
        }
    }

    /// Goes to the thinnest cell of all.
    pub fn least(&mut self) -> bool {
        let least = |band: &MapBand| band.strip.extent().and_then(|(from, to)| band.strip.stretch(from, to).least);
        let lanes = (0..self.surveyed.lanes()).filter_map(|lane| Some((lane, least(self.surveyed.band(lane)?)?)));
        let Some((lane, value)) = lanes.min_by(|a, b| a.1.total_cmp(&b.1)) else { return false };
        let found = self.surveyed.band(lane).and_then(|band| {
            let place = band.strip.finest().find(|(_, bin)| bin.least == Some(value)).map(|(place, _)| place)?;
            Some((band.line.clone(), place))
        });
        if let Some((line, place)) = found {
            self.go(&line, Some(place));
        }
        true
    }

    /// Where in a cell the least was read; where nothing was, its middle.
    pub fn place_in(&self, band: &MapBand, cell: &MapCell) -> Length {
        let inside = |place: Length| place + Length::mm(1.0) > cell.from && place < cell.to;
        let least = cell.bin.least.filter(|_| !cell.bin.is_empty());
        let found = least.and_then(|least| band.strip.finest().find(|(place, bin)| inside(*place) && bin.least == Some(least)));
        // The middle of its millimetre.
        found.map_or((cell.from + cell.to) / 2.0, |(place, _)| place + Length::mm(0.5))
    }

    /// The cell the cursor is on.
    pub fn cell(&self) -> Option<(&MapBand, MapCell)> {
        let band = self.surveyed.band(self.lane)?;
        let (from, to) = if self.is_across() {
            let (low, high) = self.surveyed.round();
            let step = (high - low) / CELLS_ACROSS as f64;
            (low + step * self.column as f64, low + step * (self.column + 1) as f64)
        } else {
            let (foot, step) = (self.foot(), self.step());
            (foot + step * self.row as f64, foot + step * (self.row + 1) as f64)
        };
        Some((band, self.surveyed.cells(self.lane, from, to, 1).pop()?))
    }
}
