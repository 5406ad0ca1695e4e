//! Records made from closed formulas: pulses, echoes, noise, converter. Independent of the code under test.
#![allow(dead_code)]

use backwall_ultrasound::{Block, Budget, Calibration, CalibrationInput, Gate, Mode, Picker, Setup, TimeBase, calibrate};
use backwall_units::{Frequency, Length, Temperature, Time, Velocity};
use std::f64::consts::PI;
use std::sync::Arc;

/// splitmix64 (Steele, Lea and Flood 2014) with the polar method for Gaussian numbers.
pub struct Random(pub u64, Option<f64>);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03, None)
    }
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    pub fn normal(&mut self) -> f64 {
        if let Some(kept) = self.1.take() {
            return kept;
        }
        loop {
            let (u, v) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                let factor = (-2.0 * s.ln() / s).sqrt();
                self.1 = Some(v * factor);
                return u * factor;
            }
        }
    }
}

#[derive(Clone, Copy, PartialEq)]
pub enum Shape {
    /// A cosine under a Gaussian envelope; its time is the envelope's top.
    Gauss,
    /// t^3 exp(-a t) times a cosine: causal, ringing; its time is its onset.
    Gamma,
}

#[derive(Clone, Copy)]
pub struct Probe {
    pub shape: Shape,
    pub f0: f64,
    pub bandwidth: f64,
    /// Samples a second, record length, converter bits.
    pub fs: f64,
    pub samples: usize,
    pub bits: u8,
}

pub const C: f64 = 5920.0;
pub const H: f64 = 2.9e-3;
pub const ZERO: f64 = 5.398_205e-6;
pub const FIRST: f64 = 4.5e-6;

impl Probe {
    pub fn gauss() -> Self {
        Self { shape: Shape::Gauss, f0: 5e6, bandwidth: 0.6, fs: 100e6, samples: 1024, bits: 16 }
    }
    pub fn gamma() -> Self {
        Self { shape: Shape::Gamma, f0: 4.6e6, bandwidth: 0.42, ..Self::gauss() }
    }
    pub fn at_50(self) -> Self {
        Self { fs: 50e6, samples: self.samples / 2, ..self }
    }
    pub fn bits(self, bits: u8) -> Self {
        Self { bits, ..self }
    }
    pub fn base(&self) -> TimeBase {
        TimeBase { rate: Frequency::hz(self.fs), first: Time::seconds(FIRST), bits: self.bits }
    }
    pub fn setup(&self) -> Setup {
        Setup {
            velocity: Velocity::m_s(C),
            zero: Time::us(5.4),
            half_separation: Length::metres(H),
            frequency: Frequency::hz(self.f0),
            minimum: Length::mm(1.5),
            gate: Gate { start: Time::us(5.9), length: Time::us(9.5), threshold_pct: 2.0 },
            picker: Picker::Matched,
            mode: Mode::FirstEcho,
            zero_keeping: Default::default(),
            block_temperature: Temperature::celsius(20.0),
            velocity_slope_m_s_k: -0.8,
            calibration: None,
            channel: None,
        }
    }
    /// The pulse with a phase, at a time after its own.
    pub fn pulse(&self, t: f64, phase: f64) -> f64 {
        match self.shape {
            Shape::Gauss => {
                let sigma = 1.0 / (2.0 * PI * self.bandwidth * self.f0 / (2.0 * (2.0 * 2f64.ln()).sqrt()));
                (-t * t / (2.0 * sigma * sigma)).exp() * (2.0 * PI * self.f0 * t + phase).cos()
            }
            Shape::Gamma => {
                if t <= 0.0 {
                    return 0.0;
                }
                let a = self.bandwidth * self.f0 * PI / (2f64.sqrt() - 1.0).sqrt();
                let norm = (3.0 / a).powi(3) * (-3f64).exp();
                t.powi(3) * (-a * t).exp() / norm * (2.0 * PI * self.f0 * t + phase).cos()
            }
        }
    }
    pub fn time(&self, k: usize) -> f64 {
        FIRST + k as f64 / self.fs
    }
    /// Adds an echo, its height in parts of full scale.
    pub fn add(&self, record: &mut [f64], time: f64, height: f64, phase: f64) {
        for (k, value) in record.iter_mut().enumerate() {
            let t = self.time(k) - time;
            if t > -3e-6 && t < 5e-6 {
                *value += height * self.pulse(t, phase);
            }
        }
    }
    pub fn noise(&self, record: &mut [f64], rms: f64, random: &mut Random) {
        for value in record {
            *value += rms * random.normal();
        }
    }
    /// Noise with the pulse's own spectrum.
    pub fn band_noise(&self, record: &mut [f64], rms: f64, random: &mut Random) {
        let half = (1.2e-6 * self.fs) as usize;
        let kernel: Vec<f64> = (0..=2 * half).map(|k| self.pulse((k as f64 - half as f64) / self.fs, 0.0)).collect();
        let norm = kernel.iter().map(|v| v * v).sum::<f64>().sqrt();
        let white: Vec<f64> = (0..record.len() + kernel.len()).map(|_| random.normal()).collect();
        for (k, value) in record.iter_mut().enumerate() {
            *value += rms / norm * kernel.iter().zip(&white[k..]).map(|(a, b)| a * b).sum::<f64>();
        }
    }
    pub fn codes(&self, record: &[f64]) -> Vec<i16> {
        let full = f64::from(1u32 << (self.bits - 1));
        record.iter().map(|v| (v * full).round().clamp(-full, full - 1.0) as i16).collect()
    }
    pub fn echo_time(wall: f64, m: f64) -> f64 {
        ZERO + 2.0 * ((m * wall).powi(2) + H * H).sqrt() / C
    }
    /// Depth sensitivity of the simulated pair of elements.
    pub fn height(wall: f64) -> f64 {
        0.5 * (-0.5 * ((wall / 8e-3).ln() / 0.8).powi(2)).exp() * (-60.0 * wall / 8.686).exp()
    }
    /// A flat wall with its face echo and repeats, heights in parts of full scale times `gain`.
    pub fn wall(&self, wall: f64, gain: f64) -> Vec<f64> {
        let mut record = vec![0.0; self.samples];
        self.add(&mut record, ZERO, 0.0125 * gain, 0.0);
        for m in 1..=8 {
            let height = Self::height(f64::from(m) * wall) * 0.928f64.powi(m - 1);
            self.add(&mut record, Self::echo_time(wall, f64::from(m)), gain * height, 0.0);
        }
        record
    }
    pub fn calibration(&self, random: &mut Random) -> Calibration {
        let blocks: Vec<Block> = [5.0, 10.0, 15.0, 20.0]
            .iter()
            .map(|d| {
                let clean = self.wall(d * 1e-3, 1.0);
                let shots = (0..4)
                    .map(|_| {
                        let mut record = clean.clone();
                        self.noise(&mut record, 0.5 * 10f64.powf(-50.0 / 20.0), random);
                        Arc::from(self.codes(&record))
                    })
                    .collect();
                Block { thickness: Length::mm(*d), temperature: Temperature::celsius(20.0), shots, gain: None }
            })
            .collect();
        let setup = self.setup();
        let input = CalibrationInput { setup: &setup, base: self.base(), blocks: &blocks, fit_velocity: false };
        let mut calibration = calibrate(&input).unwrap();
        calibration.budget = Budget { zero: calibration.budget.zero, ..Budget::exact() };
        calibration
    }
    pub fn calibrated(&self, random: &mut Random) -> Setup {
        self.setup().with_calibration(Arc::new(self.calibration(random)))
    }
}
