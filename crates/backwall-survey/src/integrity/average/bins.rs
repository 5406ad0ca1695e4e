//! The wall of one course along a line in equal bins, each read or unread.

use backwall_ultrasound::Measurement;
use backwall_units::Length;
use serde::Serialize;

/// What the U of a reading speaks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SpeaksFor {
    /// The lowest wall about the beam.
    #[default]
    Footprint,
    /// An even wall only: part of the beam stands on something else, or the wall close beside it does. The wall there may be lower.
    EvenWall,
    /// Itself: no neighbour agrees with it.
    Itself,
}

impl SpeaksFor {
    pub fn of(reading: &Measurement) -> Self {
        match (reading.counted(), reading.is_for_even_wall_only()) {
            (None, _) => Self::Itself,
            (_, true) => Self::EvenWall,
            (_, false) => Self::Footprint,
        }
    }
}

/// One shot at its place, with its echo or without.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BinShot {
    pub along: Length,
    /// How far beside the line.
    pub across: Length,
    pub thickness: Option<Length>,
    /// Standard uncertainty (k = 1), where it is known.
    pub uncertainty: Option<Length>,
    pub speaks_for: SpeaksFor,
}

/// A piece of the line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BinStretch {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
}

impl BinStretch {
    pub fn length(&self) -> Length {
        self.to - self.from
    }
}

/// What was read of one bin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BinRead {
    pub thickness: Length,
    /// The same at its safe end: where readings are for an even wall only, the lowest wall that was read within a bin of them.
    pub safe: Length,
    /// The share of it that is for an even wall only.
    pub even_wall_only: f64,
    /// Standard uncertainty; common to neighbours, so no average makes it less. `None` where a reading in it has none.
    pub uncertainty: Option<Length>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Bins {
    pub from: Length,
    pub width: Length,
    /// `None` where nothing was read.
    pub bins: Vec<Option<BinRead>>,
    /// Places with an echo, and the ends of the stretch, in rising order: what lies between two of them was not read.
    places: Vec<Length>,
}

/// Cells are never narrower, so that a place driven slowly or twice weighs no more.
const NARROWEST: Length = Length::mm(1.0);
/// More bins than this no course makes.
const MOST_BINS: f64 = 1e6;
/// The width of a cell is the distance that this part of neighbouring shots keeps.
const USUAL: f64 = 0.99;
/// A bin is read where so much of it was.
const ENOUGH: f64 = 0.8;

impl Bins {
    /// Cuts what lies between `from` and `to` into equal bins no wider than `max_gap`, each of a whole number of cells about as wide as shots
    /// lie apart, echo or not. A cell is read where a shot in it had an echo. A bin is read where 80 % of its cells are; its mean counts, the
    /// rest of it at its lowest cell. At the safe end a cell with a reading for an even wall only is no more than the lowest wall read in its
    /// bin and the two beside it. All shots are of one track: see [`super::by_track`].
    pub fn of(shots: &[BinShot], (from, to): (Length, Length), max_gap: Length) -> Option<Self> {
        let inside = |shot: &&BinShot| shot.along.is_finite() && shot.along >= from && shot.along <= to;
        let mut shots: Vec<BinShot> = shots.iter().filter(inside).copied().collect();
        if !((to - from).is_finite() && to > from && max_gap > Length::ZERO) {
            return None;
        }
        shots.sort_by(|a, b| a.along.total_cmp(&b.along));
        let cell = spacing(&shots).max(NARROWEST).min(max_gap.max(NARROWEST));
        let (each, count) = divided(to - from, cell, max_gap);
        let width = (to - from) / count;
        let cell = width / each;
        let mut cells: Vec<Vec<BinShot>> = vec![Vec::new(); (count * each) as usize];
        let last = cells.len() - 1;
        for shot in &shots {
            cells[(((shot.along - from) / cell).floor() as usize).min(last)].push(*shot);
        }
        let read = |shot: &&BinShot| shot.thickness.is_some_and(Length::is_finite);
        let places = std::iter::once(from).chain(shots.iter().filter(read).map(|shot| shot.along)).chain([to]).collect();
        let bins: Vec<&[Vec<BinShot>]> = cells.chunks(each as usize).collect();
        let lowest: Vec<Option<Length>> = bins.iter().map(|cells| lowest_in(cells)).collect();
        let near = |bin: usize| lowest[bin.saturating_sub(1)..(bin + 2).min(lowest.len())].iter().flatten().copied().reduce(Length::min);
        let bins = bins.iter().enumerate().map(|(bin, cells)| of_bin(cells, near(bin))).collect();
        Some(Self { from, width, bins, places })
    }

    pub fn edge(&self, index: usize) -> Length {
        self.from + self.width * index as f64
    }

    pub fn is_unread(&self) -> bool {
        self.bins.iter().all(Option::is_none)
    }

    /// The share of the wall that was read.
    pub fn share(&self) -> f64 {
        self.bins.iter().filter(|bin| bin.is_some()).count() as f64 / self.bins.len() as f64
    }

    /// Stretches longer than this between two neighbouring echoes, or between an echo and an end.
    pub fn gaps_over(&self, max_gap: Length) -> Vec<BinStretch> {
        let between = self.places.windows(2).map(|pair| BinStretch { from: pair[0], to: pair[1] });
        between.filter(|gap| gap.length() > max_gap).collect()
    }
}

/// Cells in a bin, and bins. A cell is no narrower than `cell`, or every few shots one would stay empty; a bin is no wider than `most`.
fn divided(length: Length, cell: Length, most: Length) -> (f64, f64) {
    let mut each = (most / cell + 1e-9).floor().max(1.0);
    loop {
        let count = (length / (cell * each)).floor().clamp(1.0, MOST_BINS);
        if length / count <= most {
            return (each, count);
        }
        if each == 1.0 {
            // Shots as far apart as bins may be wide.
            return (each, (length / cell).round().clamp(1.0, MOST_BINS));
        }
        each -= 1.0;
    }
}

/// How far shots usually lie apart.
fn spacing(sorted: &[BinShot]) -> Length {
    let mut steps: Vec<f64> = sorted.windows(2).map(|pair| (pair[1].along - pair[0].along).as_mm()).filter(|step| *step > 1e-3).collect();
    steps.sort_by(f64::total_cmp);
    Length::mm(crate::strip::statistics::quantile(&steps, USUAL).unwrap_or_default())
}

/// The lowest wall read in some cells. What stands alone is none.
fn lowest_in(cells: &[Vec<BinShot>]) -> Option<Length> {
    let counted = cells.iter().flatten().filter(|shot| shot.speaks_for != SpeaksFor::Itself);
    counted.filter_map(|shot| shot.thickness.filter(|wall| wall.is_finite())).reduce(Length::min)
}

/// What was read of a cell, and near it at the lowest.
fn of_cell(shots: &[BinShot], lowest_near: Option<Length>) -> Option<BinRead> {
    let read: Vec<&BinShot> = shots.iter().filter(|shot| shot.thickness.is_some_and(Length::is_finite)).collect();
    let walls: Vec<f64> = read.iter().filter_map(|shot| Some(shot.thickness?.as_mm())).collect();
    let thickness = Length::mm(crate::strip::statistics::mean(&walls)?);
    let even_only = read.iter().any(|shot| shot.speaks_for != SpeaksFor::Footprint);
    Some(BinRead {
        thickness,
        safe: lowest_near.filter(|_| even_only).map_or(thickness, |lowest| lowest.min(thickness)),
        even_wall_only: if even_only { 1.0 } else { 0.0 },
        uncertainty: greatest(read.iter().map(|shot| shot.uncertainty)),
    })
}

fn of_bin(cells: &[Vec<BinShot>], lowest_near: Option<Length>) -> Option<BinRead> {
    let count = cells.len();
    let read: Vec<BinRead> = cells.iter().filter_map(|shots| of_cell(shots, lowest_near)).collect();
    if (read.len() as f64) < ENOUGH * count as f64 - 1e-9 {
        return None;
    }
    // What was not read of it is at its lowest cell.
    let mean = |of: &dyn Fn(&BinRead) -> Length| -> Option<Length> {
        let lowest = read.iter().map(of).reduce(Length::min)?;
        let sum = read.iter().fold(Length::ZERO, |sum, read| sum + of(read)) + lowest * (count - read.len()) as f64;
        Some(sum / count as f64)
    };
    Some(BinRead {
        thickness: mean(&|read| read.thickness)?,
        safe: mean(&|read| read.safe)?,
        even_wall_only: read.iter().map(|read| read.even_wall_only).sum::<f64>() / count as f64,
        uncertainty: greatest(read.iter().map(|read| read.uncertainty)),
    })
}

/// The greatest u stands for all; `None` where one is not known.
fn greatest(mut all: impl Iterator<Item = Option<Length>>) -> Option<Length> {
    all.try_fold(Length::ZERO, |most, u| u.map(|u| most.max(u)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at_place(mm: f64) -> BinShot {
        BinShot { along: Length::mm(mm), across: Length::ZERO, thickness: None, uncertainty: None, speaks_for: SpeaksFor::Footprint }
    }

    /// An encoder of 40 counts a millimetre and a crawler of 40 mm/s at 15 shots a second give steps of 2.675, 2.675 and 2.65 mm: their mean is
    /// just the width that a stretch of 1.2 m divides into.
    #[test]
    fn a_wall_read_whole_is_read_in_every_bin_whatever_the_steps_are() {
        for steps in [&[2.675, 2.675, 2.65][..], &[2.5], &[3.333, 3.334], &[1.0], &[0.3, 0.5], &[4.99, 5.0], &[9.9]] {
            for end in [1200.0, 1195.0, 1003.0, 331.0] {
                let mut shots = Vec::new();
                let mut at = 0.0;
                for step in steps.iter().cycle() {
                    if at > end {
                        break;
                    }
                    shots.push(BinShot { thickness: Some(Length::mm(8.0)), uncertainty: Some(Length::mm(0.05)), ..at_place(at) });
                    at += step;
                }
                let bins = Bins::of(&shots, (Length::ZERO, Length::mm(end)), Length::mm(10.0)).unwrap();
                // The last bin may end behind the last shot.
                let unread = bins.bins.iter().rev().skip(1).filter(|bin| bin.is_none()).count();
                assert_eq!(unread, 0, "{steps:?} to {end}: {} of {} bins", unread, bins.bins.len());
                assert!(bins.width.as_mm() <= 10.0 || steps == [9.9], "{steps:?} to {end}: {}", bins.width);
            }
        }
    }
}
