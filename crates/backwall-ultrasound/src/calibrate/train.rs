//! Whether the echo taken for a block's first is its first. A zero typed microseconds off, or a block that is half or a third
//! as thick as typed, finds a repeat that fits as well; the echoes standing before it give it away.

use super::CalibrationError;
use crate::path::SoundPath;

/// Echoes before the one taken count from this part of its height: simulated blocks lose less than half from echo to echo
/// and show less than a fifth where no echo is.
const AS_HIGH: f64 = 0.5;
/// The near face may stand where a first echo would; a dual-element probe shows it far lower than the wall.
const NEARLY_AS_HIGH: f64 = 0.9;
/// How far off its place an echo may stand: part of the spacing, ns at most.
const NEAR: f64 = 0.15;
const NEAR_NS: f64 = 150.0;
/// A zero as many repeats off is looked for, and a block so many times as thick as the one under the probe.
const MOST_REPEATS: u32 = 24;
const MOST_TIMES: u32 = 4;

/// Refuses a block of `d` mm whose echo at `taken` (ns, height) has others of the same train before it. `path` has the zero by which
/// it was taken; `echoes` are all of the shot.
pub(super) fn is_first(echoes: &[(f64, f64)], path: &SoundPath, d: f64, taken: (f64, f64)) -> Result<(), CalibrationError> {
    let us = |ns: f64| ns / 1000.0;
    if let Some((first, zero)) = true_first(echoes, path, d, taken) {
        let (typed_us, zero_us) = (us(path.zero_ns), us(zero));
        return Err(CalibrationError::RepeatTaken { thickness: d, taken_us: us(taken.0), first_us: us(first), typed_us, zero_us });
    }
    match (2..=MOST_TIMES).rev().find(|times| is_thinner(echoes, path, d, taken, *times)) {
        Some(times) => Err(CalibrationError::OtherBlock { thickness: d, taken_us: us(taken.0), shows: d / f64::from(times) }),
        None => Ok(()),
    }
}

/// Where the first echo and the zero are, if the echo taken is a repeat.
pub(super) fn true_first(echoes: &[(f64, f64)], path: &SoundPath, d: f64, (time, height): (f64, f64)) -> Option<(f64, f64)> {
    let near = NEAR_NS.min(NEAR * path.spacing(d, 1.0, 2.0));
    (2..=MOST_REPEATS).rev().find_map(|m| {
        let before = |k: u32| time - path.spacing(d, f64::from(k), f64::from(m));
        let zero = path.zero_ns + time - path.time(d, f64::from(m));
        let part = match m {
            2 if path.half_mm <= 0.0 => return None,
            2 => NEARLY_AS_HIGH,
            _ => AS_HIGH,
        };
        let all = (1..m).all(|k| stands(echoes, before(k), near, part * height));
        (zero >= 0.0 && all).then(|| (before(1), zero))
    })
}

/// Where a block shows its train if it does not where it is due: time of its first echo and the zero, ns.
pub(super) fn elsewhere(echoes: &[(f64, f64)], path: &SoundPath, d: f64) -> Option<(f64, f64)> {
    let highest = echoes.iter().map(|(_, height)| *height).fold(0.0, f64::max);
    let (spacing, way) = (path.spacing(d, 1.0, 2.0), path.time(d, 1.0) - path.zero_ns);
    let near = NEAR_NS.min(NEAR * spacing);
    let high = echoes.iter().filter(|(time, height)| *height >= AS_HIGH * highest && *time >= way);
    let first = high.into_iter().find(|(time, height)| stands(echoes, time + spacing, near, AS_HIGH * AS_HIGH * height));
    first.map(|(time, _)| (*time, time - way))
}

fn is_thinner(echoes: &[(f64, f64)], path: &SoundPath, d: f64, (time, height): (f64, f64), times: u32) -> bool {
    let thin = d / f64::from(times);
    let near = NEAR_NS.min(NEAR * path.spacing(thin, 1.0, 2.0));
    let before = |k: u32| time - path.spacing(thin, f64::from(k), f64::from(times));
    (1..times).all(|k| stands(echoes, before(k), near, AS_HIGH * height))
}

fn stands(echoes: &[(f64, f64)], at: f64, near: f64, least: f64) -> bool {
    echoes.iter().any(|(time, height)| (time - at).abs() <= near && *height >= least)
}
