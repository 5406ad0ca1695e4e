//! The integrity numbers of one course on one line: what the readings, the plan and earlier surveys together allow, and
//! what is missing for the rest.

mod averages;
mod rates;
mod summary;

pub use summary::Summary;

use super::evidence::OfMinimum;
use super::{LineComparison, Request};
use backwall_survey::integrity::average::BinShot;
use backwall_survey::integrity::extreme::{Blocks, least_expected};
use backwall_survey::integrity::rate::DatedWall;
use backwall_survey::integrity::required::{Extent, FormulaUnits, Pipe, Pressurised, Shell, Vessel, allowable_stress};
use backwall_survey::integrity::variation::variation;
use backwall_survey::integrity::{Refusal, Worked, WorkedAnswer};
use backwall_survey::job::assess::AssessPlan;
use backwall_survey::job::plan::{AssetKind, Course};
use backwall_survey::job::{Basis, Plan};
use backwall_survey::strip::compare::{Point, SurveyLine};
use backwall_survey::strip::statistics::{OfCourse, Statistics};
use backwall_survey::travel::Path;
use backwall_units::{Length, LengthUnit, LossRate, Pressure};
use chrono::NaiveDate;
use serde::Serialize;

/// What all courses of a line share.
pub(super) struct Facts<'a> {
    /// With what the basis gives in place of its own.
    pub plan: &'a Plan,
    pub basis: Option<&'a Basis>,
    /// Readings by hand that the basis counts, on this line: course, place, wall.
    pub hand: &'a [HandPoint],
    /// For words.
    pub unit: LengthUnit,
    pub path: &'a Path,
    pub line: &'a SurveyLine,
    pub comparisons: &'a [LineComparison],
    pub request: &'a Request,
    /// Every placed reading of the line, echo or not.
    pub shots: &'a [BinShot],
}

/// A reading by hand that counts for the minimum.
#[derive(Debug, Clone, Copy)]
pub(super) struct HandPoint {
    pub statement: i64,
    pub course: Option<u16>,
    pub along: Option<Length>,
    pub wall: DatedWall,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CourseAssessment {
    pub course: Option<u16>,
    pub statistics: Statistics,
    pub summary: Summary,
    /// What the reader must know of the readings that all these numbers rest on.
    pub rests_on: Vec<String>,
    /// Every number with its way.
    pub numbers: Vec<Worked>,
    /// The minimum of the course at each survey, the present one last.
    pub minima: Vec<AtSurvey>,
    /// What does not agree and must be looked at.
    pub checks: Vec<String>,
    /// What could not be answered, and why.
    pub missing: Vec<String>,
}

/// The minimum of a course at one survey.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AtSurvey {
    pub date: NaiveDate,
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
    /// U (k = 2), where it is known.
    #[serde(rename = "expanded_mm")]
    pub expanded: Option<Length>,
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
    /// Every placed shot in it, echo or not.
    shots: Vec<BinShot>,
    of_minimum: OfMinimum,
    done: CourseAssessment,
}

pub(super) fn assess(facts: &Facts<'_>, found: OfCourse, rests_on: Vec<String>, of_minimum: OfMinimum) -> CourseAssessment {
    let done = CourseAssessment {
        course: found.course,
        statistics: found.statistics,
        summary: Summary::default(),
        rests_on,
        numbers: Vec::new(),
        minima: Vec::new(),
        checks: Vec::new(),
        missing: Vec::new(),
    };
    let courses = &facts.plan.asset.courses;
    let place = found.course.and_then(|number| courses.iter().position(|course| course.number == number));
    let Some((index, course)) = place.and_then(|index| Some((index, courses.get(index)?))) else {
        let missing = vec![
            "readings whose course is not known: no required thickness applies to them; give the line a course, or the stream an encoder"
                .to_owned(),
        ];
        let summary =
            Summary { decision_why: "the course is not known, so no required thickness applies".to_owned(), ..Summary::default() };
        return CourseAssessment { missing, summary, ..done };
    };
    let edges = edges_on(facts, course.number);
    let inside = |point: &&Point| facts.path.course_at(point.along) == Some(course.number);
    let readings = facts.line.points.iter().filter(inside).map(|point| (point.along, point.thickness)).collect();
    let assess = facts.plan.assess.clone().unwrap_or_default();
    let shots = facts.shots.iter().filter(|shot| facts.path.course_at(shot.along) == Some(course.number)).copied().collect();
    let mut work = Work { facts, assess, course, lower_two: index < 2, edges, readings, shots, of_minimum, done };
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
    fn unit(&self) -> LengthUnit {
        self.facts.unit
    }

    fn lowest_by_hand(&self) -> Option<HandPoint> {
        let here = self.facts.hand.iter().filter(|hand| hand.course == Some(self.course.number));
        here.copied().min_by(|a, b| a.wall.thickness.total_cmp(&b.wall.thickness))
    }

    fn take<T>(&mut self, answer: Result<WorkedAnswer<T>, Refusal>) -> Option<T> {
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
            let (missing, why) = match self.of_minimum.alone {
                None => ("no reading with an echo: no thickness to assess", "nothing was read"),
                Some(_) => {
                    ("no reading that a neighbour agrees with: no thickness to assess", "nothing was read that a neighbour agrees with")
                }
            };
            self.done.missing.push(missing.to_owned());
            self.done.summary.decision_why = why.to_owned();
            self.nothing_read();
            return;
        };
        self.done.summary.least = Some(least.thickness);
        let mut least = DatedWall { thickness: least.thickness, uncertainty: self.of_minimum.uncertainty };
        if let Some(hand) = self.lowest_by_hand().filter(|hand| hand.wall.thickness < least.thickness) {
            let unit = self.unit();
            self.done.checks.push(format!(
                "the minimum is {} read by hand (statement {}), which the basis counts; the crawler's is {}",
                crate::words::thickness(unit, hand.wall.thickness),
                hand.statement,
                crate::words::thickness(unit, least.thickness)
            ));
            least = hand.wall;
            self.done.summary.least = Some(least.thickness);
            self.done.summary.least_at = hand.along;
            self.of_minimum.even_only = false;
        }
        self.done.summary.least_even_only = self.of_minimum.even_only;
        self.done.summary.least_expanded = least.uncertainty.map(|u| u * 2.0).filter(|_| !self.of_minimum.even_only);
        let upper = self.rates(least, required);
        self.pressure(least.thickness, upper);
        // A U that does not hold for the wall there proves nothing.
        let uncertainty = least.uncertainty.filter(|_| !self.of_minimum.even_only);
        self.averages(DatedWall { uncertainty, ..least }, required, upper);
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
                    "the required thickness is {} as given and {} by the formula; the given one counts here, and it is the smaller",
                    crate::words::thickness(self.unit(), told),
                    crate::words::thickness(self.unit(), calculated)
                ));
                Some(told)
            }
            (Some(told), _) => Some(told),
            (None, Some(calculated)) => Some(calculated),
            (None, None) => {
                self.lacks("Met or not met, remaining life and next date", &["the required thickness of the course (required_mm)"]);
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
        let form = if self.facts.plan.job.units == LengthUnit::Inch { FormulaUnits::Us } else { FormulaUnits::Si };
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

    /// A vessel as it was when new: the diameter is taken as the inside one then.
    fn vessel(&self, pressure: Pressure, stress: Pressure, joint_efficiency: f64) -> Pressurised {
        Pressurised { pressure, radius: self.facts.plan.asset.diameter / 2.0, stress, joint_efficiency }
    }

    /// The wall when new; without a measurement the nominal stands in.
    fn new_wall(&self) -> Length {
        self.course.original.unwrap_or(self.course.nominal)
    }

    fn required_of_vessel(&mut self, shape: Vessel) -> Option<Length> {
        let (pressure, stress, joint_efficiency) = self.pressure_inputs("Required thickness under pressure")?;
        let required = self.vessel(pressure, stress, joint_efficiency).required_at_end(shape, self.new_wall());
        self.take(required)
    }

    /// The diameter of pipe is taken as the outside one.
    fn required_of_pipe(&mut self) -> Option<Length> {
        let (pressure, stress, joint_efficiency) = self.pressure_inputs("Required thickness of the pipe")?;
        let required = Pipe { pressure, outside_diameter: self.facts.plan.asset.diameter, stress, joint_efficiency, y: 0.4 }.required();
        self.take(required)
    }

    /// What pressure the least wall carries, where a design pressure is told.
    fn pressure(&mut self, least: Length, rate: Option<LossRate>) {
        let asset = &self.facts.plan.asset;
        let inputs = (self.assess.design_pressure, self.course.allowable_stress, self.course.joint_efficiency);
        let (Some(pressure), Some(stress), Some(joint_efficiency)) = inputs else { return };
        // The inside radius as it is now: what is lost has made it greater.
        let new = self.vessel(pressure, stress, joint_efficiency);
        let vessel = Pressurised { radius: new.radius + (self.new_wall() - least).max(Length::ZERO), ..new };
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
        let expected = least_expected(&blocks, track, surface, self.unit());
        let expected = self.take(expected);
        self.done.summary.least_expected = expected.map(|expected| expected.least);
        self.done.summary.least_expected_low = expected.map(|expected| expected.low);
    }
}
