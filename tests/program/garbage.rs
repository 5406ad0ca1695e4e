//! Files that people hand over, with anything changed in them: read or refused with words, never a panic. `PROPTEST_CASES` says how many are tried.

use crate::common::root;
use backwall_report::template::Template;
use backwall_simulate::VirtualWall;
use backwall_stream::Profile;
use backwall_survey::job::{Checklist, Plan};
use proptest::prelude::*;

/// Something done to a text at a place.
#[derive(Debug, Clone)]
enum Change {
    Cut(u16),
    Put(&'static str),
    Char(char),
    Twice(u16),
    Digits(u64),
}

fn change() -> impl Strategy<Value = Change> {
    let bits =
        ["=", "[[", "]", "\"", "'''", "nan", "inf", "-", "1e400", "\n", "0x", "{", ".", "9223372036854775808", "\u{202e}", "true", "[]"];
    prop_oneof![
        (1u16..200).prop_map(Change::Cut),
        proptest::sample::select(bits.to_vec()).prop_map(Change::Put),
        any::<char>().prop_map(Change::Char),
        (1u16..400).prop_map(Change::Twice),
        any::<u64>().prop_map(Change::Digits),
    ]
}

fn changed(text: &str, changes: &[(u32, Change)]) -> String {
    let mut chars: Vec<char> = text.chars().collect();
    for (at, change) in changes {
        let at = *at as usize % (chars.len() + 1);
        match change {
            Change::Cut(count) => drop(chars.drain(at..(at + usize::from(*count)).min(chars.len()))),
            Change::Put(words) => drop(chars.splice(at..at, words.chars())),
            Change::Char(c) => chars.insert(at, *c),
            Change::Twice(count) => {
                let piece: Vec<char> = chars[at..(at + usize::from(*count)).min(chars.len())].to_vec();
                drop(chars.splice(at..at, piece));
            }
            Change::Digits(number) => {
                // In the place of a number, where one stands behind.
                let Some(from) = chars[at..].iter().position(char::is_ascii_digit).map(|from| at + from) else { continue };
                let to = chars[from..].iter().position(|c| !c.is_ascii_digit()).map_or(chars.len(), |to| from + to);
                drop(chars.splice(from..to, number.to_string().chars()));
            }
        }
    }
    chars.into_iter().collect()
}

fn read(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap()
}

/// A refusal says where and what; a file that is read can be worked with.
fn said<T>(read: Result<T, impl std::fmt::Display>, with: impl FnOnce(T)) -> Result<(), TestCaseError> {
    match read {
        Ok(read) => with(read),
        Err(error) => prop_assert!(!error.to_string().is_empty()),
    }
    Ok(())
}

proptest! {
    #[test]
    fn no_change_of_a_file_makes_it_panic(changes in proptest::collection::vec((any::<u32>(), change()), 1..6), which in 0usize..5) {
        match which {
            0 => {
                let text = changed(&read("demo-stream/plan.toml"), &changes);
                said(Plan::parse("plan.toml", &text), |plan| {
                    let _ = plan.limits();
                    plan.lines.iter().for_each(|line| drop(plan.path(line)));
                    let _ = backwall_survey::job::takes::Takes::of(&plan);
                })?;
            }
            1 => said(Checklist::parse("list.toml", &changed(&read("profiles/checklist/magnetic-crawler.toml"), &changes)), drop)?,
            2 => {
                let profiles: Vec<_> = Profile::shipped().collect();
                let (_, text) = profiles[changes[0].0 as usize % profiles.len()];
                said(Profile::parse("profile.toml", &changed(text, &changes)), drop)?;
            }
            3 => said(Template::parse("full.toml", &changed(&read("profiles/report/full.toml"), &changes)), drop)?,
            _ => said(VirtualWall::parse("wall.toml", &changed(&read("demo-stream/wall.toml"), &changes)), drop)?,
        }
    }
}
