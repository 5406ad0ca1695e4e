//! The roll-up in words: cells of its table, what to do, and the half page that an owner understands. Screen, command and report say the
//! same.

use super::rollup::{FastestLoss, OfAsset, RollUp, RolledCourse, ToDo};
use super::worst::{Worst, WorstPlace};
use crate::words::{self, count, percent};
use backwall_survey::integrity::Decision;
use backwall_survey::integrity::life::Life;
use backwall_units::{LengthUnit, Years};

/// The worst of several decisions; of none, nothing is decided.
pub(super) fn decision_of(mut all: impl Iterator<Item = Decision>) -> Decision {
    all.next().map_or(Decision::NotDecided, |first| all.fold(first, Decision::and))
}

/// `line A120 of the plan was not driven through it`, `lines A120 and C1 of the plan were not driven through it`: of a course.
pub(super) fn not_driven_words(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => format!("line {one} of the plan was not driven through it"),
        [first @ .., last] => format!("lines {} and {last} of the plan were not driven through it", first.join(", ")),
    }
}

/// Longer than this a life by rates of the past means nothing.
const LONGEST: f64 = 100.0;

/// A number of years for people; what is longer than a wall is planned for is only said to be so.
pub fn years(years: Years) -> String {
    match years.as_years() {
        long if long >= LONGEST => format!("over {LONGEST:.0}"),
        years => format!("{years:.1}"),
    }
}

/// The short end, which counts, and the long one.
pub fn life_words(life: &Life) -> String {
    let low = years(life.low);
    match *life {
        _ if life.low.as_years() >= LONGEST => low,
        Life { high: Some(high), .. } if years(high) != low => format!("{low} to {}", years(high)),
        Life { high: Some(_), .. } => low,
        Life { middle: Some(middle), .. } if years(middle) != low => format!("{low} to {}", years(middle)),
        Life { middle: Some(_), .. } => low,
        Life { .. } => format!("{low} at least"),
    }
}

impl FastestLoss {
    pub fn words(&self, unit: LengthUnit) -> String {
        match (self.rate, self.expanded, self.upper) {
            (Some(rate), Some(expanded), _) => format!("{} ± {}", unit.rate(rate), unit.rate(expanded)),
            (Some(rate), None, _) => format!("{} ± ?", unit.rate(rate)),
            (None, _, Some(upper)) => format!("under {}", unit.rate(upper)),
            (None, ..) => "-".to_owned(),
        }
    }

    /// Line, place and what it was found between.
    pub fn where_words(&self, unit: LengthUnit) -> String {
        self.where_on(&self.line, unit)
    }

    /// The same for a narrow column.
    pub fn where_briefly(&self, unit: LengthUnit) -> String {
        self.where_on(&words::short_name(&self.line), unit)
    }

    fn where_on(&self, line: &str, unit: LengthUnit) -> String {
        let at =
            self.at.map_or_else(String::new, |(from, to)| format!(" {} to {} {}", unit.place(from), unit.place(to), unit.place_symbol()));
        format!("{line}{at}")
    }
}

impl WorstPlace {
    /// `4.37 mm ± 0.12 mm at 3.453 m on line A090`.
    pub fn words(&self, unit: LengthUnit) -> String {
        let expanded = self.expanded.map_or_else(String::new, |expanded| format!(" ± {}", words::thickness(unit, expanded)));
        let even = if self.even_wall_only { ", even wall only," } else { "" };
        format!("{}{expanded}{even}{}", words::thickness(unit, self.thickness), self.where_words(unit))
    }

    /// `4.37 ± 0.12`, or what stands in place of a U that does not hold; `unknown` where none is known.
    pub fn bare_words(&self, unit: LengthUnit, unknown: &str) -> String {
        let expanded = match self.expanded {
            Some(expanded) => format!(" ± {}", unit.thickness(expanded)),
            None if self.even_wall_only => " even wall only".to_owned(),
            None => unknown.to_owned(),
        };
        format!("{}{expanded}", unit.thickness(self.thickness))
    }

    fn where_words(&self, unit: LengthUnit) -> String {
        let at = self.at.map_or_else(String::new, |at| format!(" at {}", words::place(unit, at)));
        format!("{at} on line {}", self.line)
    }
}

impl Worst {
    /// What is known of it by hand: `confirmed by hand, 5.21 mm`.
    pub fn proven_words(&self, unit: LengthUnit) -> String {
        self.proven.map_or_else(|| "-".to_owned(), |proven| proven.words(unit))
    }
}

impl RolledCourse {
    pub fn average_words(&self, unit: LengthUnit) -> String {
        match &self.average {
            None => "-".to_owned(),
            Some(found) if unit.thickness(found.low) == unit.thickness(found.high) => unit.thickness(found.low),
            Some(found) => format!("{} to {}", unit.thickness(found.low), unit.thickness(found.high)),
        }
    }

    pub fn life_words(&self) -> String {
        self.life.as_ref().map_or_else(|| "-".to_owned(), |found| life_words(&found.life))
    }

    /// The most pressing thing, with how many more there are.
    pub fn first_to_do(&self, unit: LengthUnit) -> String {
        self.to_do.first().map_or_else(|| "-".to_owned(), |first| first.words(unit))
    }
}

impl ToDo {
    pub fn words(&self, unit: LengthUnit) -> String {
        match self {
            Self::Decide { line: Some(line) } => format!("engineer decides on repair, re-rating or a closer look (line {line})"),
            Self::Decide { line: None } => "engineer decides on repair, re-rating or a closer look".to_owned(),
            Self::ProveByHand { place } => format!("prove {} by hand{}", words::thickness(unit, place.thickness), place.where_words(unit)),
            Self::DriveAgain { line, from, to } => {
                format!("drive line {line} again from {} to {} {}", unit.place(*from), unit.place(*to), unit.place_symbol())
            }
            Self::DriveFirst { line } => format!("drive line {line}: nothing was read on it"),
            Self::GiveRequired => "give its required thickness: without one nothing is decided".to_owned(),
            Self::KeepForRate => "keep this survey: with the next one it gives a rate".to_owned(),
            Self::MeasureBy { date } => format!("measure again by {date} at the latest"),
        }
    }
}

/// No more stretches of one line are listed one by one.
const MOST_STRETCHES: usize = 4;

impl RollUp {
    fn course(&self, number: Option<u16>) -> Option<&RolledCourse> {
        self.courses.iter().find(|course| Some(course.course) == number)
    }

    /// `NOT MET: 1 of 3 courses; 1 not decided, 1 met`.
    pub fn headline(&self) -> String {
        let OfAsset { decision, not_met, not_decided, met, .. } = self.asset;
        let parts = [(not_met, "not met"), (not_decided, "not decided"), (met, "met")];
        let parts: Vec<String> = parts.iter().filter(|(of, _)| *of > 0).map(|(of, word)| format!("{of} {word}")).collect();
        format!("{}: of {}, {}", decision.word().to_uppercase(), count(self.courses.len() as u64, "course"), parts.join(", "))
    }

    /// What was found, for somebody who owns the asset and measures nothing.
    pub fn plain(&self, asset: &str, unit: LengthUnit) -> Vec<String> {
        let of = &self.asset;
        let mut said = Vec::new();
        let verdict = match of.decision {
            Decision::Met => "By this screening every course is thick enough along the lines that were driven",
            Decision::NotMet => "By this screening the wall is not thick enough everywhere",
            Decision::NotDecided => "Whether the wall is thick enough everywhere cannot be said yet",
        };
        let courses = |wanted: Decision| {
            let numbers: Vec<String> =
                self.courses.iter().filter(|course| course.decision == wanted).map(|course| course.course.to_string()).collect();
            numbers.join(", ")
        };
        let mut parts = Vec::new();
        for (decision, words) in [
            (Decision::NotMet, "not thick enough"),
            (Decision::NotDecided, "not decided, since too little is known"),
            (Decision::Met, "thick enough"),
        ] {
            let numbers = courses(decision);
            if !numbers.is_empty() {
                let noun = if numbers.contains(',') { "courses" } else { "course" };
                parts.push(format!("{noun} {numbers}: {words}"));
            }
        }
        said.push(format!("{verdict} ({asset}; {}).", parts.join("; ")));
        if let Some((course, place)) = self.course(of.lowest).and_then(|course| Some((course, course.minimum.as_ref()?))) {
            let required =
                course.required.map_or_else(String::new, |required| format!("; {} is required there", words::thickness(unit, required)));
            said.push(format!("The lowest wall that was read is {} (course {}){required}.", place.words(unit), course.course));
        }
        match self.course(of.greatest_rate).and_then(|course| Some((course, course.rate.as_ref()?))) {
            Some((course, rate)) => said.push(format!(
                "It is lost fastest in course {}, {} {} on line {}.",
                course.course,
                rate.words(unit),
                unit.rate_symbol(),
                rate.where_words(unit)
            )),
            None if self.courses.iter().any(|course| course.rate.is_some()) => {
                said.push("No loss since an earlier survey is greater than the uncertainty of the measurement.".to_owned());
            }
            None => said.push("How fast the wall is lost is not known: there is no earlier thickness to compare with.".to_owned()),
        }
        if let Some((course, life)) = self.course(of.shortest_life).and_then(|course| Some((course, course.life.as_ref()?))) {
            let words = match life.life.low.as_years() {
                none if none <= 0.0 => format!("Course {} has no life left by these numbers (line {}).", course.course, life.line),
                _ => format!(
                    "At the rates of the past the first course to reach its required thickness is {}, in {} years at the earliest (line {}).",
                    course.course,
                    years(life.life.low),
                    life.line
                ),
            };
            said.push(words);
        }
        if let Some(next) = of.next {
            said.push(format!("The wall is to be measured again by {next} at the latest."));
        }
        let share = of.covered_share.map_or_else(|| "an unknown share".to_owned(), percent);
        said.push(format!(
            "{} of {} planned lines were driven; {share} of their length was covered. Nothing is said of the wall between the lines.",
            of.lines_read, of.lines_planned
        ));
        said
    }

    /// What to do next over all courses, each once, most pressing first.
    pub fn next_steps(&self, unit: LengthUnit) -> Vec<String> {
        let mut steps: Vec<String> = Vec::new();
        let mut push = |words: String| {
            if !steps.contains(&words) {
                steps.push(words);
            }
        };
        let all = || self.courses.iter().flat_map(|course| course.to_do.iter().map(move |to_do| (course, to_do)));
        let numbers = |wanted: &dyn Fn(&ToDo) -> bool| {
            let mut numbers: Vec<String> = all().filter(|(_, to_do)| wanted(to_do)).map(|(course, _)| course.course.to_string()).collect();
            numbers.dedup();
            let noun = if numbers.len() > 1 { "Courses" } else { "Course" };
            (!numbers.is_empty()).then(|| format!("{noun} {}", numbers.join(", ")))
        };
        if let Some(of) = numbers(&|to_do| matches!(to_do, ToDo::Decide { .. })) {
            push(format!("{of}: the responsible engineer decides on repair, re-rating or a closer look."));
        }
        if let Some(of) = numbers(&|to_do| matches!(to_do, ToDo::GiveRequired)) {
            push(format!("{of}: give the required thickness; without one nothing is decided."));
        }
        for (course, to_do) in all().filter(|(_, to_do)| matches!(to_do, ToDo::ProveByHand { .. })) {
            push(format!("Course {}: {}.", course.course, to_do.words(unit)));
        }
        if !self.laminations.is_empty() {
            let spots = count(self.laminations.len() as u64, "spot");
            push(format!("Prove {spots} judged lamination? by other means; until then the depth counts as wall."));
        }
        let mut lines: Vec<(&str, Vec<&ToDo>)> = Vec::new();
        for (_, to_do) in all() {
            let ToDo::DriveAgain { line, .. } = to_do else { continue };
            match lines.iter_mut().find(|(name, _)| name == line) {
                Some((_, list)) => list.push(to_do),
                None => lines.push((line, vec![to_do])),
            }
        }
        let mut again = Vec::new();
        for (line, list) in lines {
            let stretch = |to_do: &&ToDo| match to_do {
                ToDo::DriveAgain { from, to, .. } => format!("{} to {}", unit.place(*from), unit.place(*to)),
                _ => String::new(),
            };
            let shown: Vec<String> = list.iter().take(MOST_STRETCHES).map(stretch).collect();
            let more = if list.len() > MOST_STRETCHES { format!(" and {} more", list.len() - MOST_STRETCHES) } else { String::new() };
            again.push(format!("{line} {}{more}", shown.join(", ")));
        }
        if !again.is_empty() {
            push(format!("Drive again where nothing could be decided, {}: line {}.", unit.place_symbol(), again.join("; line ")));
        }
        // Lines of which nothing was read in the same courses are named together.
        let mut never: Vec<(Vec<String>, Vec<&str>)> = Vec::new();
        let mut lines: Vec<&str> = Vec::new();
        for (_, to_do) in all() {
            let ToDo::DriveFirst { line } = to_do else { continue };
            if lines.contains(&line.as_str()) {
                continue;
            }
            lines.push(line);
            let here = |course: &&RolledCourse| course.not_driven.iter().any(|name| name == line);
            let courses: Vec<String> = self.courses.iter().filter(here).map(|course| course.course.to_string()).collect();
            match never.iter_mut().find(|(known, _)| *known == courses) {
                Some((_, lines)) => lines.push(line),
                None => never.push((courses, vec![line])),
            }
        }
        for (courses, lines) in never {
            let noun = if courses.len() > 1 { "Courses" } else { "Course" };
            push(format!("{noun} {}: drive the planned lines on which nothing was read: {}.", courses.join(", "), lines.join(", ")));
        }
        if let Some(next) = self.asset.next {
            push(format!("Measure again by {next} at the latest."));
        }
        if let Some(of) = numbers(&|to_do| matches!(to_do, ToDo::KeepForRate)) {
            push(format!("{of}: keep this survey; with the next one it gives a rate."));
        }
        steps
    }
}
