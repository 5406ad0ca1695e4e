//! The echo of the tyre's inner face against the tyre's true delay, on simulated lines with heat, wear and paint.

use crate::cases::{load, number};
use crate::goals::calibration;
use backwall_ultrasound::{Evaluator, FACE_LOOKS, FaceMoved, Mode};
use backwall_units::Temperature;
use std::sync::Arc;

/// Shots whose mean is looked at.
const SHOTS: usize = 25;
/// The simulated tyre's delay at the blocks' 20 °C, as every line begins with it.
const ON_THE_BLOCKS_US: f64 = 5.911;

#[test]
fn the_face_echo_follows_the_tyre_and_not_the_paint() {
    let lines = load(&std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/lines"));
    let mut seen = 0;
    for case in lines {
        let setup = case.setup(Mode::FirstEcho).with_calibration(Arc::new(calibration(&case)));
        let face = setup.calibration.as_ref().unwrap().face.clone().expect("the blocks show the face");
        let mut evaluator = Evaluator::new(&setup, case.base()).unwrap();
        let celsius = |row| Temperature::celsius(number(row, "temp_c"));
        // As a run does it: shots with a wall, whose echo leaves the face's alone.
        let shown: Vec<(_, f64)> = case
            .shots
            .iter()
            .zip(&case.truth)
            .filter_map(|(shot, row)| {
                let wall = evaluator.measure(shot, celsius(row)).echo_time?;
                let look = evaluator.sight().face.expect("the record holds the face");
                face.is_clear_of(wall).then(|| (look, 1000.0 * (number(row, "t_probe_us") - ON_THE_BLOCKS_US)))
            })
            .collect();
        let (mut windows, mut answered, mut inside, mut squares, mut worst): (u32, u32, u32, f64, f64) = (0, 0, 0, 0.0, 0.0);
        for window in shown.windows(SHOTS).step_by(5) {
            let (low, high) = window.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (_, d)| (l.min(*d), h.max(*d)));
            // A mean over a jump shows neither side.
            if high - low > 40.0 {
                continue;
            }
            windows += 1;
            let (mut re, mut im) = ([0.0; FACE_LOOKS], [0.0; FACE_LOOKS]);
            for (look, _) in window {
                for k in 0..FACE_LOOKS {
                    re[k] += f64::from(look.re[k]);
                    im[k] += f64::from(look.im[k]);
                }
            }
            let Some(FaceMoved { late, uncertainty }) = face.moved(&re, &im) else { continue };
            answered += 1;
            let truth = window.iter().map(|(_, delay)| delay).sum::<f64>() / SHOTS as f64;
            let off = (late.as_ns() - truth).abs();
            worst = worst.max(off);
            squares += off * off;
            inside += u32::from(off <= 2.0 * uncertainty.as_ns());
        }
        println!(
            "{}: {answered} of {windows} means answered, {inside} within 2 u, rms {:.1}, worst {worst:.1} ns off",
            case.facts.name,
            (squares / f64::from(answered)).sqrt()
        );
        let name = &case.facts.name;
        assert!(answered * 10 >= windows * 9 && windows > 30, "{name}: {answered} of {windows}");
        assert!(inside * 10 >= answered * 9 && worst <= 20.0, "{name}: {inside} of {answered} within U, worst {worst}");
        seen += 1;
    }
    assert_eq!(seen, 5);
}
