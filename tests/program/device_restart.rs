//! A device that is switched off and on in the middle of a run, over a network and over a serial line: it is started again, its number, clock and
//! encoder begin anew, and the run goes on at the place where it was held.
#![cfg(unix)]

use crate::common::*;
use crate::devices::said_of;
use backwall_store::EventKind;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};

const SEND: &str = "[send]\nstart = \"GO\\n\"\nstop = \"HALT\\n\"\nstart_again_s = 0.5\n";

/// So many shots from its beginning: number, clock in ms, encoder of 40 counts a mm, thickness.
fn shots(count: u32) -> String {
    (0..count).map(|shot| format!("{shot};{};{};9.0\n", shot * 10, shot * 20)).collect()
}

fn scan(folder: &Path, stream: &str) -> Child {
    let toml = folder.join("gauge.toml");
    std::fs::write(&toml, format!("{}\n{SEND}", include_str!("../../profiles/stream/delimited-text.toml"))).unwrap();
    let job = folder.join("test.job");
    let scan = ["scan", job.to_str().unwrap(), "--line", "C1", "--stream", stream, "--profile", toml.to_str().unwrap(), "--headless"];
    backwall().args(scan).stdout(Stdio::piped()).spawn().unwrap()
}

/// The device: what it hears, and where it answers. Its operator switches it off and on once.
fn device(heard: impl Read, mut line: impl Write, scan: &mut Child) {
    let mut heard = BufReader::new(heard).lines();
    let mut said = BufReader::new(scan.stdout.take().unwrap()).lines();
    let mut until = |words: &str| assert!(said.by_ref().map(Result::unwrap).any(|line| line.contains(words)), "{words} was never said");
    assert_eq!(heard.next().unwrap().unwrap(), "GO");
    line.write_all(format!("\n{}", shots(100)).as_bytes()).unwrap();
    until("saved 100 readings");
    assert_eq!(heard.next().unwrap().unwrap(), "GO", "it fell silent and is started again");
    line.write_all(shots(60).as_bytes()).unwrap();
    until("saved 160 readings");
    assert!(Command::new("kill").args(["-TERM", &scan.id().to_string()]).status().unwrap().success());
    assert_eq!(heard.find(|line| line.as_ref().is_ok_and(|line| line != "GO")).unwrap().unwrap(), "HALT");
    assert!(scan.wait().unwrap().success());
}

fn went_on(folder: &Path) {
    let job = folder.join("test.job");
    let rows = csv(&job, folder);
    let at = |row: usize| rows[row]["position_mm"].parse::<f64>().unwrap();
    // 100 shots of half a millimetre, then as many from there.
    assert_eq!((rows.len(), at(99), at(100), at(101), at(159)), (160, 49.5, 49.5, 50.0, 79.0));
    let held = said_of(&job, EventKind::Place);
    assert!(matches!(&held[..], [text] if text.contains("the device started anew") && text.contains("held at 49.5 mm")), "{held:?}");
    must(&["verify", job.to_str().unwrap()]);
}

#[test]
fn a_device_that_is_switched_off_and_on_goes_on_over_a_network() {
    let folder = tempfile::tempdir().unwrap();
    signed_job(folder.path());
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut scan = scan(folder.path(), &format!("tcp:{}", listener.local_addr().unwrap()));
    let (line, _) = listener.accept().unwrap();
    device(line.try_clone().unwrap(), line, &mut scan);
    went_on(folder.path());
}

#[test]
fn a_device_that_is_switched_off_and_on_goes_on_over_a_serial_line() {
    let folder = tempfile::tempdir().unwrap();
    signed_job(folder.path());
    let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
    let mut scan = scan(folder.path(), &format!("serial:{}", pair.master.tty_name().unwrap().display()));
    device(pair.master.try_clone_reader().unwrap(), pair.master.take_writer().unwrap(), &mut scan);
    went_on(folder.path());
}
