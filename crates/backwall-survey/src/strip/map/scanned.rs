//! How much of the wall was read: the union of the stripes the lines' readings speak for, exactly.

use super::{WallMap, covered};
use backwall_units::Length;

impl WallMap {
    /// Part of the surface that was read, 0 to 1: stripes as wide as the beam, what two lines cover counted once. `None`
    /// where the surface is unknown.
    pub fn scanned_share(&self) -> Option<f64> {
        let surface = self.ground.surface;
        (surface > 0.0).then(|| (self.scanned_mm2() / surface).min(1.0))
    }

    pub fn scanned_m2(&self) -> f64 {
        self.scanned_mm2() / 1e6
    }

    fn scanned_mm2(&self) -> f64 {
        let (bottom, top) = (self.ground.bottom, self.ground.top);
        let upright = slabs(self.upright().into_iter().flat_map(|(band, at)| {
            let read = inside(band.read(self.beam), bottom, top);
            self.around(at - self.beam / 2.0, at + self.beam / 2.0).into_iter().map(move |edges| (edges, read.clone()))
        }));
        let across = slabs(self.across().into_iter().map(|(band, elevation)| {
            let read = band.read(self.beam).into_iter().flat_map(|(from, to)| self.around(from, to)).collect();
            let edges = ((elevation - self.beam / 2.0).max(bottom), (elevation + self.beam / 2.0).min(top));
            (edges, united(read))
        }));
        let area = |slabs: &[Slab]| slabs.iter().map(|slab| slab.width() * total(&slab.read)).sum::<f64>();
        let twice: f64 = upright
            .iter()
            .flat_map(|u| across.iter().map(move |a| covered(&a.read, u.from, u.to).as_mm() * covered(&u.read, a.from, a.to).as_mm()))
            .sum();
        area(&upright) + area(&across) - twice
    }

    /// A stretch along the circumference, cut where it passes azimuth 0.
    fn around(&self, from: Length, to: Length) -> Vec<(Length, Length)> {
        let whole = self.ground.circumference;
        if whole <= Length::ZERO || to - from >= whole {
            return vec![(Length::ZERO, whole)];
        }
        let start = Length::mm(from.as_mm().rem_euclid(whole.as_mm()));
        let end = start + (to - from);
        if end <= whole { vec![(start, end)] } else { vec![(start, whole), (Length::ZERO, end - whole)] }
    }
}

/// Joins stretches that touch or overlap.
fn united(mut stretches: Vec<(Length, Length)>) -> Vec<(Length, Length)> {
    stretches.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut joined: Vec<(Length, Length)> = Vec::with_capacity(stretches.len());
    for (from, to) in stretches {
        match joined.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(to),
            _ => joined.push((from, to)),
        }
    }
    joined
}

/// A stripe in which the same stretches were read over its whole width.
struct Slab {
    from: Length,
    to: Length,
    read: Vec<(Length, Length)>,
}

impl Slab {
    fn width(&self) -> f64 {
        (self.to - self.from).as_mm()
    }
}

type Stripe = ((Length, Length), Vec<(Length, Length)>);

/// Cuts stripes that may overlap into slabs that do not.
fn slabs(stripes: impl Iterator<Item = Stripe>) -> Vec<Slab> {
    let stripes: Vec<Stripe> = stripes.filter(|((from, to), _)| from < to).collect();
    let mut edges: Vec<Length> = stripes.iter().flat_map(|((from, to), _)| [*from, *to]).collect();
    edges.sort_by(Length::total_cmp);
    let mut slabs = Vec::new();
    for edge in edges.windows(2).filter(|edge| edge[0] < edge[1]) {
        let over = stripes.iter().filter(|((from, to), _)| *from <= edge[0] && *to >= edge[1]);
        let read = united(over.flat_map(|(_, read)| read.iter().copied()).collect());
        if !read.is_empty() {
            slabs.push(Slab { from: edge[0], to: edge[1], read });
        }
    }
    slabs
}

fn inside(stretches: Vec<(Length, Length)>, low: Length, high: Length) -> Vec<(Length, Length)> {
    stretches.into_iter().map(|(from, to)| (from.max(low), to.min(high))).filter(|(from, to)| from < to).collect()
}

fn total(stretches: &[(Length, Length)]) -> f64 {
    stretches.iter().map(|(from, to)| (*to - *from).as_mm()).sum()
}

#[cfg(test)]
mod tests {
    use super::super::MapBand;
    use super::super::tests::{across, close, map, push, strip, upright};

    fn scanned(bands: Vec<MapBand>) -> f64 {
        map(bands).scanned_mm2()
    }

    #[test]
    fn the_scanned_share_is_the_stripe_that_was_read_and_no_more() {
        close(scanned(vec![upright(2500.0, strip(0, 1000, Some(9.0)))]), 1000.0 * 10.0);
        close(map(vec![upright(2500.0, strip(0, 1000, Some(9.0)))]).scanned_share().unwrap(), 10_000.0 / 20e6);
        // Driven without an echo is not scanned, and it ends a stretch.
        let mut half = strip(0, 500, Some(9.0));
        push(&mut half, 500, 1000, None);
        close(scanned(vec![upright(2500.0, half)]), 500.0 * 10.0);
        close(scanned(vec![upright(2500.0, strip(0, 0, None))]), 0.0);
    }

    #[test]
    fn what_two_lines_cover_counts_once() {
        let full = || strip(0, 1000, Some(9.0));
        close(scanned(vec![upright(2500.0, full()), upright(2504.0, full())]), 1000.0 * 14.0);
        // A crossing: the square both beams cover.
        close(scanned(vec![upright(500.0, full()), across(300.0, full())]), 2.0 * 1000.0 * 10.0 - 100.0);
        close(scanned(vec![across(300.0, full()), across(300.0, full())]), 1000.0 * 10.0);
    }

    #[test]
    fn a_line_at_azimuth_zero_and_one_longer_than_the_wall_go_around() {
        close(scanned(vec![upright(0.0, strip(0, 1000, Some(9.0)))]), 1000.0 * 10.0);
        close(scanned(vec![across(300.0, strip(9_500, 10_500, Some(9.0)))]), 1000.0 * 10.0);
        close(scanned(vec![across(300.0, strip(0, 15_000, Some(9.0)))]), 10_000.0 * 10.0);
        // Outside the wall there is nothing to have scanned.
        close(scanned(vec![upright(500.0, strip(1_500, 3_000, Some(9.0)))]), 500.0 * 10.0);
    }
}
