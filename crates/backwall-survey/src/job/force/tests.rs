//! What must hold of any list of statements, what is refused, and where a run is put.

use super::*;
use crate::job::checklist::Signed;
use crate::job::statement::Revision;
use proptest::prelude::*;

const PLAN: &str = include_str!("../../../../../tests/data/plan.toml");

/// The job's plan with a second line.
fn plan() -> Plan {
    let mut plan: Plan = toml::from_str(PLAN).unwrap();
    let other = crate::job::plan::Line { name: "B".to_owned(), ..plan.lines[0].clone() };
    plan.lines.push(other);
    plan
}

fn signed() -> Signed {
    Signed { name: "A. Field".to_owned(), certificate: String::new(), at_us: 1 }
}

fn statement(id: i64, said: Said) -> Statement {
    Statement { id, said, reason: "wrong line".to_owned(), by: signed() }
}

fn recorded(runs: i64) -> Vec<Recorded> {
    let plan = plan();
    (1..=runs).map(|run| Recorded { run, line: plan.lines[0].name.clone(), is_open: false }).collect()
}

fn listed(said: Vec<Said>) -> Vec<Statement> {
    said.into_iter().zip(1..).map(|(said, id)| statement(id, said)).collect()
}

fn runs_of(said: Vec<Said>) -> BTreeMap<i64, Standing> {
    in_force(&plan(), &recorded(4), &listed(said)).runs
}

fn is_voided(standing: &Standing) -> bool {
    matches!(standing.counts, Counts::Voided { .. })
}

fn lines() -> Vec<String> {
    plan().lines.into_iter().map(|line| line.name).collect()
}

/// Anything that can be said of four runs, one of which does not exist.
fn said() -> impl Strategy<Value = Said> {
    let run = 1..=5i64;
    let line = proptest::sample::select(lines());
    let mut longer = plan();
    longer.lines[0].length = longer.lines[0].length * 2.0;
    let revision = Revision { text: toml::to_string(&longer).unwrap(), plan: longer };
    prop_oneof![
        run.clone().prop_map(|run| Said::Void { run }),
        run.clone().prop_map(|run| Said::Restore { run }),
        (run.clone(), line, any::<bool>()).prop_map(|(run, line, mirrored)| Said::Reassign { run, line, mirrored }),
        (run.clone(), run.clone()).prop_map(|(run, replaced)| Said::Replace { run, replaced }),
        (run.clone(), run.clone()).prop_map(|(run, with)| Said::Join { run, with }),
        run.prop_map(|run| Said::Leave { run }),
        Just(Said::Plan(Box::new(revision))),
        (1..12i64).prop_map(|statement| Said::Withdraw { statement }),
    ]
}

proptest! {
    #[test]
    fn void_then_restore_gives_what_was_before_and_void_twice_is_void(before in proptest::collection::vec(said(), 0..8), run in 1..=4i64) {
        let was = runs_of(before.clone());
        let after = |more: &[Said]| runs_of(before.iter().cloned().chain(more.iter().cloned()).collect());
        let voided = after(&[Said::Void { run }]);
        prop_assert!(is_voided(&voided[&run]));
        let twice = after(&[Said::Void { run }, Said::Void { run }]);
        prop_assert!(is_voided(&twice[&run]));
        let restored = after(&[Said::Void { run }, Said::Restore { run }]);
        prop_assert_eq!(restored[&run].counts, Counts::Counted);
        if was[&run].counts == Counts::Counted {
            prop_assert_eq!(restored, was);
        }
    }

    #[test]
    fn a_statement_taken_back_leaves_what_was_without_it(said in proptest::collection::vec(said(), 1..8), of in 0usize..8) {
        let of = of.min(said.len() - 1);
        // Withdrawals would be shifted by one; here none stands before.
        let said: Vec<Said> = said.into_iter().filter(|said| !matches!(said, Said::Withdraw { .. })).collect();
        prop_assume!(of < said.len());
        let all = listed(said);
        let mut without = all.clone();
        without.remove(of);
        let mut withdrawn = all.clone();
        withdrawn.push(statement(100, Said::Withdraw { statement: of as i64 + 1 }));
        let (a, b) = (in_force(&plan(), &recorded(4), &withdrawn), in_force(&plan(), &recorded(4), &without));
        prop_assert_eq!(&a.runs, &b.runs);
        prop_assert_eq!(&a.plan, &b.plan);
        prop_assert!(!a.stands(of as i64 + 1));
        // And to take the withdrawal back brings it in force again.
        withdrawn.push(statement(101, Said::Withdraw { statement: 100 }));
        prop_assert_eq!(in_force(&plan(), &recorded(4), &withdrawn).runs, in_force(&plan(), &recorded(4), &all).runs);
    }

    #[test]
    fn a_replaced_run_does_not_count_and_one_statement_says_one_thing_of_each_run(said in proptest::collection::vec(said(), 0..12)) {
        let all = listed(said);
        let force = in_force(&plan(), &recorded(4), &all);
        for (run, standing) in &force.runs {
            // The newest statement that stands about whether a run counts is what it says.
            let newest = all.iter().rev().filter(|statement| force.stands(statement.id)).find_map(|statement| match statement.said {
                Said::Void { run: of } if of == *run => Some(false),
                Said::Restore { run: of } if of == *run => Some(true),
                Said::Replace { replaced, .. } if replaced == *run => Some(false),
                _ => None,
            });
            prop_assert_eq!(standing.counts == Counts::Counted, newest.unwrap_or(true));
        }
        // Nothing said of a run that is not there changes anything.
        prop_assert_eq!(force.runs.len(), 4);
    }
}

#[test]
fn what_makes_no_sense_is_refused_with_its_reason() {
    let recorded = recorded(3);
    let check = |said: Vec<Said>, next: Said| {
        let all = listed(said);
        in_force(&plan(), &recorded, &all).check(&statement(0, next), &recorded, &all)
    };
    assert_eq!(check(vec![], Said::Void { run: 3 }), Ok(()));
    assert!(matches!(check(vec![], Said::Void { run: 9 }), Err(Refused::NoRun { run: 9, .. })));
    assert_eq!(check(vec![Said::Void { run: 3 }], Said::Void { run: 3 }), Err(Refused::NotCounted(3)));
    assert_eq!(check(vec![], Said::Restore { run: 3 }), Err(Refused::Counted(3)));
    assert_eq!(check(vec![], Said::Replace { run: 3, replaced: 3 }), Err(Refused::Itself(3)));
    assert_eq!(check(vec![Said::Join { run: 2, with: 1 }], Said::Join { run: 1, with: 2 }), Err(Refused::Circle { run: 2, with: 1 }));
    let other = plan().lines[1].name.clone();
    let reassign = |line: &str| Said::Reassign { run: 3, line: line.to_owned(), mirrored: false };
    assert!(matches!(check(vec![], reassign("no such")), Err(Refused::NoLine { .. })));
    assert_eq!(check(vec![], reassign(&other)), Ok(()));
    assert!(matches!(check(vec![reassign(&other)], reassign(&other)), Err(Refused::SameLine { .. })));
    assert!(matches!(check(vec![reassign(&other)], Said::Join { run: 3, with: 1 }), Err(Refused::OtherLines { .. })));
    let revised = |change: fn(&mut Plan)| {
        let mut plan = plan();
        change(&mut plan);
        Said::Plan(Box::new(Revision { text: String::new(), plan }))
    };
    assert_eq!(check(vec![], revised(|_| {})), Err(Refused::SamePlan));
    assert!(matches!(check(vec![], revised(|plan| plan.lines.clear())), Err(Refused::LineWithRuns(_))));
    assert!(matches!(check(vec![], revised(|plan| plan.asset.name = "other".to_owned())), Err(Refused::OtherAsset { .. })));
    let mut nobody = statement(0, Said::Void { run: 1 });
    nobody.by.name.clear();
    let nothing = in_force(&plan(), &recorded, &[]);
    assert_eq!(nothing.check(&nobody, &recorded, &[]), Err(Refused::NoName));
    let silent = Statement { reason: "  ".to_owned(), ..statement(0, Said::Void { run: 1 }) };
    assert_eq!(nothing.check(&silent, &recorded, &[]), Err(Refused::NoReason));
    let open: Vec<Recorded> = recorded.iter().map(|run| Recorded { is_open: true, ..run.clone() }).collect();
    assert_eq!(nothing.check(&statement(0, Said::Void { run: 1 }), &open, &[]), Err(Refused::Open(1)));
}

/// A run of 3 m up from 0 that in truth was driven down from the top of a line of 10 m, and one from a seam.
#[test]
fn a_place_is_the_distance_driven_from_the_start_of_the_line_it_is_on_now() {
    use crate::travel::Direction;
    use backwall_units::Length;
    let mut plan = plan();
    plan.lines.truncate(2);
    let (up, down) = plan.lines.split_at_mut(1);
    let (up, down) = (&mut up[0], &mut down[0]);
    (up.start, up.length, up.direction) = (Length::mm(100.0), Length::mm(10_000.0), Direction::Up);
    (down.start, down.length, down.direction) = (Length::mm(10_000.0), Length::mm(9_000.0), Direction::Down);
    let (line, other) = (plan.lines[0].clone(), plan.lines[1].clone());
    let recorded = vec![Recorded { run: 1, line: line.name.clone(), is_open: false }];
    let placing = |mirrored: bool, to: &str, offset: f64| {
        let said = Said::Reassign { run: 1, line: to.to_owned(), mirrored };
        let force = in_force(&plan, &recorded, &[statement(1, said)]);
        let path = plan.path(&line).starting(Length::mm(offset)).unwrap();
        Placing::of(&force, &force.runs[&1], &path, &plan.limits()).unwrap()
    };
    let at = |placing: &Placing, mm: f64| placing.along(Length::mm(mm)).as_mm();
    // 2.5 m driven: 7.5 m up on the line that comes down from 10 m.
    assert_eq!(at(&placing(false, &other.name, 0.0), 2_600.0), 7_500.0);
    // From its far end, which is at 1 m, upward.
    assert_eq!(at(&placing(true, &other.name, 0.0), 2_600.0), 3_500.0);
    // Started 1.2 m into the line: the same place, the run's start counted.
    assert_eq!(at(&placing(false, &other.name, 1_200.0), 2_600.0), 7_500.0);
    // The same line driven from its far end at 10.1 m.
    assert_eq!(at(&placing(true, &line.name, 0.0), 2_600.0), 7_600.0);
}
