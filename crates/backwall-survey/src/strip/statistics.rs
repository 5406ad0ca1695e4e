//! Statistics of thickness readings: of a whole run or line, of each course, of intervals of a chosen length. Screen,
//! exports, report and assessment take these numbers from here and from nowhere else.
//!
//! Every reading counts once. Where the crawler stood or crept, readings crowd and weigh more in mean, deviation and
//! percentiles; minimum, gap and coverage are not moved by that. Nothing is interpolated, and a reading without an echo
//! is counted but has no thickness.

use super::Level;
use super::histogram::Histogram;
use crate::job::plan::Track;
use crate::travel::Path;
use backwall_ultrasound::Quality;
use backwall_units::Length;
use serde::Serialize;
use std::collections::BTreeMap;

/// A reading, as far as statistics are concerned. `crate::reading::Reading` turns into one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    pub along: Option<Length>,
    /// Beside the line.
    pub across: Length,
    pub course: Option<u16>,
    pub thickness: Option<Length>,
    /// No neighbour agrees with it: counted as read, and neither minimum nor maximum.
    pub alone: bool,
    pub quality: Quality,
    pub level: Level,
}

/// Where a thickness was read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ReadAt {
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
    #[serde(rename = "position_mm")]
    pub along: Option<Length>,
    /// Which sample it was, counted from 0 in the order they were pushed; the row of a run that was pushed alone.
    pub row: u64,
}

/// Percentiles of the thicknesses: linear between the two nearest order statistics, at rank 1 + p(n − 1) (Hyndman and
/// Fan 1996, type 7; what numpy and spreadsheets' PERCENTILE.INC give).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Percentiles {
    #[serde(rename = "p1_mm")]
    pub p1: Length,
    #[serde(rename = "p5_mm")]
    pub p5: Length,
    #[serde(rename = "p25_mm")]
    pub p25: Length,
    #[serde(rename = "p50_mm")]
    pub p50: Length,
    #[serde(rename = "p75_mm")]
    pub p75: Length,
    #[serde(rename = "p95_mm")]
    pub p95: Length,
}

/// A stretch with no thickness between two places with one, or between such a place and an end of the stretch looked at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Gap {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
}

impl Gap {
    pub fn length(&self) -> Length {
        self.to - self.from
    }
}

/// How much of a stretch has readings close enough to each other.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coverage {
    /// The stretch that was to be covered: what was planned, or what was driven where nothing was planned.
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    /// The longest gap in it; a whole stretch without thickness is one gap.
    pub largest_gap: Gap,
    /// Gaps longer than the procedure allows. `None` without a limit.
    pub gaps_over: Option<u64>,
    /// 1 less the summed length of those gaps over the length of the stretch. `None` without a limit.
    pub share: Option<f64>,
    /// Tracks of the plan that have no thickness here.
    #[serde(skip)]
    pub tracks_left: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Statistics {
    pub readings: u64,
    /// Readings with a thickness.
    pub read: u64,
    /// Readings without an echo, and their share of all readings (0 to 1; `None` without readings).
    pub no_echo: u64,
    pub no_echo_share: Option<f64>,
    /// Readings with a thickness of quality "poor".
    pub poor: u64,
    pub watch: u64,
    pub thin: u64,
    /// Readings that have no place, or an impossible one.
    pub unplaced: u64,
    /// Readings with a thickness that no neighbour agrees with: they are in the mean and the percentiles only.
    pub alone: u64,
    /// The least thickness of all others; of equal ones the first.
    pub least: Option<ReadAt>,
    pub greatest: Option<ReadAt>,
    #[serde(rename = "mean_mm")]
    pub mean: Option<Length>,
    /// Sample standard deviation, with n − 1; `None` for fewer than two.
    #[serde(rename = "deviation_mm")]
    pub deviation: Option<Length>,
    pub percentiles: Option<Percentiles>,
    /// `None` where no reading has a place and nothing was planned.
    pub coverage: Option<Coverage>,
}

/// What the readings are measured against.
#[derive(Debug, Clone, Copy, Default)]
pub struct Scope<'a> {
    /// Where the plan has tracks beside the line: each is to be covered by itself.
    pub tracks: &'a [Track],
    /// The planned path; without it, what was driven counts as planned.
    pub path: Option<&'a Path>,
    /// The procedure's longest allowed distance between neighbouring readings with an echo.
    pub max_gap: Option<Length>,
}

/// Statistics of one course.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OfCourse {
    /// `None` for readings of which the course is not known.
    pub course: Option<u16>,
    pub statistics: Statistics,
}

/// Statistics of one interval; its upper edge belongs to the next one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OfInterval {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    pub statistics: Statistics,
}

#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum IntervalError {
    #[error("an interval of {0} is not possible: give a length greater than 0")]
    Length(Length),
    #[error("an interval of {length} over {span} makes more than {most} intervals: choose a longer one", most = MOST_INTERVALS)]
    TooMany { length: Length, span: Length },
}

/// More rows than this nobody reads, and a screen cannot hold them.
pub const MOST_INTERVALS: usize = 10_000;
/// A place further out than this is an encoder gone mad (as in the strip).
const FURTHEST: Length = Length::mm(500_000.0);

/// One sample, kept small: a long run has millions.
#[derive(Debug, Clone, Copy)]
struct Kept {
    along_mm: f64,
    across_mm: f64,
    thickness_mm: f64,
    row: u32,
    course: Option<u16>,
    poor: bool,
    alone: bool,
    level: Level,
}

impl Kept {
    fn along(&self) -> Option<Length> {
        self.along_mm.is_finite().then_some(Length::mm(self.along_mm))
    }
    fn thickness(&self) -> Option<Length> {
        self.thickness_mm.is_finite().then_some(Length::mm(self.thickness_mm))
    }
    fn is_on(&self, track: &Track, scope: &Scope<'_>) -> bool {
        track.has(Length::mm(self.across_mm), scope.tracks)
    }
}

/// Its edges, and what lies in it.
type Interval<'a> = (Length, Length, Vec<&'a Kept>);

/// Readings collected for statistics: push them all, then ask as often as wanted.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    kept: Vec<Kept>,
}

impl Tally {
    pub fn new() -> Self {
        Self::default()
    }

    pub fn push(&mut self, sample: impl Into<Sample>) {
        let sample = sample.into();
        let number = |value: Option<Length>| value.filter(|value| value.is_finite()).map_or(f64::NAN, Length::as_mm);
        self.kept.push(Kept {
            along_mm: number(sample.along.filter(|along| along.abs() <= FURTHEST)),
            across_mm: sample.across.as_mm(),
            thickness_mm: number(sample.thickness),
            row: u32::try_from(self.kept.len()).unwrap_or(u32::MAX),
            course: sample.course,
            poor: sample.quality == Quality::Poor,
            alone: sample.alone,
            level: sample.level,
        });
    }

    pub fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// Everything pushed, as one.
    pub fn whole(&self, scope: &Scope<'_>) -> Statistics {
        let kept: Vec<&Kept> = self.kept.iter().collect();
        of(&kept, self.span(scope), scope)
    }

    /// The gaps longer than the procedure allows, in rising order; those that [`Coverage`] counts: where there are tracks, those of each.
    pub fn gaps_over(&self, scope: &Scope<'_>) -> Vec<Gap> {
        let (Some(span), Some(most)) = (self.span(scope), scope.max_gap) else { return Vec::new() };
        let all: Vec<&Kept> = self.kept.iter().collect();
        let of_track = |track| all.iter().copied().filter(|kept| kept.is_on(track, scope)).collect::<Vec<_>>();
        let mut found = match scope.tracks {
            [] => gaps(&all, span),
            tracks => tracks.iter().flat_map(|track| gaps(&of_track(track), span)).collect(),
        };
        found.retain(|gap| gap.length() > most);
        found.sort_by(|a, b| a.from.total_cmp(&b.from).then(a.to.total_cmp(&b.to)));
        found
    }

    /// Course by course in rising number; readings of no known course last. A course the path crosses but nobody drove
    /// is there too, with no readings.
    pub fn by_course(&self, scope: &Scope<'_>) -> Vec<OfCourse> {
        let mut groups: BTreeMap<(bool, u16), Vec<&Kept>> = BTreeMap::new();
        for (course, ..) in self.courses(scope) {
            groups.insert((false, course), Vec::new());
        }
        for kept in &self.kept {
            groups.entry((kept.course.is_none(), kept.course.unwrap_or_default())).or_default().push(kept);
        }
        let edges = self.courses(scope);
        groups
            .into_iter()
            .map(|((unknown, number), kept)| {
                let course = (!unknown).then_some(number);
                let planned = edges.iter().find(|edge| Some(edge.0) == course).map(|edge| (edge.1, edge.2));
                OfCourse { course, statistics: of(&kept, planned.or_else(|| driven(&kept)), scope) }
            })
            .collect()
    }

    /// Interval by interval, upward from the low end of the span; the last one may be shorter. Readings without a place
    /// are in none of them. Intervals nobody drove are there, with no readings.
    pub fn by_interval(&self, length: Length, scope: &Scope<'_>) -> Result<Vec<OfInterval>, IntervalError> {
        let intervals = self.intervals(length, scope)?.into_iter();
        Ok(intervals.map(|(from, to, kept)| OfInterval { from, to, statistics: of(&kept, Some((from, to)), scope) }).collect())
    }

    /// The histogram of each of these intervals.
    pub fn histograms_by_interval(&self, length: Length, scope: &Scope<'_>) -> Result<Vec<Option<Histogram>>, IntervalError> {
        let intervals = self.intervals(length, scope)?.into_iter();
        Ok(intervals.map(|(_, _, kept)| Histogram::of(kept.iter().filter_map(|kept| kept.thickness()), None)).collect())
    }

    fn intervals(&self, length: Length, scope: &Scope<'_>) -> Result<Vec<Interval<'_>>, IntervalError> {
        if !(length.is_finite() && length > Length::ZERO) {
            return Err(IntervalError::Length(length));
        }
        let all: Vec<&Kept> = self.kept.iter().collect();
        // What was driven beyond the plan is shown as well.
        let (low, high) = match (self.span(scope), driven(&all)) {
            (Some((a, b)), Some((c, d))) => (a.min(c), b.max(d)),
            (Some(span), None) | (None, Some(span)) => span,
            (None, None) => return Ok(Vec::new()),
        };
        let count = ((high - low) / length).ceil().max(1.0);
        if count > MOST_INTERVALS as f64 {
            return Err(IntervalError::TooMany { length, span: high - low });
        }
        let mut groups = vec![Vec::new(); count as usize];
        let last = groups.len() - 1;
        for kept in all {
            if let Some(along) = kept.along() {
                groups[(((along - low) / length).floor() as usize).min(last)].push(kept);
            }
        }
        let edge = |index: usize| (low + length * index as f64).min(high);
        Ok(groups.into_iter().enumerate().map(|(index, kept)| (edge(index), edge(index + 1), kept)).collect())
    }

    /// Thicknesses counted in steps of `step`; without one, a step from the series 1, 2, 5 is chosen that makes about
    /// twenty. `None` where nothing was read.
    pub fn histogram(&self, course: Option<u16>, step: Option<Length>) -> Option<Histogram> {
        let wanted = self.kept.iter().filter(|kept| course.is_none() || kept.course == course);
        Histogram::of(wanted.filter_map(Kept::thickness), step)
    }

    /// The stretch that was to be covered.
    fn span(&self, scope: &Scope<'_>) -> Option<(Length, Length)> {
        scope.path.map(Path::span).or_else(|| driven(&self.kept.iter().collect::<Vec<_>>()))
    }

    /// Courses the path crosses, with the part of each that lies in the span.
    fn courses(&self, scope: &Scope<'_>) -> Vec<(u16, Length, Length)> {
        let Some(path) = scope.path else { return Vec::new() };
        let (low, high) = path.span();
        if !path.direction.is_upright() {
            return path.across_course.map(|course| (course, low, high)).into_iter().collect();
        }
        let inside = path.courses.iter().map(|&(number, bottom, top)| (number, bottom.max(low), top.min(high)));
        inside.filter(|(_, bottom, top)| top > bottom).collect()
    }
}

/// From the least to the greatest place, echo or not.
fn driven(kept: &[&Kept]) -> Option<(Length, Length)> {
    kept.iter().filter_map(|kept| kept.along()).fold(None, |span, along| match span {
        None => Some((along, along)),
        Some((low, high)) => Some((low.min(along), high.max(along))),
    })
}

fn of(kept: &[&Kept], span: Option<(Length, Length)>, scope: &Scope<'_>) -> Statistics {
    let mut sorted: Vec<f64> = kept.iter().filter_map(|kept| kept.thickness()).map(Length::as_mm).collect();
    sorted.sort_by(f64::total_cmp);
    let count = |wanted: fn(&Kept) -> bool| kept.iter().filter(|kept| wanted(kept)).count() as u64;
    let found = |better: fn(f64, f64) -> bool| {
        let mut best: Option<&Kept> = None;
        for candidate in kept.iter().filter(|kept| kept.thickness_mm.is_finite() && !kept.alone) {
            if best.is_none_or(|best| better(candidate.thickness_mm, best.thickness_mm)) {
                best = Some(candidate);
            }
        }
        best.map(|kept| ReadAt { thickness: Length::mm(kept.thickness_mm), along: kept.along(), row: u64::from(kept.row) })
    };
    let readings = kept.len() as u64;
    let no_echo = readings - sorted.len() as u64;
    Statistics {
        readings,
        read: sorted.len() as u64,
        no_echo,
        no_echo_share: (readings > 0).then(|| no_echo as f64 / readings as f64),
        poor: count(|kept| kept.poor && kept.thickness_mm.is_finite()),
        watch: count(|kept| kept.level == Level::Watch),
        thin: count(|kept| kept.level == Level::Thin),
        unplaced: count(|kept| !kept.along_mm.is_finite()),
        alone: count(|kept| kept.alone && kept.thickness_mm.is_finite()),
        least: found(|a, b| a < b),
        greatest: found(|a, b| a > b),
        mean: mean(&sorted).map(Length::mm),
        deviation: deviation(&sorted).map(Length::mm),
        percentiles: percentiles(&sorted),
        coverage: span.map(|span| coverage(kept, span, scope)),
    }
}

/// The arithmetic mean.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| {
        let rough = values.iter().sum::<f64>() / values.len() as f64;
        // The second pass takes back what rounding of a long sum lost.
        rough + values.iter().map(|value| value - rough).sum::<f64>() / values.len() as f64
    })
}

/// The sample standard deviation, with n − 1 degrees of freedom.
pub fn deviation(values: &[f64]) -> Option<f64> {
    let mean = mean(values).filter(|_| values.len() > 1)?;
    let squares: f64 = values.iter().map(|value| (value - mean) * (value - mean)).sum();
    Some((squares / (values.len() - 1) as f64).sqrt())
}

/// The value under which a part of rising values lies; see [`Percentiles`] for the definition.
pub fn quantile(sorted: &[f64], part: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let rank = part.clamp(0.0, 1.0) * last as f64;
    let below = rank.floor() as usize;
    let (low, high) = (sorted[below], sorted[(below + 1).min(last)]);
    Some(low + (high - low) * (rank - below as f64))
}

fn percentiles(sorted: &[f64]) -> Option<Percentiles> {
    let at = |part| quantile(sorted, part).map(Length::mm);
    Some(Percentiles { p1: at(0.01)?, p5: at(0.05)?, p25: at(0.25)?, p50: at(0.50)?, p75: at(0.75)?, p95: at(0.95)? })
}

/// Every stretch between neighbouring places with a thickness, and to the two ends, in rising order.
fn gaps(kept: &[&Kept], (from, to): (Length, Length)) -> Vec<Gap> {
    let read = kept.iter().filter(|kept| kept.thickness_mm.is_finite()).filter_map(|kept| kept.along());
    let mut places: Vec<Length> = read.filter(|along| *along >= from && *along <= to).collect();
    places.sort_by(Length::total_cmp);
    let starts = std::iter::once(from).chain(places.iter().copied());
    starts.zip(places.iter().copied().chain([to])).map(|(from, to)| Gap { from, to }).collect()
}

/// Over all tracks: each is as long as the line, and what is read on one is not read on another.
fn coverage(kept: &[&Kept], span: (Length, Length), scope: &Scope<'_>) -> Coverage {
    let each = scope.tracks.iter().map(|track| {
        let on_it: Vec<&Kept> = kept.iter().copied().filter(|kept| kept.is_on(track, scope)).collect();
        let found = covered(&on_it, span, scope.max_gap);
        Coverage { tracks_left: usize::from(!on_it.iter().any(|kept| kept.thickness_mm.is_finite())), ..found }
    });
    let part = 1.0 / scope.tracks.len() as f64;
    let together = each.reduce(|all, one| Coverage {
        largest_gap: if one.largest_gap.length() > all.largest_gap.length() { one.largest_gap } else { all.largest_gap },
        gaps_over: all.gaps_over.zip(one.gaps_over).map(|(all, one)| all + one),
        share: all.share.zip(one.share).map(|(all, one)| all + one),
        tracks_left: all.tracks_left + one.tracks_left,
        ..all
    });
    match together {
        None => covered(kept, span, scope.max_gap),
        Some(all) => Coverage { share: all.share.map(|sum| sum * part), ..all },
    }
}

fn covered(kept: &[&Kept], (from, to): (Length, Length), max_gap: Option<Length>) -> Coverage {
    let mut largest = Gap { from, to: from };
    let (mut over, mut uncovered) = (0, Length::ZERO);
    for gap in gaps(kept, (from, to)) {
        if gap.length() > largest.length() {
            largest = gap;
        }
        if max_gap.is_some_and(|most| gap.length() > most) {
            over += 1;
            uncovered = uncovered + gap.length();
        }
    }
    let length = to - from;
    let share = max_gap.filter(|_| length > Length::ZERO).map(|_| (1.0 - uncovered / length).clamp(0.0, 1.0));
    Coverage { from, to, largest_gap: largest, gaps_over: max_gap.map(|_| over), share, tracks_left: 0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::travel::Direction;

    fn sample(along: f64, thickness: Option<f64>) -> Sample {
        Sample {
            along: Some(Length::mm(along)),
            across: Length::ZERO,
            course: Some(if along < 50.0 { 1 } else { 2 }),
            thickness: thickness.map(Length::mm),
            alone: false,
            quality: if thickness.is_some() { Quality::Good } else { Quality::None },
            level: thickness.map_or(Level::NoEcho, |thickness| if thickness < 6.0 { Level::Thin } else { Level::Clear }),
        }
    }
    fn tally(samples: &[(f64, Option<f64>)]) -> Tally {
        let mut tally = Tally::new();
        samples.iter().for_each(|&(along, thickness)| tally.push(sample(along, thickness)));
        tally
    }
    fn path(length: f64) -> Path {
        Path {
            counts_per_mm: 1.0,
            start: Length::ZERO,
            offset: Length::ZERO,
            length: Length::mm(length),
            direction: Direction::Up,
            courses: vec![
                (1, Length::ZERO, Length::mm(50.0)),
                (2, Length::mm(50.0), Length::mm(120.0)),
                (3, Length::mm(120.0), Length::mm(200.0)),
            ],
            across_course: None,
            max_speed: None,
            across_counts_per_mm: None,
            across_jump: None,
            across_start: Length::ZERO,
            track: Length::ZERO,
        }
    }
    fn close(got: Option<Length>, want: f64) {
        let got = got.unwrap().as_mm();
        assert!((got - want).abs() < 1e-9, "got {got}, want {want}");
    }

    // numpy 2.4: np.percentile(x, [1, 5, 25, 50, 75, 95]) (default "linear", Hyndman and Fan 1996 type 7), x.mean(),
    // x.std(ddof=1). The fifteen walls are those of the thickness-variation example in tests/integrity.rs.
    #[test]
    fn mean_deviation_and_percentiles_agree_with_numpy() {
        let walls = [10.2, 9.1, 7.4, 10.3, 10.0, 8.8, 10.4, 6.9, 9.9, 10.2, 8.0, 9.7, 10.3, 7.8, 10.0];
        let samples: Vec<_> = walls.iter().enumerate().map(|(index, wall)| (index as f64, Some(*wall))).collect();
        let all = tally(&samples).whole(&Scope::default());
        close(all.mean, 9.266666666666667);
        close(all.deviation, 1.192636135785325);
        let p = all.percentiles.unwrap();
        for (got, want) in [(p.p1, 6.97), (p.p5, 7.25), (p.p25, 8.4), (p.p50, 9.9), (p.p75, 10.2), (p.p95, 10.33)] {
            close(Some(got), want);
        }
        assert_eq!((all.least.unwrap().row, all.greatest.unwrap().row), (7, 6));
    }

    #[test]
    fn a_run_without_any_echo_has_counts_and_one_gap_and_no_thickness() {
        let all = tally(&[(0.0, None), (100.0, None)]).whole(&Scope { max_gap: Some(Length::mm(10.0)), ..Scope::default() });
        assert_eq!((all.readings, all.no_echo, all.no_echo_share), (2, 2, Some(1.0)));
        assert_eq!((all.least, all.mean, all.percentiles), (None, None, None));
        let coverage = all.coverage.unwrap();
        assert_eq!((coverage.share, coverage.largest_gap.length()), (Some(0.0), Length::mm(100.0)));
    }

    #[test]
    fn a_line_with_two_tracks_is_covered_where_both_are() {
        let tracks = [-25.0, 25.0].map(|mm| Track { channel: mm.to_string(), offset: Length::mm(mm) });
        let mut tally = Tally::new();
        let mut drive = |across: f64, to: i32| {
            (0..=to).for_each(|at| tally.push(Sample { across: Length::mm(across), ..sample(f64::from(at), Some(9.0)) }));
            tally.clone()
        };
        let line = path(100.0);
        let scope = Scope { path: Some(&line), max_gap: Some(Length::mm(10.0)), tracks: &tracks };
        let share = |tally: &Tally| tally.whole(&scope).coverage.map(|found| (found.share.unwrap(), found.tracks_left)).unwrap();
        // One track whole, the other not: half of what was to be driven.
        assert_eq!(share(&drive(-25.0, 100)), (0.5, 1));
        // Along the line itself no probe of a track has been.
        assert_eq!(share(&drive(0.0, 100)), (0.5, 1));
        // The other up to 60 of 100 mm: 160 of 200 mm.
        let both = drive(25.0, 60);
        assert!((share(&both).0 - 0.8).abs() < 1e-9 && share(&both).1 == 0);
        let left = Gap { from: Length::mm(60.0), to: Length::mm(100.0) };
        assert_eq!(both.whole(&scope).coverage.unwrap().largest_gap, left);
        // What one track has hides nothing of the other, in the list as in the count.
        assert_eq!((both.gaps_over(&scope), both.whole(&scope).coverage.unwrap().gaps_over), (vec![left], Some(1)));
    }

    #[test]
    fn coverage_counts_gaps_over_the_limit_and_the_ends_nobody_drove() {
        // Read at 0, 5 … 60 with 30 missing; planned to 100: one gap of 10 is allowed, the end of 40 is not.
        let samples: Vec<_> = (0..=12).map(|i| (f64::from(i) * 5.0, (i != 6).then_some(9.0))).collect();
        let line = path(100.0);
        let coverage =
            tally(&samples).whole(&Scope { path: Some(&line), max_gap: Some(Length::mm(10.0)), ..Scope::default() }).coverage.unwrap();
        assert_eq!((coverage.gaps_over, coverage.largest_gap), (Some(1), Gap { from: Length::mm(60.0), to: Length::mm(100.0) }));
        close(coverage.share.map(Length::mm), 0.6);
        assert_eq!(tally(&samples).whole(&Scope { path: Some(&line), max_gap: None, ..Scope::default() }).coverage.unwrap().share, None);
    }

    #[test]
    fn courses_and_intervals_split_the_same_readings() {
        let samples: Vec<_> = (0..100).map(|i| (f64::from(i), (i % 10 != 0).then_some(5.0 + f64::from(i) / 20.0))).collect();
        let line = path(200.0);
        let (tally, scope) = (tally(&samples), Scope { path: Some(&line), max_gap: Some(Length::mm(5.0)), ..Scope::default() });
        let courses = tally.by_course(&scope);
        let seen: Vec<_> = courses.iter().map(|part| (part.course, part.statistics.readings, part.statistics.thin)).collect();
        assert_eq!(seen, [(Some(1), 50, 18), (Some(2), 50, 0), (Some(3), 0, 0)]);
        assert_eq!(courses[2].statistics.coverage.unwrap().share, Some(0.0));
        let intervals = tally.by_interval(Length::mm(30.0), &scope).unwrap();
        let seen: Vec<_> = intervals.iter().map(|part| (part.from.as_mm(), part.to.as_mm(), part.statistics.readings)).collect();
        assert_eq!(seen[..4], [(0.0, 30.0, 30), (30.0, 60.0, 30), (60.0, 90.0, 30), (90.0, 120.0, 10)]);
        assert_eq!(seen.last(), Some(&(180.0, 200.0, 0)));
        assert!(tally.by_interval(Length::ZERO, &scope).is_err());
        assert!(tally.by_interval(Length::mm(0.001), &scope).is_err());
    }

    #[test]
    fn places_and_thicknesses_that_cannot_be_are_no_numbers() {
        let mut tally = tally(&[(1.0, Some(9.0))]);
        tally.push(Sample { along: Some(Length::mm(1e12)), ..sample(0.0, Some(f64::NAN)) });
        tally.push(Sample { along: None, ..sample(0.0, Some(8.0)) });
        let all = tally.whole(&Scope::default());
        assert_eq!((all.readings, all.read, all.unplaced), (3, 2, 2));
        assert_eq!(all.least, Some(ReadAt { thickness: Length::mm(8.0), along: None, row: 2 }));
        assert_eq!(Tally::new().whole(&Scope::default()).coverage, None);
    }
}
