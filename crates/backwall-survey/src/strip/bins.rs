//! Thickness against distance in bins of 1 mm with coarser levels above. The least thickness and the worst
//! level survive at every zoom; a stretch without echo and a stretch not driven stay told apart.

use super::Level;
use backwall_units::Length;
use std::collections::VecDeque;

/// What is known of one stretch of wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bin {
    /// Least thickness read.
    pub least: Option<Length>,
    pub greatest: Option<Length>,
    /// Worst level of all readings; `Lost` only where nothing could be read at all.
    pub worst: Level,
    /// Readings with a thickness.
    pub read: u32,
    /// Readings without an echo, or that no neighbour agrees with.
    pub lost: u32,
}

impl Bin {
    const EMPTY: Self = Self { least: None, greatest: None, worst: Level::Unjudged, read: 0, lost: 0 };

    /// A single reading.
    pub fn of(thickness: Option<Length>, level: Level) -> Self {
        let mut bin = Self::EMPTY;
        bin.add(thickness, level);
        bin
    }

    pub fn is_empty(&self) -> bool {
        self.read + self.lost == 0
    }

    /// Takes a reading as [`Seen`](super::Seen) gives it.
    pub(super) fn take(&mut self, (thickness, level): (Option<Length>, Level)) {
        self.add(thickness, level);
    }

    fn add(&mut self, thickness: Option<Length>, level: Level) {
        self.merge(&match thickness {
            Some(thickness) => Self { least: Some(thickness), greatest: Some(thickness), worst: level, read: 1, lost: 0 },
            None => Self { worst: Level::NoEcho, lost: 1, ..Self::EMPTY },
        });
    }

    fn merge(&mut self, other: &Self) {
        if other.is_empty() {
            return;
        }
        let pick = |a: Option<Length>, b: Option<Length>, f: fn(Length, Length) -> Length| match (a, b) {
            (Some(a), Some(b)) => Some(f(a, b)),
            (a, b) => a.or(b),
        };
        self.worst = match (self.read, other.read) {
            _ if self.is_empty() => other.worst,
            (0, 0) => Level::NoEcho,
            (0, _) => other.worst,
            (_, 0) => self.worst,
            _ => self.worst.max(other.worst),
        };
        self.least = pick(self.least, other.least, Length::min);
        self.greatest = pick(self.greatest, other.greatest, Length::max);
        self.read += other.read;
        self.lost += other.lost;
    }
}

/// A drawn stretch: its edges and what is known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    pub from: Length,
    pub to: Length,
    pub bin: Bin,
}

/// Bins of the finest level are this wide.
const BIN: Length = Length::mm(1.0);
/// Each coarser level joins this many bins of the one below.
const FAN: i64 = 8;
const LEVELS: usize = 6;
/// No crawler drives further than this from its start; a place beyond it is an encoder gone mad.
pub(super) const FURTHEST_MM: f64 = 500_000.0;

/// One level: bins in rising order of place, growing at both ends.
#[derive(Debug, Clone, Default)]
struct Layer {
    first: i64,
    bins: VecDeque<Bin>,
}

impl Layer {
    fn bin_mut(&mut self, index: i64) -> &mut Bin {
        if self.bins.is_empty() {
            self.first = index;
        }
        while index < self.first {
            self.bins.push_front(Bin::EMPTY);
            self.first -= 1;
        }
        while index >= self.first + self.bins.len() as i64 {
            self.bins.push_back(Bin::EMPTY);
        }
        &mut self.bins[(index - self.first) as usize]
    }
    fn get(&self, index: i64) -> Option<&Bin> {
        usize::try_from(index - self.first).ok().and_then(|offset| self.bins.get(offset))
    }
}

/// The strip of one run.
#[derive(Debug, Clone, Default)]
pub struct Strip {
    layers: [Layer; LEVELS],
    unplaced: u64,
}

impl Strip {
    /// Adds a reading. Readings without a place (or with an impossible one) are counted, not drawn.
    pub fn push(&mut self, along: Option<Length>, thickness: Option<Length>, level: Level) {
        let Some(mut index) = along.and_then(Self::index_of) else {
            self.unplaced += 1;
            return;
        };
        for layer in &mut self.layers {
            layer.bin_mut(index).add(thickness, level);
            index = index.div_euclid(FAN);
        }
    }

    /// The finest bin that a place lies in; none for one beyond what any crawler drives.
    pub(super) fn index_of(along: Length) -> Option<i64> {
        (along.as_mm().abs() <= FURTHEST_MM).then(|| (along / BIN).floor() as i64)
    }

    pub(super) fn finest_at(&self, index: i64) -> Bin {
        self.layers[0].get(index).copied().unwrap_or(Bin::EMPTY)
    }

    /// Puts another bin in the place of a finest one, and makes those above it anew.
    pub(super) fn put(&mut self, mut index: i64, bin: Bin) {
        *self.layers[0].bin_mut(index) = bin;
        for level in 1..LEVELS {
            index = index.div_euclid(FAN);
            let mut sum = Bin::EMPTY;
            (index * FAN..(index + 1) * FAN).filter_map(|below| self.layers[level - 1].get(below)).for_each(|below| sum.merge(below));
            *self.layers[level].bin_mut(index) = sum;
        }
    }

    /// Readings that have no place on the strip.
    pub fn unplaced(&self) -> u64 {
        self.unplaced
    }

    /// The least and the greatest place driven, to the bin.
    pub fn extent(&self) -> Option<(Length, Length)> {
        let layer = &self.layers[0];
        (!layer.bins.is_empty()).then(|| (BIN * layer.first as f64, BIN * (layer.first + layer.bins.len() as i64) as f64))
    }

    /// The finest bins with what is known of them, each by its lower edge.
    pub fn finest(&self) -> impl Iterator<Item = (Length, &Bin)> {
        let layer = &self.layers[0];
        (layer.first..).zip(&layer.bins).map(|(index, bin)| (BIN * index as f64, bin))
    }

    /// Everything known between two places.
    pub fn stretch(&self, from: Length, to: Length) -> Bin {
        let mut sum = Bin::EMPTY;
        let Some((first, last)) = self.extent() else {
            return sum;
        };
        let mut low = (from.max(first) / BIN).floor() as i64;
        let high = (to.min(last) / BIN).ceil() as i64;
        while low < high {
            // The coarsest bin that starts here and ends inside.
            let mut level = 0;
            let mut width = 1;
            while level + 1 < LEVELS && low.rem_euclid(width * FAN) == 0 && low + width * FAN <= high {
                level += 1;
                width *= FAN;
            }
            if let Some(bin) = self.layers[level].get(low.div_euclid(width)) {
                sum.merge(bin);
            }
            low += width;
        }
        sum
    }

    /// `count` rows of equal height upward from `from`; the last ends at `to`.
    pub fn rows(&self, from: Length, to: Length, count: usize) -> Vec<Row> {
        let step = (to - from) / count.max(1) as f64;
        (0..count)
            .map(|index| {
                let (low, high) = (from + step * index as f64, from + step * (index + 1) as f64);
                Row { from: low, to: high, bin: self.stretch(low, high) }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn level(thickness: f64) -> Level {
        if thickness < 6.0 { Level::Thin } else { Level::Clear }
    }

    #[test]
    fn a_place_passed_twice_keeps_the_worst() {
        let mut strip = Strip::default();
        for thickness in [9.0, 5.5, 9.2] {
            strip.push(Some(Length::mm(10.3)), Some(Length::mm(thickness)), level(thickness));
        }
        let bin = strip.stretch(Length::mm(0.0), Length::mm(100.0));
        assert_eq!((bin.least, bin.greatest, bin.worst, bin.read), (Some(Length::mm(5.5)), Some(Length::mm(9.2)), Level::Thin, 3));
    }

    #[test]
    fn not_driven_and_no_echo_are_told_apart() {
        let mut strip = Strip::default();
        strip.push(Some(Length::mm(1.5)), None, Level::NoEcho);
        strip.push(Some(Length::mm(9.5)), Some(Length::mm(9.0)), Level::Clear);
        assert_eq!(strip.stretch(Length::mm(1.0), Length::mm(2.0)).worst, Level::NoEcho);
        assert!(strip.stretch(Length::mm(3.0), Length::mm(9.0)).is_empty());
        let both = strip.stretch(Length::mm(0.0), Length::mm(10.0));
        assert_eq!((both.worst, both.read, both.lost), (Level::Clear, 1, 1));
    }

    #[test]
    fn a_mad_encoder_does_not_fill_memory() {
        let mut strip = Strip::default();
        strip.push(Some(Length::mm(1e12)), Some(Length::mm(9.0)), Level::Clear);
        assert_eq!((strip.unplaced(), strip.extent()), (1, None));
    }

    proptest! {
        #[test]
        fn every_zoom_agrees_with_a_full_scan(
            readings in prop::collection::vec((-3000.0f64..3000.0, prop::option::weighted(0.8, 3.0f64..12.0)), 1..300),
            low in -3200i32..3200, width in 1i32..4000,
        ) {
            let mut strip = Strip::default();
            for (place, thickness) in &readings {
                let level = thickness.map_or(Level::NoEcho, level);
                strip.push(Some(Length::mm(*place)), thickness.map(Length::mm), level);
            }
            let (from, to) = (f64::from(low), f64::from(low + width));
            let inside: Vec<_> = readings.iter().filter(|(place, _)| *place >= from && *place < to).collect();
            let got = strip.stretch(Length::mm(from), Length::mm(to));
            let least = inside.iter().filter_map(|(_, t)| *t).reduce(f64::min);
            prop_assert_eq!(got.least.map(Length::as_mm), least);
            prop_assert_eq!(got.read as usize, inside.iter().filter(|(_, t)| t.is_some()).count());
            prop_assert_eq!(got.lost as usize, inside.iter().filter(|(_, t)| t.is_none()).count());
            let worst = match least { Some(t) => level(t), None if got.lost > 0 => Level::NoEcho, None => Level::Unjudged };
            prop_assert_eq!(got.worst, worst);
        }
    }
}
