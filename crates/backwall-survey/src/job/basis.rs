//! PURE. The basis of an assessment: what an engineer judges the measured walls by. It stands beside the plan, replaces what it gives, and
//! touches nothing that was measured. The same readings can be judged by one basis and by another.
//!
//! Eight of its keys are those of the plan's `[assess]`, and yet two types have them: a type within both would have to be flattened, and then
//! serde no longer refuses a mistyped key, which here would judge a wall by a value that somebody believes to have given. They meet in `applied` alone.

mod table;

pub use table::{TABLES, page};

use super::assess::{AssessPlan, EarlierWall};
use super::check::{Problem, line_of_key, toml_problem};
use super::keys::{Allowed, PlanTable};
use super::plan::{Date, Plan};
use super::{PlanError, revision};
use crate::integrity::interval::{PipingClass, Rules};
use backwall_units::{Length, LossRate, Pressure, Years};
use serde::{Deserialize, Serialize};

/// What counts instead of what the plan has. What is left out stays as the plan has it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Basis {
    /// What it is called in tables and reports.
    pub name: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<Rules>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub piping_class: Option<PipingClass>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub built: Option<Date>,
    #[serde(rename = "fill_height_mm", skip_serializing_if = "Option::is_none")]
    pub fill_height: Option<Length>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub specific_gravity: Option<f64>,
    #[serde(rename = "design_pressure_mpa", skip_serializing_if = "Option::is_none")]
    pub design_pressure: Option<Pressure>,
    #[serde(rename = "corrosion_allowance_mm", skip_serializing_if = "Option::is_none")]
    pub corrosion_allowance: Option<Length>,
    #[serde(rename = "interval_years", skip_serializing_if = "Option::is_none")]
    pub interval: Option<Years>,
    /// No next date lies further off, whatever the code allows.
    #[serde(rename = "longest_interval_years", skip_serializing_if = "Option::is_none")]
    pub longest_interval: Option<Years>,
    /// A rate by the engineer's own judgement, for every course that has none of its own.
    #[serde(rename = "rate_mm_y", skip_serializing_if = "Option::is_none")]
    pub rate: Option<LossRate>,
    pub rate_counts: RateCounts,
    /// Files of the earlier surveys that count; none means those named with --earlier.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub surveys: Vec<String>,
    /// Whether the minima of earlier surveys that the plan gives count.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan_earlier: Option<bool>,
    /// Readings by hand that count for the minimum, by the numbers of their statements.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub hand: Vec<i64>,
    /// U (k = 2) of each of them.
    #[serde(rename = "hand_u_mm", skip_serializing_if = "Option::is_none")]
    pub hand_expanded: Option<Length>,
    #[serde(rename = "course", skip_serializing_if = "Vec::is_empty")]
    pub courses: Vec<BasisCourse>,
}

/// Whether a given rate stands beside the measured ones or in their place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RateCounts {
    /// The greatest of the given and the measured ones.
    #[default]
    Greatest,
    /// The given one alone; a greater measured one is said beside it.
    Given,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BasisCourse {
    pub number: u16,
    #[serde(rename = "required_mm", default, skip_serializing_if = "Option::is_none")]
    pub required: Option<Length>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub required_from: Option<String>,
    /// The formula counts, though the plan gives a required thickness.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub by_formula: bool,
    #[serde(rename = "nominal_mm", default, skip_serializing_if = "Option::is_none")]
    pub nominal: Option<Length>,
    #[serde(rename = "original_mm", default, skip_serializing_if = "Option::is_none")]
    pub original: Option<Length>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub joint_efficiency: Option<f64>,
    #[serde(rename = "allowable_stress_mpa", default, skip_serializing_if = "Option::is_none")]
    pub allowable_stress: Option<Pressure>,
    #[serde(rename = "yield_mpa", default, skip_serializing_if = "Option::is_none")]
    pub yield_stress: Option<Pressure>,
    #[serde(rename = "tensile_mpa", default, skip_serializing_if = "Option::is_none")]
    pub tensile: Option<Pressure>,
    #[serde(rename = "rate_mm_y", default, skip_serializing_if = "Option::is_none")]
    pub rate: Option<LossRate>,
}

impl Basis {
    /// Reads and checks a basis. `name` stands for the file in messages.
    pub fn parse(name: &str, text: &str) -> Result<Self, PlanError> {
        let refuse = |problems| PlanError { file: name.to_owned(), problems };
        let basis: Self = toml::from_str(text).map_err(|error| refuse(vec![toml_problem(text, &error)]))?;
        let problems = out_of_range(text);
        let mut problems: Vec<Problem> =
            problems.into_iter().map(|(key, message)| Problem { line: line_of_key(text, &key), key, message }).collect();
        let mut say =
            |key: String, message: &str| problems.push(Problem { line: line_of_key(text, &key), key, message: message.to_owned() });
        if basis.name.trim().is_empty() {
            say("name".to_owned(), "is missing: name the basis, tables and reports show it");
        }
        for (index, course) in basis.courses.iter().enumerate() {
            if course.required.is_some() && course.by_formula {
                say(format!("course[{index}].by_formula"), "contradicts required_mm of the same course: leave one out");
            }
            if basis.courses[..index].iter().any(|other| other.number == course.number) {
                say(format!("course[{index}].number"), "is given twice: give each course once");
            }
        }
        if basis.rate_counts == RateCounts::Given && basis.rate.is_none() && basis.courses.iter().all(|course| course.rate.is_none()) {
            say("rate_counts".to_owned(), "needs a rate: give rate_mm_y, of all or of a course");
        }
        if problems.is_empty() { Ok(basis) } else { Err(refuse(problems)) }
    }

    /// What does not fit a plan: courses that it does not have.
    pub fn unfit(&self, plan: &Plan) -> Option<String> {
        let known = |number| plan.asset.courses.iter().any(|course| course.number == number);
        let unknown: Vec<String> =
            self.courses.iter().filter(|course| !known(course.number)).map(|course| course.number.to_string()).collect();
        let all: Vec<String> = plan.asset.courses.iter().map(|course| course.number.to_string()).collect();
        (!unknown.is_empty()).then(|| format!("the asset has no course {}; it has {}", unknown.join(", "), all.join(", ")))
    }

    /// The plan with what this gives in place of its own. Places, lines and limits of the measurement stay.
    pub fn applied(&self, plan: &Plan) -> Plan {
        let mut plan = plan.clone();
        let assess = plan.assess.get_or_insert_with(AssessPlan::default);
        let put = |own: &mut Option<Length>, given: Option<Length>| *own = given.or(*own);
        assess.code = self.code.or(assess.code);
        assess.piping_class = self.piping_class.or(assess.piping_class);
        assess.built = self.built.or(assess.built);
        put(&mut assess.fill_height, self.fill_height);
        assess.specific_gravity = self.specific_gravity.or(assess.specific_gravity);
        assess.design_pressure = self.design_pressure.or(assess.design_pressure);
        put(&mut assess.corrosion_allowance, self.corrosion_allowance);
        assess.interval = self.interval.or(assess.interval);
        // What gives nothing of it adds no table to the plan.
        if *assess == AssessPlan::default() {
            plan.assess = None;
        }
        for course in &mut plan.asset.courses {
            if self.plan_earlier == Some(false) {
                course.earlier = Vec::<EarlierWall>::new();
            }
            let Some(given) = self.courses.iter().find(|given| given.number == course.number) else { continue };
            if given.by_formula {
                (course.required, course.required_from) = (None, None);
            }
            if given.required.is_some() {
                (course.required, course.required_from) = (given.required, given.required_from.clone());
            }
            if let Some(nominal) = given.nominal {
                course.nominal = nominal;
            }
            put(&mut course.original, given.original);
            course.joint_efficiency = given.joint_efficiency.or(course.joint_efficiency);
            course.allowable_stress = given.allowable_stress.or(course.allowable_stress);
            course.yield_stress = given.yield_stress.or(course.yield_stress);
            course.tensile = given.tensile.or(course.tensile);
        }
        plan
    }

    /// The rate given for a course.
    pub fn rate_of(&self, number: u16) -> Option<LossRate> {
        self.courses.iter().find(|course| course.number == number).and_then(|course| course.rate).or(self.rate)
    }

    /// What one basis has and another has not, key by key; `None` stands for the plan as it is.
    pub fn differs(one: Option<&Self>, other: Option<&Self>, plan: &Plan) -> Vec<revision::KeyChange> {
        let applied = |basis: Option<&Self>| basis.map_or_else(|| plan.clone(), |basis| basis.applied(plan));
        let mut changes = revision::changes(&applied(one), &applied(other));
        // What has no place in a plan.
        let rest = |basis: Option<&Self>| {
            let basis = basis.cloned().unwrap_or_default();
            let courses = basis.courses.iter().filter(|course| course.rate.is_some());
            let courses = courses.map(|course| BasisCourse { rate: course.rate, ..BasisCourse::bare(course.number) }).collect();
            let Self { longest_interval, rate, rate_counts, surveys, plan_earlier, hand, hand_expanded, .. } = basis;
            Self { longest_interval, rate, rate_counts, surveys, plan_earlier, hand, hand_expanded, courses, ..Self::default() }
        };
        changes.extend(revision::differences(&rest(one), &rest(other)));
        changes
    }
}

impl BasisCourse {
    const fn bare(number: u16) -> Self {
        Self {
            number,
            required: None,
            required_from: None,
            by_formula: false,
            nominal: None,
            original: None,
            joint_efficiency: None,
            allowable_stress: None,
            yield_stress: None,
            tensile: None,
            rate: None,
        }
    }
}

/// Values outside of what the key table allows, by their keys.
fn out_of_range(text: &str) -> Vec<(String, String)> {
    let Ok(root) = toml::from_str::<toml::Table>(text) else { return Vec::new() };
    let mut found = Vec::new();
    for table in TABLES {
        let entries: Vec<(String, &toml::Table)> = match table.name() {
            "" => vec![(String::new(), &root)],
            name => {
                let list = root.get(name).and_then(toml::Value::as_array).map(Vec::as_slice).unwrap_or_default();
                list.iter().enumerate().filter_map(|(index, entry)| Some((format!("{name}[{index}]."), entry.as_table()?))).collect()
            }
        };
        for (before, entry) in entries {
            found.extend(wrong_numbers(table, &before, entry));
        }
    }
    found
}

fn wrong_numbers(table: &PlanTable, before: &str, entry: &toml::Table) -> Vec<(String, String)> {
    let wrong = table.keys.iter().filter_map(|key| {
        let value = entry.get(key.name)?;
        let number = value.as_float().or_else(|| value.as_integer().map(|whole| whole as f64))?;
        let holds = match key.allowed {
            Allowed::Number(range) => range.holds(number),
            Allowed::Whole(low, high) => (low as f64..=high as f64).contains(&number),
            _ => true,
        };
        (!holds).then(|| (format!("{before}{}", key.name), format!("{value} is not possible: it must be {}", key.allowed_words())))
    });
    wrong.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: &str = include_str!("../../../../tests/data/plan.toml");

    /// Every key of the table at once, as its example has it.
    fn filled() -> String {
        let table = |table: &PlanTable| {
            let header = if table.name().is_empty() { String::new() } else { format!("{}\n", table.header()) };
            let keys = table.keys.iter().filter(|key| key.name != "by_formula");
            header + &keys.map(|key| format!("{} = {}\n", key.name, key.example)).collect::<String>()
        };
        TABLES.iter().map(table).collect()
    }

    #[test]
    fn the_key_table_and_the_types_have_the_same_keys() {
        let basis = Basis::parse("filled.toml", &filled()).unwrap_or_else(|error| panic!("{error}"));
        let mut written = serde_json::to_value(&basis).unwrap();
        let course = written["course"][0].as_object().unwrap().clone();
        written.as_object_mut().unwrap().remove("course");
        for (table, found) in TABLES.iter().zip([written.as_object().unwrap(), &course]) {
            let mut keys: Vec<&str> = table.keys.iter().map(|key| key.name).filter(|name| *name != "by_formula").collect();
            keys.sort_unstable();
            let mut found: Vec<&str> = found.keys().map(String::as_str).collect();
            found.sort_unstable();
            assert_eq!(found, keys);
        }
        assert!(Basis::parse("a.toml", "name = 'a'\nfill_hight_mm = 1\n").unwrap_err().to_string().starts_with("a.toml:2: "));
    }

    #[test]
    fn every_key_that_plan_and_basis_share_goes_from_the_one_into_the_other() {
        let plan: Plan = toml::from_str(PLAN).unwrap();
        let basis = Basis::parse("filled.toml", &filled()).unwrap();
        let (given, taken) = (serde_json::to_value(&basis).unwrap(), serde_json::to_value(basis.applied(&plan)).unwrap());
        let pairs = [("assess", &given, &taken["assess"]), ("asset.course[]", &given["course"][0], &taken["asset"]["course"][0])];
        for (path, given, taken) in pairs {
            let of_plan = super::super::keys::TABLES.iter().find(|table| table.path == path).unwrap();
            let shared: Vec<&str> = of_plan.keys.iter().map(|key| key.name).filter(|name| given.get(name).is_some()).collect();
            assert!(shared.len() >= 8, "{shared:?}");
            for name in shared {
                assert_eq!(taken.get(name), given.get(name), "{path} {name}");
            }
        }
    }

    #[test]
    fn mistakes_are_named_with_file_line_and_key() {
        let said = |text: &str| Basis::parse("b.toml", text).unwrap_err().to_string();
        assert!(said("code = 'api-653'\n").contains("name: is missing"));
        let range = said("name = 'b'\n[[course]]\nnumber = 1\njoint_efficiency = 1.2\n");
        assert!(range.starts_with("b.toml:4: course[0].joint_efficiency: 1.2 is not possible"), "{range}");
        assert!(said("name = 'b'\n[[course]]\nnumber = 1\nrequired_mm = 6\nby_formula = true\n").contains("contradicts required_mm"));
        assert!(said("name = 'b'\nrate_counts = 'given'\n").contains("needs a rate"));
    }

    #[test]
    fn a_basis_replaces_what_it_gives_and_nothing_else() {
        let plan: Plan = toml::from_str(PLAN).unwrap();
        let number = plan.asset.courses[0].number;
        let text = format!(
            "name = 'b'\nfill_height_mm = 8500\n[[course]]\nnumber = {number}\nrequired_mm = 5.5\nrequired_from = 'calculation 7'\n"
        );
        let basis = Basis::parse("b.toml", &text).unwrap();
        let applied = basis.applied(&plan);
        assert_eq!(applied.asset.courses[0].required, Some(Length::mm(5.5)));
        assert_eq!(applied.asset.courses[0].nominal, plan.asset.courses[0].nominal);
        assert_eq!((&applied.lines, &applied.limits, &applied.setup), (&plan.lines, &plan.limits, &plan.setup));
        let alone = Basis::parse("b.toml", &text.replace("fill_height_mm = 8500\n", "")).unwrap();
        assert_eq!(Basis::differs(None, Some(&alone), &plan).len(), 2, "the thickness and where it is from, and nothing else");
        let changes: Vec<String> = Basis::differs(None, Some(&basis), &plan).iter().map(ToString::to_string).collect();
        assert!(changes.iter().any(|change| change.contains("required_mm") && change.ends_with("-> 5.5")), "{changes:?}");
        assert!(changes.iter().any(|change| change.contains("fill_height_mm")), "{changes:?}");
        let formula = Basis::parse("b.toml", &format!("name = 'b'\n[[course]]\nnumber = {number}\nby_formula = true\n")).unwrap();
        assert_eq!(formula.applied(&plan).asset.courses[0].required, None);
        assert_eq!(
            Basis { courses: vec![BasisCourse::bare(99)], ..basis }.unfit(&plan).unwrap().split(';').next(),
            Some("the asset has no course 99")
        );
    }
}
