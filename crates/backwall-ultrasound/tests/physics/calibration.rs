//! Calibration: what is learned, what is refused, what is said about it, and that it survives being stored.

use crate::synth::{C, H, Probe, Random, ZERO};
use backwall_ultrasound::{
    Block, BlockSight, Calibration, CalibrationError, CalibrationInput, Evaluator, MOST_SPREAD_MM, Mode, STABLE_SHOTS, Setup, calibrate,
    calibrate_what_holds, stability, verify_block,
};
use backwall_units::{Length, Temperature, Time, Velocity};
use std::sync::Arc;

const ROOM: Temperature = Temperature::celsius(20.0);

fn shots(probe: &Probe, wall_mm: f64, count: usize, random: &mut Random) -> Vec<Arc<[i16]>> {
    (0..count)
        .map(|_| {
            let mut record = probe.wall(wall_mm * 1e-3, 1.0);
            probe.noise(&mut record, 0.001, random);
            Arc::from(probe.codes(&record))
        })
        .collect()
}

fn block(probe: &Probe, wall_mm: f64, random: &mut Random) -> Block {
    Block { thickness: Length::mm(wall_mm), temperature: ROOM, shots: shots(probe, wall_mm, 6, random), gain: None }
}

fn run(probe: &Probe, setup: &Setup, blocks: &[Block], fit_velocity: bool) -> Result<Calibration, CalibrationError> {
    calibrate(&CalibrationInput { setup, base: probe.base(), blocks, fit_velocity })
}

#[test]
fn zero_and_half_separation_are_found_from_blocks() {
    let (probe, mut random) = (Probe::gauss(), Random::new(21));
    let blocks: Vec<Block> = [4.0, 8.0, 12.0, 18.0].iter().map(|d| block(&probe, *d, &mut random)).collect();
    // A drawing that is wrong and a zero typed half a microsecond off.
    let typed = Setup { half_separation: Length::mm(2.0), zero: Time::us(5.9), ..probe.setup() };
    let found = run(&probe, &typed, &blocks, false).unwrap();
    assert!((found.half_separation.as_metres() - H).abs() < 0.05e-3, "{:?}", found.half_separation);
    assert!((found.zero.as_seconds() - ZERO).abs() < 4e-9, "{:?}", found.zero);
    assert!(found.points.iter().all(|p| p.error.abs() < Length::mm(0.003) && p.shots == 6), "{:?}", found.points);
    assert!(found.warnings.is_empty(), "{:?}", found.warnings);
}

#[test]
fn a_velocity_is_found_from_two_blocks_and_more() {
    let (probe, mut random) = (Probe::gauss(), Random::new(22));
    for thicknesses in [&[5.0, 18.0][..], &[4.0, 8.0, 12.0, 18.0][..]] {
        let blocks: Vec<Block> = thicknesses.iter().map(|d| block(&probe, *d, &mut random)).collect();
        let typed = Setup { velocity: Velocity::m_s(5740.0), ..probe.setup() };
        let found = run(&probe, &typed, &blocks, true).unwrap();
        assert!((found.velocity.as_m_s() - C).abs() < 12.0, "{} blocks: {:?}", blocks.len(), found.velocity);
        assert!(found.velocity_fitted);
        assert!(found.warnings.iter().any(|w| w.to_string().contains("carbon steel")), "{:?}", found.warnings);
    }
}

#[test]
fn three_blocks_find_velocity_zero_and_separation_and_say_how_well() {
    let (probe, mut random) = (Probe::gauss(), Random::new(28));
    for thicknesses in [[3.0, 8.0, 20.0], [4.0, 10.0, 18.0]] {
        let blocks: Vec<Block> = thicknesses.iter().map(|d| block(&probe, *d, &mut random)).collect();
        let typed = Setup { velocity: Velocity::m_s(5860.0), half_separation: Length::mm(2.2), zero: Time::us(5.6), ..probe.setup() };
        let found = run(&probe, &typed, &blocks, true).unwrap();
        assert!((found.velocity.as_m_s() - C).abs() < 12.0, "{thicknesses:?}: {:?}", found.velocity);
        assert!((found.half_separation.as_metres() - H).abs() < 0.1e-3, "{thicknesses:?}: {:?}", found.half_separation);
        assert!((found.zero.as_seconds() - ZERO).abs() < 10e-9, "{thicknesses:?}: {:?}", found.zero);
        // What is told of the uncertainty holds what is wrong, and is no empty phrase.
        let (velocity, half) = (found.velocity_u.unwrap().as_m_s(), found.half_separation_u.unwrap());
        assert!((5.0..120.0).contains(&velocity) && half > Length::mm(0.05) && half < Length::mm(0.9), "{velocity} m/s, {half:?}");
        // With the drawing's separation 6 mm would read 0.05 mm and more off.
        let mut evaluator = Evaluator::new(&typed.with_calibration(Arc::new(found)), probe.base()).unwrap();
        for wall in [6.0, 14.0] {
            let reading = evaluator.measure(&probe.codes(&probe.wall(wall * 1e-3, 1.0)), ROOM).thickness.unwrap();
            assert!((reading.as_mm() - wall).abs() < 0.01, "{thicknesses:?}: {wall} mm reads {reading:?}");
        }
    }
}

#[test]
fn blocks_too_alike_leave_the_separation_as_typed_and_say_so() {
    let (probe, mut random) = (Probe::gauss(), Random::new(29));
    let blocks: Vec<Block> = [12.0, 14.0, 16.0].iter().map(|d| block(&probe, *d, &mut random)).collect();
    let typed = Setup { half_separation: Length::mm(2.5), ..probe.setup() };
    let found = run(&probe, &typed, &blocks, true).unwrap();
    assert_eq!((found.half_separation, found.half_separation_u), (typed.half_separation, None));
    assert!(found.warnings.iter().any(|w| w.to_string().contains("do not fix the element separation")), "{:?}", found.warnings);
    // The velocity is not sent astray either: what is typed counts for as much as the blocks do.
    assert!((found.velocity.as_m_s() - C).abs() < 2.0 * found.velocity_u.unwrap().as_m_s(), "{:?}", found.velocity);
}

#[test]
fn blocks_that_contradict_each_other_are_refused_by_name() {
    let (probe, mut random) = (Probe::gauss(), Random::new(30));
    for second in [8.06, 8.3] {
        let mut blocks: Vec<Block> = [4.0, 8.0, second, 12.0, 18.0].iter().map(|d| block(&probe, *d, &mut random)).collect();
        // The two were taken for one another: a wall between them would have no one reading.
        let (left, right) = (blocks[1].shots.clone(), blocks[2].shots.clone());
        (blocks[1].shots, blocks[2].shots) = (right, left);
        let error = run(&probe, &probe.setup(), &blocks, false).unwrap_err();
        let CalibrationError::Contradiction { thin, thick, apart, due } = error else { panic!("{error}") };
        assert!((thin, thick) == (8.0, second) && apart < 0.0 && due > 15.0, "{error}");
        assert!(error.to_string().contains(&format!("8.00 mm and {second:.2} mm blocks contradict")), "{error}");
    }
}

#[test]
fn thickness_rises_strictly_with_time() {
    let (probe, mut random) = (Probe::gauss(), Random::new(31));
    // Blocks as wrong as a technician's may be: the curve through them is bent, the reading still goes one way.
    let blocks: Vec<Block> = [(4.0, 4.06), (8.0, 7.93), (9.0, 9.08), (13.0, 12.95), (18.0, 18.1)]
        .iter()
        .map(|(is, said)| Block { thickness: Length::mm(*said), ..block(&probe, *is, &mut random) })
        .collect();
    let found = run(&probe, &probe.setup(), &blocks, false).unwrap();
    let setup = probe.setup().with_calibration(Arc::new(found));
    let mut last = Length::ZERO;
    for step in 0..9000 {
        let time = Time::us(6.6) + Time::ns(f64::from(step));
        let wall = backwall_ultrasound::evaluate::measure_time(&setup, Some(time), ROOM).thickness.unwrap();
        assert!(wall > last, "{wall:?} after {last:?} at {time:?}");
        last = wall;
    }
}

// Published check: 5 and 25 mm through a straight path give 6061 m/s instead of 5920 for s = 2.5 mm (worked geometry).
#[test]
fn an_uncorrected_dual_element_path_is_suspected() {
    let (probe, mut random) = (Probe::gauss(), Random::new(23));
    let blocks: Vec<Block> = [5.0, 18.0].iter().map(|d| block(&probe, *d, &mut random)).collect();
    let typed = Setup { half_separation: Length::ZERO, zero: Time::us(5.9), ..probe.setup() };
    let found = run(&probe, &typed, &blocks, true).unwrap();
    assert!(found.velocity.as_m_s() > 6000.0);
    assert!(found.warnings.iter().any(|w| w.to_string().contains("dual-element path not corrected")), "{:?}", found.warnings);
}

#[test]
fn what_cannot_be_a_calibration_is_refused_with_the_reason() {
    let (probe, mut random) = (Probe::gauss(), Random::new(24));
    let setup = probe.setup();
    let good = block(&probe, 10.0, &mut random);
    assert_eq!(run(&probe, &setup, &[], false), Err(CalibrationError::NoBlocks));
    assert_eq!(run(&probe, &setup, std::slice::from_ref(&good), true), Err(CalibrationError::OneThickness));
    let one = Block { shots: good.shots[..1].to_vec(), ..good.clone() };
    assert!(matches!(run(&probe, &setup, &[one], false), Err(CalibrationError::TooFewShots { shots: 1, .. })));
    let nothing = Block { shots: vec![Arc::from(vec![0i16; 1024]); 5], ..good.clone() };
    assert!(matches!(run(&probe, &setup, &[nothing], false), Err(CalibrationError::NoEcho { echoes: 0, .. })));
    let moved = Block { shots: (0..6).flat_map(|k| shots(&probe, 10.0 + 0.1 * f64::from(k), 1, &mut random)).collect(), ..good.clone() };
    let error = run(&probe, &setup, &[moved], false).unwrap_err();
    assert!(matches!(error, CalibrationError::Unstable { .. }) && error.to_string().contains("hold the probe still"), "{error}");
    let negative = Block { thickness: Length::mm(-1.0), ..good };
    assert!(matches!(run(&probe, &setup, &[negative], false), Err(CalibrationError::Impossible { .. })));
}

#[test]
fn a_block_too_thin_for_the_frequency_is_refused_for_that_reason() {
    let (probe, mut random) = (Probe { f0: 2.25e6, bandwidth: 0.4, ..Probe::gamma() }, Random::new(32));
    let blocks: Vec<Block> = [3.0, 6.0, 10.0, 15.0].iter().map(|d| block(&probe, *d, &mut random)).collect();
    let error = run(&probe, &probe.setup(), &blocks, false).unwrap_err();
    assert!(matches!(error, CalibrationError::TooThin { .. }), "{error}");
    let text = error.to_string();
    assert!(text.contains("3.00 mm block is too thin") && text.contains("1.9 periods") && text.contains("4.0 mm or more"), "{text}");
    // What it asks for is enough.
    let blocks: Vec<Block> = [4.0, 6.0, 10.0, 15.0].iter().map(|d| block(&probe, *d, &mut random)).collect();
    assert!(run(&probe, &probe.setup(), &blocks, false).is_ok());
    // Without coupling it is no matter of the block.
    let silent = Block { shots: vec![Arc::from(vec![0i16; 1024]); 5], ..block(&probe, 10.0, &mut random) };
    assert!(matches!(run(&probe, &probe.setup(), &[silent], false), Err(CalibrationError::NoEcho { .. })));
}

#[test]
fn one_block_is_enough_for_a_zero() {
    let (probe, mut random) = (Probe::gauss(), Random::new(25));
    let found = run(&probe, &probe.setup(), &[block(&probe, 10.0, &mut random)], false).unwrap();
    let mut evaluator = Evaluator::new(&probe.setup().with_calibration(Arc::new(found)), probe.base()).unwrap();
    let reading = evaluator.measure(&probe.codes(&probe.wall(8e-3, 1.0)), ROOM);
    assert!((reading.thickness.unwrap().as_mm() - 8.0).abs() < 0.02, "{reading:?}");
}

#[test]
fn a_stored_set_up_reads_the_same_to_the_last_bit() {
    for probe in [Probe::gauss(), Probe::gamma().at_50().bits(8)] {
        let mut random = Random::new(26);
        let setup = probe.calibrated(&mut random);
        let text = serde_json::to_string(&setup).unwrap();
        let back: Setup = serde_json::from_str(&text).unwrap();
        assert_eq!(back, setup);
        let (mut before, mut after) = (Evaluator::new(&setup, probe.base()).unwrap(), Evaluator::new(&back, probe.base()).unwrap());
        for shot in shots(&probe, 9.7, 20, &mut random) {
            assert_eq!(before.measure(&shot, ROOM), after.measure(&shot, ROOM));
        }
        let typed: Setup = serde_json::from_str(&serde_json::to_string(&probe.setup()).unwrap()).unwrap();
        assert_eq!(typed, probe.setup());
    }
}

#[test]
fn a_calibration_holds_at_another_sampling_rate() {
    let (learned, used) = (Probe::gauss(), Probe::gauss().at_50());
    let mut random = Random::new(27);
    let mut evaluator = Evaluator::new(&learned.calibrated(&mut random), used.base()).unwrap();
    let reading = evaluator.measure(&used.codes(&used.wall(8.2e-3, 1.0)), ROOM);
    assert!((reading.thickness.unwrap().as_mm() - 8.2).abs() < 0.005, "{reading:?}");
}

#[test]
fn a_further_block_verifies_or_refutes() {
    let (probe, mut random) = (Probe::gauss(), Random::new(28));
    let setup = probe.calibrated(&mut random);
    let tolerance = Length::mm(0.1);
    let verify = |shots: &[Arc<[i16]>], said: f64| verify_block(&setup, probe.base(), Length::mm(said), ROOM, shots, tolerance).unwrap();
    let on_block = shots(&probe, 12.0, 8, &mut random);
    let check = verify(&on_block, 12.0);
    assert!(check.within && check.readings == 8 && check.error.unwrap().abs() < Length::mm(0.005), "{check:?}");
    assert!(!verify(&on_block, 12.15).within);
    let silent = vec![Arc::from(vec![0i16; 1024]); 8];
    let check = verify(&silent, 12.0);
    assert!(!check.within && check.measured.is_none(), "{check:?}");
}

#[test]
fn a_probe_is_stable_after_enough_steady_readings() {
    let steady: Vec<Option<Length>> = (0..STABLE_SHOTS).map(|k| Some(Length::mm(10.0 + 0.001 * k as f64))).collect();
    assert!(stability(&steady).stable);
    assert!(!stability(&steady[1..]).stable);
    let mut gap = steady.clone();
    gap[3] = None;
    assert!(!stability(&gap).stable);
    let moving: Vec<Option<Length>> = (0..STABLE_SHOTS).map(|k| Some(Length::mm(10.0 + MOST_SPREAD_MM * k as f64))).collect();
    assert!(!stability(&moving).stable);
    assert_eq!(stability(&[]).mean, None);
}

/// Thin plates of a simulation by the equations of motion, of which every repeat stands in the record; the pickers without a
/// calibration jump between them.
#[test]
fn a_block_of_known_thickness_shows_its_own_echo_in_every_shot_however_thin_it_is() {
    let all = [crate::cases::folder(), crate::cases::folder().with_file_name("waveforms_more")];
    for case in all.iter().flat_map(|folder| crate::cases::load(folder)) {
        let setup = case.setup(Mode::FirstEcho);
        let mut blocks: std::collections::BTreeMap<i64, Vec<usize>> = Default::default();
        for (id, row) in case.cal_truth.iter().enumerate() {
            blocks.entry((crate::cases::number(row, "thickness_mm") * 1000.0) as i64).or_default().push(id);
        }
        for (micrometres, ids) in blocks {
            let thickness = Length::mm(micrometres as f64 / 1000.0);
            let mut sight = BlockSight::new(&setup, case.base(), thickness).unwrap();
            let seen: Vec<_> = ids.iter().map(|id| sight.look(&case.cal_shots[*id])).collect();
            let echoes = sight.own_echoes(seen.iter());
            let readings: Vec<_> = echoes.iter().map(|echo| echo.map(|echo| echo.reading)).collect();
            let name = format!("{} block {thickness}: {readings:?}", case.facts.name);
            assert!(readings.iter().all(Option::is_some), "{name}");
            assert!(stability(&readings).spread.as_mm() < 0.02, "{name}");
            // Typed values read a ringing pulse late; a repeat would be the whole block off.
            assert!(readings.iter().flatten().all(|reading| (*reading - thickness).abs() < thickness * 0.4), "{name}");
        }
    }
}

#[test]
fn a_block_whose_echo_lies_behind_the_record_is_refused_with_that_reason() {
    let (probe, mut random) = (Probe::gauss(), Random::new(33));
    let base = probe.base();
    let records = shots(&probe, 10.0, 2, &mut random);
    let end_us = base.end(records[0].len()).as_us();
    let arrival = |mm: f64| probe.setup().arrival(Length::mm(mm)).as_us();
    let (short, long) = (10.0, 2.0 * end_us * C * 1e-3);
    assert!(arrival(long) > end_us);
    let look = |mode, mm: f64| {
        let mut sight = BlockSight::new(&Setup { mode, ..probe.setup() }, base, Length::mm(mm)).unwrap();
        let seen = sight.look(&records[0]);
        sight.fits(&seen)
    };
    assert_eq!(look(Mode::FirstEcho, short), Ok(()));
    let refused = look(Mode::FirstEcho, long).unwrap_err().to_string();
    assert!(refused.contains("its echo is due") && refused.contains("the record ends at"), "{refused}");
    // A wall whose first echo alone is in the record cannot be read echo to echo.
    let half = (1..400).map(|k| f64::from(k) * 0.1).find(|mm| arrival(2.0 * mm) > end_us + 0.1).unwrap();
    assert_eq!(look(Mode::FirstEcho, half), Ok(()));
    assert!(look(Mode::EchoToEcho, half).unwrap_err().to_string().contains("its second echo is due"));
    let error = run(&probe, &probe.setup(), &[Block { thickness: Length::mm(long), ..block(&probe, 10.0, &mut random) }], false);
    assert!(matches!(error, Err(CalibrationError::BehindRecord { .. })), "{error:?}");
}

#[test]
fn one_bad_block_is_left_out_with_its_reason_and_the_others_are_fitted() {
    let (probe, mut random) = (Probe::gauss(), Random::new(34));
    let good: Vec<Block> = [4.0, 8.0, 12.0, 18.0].iter().map(|d| block(&probe, *d, &mut random)).collect();
    let typed = probe.setup();
    let fit = |blocks: &[Block]| calibrate_what_holds(&CalibrationInput { setup: &typed, base: probe.base(), blocks, fit_velocity: true });
    let whole = fit(&good).unwrap();
    assert!(whole.left_out.is_empty() && whole.calibration.points.len() == 4);
    let noise = |mm: f64, random: &mut Random| Block { shots: shots(&probe, 0.0, 6, random), ..block(&probe, mm, random) };
    let moved = || {
        // The probe went from one block to the next while it was measured.
        let mixed = good[1].shots.iter().take(3).cloned();
        let other = block(&probe, 8.2, &mut Random::new(5)).shots;
        Block { shots: mixed.chain(other.into_iter().take(3)).collect(), ..good[1].clone() }
    };
    let few = Block { shots: good[1].shots[..1].to_vec(), ..good[1].clone() };
    for (bad, words) in
        [(noise(15.0, &mut random), "show an echo where one is due"), (moved(), "spread by"), (few, "at least 2 are needed")]
    {
        let blocks = [good[0].clone(), bad.clone(), good[2].clone(), good[3].clone()];
        let rest = fit(&blocks).unwrap();
        assert_eq!(rest.left_out.len(), 1, "{words}");
        assert_eq!((rest.left_out[0].index, rest.left_out[0].thickness), (1, bad.thickness));
        assert!(rest.left_out[0].why.to_string().contains(words), "{}", rest.left_out[0].why);
        let alone = fit(&[good[0].clone(), good[2].clone(), good[3].clone()]).unwrap();
        assert_eq!(rest.calibration, alone.calibration, "{words}: the bad block must leave no trace");
        // Of two one is not enough to call it a calibration on the rest.
        assert!(fit(&[good[0].clone(), bad]).is_err(), "{words}");
    }
    // A thickness typed wrong: 8 for 12, beside a true 8.2. The three others say which of the two is wrong.
    let wrong = Block { thickness: Length::mm(8.0), ..good[2].clone() };
    let near = block(&probe, 8.2, &mut random);
    let rest = fit(&[good[0].clone(), wrong, near, good[3].clone(), block(&probe, 15.0, &mut random)]).unwrap();
    assert_eq!(rest.left_out.iter().map(|out| out.index).collect::<Vec<_>>(), [1], "{:?}", rest.left_out);
}

// A zero typed some microseconds off puts a block's first echo where a repeat stands. Blocks whose thicknesses are whole multiples of
// each other then agree on it, velocity included: by geometry 4 mm shows its third echo where 8 mm shows its second.
#[test]
fn a_block_is_never_read_on_a_repeat() {
    let (probe, mut random) = (Probe::gauss(), Random::new(41));
    let late = |us: f64| Setup { zero: Time::us(5.4 + us), ..probe.setup() };
    let (four, eight) = (block(&probe, 4.0, &mut random), block(&probe, 8.0, &mut random));
    for (us, blocks) in [(5.3, vec![four.clone()]), (6.6, vec![four.clone()]), (2.7, vec![four.clone(), eight.clone()])] {
        let error = run(&probe, &late(us), &blocks, false).map(|found| found.zero);
        let Err(CalibrationError::RepeatTaken { first_us, zero_us, .. }) = error else { panic!("{us}: {error:?}") };
        assert!((zero_us - 1e6 * ZERO).abs() < 0.15 && (first_us - 1e6 * ZERO - 1.67).abs() < 0.15, "{us}: {first_us} {zero_us}");
        let mut sight = BlockSight::new(&late(us), probe.base(), Length::mm(4.0)).unwrap();
        let seen = sight.look(&four.shots[0]);
        assert!(matches!(sight.fits(&seen), Err(CalibrationError::RepeatTaken { .. })), "{us}: {:?}", sight.fits(&seen));
    }
    // Of a thick block no repeat may stand there: it says where its echoes are.
    let ten = shots(&probe, 10.0, 1, &mut random);
    let mut sight = BlockSight::new(&late(5.0), probe.base(), Length::mm(10.0)).unwrap();
    let seen = sight.look(&ten[0]);
    let why = sight.fits(&seen);
    assert!(matches!(why, Err(CalibrationError::Elsewhere { zero_us, .. }) if (zero_us - 1e6 * ZERO).abs() < 0.15), "{why:?}");
    // A 4 mm block typed as 12 mm has its third echo where 12 mm has its first.
    let mistyped = Block { thickness: Length::mm(12.0), ..four.clone() };
    let error = run(&probe, &probe.setup(), &[mistyped], false).map(|found| found.zero);
    assert!(matches!(error, Err(CalibrationError::OtherBlock { shows, .. }) if (shows - 4.0).abs() < 0.01), "{error:?}");
    // With the right zero all are taken, also with one as far off as is looked for.
    for us in [0.0, 0.5, -0.5] {
        assert!(run(&probe, &late(us), &[four.clone(), eight.clone()], true).is_ok(), "{us}");
    }
}
