//! One record made ready: filtered, its noise known, its tops listed, and any echo's time to a fraction of a sample.
//!
//! The search works on every few samples of the analytic signal, which loses nothing of a band-limited envelope; the
//! time of an echo that is used is found at the full rate.

mod local;
mod noise;
mod train;

pub use local::{Arrival, LocalTrace};

use self::local::Turns;
use super::alike::Energy;
use super::face::{FaceLook, LOOKS};
use super::filter::{Complex, Filter};
use super::fine::NEIGHBOURS;
use super::ranks::{Pile, codes};
use super::search::{STRETCH, Searched};
use super::waveform::TimeBase;

/// A top of the envelope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Top {
    /// (Fractional) sample of the envelope's top.
    pub at: f64,
    /// Height of the envelope, codes.
    pub height: f64,
    /// Phase at the top, radians; zero for an echo shaped like the pulse.
    pub phase: f64,
}

/// Reusable working space; `load` fills it from a record.
#[derive(Default)]
pub struct Trace {
    /// The samples, and their mean.
    samples: Vec<i16>,
    mean: i16,
    found: Searched,
    /// The signal's power up to each place, and in blocks, for the likeness; made when it is asked for.
    power: Vec<f64>,
    energy: Energy,
    /// Heights to be ranked.
    heights: Pile,
    /// The signal about two places at the full rate, and where each begins.
    ahead: [Option<(usize, [Complex; NEIGHBOURS])>; 2],
    pub step: usize,
    pub carrier: f64,
    turns: Turns,
    /// rms of one component of the filtered noise, codes.
    pub noise: f64,
    /// What the white noise alone makes of it, from the record's high frequencies: hundreds of looks.
    pub white: f64,
    pub clipped: i32,
}

impl Trace {
    /// Filters `samples` up to sample `end`.
    pub fn load(&mut self, samples: &[i16], end: usize, filter: &Filter, base: &TimeBase) {
        let samples = &samples[..end.min(samples.len())];
        let limit = base.full_scale();
        self.samples.clear();
        self.samples.extend_from_slice(samples);
        let (over, under) = (libm::ceil(limit - 1.0) as i32, libm::floor(-limit) as i32);
        let codes = codes(samples, over, under);
        self.clipped = codes.clipped;
        self.mean = (codes.sum / (samples.len().max(1) as i64)) as i16;
        self.step = filter.search.step;
        if self.carrier != filter.carrier {
            self.turns = Turns::of(filter.carrier);
        }
        self.carrier = filter.carrier;
        filter.search.run(samples, self.mean, &mut self.found);
        self.power.clear();
        self.energy.clear();
        self.ahead = [None; 2];
        self.noise = self.noise_floor(filter);
        if let Some(noise) = self.noise_of_train(filter) {
            self.noise = noise;
        }
    }

    /// How many samples were filtered.
    pub fn count(&self) -> usize {
        self.samples.len()
    }

    /// The envelope at every `step`-th sample, codes.
    pub fn envelope(&self) -> &[f32] {
        &self.found.envelope
    }

    /// The signal at the looks from one on, codes; nothing where the record ends before.
    pub fn looks(&self, first: usize) -> Option<FaceLook> {
        let of = |signal: &[f32]| signal.get(first..)?.first_chunk::<LOOKS>().copied();
        Some(FaceLook { re: of(&self.found.re)?, im: of(&self.found.im)? })
    }

    /// The tops over `least` from sample `from` on, in time order.
    pub fn tops(&self, from: f64, least: f64, tops: &mut Vec<Top>) {
        tops.clear();
        let start = (from / self.step as f64).ceil().max(1.0) as usize;
        let least = least as f32;
        let envelope = self.envelope();
        for (first, peak) in (0..).step_by(STRETCH).zip(&self.found.peaks).skip(start / STRETCH) {
            if *peak <= least {
                continue;
            }
            let from = first.max(start);
            for (at, near) in (from..first + STRETCH).zip(envelope.get(from - 1..).unwrap_or_default().windows(3)) {
                let (left, here, right) = (near[0], near[1], near[2]);
                if here > least && here > left && here >= right {
                    tops.push(self.top(at, left, here, right));
                }
            }
        }
    }

    /// The top at look `at`, from its height and those beside it.
    fn top(&self, at: usize, left: f32, here: f32, right: f32) -> Top {
        let (left, here, right) = (f64::from(left), f64::from(here), f64::from(right));
        let bend = left - 2.0 * here + right;
        let off = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        let phase = wrapped(self.signal(at).arg() + self.carrier * self.step as f64 * off);
        Top { at: (at as f64 + off) * self.step as f64, height: here - 0.25 * (left - right) * off, phase }
    }

    fn signal(&self, at: usize) -> Complex {
        Complex { re: f64::from(self.found.re[at]), im: f64::from(self.found.im[at]) }
    }

    /// Highest envelope between two samples.
    pub fn highest(&self, from: f64, to: f64) -> (f64, f64) {
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = ((to / self.step as f64).floor().max(-1.0) + 1.0) as usize;
        let mut best = (0.0, from);
        for (at, height) in (start..).zip(self.envelope().get(start..end.min(self.envelope().len())).unwrap_or_default()) {
            if f64::from(*height) > best.0 {
                best = (f64::from(*height), (at * self.step) as f64);
            }
        }
        best
    }
}

/// An angle brought to -pi..pi.
pub fn wrapped(angle: f64) -> f64 {
    let turn = 2.0 * std::f64::consts::PI;
    angle - turn * nearest(angle / turn)
}

/// `f64::round` without the call it is made into where the processor may not be assumed to round by itself.
fn nearest(value: f64) -> f64 {
    const WHOLE: f64 = (1u64 << 50) as f64;
    if value.abs() < WHOLE { ((value + 0.499_999_999_999_999_94f64.copysign(value)) as i64 as f64).copysign(value) } else { value.round() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nearest_rounds_as_the_standard_library_does() {
        let edges = [0.0, 0.25, 0.5, 1.5, 2.5, 1e15, 0.499_999_999_999_999_94, 4_503_599_627_370_495.5, 1e300, f64::INFINITY];
        for edge in edges.into_iter().flat_map(|edge| [edge, edge.next_up(), edge.next_down()]).flat_map(|edge| [edge, -edge]) {
            assert_eq!(nearest(edge).to_bits(), edge.round().to_bits(), "{edge}");
        }
        assert!(nearest(f64::NAN).is_nan());
    }
}
