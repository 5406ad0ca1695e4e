//! Averages of the wall over the codes' averaging length along a scanned line: the least thickness `t2`, the lowest
//! average `t1`, and pits. Gaps are skipped, never filled in.

use super::worked::{Answer, Refusal, Source, Worked, positive};
use backwall_units::{Length, LossRate, Years};
use serde::Serialize;

pub const AVERAGE: Source =
    Source::published("API 653, corroded areas of the shell: t1, t2 and L = 3.7 (D t2)^0.5 (3rd to 5th edition wording)");
const PITS: Source = Source::from_memory("API 653 4.3.2.2, widely scattered pits: half t_min, and 2 in. in 8 in.");

/// The averaging length of a tank shell: 3.7·√(D·t2) inch (D in feet, t2 in inch), 40 in at most.
pub fn tank_length(diameter: Length, least: Length) -> Result<Answer<Length>, Refusal> {
    let title = "Averaging length";
    let feet = positive(title, "diameter", diameter.as_inch() / 12.0)?;
    let t2 = positive(title, "minimum thickness", least.as_inch())?;
    let value = 3.7 * libm::sqrt(feet * t2);
    let worked = Worked::new(title, "L = 3.7 (D t2)^0.5, not more than 40 in", AVERAGE)
        .given("D", "diameter", feet, "ft")
        .given("t2", "minimum thickness", t2, "in")
        .gives("", "calculated", value, "in")
        .gives("L", "averaging length", value.min(40.0), "in")
        .gives("", "which is", Length::inch(value.min(40.0)).as_mm(), "mm");
    Ok(Answer::new(Length::inch(value.min(40.0)), worked))
}

/// Five readings at least, equally spaced over the averaging length (API 653 4.3.2.1, from memory): a window counts when
/// each fifth of it has one.
const PARTS: usize = 5;
/// Readings nearer to each other than this are one point, so that a place driven slowly or twice weighs no more.
const CELL: Length = Length::mm(1.0);

/// A lowest average and where it lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Lowest {
    #[serde(rename = "average_mm")]
    pub average: Length,
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    /// Points in the window.
    pub points: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sliding {
    /// `None` where no window has readings enough.
    pub lowest: Option<Lowest>,
    /// Windows that counted, and those with too little read in them.
    pub judged: usize,
    pub skipped: usize,
    /// The whole stretch is shorter than the averaging length; it was taken as one window.
    pub short: bool,
}

/// Points in rising order of place, one a millimetre: their mean place and mean thickness.
fn points(readings: &[(Length, Length)]) -> Vec<(f64, f64)> {
    let finite = readings.iter().filter(|(along, wall)| along.is_finite() && wall.is_finite());
    let mut sorted: Vec<(f64, f64)> = finite.map(|(along, wall)| (along.as_mm(), wall.as_mm())).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let cell = |place: f64| (place / CELL.as_mm()).floor();
    let mean = |group: &[(f64, f64)]| {
        let count = group.len() as f64;
        (group.iter().map(|point| point.0).sum::<f64>() / count, group.iter().map(|point| point.1).sum::<f64>() / count)
    };
    sorted.chunk_by(|a, b| cell(a.0) == cell(b.0)).map(mean).collect()
}

/// Slides a window of `length` along the readings (place and thickness) of one course and finds the lowest average.
pub fn lowest_average(readings: &[(Length, Length)], length: Length) -> Sliding {
    let points = points(readings);
    let none = Sliding { lowest: None, judged: 0, skipped: 0, short: false };
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return none };
    if !(length.is_finite() && length > Length::ZERO) {
        return none;
    }
    let short = last.0 - first.0 < length.as_mm();
    let width = if short { (last.0 - first.0).max(f64::MIN_POSITIVE) } else { length.as_mm() };
    let sums: Vec<f64> = std::iter::once(0.0)
        .chain(points.iter().scan(0.0, |sum, point| {
            *sum += point.1;
            Some(*sum)
        }))
        .collect();
    let at = |place: f64| points.partition_point(|point| point.0 < place);
    let mut found = Sliding { short, ..none };
    // Every window that matters begins or ends at a point.
    let starts = points
        .iter()
        .map(|point| point.0)
        .chain(points.iter().map(|point| point.0 - width))
        .filter(|start| *start >= first.0 - 1e-9 && start + width <= last.0 + 1e-9);
    for start in starts {
        let from = at(start - 1e-9);
        let to = at(start + width + 1e-9);
        let edge = |part: usize| if part == PARTS { to } else { at(start - 1e-9 + width * part as f64 / PARTS as f64) };
        if (0..PARTS).any(|part| edge(part) >= edge(part + 1)) {
            found.skipped += 1;
            continue;
        }
        found.judged += 1;
        let average = Length::mm((sums[to] - sums[from]) / (to - from) as f64);
        if found.lowest.is_none_or(|lowest| average < lowest.average) {
            found.lowest = Some(Lowest { average, from: Length::mm(start), to: Length::mm(start + width), points: to - from });
        }
    }
    found
}

/// Whether t1 and t2 of a tank shell pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Passes {
    pub average: bool,
    pub least: bool,
}

impl Passes {
    pub const fn both(self) -> bool {
        self.average && self.least
    }
}

/// t1 ≥ t_min + C and t2 ≥ 0.6·t_min + C, C being what corrodes until the next inspection.
pub fn judge(average: Length, least: Length, required: Length, allowance: Length) -> Result<Answer<Passes>, Refusal> {
    let title = "Lowest average and minimum thickness against the required";
    positive(title, "required thickness", required.as_mm())?;
    if !(average.is_finite() && least.is_finite() && allowance.is_finite() && allowance >= Length::ZERO) {
        return Err(Refusal::impossible(title, "a thickness or the allowance is not possible"));
    }
    let (first, second) = (required + allowance, required * 0.6 + allowance);
    // To the nanometre readings are kept to, so that equal passes.
    let reaches = |value: Length, wanted: Length| value.as_nanometres() >= wanted.as_nanometres();
    let passes = Passes { average: reaches(average, first), least: reaches(least, second) };
    let word = |passes| if passes { "passes" } else { "FAILS" };
    let worked = Worked::new(title, "t1 >= t_min + C and t2 >= 0.6 t_min + C", AVERAGE)
        .given("t1", "lowest average", average.as_mm(), "mm")
        .given("t2", "minimum thickness", least.as_mm(), "mm")
        .given("t_min", "required thickness", required.as_mm(), "mm")
        .given("C", "loss until the next inspection", allowance.as_mm(), "mm")
        .gives("t_min + C", "wanted of t1", first.as_mm(), "mm")
        .gives("0.6 t_min + C", "wanted of t2", second.as_mm(), "mm")
        .verdict(format!("t1 {}, t2 {}", word(passes.average), word(passes.least)))
        .caution("t1 and t2 of the scanned line alone: the lowest vertical line of the corroded area may lie beside it")
        .caution("t2 is the minimum reading, pits included: an inspector may leave out widely scattered pits")
        .caution_if(allowance == Length::ZERO, "no loss until the next inspection is in it");
    Ok(Answer::new(passes, worked))
}

/// How long both tests of a tank shell go on passing at a rate: the lesser of (t1 − t_min)/rate and (t2 − 0.6·t_min)/rate.
pub fn lasting(average: Length, least: Length, required: Length, rate: LossRate) -> Result<Answer<Years>, Refusal> {
    let title = "Time until a thinned area fails the tests of t1 and t2";
    positive(title, "required thickness", required.as_mm())?;
    positive(title, "rate", rate.as_mm_y())?;
    let years = |value: Length, wanted: Length| ((value - wanted) / rate).max(Years::ZERO);
    let (first, second) = (years(average, required), years(least, required * 0.6));
    let value = first.min(second);
    if !value.is_finite() {
        return Err(Refusal::impossible(title, "a thickness is not a number"));
    }
    let worked = Worked::new(title, "min((t1 - t_min) / rate, (t2 - 0.6 t_min) / rate)", AVERAGE)
        .given("t1", "lowest average", average.as_mm(), "mm")
        .given("t2", "minimum thickness", least.as_mm(), "mm")
        .given("t_min", "required thickness", required.as_mm(), "mm")
        .given("rate", "controlling rate", rate.as_mm_y(), "mm/y")
        .gives("", "by t1", first.as_years(), "y")
        .gives("", "by t2", second.as_years(), "y")
        .gives("", "time left", value.as_years(), "y")
        .caution("of the scanned line alone; the tests are above");
    Ok(Answer::new(value, worked))
}

/// A stretch under the required thickness.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Pit {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    #[serde(rename = "minimum_mm")]
    pub least: Length,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pits {
    pub pits: Vec<Pit>,
    /// The greatest summed length of pits in any 8 in along the line.
    #[serde(rename = "most_in_8_in_mm")]
    pub most_together: Length,
    /// Whether the rule of widely scattered pits would hold, if an inspector finds that these are pits.
    pub scattered: bool,
}

/// Stretches under `required` along a line, by the rule of widely scattered pits: none leaves less than half of t_min, and
/// no more than 2 in of them lie in any 8 in of a vertical line. `join` ends a stretch where nothing was read for so long.
pub fn pits(readings: &[(Length, Length)], required: Length, allowance: Length, join: Length) -> Result<Answer<Pits>, Refusal> {
    let title = "Stretches under the required thickness as scattered pits";
    positive(title, "required thickness", required.as_mm())?;
    let mut sorted: Vec<_> = readings.iter().filter(|(along, wall)| along.is_finite() && wall.is_finite()).copied().collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut pits: Vec<Pit> = Vec::new();
    let mut open = false;
    for (along, wall) in sorted {
        if wall >= required {
            open = false;
            continue;
        }
        match pits.last_mut().filter(|pit| open && along - pit.to <= join) {
            Some(pit) => {
                pit.to = along;
                pit.least = pit.least.min(wall);
            }
            None => pits.push(Pit { from: along, to: along, least: wall }),
        }
        open = true;
    }
    // A single reading stands for the point it was taken at and its surroundings.
    for pit in &mut pits {
        (pit.from, pit.to) = (pit.from - CELL / 2.0, pit.to + CELL / 2.0);
    }
    let (window, most) = (Length::inch(8.0), Length::inch(2.0));
    let starts = pits.iter().flat_map(|pit| [pit.from, pit.to - window]);
    let together = |start: Length| {
        let cut = |pit: &Pit| (pit.to.min(start + window) - pit.from.max(start)).max(Length::ZERO);
        let from = pits.partition_point(|pit| pit.to < start);
        pits[from..].iter().take_while(|pit| pit.from <= start + window).map(cut).fold(Length::ZERO, |sum, length| sum + length)
    };
    let most_together = starts.map(together).fold(Length::ZERO, Length::max);
    let least = pits.iter().map(|pit| pit.least).reduce(Length::min);
    let half = required * 0.5 + allowance;
    let scattered = most_together <= most && least.is_none_or(|least| least >= half);
    let worked = Worked::new(title, "no pit under t_min / 2 + C, and not more than 2 in of pits in any 8 in", PITS)
        .given("t_min", "required thickness", required.as_mm(), "mm")
        .given("C", "loss until the next inspection", allowance.as_mm(), "mm")
        .gives("", "stretches under t_min", pits.len() as f64, "")
        .gives("", "longest sum in 8 in", most_together.as_mm(), "mm")
        .gives("", "minimum in them", least.map_or(f64::NAN, Length::as_mm), "mm")
        .verdict(match (pits.is_empty(), scattered) {
            (true, _) => "no reading lies under t_min",
            (_, true) => "would hold, if an inspector finds that these are pits",
            (_, false) => "does not hold: this counts as a corroded area",
        })
        .caution("lengths along the scanned line only; whether a stretch is a pit, only an inspection shows");
    Ok(Answer::new(Pits { pits, most_together, scattered }, worked))
}
