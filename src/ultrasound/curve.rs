//! A quantity known at the blocks' thicknesses, continued over all thicknesses.

use serde::{Deserialize, Serialize};

/// How the values between and beyond the blocks are found. All work in the logarithm of thickness, where what a
/// dual-element probe does is smooth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Between {
    /// A polynomial through up to four blocks, a natural spline through more; straight on for a short way outside.
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
const STRAIGHT_ON_MM: f64 = 0.7;

impl Curve {
    pub fn new(between: Between, mut points: Vec<(f64, f64)>) -> Self {
        points.retain(|(x, y)| *x > 0.0 && x.is_finite() && y.is_finite());
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        points.dedup_by(|a, b| a.0 == b.0);
        Self { between, points }
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
    /// Prepared for quick looks.
    pub fn prepared(&self) -> Prepared {
        Prepared::new(self)
    }
}

/// A [`Curve`] with its spline worked out.
#[derive(Debug, Clone)]
pub struct Prepared {
    between: Between,
    /// Logarithm of thickness, value (or its logarithm).
    x: Vec<f64>,
    y: Vec<f64>,
    bend: Vec<f64>,
    range: (f64, f64),
}

impl Prepared {
    fn new(curve: &Curve) -> Self {
        let x: Vec<f64> = curve.points.iter().map(|p| libm::log(p.0)).collect();
        let y: Vec<f64> =
            curve.points.iter().map(|p| if curve.between == Between::Height { libm::log(p.1.max(1e-9)) } else { p.1 }).collect();
        let bend = if curve.between == Between::Smooth && x.len() > 4 { natural_spline(&x, &y) } else { Vec::new() };
        Self { between: curve.between, x, y, bend, range: curve.range().unwrap_or((0.0, 0.0)) }
    }

    /// The value at a thickness; `None` where no block told anything.
    pub fn at(&self, d: f64) -> Option<f64> {
        let (first, last) = (*self.x.first()?, *self.x.last()?);
        let x = libm::log(d.max(1e-3));
        Some(match self.between {
            Between::Straight => self.straight(x.clamp(first, last)),
            Between::Height => {
                let value = if x < first {
                    self.y[0] + self.end_slope(0).clamp(0.0, 3.0) * (x - first)
                } else if x > last {
                    self.y[self.y.len() - 1] + self.end_slope(self.x.len().saturating_sub(2)).clamp(-2.0, 0.0) * (x - last)
                } else {
                    self.straight(x)
                };
                let top = self.y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                libm::exp(value.max(top - std::f64::consts::LN_10))
            }
            Between::Smooth => {
                let (thin, thick) = self.range;
                let edge = d.clamp(thin, thick);
                let over = (d - edge).clamp(-STRAIGHT_ON_MM, STRAIGHT_ON_MM);
                if over == 0.0 || self.x.len() < 2 {
                    self.smooth(libm::log(edge))
                } else {
                    let inside = edge - 0.05 * over.signum();
                    let slope = (self.smooth(libm::log(edge)) - self.smooth(libm::log(inside))) / (edge - inside);
                    self.smooth(libm::log(edge)) + slope * over
                }
            }
        })
    }

    fn end_slope(&self, at: usize) -> f64 {
        if self.x.len() < 2 { 0.0 } else { (self.y[at + 1] - self.y[at]) / (self.x[at + 1] - self.x[at]) }
    }

    fn segment(&self, x: f64) -> usize {
        self.x.partition_point(|v| *v <= x).clamp(1, self.x.len().max(2) - 1) - 1
    }

    fn straight(&self, x: f64) -> f64 {
        if self.x.len() == 1 {
            return self.y[0];
        }
        let k = self.segment(x);
        self.y[k] + (self.y[k + 1] - self.y[k]) * (x - self.x[k]) / (self.x[k + 1] - self.x[k])
    }

    fn smooth(&self, x: f64) -> f64 {
        let n = self.x.len();
        if n <= 4 {
            // Lagrange's polynomial through all blocks.
            return (0..n).map(|i| (0..n).filter(|j| *j != i).fold(self.y[i], |f, j| f * (x - self.x[j]) / (self.x[i] - self.x[j]))).sum();
        }
        let k = self.segment(x);
        let width = self.x[k + 1] - self.x[k];
        let (a, b) = ((self.x[k + 1] - x) / width, (x - self.x[k]) / width);
        a * self.y[k] + b * self.y[k + 1] + ((a * a * a - a) * self.bend[k] + (b * b * b - b) * self.bend[k + 1]) * width * width / 6.0
    }
}

/// Second derivatives of the natural cubic spline (textbook tridiagonal solution).
fn natural_spline(x: &[f64], y: &[f64]) -> Vec<f64> {
    let n = x.len();
    let (mut bend, mut work) = (vec![0.0; n], vec![0.0; n]);
    for i in 1..n - 1 {
        let part = (x[i] - x[i - 1]) / (x[i + 1] - x[i - 1]);
        let pivot = part * bend[i - 1] + 2.0;
        bend[i] = (part - 1.0) / pivot;
        let jump = (y[i + 1] - y[i]) / (x[i + 1] - x[i]) - (y[i] - y[i - 1]) / (x[i] - x[i - 1]);
        work[i] = (6.0 * jump / (x[i + 1] - x[i - 1]) - part * work[i - 1]) / pivot;
    }
    for i in (0..n - 1).rev() {
        bend[i] = bend[i] * bend[i + 1] + work[i];
    }
    bend[0] = 0.0;
    bend
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

    #[test]
    fn a_height_curve_never_falls_under_a_tenth_of_its_top() {
        let curve = Curve::new(Between::Height, vec![(5.0, 40.0), (10.0, 50.0), (20.0, 20.0)]).prepared();
        assert!((curve.at(10.0).unwrap() - 50.0).abs() < 1e-9);
        assert!((curve.at(0.1).unwrap() - curve.at(0.01).unwrap()).abs() > 0.0 || curve.at(0.1).unwrap() >= 5.0 - 1e-9);
        assert!(curve.at(500.0).unwrap() >= 5.0 - 1e-9);
    }
}
