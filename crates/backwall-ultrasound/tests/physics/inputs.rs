//! Any input gives an answer: odd records, gates and set-ups, and properties that hold for all of them.

use crate::synth::{Probe, Random};
use backwall_ultrasound::{Calibration, Evaluator, Flag, Gate, Measurement, Mode, Picker, Quality, Setup, TimeBase};
use backwall_units::{Decibel, Frequency, Length, Temperature, Time, Velocity};
use proptest::prelude::*;
use std::sync::{Arc, OnceLock};

const ROOM: Temperature = Temperature::celsius(20.0);

fn probe() -> Probe {
    Probe::gauss()
}

fn calibrated() -> &'static Setup {
    static SETUP: OnceLock<Setup> = OnceLock::new();
    SETUP.get_or_init(|| probe().calibrated(&mut Random::new(31)))
}

fn sound(measurement: &Measurement) {
    match measurement.thickness {
        Some(thickness) => {
            assert!(thickness.is_finite() && thickness > Length::ZERO && measurement.quality > Quality::None, "{measurement:?}");
            assert!(measurement.uncertainty.unwrap().is_finite(), "{measurement:?}");
        }
        None => assert!(measurement.quality == Quality::None && !measurement.flags.is_empty(), "{measurement:?}"),
    }
}

#[test]
fn odd_records_are_answered_without_a_reading() {
    for mode in [Mode::FirstEcho, Mode::EchoToEcho] {
        for picker in [Picker::Matched, Picker::Peak, Picker::ZeroCrossing, Picker::LeadingEdge] {
            for setup in [probe().setup(), calibrated().clone()] {
                let mut evaluator = Evaluator::new(&Setup { mode, picker, ..setup }, probe().base()).unwrap();
                for (samples, flag) in [
                    (vec![], Flag::BadShot),
                    (vec![5], Flag::BadShot),
                    (vec![0; 31], Flag::BadShot),
                    (vec![0; 1024], Flag::NoBackWall),
                    (vec![777; 1024], Flag::NoBackWall),
                    (vec![i16::MAX; 1024], Flag::NoBackWall),
                    (vec![i16::MIN; 65_535], Flag::NoBackWall),
                    (vec![0; 65_535], Flag::NoBackWall),
                    (vec![0; 100], Flag::OutOfRange),
                ] {
                    let measurement = evaluator.measure(&samples, ROOM);
                    assert!(measurement.thickness.is_none() && measurement.flags.has(flag), "{} samples: {measurement:?}", samples.len());
                }
                for samples in [[i16::MIN, i16::MAX].repeat(512), (0..65_535).map(|k| (k * 7919) as i16).collect()] {
                    sound(&evaluator.measure(&samples, Temperature::celsius(f64::NAN)));
                }
            }
        }
    }
}

#[test]
fn impossible_set_ups_are_refused_with_the_field() {
    let base = probe().base();
    let good = probe().setup();
    let wrong = [
        (Setup { velocity: Velocity::m_s(0.0), ..good.clone() }, base, "velocity"),
        (Setup { frequency: Frequency::mhz(-5.0), ..good.clone() }, base, "frequency"),
        (Setup { zero: Time::ns(f64::INFINITY), ..good.clone() }, base, "zero"),
        (Setup { half_separation: Length::mm(-1.0), ..good.clone() }, base, "half element separation"),
        (Setup { gate: Gate { threshold_pct: 120.0, ..good.gate }, ..good.clone() }, base, "gate threshold"),
        (Setup { gate: Gate { length: Time::ZERO, ..good.gate }, ..good.clone() }, base, "gate length"),
        (good.clone(), TimeBase { rate: Frequency::mhz(9.0), ..base }, "sampling rate"),
        (good, TimeBase { rate: Frequency::hz(0.0), ..base }, "sampling rate"),
    ];
    for (setup, base, field) in wrong {
        let error = Evaluator::new(&setup, base).err().unwrap().to_string();
        assert!(error.contains(field), "{error} does not name {field}");
    }
}

fn gated(start_us: f64, length_us: f64, threshold_pct: f64, wall_mm: f64) -> Measurement {
    let gate = Gate { start: Time::us(start_us), length: Time::us(length_us), threshold_pct };
    let mut evaluator = Evaluator::new(&Setup { gate, ..calibrated().clone() }, probe().base()).unwrap();
    let mut record = probe().wall(wall_mm * 1e-3, 1.0);
    probe().noise(&mut record, 0.001, &mut Random::new(5));
    evaluator.measure(&probe().codes(&record), ROOM)
}

#[test]
fn the_gate_limits_where_an_echo_is_taken() {
    let arrival = Probe::echo_time(10e-3, 1.0) * 1e6;
    let inside = gated(6.0, 9.0, 5.0, 10.0);
    assert!((inside.thickness.unwrap().as_mm() - 10.0).abs() < 0.005 && inside.quality == Quality::Good, "{inside:?}");
    // The gate begins behind the first echo: its repeat must not pass for a wall.
    let behind = gated(arrival + 1.0, 5.0, 5.0, 10.0);
    assert!(behind.thickness.is_none() && behind.flags.has(Flag::OutOfRange), "{behind:?}");
    let before = gated(6.0, arrival - 6.0 - 0.8, 5.0, 10.0);
    assert!(before.thickness.is_none() && before.flags.has(Flag::OutOfRange), "{before:?}");
    let edge = gated(6.0, arrival - 6.0 + 0.05, 5.0, 10.0);
    assert!(edge.flags.has(Flag::GateEdge) && edge.quality < Quality::Good, "{edge:?}");
    let outside = gated(100.0, 5.0, 5.0, 10.0);
    assert!(outside.thickness.is_none() && outside.flags.has(Flag::OutOfRange), "{outside:?}");
}

/// 16 mm, whose second echo lies behind the record: only height tells whether the whole beam comes back.
#[test]
fn height_proves_a_wall_only_where_the_gain_is_known() {
    let probe = probe();
    let mut random = Random::new(33);
    let calibration = Calibration { gain: Some(Decibel::db(40.0)), ..probe.calibration(&mut random) };
    let mut evaluator = Evaluator::new(&probe.setup().with_calibration(Arc::new(calibration)), probe.base()).unwrap();
    let mut shot = |part: f64, db: f64| {
        let mut record = probe.wall(16e-3, part * 10f64.powf(db / 20.0));
        probe.noise(&mut record, 0.001, &mut random);
        probe.codes(&record)
    };
    // The whole beam at the blocks' gain; and half of it, the rest over a pit that sends nothing back, with 6 dB more gain.
    let (whole, half) = (shot(1.0, 0.0), shot(0.5, 6.0));
    for samples in [&whole, &half] {
        let untold = evaluator.measure(samples, ROOM);
        assert!(untold.quality == Quality::Fair && untold.flags.has(Flag::Unproven), "{untold:?}");
    }
    let told = evaluator.measure_at(&whole, ROOM, Some(Decibel::db(40.0)));
    assert!(told.quality == Quality::Good && told.flags.is_empty(), "{told:?}");
    let told = evaluator.measure_at(&half, ROOM, Some(Decibel::db(46.0)));
    assert!(told.quality == Quality::Fair && told.flags.has(Flag::Weak), "{told:?}");
    // The whole beam at any gain is the same wall, as good.
    for db in [-12.0, -6.0, 6.0] {
        let told = evaluator.measure_at(&shot(1.0, db), ROOM, Some(Decibel::db(40.0 + db)));
        assert!(told.quality == Quality::Good && told.flags.is_empty(), "{db} dB: {told:?}");
    }
    // Of a calibration that knows no gain a shot's gain says nothing.
    let mut evaluator = Evaluator::new(calibrated(), probe.base()).unwrap();
    assert_eq!(evaluator.measure_at(&whole, ROOM, Some(Decibel::db(40.0))), evaluator.measure(&whole, ROOM));
    // Where a second echo stands, it proves the wall without.
    let second = evaluator.measure(&probe.codes(&probe.wall(8e-3, 0.5)), ROOM);
    assert!(second.quality == Quality::Good && second.flags.is_empty(), "{second:?}");
}

#[test]
fn an_echo_under_the_threshold_is_not_taken() {
    let height = gated(6.0, 9.0, 5.0, 10.0).height_pct.unwrap();
    assert!(gated(6.0, 9.0, height + 1.0, 10.0).thickness.is_none());
    assert!(gated(6.0, 9.0, height - 1.0, 10.0).thickness.is_some());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_record_is_answered(
        samples in prop::collection::vec(any::<i16>(), 0..1500),
        start in -5.0..40.0f64, length in 0.01..60.0f64, threshold in 0.0..100.0f64,
        celsius in -300.0..3000.0f64, typed in any::<bool>(),
    ) {
        let gate = Gate { start: Time::us(start), length: Time::us(length), threshold_pct: threshold };
        let setup = if typed { probe().setup() } else { calibrated().clone() };
        let mut evaluator = Evaluator::new(&Setup { gate, ..setup }, probe().base()).unwrap();
        sound(&evaluator.measure(&samples, Temperature::celsius(celsius)));
    }

    #[test]
    fn a_shift_of_the_echo_shifts_its_time(wall in 3.5..16.0f64, shift in 0.0..30.0f64) {
        let mut evaluator = Evaluator::new(calibrated(), probe().base()).unwrap();
        let mut time = |late_ns: f64| {
            let mut record = vec![0.0; 1024];
            probe().add(&mut record, Probe::echo_time(wall * 1e-3, 1.0) + late_ns * 1e-9, 0.3, 0.0);
            evaluator.measure(&probe().codes(&record), ROOM).echo_time.unwrap().as_ns()
        };
        let moved = time(shift) - time(0.0);
        prop_assert!((moved - shift).abs() < 0.02, "{moved} instead of {shift} ns");
    }

    #[test]
    fn scaling_changes_only_the_height(wall in 3.5..16.0f64, factor in 0.2..1.0f64) {
        let mut evaluator = Evaluator::new(calibrated(), probe().base()).unwrap();
        let mut read = |scale: f64| {
            let record: Vec<f64> = probe().wall(wall * 1e-3, 1.0).iter().map(|v| v * scale).collect();
            evaluator.measure(&probe().codes(&record), ROOM)
        };
        let (full, less) = (read(1.0), read(factor));
        prop_assert!((full.thickness.unwrap() - less.thickness.unwrap()).abs() < Length::mm(1e-4));
        prop_assert!((less.height_pct.unwrap() / full.height_pct.unwrap() - factor).abs() < 2e-3);
    }
}
