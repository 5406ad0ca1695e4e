//! Without any calibration, from typed values alone, a reading must still be honest.

use crate::cases;
use backwall_ultrasound::{Evaluator, Flag, Measurement, Mode};

fn readings(name: &str) -> (cases::Case, Vec<Measurement>) {
    let case = cases::load(&cases::folder()).into_iter().find(|case| case.facts.name == name).unwrap();
    let mut evaluator = Evaluator::new(&case.setup(Mode::FirstEcho), case.base()).unwrap();
    let readings = case.shots.iter().enumerate().map(|(id, shot)| evaluator.measure(shot, case.temperature(id))).collect();
    (case, readings)
}

#[test]
fn typed_values_read_a_flat_plate_and_a_step_wedge() {
    for name in ["flat10", "wedge_16bit"] {
        let (case, readings) = readings(name);
        let score = cases::score(&case, &readings);
        println!("{name}: {score:?}");
        assert_eq!((score["missed"], score["wrong_echo"]), (0.0, 0.0), "{name}: {score:?}");
        assert!(score["bias_mm"].abs() < 0.05 && score["rms_mm"] < 0.05, "{name}: {score:?}");
    }
}

#[test]
fn lost_coupling_is_no_reading_and_is_told_from_a_missing_back_wall() {
    let (case, readings) = readings("coupling_bursts");
    let score = cases::score(&case, &readings);
    println!("{score:?}");
    assert_eq!((score["missed"], score["wrong_echo"], score["false_reading"]), (0.0, 0.0, 0.0));
    assert!(score["bias_mm"].abs() < 0.05);
    for (row, reading) in case.truth.iter().zip(&readings).filter(|(row, _)| cases::number(row, "valid") == 0.0) {
        assert!(reading.flags.has(Flag::NoCoupling), "{row:?} {}", reading.flags);
    }
}

// numpy and scipy (tests/data/waveforms/envelope_check.py): correlation by FFT, envelope by scipy.signal.hilbert.
#[test]
fn the_echo_stands_where_scipy_finds_it() {
    let all = cases::load(&cases::folder());
    let mut table = csv::Reader::from_path(cases::folder().join("envelope_check.csv")).unwrap();
    let mut checked = 0;
    for row in table.deserialize() {
        let (name, id, time_ns, height): (String, usize, f64, f64) = row.unwrap();
        let case = all.iter().find(|case| case.facts.name == name).unwrap();
        let mut evaluator = Evaluator::new(&case.setup(Mode::FirstEcho), case.base()).unwrap();
        let reading = evaluator.measure(&case.shots[id], case.temperature(id));
        let late = reading.echo_time.unwrap().as_ns() - time_ns;
        let higher = reading.height_pct.unwrap() / 100.0 * case.base().full_scale() / height - 1.0;
        println!("{name} {id}: {late:.3} ns, {:.4} %", 100.0 * higher);
        // The table's own grid is 0.16 ns; the filter here ends at -34 dB of the pulse's power, the table's does not.
        assert!(late.abs() < 0.6 && higher.abs() < 0.006, "{name} {id}: {late} ns, {higher}");
        checked += 1;
    }
    assert_eq!(checked, 9);
}
