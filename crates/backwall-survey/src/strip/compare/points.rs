//! An earlier survey of few readings, as a gauge held by hand leaves it: each is compared where it was taken, with the reading nearest to it
//! now, and not as the mean of a stretch.

use super::{Change, CompareSettings, Difference, Point, combined};
use backwall_units::Length;
use serde::Serialize;

/// Readings further apart than so many bins leave most bins empty.
const FAR: f64 = 5.0;

/// One earlier reading and the present one at its place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AtPoint {
    #[serde(rename = "at_mm")]
    pub at: Length,
    /// The present reading nearest to it, no further away than half a bin. `None` where nothing was read there.
    pub nearest: Option<Difference>,
    /// The lowest present reading within a bin either way: a place by hand is known no better.
    #[serde(rename = "lowest_near_mm")]
    pub lowest: Option<Length>,
}

/// Whether a survey is one of points: its readings usually lie further apart than five bins.
pub fn is_sparse(points: &[Point], settings: &CompareSettings) -> bool {
    let mut places: Vec<Length> = points.iter().map(|point| point.along).collect();
    places.sort_by(Length::total_cmp);
    let mut apart: Vec<Length> = places.windows(2).map(|pair| pair[1] - pair[0]).collect();
    apart.sort_by(Length::total_cmp);
    match apart.len() {
        0 => !points.is_empty(),
        count => apart[count / 2] > settings.bin * FAR,
    }
}

/// Every earlier reading at its place on the present line, in rising order.
pub fn at_points(now: &[Point], earlier: &[Point], settings: &CompareSettings) -> Vec<AtPoint> {
    let mut found: Vec<AtPoint> = earlier.iter().map(|point| at_point(now, point, settings)).collect();
    found.sort_by(|a, b| a.at.total_cmp(&b.at));
    found
}

fn at_point(now: &[Point], earlier: &Point, settings: &CompareSettings) -> AtPoint {
    let away = |point: &Point| (point.along - earlier.along).abs();
    let near = || now.iter().filter(|point| away(point) <= settings.bin);
    let nearest = near().min_by(|a, b| away(a).total_cmp(&away(b))).filter(|point| away(point) <= settings.bin / 2.0);
    let difference = |point: &Point| {
        let difference = point.thickness - earlier.thickness;
        let expanded = point.uncertainty.zip(earlier.uncertainty).map(|(now, then)| combined(now, then));
        Difference {
            now: point.thickness,
            earlier: earlier.thickness,
            difference,
            expanded,
            random: Length::ZERO,
            change: Change::judge(difference, expanded),
        }
    };
    AtPoint { at: earlier.along, nearest: nearest.map(difference), lowest: near().map(|point| point.thickness).reduce(Length::min) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(along: f64, thickness: f64, uncertainty: Option<f64>) -> Point {
        Point { along: Length::mm(along), thickness: Length::mm(thickness), uncertainty: uncertainty.map(Length::mm) }
    }

    // Worked: 9.00 -> 8.60 mm with u 0.05 each gives U = 2 (0.05² + 0.05²)^0.5 = 0.1414 mm, thinner; a pit 8 mm beside the point is near it and not
    // at it.
    #[test]
    fn seven_readings_by_hand_are_points() {
        let now: Vec<Point> = (0..3000)
            .map(|i| f64::from(i) + 0.5)
            .map(|x| point(x, if (507.0..509.0).contains(&x) { 6.0 } else { 8.6 }, Some(0.05)))
            .filter(|point| !(2480.0..2520.0).contains(&point.along.as_mm()))
            .collect();
        let earlier: Vec<Point> = (0..7).map(|i| point(2600.0 - f64::from(i) * 350.0, 9.0, Some(0.05))).collect();
        let settings = CompareSettings::default();
        assert!(is_sparse(&earlier, &settings) && !is_sparse(&now, &settings));
        let found = at_points(&now, &earlier, &settings);
        assert_eq!(found.len(), 7);
        let first = found[0].nearest.unwrap();
        assert_eq!((found[0].at, first.now, found[0].lowest), (Length::mm(500.0), Length::mm(8.6), Some(Length::mm(6.0))));
        assert!((first.expanded.unwrap().as_mm() - 0.1414).abs() < 5e-5 && first.change == Change::Thinner);
        assert_eq!(
            at_points(&now, &[point(2500.0, 9.0, None)], &settings)[0],
            AtPoint { at: Length::mm(2500.0), nearest: None, lowest: None }
        );
        let untold = at_points(&now, &[point(1000.0, 9.0, None)], &settings)[0].nearest.unwrap();
        assert_eq!(untold.change, Change::Unjudged);
    }
}
