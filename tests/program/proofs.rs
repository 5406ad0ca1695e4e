//! The short forms of proofs that take long: what they show and how to run them long stands in `docs/promises.md`.

use crate::common::{must, root};
use std::process::{Command, Output};

/// Runs a proof on the real binary and a short stream.
fn proof(script: &str, shots: &str, more: &[&str]) -> Output {
    let folder = tempfile::tempdir().unwrap();
    let stream = folder.path().join("s.shots");
    must(&["simulate", "--shots", shots, "--samples", "64", "--rate", "500", "--out", stream.to_str().unwrap()]);
    Command::new("python3")
        .arg(root().join("tests/proofs").join(script))
        .args([env!("CARGO_BIN_EXE_backwall"), stream.to_str().unwrap(), root().join("demo-stream/plan.toml").to_str().unwrap()])
        .args(more)
        .output()
        .unwrap()
}

/// Linux only: what the program asks of the disk is noted by strace, where that may trace.
fn may_trace() -> bool {
    let there = |program: &str| Command::new(program).arg("-V").output().is_ok();
    let may = cfg!(target_os = "linux") && there("strace") && there("python3");
    if !may {
        eprintln!("NOT CHECKED: needs Linux, strace and python3");
    }
    may
}

fn held(output: &Output) {
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    if output.status.code() == Some(3) {
        eprintln!("{said}");
    } else {
        assert!(output.status.success() && said.contains(", 0 bad"), "{said}{}", String::from_utf8_lossy(&output.stderr));
    }
}

#[test]
fn a_power_cut_at_any_moment_costs_nothing_that_was_said_to_be_saved() {
    if !may_trace() {
        return;
    }
    held(&proof("power_cuts.py", "250", &["--states", "400"]));
    // The same on a disk that only says it synced finds losses: it can fail.
    let lying = proof("power_cuts.py", "250", &["--states", "200", "--lying-disk"]);
    assert!(!lying.status.success(), "{}", String::from_utf8_lossy(&lying.stdout));
}

#[test]
fn a_disk_that_refuses_one_call_is_told_and_costs_nothing_that_was_said_to_be_saved() {
    if may_trace() {
        held(&proof("io_errors.py", "100", &["--every", "16"]));
    }
}

/// The long form is eight hours at 200 shots a second. Here it is long enough that a program fails which keeps its waveforms.
#[test]
fn what_a_run_holds_in_memory_does_not_grow_with_what_it_has_read() {
    if !cfg!(target_os = "linux") || Command::new("python3").arg("-V").output().is_err() {
        return eprintln!("NOT CHECKED: needs Linux and python3");
    }
    let output = Command::new("python3")
        .arg(root().join("tests/proofs/long_day.py"))
        .args([env!("CARGO_BIN_EXE_backwall"), root().join("demo-stream/plan.toml").to_str().unwrap()])
        .args(["--readings", "6000", "--samples", "1024", "--points", "8", "--most", "5"])
        .output()
        .unwrap();
    held(&output);
}
