//! The integrity numbers of one course on one line: what the readings, the plan and earlier surveys together allow, and
//! what is missing for the rest.

use super::{LineComparison, Request};
use backwall_survey::integrity::average::{Lowest, judge, lasting, lowest_average, pits, tank_length};
use backwall_survey::integrity::extreme::{Blocks, least_expected};
use backwall_survey::integrity::interval::{self, Rules};
use backwall_survey::integrity::rate::{Rate, Term, Wall, date_after, rate, remaining_life, years_between};
use backwall_survey::integrity::required::{Extent, Form, Pipe, Pressurised, Shell, Vessel, allowable_stress};
use backwall_survey::integrity::trend::regression;
use backwall_survey::integrity::variation::{averaging_length, level_one, variation};
use backwall_survey::integrity::{Answer, Refusal, Worked};
use backwall_survey::job::Plan;
use backwall_survey::job::assess::AssessPlan;
use backwall_survey::job::plan::{AssetKind, Course};
use backwall_survey::strip::compare::{Comparison, Point, SurveyLine};
use backwall_survey::strip::statistics::{OfCourse, Statistics};
use backwall_survey::travel::Path;
use backwall_units::{Length, LengthUnit, LossRate, Pressure, Years};
use chrono::NaiveDate;
use serde::Serialize;

/// What all courses of a line share.
pub(super) struct Facts<'a> {
    pub plan: &'a Plan,
    pub path: &'a Path,
    pub line: &'a SurveyLine,
    pub comparisons: &'a [LineComparison],
    pub request: &'a Request,
}

/// The numbers of the one-line summary.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Summary {
    #[serde(rename = "required_mm")]
    pub required: Option<Length>,
    /// Lowest average over the code's averaging length.
    #[serde(rename = "t1_mm")]
    pub lowest_average: Option<Length>,
    /// Least thickness.
    #[serde(rename = "t2_mm")]
    pub least: Option<Length>,
    /// The controlling rate.
    #[serde(rename = "rate_mm_y")]
    pub rate: Option<LossRate>,
    #[serde(rename = "remaining_life_years")]
    pub life: Option<Years>,
    pub next: Option<NaiveDate>,
    pub passes: Option<bool>,
    /// Variation of the thickness, a part of the mean.
    pub cov: Option<f64>,
    #[serde(rename = "least_expected_mm")]
    pub least_expected: Option<Length>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CourseAssessment {
    pub course: Option<u16>,
    pub statistics: Statistics,
    pub summary: Summary,
    /// Every number with its way.
    pub numbers: Vec<Worked>,
    /// What does not agree and must be looked at.
    pub checks: Vec<String>,
    /// What could not be answered, and why.
    pub missing: Vec<String>,
}

const BLOCK: Length = Length::mm(300.0);

/// A course being assessed.
struct Work<'a> {
    facts: &'a Facts<'a>,
    assess: AssessPlan,
    course: &'a Course,
    lower_two: bool,
    edges: (Length, Length),
    /// Place and thickness of every reading in it.
    readings: Vec<(Length, Length)>,
    done: CourseAssessment,
}

pub(super) fn assess(facts: &Facts<'_>, found: OfCourse) -> CourseAssessment {
    let done = CourseAssessment {
        course: found.course,
        statistics: found.statistics,
        summary: Summary::default(),
        numbers: Vec::new(),
        checks: Vec::new(),
        missing: Vec::new(),
    };
    let courses = &facts.plan.asset.courses;
    let place = found.course.and_then(|number| courses.iter().position(|course| course.number == number));
    let Some((index, course)) = place.and_then(|index| Some((index, courses.get(index)?))) else {
        let missing = vec![
            "readings of no known course: nothing can be required of them; give the line a course, or the stream an encoder".to_owned(),
        ];
        return CourseAssessment { missing, ..done };
    };
    let edges = edges_on(facts, course.number);
    let inside = |point: &&Point| facts.path.course_at(point.along) == Some(course.number);
    let readings = facts.line.points.iter().filter(inside).map(|point| (point.along, point.thickness)).collect();
    let assess = facts.plan.assess.clone().unwrap_or_default();
    let mut work = Work { facts, assess, course, lower_two: index < 2, edges, readings, done };
    work.all();
    work.done
}

/// The part of a course that lies on the line.
fn edges_on(facts: &Facts<'_>, number: u16) -> (Length, Length) {
    let (low, high) = facts.path.span();
    match facts.path.courses.iter().find(|edge| edge.0 == number) {
        Some((_, bottom, top)) if facts.path.direction.is_upright() => (bottom.max(low), top.min(high)),
        _ => (low, high),
    }
}

impl Work<'_> {
    fn take<T>(&mut self, answer: Result<Answer<T>, Refusal>) -> Option<T> {
        match answer {
            Ok(answer) => {
                self.done.numbers.push(answer.worked);
                Some(answer.value)
            }
            Err(refusal) => {
                self.done.missing.push(refusal.to_string());
                None
            }
        }
    }

    fn lacks(&mut self, title: &str, what: &[&'static str]) {
        self.done.missing.push(Refusal::missing(title, what.iter().copied()).to_string());
    }

    fn all(&mut self) {
        let required = self.required();
        self.done.summary.required = required;
        let Some(least) = self.done.statistics.least else {
            self.done.missing.push("no reading with an echo: no thickness to assess".to_owned());
            return;
        };
        self.done.summary.least = Some(least.thickness);
        let uncertainty =
            self.facts.line.points.iter().find(|point| Some(point.along) == least.along && point.thickness == least.thickness);
        let least = Wall { thickness: least.thickness, uncertainty: uncertainty.and_then(|point| point.uncertainty) };
        let rate = self.rates(least);
        self.done.summary.rate = rate;
        self.trend(least.thickness, required);
        let life = match (required, rate) {
            (Some(required), Some(rate)) => {
                let life = remaining_life(least.thickness, required, rate);
                self.take(life)
            }
            _ => None,
        };
        self.done.summary.life = life;
        self.next(least.thickness, required, rate, life);
        self.pressure(least.thickness, rate);
        self.averages(least.thickness, required, rate);
        let walls: Vec<Length> = self.readings.iter().map(|reading| reading.1).collect();
        let varies = variation(&walls);
        self.done.summary.cov = self.take(varies).map(|variation| variation.cov);
        self.extremes();
    }

    /// The plan's own number counts; what can be calculated stands beside it, or counts where the plan has none.
    fn required(&mut self) -> Option<Length> {
        let calculated = match self.facts.plan.asset.kind {
            AssetKind::TankShell => self.required_of_shell(),
            AssetKind::Pipe => self.required_of_pipe(),
            AssetKind::Sphere => self.required_of_vessel(Vessel::Sphere),
            AssetKind::Column | AssetKind::Vessel => self.required_of_vessel(Vessel::Cylinder),
        };
        match (self.course.required, calculated) {
            (Some(told), Some(calculated)) if calculated > told => {
                self.done.checks.push(format!(
                    "the plan requires {} mm and the formula {} mm; the plan's counts here, and it is the lesser",
                    LengthUnit::Mm.thickness(told),
                    LengthUnit::Mm.thickness(calculated)
                ));
                Some(told)
            }
            (Some(told), _) => Some(told),
            (None, Some(calculated)) => Some(calculated),
            (None, None) => {
                self.lacks("Pass or fail, remaining life and next date", &["the required thickness of the course (required_mm)"]);
                None
            }
        }
    }

    /// Names what a calculation lacks, unless the plan tells the result anyway and none of the inputs.
    fn lacking(&mut self, title: &str, inputs: &[(&'static str, bool)]) -> bool {
        let missing: Vec<&'static str> = inputs.iter().filter(|(_, there)| !there).map(|(name, _)| *name).collect();
        let begun = inputs.iter().any(|(_, there)| *there);
        if !missing.is_empty() && (begun || self.course.required.is_none()) {
            self.lacks(title, &missing);
        }
        !missing.is_empty()
    }

    fn stress(&mut self) -> Option<Pressure> {
        if self.course.allowable_stress.is_some() || self.facts.plan.asset.kind != AssetKind::TankShell {
            return self.course.allowable_stress;
        }
        let (yield_stress, tensile) = self.course.yield_stress.zip(self.course.tensile)?;
        let stress = allowable_stress(yield_stress, tensile, self.lower_two);
        self.take(stress)
    }

    fn required_of_shell(&mut self) -> Option<Length> {
        let stress = self.stress();
        let inputs = [
            ("fill height (assess.fill_height_mm)", self.assess.fill_height.is_some()),
            ("specific gravity (assess.specific_gravity)", self.assess.specific_gravity.is_some()),
            ("joint efficiency (asset.course joint_efficiency)", self.course.joint_efficiency.is_some()),
            ("allowable stress (asset.course allowable_stress_mpa, or yield_mpa and tensile_mpa)", stress.is_some()),
        ];
        if self.lacking("Required thickness of the course", &inputs) {
            return None;
        }
        let bottom = self.facts.plan.course_edges().iter().find(|edge| edge.0 == self.course.number).map(|edge| edge.1)?;
        let shell = Shell {
            diameter: self.facts.plan.asset.diameter,
            fill: self.assess.fill_height? - bottom,
            specific_gravity: self.assess.specific_gravity?,
            stress: stress?,
            joint_efficiency: self.course.joint_efficiency?,
        };
        let form = if self.facts.plan.job.units == LengthUnit::Inch { Form::Us } else { Form::Si };
        let required = shell.required(Extent::Course, form);
        self.take(required).map(|required| required.required)
    }

    fn pressure_inputs(&mut self, title: &str) -> Option<(Pressure, Pressure, f64)> {
        let inputs = [
            ("design pressure (assess.design_pressure_mpa)", self.assess.design_pressure.is_some()),
            ("allowable stress (asset.course allowable_stress_mpa)", self.course.allowable_stress.is_some()),
            ("joint efficiency (asset.course joint_efficiency)", self.course.joint_efficiency.is_some()),
        ];
        if self.lacking(title, &inputs) {
            return None;
        }
        Some((self.assess.design_pressure?, self.course.allowable_stress?, self.course.joint_efficiency?))
    }

    /// The diameter of vessels is taken as the inside one.
    fn required_of_vessel(&mut self, shape: Vessel) -> Option<Length> {
        let (pressure, stress, joint_efficiency) = self.pressure_inputs("Required thickness under pressure")?;
        let radius = self.facts.plan.asset.diameter / 2.0 + self.assess.corrosion_allowance.unwrap_or_default();
        let required = Pressurised { pressure, radius, stress, joint_efficiency }.required(shape);
        self.take(required)
    }

    /// The diameter of pipe is taken as the outside one.
    fn required_of_pipe(&mut self) -> Option<Length> {
        let (pressure, stress, joint_efficiency) = self.pressure_inputs("Required thickness of the pipe")?;
        let required = Pipe { pressure, outside_diameter: self.facts.plan.asset.diameter, stress, joint_efficiency, y: 0.4 }.required();
        self.take(required)
    }

    /// Long- and short-term rates; the greatest counts.
    fn rates(&mut self, least: Wall) -> Option<LossRate> {
        let Some(now) = self.facts.line.date else {
            self.lacks("Corrosion rate", &["the day of the present survey"]);
            return None;
        };
        let mut found: Vec<LossRate> = Vec::new();
        match self.assess.built {
            None => self.lacks("Long-term corrosion rate", &["when the wall was new (assess.built)"]),
            Some(built) => {
                let original = self.course.original;
                let start = Wall::of(original.unwrap_or(self.course.nominal));
                let mut long = rate(Term::Long, start, least, years_between(built.0, now));
                if let (Ok(answer), None) = (&mut long, original) {
                    let caution =
                        "the nominal thickness stands for the new wall: plate and pipe may have been thinner or thicker (give original_mm)";
                    answer.worked.cautions.push(caution.to_owned());
                }
                found.extend(self.take(long).map(|rate: Rate| rate.rate));
            }
        }
        let before = found.len();
        self.short_from_surveys(now, &mut found);
        self.short_from_plan(now, least, &mut found);
        if found.len() == before {
            let what = "an earlier survey with its day (--earlier, or earlier = [{ date = …, thickness_mm = … }] of the course)";
            self.lacks("Short-term corrosion rate", &[what]);
        }
        backwall_survey::integrity::rate::controlling(&found)
    }

    fn short_from_surveys(&mut self, now: NaiveDate, found: &mut Vec<LossRate>) {
        let facts = self.facts;
        let (from, to) = self.edges;
        for (compared, then) in facts.comparisons.iter().filter_map(|compared| Some((compared, compared.date.filter(|then| *then < now)?)))
        {
            let years = years_between(then, now);
            let settings = &facts.request.settings;
            let (points, earlier) = (&facts.line.points, &compared.earlier);
            if let Some(course) = Comparison::between(points, earlier, Length::ZERO, settings, from, to) {
                found.extend(self.short(&course.mean, years, "mean of what both surveys read", &compared.source));
            }
            if compared.misaligned {
                let why = compared.alignment.as_ref().map_or("", |alignment| alignment.why.as_str());
                self.done.checks.push(format!("{}: no local rate is drawn, since positions do not agree: {why}", compared.source));
                continue;
            }
            // The place that lost most is where life ends; only losses beyond U count, or the noise of many bins would.
            let stretches = compared.comparison.iter().flat_map(|comparison| &comparison.stretches);
            let lost = stretches.filter(|stretch| stretch.from < to && stretch.to > from && stretch.mean.difference < Length::ZERO);
            if let Some(worst) = lost.min_by(|a, b| a.mean.difference.total_cmp(&b.mean.difference)) {
                let place = format!("stretch of greatest loss, {} to {} mm", worst.from.as_mm(), worst.to.as_mm());
                found.extend(self.short(&worst.mean, years, &place, &compared.source));
            }
        }
    }

    fn short(
        &mut self,
        difference: &backwall_survey::strip::compare::Difference,
        years: Years,
        what: &str,
        source: &str,
    ) -> Option<LossRate> {
        let mut short = rate(Term::Short, Wall::of(difference.earlier), Wall::of(difference.now), years);
        if let Ok(answer) = &mut short {
            answer.worked.title = format!("{} ({what})", answer.worked.title);
            answer.worked.cautions.retain(|caution| !caution.starts_with("an uncertainty"));
            answer.worked.cautions.push(format!(
                "earlier: {source}; difference {:+.3} mm: {}",
                difference.difference.as_mm(),
                difference.change.word()
            ));
        }
        self.take(short).map(|rate| rate.rate)
    }

    fn short_from_plan(&mut self, now: NaiveDate, least: Wall, found: &mut Vec<LossRate>) {
        let Some(last) = self.course.earlier.iter().filter(|wall| wall.date.0 < now).max_by_key(|wall| wall.date) else { return };
        let mut short = rate(Term::Short, Wall::of(last.thickness), least, years_between(last.date.0, now));
        if let Ok(answer) = &mut short {
            let source = last.source.as_deref().map_or_else(String::new, |source| format!(", {}", crate::words::safe_text(source)));
            answer.worked.title = format!("{} (minimum of the course then and now)", answer.worked.title);
            answer.worked.cautions.push(format!("earlier: the plan's of {}{source}; the two minima need not be the same place", last.date));
        }
        found.extend(self.take(short).map(|rate| rate.rate));
    }

    /// The least walls of three or more surveys.
    fn trend(&mut self, least: Length, required: Option<Length>) {
        let Some(now) = self.facts.line.date else { return };
        let mut surveys: Vec<(NaiveDate, Length)> = self.course.earlier.iter().map(|wall| (wall.date.0, wall.thickness)).collect();
        for compared in self.facts.comparisons {
            let inside = compared.earlier.iter().filter(|point| self.facts.path.course_at(point.along) == Some(self.course.number));
            surveys.extend(compared.date.zip(inside.map(|point| point.thickness).reduce(Length::min)));
        }
        surveys.retain(|(then, _)| *then < now);
        surveys.push((now, least));
        surveys.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        surveys.dedup_by_key(|survey| survey.0);
        if surveys.len() < 3 {
            return;
        }
        let first = surveys[0].0;
        let points: Vec<_> = surveys.iter().map(|(day, wall)| (years_between(first, *day), *wall)).collect();
        let mut trend = regression(&points, required);
        if let Ok(answer) = &mut trend {
            answer.worked.cautions.push(format!("year 0 is {first}; minima of the course, which need not be the same place each time"));
        }
        self.take(trend);
    }

    fn next(&mut self, least: Length, required: Option<Length>, rate: Option<LossRate>, life: Option<Years>) {
        let Some(required) = required else { return };
        let kind = self.facts.plan.asset.kind;
        let rules = self.assess.code.unwrap_or(match kind {
            AssetKind::TankShell => Rules::Tank,
            AssetKind::Pipe => Rules::Piping,
            AssetKind::Column | AssetKind::Vessel | AssetKind::Sphere => Rules::Vessel,
        });
        let answers = match (rules, life) {
            (Rules::Tank, _) => vec![interval::tank_thickness(least, required, rate), interval::tank_external(least, required, rate)],
            (Rules::Vessel | Rules::Piping, None) => return self.lacks("Next inspection date", &["a remaining life (a rate above 0)"]),
            (Rules::Vessel, Some(life)) => vec![interval::vessel(life)],
            (Rules::Piping, Some(life)) => match self.assess.piping_class {
                Some(class) => vec![interval::piping(life, class)],
                None => return self.lacks("Next inspection date", &["the piping class (assess.piping_class)"]),
            },
        };
        for mut answer in answers {
            let date =
                self.facts.line.date.zip(answer.as_ref().ok().map(|answer| answer.value)).and_then(|(now, years)| date_after(now, years));
            if let (Ok(answer), Some(date), Some(now)) = (&mut answer, date, self.facts.line.date) {
                answer.worked.verdict = Some(format!("at the latest on {date}, counted from the survey of {now}"));
            }
            let taken = self.take(answer).and(date);
            self.done.summary.next = match (self.done.summary.next, taken) {
                (Some(a), Some(b)) if rules != Rules::Tank => Some(a.min(b)),
                (Some(a), _) => Some(a),
                (None, b) => b,
            };
        }
    }

    /// What pressure the least wall carries, where a design pressure is told.
    fn pressure(&mut self, least: Length, rate: Option<LossRate>) {
        let asset = &self.facts.plan.asset;
        let inputs = (self.assess.design_pressure, self.course.allowable_stress, self.course.joint_efficiency);
        let (Some(pressure), Some(stress), Some(joint_efficiency)) = inputs else { return };
        let radius = asset.diameter / 2.0 + self.assess.corrosion_allowance.unwrap_or_default();
        let vessel = Pressurised { pressure, radius, stress, joint_efficiency };
        let carried = match asset.kind {
            AssetKind::TankShell => return,
            AssetKind::Sphere => vessel.allowable_pressure(Vessel::Sphere, least),
            AssetKind::Column | AssetKind::Vessel => vessel.allowable_pressure(Vessel::Cylinder, least),
            AssetKind::Pipe => {
                let pipe = Pipe { pressure, outside_diameter: asset.diameter, stress, joint_efficiency, y: 0.4 };
                if let Some((rate, interval)) = rate.zip(self.assess.interval) {
                    let after = pipe.pressure_after(least, rate, interval);
                    self.take(after);
                }
                pipe.allowable_pressure(least)
            }
        };
        self.take(carried);
    }

    /// What may corrode until the next inspection.
    fn allowance(&self, rate: Option<LossRate>) -> Length {
        let planned = rate.zip(self.assess.interval).map(|(rate, years)| rate * years);
        self.assess.corrosion_allowance.or(planned).unwrap_or_default()
    }

    fn averages(&mut self, least: Length, required: Option<Length>, rate: Option<LossRate>) {
        let (asset, allowance) = (&self.facts.plan.asset, self.allowance(rate));
        let tank = asset.kind == AssetKind::TankShell;
        if self.readings.is_empty() {
            return self.lacks("Lowest average", &["places: the stream has no encoder"]);
        }
        if tank && !self.facts.path.direction.is_upright() {
            self.done.missing.push("Lowest average t1: the code averages along vertical lines, and this one runs across".to_owned());
            return;
        }
        let length = if tank {
            tank_length(asset.diameter, least)
        } else {
            let inside = if asset.kind == AssetKind::Pipe { asset.diameter - self.course.nominal * 2.0 } else { asset.diameter };
            averaging_length(inside, least, allowance, self.course.nominal - allowance)
        };
        let Some(length) = self.take(length) else { return };
        let sliding = lowest_average(&self.readings, length);
        let Some(lowest) = sliding.lowest else {
            self.done
                .missing
                .push("Lowest average t1: no stretch of the averaging length has readings enough (one in each fifth of it)".to_owned());
            return;
        };
        self.done.summary.lowest_average = Some(lowest.average);
        let mut found = sliding_worked(&lowest, length);
        found =
            found.caution_if(sliding.short, "the course was read over less than the averaging length: what was read counts as one stretch");
        found = found.caution_if(
            sliding.skipped > 0,
            "stretches with too little read in them were skipped, not filled in: the lowest average may lie there",
        );
        self.done.numbers.push(found);
        let Some(required) = required else { return };
        if tank {
            let judged = judge(lowest.average, least, required, allowance);
            self.done.summary.passes = self.take(judged).map(|passes| passes.both());
            if let Some(rate) = rate.filter(|rate| *rate > LossRate::ZERO) {
                let lasting = lasting(lowest.average, least, required, rate);
                self.take(lasting);
            }
            let pits = pits(&self.readings, required, allowance, self.facts.plan.limits.max_gap);
            self.take(pits);
        } else {
            let judged = level_one(lowest.average, least, required, self.course.nominal, allowance);
            self.done.summary.passes = self.take(judged).map(|passes| passes.both());
        }
    }

    fn extremes(&mut self) {
        let asset = &self.facts.plan.asset;
        let Some(track) = self.assess.track else {
            return self.lacks("Minimum wall to expect on the whole surface", &["width of wall a pass sees (assess.track_mm)"]);
        };
        if asset.kind == AssetKind::Sphere {
            self.done.missing.push("Minimum wall to expect: the surface of a zone of a sphere is not in the plan".to_owned());
            return;
        }
        let blocks = Blocks::of(&self.readings, self.edges, self.assess.block.unwrap_or(BLOCK), self.facts.plan.limits.max_gap);
        let surface = self.course.height.as_mm() * asset.diameter.as_mm() * std::f64::consts::PI;
        let expected = least_expected(&blocks, track, surface);
        self.done.summary.least_expected = self.take(expected).map(|expected| expected.least);
    }
}

fn sliding_worked(lowest: &Lowest, length: Length) -> Worked {
    let source = backwall_survey::integrity::average::AVERAGE;
    Worked::new("Lowest average", "t1 = least mean of the points, one a millimetre, in any stretch of length L", source)
        .given("L", "averaging length", length.as_mm(), "mm")
        .given("n", "points in the stretch", lowest.points as f64, "")
        .gives("t1", "lowest average", lowest.average.as_mm(), "mm")
        .gives("", "from", lowest.from.as_mm(), "mm")
        .gives("", "to", lowest.to.as_mm(), "mm")
}
