//! The law of the house: which room may call which. Read off the `use crate::` lines.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Each room with the rooms it may know. `units` knows nobody; nobody but `cli` itself knows `cli`.
const LAW: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("platform", &[]),
    ("ultrasound", &["units"]),
    ("travel", &["units"]),
    ("strip", &["units", "ultrasound", "travel"]),
    ("integrity", &["units", "ultrasound", "travel", "strip"]),
    ("job", &["units", "ultrasound", "travel", "strip", "integrity"]),
    ("reading", &["units", "ultrasound", "travel", "strip"]),
    ("stream", &["units", "ultrasound", "travel", "strip", "integrity", "job", "reading", "platform"]),
    ("store", &["units", "ultrasound", "travel", "strip", "integrity", "job", "reading", "platform"]),
    ("live", &["units", "ultrasound", "travel", "strip", "integrity", "job", "reading", "stream", "store", "platform"]),
    ("report", &["units", "ultrasound", "travel", "strip", "integrity", "job", "reading", "stream", "store", "live", "platform"]),
    (
        "console",
        &["units", "ultrasound", "travel", "strip", "integrity", "job", "reading", "stream", "store", "live", "report", "platform"],
    ),
    (
        "cli",
        &[
            "units",
            "ultrasound",
            "travel",
            "strip",
            "integrity",
            "job",
            "reading",
            "stream",
            "store",
            "live",
            "report",
            "console",
            "platform",
        ],
    ),
];
const PURE: &[&str] = &["units", "ultrasound", "travel", "strip", "integrity", "job", "reading"];
/// What a pure room must not touch: files, clocks, tasks, terminals.
const IMPURE: &[&str] = &[
    "std::fs",
    "std::net",
    "std::thread",
    "std::process",
    "std::env",
    "Instant::now",
    "SystemTime",
    "Utc::now",
    "Local::now",
    "tokio::",
    "ratatui",
    "rusqlite",
    "serialport",
];

fn sources() -> Vec<(String, PathBuf, String)> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                found.push(path);
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    walk(&root, &mut files);
    files
        .into_iter()
        .map(|path| {
            let inside = path.strip_prefix(&root).unwrap();
            let first = inside.components().next().unwrap().as_os_str().to_str().unwrap();
            let room = first.trim_end_matches(".rs").to_owned();
            let text = fs::read_to_string(&path).unwrap();
            (room, path, text)
        })
        .filter(|(room, ..)| room != "main" && room != "lib")
        .collect()
}

/// Code without comments and without its test module, which may call what it likes.
fn code(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod tests").next().unwrap_or_default();
    text.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

#[test]
fn every_room_calls_only_those_below_it() {
    let mut rooms = BTreeSet::new();
    let mut broken = Vec::new();
    for (room, path, text) in sources() {
        let Some((_, may)) = LAW.iter().find(|(name, _)| *name == room) else {
            panic!("{} belongs to no room of the law", path.display());
        };
        rooms.insert(room.clone());
        let code = code(&text);
        for (at, _) in code.match_indices("crate::") {
            let called: String = code[at + 7..].chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            // Macros of the crate and groups such as `crate::{a, b}` do not occur; a group would be an empty name.
            assert!(!called.is_empty(), "{}: name rooms one by one after `crate::`", path.display());
            if called != room && !may.contains(&called.as_str()) {
                broken.push(format!("{}: {room} calls {called}", path.display()));
            }
        }
    }
    assert_eq!(rooms.len(), LAW.len(), "a room of the law is gone: {rooms:?}");
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn pure_rooms_open_no_file_read_no_clock_and_spawn_no_task() {
    let mut broken = Vec::new();
    for (room, path, text) in sources().into_iter().filter(|(room, ..)| PURE.contains(&room.as_str())) {
        let code = code(&text);
        broken.extend(IMPURE.iter().filter(|word| code.contains(**word)).map(|word| format!("{}: {room} uses {word}", path.display())));
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn every_file_says_in_its_first_line_what_it_is_for() {
    let silent: Vec<_> = sources().into_iter().filter(|(_, _, text)| !text.starts_with("//! ")).map(|(_, path, _)| path).collect();
    assert!(silent.is_empty(), "{silent:?}");
}
