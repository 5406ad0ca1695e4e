//! Reads a folder of simulated cases (waveforms, truth, manifest) and scores readings against the truth.
#![allow(dead_code)]

use backwall_ultrasound::{Gate, Measurement, Mode, Picker, Setup, TimeBase};
use backwall_units::{Frequency, Length, Temperature, Time, Velocity};
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;
use std::sync::Arc;

#[derive(Deserialize)]
pub struct Manifest {
    pub cases: Vec<Facts>,
}

#[derive(Deserialize, Clone)]
pub struct Facts {
    pub name: String,
    pub n_samples: usize,
    pub fs_hz: f64,
    pub t_start_us: f64,
    pub adc_bits: u8,
    pub velocity_mps_at_20c: f64,
    pub velocity_slope_mps_per_k: f64,
    pub element_half_separation_mm: f64,
    pub nominal_frequency_mhz: f64,
    pub probe_delay_nominal_us: f64,
    pub waveforms: String,
    pub truth: String,
    pub waveforms_cal: String,
    pub truth_cal: String,
}

pub struct Case {
    pub facts: Facts,
    pub shots: Vec<Arc<[i16]>>,
    pub truth: Vec<HashMap<String, String>>,
    pub cal_shots: Vec<Arc<[i16]>>,
    pub cal_truth: Vec<HashMap<String, String>>,
}

pub fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/waveforms")
}

pub fn load(folder: &Path) -> Vec<Case> {
    let manifest: Manifest = serde_json::from_slice(&std::fs::read(folder.join("manifest.json")).unwrap()).unwrap();
    let rows = |name: &str| -> Vec<HashMap<String, String>> {
        csv::Reader::from_path(folder.join(name)).unwrap().deserialize().map(|row| row.unwrap()).collect()
    };
    let shots = |name: &str, samples: usize| -> Vec<Arc<[i16]>> {
        let bytes = std::fs::read(folder.join(name)).unwrap();
        let codes: Vec<i16> = bytes.chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect();
        codes.chunks_exact(samples).map(Arc::from).collect()
    };
    manifest
        .cases
        .into_iter()
        .map(|facts| Case {
            shots: shots(&facts.waveforms, facts.n_samples),
            truth: rows(&facts.truth),
            cal_shots: shots(&facts.waveforms_cal, facts.n_samples),
            cal_truth: rows(&facts.truth_cal),
            facts,
        })
        .collect()
}

pub fn number(row: &HashMap<String, String>, key: &str) -> f64 {
    row.get(key).and_then(|text| text.parse().ok()).unwrap_or(f64::NAN)
}

impl Case {
    pub fn base(&self) -> TimeBase {
        let facts = &self.facts;
        TimeBase { rate: Frequency::hz(facts.fs_hz), first: Time::us(facts.t_start_us), bits: facts.adc_bits }
    }
    /// The one set-up for every case: only what an operator would know of probe, steel and delay differs.
    pub fn setup(&self, mode: Mode) -> Setup {
        let facts = &self.facts;
        let zero = Time::us(facts.probe_delay_nominal_us);
        Setup {
            velocity: Velocity::m_s(facts.velocity_mps_at_20c),
            zero,
            half_separation: Length::mm(facts.element_half_separation_mm),
            frequency: Frequency::mhz(facts.nominal_frequency_mhz),
            minimum: Length::mm(1.5),
            gate: Gate { start: zero + Time::us(0.5), length: Time::us(9.5), threshold_pct: 2.0 },
            picker: Picker::Matched,
            mode,
            zero_keeping: Default::default(),
            block_temperature: Temperature::celsius(20.0),
            velocity_slope_m_s_k: facts.velocity_slope_mps_per_k,
            calibration: None,
            channel: None,
        }
    }
    pub fn temperature(&self, id: usize) -> Temperature {
        let celsius = number(&self.truth[id], "temp_c");
        Temperature::celsius(if celsius.is_nan() { 20.0 } else { celsius })
    }
    pub fn is_plate(&self) -> bool {
        self.truth[0].contains_key("min_r25_mm")
    }
}

pub fn mm(measurement: &Measurement) -> f64 {
    measurement.thickness.map_or(f64::NAN, Length::as_mm)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}
fn share(part: usize, of: usize) -> f64 {
    part as f64 / of.max(1) as f64
}

/// The figures the goals are set in. A reading more than 0.5 mm off is a wrong echo; one where coupling was lost is a
/// false reading; biases are those of the readings of the right echo.
pub fn score(case: &Case, readings: &[Measurement]) -> BTreeMap<&'static str, f64> {
    if case.is_plate() { score_plate(case, readings) } else { score_flat(case, readings) }
}

fn score_flat(case: &Case, readings: &[Measurement]) -> BTreeMap<&'static str, f64> {
    let mut out = BTreeMap::new();
    let (mut judged, mut missed, mut wrong, mut uncoupled, mut falsely) = (0, 0, 0, 0, 0);
    let mut errors: Vec<(f64, f64)> = Vec::new();
    for (row, reading) in case.truth.iter().zip(readings) {
        let got = mm(reading);
        if number(row, "valid") != 1.0 {
            uncoupled += 1;
            falsely += got.is_finite() as usize;
            continue;
        }
        if row.get("expect").is_some_and(|expect| expect == "either") {
            continue;
        }
        let lamination = row.get("expect").is_some_and(|expect| expect == "lamination");
        let want = number(row, if lamination { "min_footprint_mm" } else { "thickness_mm" });
        judged += 1;
        if got.is_nan() {
            missed += 1;
        } else if (got - want).abs() > 0.5 {
            wrong += 1;
        } else {
            errors.push((want, got - want));
        }
    }
    let all: Vec<f64> = errors.iter().map(|(_, e)| *e).collect();
    let mut steps: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    for (want, error) in &errors {
        steps.entry((want * 10.0).round() as i64).or_default().push(*error);
    }
    let worst = steps.values().filter(|group| group.len() >= 8).map(|group| mean(group).abs()).fold(f64::NAN, f64::max);
    out.insert("missed", share(missed, judged));
    out.insert("wrong_echo", share(wrong, judged));
    out.insert("false_reading", share(falsely, uncoupled));
    out.insert("bias_mm", mean(&all));
    out.insert("rms_mm", rms(&all));
    out.insert("worst_step_bias_mm", worst);
    out
}

fn score_plate(case: &Case, readings: &[Measurement]) -> BTreeMap<&'static str, f64> {
    let mut out = BTreeMap::new();
    let column = |key: &str| -> Vec<f64> { case.truth.iter().map(|row| number(row, key)).collect() };
    let (centre, near, far_min, far_max, flat) =
        (column("thickness_mm"), column("min_r05_mm"), column("min_r25_mm"), column("max_r25_mm"), column("flat_footprint"));
    let mut flats: Vec<f64> = centre.iter().zip(&flat).filter(|(_, f)| **f == 1.0).map(|(c, _)| *c).collect();
    flats.sort_by(f64::total_cmp);
    let nominal = flats[flats.len() / 2];
    let got: Vec<f64> = readings.iter().map(mm).collect();
    let read = got.iter().filter(|g| g.is_finite()).count();
    let errors: Vec<f64> = (0..got.len()).filter(|i| flat[*i] == 1.0 && got[*i].is_finite()).map(|i| got[i] - centre[i]).collect();
    let pits: Vec<usize> = (0..got.len()).filter(|i| near[*i] < nominal - 1.0).collect();
    let seen = pits.iter().filter(|i| got[**i] <= 0.5 * (nominal + near[**i])).count();
    let inside = (0..got.len()).filter(|i| got[*i] >= far_min[*i] - 0.3 && got[*i] <= far_max[*i] + 0.3).count();
    let thin = (0..got.len()).filter(|i| got[*i] < far_min[*i] - 0.3).count();
    out.insert("missed", share(got.len() - read, got.len()));
    out.insert("flat_bias_mm", mean(&errors));
    out.insert("flat_rms_mm", rms(&errors));
    out.insert("inside_footprint", share(inside, read));
    out.insert("too_thin", share(thin, read));
    out.insert("pit_seen", share(seen, pits.len()));
    out
}
