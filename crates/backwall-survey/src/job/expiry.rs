//! The dates of a plan on the day: certificates of people, and when kit is due for its own calibration or inspection.

use super::Plan;
use super::checklist::{Due, Now};
use super::plan::Date;

fn is_past(date: Option<Date>, now: &Now) -> bool {
    matches!((date, now.date()), (Some(date), Some(today)) if date.0 < today)
}

/// Whether two names are one person's: capitals and spaces do not count.
pub fn is_same_name(one: &str, other: &str) -> bool {
    let plain = |name: &str| name.split_whitespace().collect::<String>().to_lowercase();
    plain(one) == plain(other)
}

/// People and kit of the plan that are out of date today.
pub fn out_of_date(plan: &Plan, now: &Now) -> Vec<String> {
    let everybody: Vec<&str> = plan.people.iter().map(|person| person.name.as_str()).collect();
    out_of_date_among(plan, &everybody, now)
}

/// The same for kit and those people who are named: what stops scanning.
pub fn out_of_date_among(plan: &Plan, names: &[&str], now: &Now) -> Vec<String> {
    let named = |name: &str| names.iter().any(|one| is_same_name(one, name));
    let people = plan.people.iter().filter(|person| is_past(person.expires, now) && named(&person.name));
    let kit = plan.kit.iter().filter(|kit| is_past(kit.due, now));
    people
        .map(|person| format!("{}'s certificate is out of date", person.name))
        .chain(kit.map(|kit| format!("{} {} is out of date", kit.kind, kit.serial)))
        .collect()
}

/// When kit and the certificates of those who are named run out.
pub fn due(plan: &Plan, names: &[&str], now: &Now) -> Vec<Due> {
    let named = |name: &str| names.iter().any(|one| is_same_name(one, name));
    let people = plan.people.iter().filter(|person| named(&person.name)).filter_map(|person| Some(("certificate", person.expires?)));
    let kit = plan.kit.iter().filter_map(|kit| Some((kit.kind.as_str(), kit.due?)));
    people.chain(kit).map(|(what, date)| Due { what: what.to_owned(), at_us: now.end_of(date.0) }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_day_counts_and_only_who_scans_or_signed_stops_scanning() {
        let text = include_str!("../../../../tests/data/plan.toml");
        let mut plan = Plan::parse("plan.toml", text).unwrap();
        let day = |y, m, d| chrono::NaiveDate::from_ymd_opt(y, m, d).unwrap();
        plan.people[0].expires = Some(Date(day(2027, 8, 31)));
        plan.kit.clear();
        let name = plan.people[0].name.clone();
        let at = |date: chrono::NaiveDate, hour: u32, zone| {
            let at_us = date.and_hms_opt(hour, 0, 0).unwrap().and_utc().timestamp_micros();
            Now { at_us, zone, ..Now::default() }
        };
        let of = |names: &[&str], now: Now| out_of_date_among(&plan, names, &now).len();
        assert_eq!(of(&[&name], at(day(2027, 8, 31), 23, 0)), 0);
        assert_eq!(of(&[&name], at(day(2027, 9, 1), 0, 0)), 1);
        // Two hours ahead of UTC the day after has begun already.
        assert_eq!(of(&[&name], at(day(2027, 8, 31), 23, 120)), 1);
        assert_eq!(of(&["S. Orrin"], at(day(2027, 9, 1), 0, 0)), 0);
        assert_eq!(out_of_date(&plan, &at(day(2027, 9, 1), 0, 0)).len(), 1);
        let due = due(&plan, &[&name], &at(day(2027, 8, 31), 12, 120));
        assert_eq!((due[0].what.as_str(), due[0].at_us), ("certificate", at(day(2027, 8, 31), 22, 0).at_us));
    }
}
