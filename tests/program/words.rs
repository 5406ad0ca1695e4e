//! One vocabulary: no word of the "not this" column of `docs/words.md` stands in what users see.

use crate::common::root;
use std::fs;
use std::path::{Path, PathBuf};

/// The words not to be used, each in lower case, with what to say instead.
fn not_this() -> Vec<(String, String)> {
    let page = fs::read_to_string(root().join("docs/words.md")).unwrap();
    let mut found = Vec::new();
    for row in page.lines().filter(|line| line.starts_with('|')) {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        if let [say, _, _, not] = cells[..] {
            found.extend(
                not.split(',')
                    .map(str::trim)
                    .filter(|word| word.starts_with('`'))
                    .map(|word| (word.trim_matches('`').to_owned(), say.to_owned())),
            );
        }
    }
    assert!(found.len() > 20, "the table of docs/words.md was not found: {found:?}");
    found
}

fn files(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path, ending));
        } else if path.extension().is_some_and(|found| found == ending) {
            found.push(path);
        }
    }
    found
}

/// The texts between quotes of a source file without its tests, and the help that clap makes of comments; with line numbers.
fn visible(path: &Path) -> Vec<(usize, String)> {
    let text = fs::read_to_string(path).unwrap();
    let code = text.split("#[cfg(test)]").next().unwrap_or_default();
    let help = path.components().any(|part| part.as_os_str() == "cli") && code.contains("clap");
    let mut found = Vec::new();
    for (index, line) in code.lines().enumerate() {
        let start = line.trim_start();
        if start.starts_with("//") {
            if help && start.starts_with("///") {
                found.push((index + 1, start.to_owned()));
            }
            continue;
        }
        // Every other piece between quotes is inside; a quote behind a backslash parts nothing; names in braces are not seen.
        let line = line.replace("\\\"", "'").split('{').map(|part| part.rsplit('}').next().unwrap_or_default()).collect::<String>();
        found.extend(line.split('"').skip(1).step_by(2).filter(|piece| piece.contains(' ')).map(|piece| (index + 1, piece.to_owned())));
    }
    found
}

fn holds(text: &str, word: &str) -> bool {
    // A word in capitals is meant in capitals.
    let (text, word) =
        if word.chars().any(char::is_uppercase) { (text.to_owned(), word.to_owned()) } else { (text.to_lowercase(), word.to_owned()) };
    text.match_indices(&word).any(|(at, _)| {
        let edge = |c: Option<char>| c.is_none_or(|c| !c.is_alphanumeric() && c != '_' && c != '-');
        edge(text[..at].chars().next_back()) && edge(text[at + word.len()..].chars().next())
    })
}

#[test]
fn no_word_that_is_not_ours_is_seen() {
    let mut seen = Vec::new();
    let words = not_this();
    let mut look = |path: &Path, line: usize, text: &str| {
        for (word, say) in &words {
            if holds(text, word) {
                seen.push(format!("{}:{line}: \"{word}\" (say {say}): {}", path.strip_prefix(root()).unwrap().display(), text.trim()));
            }
        }
    };
    let crates = files(&root().join("crates"), "rs").into_iter().filter(|path| path.components().any(|part| part.as_os_str() == "src"));
    for path in files(&root().join("src"), "rs").into_iter().chain(crates) {
        for (line, text) in visible(&path) {
            look(&path, line, &text);
        }
    }
    let mut plain = files(&root().join("docs"), "md");
    plain.retain(|path| !path.ends_with("words.md"));
    plain.extend(files(&root().join("profiles"), "toml"));
    plain.push(root().join("README.md"));
    for path in plain {
        for (index, line) in fs::read_to_string(&path).unwrap().lines().enumerate() {
            look(&path, index + 1, line);
        }
    }
    assert!(seen.is_empty(), "{} places\n{}", seen.len(), seen.join("\n"));
}

#[test]
fn words_are_found_whole_and_in_the_case_they_are_written_in() {
    assert!(holds("The level is LOST here", "LOST") && !holds("shots lost", "LOST"));
    assert!(holds("Stands against scanning", "stands against") && !holds("retold", "told"));
}
