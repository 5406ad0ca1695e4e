//! What all lines say together, course by course and of the whole asset. Every statement is drawn from the assessment of the lines and
//! made here once: command, report and export show this one.

mod to_do;

pub use to_do::ToDo;

use self::to_do::to_do;
use super::profiles::{self, ThicknessProfile, ThinStretch};
use super::words::{decision_of, not_driven_words};
use super::worst::{Worst, WorstPlace};
use super::{LineAssessment, Summary};
use backwall_survey::integrity::Decision;
use backwall_survey::integrity::average::BinShot;
use backwall_survey::integrity::life::Life;
use backwall_survey::job::Plan;
use backwall_survey::strip::compare::same_text;
use backwall_units::{Length, LossRate};
use chrono::NaiveDate;
use serde::Serialize;
use std::collections::BTreeMap;

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RollUp {
    pub asset: OfAsset,
    pub courses: Vec<RolledCourse>,
    /// Spots over all lines, the one that lies deepest under its required thickness first.
    pub worst: Vec<Worst>,
    /// Spots that may be laminations: apart, since their depth may not be the wall's.
    pub laminations: Vec<Worst>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OfAsset {
    pub decision: Decision,
    pub not_met: usize,
    pub not_decided: usize,
    pub met: usize,
    pub lines_planned: usize,
    pub lines_read: usize,
    /// Of the planned lines.
    pub covered_share: Option<f64>,
    /// The course that counts for each, by its number.
    pub shortest_life: Option<u16>,
    pub greatest_rate: Option<u16>,
    pub lowest: Option<u16>,
    pub next: Option<NaiveDate>,
    /// What the reader must know of all readings, each once.
    pub rests_on: Vec<String>,
}

/// One course over all its lines. What is lowest, fastest or earliest need not be on one line: each names its own.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RolledCourse {
    pub course: u16,
    #[serde(rename = "nominal_mm")]
    pub nominal: Length,
    #[serde(rename = "required_mm")]
    pub required: Option<Length>,
    /// Who says so: the plan, the basis, or the formula.
    pub required_from: String,
    pub decision: Decision,
    pub decision_why: String,
    /// The line that decides.
    pub governing_line: Option<String>,
    pub lines_planned: usize,
    pub lines_read: usize,
    /// Planned lines through it on which nothing was read.
    pub not_driven: Vec<String>,
    pub covered_share: Option<f64>,
    pub minimum: Option<WorstPlace>,
    pub average: Option<LowestAverage>,
    pub rate: Option<FastestLoss>,
    pub life: Option<ShortestLife>,
    pub next: Option<NaiveDate>,
    pub next_line: Option<String>,
    /// Over its parallel lines.
    #[serde(skip)]
    pub profile: Option<ThicknessProfile>,
    /// Inputs for the screening of a local thin area, where there is one.
    #[serde(rename = "local_thin_area_inputs")]
    pub thin: Option<ThinStretch>,
    /// What the reader must know of the readings, each once.
    pub rests_on: Vec<String>,
    /// What is to be done, most pressing first.
    pub to_do: Vec<ToDo>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LowestAverage {
    pub line: String,
    #[serde(rename = "t1_low_mm")]
    pub low: Length,
    #[serde(rename = "t1_high_mm")]
    pub high: Length,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FastestLoss {
    pub line: String,
    /// Between what it was found.
    pub from: String,
    /// Where along the line, as far as it has a place.
    #[serde(rename = "at_mm")]
    pub at: Option<(Length, Length)>,
    /// `None` where nothing changed by more than U: then only a bound is known.
    #[serde(rename = "rate_mm_y")]
    pub rate: Option<LossRate>,
    #[serde(rename = "rate_expanded_mm_y")]
    pub expanded: Option<LossRate>,
    #[serde(rename = "rate_upper_mm_y")]
    pub upper: Option<LossRate>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ShortestLife {
    pub line: String,
    #[serde(flatten)]
    pub life: Life,
}

/// What the roll-up is made of.
pub(super) struct RollupParts<'a> {
    pub plan: &'a Plan,
    pub lines: &'a [LineAssessment],
    /// Only this line was asked for.
    pub only: Option<&'a str>,
    pub required_from: &'a dyn Fn(u16) -> String,
    /// What the readings of a course, or of all, rest on.
    pub rests_on: &'a dyn Fn(Option<u16>) -> Vec<String>,
    /// Every placed reading of each line.
    pub shots: &'a BTreeMap<String, Vec<BinShot>>,
    pub worst: Vec<Worst>,
    pub laminations: Vec<Worst>,
}

/// One line in a course.
struct OnLine<'a> {
    line: &'a str,
    summary: &'a Summary,
    at: Option<Length>,
    /// What was to be covered, and what was.
    planned: Length,
    covered: Length,
    /// Its tracks of which nothing was read.
    tracks_left: usize,
}

pub(super) fn roll_up(parts: RollupParts<'_>) -> RollUp {
    let courses: Vec<RolledCourse> = parts.plan.asset.courses.iter().map(|course| of_course(&parts, course.number)).collect();
    let of = |wanted| courses.iter().filter(|course| course.decision == wanted).count();
    let number = |found: Option<&RolledCourse>| found.map(|course| course.course);
    let planned = parts.plan.lines.iter().filter(|line| parts.is_wanted(&line.name));
    let (mut long, mut covered) = (Length::ZERO, Length::ZERO);
    for course in &parts.plan.asset.courses {
        let (course_long, course_covered) = parts.covered(course.number);
        (long, covered) = (long + course_long, covered + course_covered);
    }
    let asset = OfAsset {
        decision: decision_of(courses.iter().map(|course| course.decision)),
        not_met: of(Decision::NotMet),
        not_decided: of(Decision::NotDecided),
        met: of(Decision::Met),
        lines_planned: planned.count(),
        lines_read: parts.lines.iter().filter(|line| line.statistics.read > 0).count(),
        covered_share: (long > Length::ZERO).then(|| covered / long),
        shortest_life: number(
            courses
                .iter()
                .filter_map(|course| Some((course, course.life.as_ref()?.life.low)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .map(|it| it.0),
        ),
        greatest_rate: number(
            courses
                .iter()
                .filter_map(|course| Some((course, course.rate.as_ref()?.rate?)))
                .max_by(|a, b| a.1.total_cmp(&b.1))
                .map(|it| it.0),
        ),
        lowest: number(
            courses
                .iter()
                .filter_map(|course| Some((course, course.minimum.as_ref()?.thickness)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .map(|it| it.0),
        ),
        next: courses.iter().filter_map(|course| course.next).min(),
        rests_on: (parts.rests_on)(None),
    };
    RollUp { asset, courses, worst: parts.worst, laminations: parts.laminations }
}

impl RollupParts<'_> {
    fn is_wanted(&self, line: &str) -> bool {
        self.only.is_none_or(|only| same_text(only, line))
    }

    /// The planned stretch of every line through a course, with its name.
    fn planned(&self, number: u16) -> Vec<(&str, Length)> {
        let lines = self.plan.lines.iter().filter(|line| self.is_wanted(&line.name));
        lines
            .filter_map(|line| {
                let path = self.plan.path(line);
                let (low, high) = path.span();
                let length = if path.direction.is_upright() {
                    let (_, bottom, top) = path.courses.iter().find(|edge| edge.0 == number)?;
                    top.min(high) - bottom.max(low)
                } else {
                    (path.across_course == Some(number)).then_some(high - low)?
                };
                (length > Length::ZERO).then_some((line.name.as_str(), length))
            })
            .collect()
    }

    fn on_lines(&self, number: u16) -> Vec<OnLine<'_>> {
        let lines = self.lines.iter().flat_map(|line| line.courses.iter().map(move |course| (line, course)));
        let of_course = lines.filter(|(_, course)| course.course == Some(number) && course.statistics.readings > 0);
        of_course
            .map(|(line, course)| {
                let coverage = course.statistics.coverage;
                let planned = coverage.map_or(Length::ZERO, |coverage| coverage.to - coverage.from);
                let share = coverage.and_then(|coverage| coverage.share).unwrap_or(0.0);
                OnLine {
                    line: &line.line,
                    summary: &course.summary,
                    at: course.summary.least_at.or(course.statistics.least.and_then(|least| least.along)),
                    planned,
                    covered: planned * share,
                    tracks_left: coverage.map_or(0, |coverage| coverage.tracks_left),
                }
            })
            .collect()
    }

    /// What was planned in a course over all lines, and what of it was covered.
    fn covered(&self, number: u16) -> (Length, Length) {
        let read = self.on_lines(number);
        let not_driven = self.planned(number).into_iter().filter(|(name, _)| !read.iter().any(|on| same_text(on.line, name)));
        let long = not_driven.fold(Length::ZERO, |sum, (_, length)| sum + length);
        read.iter().fold((long, Length::ZERO), |(long, covered), on| (long + on.planned, covered + on.covered))
    }
}

fn of_course(parts: &RollupParts<'_>, number: u16) -> RolledCourse {
    let plan = parts.plan;
    let of_plan = plan.asset.courses.iter().find(|course| course.number == number);
    let nominal = of_plan.map_or(Length::ZERO, |course| course.nominal);
    let (planned, lines) = (parts.planned(number), parts.on_lines(number));
    let mut not_driven: Vec<String> =
        planned.iter().filter(|(name, _)| !lines.iter().any(|on| same_text(on.line, name))).map(|(name, _)| (*name).to_owned()).collect();
    let in_part = lines.iter().filter(|on| on.tracks_left > 0);
    not_driven.extend(in_part.map(|on| format!("{} ({})", on.line, super::super::words::count(on.tracks_left as u64, "track"))));
    let (long, covered) = parts.covered(number);
    let governing = lines.iter().min_by(|a, b| order(a).partial_cmp(&order(b)).unwrap_or(std::cmp::Ordering::Equal));
    let on_lines = decision_of(lines.iter().map(|on| on.summary.decision));
    let decision = if on_lines == Decision::Met && !not_driven.is_empty() { Decision::NotDecided } else { on_lines };
    let decision_why = why(&lines, governing, on_lines, &not_driven);
    let minimum = lines
        .iter()
        .filter_map(|on| {
            let (thickness, expanded) = (on.summary.least?, on.summary.least_expanded);
            Some(WorstPlace { line: on.line.to_owned(), at: on.at, thickness, expanded, even_wall_only: on.summary.least_even_only })
        })
        .min_by(|a, b| a.thickness.total_cmp(&b.thickness));
    let average = lines
        .iter()
        .filter_map(|on| Some(LowestAverage { line: on.line.to_owned(), low: on.summary.average_low?, high: on.summary.average_high? }))
        .min_by(|a, b| a.low.total_cmp(&b.low));
    let life = lines
        .iter()
        .filter_map(|on| Some(ShortestLife { line: on.line.to_owned(), life: on.summary.life_ends? }))
        .min_by(|a, b| a.life.low.total_cmp(&b.life.low));
    let next = lines.iter().filter_map(|on| Some((on.summary.next?, on.line))).min();
    // A course that no line was driven through has what the plan requires of it, too.
    let required = lines.iter().find_map(|on| on.summary.required).or(of_plan.and_then(|course| course.required));
    let profile = profile(parts, number);
    let thin = profile.as_ref().zip(required).and_then(|(profile, required)| profiles::thin_stretch(profile, required, plan));
    let mut done = RolledCourse {
        course: number,
        nominal,
        required,
        profile,
        thin,
        required_from: (parts.required_from)(number),
        decision,
        decision_why,
        governing_line: governing.map(|on| on.line.to_owned()),
        lines_planned: planned.len(),
        lines_read: lines.len(),
        not_driven,
        covered_share: (long > Length::ZERO).then(|| covered / long),
        minimum,
        average,
        rate: fastest(&lines),
        life,
        next: next.map(|next| next.0),
        next_line: next.map(|next| next.1.to_owned()),
        rests_on: if lines.is_empty() { Vec::new() } else { (parts.rests_on)(Some(number)) },
        to_do: Vec::new(),
    };
    done.to_do = to_do(parts, &done, &lines);
    done
}

/// The critical thickness profile over the upright lines through a course.
fn profile(parts: &RollupParts<'_>, number: u16) -> Option<ThicknessProfile> {
    let (_, bottom, top) = parts.plan.course_edges().into_iter().find(|edge| edge.0 == number)?;
    let upright = parts.plan.lines.iter().filter(|line| line.direction.is_upright() && parts.is_wanted(&line.name));
    let through = upright.filter(|line| {
        let (low, high) = parts.plan.path(line).span();
        low < top && high > bottom
    });
    let shots: Vec<&[BinShot]> = through.filter_map(|line| parts.shots.get(&line.name).map(Vec::as_slice)).collect();
    profiles::of_course((bottom, top), parts.plan.limits.max_gap, &shots)
}

/// The worst line first: by its decision, by the life it leaves, by its minimum.
fn order(on: &OnLine<'_>) -> (u8, f64, f64) {
    let decision = match on.summary.decision {
        Decision::NotMet => 0,
        Decision::NotDecided => 1,
        Decision::Met => 2,
    };
    let life = on.summary.life.map_or(f64::INFINITY, |life| life.as_years());
    (decision, life, on.summary.least.map_or(f64::INFINITY, Length::as_mm))
}

fn why(lines: &[OnLine<'_>], governing: Option<&OnLine<'_>>, on_lines: Decision, not_driven: &[String]) -> String {
    let Some(governing) = governing else {
        return match not_driven {
            [] => "no line of the plan crosses it".to_owned(),
            names => format!("nothing was read: {}", not_driven_words(names)),
        };
    };
    let more = if lines.len() > 1 { format!(" (of {} lines the one that decides)", lines.len()) } else { String::new() };
    let mut why = format!("line {}{more}: {}", governing.line, governing.summary.decision_why);
    // Averages may hold where the minimum alone has nothing left: said here, so that decision and date do not look at odds.
    let spent = lines.iter().filter(|on| on.summary.life.is_some_and(|life| life.as_years() <= 0.0)).map(|on| on.line.to_owned());
    let spent: Vec<String> = spent.collect();
    if on_lines == Decision::Met && !spent.is_empty() {
        why.push_str(&format!(
            "; enough now by average and minimum reading, but the minimum alone is under what is required or within U of it (line {}): by it no life \
             is left, and it is due now",
            spent.join(", ")
        ));
    }
    if on_lines == Decision::Met && !not_driven.is_empty() {
        why = format!("met on what was driven, but {}; {why}", not_driven_words(not_driven));
    }
    why
}

/// The fastest loss that is one; where there is none, the highest bound.
fn fastest(lines: &[OnLine<'_>]) -> Option<FastestLoss> {
    let real = lines.iter().filter(|on| on.summary.rate.is_some()).max_by(|a, b| {
        let of = |on: &OnLine<'_>| on.summary.rate.map_or(0.0, LossRate::as_mm_y);
        of(a).total_cmp(&of(b))
    });
    let bound = || {
        lines.iter().filter(|on| on.summary.rate_upper.is_some()).max_by(|a, b| {
            let of = |on: &OnLine<'_>| on.summary.rate_upper.map_or(0.0, LossRate::as_mm_y);
            of(a).total_cmp(&of(b))
        })
    };
    let on = real.or_else(bound)?;
    let upper = lines.iter().filter_map(|on| on.summary.rate_upper).reduce(LossRate::max);
    Some(FastestLoss {
        line: on.line.to_owned(),
        from: on.summary.greatest_from.clone().unwrap_or_default(),
        at: on.summary.greatest_at.map(|at| (at.from, at.to)),
        rate: on.summary.rate,
        expanded: on.summary.rate_expanded,
        upper,
    })
}
