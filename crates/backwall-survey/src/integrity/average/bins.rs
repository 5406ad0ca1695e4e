//! The wall of one course along a line in equal bins, each read or unread.

use backwall_units::Length;
use serde::Serialize;

/// One shot at its place, with its echo or without.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BinShot {
    pub along: Length,
    /// How far beside the line.
    pub across: Length,
    pub thickness: Option<Length>,
    /// Standard uncertainty (k = 1), where it is known.
    pub uncertainty: Option<Length>,
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
    /// rest of it at its lowest cell. All shots are of one track: see [`super::by_track`].
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
        let cells: Vec<Option<BinRead>> = cells.iter().map(|shots| of_cell(shots)).collect();
        Some(Self { from, width, bins: cells.chunks(each as usize).map(of_bin).collect(), places })
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

fn of_cell(shots: &[BinShot]) -> Option<BinRead> {
    let read: Vec<(f64, Option<Length>)> =
        shots.iter().filter_map(|shot| Some((shot.thickness.filter(|wall| wall.is_finite())?.as_mm(), shot.uncertainty))).collect();
    let walls: Vec<f64> = read.iter().map(|(wall, _)| *wall).collect();
    let thickness = Length::mm(crate::strip::statistics::mean(&walls)?);
    Some(BinRead { thickness, uncertainty: greatest(read.iter().map(|(_, u)| *u)) })
}

fn of_bin(cells: &[Option<BinRead>]) -> Option<BinRead> {
    let read: Vec<&BinRead> = cells.iter().flatten().collect();
    if (read.len() as f64) < ENOUGH * cells.len() as f64 - 1e-9 {
        return None;
    }
    let lowest = read.iter().map(|read| read.thickness).reduce(Length::min)?;
    let sum = read.iter().fold(Length::ZERO, |sum, read| sum + read.thickness) + lowest * (cells.len() - read.len()) as f64;
    Some(BinRead { thickness: sum / cells.len() as f64, uncertainty: greatest(read.iter().map(|read| read.uncertainty)) })
}

/// The greatest u stands for all; `None` where one is not known.
fn greatest(mut all: impl Iterator<Item = Option<Length>>) -> Option<Length> {
    all.try_fold(Length::ZERO, |most, u| u.map(|u| most.max(u)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at_place(mm: f64) -> BinShot {
        BinShot { along: Length::mm(mm), across: Length::ZERO, thickness: None, uncertainty: None }
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
