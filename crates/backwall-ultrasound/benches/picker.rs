//! What measuring one shot costs: 1024 samples, calibrated, one plate ten millimetres thick.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../tests/physics/synth.rs"]
mod synth;

use backwall_ultrasound::{Evaluator, Mode, Picker, Setup};
use backwall_units::Temperature;
use divan::{Bencher, counter::ItemsCount};
use synth::{Probe, Random};

fn main() {
    divan::main();
}

fn shot(probe: &Probe) -> Vec<i16> {
    let mut record = probe.wall(10e-3, 1.0);
    probe.noise(&mut record, 0.003, &mut Random::new(41));
    probe.codes(&record)
}

#[divan::bench(args = [Picker::Matched, Picker::Peak, Picker::ZeroCrossing, Picker::LeadingEdge])]
fn first_echo(bencher: Bencher, picker: Picker) {
    let probe = Probe::gauss();
    let setup = Setup { picker, ..probe.calibrated(&mut Random::new(42)) };
    let mut evaluator = Evaluator::new(&setup, probe.base()).expect("the set-up is sound");
    let samples = shot(&probe);
    bencher.counter(ItemsCount::new(1usize)).bench_local(|| evaluator.measure(&samples, Temperature::celsius(20.0)));
}

#[divan::bench]
fn echo_to_echo(bencher: Bencher) {
    let probe = Probe::gauss();
    let setup = Setup { mode: Mode::EchoToEcho, ..probe.calibrated(&mut Random::new(42)) };
    let mut evaluator = Evaluator::new(&setup, probe.base()).expect("the set-up is sound");
    let samples = shot(&probe);
    bencher.counter(ItemsCount::new(1usize)).bench_local(|| evaluator.measure(&samples, Temperature::celsius(20.0)));
}

#[divan::bench]
fn prepare_an_evaluator(bencher: Bencher) {
    let probe = Probe::gauss();
    let setup = probe.calibrated(&mut Random::new(42));
    bencher.bench_local(|| Evaluator::new(&setup, probe.base()).is_ok());
}
