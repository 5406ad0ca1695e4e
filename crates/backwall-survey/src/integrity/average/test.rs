//! The two tests of a thinned area, lowest average and minimum reading, decided only where what was read decides them.

use super::bins::{BinStretch, Bins};
use super::tracks::joined;
use crate::integrity::decision::{Decision, decide};
use crate::integrity::worked::{FormulaSource, Refusal, Worked, WorkedAnswer, positive};
use backwall_units::{Length, LossRate, Years};
use serde::Serialize;

/// Less than this share of a stretch read proves nothing of its average.
const ENOUGH: f64 = 0.8;

/// What is wanted of a course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Test {
    /// Of the lowest average, with what may still corrode.
    pub average: Length,
    /// Of the minimum reading, with what may still corrode.
    pub least: Length,
    /// What unread wall may be at most.
    pub nominal: Length,
    /// How far neighbouring echoes may lie apart by the procedure.
    pub max_gap: Length,
    pub source: FormulaSource,
}

/// Averages of every stretch of the averaging length, without any limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Windows {
    /// The lowest average lies between these: unread wall as nothing, and as nominal.
    #[serde(rename = "low_mm")]
    pub low: Length,
    #[serde(rename = "high_mm")]
    pub high: Length,
    /// Where its upper end is lowest.
    pub at: BinStretch,
    /// Of the wall there that was read.
    pub share: f64,
    /// Of the wall there whose readings are for an even wall only.
    pub even_wall_only: f64,
    /// Bins in a stretch, and stretches.
    pub bins: usize,
    pub windows: usize,
    /// The whole course is shorter than the averaging length; it was taken as one stretch.
    pub short: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Averages {
    pub windows: Windows,
    /// Of the lowest average, of the minimum reading, and of both.
    pub average: Decision,
    pub least: Decision,
    pub decision: Decision,
    /// The lowest average at the safe end: unread wall as nothing, what is for an even wall only as the lowest wall read near it, less U.
    #[serde(rename = "t1_safe_mm")]
    pub average_safe: Length,
    /// A stretch would be met if all its readings spoke for the lowest wall about the beam.
    pub open_by_even_only: bool,
    /// The averages are met if the wall that was not read averages at least this, everywhere.
    #[serde(rename = "unread_must_average_mm")]
    pub unread_must: Option<Length>,
    /// What to drive again so that it can be decided.
    pub again: Vec<BinStretch>,
}

/// Sums over a window of bins.
#[derive(Clone, Copy, Default)]
struct Sums {
    wall: f64,
    safe: f64,
    even_only: f64,
    expanded: f64,
    read: usize,
    without_u: usize,
}

struct Sliding<'a> {
    bins: &'a Bins,
    sums: Vec<Sums>,
    width: usize,
}

impl<'a> Sliding<'a> {
    fn new(bins: &'a Bins, length: Length) -> Self {
        let mut sums = vec![Sums::default()];
        let mut sum = Sums::default();
        for bin in &bins.bins {
            if let Some(read) = bin {
                sum.wall += read.thickness.as_mm();
                sum.safe += read.safe.as_mm();
                sum.even_only += read.even_wall_only;
                sum.expanded += read.uncertainty.map_or(0.0, |u| 2.0 * u.as_mm());
                sum.read += 1;
                sum.without_u += usize::from(read.uncertainty.is_none());
            }
            sums.push(sum);
        }
        let width = ((length / bins.width).round().max(1.0) as usize).min(bins.bins.len());
        Self { bins, sums, width }
    }

    /// Every stretch: its first bin and what it sums to.
    fn windows(&self) -> impl Iterator<Item = (usize, Sums)> {
        (0..=self.bins.bins.len() - self.width).map(|from| {
            let (a, b) = (self.sums[from], self.sums[from + self.width]);
            let sums = Sums {
                wall: b.wall - a.wall,
                safe: b.safe - a.safe,
                even_only: b.even_only - a.even_only,
                expanded: b.expanded - a.expanded,
                read: b.read - a.read,
                without_u: b.without_u - a.without_u,
            };
            (from, sums)
        })
    }

    fn low(&self, sums: Sums) -> f64 {
        sums.wall / self.width as f64
    }

    /// What it is at least, before its U.
    fn safe(&self, sums: Sums) -> f64 {
        sums.safe / self.width as f64
    }

    fn high(&self, sums: Sums, nominal: Length) -> f64 {
        (sums.wall + (self.width - sums.read) as f64 * nominal.as_mm()) / self.width as f64
    }
}

impl Windows {
    /// Slides a stretch of `length` over the bins of one course.
    pub fn of(bins: &Bins, length: Length, nominal: Length) -> Option<Self> {
        if bins.is_unread() || !(length.is_finite() && length > Length::ZERO) {
            return None;
        }
        let sliding = Sliding::new(bins, length);
        let low = sliding.windows().map(|(_, sums)| sliding.low(sums)).fold(f64::INFINITY, f64::min);
        let (from, sums) = sliding.windows().min_by(|a, b| sliding.high(a.1, nominal).total_cmp(&sliding.high(b.1, nominal)))?;
        Some(Self {
            low: Length::mm(low),
            high: Length::mm(sliding.high(sums, nominal)),
            at: BinStretch { from: bins.edge(from), to: bins.edge(from + sliding.width) },
            share: sums.read as f64 / sliding.width as f64,
            even_wall_only: (sums.even_only / sliding.width as f64).max(0.0),
            bins: sliding.width,
            windows: bins.bins.len() - sliding.width + 1,
            short: bins.width * bins.bins.len() as f64 + bins.width * 0.5 < length,
        })
    }
}

/// Decides the two tests: the averages of every stretch of `length`, and the minimum reading with its standard uncertainty.
pub fn assess(bins: &Bins, length: Length, least: (Length, Option<Length>), test: &Test) -> Result<WorkedAnswer<Averages>, Refusal> {
    let title = "Lowest average and minimum thickness against the required";
    let wanted = positive(title, "required thickness", test.average.as_mm())?;
    let nominal = positive(title, "nominal thickness", test.nominal.as_mm())?;
    let windows = Windows::of(bins, length, test.nominal)
        .ok_or_else(|| Refusal::Conditions { title: title.to_owned(), why: vec!["nothing was read of it".to_owned()] })?;
    let sliding = Sliding::new(bins, length);
    let m = sliding.width as f64;
    let mut average = Decision::Met;
    let mut average_safe = f64::INFINITY;
    let mut unread_must: Option<f64> = None;
    let mut open_by_even_only = false;
    // Bins that keep a stretch from being decided.
    let mut again = vec![false; bins.bins.len()];
    // To the nanometre readings are kept to, so that equal is enough.
    const NANOMETRE: f64 = 5e-7;
    for (from, sums) in sliding.windows() {
        let unread = sliding.width - sums.read;
        let u = sums.expanded / m;
        let (low, high) = (sliding.safe(sums) - u, sliding.high(sums, test.nominal) + u);
        average_safe = average_safe.min(low);
        let enough = sums.read as f64 >= ENOUGH * m - 1e-9;
        average = average.and(if high < wanted - NANOMETRE {
            Decision::NotMet
        } else if low >= wanted - NANOMETRE && enough && sums.without_u == 0 {
            Decision::Met
        } else {
            open_by_even_only |= sliding.low(sums) - u >= wanted - NANOMETRE && enough && sums.without_u == 0;
            for (open, bin) in again[from..from + sliding.width].iter_mut().zip(&bins.bins[from..from + sliding.width]) {
                *open |= bin.is_none();
            }
            if unread > 0 {
                let must = (wanted * m - sums.safe + sums.expanded) / unread as f64;
                unread_must = Some(unread_must.map_or(must, |known| known.max(must)).max(0.0));
            }
            Decision::NotDecided
        });
    }
    // What no echo came from, for longer than the procedure lets neighbours lie apart, may hold the minimum.
    let gaps = bins.gaps_over(test.max_gap);
    let read = decide(least.0, least.1, test.least);
    let least_decision = if read == Decision::Met && !gaps.is_empty() { Decision::NotDecided } else { read };
    let decision = average.and(least_decision);
    let again = if decision == Decision::NotDecided {
        stretches(bins, &again, if read == Decision::Met { &gaps } else { &[] })
    } else {
        Vec::new()
    };
    let value = Averages {
        windows,
        average,
        least: least_decision,
        decision,
        average_safe: Length::mm(average_safe),
        open_by_even_only: open_by_even_only && average == Decision::NotDecided,
        unread_must: unread_must.filter(|_| average == Decision::NotDecided).map(Length::mm),
        again,
    };
    Ok(WorkedAnswer::new(value.clone(), worked(title, bins, least, test, &value, nominal)))
}

/// Unread bins that matter and gaps over the limit, joined where they touch.
fn stretches(bins: &Bins, open: &[bool], gaps: &[BinStretch]) -> Vec<BinStretch> {
    let mut all: Vec<BinStretch> = gaps.to_vec();
    all.extend(
        open.iter()
            .enumerate()
            .filter(|(_, open)| **open)
            .map(|(index, _)| BinStretch { from: bins.edge(index), to: bins.edge(index + 1) }),
    );
    joined(all)
}

fn worked(title: &str, bins: &Bins, least: (Length, Option<Length>), test: &Test, found: &Averages, nominal: f64) -> Worked {
    let windows = &found.windows;
    let mut worked = Worked::new(
        title,
        "t1 of a stretch of m bins, k read, lies in [S/m, (S + (m - k) nominal)/m]; not met where the upper end + U < wanted; met where in every stretch 80 % were read and the safe end, the lower one - U, >= wanted; there a reading for an even wall only is the lowest wall read within a bin of it; t2 with a guard band of 1.645 u",
        test.source,
    )
    .given("m", "bins in a stretch", windows.bins as f64, "")
    .given("", "bin", bins.width.as_mm(), "mm")
    .given("", "nominal", nominal, "mm")
    .given("", "wanted of t1", test.average.as_mm(), "mm")
    .given("", "wanted of t2", test.least.as_mm(), "mm")
    .given("t2", "minimum reading", least.0.as_mm(), "mm")
    .gives("t1", "lowest average, unread wall as zero", windows.low.as_mm(), "mm")
    .gives("t1", "unread wall as nominal", windows.high.as_mm(), "mm")
    .gives("", "from", windows.at.from.as_mm(), "mm")
    .gives("", "to", windows.at.to.as_mm(), "mm")
    .gives("", "read of that stretch", windows.share * 100.0, "%")
    .gives("", "of it for an even wall only", windows.even_wall_only * 100.0, "%")
    .gives("t1", "at the safe end", found.average_safe.as_mm(), "mm")
    .gives("", "read of the course on this line", bins.share() * 100.0, "%");
    if let Some(u) = least.1 {
        worked = worked.given("U", "of t2 (k = 2)", u.as_mm() * 2.0, "mm");
    }
    if let Some(must) = found.unread_must.filter(|must| *must > Length::ZERO) {
        worked = worked.gives("", "met if the unread wall averages at least", must.as_mm(), "mm");
    }
    if !found.again.is_empty() {
        let metres = found.again.iter().fold(Length::ZERO, |sum, stretch| sum + stretch.length()).as_metres();
        worked = worked.gives("", "to drive again", metres, "m");
    }
    worked
        .verdict(format!("{}: t1 {}, t2 {}", found.decision.word(), found.average.word(), found.least.word()))
        .caution_if(windows.short, "the course on this line is shorter than the averaging length: it counts as one stretch")
        .caution_if(
            found.average == Decision::NotDecided && found.unread_must.is_none() && !found.open_by_even_only,
            "t1 lies within U of what is wanted, or its U is not known",
        )
        .caution_if(
            found.open_by_even_only,
            "t1 would be met if the U of every reading held for the lowest wall about the beam: prove by hand what is for an even wall only",
        )
        .caution_if(
            found.least == Decision::NotDecided && decide(least.0, least.1, test.least) == Decision::Met,
            "t2 is proven only of what was read: there are gaps longer than the procedure allows",
        )
        .caution_if(least.1.is_none(), "no U holds for t2: it proves that the wall is not met, never that it is")
        .caution("of the scanned line alone: the lowest line of the corroded area may lie beside it")
        .caution("t2 is the minimum reading, pits included: an inspector may leave out widely scattered pits")
}

/// How long both tests go on being met at a rate, by the safe ends: lowest average less U, minimum reading less its guard band, highest rate.
pub fn lasting(average: Length, least: Length, test: &Test, rate: LossRate) -> Result<WorkedAnswer<Years>, Refusal> {
    let title = "Time until a thinned area no longer meets the tests of t1 and t2";
    positive(title, "rate", rate.as_mm_y())?;
    let years = |value: Length, wanted: Length| ((value - wanted) / rate).max(Years::ZERO);
    let (first, second) = (years(average, test.average), years(least, test.least));
    let value = first.min(second);
    if !value.is_finite() {
        return Err(Refusal::impossible(title, "a thickness is not a number"));
    }
    let worked = Worked::new(title, "min((t1 - wanted of t1) / rate, (t2 - wanted of t2) / rate)", test.source)
        .given("t1", "lowest average, safe end", average.as_mm(), "mm")
        .given("t2", "minimum thickness, safe end", least.as_mm(), "mm")
        .given("", "wanted of t1", test.average.as_mm(), "mm")
        .given("", "wanted of t2", test.least.as_mm(), "mm")
        .given("rate", "highest rate", rate.as_mm_y(), "mm/y")
        .gives("", "by t1", first.as_years(), "y")
        .gives("", "by t2", second.as_years(), "y")
        .gives("", "time left", value.as_years(), "y")
        .caution("of the scanned line alone; the tests are above");
    Ok(WorkedAnswer::new(value, worked))
}
