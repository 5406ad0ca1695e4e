//! Which of the tops is the first back wall, or why none is.
//!
//! Every top is divided by the height a first back-wall echo of that depth has on the blocks. A flat plate's repeats
//! then all stand near one level whatever gain and coupling are, so early weak tops compare like with like: where the
//! wall stands at full height they are grain, where the wall itself is weak they may be a pit. The threshold that
//! follows the locally measured level is the constant-false-alarm-rate idea (Finn and Johnson, RCA Review 29, 1968;
//! Rohling, IEEE Trans. AES 19, 1983); the levels themselves are this program's own.

use super::curve::CurvePlace;
use super::filter::Filter;
use super::measurement::{Flag, Flags};
use super::model::Model;
use super::trace::{Top, Trace, wrapped};

/// The highest top must stand this many times over the noise for any reading.
pub const READ_OVER_NOISE: f64 = 6.0;
/// Weaker than this against the blocks, -34 dB, nothing is a wall.
const LEAST_FAMILY: f64 = 0.02;
/// Noise does not reach this; on a thin wall, where echoes fill the record, nothing more is asked.
const CERTAIN_OVER_NOISE: f64 = 14.0;
/// Below that it must also stand this many times over the body of the record, with and without repeats.
const READ_OVER_REST: f64 = 6.4;
const REPEATED_OVER_REST: f64 = 5.8;
/// A body no higher than this against the white noise is white noise, whose level is known well.
const WHITE_BODY: f64 = 1.25;
/// How far an echo reaches to either side, ns.
const ECHO_REACH_NS: f64 = 600.0;
/// Any other top counts from here.
pub const TOP_OVER_NOISE: f64 = 6.0;
/// A top with both repeats is hardly chance.
const FLOOR_WITH_REPEATS: f64 = 0.12;
/// An early top's least part of the family under a weak wall and under a full one: grain reached 0.39, pits 0.2.
const FLOOR_WEAK: f64 = 0.20;
const FLOOR_FULL: f64 = 0.40;
/// A second echo this high against the first (both against the blocks') needs an even wall under the whole beam.
pub const EVEN: f64 = 0.75;
/// The third of a train stands this high against the second.
const TRAIN_ALIKE: f64 = 0.33;
/// A top this high against the family's level is a wall on its own.
const FIRM: f64 = 0.5;
const FIRM_ALONE: f64 = 0.33;
/// Over the grain in front of it.
const OVER_GRAIN: f64 = 4.0;
/// A wall thinner than this shows repeats; one that does not is doubted.
const THIN_MM: f64 = 2.5;
/// Tyre's own echo against the wall's.
const RING: f64 = 0.7;
const FACE_RISEN: f64 = 2.5;
const LOST: f64 = 25.0;
/// A comb: echoes this high against the family, this many gaps, alike within this part; the chosen echo at this many.
const COMB_LEVEL: f64 = 0.33;
const COMB_LEAST: usize = 3;
const COMB_MOST: usize = 8;
const COMB_EVEN: f64 = 0.12;
const COMB_DOUBLED: f64 = 1.6;
const COMB_WIDE: f64 = 1.8;
/// Repeats are looked for this near their predicted time, in ns.
const REPEAT_NS: f64 = 90.0;

/// A top that could be a wall.
#[derive(Debug, Clone, Copy)]
pub struct WallCandidate {
    pub top: Top,
    pub time_ns: f64,
    pub depth: f64,
    /// The same, as curves take it.
    pub place: CurvePlace,
    /// Height over that of a block's first echo from the same depth.
    pub level: f64,
    /// Phase against the blocks'.
    pub phase: f64,
}

#[derive(Debug, Clone, Copy)]
pub struct DecidedWall {
    pub chosen: WallCandidate,
    /// The repeat found at its predicted time.
    pub second: Option<WallCandidate>,
    pub flags: Flags,
    /// 1 where `chosen` is the first echo; else it is this repeat, `second` the one behind it, and the first was not seen.
    pub order: usize,
}

/// What the decision looks at beside the candidates.
pub struct Scene<'a> {
    pub model: &'a Model,
    pub filter: &'a Filter,
    pub gate_ns: (f64, f64),
    /// Lowest height taken for an echo, codes.
    pub threshold: f64,
    pub face_height: f64,
    pub face_ns: f64,
    pub noise: f64,
    pub full_scale: f64,
    /// Thinnest wall to be told.
    pub minimum: f64,
    /// Whether the wall comes from the first echo's time; where it comes from spacings a lost first echo does no harm.
    pub first_counts: bool,
}

/// Fills `out` with the candidates among `tops`.
pub fn candidates(tops: &[Top], model: &Model, time_of: impl Fn(f64) -> f64, minimum: f64, out: &mut Vec<WallCandidate>) {
    out.clear();
    for top in tops {
        let time_ns = time_of(top.at);
        if let Some(depth) = model.depth(time_ns).filter(|depth| *depth >= 0.8 * minimum)
            && top.height > 3.0 * model.clutter(time_ns)
        {
            let place = CurvePlace::from(depth);
            out.push(WallCandidate {
                top: *top,
                time_ns,
                depth,
                place,
                level: top.height / model.height(place),
                phase: wrapped(top.phase - model.phase(place)),
            });
        }
    }
}

pub fn first_wall(
    candidates: &[WallCandidate],
    scene: &Scene,
    trace: &mut Trace,
    sample_of: impl Fn(f64) -> f64,
) -> Result<DecidedWall, Flags> {
    let tallest = (0..candidates.len()).max_by(|a, b| candidates[*a].top.height.total_cmp(&candidates[*b].top.height));
    let highest = tallest.map_or(0.0, |index| candidates[index].top.height);
    let lone = tallest.is_none_or(|index| (2..=3).all(|m| repeat(candidates, index, m, scene.model).is_none()));
    let certain = highest >= CERTAIN_OVER_NOISE * scene.noise;
    let over_rest = if lone { READ_OVER_REST } else { REPEATED_OVER_REST };
    let family = candidates.iter().map(|c| c.level).fold(0.0, f64::max);
    if highest < READ_OVER_NOISE * scene.noise || (scene.model.calibrated() && family < LEAST_FAMILY) {
        return Err(Flags::of(if uncoupled_face(scene) { Flag::NoCoupling } else { Flag::NoBackWall }));
    }
    if !certain && !over_the_rest(candidates, tallest, over_rest, trace, &sample_of) {
        return Err(Flags::of(if uncoupled_face(scene) { Flag::NoCoupling } else { Flag::NoBackWall }).with(Flag::Ambiguous));
    }
    if tyre_alone(candidates, scene, family, highest) {
        return Err(Flags::of(Flag::NoCoupling));
    }
    let floor = floor(candidates, family, scene.model);
    let sampled = |ns: f64| sample_of(ns) - sample_of(0.0);
    let grain = grain_level(candidates, scene, trace, family, &sample_of);
    let mut repeats = |depth: f64| trace.repeats_after(scene.filter, sampled(scene.model.path.spacing(depth, 1.0, 2.0)));
    let mut weaker_before = false;
    let mut outside: Option<WallCandidate> = None;
    let mut under: Option<WallCandidate> = None;
    for (index, candidate) in candidates.iter().enumerate() {
        let second = repeat(candidates, index, 2, scene.model);
        let third = repeat(candidates, index, 3, scene.model);
        // The wall's own first echo is the second of any top at half its depth; a train's third then is missing.
        let third = third.filter(|third| second.is_none_or(|second| third.level >= TRAIN_ALIKE * second.level));
        if !is_wall(candidate, second.is_some() as u8 + third.is_some() as u8, family, floor, grain, scene) {
            weaker_before |= candidate.level > 0.1 * family;
            continue;
        }
        if candidate.time_ns < scene.gate_ns.0 || candidate.time_ns > scene.gate_ns.1 {
            outside.get_or_insert(*candidate);
            continue;
        }
        if candidate.top.height < scene.threshold {
            weaker_before = true;
            under.get_or_insert(*candidate);
            continue;
        }
        if under.is_some_and(|first| is_repeat_of(candidate, &first, scene.model)) {
            // The wall's own first echo is under the threshold: its repeat must not be read as a wall twice as thick.
            return Err(Flags::of(Flag::NoBackWall).with(Flag::Weak));
        }
        // Far beyond the blocks heights are guessed: a first echo higher than its repeat is the wall, whatever the guess.
        let higher = candidates[..index].iter().find(|first| {
            let seen = first.top.height >= candidate.top.height.max(scene.threshold) && first.time_ns >= scene.gate_ns.0;
            seen && is_repeat_of(candidate, first, scene.model) && wrapped(candidate.phase - first.phase).abs() < 1.4
        });
        if let Some(first) = higher {
            return Ok(DecidedWall { chosen: *first, second: Some(*candidate), flags: Flags::of(Flag::Multiple), order: 1 });
        }
        let mut flags = Flags::NONE;
        if weaker_before {
            flags = flags.with(Flag::EarlyEcho);
        }
        if let Some(earlier) = outside.filter(|o| o.time_ns < candidate.time_ns) {
            // The first echo lies before the gate: what stands in the gate may be its repeat.
            if is_repeat_of(candidate, &earlier, scene.model) {
                return Err(Flags::of(Flag::OutOfRange));
            }
            flags = flags.with(Flag::Ambiguous).with(Flag::InnerReflector);
        }
        if scene.first_counts
            && let Some(comb) = comb(candidates, candidate, family, scene.minimum, scene.model)
            && (comb.depth >= scene.minimum || repeats(comb.depth))
        {
            if comb.depth < scene.minimum {
                return Err(Flags::of(Flag::OutOfRange).with(Flag::Multiple));
            }
            let flags = flags.with(Flag::Multiple);
            let first = candidates[..index].iter().rfind(|c| (c.depth / comb.depth - 1.0).abs() < 0.1);
            return Ok(match first.filter(|_| comb.order == 2) {
                Some(first) => DecidedWall { chosen: *first, second: Some(*candidate), flags, order: 1 },
                None => DecidedWall { chosen: *candidate, second: Some(comb.next), flags, order: comb.order },
            });
        }
        if scene.first_counts
            && let Some(order) = [2, 3].into_iter().rfind(|order| repeats(candidate.depth / *order as f64))
        {
            return repeat_taken(candidates, candidate, order, scene, flags);
        }
        return Ok(DecidedWall { chosen: *candidate, second, flags, order: 1 });
    }
    Err(match (outside, under) {
        (Some(_), _) => Flags::of(Flag::OutOfRange),
        (None, Some(_)) => Flags::of(Flag::NoBackWall).with(Flag::Weak),
        (None, None) => Flags::of(Flag::NoBackWall),
    })
}

/// The whole record repeats itself at a fraction of the chosen echo's depth, so the chosen one is a repeat: the wall is the
/// echo standing at that fraction, or what the spacing behind the chosen one says.
fn repeat_taken(
    candidates: &[WallCandidate],
    chosen: &WallCandidate,
    order: usize,
    scene: &Scene,
    flags: Flags,
) -> Result<DecidedWall, Flags> {
    let flags = flags.with(Flag::Multiple);
    let depth = chosen.depth / order as f64;
    if depth < scene.minimum {
        return Err(flags.with(Flag::OutOfRange));
    }
    let near = |due: f64| {
        candidates
            .iter()
            .filter(move |c| (c.time_ns - due).abs() < 2.0 * REPEAT_NS)
            .max_by(|a, b| a.top.height.total_cmp(&b.top.height))
            .copied()
    };
    if order == 2
        && let Some(first) = near(scene.model.time(depth, 1))
    {
        return Ok(DecidedWall { chosen: first, second: Some(*chosen), flags, order: 1 });
    }
    match near(scene.model.time(depth, order + 1)) {
        Some(next) => Ok(DecidedWall { chosen: *chosen, second: Some(next), flags, order }),
        None => Err(flags.with(Flag::Ambiguous)),
    }
}

/// Whether the tallest echo stands over the body of the record. The noise floor is taken from the quietest part, which
/// noise in the probe's own band, only some thirty independent looks a record, sometimes leaves very quiet.
fn over_the_rest(
    candidates: &[WallCandidate],
    tallest: Option<usize>,
    factor: f64,
    trace: &mut Trace,
    sample_of: &impl Fn(f64) -> f64,
) -> bool {
    let Some(candidate) = tallest.map(|index| candidates[index]) else { return false };
    let (from, to) = (sample_of(candidate.time_ns - ECHO_REACH_NS), sample_of(candidate.time_ns + ECHO_REACH_NS));
    let body = trace.body_outside(from, to);
    let factor = if body < WHITE_BODY * trace.white { READ_OVER_NOISE } else { factor };
    candidate.top.height >= factor * body.max(trace.white)
}

fn is_wall(candidate: &WallCandidate, repeats: u8, family: f64, floor: f64, grain: f64, scene: &Scene) -> bool {
    let part = candidate.level / family;
    if repeats == 2 && part >= FLOOR_WITH_REPEATS {
        return true;
    }
    if part >= FIRM {
        return candidate.depth > THIN_MM || repeats > 0 || (candidate.phase.abs() < 1.0 && candidate.top.height > 10.0 * scene.noise);
    }
    part >= floor && candidate.top.height >= OVER_GRAIN * grain && candidate.depth > THIN_MM
}

/// A weak wall leaves room for a weak early echo, a strong one does not; nor does one whose repeat stands as high, at
/// whatever gain.
fn floor(candidates: &[WallCandidate], family: f64, model: &Model) -> f64 {
    if !model.calibrated() {
        return FIRM_ALONE;
    }
    let even = |wall: usize| {
        let level = candidates[wall].level;
        level >= EVEN * family && repeat(candidates, wall, 2, model).is_some_and(|second| second.level >= EVEN * level)
    };
    if (0..candidates.len()).any(even) {
        return FLOOR_FULL;
    }
    let u = ((family - 0.4) / 0.3).clamp(0.0, 1.0);
    FLOOR_WEAK + (FLOOR_FULL - FLOOR_WEAK) * u
}

/// Whether an echo stands where the second or third of `first` is due.
fn is_repeat_of(candidate: &WallCandidate, first: &WallCandidate, model: &Model) -> bool {
    [2, 3].iter().any(|m| (model.time(first.place, *m) - candidate.time_ns).abs() < 2.0 * REPEAT_NS)
}

fn repeat(candidates: &[WallCandidate], index: usize, m: usize, model: &Model) -> Option<WallCandidate> {
    let (first, later) = (&candidates[index], &candidates[index + 1..]);
    if later.is_empty() {
        return None;
    }
    let expected = model.time(first.place, m);
    later
        .iter()
        .filter(|c| (c.time_ns - expected).abs() < REPEAT_NS)
        .filter(|c| c.level > 0.3 * first.level && c.level < 6.0 * first.level && wrapped(c.phase - first.phase).abs() < 1.4)
        .max_by(|a, b| a.top.height.total_cmp(&b.top.height))
        .copied()
}

/// A regular train of echoes whose spacing is a wall much thinner than the chosen echo says: on a thin wall the first
/// echoes may be lost, and the chosen one is then itself a repeat.
struct Comb {
    depth: f64,
    /// Which repeat the chosen echo is.
    order: usize,
    next: WallCandidate,
}

fn comb(candidates: &[WallCandidate], chosen: &WallCandidate, family: f64, minimum: f64, model: &Model) -> Option<Comb> {
    let train = || candidates.iter().filter(|c| c.level >= COMB_LEVEL * family && c.time_ns >= chosen.time_ns - 1.0);
    let mut gaps = [0.0; COMB_MOST];
    let mut count = 0;
    for (left, right) in train().zip(train().skip(1)).take(COMB_MOST) {
        gaps[count] = model.path.depth(right.time_ns)? - model.path.depth(left.time_ns)?;
        count += 1;
    }
    if count < COMB_LEAST {
        return None;
    }
    let gaps = &mut gaps[..count];
    gaps.sort_by(f64::total_cmp);
    let middle = gaps[count / 2];
    let regular = gaps.iter().filter(|gap| (*gap / middle - 1.0).abs() < COMB_EVEN).count();
    let order = (chosen.depth / middle).round();
    // The overlapped first echo of a thin wall may be half off its own place, a second never.
    if chosen.depth < COMB_DOUBLED * middle || order < 2.0 {
        return None;
    }
    if regular * 4 < count * 3 && middle > minimum {
        return None;
    }
    // A crowded train leaves no wide gaps; paint's ring behind each of two distant echoes does.
    let wide = gaps.iter().filter(|gap| **gap > COMB_WIDE * middle).count();
    if middle <= minimum && wide * 3 >= count {
        return None;
    }
    // Echoes crowded closer than the thinnest wall are told as such even where they overlap too much to be even.
    // The later echoes stand clear of each other; the wall that places the last of them best.
    let last = train().take(count + 1).last()?;
    let place = model.path.depth(last.time_ns)?;
    let depth = if middle > minimum { place / (place / middle).round().max(1.0) } else { middle };
    let next = *train().nth(1)?;
    Some(Comb { depth, order: order as usize, next })
}

fn uncoupled_face(scene: &Scene) -> bool {
    match scene.model.face() {
        Some(coupled) => scene.face_height > FACE_RISEN * coupled && scene.face_height > 6.0 * scene.noise,
        None => scene.face_height > (12.0 * scene.noise).max(0.05 * scene.full_scale),
    }
}

/// The tyre lifted off rings in itself: its face stands high and its second trip is all there is.
fn tyre_alone(candidates: &[WallCandidate], scene: &Scene, family: f64, highest: f64) -> bool {
    if scene.face_height < 6.0 * scene.noise {
        return false;
    }
    if let Some(coupled) = scene.model.face()
        && scene.face_height > LOST * coupled * family
    {
        return true;
    }
    let twice = 2.0 * scene.face_ns;
    scene.face_height > RING * highest
        && candidates.iter().filter(|c| c.level >= FIRM_ALONE * family).all(|c| c.time_ns > twice - 700.0 && c.time_ns < twice + 150.0)
}

/// Noise in front of the first certain wall, where there is room to tell.
fn grain_level(candidates: &[WallCandidate], scene: &Scene, trace: &mut Trace, family: f64, sample_of: &impl Fn(f64) -> f64) -> f64 {
    let Some(certain) = candidates.iter().find(|c| c.level >= FIRM * family) else { return scene.noise };
    let (from, to) = (scene.face_ns + 400.0, certain.time_ns - 300.0);
    if to - from < 1000.0 {
        return scene.noise;
    }
    trace.local_noise(sample_of(from), sample_of(to))
}
