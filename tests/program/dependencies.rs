//! Every direct dependency of every crate stands in `docs/dependencies.md` with who uses it and why, and nothing else does.

use crate::common::root;
use std::collections::{BTreeMap, BTreeSet};

type Uses = BTreeMap<String, BTreeSet<String>>;

/// The dependencies of every crate that are not of this workspace, those of tests and benches apart.
fn declared() -> [Uses; 2] {
    let mut found = [Uses::new(), Uses::new()];
    let crates = std::fs::read_dir(root().join("crates")).unwrap().map(|entry| entry.unwrap().path().join("Cargo.toml"));
    for path in crates.chain([root().join("Cargo.toml")]) {
        let file: toml::Table = toml::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
        let name = file["package"]["name"].as_str().unwrap();
        let user = if name == "backwall" { "program" } else { name.strip_prefix("backwall-").unwrap() };
        let of_targets = file.get("target").and_then(toml::Value::as_table).into_iter().flat_map(toml::Table::values);
        for table in of_targets.filter_map(toml::Value::as_table).chain([&file]) {
            for (kind, keys) in [(0, ["dependencies", "build-dependencies"]), (1, ["dev-dependencies", ""])] {
                for of_kind in keys.iter().filter_map(|key| table.get(*key)?.as_table()) {
                    for other in of_kind.keys().filter(|other| !other.starts_with("backwall-")) {
                        found[kind].entry(other.clone()).or_default().insert(user.to_owned());
                    }
                }
            }
        }
    }
    found
}

/// The rows of the page's two tables.
fn written() -> [Uses; 2] {
    let page = std::fs::read_to_string(root().join("docs/dependencies.md")).unwrap();
    let (program, tests) = page.split_once("## In tests").unwrap();
    [program, tests].map(|part| {
        let mut uses = Uses::new();
        for row in part.lines().filter(|line| line.starts_with("| `")) {
            let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
            let [name, users, why] = cells[..] else { panic!("{row}") };
            assert!(why.split_whitespace().count() >= 3, "{row}: why?");
            let users = users.split(", ").map(str::to_owned).collect();
            assert!(uses.insert(name.trim_matches('`').to_owned(), users).is_none(), "{name} stands there twice");
        }
        uses
    })
}

#[test]
fn every_direct_dependency_has_its_reason_and_no_reason_is_left_over() {
    let (declared, written) = (declared(), written());
    assert!(declared[0].len() > 20 && declared[1].len() > 5, "{declared:?}");
    for (declared, written) in declared.into_iter().zip(written) {
        assert_eq!(declared, written);
    }
}

/// What every crate takes from the workspace is declared there once, and what is declared there is used.
#[test]
fn nothing_is_declared_for_the_workspace_that_no_crate_uses() {
    let file: toml::Table = toml::from_str(&std::fs::read_to_string(root().join("Cargo.toml")).unwrap()).unwrap();
    let listed = file["workspace"]["dependencies"].as_table().unwrap().keys().filter(|name| !name.starts_with("backwall-"));
    let used: BTreeSet<String> = declared().into_iter().flat_map(Uses::into_keys).collect();
    let idle: Vec<&String> = listed.filter(|name| !used.contains(*name)).collect();
    assert!(idle.is_empty(), "{idle:?}");
}
