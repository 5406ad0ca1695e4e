//! How fast a course loses wall, by every way the surveys allow, and the life and the date that leaves by the safe end.

use super::{AtSurvey, Work};
use crate::assessment::LineComparison;
use crate::words::file_name;
use backwall_survey::integrity::average::BinStretch;
use backwall_survey::integrity::decision::safe_end;
use backwall_survey::integrity::interval::{self, Lasts, Rules};
use backwall_survey::integrity::life::{Life, remaining_life};
use backwall_survey::integrity::local::worst_place;
use backwall_survey::integrity::rate::{DatedWall, Rate, Term, date_after, given_rate, rate, years_between};
use backwall_survey::integrity::trend::regression;
use backwall_survey::integrity::{Refusal, WorkedAnswer};
use backwall_survey::job::basis::RateCounts;
use backwall_survey::job::plan::AssetKind;
use backwall_survey::strip::compare::Point;
use backwall_units::{Length, LossRate, Years};
use chrono::NaiveDate;

/// One way to a rate.
struct RateCandidate {
    title: String,
    rate: Rate,
    /// Of the present minimum and the rate, mm²/y: the present wall stands in both.
    covariance: f64,
    /// Where along the line, where it is of one place.
    at: Option<BinStretch>,
}

impl Work<'_> {
    /// All rates, the life and the next date; gives what no rate is above.
    pub(super) fn rates(&mut self, least: DatedWall, required: Option<Length>) -> Option<LossRate> {
        let Some(now) = self.facts.line.date else {
            self.lacks("Corrosion rate", &["the day of the present survey"]);
            return None;
        };
        let mut found = Vec::new();
        self.long(now, least, &mut found);
        let before = found.len();
        self.by_surveys(now, least, &mut found);
        self.by_plan(now, least, &mut found);
        if found.len() == before {
            let what = "an earlier survey with its day (--earlier, or earlier = [{ date = …, thickness_mm = … }] of the course)";
            self.lacks("Short-term corrosion rate", &[what]);
        }
        self.trend(now, least, required, &mut found);
        self.by_basis(&mut found);
        let greatest = found.iter().filter(|found| found.rate.rate.is_some()).max_by(|a, b| a.rate.measured.total_cmp(&b.rate.measured));
        self.done.summary.rate = greatest.and_then(|found| found.rate.rate);
        self.done.summary.rate_expanded = greatest.and_then(|found| found.rate.expanded());
        let highest = || found.iter().max_by(|a, b| a.rate.upper.total_cmp(&b.rate.upper));
        let named = greatest.or_else(highest);
        self.done.summary.greatest_from = named.map(|found| found.title.clone());
        self.done.summary.greatest_at = named.and_then(|found| found.at);
        let upper = found.iter().map(|found| found.rate.upper).reduce(LossRate::max);
        self.done.summary.rate_upper = upper;
        self.next(least, required, &found);
        upper
    }

    fn keep(&mut self, found: &mut Vec<RateCandidate>, answer: Result<WorkedAnswer<Rate>, Refusal>, covariance: f64) {
        let title = answer.as_ref().map(|answer| answer.worked.title.clone()).unwrap_or_default();
        found.extend(self.take(answer).map(|rate| RateCandidate { title, rate, covariance, at: None }));
    }

    /// What an engineer gives: beside the measured rates, or in their place, and then the measured ones are still said.
    fn by_basis(&mut self, found: &mut Vec<RateCandidate>) {
        let Some(basis) = self.facts.basis else { return };
        let Some(given) = basis.rate_of(self.course.number) else { return };
        if basis.rate_counts == RateCounts::Given {
            let above = found.iter().filter(|found| found.rate.measured > given).max_by(|a, b| a.rate.measured.total_cmp(&b.rate.measured));
            if let Some(above) = above {
                let rate = |rate: LossRate| format!("{} {}", self.unit().rate(rate), self.unit().rate_symbol());
                let (measured, given) = (rate(above.rate.measured), rate(given));
                let words = format!(
                    "the basis gives {given} and {} says {measured}: the given rate counts here, and it is the smaller",
                    above.title
                );
                self.done.checks.push(words);
            }
            found.clear();
        }
        self.keep(found, given_rate(given, &basis.name), 0.0);
    }

    fn long(&mut self, now: NaiveDate, least: DatedWall, found: &mut Vec<RateCandidate>) {
        let Some(built) = self.assess.built else {
            return self.lacks("Long-term corrosion rate", &["when the wall was new (assess.built)"]);
        };
        let mut long = rate(Term::Long, DatedWall::of(self.new_wall()), least, years_between(built.0, now));
        if let (Ok(answer), None) = (&mut long, self.course.original) {
            let caution =
                "the nominal thickness is used for the new wall: plate and pipe may have been thinner or thicker (give original_mm)";
            answer.worked.cautions.push(caution.to_owned());
        }
        self.keep(found, long, 0.0);
    }

    /// The earlier readings of this course, at their places on this line.
    fn earlier_in_course<'b>(&self, compared: &'b LineComparison) -> impl Iterator<Item = &'b Point> + use<'b, '_> {
        let (path, number) = (self.facts.path, self.course.number);
        compared.earlier.iter().filter(move |point| path.course_at(point.along) == Some(number))
    }

    fn earlier_minimum(&self, compared: &LineComparison) -> Option<DatedWall> {
        let least = self.earlier_in_course(compared).min_by(|a, b| a.thickness.total_cmp(&b.thickness))?;
        Some(DatedWall { thickness: least.thickness, uncertainty: least.uncertainty })
    }

    /// Minimum to minimum, and the place that lost most.
    fn by_surveys(&mut self, now: NaiveDate, least: DatedWall, found: &mut Vec<RateCandidate>) {
        let facts = self.facts;
        for (compared, then) in facts.comparisons.iter().filter_map(|compared| Some((compared, compared.date.filter(|then| *then < now)?)))
        {
            let years = years_between(then, now);
            let Some(before) = self.earlier_minimum(compared) else { continue };
            let shared = least.uncertainty.map_or(0.0, |u| -u.as_mm() * u.as_mm() / years.as_years());
            let mut short = rate(Term::Short, before, least, years);
            if let Ok(answer) = &mut short {
                answer.worked.title = format!("{} (minimum of the course then and now)", answer.worked.title);
                answer.worked.cautions.push(format!("earlier: {}; the two minima need not be the same place", file_name(&compared.source)));
            }
            self.keep(found, short, shared);
            if compared.misaligned {
                let why = compared.alignment.as_ref().map_or("", |alignment| alignment.why.as_str());
                self.done.checks.push(format!("{}: no local rate is given, since positions do not agree: {why}", compared.source));
                continue;
            }
            if !compared.points.is_empty() {
                self.by_points(compared, years, shared, found);
                continue;
            }
            let inside = |points: &[Point]| -> Vec<Point> {
                points.iter().filter(|point| facts.path.course_at(point.along) == Some(self.course.number)).copied().collect()
            };
            let (points, earlier) = (inside(&facts.line.points), inside(&compared.earlier));
            match worst_place(&points, &earlier, &facts.request.settings, self.reach(), years) {
                Some((mut answer, at)) => {
                    answer.worked.cautions.push(format!("earlier: {}", file_name(&compared.source)));
                    self.keep(found, Ok(answer), shared);
                    if let Some(last) = found.last_mut() {
                        last.at = Some(at);
                    }
                }
                None => self.done.missing.push(format!(
                    "Place of greatest loss against {}: no piece has an uncertainty in both surveys (for a table, --earlier-u gives it)",
                    compared.source
                )),
            }
        }
    }

    /// Of an earlier survey of single points the one that lost most.
    fn by_points(&mut self, compared: &LineComparison, years: Years, shared: f64, found: &mut Vec<RateCandidate>) {
        let here = compared.points.iter().filter(|point| self.facts.path.course_at(point.at) == Some(self.course.number));
        let read = here.filter_map(|point| Some((point.at, point.nearest?)));
        let worst = read.min_by(|a, b| a.1.difference.total_cmp(&b.1.difference));
        let Some((at, difference)) = worst else { return };
        let expanded = difference.expanded.map(|expanded| expanded / 2.0 / years);
        let (before, now) = (DatedWall::of(difference.earlier), DatedWall::of(difference.now));
        let mut short = rate(Term::Short, before, now, years);
        if let Ok(answer) = &mut short {
            answer.value = Rate::judged(-difference.difference / years, expanded);
            answer.worked.title = format!("{} (point that lost most)", answer.worked.title);
            answer
                .worked
                .cautions
                .push(format!("earlier: {}, single points; each with the reading nearest to it now", file_name(&compared.source)));
        }
        self.keep(found, short, shared);
        if let Some(last) = found.last_mut() {
            last.at = Some(BinStretch { from: at, to: at });
        }
    }

    fn by_plan(&mut self, now: NaiveDate, least: DatedWall, found: &mut Vec<RateCandidate>) {
        let Some(last) = self.course.earlier.iter().filter(|wall| wall.date.0 < now).max_by_key(|wall| wall.date) else { return };
        let mut short = rate(Term::Short, DatedWall::of(last.thickness), least, years_between(last.date.0, now));
        if let Ok(answer) = &mut short {
            let source = last.source.as_deref().map_or_else(String::new, |source| format!(", {}", crate::words::safe_text(source)));
            answer.worked.title = format!("{} (minimum of the course by the plan and now)", answer.worked.title);
            answer.worked.cautions.push(format!("earlier: the plan's of {}{source}; the two minima need not be the same place", last.date));
        }
        self.keep(found, short, 0.0);
    }

    /// The least walls of three or more surveys.
    fn trend(&mut self, now: NaiveDate, least: DatedWall, required: Option<Length>, found: &mut Vec<RateCandidate>) {
        let mut surveys: Vec<(NaiveDate, DatedWall)> =
            self.course.earlier.iter().map(|wall| (wall.date.0, DatedWall::of(wall.thickness))).collect();
        for compared in self.facts.comparisons {
            surveys.extend(compared.date.zip(self.earlier_minimum(compared)));
        }
        surveys.retain(|(then, _)| *then < now);
        surveys.push((now, least));
        surveys.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.thickness.total_cmp(&b.1.thickness)));
        surveys.dedup_by_key(|survey| survey.0);
        let at = |(date, wall): &(NaiveDate, DatedWall)| AtSurvey {
            date: *date,
            thickness: wall.thickness,
            expanded: wall.uncertainty.map(|u| u * 2.0),
        };
        self.done.minima = surveys.iter().map(at).collect();
        if let (Some(present), true) = (self.done.minima.last_mut(), self.of_minimum.even_only) {
            present.expanded = None;
        }
        if surveys.len() < 3 {
            return;
        }
        let first = surveys[0].0;
        let points: Vec<_> = surveys.iter().map(|(day, wall)| (years_between(first, *day), *wall)).collect();
        let mut trend = regression(&points, required);
        if let Ok(answer) = &mut trend {
            answer.worked.cautions.push(format!("year 0 is {first}; minima of the course, which need not be the same place each time"));
        }
        let trend = trend.map(|answer| WorkedAnswer::new(answer.value.rate, answer.worked));
        // How far the two go together is not worked out: as far as they can, which gives the shorter life.
        let together = trend.as_ref().ok().and_then(|answer| answer.value.uncertainty.zip(least.uncertainty));
        self.keep(found, trend, together.map_or(0.0, |(rate, wall)| -rate.as_mm_y() * wall.as_mm()));
    }

    /// The shortest life that any of the rates leaves, and the date by it.
    fn next(&mut self, least: DatedWall, required: Option<Length>, found: &[RateCandidate]) {
        let Some(required) = required else { return };
        let lives = found.iter().map(|found| (found, remaining_life(least, required, &found.rate, found.covariance)));
        let shortest = lives.filter_map(|(found, life)| Some((found, life.ok()?))).min_by(|a, b| a.1.value.low.total_cmp(&b.1.value.low));
        let life = match shortest {
            Some((from, mut life)) => {
                life.worked.cautions.push(format!(
                    "of {} the one that leaves least: {}",
                    crate::words::count(found.len() as u64, "rate"),
                    from.title
                ));
                if self.of_minimum.even_only {
                    let caution = "t_actual is for an even wall only: its U is the least there is, and the wall under the beam may be lower and the life shorter";
                    life.worked.cautions.push(caution.to_owned());
                }
                self.done.summary.rate_from = Some(from.title.clone());
                self.take(Ok(life))
            }
            None => {
                if let Some(only) = found.first() {
                    let refused = remaining_life(least, required, &only.rate, 0.0);
                    self.take(refused);
                }
                None
            }
        };
        self.done.summary.life = life.map(|life| life.low);
        self.done.summary.life_ends = life;
        let kind = self.facts.plan.asset.kind;
        let rules = self.assess.code.unwrap_or(match kind {
            AssetKind::TankShell => Rules::Tank,
            AssetKind::Pipe => Rules::Piping,
            AssetKind::Column | AssetKind::Vessel | AssetKind::Sphere => Rules::Vessel,
        });
        let left = safe_end(least.thickness, least.uncertainty) > required;
        let middle =
            life.and_then(|life| life.middle).and_then(|middle| self.interval(rules, Some(middle), true, left).ok()?.into_iter().next());
        self.done.summary.next_middle = middle.and_then(|answer| date_after(self.facts.line.date?, answer.value));
        let rated = life.is_some_and(|life| life.middle.is_some());
        match self.interval(rules, life.map(|life: Life| life.low), rated, left) {
            Ok(answers) => self.dates(answers),
            Err(what) => self.lacks("Next inspection date", &[what]),
        }
    }

    /// What the rules of the code give for a life, the measurement of thickness first.
    fn interval(&self, rules: Rules, life: Option<Years>, rated: bool, left: bool) -> Result<Vec<WorkedAnswer<Years>>, &'static str> {
        let unknown = "a remaining life (a rate above 0, or a bound of it)";
        let answers = match (rules, life) {
            (Rules::Tank, life) => {
                let lasts = match life {
                    Some(life) if rated => Lasts::Rate(life),
                    Some(life) => Lasts::AtLeast(life),
                    None => Lasts::Unknown { left },
                };
                vec![interval::tank_thickness(lasts), interval::tank_external(lasts)]
            }
            (Rules::Vessel | Rules::Piping, None) => return Err(unknown),
            (Rules::Vessel, Some(life)) => vec![interval::vessel(life)],
            (Rules::Piping, Some(life)) => {
                let class = self.assess.piping_class.ok_or("the piping class (assess.piping_class)")?;
                vec![interval::piping(life, class)]
            }
        };
        answers.into_iter().collect::<Result<_, _>>().map_err(|_| unknown)
    }

    fn dates(&mut self, answers: Vec<WorkedAnswer<Years>>) {
        for mut answer in answers {
            let now = self.facts.line.date;
            let longest = self.facts.basis.and_then(|basis| basis.longest_interval);
            if let Some(longest) = longest.filter(|longest| *longest < answer.value) {
                answer.worked = answer.worked.given("", "longest interval of the basis", longest.as_years(), "y");
                answer.value = longest;
            }
            let date = now.and_then(|now| date_after(now, answer.value));
            if let Some((date, now)) = date.zip(now) {
                let by = if self.done.summary.life.is_some() { ", by the short end of the life" } else { "" };
                answer.worked.verdict = Some(format!("at the latest on {date}, counted from the survey of {now}{by}"));
            }
            self.take(Ok(answer));
            self.done.summary.next = self.done.summary.next.or(date);
        }
    }
}
