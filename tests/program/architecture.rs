//! The part of the law of the house that Cargo cannot hold: what is pure opens no file, reads no clock and spawns no task,
//! and nobody but `cli` itself knows `cli`. And a type's name means one thing in the whole house.

use crate::common::root;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// The pure crates.
const PURE: &[&str] = &["backwall-units", "backwall-ultrasound", "backwall-survey"];
/// What a pure crate must not touch: files, clocks, tasks, terminals, the command line.
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
    "tokio",
    "ratatui",
    "rusqlite",
    "serialport",
    "clap",
];
/// The rooms of the program, from the ground up: a room knows those before it.
const ROOMS: &[&str] = &["platform", "live", "console", "session", "cli"];

fn sources(folder: &Path) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            let text = code(&fs::read_to_string(&path).unwrap());
            found.push((path, text));
        }
    }
    found
}

/// Code without comments and without its test module, which may call what it likes.
fn code(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod tests").next().unwrap_or_default();
    text.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

#[test]
fn pure_crates_open_no_file_read_no_clock_and_spawn_no_task() {
    let mut broken = Vec::new();
    for name in PURE {
        let files = sources(&root().join("crates").join(name).join("src"));
        assert!(!files.is_empty(), "{name} is gone");
        for (path, text) in files {
            broken.extend(IMPURE.iter().filter(|word| text.contains(**word)).map(|word| format!("{}: {word}", path.display())));
        }
        let manifest = fs::read_to_string(root().join("crates").join(name).join("Cargo.toml")).unwrap();
        let needs = manifest.split("[dev-dependencies]").next().unwrap_or_default();
        broken.extend(
            ["tokio", "clap", "rusqlite", "ratatui"]
                .iter()
                .filter(|word| needs.contains(**word))
                .map(|word| format!("{name} depends on {word}")),
        );
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn every_room_of_the_program_calls_only_those_below_it() {
    let mut broken = Vec::new();
    for (path, text) in sources(&root().join("src")) {
        let inside = path.strip_prefix(root().join("src")).unwrap();
        let first = inside.components().next().unwrap().as_os_str().to_str().unwrap().trim_end_matches(".rs").to_owned();
        let Some(rank) = ROOMS.iter().position(|room| *room == first) else {
            assert!(first == "main" || first == "lib", "{} belongs to no room", path.display());
            continue;
        };
        for above in &ROOMS[rank + 1..] {
            if text.contains(&format!("crate::{above}")) {
                broken.push(format!("{}: {first} calls {above}", path.display()));
            }
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

/// The name of a type that a line at the outermost level defines.
fn defined(line: &str) -> Option<&str> {
    let line =
        line.strip_prefix("pub(crate) ").or_else(|| line.strip_prefix("pub(super) ")).or_else(|| line.strip_prefix("pub ")).unwrap_or(line);
    let name = ["struct ", "enum ", "trait ", "type "].iter().find_map(|word| line.strip_prefix(word))?;
    name.split(|letter: char| !letter.is_alphanumeric()).next()
}

#[test]
fn a_name_of_a_type_means_one_thing_in_the_whole_house() {
    let mut crates: Vec<PathBuf> = fs::read_dir(root().join("crates")).unwrap().map(|entry| entry.unwrap().path().join("src")).collect();
    crates.push(root().join("src"));
    let mut places: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for (path, text) in crates.iter().flat_map(|folder| sources(folder)) {
        for name in text.lines().filter_map(defined) {
            places.entry(name.to_owned()).or_default().push(path.display().to_string());
        }
    }
    assert!(places.len() > 500, "only {} types were found", places.len());
    let doubled: Vec<_> = places.iter().filter(|(_, files)| files.len() > 1).collect();
    assert!(doubled.is_empty(), "name each for what it is: {doubled:#?}");
}
