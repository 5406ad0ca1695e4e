//! Which reading stands where: the least reading of every millimetre, and a coarse index from place to row, so that a
//! run of any length can be walked by place while no more than the readings in view are fetched.

use super::bins::FURTHEST_MM;
use backwall_units::Length;
use std::collections::VecDeque;

/// One reading, named by where it stands and how it came. Sorts by place, then run, then row, so that a place passed
/// twice gives all its readings in the order they came; readings without a place come first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct At {
    along_um: Option<i64>,
    /// Which of the runs walked together.
    pub run: u32,
    pub row: u64,
}

impl At {
    pub fn new(along: Option<Length>, run: u32, row: u64) -> Self {
        Self { along_um: along.filter(is_possible).map(Length::as_micrometres), run, row }
    }

    pub fn along(&self) -> Option<Length> {
        self.along_um.map(Length::micrometres)
    }
}

fn is_possible(along: &Length) -> bool {
    along.as_mm().abs() <= FURTHEST_MM
}

/// Cells are as wide as the finest bins of the strip.
const CELL_UM: i64 = 1000;
/// Rows in one block of the index: as many as one short read fetches.
pub const BLOCK: u64 = 256;

/// What stands in one millimetre.
#[derive(Debug, Clone, Copy, Default)]
struct PlaceCell {
    count: u32,
    /// The least reading, nm.
    least: Option<(i64, At)>,
    /// The first reading without an echo, or that stands alone.
    lost: Option<At>,
    /// The first and the last place with a thickness, µm.
    read: Option<(i64, i64)>,
}

/// The places of [`BLOCK`] rows of one run, one behind the other.
#[derive(Debug, Clone, Copy)]
struct PlacesBlock {
    run: u32,
    first: u64,
    count: u64,
    /// µm; `None` while none of them has a place.
    span: Option<(i64, i64)>,
    unplaced: bool,
}

/// A stretch without a thickness, from the last reading with one to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceGap {
    pub from: Length,
    pub to: Length,
}

impl PlaceGap {
    pub fn length(&self) -> Length {
        self.to - self.from
    }
}

/// Rows that may hold what is looked for: run, first row, how many.
pub type Rows = (u32, u64, u64);

#[derive(Debug, Clone, Default)]
pub struct Places {
    first: i64,
    cells: VecDeque<PlaceCell>,
    blocks: Vec<PlacesBlock>,
    least: Option<(i64, At)>,
    count: u64,
    unplaced: u64,
}

impl Places {
    /// Takes the next reading; the rows of a run come in order. One that stands alone does not count: it fills a gap and leads nothing.
    pub fn push(&mut self, at: At, thickness: Option<Length>, counts: bool) {
        self.count += 1;
        self.index(at);
        let thickness = thickness.map(Length::as_nanometres);
        let counted = thickness.filter(|_| counts);
        if let Some(nm) = counted
            && self.least.is_none_or(|(least, _)| nm < least)
        {
            self.least = Some((nm, at));
        }
        let Some(um) = at.along_um else {
            self.unplaced += 1;
            return;
        };
        let cell = self.cell_mut(um.div_euclid(CELL_UM));
        cell.count += 1;
        match counted {
            Some(nm) if cell.least.is_none_or(|(least, _)| nm < least) => cell.least = Some((nm, at)),
            Some(_) => {}
            None => cell.lost = cell.lost.or(Some(at)),
        }
        if thickness.is_some() {
            let (from, to) = cell.read.unwrap_or((um, um));
            cell.read = Some((from.min(um), to.max(um)));
        }
    }

    fn index(&mut self, at: At) {
        let open = self.blocks.last().is_some_and(|block| block.run == at.run && block.count < BLOCK);
        if !open {
            self.blocks.push(PlacesBlock { run: at.run, first: at.row, count: 0, span: None, unplaced: false });
        }
        let Some(block) = self.blocks.last_mut() else { return };
        block.count += 1;
        match at.along_um {
            Some(um) => block.span = Some(block.span.map_or((um, um), |(low, high)| (low.min(um), high.max(um)))),
            None => block.unplaced = true,
        }
    }

    fn cell_mut(&mut self, index: i64) -> &mut PlaceCell {
        if self.cells.is_empty() {
            self.first = index;
        }
        while index < self.first {
            self.cells.push_front(PlaceCell::default());
            self.first -= 1;
        }
        while index >= self.first + self.cells.len() as i64 {
            self.cells.push_back(PlaceCell::default());
        }
        &mut self.cells[(index - self.first) as usize]
    }

    /// Cells from `from` up to, not including, `to`.
    fn between(&self, from: Length, to: Length) -> impl DoubleEndedIterator<Item = &PlaceCell> {
        let index = |place: Length| {
            let cells = (place.as_micrometres() as f64 / CELL_UM as f64).floor() as i64 - self.first;
            cells.clamp(0, self.cells.len() as i64) as usize
        };
        let (low, high) = (index(from), index(to + Length::mm(0.999)));
        self.cells.range(low..high.max(low))
    }

    pub fn count(&self) -> u64 {
        self.count
    }

    pub fn unplaced(&self) -> u64 {
        self.unplaced
    }

    /// The first and the last millimetre anything stands in.
    pub fn extent(&self) -> Option<(Length, Length)> {
        let edge = |index: i64| Length::micrometres(index * CELL_UM);
        (!self.cells.is_empty()).then(|| (edge(self.first), edge(self.first + self.cells.len() as i64)))
    }

    /// The least reading of all.
    pub fn least(&self) -> Option<At> {
        self.least.map(|(_, at)| at)
    }

    /// The reading a stretch is drawn by: its least, else its first without an echo. Whole millimetres.
    pub fn drawn_by(&self, from: Length, to: Length) -> Option<At> {
        let least = self.between(from, to).filter_map(|cell| cell.least).min();
        least.map(|(_, at)| at).or_else(|| self.between(from, to).find_map(|cell| cell.lost))
    }

    /// Stretches without a thickness longer than `most`, between the first and the last place driven.
    pub fn gaps(&self, most: Length) -> Vec<PlaceGap> {
        let most = most.as_micrometres();
        let place = Length::micrometres;
        let mut gaps = Vec::new();
        let mut before = None;
        for (index, cell) in (self.first..).zip(&self.cells) {
            let edge = before.unwrap_or(index * CELL_UM);
            let next = match (cell.read, index + 1 == self.first + self.cells.len() as i64) {
                (Some((from, _)), _) => from,
                (None, true) => (index + 1) * CELL_UM,
                (None, false) => {
                    before = Some(edge);
                    continue;
                }
            };
            if next - edge > most {
                gaps.push(PlaceGap { from: place(edge), to: place(next) });
            }
            before = cell.read.map(|(_, to)| to);
        }
        gaps
    }

    /// The stretch about a place, to the millimetre, that holds at least `count` readings each way where there are
    /// so many.
    pub fn about(&self, at: Length, count: u64) -> (Length, Length) {
        let here = at.as_micrometres().div_euclid(CELL_UM);
        let last = self.first + self.cells.len() as i64;
        let held = |index: i64| usize::try_from(index - self.first).ok().and_then(|index| self.cells.get(index)).map_or(0, |c| c.count);
        let reach = |way: i64| {
            let (mut index, mut sum) = (here, 0);
            while sum < count && index >= self.first && index < last {
                index += way;
                sum += u64::from(held(index));
            }
            index
        };
        let edge = |index: i64| Length::micrometres(index * CELL_UM);
        (edge(reach(-1).clamp(self.first.min(here), here)), edge(reach(1).clamp(here, last.max(here + 1)) + 1))
    }

    /// The rows among which all readings from `from` up to `to` are.
    pub fn rows_between(&self, from: Length, to: Length) -> impl Iterator<Item = Rows> {
        let (from, to) = (from.as_micrometres(), to.as_micrometres());
        let inside = move |block: &&PlacesBlock| block.span.is_some_and(|(low, high)| high >= from && low < to);
        self.blocks.iter().filter(inside).map(|block| (block.run, block.first, block.count))
    }

    /// The rows among which readings without a place are: about a row, `reach` blocks each way; and whether these are the
    /// first, and the last, of them.
    pub fn rows_unplaced(&self, at: At, reach: usize) -> (Vec<Rows>, (bool, bool)) {
        let all: Vec<&PlacesBlock> = self.blocks.iter().filter(|block| block.unplaced).collect();
        let here = all.partition_point(|block| (block.run, block.first + block.count) <= (at.run, at.row));
        let (from, to) = (here.saturating_sub(reach), (here + reach + 1).min(all.len()));
        let rows = all[from..to].iter().map(|block| (block.run, block.first, block.count)).collect();
        (rows, (from == 0, to == all.len()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mm(value: f64) -> Length {
        Length::mm(value)
    }

    fn places(readings: &[(f64, Option<f64>)]) -> Places {
        let mut places = Places::default();
        for (row, (place, thickness)) in readings.iter().enumerate() {
            places.push(At::new(Some(mm(*place)), 0, row as u64), thickness.map(mm), true);
        }
        places
    }

    #[test]
    fn a_place_passed_twice_sorts_by_place_then_by_row() {
        let mut all = [At::new(Some(mm(2.0)), 0, 1), At::new(Some(mm(1.0)), 0, 7), At::new(Some(mm(1.0)), 0, 2), At::new(None, 0, 9)];
        all.sort();
        assert_eq!(all.map(|at| at.row), [9, 2, 7, 1]);
    }

    #[test]
    fn gaps_go_from_reading_to_reading_and_ends_without_echo_count() {
        let places = places(&[(0.2, None), (20.0, None), (20.7, Some(9.0)), (25.0, Some(9.0)), (40.3, Some(9.0)), (70.0, None)]);
        let gaps: Vec<_> = places.gaps(mm(10.0)).iter().map(|gap| (gap.from.as_mm(), gap.to.as_mm())).collect();
        assert_eq!(gaps, [(0.0, 20.7), (25.0, 40.3), (40.3, 71.0)]);
    }

    #[test]
    fn without_an_echo_the_first_reading_without_one_stands_for_the_stretch() {
        let places = places(&[(5.2, None), (5.1, None)]);
        assert_eq!(places.drawn_by(mm(0.0), mm(10.0)).map(|at| at.row), Some(0));
        assert_eq!(places.drawn_by(mm(6.0), mm(10.0)), None);
    }

    proptest! {
        #[test]
        fn the_index_finds_what_a_full_search_finds(
            readings in prop::collection::vec((-300.0f64..3000.0, prop::option::weighted(0.8, 3.0f64..12.0)), 1..900),
            low in -400i32..3200, width in 1i32..1500,
        ) {
            let places = places(&readings);
            let (from, to) = (mm(f64::from(low)), mm(f64::from(low + width)));
            let inside: Vec<usize> = (0..readings.len())
                .filter(|row| { let um = mm(readings[*row].0).as_micrometres(); um >= from.as_micrometres() && um < to.as_micrometres() })
                .collect();
            let least = inside.iter().filter_map(|row| Some((mm(readings[*row].1?).as_nanometres(), *row as u64))).min_by_key(|(nm, _)| *nm);
            let got = places.drawn_by(from, to);
            match least {
                Some((nm, _)) => {
                    let row = got.unwrap().row as usize;
                    prop_assert_eq!(mm(readings[row].1.unwrap()).as_nanometres(), nm);
                }
                None => prop_assert_eq!(got.is_some(), !inside.is_empty()),
            }
            let rows: Vec<Rows> = places.rows_between(from, to).collect();
            for row in inside {
                prop_assert!(rows.iter().any(|(_, first, count)| (*first..first + count).contains(&(row as u64))));
            }
        }
    }
}
