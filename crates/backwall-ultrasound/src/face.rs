//! The echo of the tyre's inner face: what it looks like on the blocks, and by how much it has moved since.
//!
//! It passes the tyre and nothing else, so wear and heat of the tyre move it and paint on the wall does not. A single shot
//! hardly shows it; the mean of some twenty does. Its delay is found where its correlation with the blocks' own face echo is
//! highest, and then from the phase there (C. H. Knapp and G. C. Carter, IEEE Trans. ASSP 24, 1976, the generalised
//! correlation; the uncertainty from the coherence is theirs too, value from memory).

use super::trace::Trace;
use super::waveform::TimeBase;
use backwall_units::Time;
use serde::{Deserialize, Serialize};

/// Looks at the signal that are kept about the face.
pub const LOOKS: usize = 32;
/// Looks before the face's place, and how far the part that is compared reaches to either side.
const BEFORE: usize = 12;
const CORE: usize = 7;
/// Shifts tried to either side, looks.
const REACH: i64 = 8;
/// The wall's own echo must stay this far behind the last look, ns.
const CLEAR_NS: f64 = 450.0;
/// The mean echo of the blocks must stand so far over the noise of the mean, else it is none.
const LEAST_OVER_NOISE: f64 = 6.0;
/// Less of the blocks' face echo than this in what is compared says nothing, squared: overlap, and likeness.
const LEAST_OVERLAP: f64 = 0.6;
const LEAST_LIKENESS: f64 = 0.6;
/// No delay is known better: what twenty-five simulated shots, 34 dB over their noise, scatter by.
const LEAST_NS: f64 = 5.0;

/// The face's echo as the blocks show it: the analytic signal at even looks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Face {
    #[serde(rename = "first_ns")]
    pub first: Time,
    #[serde(rename = "step_ns")]
    pub step: Time,
    /// The look at which the face is due.
    pub due: usize,
    /// Parts of full screen height.
    pub re: Vec<f64>,
    pub im: Vec<f64>,
}

/// What one shot shows there, codes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaceLook {
    pub re: [f32; LOOKS],
    pub im: [f32; LOOKS],
}

/// How far the face's echo has moved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaceMoved {
    pub late: Time,
    /// Standard uncertainty (k = 1).
    pub uncertainty: Time,
}

/// Where the looks about the face begin, and at which of them it is due; nothing where the record holds too little of it.
fn place(base: &TimeBase, step: usize, zero_ns: f64) -> Option<(usize, usize)> {
    let at = base.sample_at(Time::ns(zero_ns)) / step as f64;
    let due = at.round();
    if due < CORE as f64 {
        return None;
    }
    let first = (due as usize).saturating_sub(BEFORE);
    Some((first, due as usize - first))
}

/// Gathers the face's echo from shots on blocks.
pub struct FaceSum {
    place: Option<(usize, usize)>,
    sum: [(f64, f64); LOOKS],
    squares: f64,
    shots: u32,
}

impl FaceSum {
    pub fn new(base: &TimeBase, step: usize, zero_ns: f64) -> Self {
        Self { place: place(base, step, zero_ns), sum: [(0.0, 0.0); LOOKS], squares: 0.0, shots: 0 }
    }

    /// A shot whose wall echo arrives at `wall_ns`.
    pub fn add(&mut self, trace: &Trace, base: &TimeBase, wall_ns: f64) {
        let Some((first, _)) = self.place else { return };
        let end_ns = base.time_at(((first + LOOKS) * trace.step) as f64).as_ns();
        if wall_ns < end_ns + CLEAR_NS {
            return;
        }
        let Some(look) = trace.looks(first) else { return };
        for (sum, (re, im)) in self.sum.iter_mut().zip(look.re.iter().zip(&look.im)) {
            sum.0 += f64::from(*re);
            sum.1 += f64::from(*im);
        }
        self.squares += trace.noise * trace.noise;
        self.shots += 1;
    }

    pub fn face(&self, base: &TimeBase, step: usize) -> Option<Face> {
        let (first, due) = self.place?;
        let shots = f64::from(self.shots);
        let noise = libm::sqrt(self.squares) / shots.max(1.0);
        let mean: Vec<(f64, f64)> = self.sum.iter().map(|(re, im)| (re / shots.max(1.0), im / shots.max(1.0))).collect();
        let highest = mean.iter().skip(due.saturating_sub(CORE)).take(2 * CORE + 1).map(|z| libm::hypot(z.0, z.1)).fold(0.0, f64::max);
        if self.shots == 0 || highest < LEAST_OVER_NOISE * noise {
            return None;
        }
        // Six figures are more than the noise leaves.
        let part = |code: f64| libm::round(code / base.full_scale() * 1e6) / 1e6;
        Some(Face {
            first: base.time_at((first * step) as f64),
            step: base.rate.period() * step as f64,
            due,
            re: mean.iter().map(|z| part(z.0)).collect(),
            im: mean.iter().map(|z| part(z.1)).collect(),
        })
    }
}

impl Face {
    /// Where the looks begin in a record of this time base, counted in looks; nothing where its looks are not the blocks'.
    pub fn begins(&self, base: &TimeBase, step: usize) -> Option<usize> {
        let alike = |a: Time, b: Time| (a - b).abs() < Time::ns(0.01);
        let at = base.sample_at(self.first) / step as f64;
        let whole = at >= -0.01 && alike(base.time_at((at.round() * step as f64).max(0.0)), self.first);
        (whole && alike(base.rate.period() * step as f64, self.step) && self.re.len() == LOOKS && self.im.len() == LOOKS)
            .then(|| at.round().max(0.0) as usize)
    }

    /// Whether the wall's echo leaves the looks alone.
    pub fn is_clear_of(&self, wall: Time) -> bool {
        (wall - self.first).as_ns() >= self.step.as_ns() * LOOKS as f64 + CLEAR_NS
    }

    /// How far the face's echo has moved in the mean (or the sum) of some shots; nothing where it is not the blocks' echo any more,
    /// or too weak to say.
    pub fn moved(&self, re: &[f64; LOOKS], im: &[f64; LOOKS]) -> Option<FaceMoved> {
        let core = self.due.saturating_sub(CORE)..(self.due + CORE + 1).min(LOOKS);
        let power = |re: f64, im: f64| re * re + im * im;
        let whole: f64 = core.clone().map(|k| power(self.re[k], self.im[k])).sum();
        let at_shift = |shift: i64| {
            let (mut with, mut own, mut other, mut looks) = ((0.0, 0.0), 0.0, 0.0, 0);
            for k in core.clone() {
                let Some(j) = usize::try_from(k as i64 + shift).ok().filter(|j| *j < LOOKS) else { continue };
                with.0 += self.re[k] * re[j] + self.im[k] * im[j];
                with.1 += self.re[k] * im[j] - self.im[k] * re[j];
                own += power(self.re[k], self.im[k]);
                other += power(re[j], im[j]);
                looks += 1;
            }
            let likeness = power(with.0, with.1) / (own * other).max(f64::MIN_POSITIVE);
            (own >= LEAST_OVERLAP * whole).then_some((shift, with, likeness, looks))
        };
        let (shift, with, likeness, looks) =
            (-REACH..=REACH).filter_map(at_shift).max_by(|a, b| power(a.1.0, a.1.1).total_cmp(&power(b.1.0, b.1.1)))?;
        if likeness < LEAST_LIKENESS || shift.abs() == REACH {
            return None;
        }
        // The signal turns by this from look to look.
        let turn = core.clone().skip(1).fold((0.0, 0.0), |sum, k| {
            let (a, b, c, d) = (self.re[k - 1], self.im[k - 1], self.re[k], self.im[k]);
            (sum.0 + a * c + b * d, sum.1 + a * d - b * c)
        });
        let a_look = libm::atan2(turn.1, turn.0);
        if a_look < 0.2 {
            return None;
        }
        let off = libm::atan2(with.1, with.0) / a_look;
        // Looks lie closer than the band needs: about one in three is news.
        let news = (looks as f64 / 3.0).max(1.0);
        let of_phase = libm::sqrt((1.0 - likeness).max(0.0) / (2.0 * likeness * news));
        let step = self.step.as_ns();
        Some(FaceMoved { late: Time::ns((shift as f64 - off) * step), uncertainty: Time::ns((of_phase / a_look * step).max(LEAST_NS)) })
    }
}
