//! A quantity known at the blocks' thicknesses, continued over all thicknesses.

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
        points.retain(|(x, y)| *x > 0.0 && x.is_finite() && y.is_finite());
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
pub struct Place {
    pub mm: f64,
    log: f64,
}

impl From<f64> for Place {
    fn from(mm: f64) -> Self {
        Self { mm, log: libm::log(mm.max(LEAST_MM)) }
    }
}

/// No thickness is less to a logarithm.
const LEAST_MM: f64 = 1e-3;

/// A [`Curve`] with its slopes worked out.
#[derive(Debug, Clone)]
pub struct Prepared {
    between: Between,
    /// Between each two neighbouring blocks; one for a lone block.
    pieces: Vec<Piece>,
    /// Logarithms of the thinnest and the thickest block.
    ends: (f64, f64),
    range: (f64, f64),
    /// Slopes over the logarithm that a height goes on with outside the blocks, and what it never falls under.
    slopes: (f64, f64),
    least: f64,
}

/// A stretch between two blocks, over the logarithm of thickness; values (or their logarithms), and slopes where the curve has them.
#[derive(Debug, Clone, Copy)]
struct Piece {
    from: f64,
    width: f64,
    values: (f64, f64),
    rise: f64,
    slopes: (f64, f64),
}

impl Prepared {
    fn new(curve: &Curve) -> Self {
        let x: Vec<f64> = curve.points.iter().map(|p| libm::log(p.0)).collect();
        let y: Vec<f64> =
            curve.points.iter().map(|p| if curve.between == Between::Height { libm::log(p.1.max(1e-9)) } else { p.1 }).collect();
        let slopes = if curve.between == Between::Smooth { shape_preserving(&x, &y) } else { vec![0.0; x.len()] };
        let piece = |k: usize, next: usize| Piece {
            from: x[k],
            width: x[next] - x[k],
            values: (y[k], y[next]),
            rise: y[next] - y[k],
            slopes: (slopes[k], slopes[next]),
        };
        let pieces: Vec<Piece> = match x.len() {
            0 => Vec::new(),
            1 => vec![piece(0, 0)],
            count => (1..count).map(|next| piece(next - 1, next)).collect(),
        };
        let slope = |piece: Option<&Piece>| piece.filter(|_| x.len() > 1).map_or(0.0, |piece| piece.rise / piece.width);
        Self {
            between: curve.between,
            ends: (x.first().copied().unwrap_or(0.0), x.last().copied().unwrap_or(0.0)),
            range: curve.range().unwrap_or((0.0, 0.0)),
            slopes: (slope(pieces.first()).clamp(0.0, 3.0), slope(pieces.last()).clamp(-2.0, 0.0)),
            least: y.iter().copied().fold(f64::NEG_INFINITY, f64::max) - std::f64::consts::LN_10,
            pieces,
        }
    }

    /// Whether no block told anything.
    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    /// The value at a thickness; `None` where no block told anything.
    pub fn at(&self, d: impl Into<Place>) -> Option<f64> {
        let (thinnest, thickest) = (self.pieces.first()?, self.pieces.last()?);
        let Place { mm, log } = d.into();
        let (first, last) = self.ends;
        Some(match self.between {
            Between::Straight => self.straight(log.clamp(first, last)),
            Between::Height => {
                let value = if log < first {
                    thinnest.values.0 + self.slopes.0 * (log - first)
                } else if log > last {
                    thickest.values.1 + self.slopes.1 * (log - last)
                } else {
                    self.straight(log)
                };
                libm::exp(value.max(self.least))
            }
            Between::Smooth => {
                let (thin, thick) = self.range;
                let edge = mm.clamp(thin, thick);
                let over = (mm - edge).clamp(-STRAIGHT_ON_MM, STRAIGHT_ON_MM);
                let (value, slope) =
                    if over < 0.0 { (thinnest.values.0, thinnest.slopes.0) } else { (thickest.values.1, thickest.slopes.1) };
                // A slope over the logarithm, divided by the thickness, is one over thickness.
                if over == 0.0 { self.smooth(if edge < LEAST_MM { libm::log(edge) } else { log }) } else { value + slope / edge * over }
            }
        })
    }

    /// The piece in which a logarithm lies; beyond the last, the last.
    fn piece(&self, x: f64) -> &Piece {
        let behind = self.pieces.iter().skip(1).filter(|piece| piece.from <= x).count();
        &self.pieces[behind]
    }

    fn straight(&self, x: f64) -> f64 {
        let piece = self.piece(x);
        if piece.width == 0.0 {
            return piece.values.0;
        }
        piece.values.0 + piece.rise * (x - piece.from) / piece.width
    }

    /// The cubic with given values and slopes at both ends of its stretch (Hermite's form, textbook).
    fn smooth(&self, x: f64) -> f64 {
        let Piece { from, width, values, slopes, .. } = *self.piece(x);
        if width == 0.0 {
            return values.0;
        }
        let u = (x - from) / width;
        let v = 1.0 - u;
        values.0 * v * v * (1.0 + 2.0 * u) + values.1 * u * u * (1.0 + 2.0 * v) + width * u * v * (slopes.0 * v - slopes.1 * u)
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
