//! What the Debian package holds, laid out by its own script without building a release: binary, man pages, completions, profiles, udev rule, pages.
#![cfg(unix)]

use crate::common::*;
use std::collections::BTreeSet;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Every file under a folder, as named from there.
fn files(folder: &Path) -> BTreeSet<PathBuf> {
    let mut found = BTreeSet::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(next) = open.pop() {
        for entry in std::fs::read_dir(&next).unwrap().map(Result::unwrap) {
            match entry.file_type().unwrap().is_dir() {
                true => open.push(entry.path()),
                false => drop(found.insert(entry.path().strip_prefix(folder).unwrap().to_path_buf())),
            }
        }
    }
    found
}

#[test]
fn the_package_holds_program_pages_completions_profiles_and_the_udev_rule() {
    let folder = tempfile::tempdir().unwrap();
    let laid = Command::new("sh")
        .arg(root().join("packaging/deb"))
        .env("TREE", folder.path())
        .env("BINARY", env!("CARGO_BIN_EXE_backwall"))
        .output()
        .unwrap();
    assert!(laid.status.success(), "{}", String::from_utf8_lossy(&laid.stderr));
    let packed = files(folder.path());
    let has = |path: &str| packed.contains(Path::new(path));
    let mode = std::fs::metadata(folder.path().join("usr/bin/backwall")).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o755);
    for path in [
        "usr/share/man/man1/backwall.1.gz",
        "usr/share/man/man1/backwall-scan.1.gz",
        "usr/share/bash-completion/completions/backwall",
        "usr/share/zsh/vendor-completions/_backwall",
        "usr/share/fish/vendor_completions.d/backwall.fish",
        "usr/share/doc/backwall/README.md",
        "usr/share/doc/backwall/60-backwall.rules",
    ] {
        assert!(has(path), "{path} is missing: {packed:?}");
    }
    // Each command has its page, as the program makes them.
    let made = tempfile::tempdir().unwrap();
    must(&["manual", "--out", made.path().to_str().unwrap()]);
    for page in files(&made.path().join("man1")) {
        assert!(has(&format!("usr/share/man/man1/{}.gz", page.display())), "{}", page.display());
    }
    // Profiles and pages as they stand here, to the byte.
    for (from, to) in [("profiles", "usr/share/backwall/profiles"), ("docs", "usr/share/doc/backwall/docs")] {
        for path in files(&root().join(from)) {
            let there =
                std::fs::read(folder.path().join(to).join(&path)).unwrap_or_else(|error| panic!("{to}/{}: {error}", path.display()));
            assert!(there == std::fs::read(root().join(from).join(&path)).unwrap(), "{}", path.display());
        }
    }
    let control = std::fs::read_to_string(folder.path().join("DEBIAN/control")).unwrap();
    assert!(control.contains(&format!("Version: {}\n", env!("CARGO_PKG_VERSION"))), "{control}");
    let kept = ["usr/bin", "usr/share", "DEBIAN/control"];
    assert!(packed.iter().all(|path| kept.iter().any(|kept| path.starts_with(kept))), "nothing of the making is left: {packed:?}");
}
