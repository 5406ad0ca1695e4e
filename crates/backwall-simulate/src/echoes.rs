//! One shot's waveform from what the probe stands on: echo times by the mirror-image path, strengths by the dual
//! probe's depth sensitivity, attenuation and the bounces off tyre and paint, then noise and the converter.

use super::noise::{Normal, Random, split_mix};
use super::pulse::PulseTable;
use super::section::{Facet, WallSection};
use super::wall::VirtualWall;
use backwall_units::{Decibel, Temperature};
use std::f64::consts::PI;

/// Acoustic impedances of steel and of a tyre elastomer, in MRayl.
const Z_STEEL: f64 = 46.5;
const Z_TYRE: f64 = 1.72;
/// Bounces that are followed.
const REPEATS: u32 = 8;
/// Terms kept of the ringing inside the paint.
const PAINT_TERMS: usize = 12;
/// The face of a tyre off the wall stands this much over its ring.
const FREE_FACE_DB: f64 = 12.0;
/// Grain changes over this length, fades over this time, and is made of so many scatterers a microsecond.
const GRAIN_CELL_MM: f64 = 1.5;
const GRAIN_FADE_S: f64 = 4e-6;
const GRAIN_PER_US: f64 = 25.0;
/// Steps of the table of mode-converted times, in metres of wall.
const MODE_STEP_M: f64 = 5e-5;

/// Makes waveforms for one probe at one temperature.
pub struct Echoes {
    wall: VirtualWall,
    pulses: PulseTable,
    normal: Normal,
    random: Random,
    /// In metres per second, seconds and metres.
    velocity: f64,
    tyre: f64,
    zero: f64,
    half: f64,
    first: f64,
    end: f64,
    interface: f64,
    ring: f64,
    mode_converted: f64,
    mode_times: Vec<f64>,
    grain: Vec<(i64, Vec<f64>)>,
    trace: Vec<f64>,
    strengths: Vec<f64>,
    scratch: Vec<f64>,
}

impl Echoes {
    pub fn new(wall: &VirtualWall, temperature: Temperature, seed: u64) -> Self {
        let velocity = wall.velocity(temperature).as_m_s();
        let zero = wall.zero(temperature).as_seconds();
        let first = wall.receiver.first.as_seconds();
        let end = first + f64::from(wall.receiver.samples) / wall.receiver.rate.as_hz();
        let longest = (velocity * (end - zero)).max(0.0) + 0.01;
        let half = wall.probe.half_separation.as_metres();
        let shear = velocity * wall.steel.shear_ratio;
        let steps = (longest / 2.0 / MODE_STEP_M) as usize + 2;
        Self {
            pulses: PulseTable::new(&wall.probe, wall.steel.attenuation_db_m, wall.receiver.rate, longest),
            normal: Normal::new(),
            random: Random::new(seed),
            velocity,
            tyre: wall.tyre_time(temperature).as_seconds(),
            zero,
            half,
            first,
            end,
            interface: wall.probe.interface.as_ratio(),
            ring: wall.probe.ring.as_ratio(),
            mode_converted: wall.probe.mode_converted.as_ratio(),
            mode_times: (0..steps).map(|step| mode_converted_time(step as f64 * MODE_STEP_M, half, velocity, shear)).collect(),
            grain: Vec::new(),
            trace: Vec::new(),
            strengths: Vec::new(),
            scratch: Vec::new(),
            wall: wall.clone(),
        }
    }

    /// The next waveform at a section; `place_mm` picks the grain, so that the same place has the same grain.
    pub fn shoot(&mut self, section: &WallSection, place_mm: f64, samples: &mut Vec<i16>) {
        let mut trace = std::mem::take(&mut self.trace);
        trace.clear();
        trace.resize(usize::from(self.wall.receiver.samples), 0.0);
        let spread = self.wall.noise.coupling.as_db() * self.normal.draw(&mut self.random);
        let coupling = section.contact * Decibel::db(spread).as_ratio();
        let covered = section.reflector.map_or(0.0, |(_, share)| share);
        self.back_wall(&mut trace, &section.facets, section.paint, coupling * (1.0 - covered));
        if let Some((depth, share)) = section.reflector {
            self.back_wall(&mut trace, &[Facet { depth, share: 1.0, facing: 1.0 }], section.paint, coupling * share);
        }
        let face = self.zero - self.first;
        self.pulses.add(&mut trace, face, coupling * self.interface, 0.0);
        if section.contact < 1.0 {
            let free = (1.0 - section.contact) * self.ring;
            self.pulses.add(&mut trace, face, free * Decibel::db(FREE_FACE_DB).as_ratio(), 0.0);
            self.pulses.add(&mut trace, face + self.tyre, -free, 0.0);
        }
        self.add_grain(&mut trace, place_mm, coupling);
        self.convert(&trace, section.gain, samples);
        self.trace = trace;
    }

    fn focus(&self, depth: f64) -> f64 {
        let away = libm::log(depth.max(1e-6) / self.wall.probe.focus.as_metres()) / self.wall.probe.focus_width;
        libm::exp(-0.5 * away * away)
    }

    /// All echoes of a back wall under paint, weighted by `amplitude`.
    fn back_wall(&mut self, trace: &mut [f64], facets: &[Facet], paint: f64, amplitude: f64) {
        let paint_time = 2.0 * paint / self.wall.paint.velocity.as_m_s();
        let (mut through, bounce) = paint_terms(paint, self.wall.paint.impedance_mrayl);
        let nearest = facets.iter().map(|facet| facet.depth).fold(f64::INFINITY, f64::min);
        let base = self.zero + paint_time - self.first;
        let last = self.end - self.first;
        for repeat in 1..=REPEATS {
            let times = f64::from(repeat);
            let path = |depth: f64| 2.0 * libm::sqrt(times * depth * times * depth + self.half * self.half);
            if base + path(nearest) / self.velocity > last + 2e-6 {
                break;
            }
            let echoes: Vec<(f64, f64, f64)> = facets
                .iter()
                .map(|facet| {
                    let facing = (1..repeat).fold(facet.facing, |product, _| product * facet.facing);
                    let strength = amplitude * facet.share * facing * self.focus(times * facet.depth);
                    (base + path(facet.depth) / self.velocity, strength, path(facet.depth))
                })
                .collect();
            self.place(trace, &echoes, &through, paint_time);
            if repeat == 1 && self.half > 0.0 {
                let converted: Vec<(f64, f64, f64)> = facets
                    .iter()
                    .map(|facet| {
                        let at = facet.depth / MODE_STEP_M;
                        let step = (at as usize).min(self.mode_times.len() - 2);
                        let (lower, upper) = (self.mode_times[step], self.mode_times[step + 1]);
                        let time = lower + (upper - lower) * (at - step as f64);
                        let strength = -self.mode_converted * amplitude * facet.share * facet.facing * self.focus(facet.depth);
                        (base + time, strength, 3.0 * facet.depth)
                    })
                    .collect();
                self.place(trace, &converted, &through, paint_time);
            }
            through = multiply(&through, &bounce);
        }
    }

    /// Adds echoes of (time, strength, path): one exactly, many of a rough wall over the pulse table's fine steps.
    fn place(&mut self, trace: &mut [f64], echoes: &[(f64, f64, f64)], paint: &[f64], paint_time: f64) {
        if let [(time, strength, path)] = echoes {
            for (term, factor) in paint.iter().enumerate() {
                self.pulses.add(trace, time + term as f64 * paint_time, strength * factor, *path);
            }
            return;
        }
        let fine = self.pulses.fine_step();
        let least = echoes.iter().map(|echo| echo.0).fold(f64::INFINITY, f64::min);
        let begin = libm::floor(least / fine) as i64;
        let limit = (libm::ceil((self.end - self.first + 2e-6) / fine) as i64 - begin).max(0) as usize;
        self.strengths.clear();
        let (mut weighted, mut total) = (0.0, 0.0);
        for (time, strength, path) in echoes {
            weighted += strength.abs() * path;
            total += strength.abs();
            for (term, factor) in paint.iter().enumerate() {
                let at = (time + term as f64 * paint_time) / fine - begin as f64;
                let step = at.max(0.0) as usize;
                if step + 1 >= limit {
                    continue;
                }
                if self.strengths.len() < step + 2 {
                    self.strengths.resize(step + 2, 0.0);
                }
                let part = at - step as f64;
                self.strengths[step] += strength * factor * (1.0 - part);
                self.strengths[step + 1] += strength * factor * part;
            }
        }
        if total > 0.0 {
            self.pulses.add_many(trace, begin, &self.strengths, weighted / total, &mut self.scratch);
        }
    }

    /// Grain echoes: the same at the same place, changing smoothly along the line.
    fn add_grain(&mut self, trace: &mut [f64], place_mm: f64, coupling: f64) {
        let level = coupling * self.wall.noise.grain.as_ratio();
        let at = place_mm / GRAIN_CELL_MM;
        let cell = libm::floor(at);
        let angle = 0.5 * PI * (at - cell);
        for (number, weight) in [(cell as i64, libm::cos(angle)), (cell as i64 + 1, libm::sin(angle))] {
            let index = match self.grain.iter().position(|(known, _)| *known == number) {
                Some(index) => index,
                None => {
                    if self.grain.len() >= 4 {
                        self.grain.remove(0);
                    }
                    let grain = self.make_grain(number, trace.len());
                    self.grain.push((number, grain));
                    self.grain.len() - 1
                }
            };
            for (out, value) in trace.iter_mut().zip(&self.grain[index].1) {
                *out += level * weight * value;
            }
        }
    }

    /// Grain of one place, of rms 1 over the record.
    fn make_grain(&mut self, cell: i64, samples: usize) -> Vec<f64> {
        let mut seed = self.wall.seed ^ (cell as u64).wrapping_mul(0xD6E8_FEB8_6659_FD93);
        let mut random = Random::new(split_mix(&mut seed));
        let fine = self.pulses.fine_step();
        let from = (self.zero - self.first).max(0.0);
        let to = self.end - self.first;
        let mut out = vec![0.0; samples];
        if to <= from {
            return out;
        }
        let mut strengths = vec![0.0; libm::ceil(to / fine) as usize + 1];
        for _ in 0..(GRAIN_PER_US * (to - from) * 1e6) as usize {
            let time = random.between(from, to);
            let strength = self.normal.draw(&mut random) * libm::exp(-(time - from) / GRAIN_FADE_S);
            strengths[(time / fine) as usize] += strength;
        }
        self.pulses.add_many(&mut out, 0, &strengths, 0.0, &mut self.scratch);
        let rms = libm::sqrt(out.iter().map(|x| x * x).sum::<f64>() / samples as f64);
        if rms > 0.0 {
            out.iter_mut().for_each(|x| *x /= rms);
        }
        out
    }

    /// Noise, gain, base line, offset, and the converter with its limits.
    fn convert(&mut self, trace: &[f64], gain: Decibel, samples: &mut Vec<i16>) {
        let receiver = &self.wall.receiver;
        let full = f64::from(1u32 << (u32::from(receiver.bits) - 1));
        let sigma = Decibel::db(-self.wall.noise.snr.as_db()).as_ratio();
        let scale = (gain - receiver.gain).as_ratio() * receiver.unit_echo_pct / 100.0 * full;
        let offset = receiver.offset_pct / 100.0 * full;
        let baseline = self.wall.noise.baseline_pct / 100.0 * full;
        let mut waves = [(0.0, 0.0, 0.0, 0.0); 2];
        if baseline > 0.0 {
            for wave in &mut waves {
                let turn = 2.0 * PI * self.random.between(60e3, 250e3) / receiver.rate.as_hz();
                let phase = self.random.between(0.0, 2.0 * PI);
                let height = baseline * self.random.between(0.3, 1.0);
                *wave = (height * libm::cos(phase), height * libm::sin(phase), libm::cos(turn), libm::sin(turn));
            }
        }
        samples.clear();
        for value in trace {
            let mut code = (value + sigma * self.normal.draw(&mut self.random)) * scale + offset;
            if baseline > 0.0 {
                for (re, im, cos, sin) in &mut waves {
                    code += *im;
                    (*re, *im) = (*re * *cos - *im * *sin, *re * *sin + *im * *cos);
                }
            }
            samples.push(libm::rint(code).clamp(-full, full - 1.0) as i16);
        }
    }
}

/// Time down as a longitudinal and up as a shear wave (or the reverse) between elements 2·`half` apart: Snell's law at
/// the back wall (any ultrasonics textbook, e.g. Krautkrämer, Ultrasonic Testing of Materials, 4th ed. 1990).
fn mode_converted_time(depth: f64, half: f64, velocity: f64, shear: f64) -> f64 {
    let ratio = shear / velocity;
    let cosine = |sine: f64| libm::sqrt(1.0 - sine * sine);
    let (mut low, mut high) = (0.0, 1.0 - 1e-12);
    if half > 0.0 && depth > 0.0 {
        for _ in 0..60 {
            let sine = 0.5 * (low + high);
            let reach = depth * (sine / cosine(sine) + sine * ratio / cosine(sine * ratio));
            if reach < 2.0 * half {
                low = sine;
            } else {
                high = sine;
            }
        }
    }
    depth / (cosine(low) * velocity) + depth / (cosine(low * ratio) * shear)
}

/// Transmission there and back, and inside reflection turned positive, as powers of the delay in the paint. Exact
/// three-layer plane-wave formula (L. M. Brekhovskikh, Waves in Layered Media) written out as a series.
fn paint_terms(paint: f64, impedance: f64) -> (Vec<f64>, Vec<f64>) {
    let bare = (Z_TYRE - Z_STEEL) / (Z_TYRE + Z_STEEL);
    if paint <= 0.0 {
        return (vec![1.0], vec![-bare]);
    }
    let from_steel = (impedance - Z_STEEL) / (impedance + Z_STEEL);
    let from_paint = (Z_TYRE - impedance) / (Z_TYRE + impedance);
    let turn = -from_steel * from_paint;
    let pass = (1.0 - from_steel * from_steel) * (1.0 - from_paint * from_paint) / (1.0 - bare * bare);
    let mut through = Vec::with_capacity(PAINT_TERMS);
    let mut bounce = Vec::with_capacity(PAINT_TERMS);
    let (mut power, mut before) = (1.0, 0.0);
    for term in 0..PAINT_TERMS {
        through.push(pass * (term + 1) as f64 * power);
        // (a + bz)/(1 − tz) = a + Σ (b + a·t) tⁿ⁻¹ zⁿ
        bounce.push(if term == 0 { -from_steel } else { -(from_paint + from_steel * turn) * before });
        before = power;
        power *= turn;
    }
    (through, bounce)
}

/// Product of two series, cut to the terms kept.
fn multiply(a: &[f64], b: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; (a.len() + b.len() - 1).min(PAINT_TERMS)];
    for (i, x) in a.iter().enumerate() {
        for (j, y) in b.iter().enumerate() {
            if i + j < out.len() {
                out[i + j] += x * y;
            }
        }
    }
    out
}
