//! What the answers of a checklist are judged in besides themselves: how late it is, and how long an answer holds.

use super::AnswerValue;
use crate::job::plan::{AssetKind, Line};
use crate::job::{Plan, expiry};
use backwall_units::{Length, LengthUnit};

const HOUR_US: i64 = 3_600_000_000;
const DAY_US: i64 = 24 * HOUR_US;
/// No shift is longer: without a newer sign-on an answer for a shift runs out after this. Common practice, no source.
const LONGEST_SHIFT_US: i64 = 12 * HOUR_US;
/// Two clocks that are set by hand differ by this much; an answer further ahead says that a clock was set back.
const AHEAD_US: i64 = 5 * 60_000_000;

/// The minutes that the clock of a plan's site is ahead of UTC.
pub fn zone_of(plan: &Plan) -> i32 {
    plan.zone().seconds() / 60
}

/// How late it is, and where the work stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Now {
    /// µs since 1970-01-01 UTC.
    pub at_us: i64,
    /// Minutes the site's clock is ahead of UTC.
    pub zone: i32,
    /// When whoever works now signed on; `None` where nobody did.
    pub shift_started: Option<i64>,
    /// When the last run on another line than the one to be scanned was started.
    pub line: Option<i64>,
}

impl Now {
    fn day(&self, at_us: i64) -> i64 {
        (at_us + i64::from(self.zone) * 60_000_000).div_euclid(DAY_US)
    }

    /// When the day of `at_us` is over at the site.
    fn day_ends(&self, at_us: i64) -> i64 {
        (self.day(at_us) + 1) * DAY_US - i64::from(self.zone) * 60_000_000
    }

    /// The calendar day at the site.
    pub fn date(&self) -> Option<chrono::NaiveDate> {
        let local = self.at_us + i64::from(self.zone) * 60_000_000;
        chrono::DateTime::from_timestamp_micros(local).map(|at| at.date_naive())
    }

    /// When the last moment of a calendar day is over at the site.
    pub fn end_of(&self, date: chrono::NaiveDate) -> i64 {
        let midnight = date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_micros();
        midnight + DAY_US - i64::from(self.zone) * 60_000_000
    }
}

/// The conditions that answers are judged in.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Conditions {
    pub now: Now,
    /// Who scans.
    pub operator: String,
    /// How far the steepest of the lines leans out over the crawler: 0 upright, 90 overhead.
    pub lean_deg: f64,
    /// How high the highest line goes.
    pub height: Length,
    /// The newest check of the encoder: its error in percent.
    pub encoder: Option<Filled>,
    /// Whether all kit of the plan is in date; `None` where it lists none.
    pub kit: Option<Filled>,
    /// Of what is said of answers and limits.
    pub unit: LengthUnit,
}

/// What answers an item instead of a person.
#[derive(Debug, Clone, PartialEq)]
pub struct Filled {
    pub value: AnswerValue,
    /// Where it comes from, in words.
    pub words: String,
    pub at_us: i64,
}

impl Conditions {
    /// What the plan says of them.
    pub fn of(plan: &Plan, now: Now, operator: &str) -> Self {
        // Where the plan does not say it: a shell or a column stands upright; on everything else the worst place on its underside counts.
        let usual = if matches!(plan.asset.kind, AssetKind::TankShell | AssetKind::Column) { 0.0 } else { 90.0 };
        let steepest = plan.lines.iter().map(|line| line.lean_deg.unwrap_or(usual)).reduce(f64::max);
        let top = |line: &Line| if line.direction.is_upright() { line.start + line.length } else { line.elevation.unwrap_or(Length::ZERO) };
        let late = expiry::out_of_date_among(plan, &[], &now);
        let words =
            if late.is_empty() { format!("{} pieces of kit in the plan, none out of date", plan.kit.len()) } else { late.join(", ") };
        let kit = Filled { value: AnswerValue::Confirmed(late.is_empty()), words, at_us: now.at_us };
        Self {
            now,
            operator: operator.to_owned(),
            lean_deg: steepest.unwrap_or(usual),
            height: plan.lines.iter().map(top).fold(Length::ZERO, Length::max),
            encoder: None,
            kit: (!plan.kit.is_empty()).then_some(kit),
            unit: plan.job.units,
        }
    }
}

/// How long an answer holds.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Valid {
    Hours(f64),
    /// The calendar day at the site.
    Day,
    /// Until somebody else signs on, and twelve hours at most.
    Shift,
    /// Until a run was made on another line.
    Line,
    #[default]
    Job,
}

impl Valid {
    /// When an answer of `at_us` runs out, where time alone says it.
    pub fn until(self, at_us: i64, now: &Now) -> Option<i64> {
        match self {
            Self::Hours(hours) => Some(at_us + (hours * HOUR_US as f64) as i64),
            Self::Day => Some(now.day_ends(at_us)),
            Self::Shift => Some(now.shift_started.filter(|started| *started > at_us).unwrap_or(at_us + LONGEST_SHIFT_US)),
            Self::Line | Self::Job => None,
        }
    }

    /// Why an answer of `at_us` does not hold any more; `None` while it does.
    pub fn ran_out(self, at_us: i64, now: &Now) -> Option<String> {
        if matches!(self, Self::Hours(_) | Self::Day | Self::Shift) && at_us > now.at_us + AHEAD_US {
            return Some("it was given at a time that is still to come: a clock was set back".to_owned());
        }
        let over = self.until(at_us, now).is_some_and(|until| until <= now.at_us);
        match self {
            Self::Hours(hours) if over => Some(format!("answered {} ago, holds for {hours} h", since(now.at_us - at_us))),
            Self::Day if over => Some("it held for its day".to_owned()),
            Self::Shift if now.shift_started.is_some_and(|started| started > at_us) => Some("answered before this shift began".to_owned()),
            Self::Shift if over => Some(format!("answered {} ago, holds for a shift and 12 h at most", since(now.at_us - at_us))),
            Self::Line if now.line.is_some_and(|started| started > at_us) => {
                Some("another line was scanned since; it holds for one line".to_owned())
            }
            _ => None,
        }
    }
}

/// A stretch of time in words: `35 min`, `5.2 h`, `90 days`.
fn since(us: i64) -> String {
    let hours = us as f64 / HOUR_US as f64;
    match us {
        ..HOUR_US => format!("{:.0} min", hours * 60.0),
        HOUR_US..172_800_000_000 => format!("{hours:.1} h"),
        _ => format!("{:.0} days", hours / 24.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-05-04 14:00:00 UTC.
    const NOON: i64 = 1_777_903_200_000_000;

    fn at(hours: f64) -> Now {
        Now { at_us: NOON + (hours * HOUR_US as f64) as i64, ..Now::default() }
    }

    // A line that stays upright holds by its lean; one that says nothing is taken for the worst of its kind of asset.
    #[test]
    fn the_wall_leans_as_the_steepest_line_says() {
        let lean = |kind: &str, leans: [&str; 2]| {
            let text = include_str!("../../../../../demo-stream/plan.toml");
            let mut plan = Plan::parse("plan.toml", text).unwrap();
            plan.asset.kind = if kind == "sphere" { AssetKind::Sphere } else { AssetKind::TankShell };
            plan.lines.truncate(2);
            for (line, lean) in plan.lines.iter_mut().zip(leans) {
                line.lean_deg = lean.parse().ok();
            }
            Conditions::of(&plan, Now::default(), "R. Aldane").lean_deg
        };
        assert_eq!(lean("shell", ["", ""]), 0.0);
        assert_eq!(lean("shell", ["", "12"]), 12.0);
        assert_eq!(lean("sphere", ["", "0"]), 90.0);
        assert_eq!(lean("sphere", ["0", "30"]), 30.0);
    }

    #[test]
    fn an_answer_holds_for_its_hours_its_day_its_shift_its_line() {
        let held = |valid: Valid, now: Now| valid.ran_out(NOON, &now).is_none();
        assert!(held(Valid::Hours(4.0), at(3.99)) && !held(Valid::Hours(4.0), at(4.0)));
        // The day ends at midnight of the site: ten hours on in UTC, eight where the clock is two hours ahead.
        assert!(held(Valid::Day, at(9.99)) && !held(Valid::Day, at(10.0)));
        let ahead = |hours| Now { zone: 120, ..at(hours) };
        assert!(held(Valid::Day, ahead(7.99)) && !held(Valid::Day, ahead(8.0)));
        // A shift ends with the next sign-on, and after twelve hours without one.
        assert!(held(Valid::Shift, at(11.99)) && !held(Valid::Shift, at(12.0)));
        let signed_on = |when: f64| Now { shift_started: Some(at(when).at_us), ..at(2.0) };
        assert!(held(Valid::Shift, signed_on(-1.0)) && !held(Valid::Shift, signed_on(1.0)));
        let other_line = |when: f64| Now { line: Some(at(when).at_us), ..at(2.0) };
        assert!(held(Valid::Line, other_line(-1.0)) && held(Valid::Line, at(2.0)) && !held(Valid::Line, other_line(1.0)));
        assert!(held(Valid::Job, at(90.0 * 24.0)));
    }

    #[test]
    fn an_answer_of_a_time_to_come_does_not_hold() {
        for valid in [Valid::Hours(4.0), Valid::Day, Valid::Shift] {
            assert!(valid.ran_out(NOON, &at(-1.0)).is_some_and(|why| why.contains("clock")), "{valid:?}");
            assert!(valid.ran_out(NOON, &at(-0.05)).is_none(), "clocks differ by minutes");
        }
    }

    #[test]
    fn what_ran_out_says_for_how_long_it_held() {
        let why = |valid: Valid, now: Now| valid.ran_out(NOON, &now).unwrap();
        assert_eq!(why(Valid::Hours(0.5), at(35.0 / 60.0)), "answered 35 min ago, holds for 0.5 h");
        assert_eq!(why(Valid::Hours(4.0), at(90.0 * 24.0)), "answered 90 days ago, holds for 4 h");
    }
}
