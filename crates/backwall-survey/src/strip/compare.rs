//! Two surveys of one line, an earlier and the present one: whether they may be compared, how their positions lie to
//! each other, and where the wall has changed by more than both uncertainties together explain.
//!
//! A change no larger than `U = 2·√(u₁² + u₂²)` is no change (JCGM 100:2008, equation 10, for the difference of two
//! independent results; k = 2). Errors both surveys share (the same block, the same velocity) cancel in the difference
//! and make this U too large; a velocity typed differently does not, so set-ups are compared first.
//!
//! Most of u is common to all readings of a run: it moves all bins together or none. What differs from bin to bin by chance is the
//! scatter alone, and only that makes single bins of an unchanged wall look changed.

pub mod align;
pub mod facts;
pub mod points;

pub use align::{Alignment, Verdict, align};
pub use facts::SetupFacts;
pub use points::{AtPoint, at_points, is_sparse};

use super::statistics::{mean, quantile};
use crate::travel::Direction;
use backwall_units::{Length, LengthUnit};
use chrono::NaiveDate;
use serde::Serialize;
use std::collections::BTreeMap;

/// One thickness at one place of the line, in the coordinate of the line: from the datum, whatever way it was driven.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub along: Length,
    pub thickness: Length,
    /// Standard uncertainty (k = 1), where it is known.
    pub uncertainty: Option<Length>,
}

/// What a survey says of one line.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveyLine {
    pub line: String,
    /// What the survey is called in messages: a file, a run.
    pub source: String,
    /// `None` where the survey does not tell.
    pub datum: Option<String>,
    pub direction: Option<Direction>,
    pub date: Option<NaiveDate>,
    pub setup: SetupFacts,
    pub points: Vec<Point>,
    /// Readings that had no echo or no place.
    pub without: u64,
}

/// The place on the line of a position counted from where a line starts, in its direction.
pub fn along(position: Length, start: Length, direction: Direction) -> Length {
    match direction {
        Direction::Down => start - position,
        Direction::Up | Direction::Across => start + position,
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CompareSettings {
    /// Readings are compared in stretches of this length.
    pub bin: Length,
    /// Profiles are laid over each other in steps of this length.
    pub step: Length,
    /// An offset is looked for up to this far each way.
    pub search: Length,
    /// Of lengths in words.
    pub unit: LengthUnit,
}

impl Default for CompareSettings {
    fn default() -> Self {
        Self { bin: Length::mm(10.0), step: Length::mm(2.0), search: Length::mm(1000.0), unit: LengthUnit::Mm }
    }
}

/// Whether a difference is one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// No larger than the combined U.
    None,
    Thinner,
    Thicker,
    /// One of the two does not tell its uncertainty.
    Unjudged,
}

impl Change {
    pub const fn word(self) -> &'static str {
        match self {
            Self::None => "no change",
            Self::Thinner => "thinner",
            Self::Thicker => "thicker",
            Self::Unjudged => "not judged: an uncertainty is not known",
        }
    }

    /// The judgement of a difference, present less earlier, by the expanded uncertainty of the difference.
    pub fn judge(difference: Length, expanded: Option<Length>) -> Self {
        match expanded {
            None => Self::Unjudged,
            Some(expanded) if difference.abs() <= expanded => Self::None,
            Some(_) if difference < Length::ZERO => Self::Thinner,
            Some(_) => Self::Thicker,
        }
    }
}

/// The standard uncertainty of the difference of two results with correlation `shared`: u² = u₁² + u₂² − 2 r u₁ u₂ (JCGM 100:2008, 5.2.2).
pub fn of_difference(now: Length, earlier: Length, shared: f64) -> Length {
    let (a, b) = (now.as_mm(), earlier.as_mm());
    Length::mm(libm::sqrt((a * a + b * b - 2.0 * shared * a * b).max(0.0)))
}

/// The expanded uncertainty (k = 2) of the difference of two results; what they share is not known and not taken off.
pub fn combined(now: Length, earlier: Length) -> Length {
    of_difference(now, earlier, 0.0) * 2.0
}

/// The chance that a difference of nothing looks like a change: `expanded` is the U it is judged by, `random` the standard deviation by which
/// it scatters from bin to bin. What is common to all bins is no part of that.
pub fn by_chance(expanded: Length, random: Length) -> f64 {
    if random > Length::ZERO { libm::erfc(expanded / random / std::f64::consts::SQRT_2) } else { 0.0 }
}

/// One quantity in both surveys.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Difference {
    #[serde(rename = "now_mm")]
    pub now: Length,
    #[serde(rename = "earlier_mm")]
    pub earlier: Length,
    /// Present less earlier: negative where the wall has become thinner.
    #[serde(rename = "difference_mm")]
    pub difference: Length,
    /// Expanded uncertainty (k = 2) of the difference.
    #[serde(rename = "expanded_mm")]
    pub expanded: Option<Length>,
    /// The part of it (k = 1) that scatters from bin to bin; the rest is common to the run and moves all bins together.
    #[serde(rename = "random_mm")]
    pub random: Length,
    pub change: Change,
}

/// A value of one survey with its standard uncertainty, and the part of that which scatters.
#[derive(Clone, Copy)]
struct KnownValue {
    value: Length,
    uncertainty: Option<Length>,
    random: Length,
}

impl Difference {
    fn new(now: KnownValue, earlier: KnownValue) -> Self {
        let difference = now.value - earlier.value;
        let expanded = now.uncertainty.zip(earlier.uncertainty).map(|(now, earlier)| combined(now, earlier));
        let random = of_difference(now.random, earlier.random, 0.0);
        Self { now: now.value, earlier: earlier.value, difference, expanded, random, change: Change::judge(difference, expanded) }
    }

    /// The chance that an unchanged wall shows this as a change.
    fn by_chance(&self) -> f64 {
        self.expanded.map_or(0.0, |expanded| by_chance(expanded, self.random))
    }
}

/// A stretch of wall both surveys read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Compared {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    /// How many bins lie in it.
    pub bins: u64,
    /// Mean thicknesses.
    pub mean: Difference,
    /// Least thicknesses: where a pit has grown, the mean may not show it.
    pub least: Difference,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// What was added to the earlier positions.
    #[serde(rename = "offset_mm")]
    pub offset: Length,
    /// Bins both surveys read, in rising order of place.
    pub bins: Vec<Compared>,
    /// Bins only one of them read.
    pub only_now: u64,
    pub only_earlier: u64,
    /// Neighbouring bins that changed the same way, joined.
    pub stretches: Vec<Compared>,
    /// Everything both read.
    pub whole: Option<Compared>,
    /// Of so many bins an unchanged wall would show a change by chance: by what scatters from bin to bin, not by what is common to all.
    pub by_chance: f64,
}

/// What a bin holds of one survey.
#[derive(Debug, Clone, Default)]
struct SurveyCell {
    values: Vec<f64>,
    /// Of the readings that tell one.
    uncertainties: Vec<f64>,
    least: Option<Point>,
    /// Of bins that were joined: the sum of squares within each, and its degrees of freedom. The shape of the wall from bin to bin is no scatter.
    within: (f64, f64),
}

impl SurveyCell {
    fn add(&mut self, point: &Point) {
        self.values.push(point.thickness.as_mm());
        self.uncertainties.extend(point.uncertainty.map(Length::as_mm));
        if self.least.is_none_or(|least| point.thickness < least.thickness) {
            self.least = Some(*point);
        }
    }

    fn variance(&self) -> Option<f64> {
        super::statistics::deviation(&self.values).map(|deviation| deviation * deviation)
    }

    /// The sum of squares of its readings within their bins, and its degrees of freedom.
    fn squares(&self) -> (f64, f64) {
        if self.within.1 > 0.0 {
            return self.within;
        }
        let freedom = self.values.len().saturating_sub(1) as f64;
        (self.variance().unwrap_or_default() * freedom, freedom)
    }

    /// Mean with its standard uncertainty. What a reading's own uncertainty covers (velocity, zero, blocks) is common to
    /// its neighbours and is not made smaller by averaging; what scatters from reading to reading is.
    fn mean(&self, scatter: Scatter) -> Option<KnownValue> {
        let value = Length::mm(mean(&self.values)?);
        let count = self.values.len();
        let within = self.variance_within(scatter.pooled) / count as f64;
        let common = mean(&self.uncertainties).filter(|_| self.uncertainties.len() == count);
        let uncertainty = common.map(|common| Length::mm(libm::sqrt(common * common + within)));
        Some(KnownValue { value, uncertainty, random: Length::mm(libm::sqrt(scatter.usual / count as f64)) })
    }

    /// The lowest reading; it scatters as any one reading does.
    fn least(&self, scatter: Scatter) -> Option<KnownValue> {
        let random = Length::mm(libm::sqrt(scatter.usual));
        self.least.map(|point| KnownValue { value: point.thickness, uncertainty: point.uncertainty, random })
    }

    /// The variance of its readings, the shape of the wall in it included.
    fn variance_within(&self, pooled: f64) -> f64 {
        let (sum, freedom) = self.squares();
        if freedom + 1.0 >= OWN_SCATTER as f64 { sum / freedom } else { pooled }
    }

    fn join(&mut self, other: &Self) {
        let (sum, freedom) = other.squares();
        self.within = (self.within.0 + sum, self.within.1 + freedom);
        self.values.extend(&other.values);
        self.uncertainties.extend(&other.uncertainties);
        if let Some(point) = other.least.filter(|point| self.least.is_none_or(|least| point.thickness < least.thickness)) {
            self.least = Some(point);
        }
    }
}

/// So many readings in a bin tell their own scatter; with fewer, that of all bins counts.
const OWN_SCATTER: usize = 5;
/// A place further out than this is an encoder gone mad (as in the strip).
const FURTHEST_MM: f64 = 500_000.0;

type Cells = BTreeMap<i64, SurveyCell>;

fn cells(points: &[Point], bin: Length, offset: Length) -> Cells {
    let mut cells = Cells::new();
    for point in points.iter().filter(|point| point.thickness.is_finite()) {
        let along = point.along + offset;
        if along.is_finite() && along.as_mm().abs() <= FURTHEST_MM {
            cells.entry((along / bin).floor() as i64).or_default().add(point);
        }
    }
    cells
}

/// Variances of the readings of a survey.
#[derive(Clone, Copy)]
struct Scatter {
    /// Within bins, over all that have more than one reading, with what the wall does inside them: never too small for U.
    pooled: f64,
    /// From shot to shot on an even wall: pits and slopes are there in both surveys and are no scatter, so the middle of the bins counts.
    usual: f64,
}

impl Scatter {
    fn of(cells: &Cells) -> Self {
        let within: Vec<(f64, f64)> = cells.values().filter_map(|cell| Some((cell.variance()?, (cell.values.len() - 1) as f64))).collect();
        let (sum, freedom) = within.iter().fold((0.0, 0.0), |(sum, all), (variance, own)| (sum + variance * own, all + own));
        // The middle of a variance with few degrees of freedom lies under its mean (Wilson and Hilferty 1931).
        let mut variances: Vec<f64> = within.iter().map(|(variance, own)| variance / libm::pow(1.0 - 2.0 / (9.0 * own), 3.0)).collect();
        let mut steps: Vec<f64> = neighbours(cells).map(|step| step * step).collect();
        variances.sort_by(f64::total_cmp);
        steps.sort_by(f64::total_cmp);
        // A survey with one reading a bin shows its scatter from bin to bin: half the square of a step is a variance with one degree of freedom.
        let step = quantile(&steps, 0.5).map(|square| square / 2.0 / MIDDLE_OF_ONE);
        let usual = if variances.len() * 2 >= cells.len() { quantile(&variances, 0.5) } else { step };
        Self { pooled: if freedom > 0.0 { sum / freedom } else { 0.0 }, usual: usual.unwrap_or_default() }
    }
}

/// The middle of chi-square with one degree of freedom.
const MIDDLE_OF_ONE: f64 = 0.4549;

/// By how much the first reading of each bin differs from that of the bin before.
fn neighbours(cells: &Cells) -> impl Iterator<Item = f64> {
    let first = |cell: &SurveyCell| cell.values.first().copied().unwrap_or_default();
    let pairs = cells.iter().zip(cells.iter().skip(1));
    pairs.filter(|((index, _), (next, _))| *next - *index == 1).map(move |((_, cell), (_, next))| first(next) - first(cell))
}

/// Compares the surveys with `offset` added to the earlier positions, bin by bin. Only what both read is compared;
/// nothing is interpolated.
pub fn compare(now: &[Point], earlier: &[Point], offset: Length, settings: &CompareSettings) -> Comparison {
    let (now, earlier) = (cells(now, settings.bin, Length::ZERO), cells(earlier, settings.bin, offset));
    let scatter = (Scatter::of(&now), Scatter::of(&earlier));
    let both: Vec<(i64, i64)> = now.keys().filter(|index| earlier.contains_key(index)).map(|index| (*index, index + 1)).collect();
    let join = |from: i64, to: i64| between((&now, &earlier), scatter, settings.bin, from, to);
    let bins: Vec<Compared> = both.iter().filter_map(|&(from, to)| join(from, to)).collect();
    let mut runs: Vec<(Change, i64, i64)> = Vec::new();
    for (bin, &(from, to)) in bins.iter().zip(&both) {
        let change = if bin.mean.change == Change::None { bin.least.change } else { bin.mean.change };
        match runs.last_mut() {
            Some((last, _, end)) if *last == change && *end == from => *end = to,
            _ => runs.push((change, from, to)),
        }
    }
    let changed = runs.into_iter().filter(|(change, ..)| matches!(change, Change::Thinner | Change::Thicker));
    let stretches = changed.filter_map(|(_, from, to)| join(from, to)).collect();
    let whole = both.first().zip(both.last()).and_then(|(first, last)| join(first.0, last.1));
    Comparison {
        offset,
        only_now: (now.len() - both.len()) as u64,
        only_earlier: (earlier.len() - both.len()) as u64,
        by_chance: bins.iter().map(|bin| (bin.mean.by_chance() + bin.least.by_chance()).min(1.0)).sum(),
        bins,
        stretches,
        whole,
    }
}

/// What both surveys say of the bins from `from` up to, not including, `to`, of those that both read.
fn between((now, earlier): (&Cells, &Cells), scatter: (Scatter, Scatter), bin: Length, from: i64, to: i64) -> Option<Compared> {
    let (mut one, mut other, mut bins) = (SurveyCell::default(), SurveyCell::default(), 0);
    for (index, cell) in now.range(from..to) {
        if let Some(before) = earlier.get(index) {
            one.join(cell);
            other.join(before);
            bins += 1;
        }
    }
    Some(Compared {
        from: bin * from as f64,
        to: bin * to as f64,
        bins,
        mean: Difference::new(one.mean(scatter.0)?, other.mean(scatter.1)?),
        least: Difference::new(one.least(scatter.0)?, other.least(scatter.1)?),
    })
}

impl Comparison {
    /// What chance alone would do to an unchanged wall, in words.
    pub fn chance_words(&self) -> String {
        format!(
            "of an unchanged wall about {:.1} of {} bins would, by scatter from bin to bin; an error common to a run moves all of them",
            self.by_chance,
            self.bins.len()
        )
    }

    /// Mean and least of what both read between two places, whole bins only; for a course, or a part of one.
    pub fn between(
        now: &[Point],
        earlier: &[Point],
        offset: Length,
        settings: &CompareSettings,
        from: Length,
        to: Length,
    ) -> Option<Compared> {
        let (now, earlier) = (cells(now, settings.bin, Length::ZERO), cells(earlier, settings.bin, offset));
        let scatter = (Scatter::of(&now), Scatter::of(&earlier));
        let edge = |place: Length| (place / settings.bin).clamp(-1e15, 1e15);
        between((&now, &earlier), scatter, settings.bin, edge(from).ceil() as i64, edge(to).floor() as i64)
    }
}

/// What one survey lost against the other in a short piece of wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Local {
    pub compared: Compared,
    /// The lowest now against the lowest that was read earlier in the piece and one bin to either side, so that a pit on an edge is not
    /// taken for one that grew.
    pub least: Difference,
}

/// Pieces of `length` from `from` to `to`, compared over the bins that both surveys read in each.
pub fn local(now: &[Point], earlier: &[Point], settings: &CompareSettings, (from, to): (Length, Length), length: Length) -> Vec<Local> {
    // Counted from the lower end, so that no piece holds wall of another course.
    let inside =
        |points: &[Point]| -> Vec<Point> { points.iter().filter(|point| point.along >= from && point.along < to).copied().collect() };
    let (now, earlier) = (cells(&inside(now), settings.bin, -from), cells(&inside(earlier), settings.bin, -from));
    let scatter = (Scatter::of(&now), Scatter::of(&earlier));
    let each = ((length / settings.bin).round() as i64).max(1);
    let Some(last) = now.keys().next_back() else { return Vec::new() };
    let piece = |index: i64| {
        let (start, end) = (index * each, (index + 1) * each);
        let compared = between((&now, &earlier), scatter, settings.bin, start, end)?;
        let mut around = SurveyCell::default();
        earlier.range(start - 1..=end).for_each(|(_, cell)| around.join(cell));
        let mut here = SurveyCell::default();
        now.range(start..end).filter(|(index, _)| earlier.contains_key(index)).for_each(|(_, cell)| here.join(cell));
        let least = Difference::new(here.least(scatter.0)?, around.least(scatter.1)?);
        let at = |place: Length| place + from;
        Some(Local { compared: Compared { from: at(compared.from), to: at(compared.to).min(to), ..compared }, least })
    };
    (0..=last / each).filter_map(piece).collect()
}

/// Why two surveys of a line must not be laid over each other as they are, and what of their set-ups differs. Nothing is
/// corrected; the reader is told.
pub fn warnings(now: &SurveyLine, earlier: &SurveyLine, unit: LengthUnit) -> Vec<String> {
    let mut found = Vec::new();
    match (&now.datum, &earlier.datum) {
        (Some(now), Some(earlier)) if !same_text(now, earlier) => {
            found
                .push(format!("another datum: now \"{now}\", earlier \"{earlier}\"; positions agree only with the offset between the two"));
        }
        (_, None) => found.push("the earlier survey does not give its datum: check that positions start at the same place".to_owned()),
        _ => {}
    }
    match (now.direction, earlier.direction) {
        (Some(now), Some(earlier)) if now.is_upright() != earlier.is_upright() => {
            found.push(format!("the line runs {} now and ran {} earlier: these are not the same places", now.word(), earlier.word()));
        }
        (Some(now), Some(earlier)) if now != earlier => {
            found.push(format!("driven {} now and {} earlier; positions of both count from the datum", now.word(), earlier.word()));
        }
        _ => {}
    }
    found.extend(now.setup.differences(&earlier.setup, typical(&now.points), unit));
    if let (Some(now), Some(earlier)) = (typical(&now.points), typical(&earlier.points)) {
        let ratio = now / earlier;
        if !(0.5..=2.0).contains(&ratio) {
            found.push(format!(
                "the walls do not fit each other: middle value {} {symbol} now, {} {symbol} earlier (ratio {ratio:.2}); check the unit and the line",
                unit.thickness(now),
                unit.thickness(earlier),
                symbol = unit.thickness_symbol()
            ));
        }
    }
    if earlier.points.iter().all(|point| point.uncertainty.is_none()) {
        found.push("the earlier survey gives no uncertainty: differences are shown but not judged".to_owned());
    }
    found
}

/// Whether both tell their datum and it is not the same.
pub fn other_datum(now: &SurveyLine, earlier: &SurveyLine) -> bool {
    now.datum.as_ref().zip(earlier.datum.as_ref()).is_some_and(|(now, earlier)| !same_text(now, earlier))
}

/// Whether both name the same line; case and outer blanks do not count.
pub fn same_text(one: &str, other: &str) -> bool {
    one.trim().to_lowercase() == other.trim().to_lowercase()
}

/// The median thickness.
fn typical(points: &[Point]) -> Option<Length> {
    let mut values: Vec<f64> = points.iter().map(|point| point.thickness.as_mm()).collect();
    values.sort_by(f64::total_cmp);
    quantile(&values, 0.5).map(Length::mm)
}
