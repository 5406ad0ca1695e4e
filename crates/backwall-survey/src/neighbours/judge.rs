//! What a stretch between two walls is: judged once the wall is back.

use super::narrow::{DIM, NARROW};
use super::stretch::{Evidence, Kind, Least, Stretch};
use super::{AT_WALL, INSIDE, INSIDE_LEVEL, Judgement, Neighbour, WALL_UNDIMMED, middle};
use backwall_ultrasound::{Flag, Flags};
use backwall_units::Length;

/// A lamination returns at least this much of a whole beam, with the wall it leaves uncovered; pits returned a third at most.
const RETURNS: f64 = 0.4;
/// In so many of the shots.
const RETURNS_IN: f64 = 0.6;
/// Wall and reflector in one shot count from this much of a whole beam each, and together from this.
const BOTH_EACH: f64 = 0.1;
const BOTH_TOGETHER: f64 = 0.45;
/// Over a reflector's edge nearly a whole beam comes back all the way; a slope or a pit's flank is dark for longer than this, and
/// for more shots than this.
const DARK: f64 = 0.3;
const DARK_WAY: Length = Length::mm(2.5);
const DARK_SHOTS: usize = 2;
/// More than a whole beam cannot come back: grain near the surface stands before a wall that is all there.
const GRAIN: f64 = 1.2;
const GRAIN_WALL: f64 = 0.6;
/// A flat or inclined reflector keeps to a straight line within this.
const FLAT: Length = Length::mm(0.15);
const LEAST_SHOTS: u32 = 3;
/// The widest bottom of a pit from which a good part of a beam comes back.
const FLOOR: Length = Length::mm(8.0);
/// A pit is no longer than this.
const PIT: Length = Length::mm(25.0);
/// Inside a lamination less of the wall stands than this, but at half its depth, where its own second echo takes the place, or at a third,
/// where its own third does and the second stands between.
const WALL_LEFT: f64 = 0.8;
const HALF: Length = Length::mm(0.4);

/// What lies on both sides of a stretch.
pub struct BothSides {
    pub before: Length,
    pub behind: Option<Length>,
    pub beam: f64,
}

/// One shot of a stretch.
struct Inside {
    along: Length,
    /// What stands before the wall.
    depth: Option<Length>,
    /// Of a whole beam: that, and the wall's echo.
    inner: f64,
    wall: f64,
    /// Whether what stands at the wall is a repeat of what stands before it.
    is_train: bool,
}

pub fn judge(shots: &[Neighbour], beside: BothSides, said: &mut Vec<Judgement>) {
    let (Some(first), Some(last)) = (shots.first(), shots.last()) else { return };
    let length = (last.along - first.along).abs();
    let wall_at = |along: Length| match beside.behind {
        Some(behind) if length > Length::ZERO => beside.before + (behind - beside.before) * ((along - first.along).abs() / length),
        _ => beside.before,
    };
    let seen: Vec<Inside> = shots.iter().map(|shot| look(shot, wall_at(shot.along), beside.beam)).collect();
    // Where something stands before the wall.
    let Some(from) = seen.iter().position(|shot| shot.depth.is_some()) else {
        dark(shots, &seen, &beside, said);
        return;
    };
    let to = seen.iter().rposition(|shot| shot.depth.is_some()).unwrap_or(from);
    let inside = &seen[from..=to];
    let depths: Vec<(Length, Length)> = inside.iter().filter_map(|shot| Some((shot.along, shot.depth?))).collect();
    let both = seen.iter().filter(|s| s.inner >= BOTH_EACH && s.wall >= BOTH_EACH && s.inner + s.wall >= BOTH_TOGETHER).count() as u32;
    let bright = inside.iter().filter(|s| s.inner + s.wall >= RETURNS).count() as f64 / inside.len() as f64;
    let middle = |values: Vec<f64>| middle(values.into_iter(), f64::total_cmp).unwrap_or(0.0);
    let returned = middle(inside.iter().map(|s| s.inner + s.wall).collect());
    let wall_left = middle(inside.iter().map(|s| s.wall).collect());
    let depth = Length::mm(middle(depths.iter().map(|(_, depth)| depth.as_mm()).collect()));
    let dark_way = longest(&seen, is_dark);
    let evidence = Evidence {
        both,
        inside: depths.len() as u32,
        shots: shots.len() as u32,
        returned,
        rough: rough(&depths),
        dark: dark_way.0,
        wall_before: beside.before,
        wall_behind: beside.behind,
    };
    let extent = (inside[inside.len() - 1].along - inside[0].along).abs();
    let wall = wall_at(inside[inside.len() / 2].along);
    let times = (wall / depth).round();
    let trains = inside.iter().filter(|shot| shot.is_train).count() * 2 > inside.len();
    // At half its depth, or at a third and less where all repeats between show it, a reflector's own repeat stands for the wall.
    let at_part = times >= 2.0 && (depth * times - wall).abs() <= HALF && (times == 2.0 || trains);
    // There a reflector's own repeat fills the wall up, but a small one's is as small as the first.
    let little = at_part && middle(inside.iter().map(|s| s.inner).collect()) < DIM;
    if evidence.inside >= LEAST_SHOTS && extent < NARROW * if little { 2.0 } else { 1.0 } && wall_left >= WALL_UNDIMMED {
        return;
    }
    if !at_part && returned > GRAIN && wall_left >= GRAIN_WALL {
        return;
    }
    let sharp = dark_way.0 <= DARK_WAY || dark_way.1 <= DARK_SHOTS;
    let lamination = evidence.inside >= LEAST_SHOTS
        && bright >= RETURNS_IN
        && sharp
        && evidence.rough <= FLAT
        && beside.behind.is_some()
        && (wall_left <= WALL_LEFT || at_part);
    // A thinned wall shows a floor; pits, one or many, show bottoms no wider than themselves.
    let floor = longest(&seen, |shot| shot.inner + shot.wall >= RETURNS).0;
    let kind = if lamination {
        Kind::Lamination
    } else if (extent <= PIT && returned < RETURNS) || (!sharp && floor <= FLOOR) {
        Kind::Pit
    } else if extent > PIT && !sharp {
        Kind::Thinning
    } else {
        Kind::Unproven
    };
    let part = if kind == Kind::Lamination { &shots[from..=to] } else { shots };
    say(kind, part, Some(depth), evidence, said);
}

fn say(kind: Kind, shots: &[Neighbour], depth: Option<Length>, evidence: Evidence, said: &mut Vec<Judgement>) {
    let (Some(first), Some(last)) = (shots.first(), shots.last()) else { return };
    let flag = if kind == Kind::Lamination { Flag::InnerReflector } else { Flag::Uneven };
    let least = shots
        .iter()
        .filter_map(|shot| {
            Some(Least { thickness: shot.thickness?, along: shot.along, seq: shot.seq, course: shot.course, level: shot.level })
        })
        .min_by(|a, b| a.thickness.total_cmp(&b.thickness));
    let edges = (first.along.min(last.along), first.along.max(last.along));
    let stretch = Stretch { kind, edges, depth, readings: shots.len() as u32, least, evidence };
    said.push(Judgement { rows: (first.row, last.row), flags: Flags::of(flag), stretch: Some(stretch) });
}

/// The longest way along which something holds, and the most shots of it.
fn longest(seen: &[Inside], holds: impl Fn(&Inside) -> bool) -> (Length, usize) {
    let mut longest = (Length::ZERO, 0);
    for run in seen.chunk_by(|a, b| holds(a) == holds(b)).filter(|run| run.first().is_some_and(&holds)) {
        let way = (run[run.len() - 1].along - run[0].along).abs();
        longest = (longest.0.max(way), longest.1.max(run.len()));
    }
    longest
}

fn is_dark(shot: &Inside) -> bool {
    shot.inner + shot.wall < DARK
}

/// A stretch that shows nothing before the wall: narrow and dark it may be a pit's flank.
fn dark(shots: &[Neighbour], seen: &[Inside], beside: &BothSides, said: &mut Vec<Judgement>) {
    let coupled: Vec<Neighbour> = shots.iter().filter(|shot| !shot.flags.has(Flag::NoCoupling)).copied().collect();
    let returned = seen.iter().map(|s| s.wall).sum::<f64>() / seen.len().max(1) as f64;
    let evidence =
        Evidence { shots: shots.len() as u32, returned, wall_before: beside.before, wall_behind: beside.behind, ..Evidence::default() };
    if coupled.len() * 2 > shots.len() {
        let depths: Vec<Length> = shots.iter().filter_map(|shot| shot.thickness).collect();
        say(Kind::Unproven, shots, depths.into_iter().reduce(Length::min), evidence, said);
    }
}

fn look(shot: &Neighbour, wall: Length, beam: f64) -> Inside {
    let echoes: Vec<_> = shot.sight.echoes().filter(|echo| echo.level >= INSIDE_LEVEL * beam * 0.8).collect();
    let inner: Vec<_> = echoes.iter().filter(|echo| echo.depth < wall - INSIDE).collect();
    let level = inner.iter().map(|echo| echo.level).fold(0.0, f64::max) / beam;
    let standing = shot.sight.near(wall, AT_WALL).map_or(0.0, |echo| echo.level / beam);
    let depth = (level >= INSIDE_LEVEL).then(|| comb(&echoes.iter().map(|echo| echo.depth).collect::<Vec<_>>())).flatten();
    let is_train = inner.first().is_some_and(|first| shot.is_repeat(**first, wall));
    Inside { along: shot.along, depth, inner: level, wall: standing, is_train }
}

/// The reflector whose repeats a train of echoes is: the first of them, or what divides all where the first is lost.
fn comb(depths: &[Length]) -> Option<Length> {
    let first = *depths.first()?;
    if depths.len() < 3 {
        return Some(first);
    }
    let mut gaps: Vec<f64> = depths.windows(2).map(|pair| (pair[1] - pair[0]).as_mm()).collect();
    gaps.sort_by(f64::total_cmp);
    let gap = gaps[gaps.len() / 2];
    let regular = gaps.iter().filter(|other| (*other / gap - 1.0).abs() < 0.08).count() >= 2;
    let times = first.as_mm() / gap;
    let missing = regular && times.round() >= 2.0 && (times - times.round()).abs() < 0.15;
    Some(if missing { Length::mm(gap) } else { first })
}

/// The middle distance of depths from the straight line through most of them.
fn rough(depths: &[(Length, Length)]) -> Length {
    if depths.len() < 3 {
        return Length::ZERO;
    }
    let x: Vec<f64> = depths.iter().map(|(along, _)| along.as_mm()).collect();
    let y: Vec<f64> = depths.iter().map(|(_, depth)| depth.as_mm()).collect();
    // Slope by the middle of the slopes between points half the stretch apart (Theil's estimator, textbook, shortened).
    let half = depths.len() / 2;
    let mut slopes: Vec<f64> =
        (0..depths.len() - half).map(|i| (y[i + half] - y[i]) / (x[i + half] - x[i])).filter(|s| s.is_finite()).collect();
    slopes.sort_by(f64::total_cmp);
    let slope = slopes.get(slopes.len() / 2).copied().unwrap_or(0.0);
    let mut rest: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - slope * x).collect();
    rest.sort_by(f64::total_cmp);
    let centre = rest[rest.len() / 2];
    let mut away: Vec<f64> = rest.iter().map(|r| (r - centre).abs()).collect();
    away.sort_by(f64::total_cmp);
    Length::mm(away[away.len() / 2])
}
