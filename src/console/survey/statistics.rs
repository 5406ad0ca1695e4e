//! Statistics on screen: of which line, by what, and where the cursor stands. The numbers are the report's own.

use crate::console::review::ReadProgress;
use backwall_report::statistics::StatisticsRow;
use backwall_survey::strip::histogram::Histogram;
use backwall_units::{Length, LengthUnit};
use std::sync::Arc;

/// A row of the table with what its histogram needs.
pub struct StatisticsPart {
    pub row: StatisticsRow,
    pub histogram: Option<Histogram>,
    /// Required thicknesses that count in it, each once.
    pub required: Vec<Length>,
    pub nominal: Vec<Length>,
    pub watch_margin: Length,
}

/// Everything known of a line.
pub struct LineStatistics {
    pub line: String,
    pub whole: StatisticsPart,
    pub courses: Vec<StatisticsPart>,
    /// Of the line that was asked for.
    pub intervals: Vec<StatisticsPart>,
}

/// The statistics of the job as far as it has been read.
#[derive(Clone)]
pub struct Figures {
    /// In the order of the plan.
    pub lines: Vec<Arc<LineStatistics>>,
    /// Length of the intervals, and of which line they are.
    pub interval: (String, Length),
    pub progress: ReadProgress,
    /// Why there are no intervals, if so.
    pub trouble: Option<String>,
}

impl std::fmt::Debug for Figures {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Figures of {} lines, {:?}", self.lines.len(), self.progress)
    }
}

/// What a row of the table is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    Line,
    Course,
    Interval,
}

/// Lengths an interval may have, in either unit.
const MILLIMETRES: [f64; 8] = [50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0];
const INCHES: [f64; 8] = [2.0, 6.0, 12.0, 24.0, 36.0, 60.0, 120.0, 240.0];

/// The statistics on screen.
#[derive(Debug, Clone)]
pub struct StatisticsShown {
    pub figures: Option<Arc<Figures>>,
    pub by: By,
    /// The line looked at, as the plan has it.
    pub line: String,
    /// Of the table, from the top; `None` stays on the thinnest until the cursor is moved.
    row: Option<usize>,
    length: usize,
}

impl StatisticsShown {
    pub fn new(line: String) -> Self {
        Self { figures: None, by: By::Line, line, row: None, length: 3 }
    }

    pub fn interval(&self, unit: LengthUnit) -> Length {
        match unit {
            LengthUnit::Mm => Length::mm(MILLIMETRES[self.length]),
            LengthUnit::Inch => Length::inch(INCHES[self.length]),
        }
    }

    pub fn longer(&mut self, longer: bool) {
        self.length = if longer { (self.length + 1).min(MILLIMETRES.len() - 1) } else { self.length.saturating_sub(1) };
        (self.by, self.row) = (By::Interval, None);
    }

    fn index(&self, figures: &Figures) -> usize {
        figures.lines.iter().position(|of| of.line == self.line).unwrap_or(0)
    }

    /// Rows of the table. Intervals climb upward, as the wall does.
    pub fn parts<'a>(&self, figures: &'a Figures) -> Vec<&'a StatisticsPart> {
        let Some(line) = figures.lines.get(self.index(figures)) else { return Vec::new() };
        match self.by {
            By::Line => figures.lines.iter().map(|of| &of.whole).collect(),
            By::Course => line.courses.iter().rev().collect(),
            By::Interval => line.intervals.iter().rev().collect(),
        }
    }

    /// The row the cursor is on: that of the line, or where the wall is thinnest, until it is moved.
    pub fn at(&self, figures: &Figures) -> usize {
        let parts = self.parts(figures);
        let row = match (self.row, self.by) {
            (Some(row), _) => row,
            (None, By::Line) => self.index(figures),
            (None, By::Course | By::Interval) => {
                let least = |part: &StatisticsPart| part.row.statistics.least.map(|least| least.thickness);
                let thinnest = parts.iter().enumerate().filter_map(|(row, part)| Some((row, least(part)?)));
                thinnest.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |found| found.0)
            }
        };
        row.min(parts.len().saturating_sub(1))
    }

    pub fn chosen<'a>(&self, figures: &'a Figures) -> Option<&'a StatisticsPart> {
        self.parts(figures).get(self.at(figures)).copied()
    }

    pub fn take(&mut self, figures: Arc<Figures>) {
        self.figures = Some(figures);
    }

    pub fn walk(&mut self, by: usize, up: bool) {
        let Some(figures) = self.figures.clone() else { return };
        let last = self.parts(&figures).len().saturating_sub(1);
        let row = self.at(&figures);
        self.row = Some(if up { row.saturating_sub(by) } else { row.saturating_add(by).min(last) });
        if let (By::Line, Some(part)) = (self.by, self.chosen(&figures)) {
            self.line = part.row.line.clone();
        }
    }

    /// By line, by course, by interval.
    pub fn next(&mut self) {
        self.row = None;
        self.by = match self.by {
            By::Line => By::Course,
            By::Course => By::Interval,
            By::Interval => By::Line,
        };
    }

    /// The next line, whatever the rows are.
    pub fn sideways(&mut self, right: bool) {
        let Some(figures) = self.figures.clone() else { return };
        let index = self.index(&figures);
        let index = if right { (index + 1).min(figures.lines.len().saturating_sub(1)) } else { index.saturating_sub(1) };
        if let Some(of) = figures.lines.get(index).filter(|of| of.line != self.line) {
            self.line = of.line.clone();
            self.row = None;
        }
    }
}
