//! A quantity known at the blocks' thicknesses, continued over all thicknesses.

use super::quick;
use serde::{Deserialize, Serialize};

/// How the values between and beyond the blocks are found. All work in the logarithm of thickness, where what a
/// dual-element probe does is smooth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Between {
    /// Through four blocks and more a shape-preserving cubic, between two neighbours never above or below both; through
    /// three, which show no shape, a parabola. Straight on for a short way outside.
    Smooth,
    /// Straight lines, level outside.
    Straight,
    /// Straight in the logarithm of the value too, end slopes kept within what probes do.
    Height,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    between: Between,
    /// Thickness in mm and value, thin to thick.
    points: Vec<(f64, f64)>,
}

/// Outside the blocks a smooth curve is continued straight for this far, then level.
pub const STRAIGHT_ON_MM: f64 = 0.7;
/// Blocks nearer to each other than this tell of one thickness.
pub const ALIKE_MM: f64 = 0.05;

impl Curve {
    pub fn new(between: Between, mut points: Vec<(f64, f64)>) -> Self {
        points.retain(|(x, y)| *x >= LEAST_MM && x.is_finite() && y.is_finite());
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self { between, points: merged(&points) }
    }
    pub fn len(&self) -> usize {
        self.points.len()
    }
    pub fn is_empty(&self) -> bool {
        self.points.is_empty()
    }
    pub fn range(&self) -> Option<(f64, f64)> {
        Some((self.points.first()?.0, self.points.last()?.0))
    }
    pub fn thicknesses(&self) -> impl Iterator<Item = f64> + '_ {
        self.points.iter().map(|point| point.0)
    }
    /// From the least to the greatest value on the blocks.
    pub fn span(&self) -> f64 {
        let (least, most) = self.points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, m), (_, y)| (l.min(*y), m.max(*y)));
        (most - least).max(0.0)
    }
    /// Sum of the squares of the values on the blocks.
    pub fn squares(&self) -> f64 {
        self.points.iter().map(|(_, y)| y * y).sum()
    }
    /// The two neighbouring blocks between which a thickness lies; beyond the last, the last two.
    pub fn around(&self, d: f64) -> Option<(f64, f64)> {
        let pairs = self.points.windows(2);
        pairs.clone().find(|pair| d < pair[1].0).or(pairs.last()).map(|pair| (pair[0].0, pair[1].0))
    }
    /// Prepared for quick looks.
    pub fn prepared(&self) -> Prepared {
        Prepared::new(self)
    }
}

/// Blocks as good as equal become one, at their mean: the step between them says more of their faults than of the probe.
fn merged(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut all = Vec::with_capacity(points.len());
    let mut rest = points;
    while let Some(first) = rest.first() {
        let (alike, behind) = rest.split_at(rest.partition_point(|point| point.0 <= first.0 + ALIKE_MM));
        let count = alike.len() as f64;
        all.push((alike.iter().map(|p| p.0).sum::<f64>() / count, alike.iter().map(|p| p.1).sum::<f64>() / count));
        rest = behind;
    }
    all
}

/// A thickness and its logarithm, which every curve over it needs and which costs as much as the rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePlace {
    pub mm: f64,
    log: f64,
}

impl From<f64> for CurvePlace {
    fn from(mm: f64) -> Self {
        Self { mm, log: quick::ln(mm.clamp(LEAST_MM, MOST_MM)) }
    }
}

/// No thickness is less to a logarithm, nor more.
const LEAST_MM: f64 = 1e-3;
const MOST_MM: f64 = 1e9;

/// A [`Curve`] with its slopes worked out.
#[derive(Debug, Clone)]
pub struct Prepared {
    between: Between,
    /// Between each two neighbouring blocks; one for a lone block.
    pieces: Vec<CurvePiece>,
    /// The thinnest and the thickest block.
    ends: Option<[CurveEnd; 2]>,
    /// What the logarithm of a height never falls under.
    least: f64,
}

/// Where a curve ends, and how it goes on there over the logarithm of thickness.
#[derive(Debug, Clone, Copy)]
struct CurveEnd {
    mm: f64,
    log: f64,
    value: f64,
    slope: f64,
}

/// A stretch between two blocks: a cubic over the logarithm of thickness less that of its first block, for values or their logarithms.
#[derive(Debug, Clone, Copy)]
struct CurvePiece {
    from: f64,
    coefficients: [f64; 4],
}

impl CurvePiece {
    /// The cubic with given values and slopes at both ends (Hermite's form, textbook).
    fn between((from, value, slope): (f64, f64, f64), (to, end_value, end_slope): (f64, f64, f64)) -> Self {
        let width = to - from;
        if width == 0.0 {
            return Self { from, coefficients: [value, 0.0, 0.0, 0.0] };
        }
        let chord = (end_value - value) / width;
        let square = (3.0 * chord - 2.0 * slope - end_slope) / width;
        let cube = (slope + end_slope - 2.0 * chord) / (width * width);
        Self { from, coefficients: [value, slope, square, cube] }
    }

    #[inline]
    fn at(&self, log: f64) -> f64 {
        let [a, b, c, d] = self.coefficients;
        let u = log - self.from;
        (a + b * u) + (u * u) * (c + d * u)
    }
}

impl Prepared {
    fn new(curve: &Curve) -> Self {
        let x: Vec<f64> = curve.points.iter().map(|p| quick::ln(p.0)).collect();
        let y: Vec<f64> =
            curve.points.iter().map(|p| if curve.between == Between::Height { libm::log(p.1.max(1e-9)) } else { p.1 }).collect();
        let chord = |k: usize, next: usize| if x[next] > x[k] { (y[next] - y[k]) / (x[next] - x[k]) } else { 0.0 };
        let smooth = if curve.between == Between::Smooth { shape_preserving(&x, &y) } else { Vec::new() };
        let piece = |k: usize, next: usize| {
            let (slope, end_slope) = if smooth.is_empty() { (chord(k, next), chord(k, next)) } else { (smooth[k], smooth[next]) };
            CurvePiece::between((x[k], y[k], slope), (x[next], y[next], end_slope))
        };
        let count = x.len();
        let pieces: Vec<CurvePiece> = if count == 1 { vec![piece(0, 0)] } else { (1..count).map(|next| piece(next - 1, next)).collect() };
        let end = |edge: usize, next: usize, slopes: (f64, f64)| CurveEnd {
            mm: curve.points[edge].0,
            log: x[edge],
            value: y[edge],
            slope: match curve.between {
                Between::Smooth => smooth[edge],
                Between::Straight => 0.0,
                Between::Height => chord(edge.min(next), edge.max(next)).clamp(slopes.0, slopes.1),
            },
        };
        let ends = (count > 0).then(|| [end(0, 1.min(count - 1), (0.0, 3.0)), end(count - 1, count.saturating_sub(2), (-2.0, 0.0))]);
        Self { between: curve.between, ends, least: y.iter().copied().fold(f64::NEG_INFINITY, f64::max) - std::f64::consts::LN_10, pieces }
    }

    /// Whether no block told anything.
    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    /// The value at a thickness; `None` where no block told anything.
    #[inline]
    pub fn at(&self, d: impl Into<CurvePlace>) -> Option<f64> {
        let [thinnest, thickest] = self.ends.as_ref()?;
        let place = d.into();
        let value = if place.log < thinnest.log {
            self.beyond(thinnest, place)
        } else if place.log > thickest.log {
            self.beyond(thickest, place)
        } else {
            self.piece(place.log).at(place.log)
        };
        Some(if self.between == Between::Height { quick::exp(value.max(self.least)) } else { value })
    }

    /// On from a block at either end.
    fn beyond(&self, end: &CurveEnd, place: CurvePlace) -> f64 {
        match self.between {
            Between::Straight => end.value,
            Between::Height => end.value + end.slope * (place.log - end.log),
            // A slope over the logarithm, divided by the thickness, is one over thickness.
            Between::Smooth => end.value + end.slope / end.mm * (place.mm - end.mm).clamp(-STRAIGHT_ON_MM, STRAIGHT_ON_MM),
        }
    }

    /// The piece in which a logarithm lies; beyond the last, the last.
    #[inline]
    fn piece(&self, log: f64) -> &CurvePiece {
        let mut found = &self.pieces[0];
        for piece in &self.pieces[1..] {
            if piece.from <= log {
                found = piece;
            }
        }
        found
    }
}

/// Slopes with which a piecewise cubic keeps the shape of its points: level where they turn, else the weighted harmonic
/// mean of the chords (Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5, 1984, on Fritsch and Carlson, SIAM J. Numer.
/// Anal. 17, 1980).
fn shape_preserving(x: &[f64], y: &[f64]) -> Vec<f64> {
    let widths: Vec<f64> = x.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let chords: Vec<f64> = y.windows(2).zip(&widths).map(|(pair, width)| (pair[1] - pair[0]) / width).collect();
    let n = chords.len();
    match n {
        0 => return vec![0.0; x.len()],
        1 => return vec![chords[0]; 2],
        2 => {
            // A parabola: a cubic with its slopes is the parabola itself.
            let middle = (widths[1] * chords[0] + widths[0] * chords[1]) / (widths[0] + widths[1]);
            return vec![2.0 * chords[0] - middle, middle, 2.0 * chords[1] - middle];
        }
        _ => {}
    }
    let inside = |k: usize| {
        let (left, right) = (chords[k - 1], chords[k]);
        if left * right <= 0.0 {
            return 0.0;
        }
        let (a, b) = (2.0 * widths[k] + widths[k - 1], widths[k] + 2.0 * widths[k - 1]);
        (a + b) / (a / left + b / right)
    };
    // At an end the parabola through three points, held to the end's own stretch.
    let end = |near: usize, next: usize| {
        let slope = ((2.0 * widths[near] + widths[next]) * chords[near] - widths[near] * chords[next]) / (widths[near] + widths[next]);
        if slope * chords[near] <= 0.0 {
            0.0
        } else if chords[near] * chords[next] <= 0.0 && slope.abs() > 3.0 * chords[near].abs() {
            3.0 * chords[near]
        } else {
            slope
        }
    };
    let mut slopes = vec![end(0, 1)];
    slopes.extend((1..n).map(inside));
    slopes.push(end(n - 1, n - 2));
    slopes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_smooth_curve_goes_through_its_blocks_and_levels_outside() {
        for n in [1, 2, 3, 4, 6] {
            let points: Vec<(f64, f64)> = (1..=n).map(|k| (3.0 * f64::from(k), libm::sin(f64::from(k)))).collect();
            let curve = Curve::new(Between::Smooth, points.clone()).prepared();
            for (d, value) in points {
                assert!((curve.at(d).unwrap() - value).abs() < 1e-9, "{n} blocks at {d} mm");
            }
            assert_eq!(curve.at(200.0), curve.at(300.0));
        }
        assert_eq!(Curve::new(Between::Smooth, Vec::new()).prepared().at(5.0), None);
    }

    // scipy.interpolate.PchipInterpolator (tests/data/curve_check.py), the same points over the logarithm of thickness.
    #[test]
    fn a_smooth_curve_agrees_with_scipys_shape_preserving_cubic() {
        let rows: Vec<Vec<&str>> =
            include_str!("../../../tests/data/curve_check.csv").lines().skip(1).map(|line| line.split(',').collect()).collect();
        let number = |text: &str| text.parse::<f64>().unwrap();
        let mut compared = 0;
        for set in ["0", "1", "2", "3", "4"] {
            let of = |kind: &str| -> Vec<(f64, f64)> {
                rows.iter().filter(|row| row[0] == set && row[2] == kind).map(|row| (number(row[1]), number(row[3]))).collect()
            };
            let curve = Curve::new(Between::Smooth, of("point")).prepared();
            for (d, value) in of("value") {
                assert!((curve.at(d).unwrap() - value).abs() < 1e-9, "set {set} at {d} mm: {:?} against {value}", curve.at(d));
                compared += 1;
            }
        }
        assert_eq!(compared, 125);
    }

    proptest::proptest! {
        /// Between two neighbouring blocks a curve through four and more stays between their values.
        #[test]
        fn a_smooth_curve_never_overshoots(steps in proptest::collection::vec((0.06f64..6.0, -100.0f64..100.0), 4..9), u in 0.0f64..1.0) {
            let mut d = 1.5;
            let points: Vec<(f64, f64)> = steps.iter().map(|(step, value)| { d += step; (d, *value) }).collect();
            let curve = Curve::new(Between::Smooth, points.clone()).prepared();
            for pair in points.windows(2) {
                let value = curve.at(pair[0].0 + u * (pair[1].0 - pair[0].0)).unwrap();
                let (low, high) = (pair[0].1.min(pair[1].1), pair[0].1.max(pair[1].1));
                proptest::prop_assert!(value >= low - 1e-9 && value <= high + 1e-9, "{value} is not between {low} and {high}");
            }
        }
    }

    #[test]
    fn blocks_as_good_as_equal_are_one() {
        let curve = Curve::new(Between::Smooth, vec![(5.0, 1.0), (10.0, 4.0), (10.02, 6.0), (20.0, 2.0)]);
        assert_eq!(curve.len(), 3);
        assert!((curve.prepared().at(10.01).unwrap() - 5.0).abs() < 1e-9);
    }

    #[test]
    fn a_height_curve_never_falls_under_a_tenth_of_its_top() {
        let curve = Curve::new(Between::Height, vec![(5.0, 40.0), (10.0, 50.0), (20.0, 20.0)]).prepared();
        assert!((curve.at(10.0).unwrap() - 50.0).abs() < 1e-9);
        assert!((curve.at(0.1).unwrap() - curve.at(0.01).unwrap()).abs() > 0.0 || curve.at(0.1).unwrap() >= 5.0 - 1e-9);
        assert!(curve.at(500.0).unwrap() >= 5.0 - 1e-9);
    }
}
