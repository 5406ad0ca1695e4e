//! Shots evaluated a second on one core, as one number for scripts: 1024 samples, matched, calibrated, a new noise each shot.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../tests/physics/synth.rs"]
mod synth;

use backwall_ultrasound::Evaluator;
use backwall_units::Temperature;
use std::time::Instant;
use synth::{Probe, Random};

fn main() {
    let probe = Probe::gauss();
    let setup = probe.calibrated(&mut Random::new(42));
    let mut evaluator = Evaluator::new(&setup, probe.base()).expect("the set-up is sound");
    let shots: Vec<Vec<i16>> = (0..256)
        .map(|seed| {
            let mut record = probe.wall(10e-3, 1.0);
            probe.noise(&mut record, 0.003, &mut Random::new(seed));
            probe.codes(&record)
        })
        .collect();
    let mut best = f64::INFINITY;
    for _ in 0..30 {
        let start = Instant::now();
        for shot in &shots {
            std::hint::black_box(evaluator.measure(shot, Temperature::celsius(20.0)));
        }
        best = best.min(start.elapsed().as_secs_f64() / shots.len() as f64);
    }
    println!("samples {} shots_per_s {:.0}", shots[0].len(), 1.0 / best);
}
