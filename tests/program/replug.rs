//! A serial device that is pulled out and plugged in again and again, each time as another port behind the same name: every shot that
//! was saved before a pull is there, each pull is an event, and one run holds all of them. `BACKWALL_PROOF_REPLUGS` says how
//! often, three times if not given.
#![cfg(unix)]

use crate::common::*;
use backwall_stream::packet;
use backwall_survey::reading::Header;
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Time};
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::Stdio;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

const SHOTS: u32 = 20;

fn header() -> Vec<u8> {
    let mut out = Vec::new();
    let base = TimeBase { rate: Frequency::mhz(50.0), first: Time::ns(0.0), bits: 12 };
    packet::encode_header(&Header { base, samples: 16, device_id: 1, device_name: "test".to_owned() }, &mut out);
    out
}

fn shot(seq: u32) -> Vec<u8> {
    let mut out = Vec::new();
    packet::encode_shot(seq, 10_000 * u64::from(seq), seq as i32, Decibel::db(40.0), &[seq as i16; 16], &mut out);
    out
}

/// A new pseudo-terminal under the name; the one before is given back only then, so that its number is not used again.
fn plug_in(name: &Path) -> portable_pty::PtyPair {
    let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
    std::os::unix::fs::symlink(pair.master.tty_name().unwrap(), name).unwrap();
    pair
}

/// Waits for what the program says.
fn until(said: &Receiver<Value>, what: &str, is_it: impl Fn(&Value) -> bool) -> Value {
    loop {
        let event = said.recv_timeout(Duration::from_secs(20)).unwrap_or_else(|_| panic!("it never said {what}"));
        if is_it(&event) {
            return event;
        }
    }
}

#[test]
fn a_device_plugged_in_again_and_again_loses_nothing_that_was_saved() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let name = folder.path().join("port");
    let replugs = proof("BACKWALL_PROOF_REPLUGS", 3) as u32;
    let mut device = plug_in(&name);
    let mut ports = std::collections::BTreeSet::from([device.master.tty_name()]);
    let mut wire = device.master.take_writer().unwrap();
    let mut child = backwall()
        .args(["scan", job.to_str().unwrap(), "--line", "A090", "--headless", "--json", "--stream"])
        .arg(format!("serial:{}", name.display()))
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap());
    let (say, said) = channel();
    std::thread::spawn(move || {
        for event in lines.lines().map_while(Result::ok).filter_map(|line| serde_json::from_str(&line).ok()) {
            if say.send(event).is_err() {
                return;
            }
        }
    });
    until(&said, "that it began", |event| event["event"] == "opened");
    for plug in 0..=replugs {
        wire.write_all(&header()).unwrap();
        for seq in plug * SHOTS..(plug + 1) * SHOTS {
            wire.write_all(&shot(seq + 1)).unwrap();
        }
        let all = u64::from((plug + 1) * SHOTS);
        until(&said, &format!("that {all} are saved"), |event| event["event"] == "saved" && event["readings"] == all);
        if plug == replugs {
            break;
        }
        // In the middle of a frame, as cables are.
        wire.write_all(&shot(0)[..9]).unwrap();
        std::fs::remove_file(&name).unwrap();
        let before = std::mem::replace(&mut device, plug_in(&folder.path().join("next")));
        drop((before, std::mem::replace(&mut wire, device.master.take_writer().unwrap())));
        until(&said, "that the link is lost", |event| event["event"] == "link" && event["up"] == false);
        std::fs::rename(folder.path().join("next"), &name).unwrap();
        ports.insert(device.master.tty_name());
        until(&said, "that the link is back", |event| event["event"] == "link" && event["up"] == true);
    }
    assert!(ports.len() >= 2, "another port than before: {ports:?}");
    std::process::Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
    let closed = until(&said, "that it closed", |event| event["event"] == "closed");
    child.wait().unwrap();
    assert_eq!(closed["readings"], u64::from((replugs + 1) * SHOTS), "{closed}");
    let rows = csv(&job, folder.path());
    let seqs: Vec<u32> = rows.iter().map(|row| row["seq"].parse().unwrap()).collect();
    assert_eq!(seqs, (1..=(replugs + 1) * SHOTS).collect::<Vec<_>>());
    must(&["verify", job.to_str().unwrap()]);
}
