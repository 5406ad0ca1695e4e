//! A stream of something else than the profile is for: other devices' bytes, noise, text. Nothing of it may be called good, neither where the profile is
//! tried nor where a run is recorded with it, for each profile that ships.

use crate::common::*;
use backwall_simulate::{Crawler, StreamEnd};
use backwall_stream::{Profile, crc};
use backwall_units::Length;
use std::path::Path;

/// What devices of the shipped profiles send, by profile.
fn sent(profile: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    match profile {
        "open-packet" => {
            let mut crawler = Crawler::on_block(&demo_wall(), Length::mm(8.0), StreamEnd::Shots(20)).unwrap();
            while crawler.next_frame(&mut bytes).is_some() {}
        }
        "fixed-binary" => {
            let check = crc::by_name("CRC-16/IBM-3740").unwrap();
            for seq in 0..20u16 {
                let mut body = seq.to_be_bytes().to_vec();
                body.extend(u32::from(seq).to_be_bytes());
                body.extend([0, 7, 80]);
                body.extend((0..240u32).map(|sample| (sample * u32::from(seq) % 251) as u8));
                let sum = check.of(&body).to_be_bytes();
                bytes.extend([&[0x5a, 0xa5], &body[..], &sum[sum.len() - 2..]].concat());
            }
        }
        "delimited-text" => bytes.extend((0..40).flat_map(|seq| format!("{seq};{};-204;9.84\r\n", seq * 5).into_bytes())),
        "keyed-text-xor" => {
            for seq in 0..40 {
                let body = format!("UTWT,N={seq},T=5.120,E=-204,TOF=3.378,U=us");
                let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
                bytes.extend(format!("${body}*{sum:02X}\r\n").into_bytes());
            }
        }
        other => panic!("the profile {other} ships: say here what its device sends"),
    }
    bytes
}

/// Steele's and Vigna's splitmix64, so that it is the same noise each time.
fn noise(count: usize) -> Vec<u8> {
    let mut state = 7u64;
    let mut next = || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) as u8
    };
    (0..count).map(|_| next()).collect()
}

/// The last line of what trying a profile on a stream says: so many good, so many dropped.
fn tried(profile: &str, stream: &Path) -> String {
    let stream = format!("file:{}", stream.display());
    let said = must(&["profile", "try", profile, "--stream", &stream, "--limit", "1000000"]);
    said.lines().find(|line| line.contains(" shots before any header")).unwrap_or_else(|| panic!("{said}")).to_owned()
}

fn others(profile: &str) -> Vec<(String, Vec<u8>)> {
    let names: Vec<&str> = Profile::shipped().map(|(name, _)| name).collect();
    let of_devices = names.into_iter().filter(|name| *name != profile).map(|name| (format!("what {name} sends"), sent(name)));
    let of_files = ["README.md", "demo-stream/plan.toml", "demo-stream/earlier.csv"].map(|name| {
        let bytes = std::fs::read(root().join(name)).unwrap();
        (name.to_owned(), bytes[..bytes.len().min(20_000)].to_vec())
    });
    let made = [
        ("noise", noise(100_000)),
        ("zeros", vec![0; 20_000]),
        ("ones", vec![0xff; 20_000]),
        ("remarks", "# start\r\n# of something else\r\n".repeat(50).into_bytes()),
        ("a prompt", b"\r\nlogin: root\r\nPassword: \r\n$ ls\r\n".repeat(50)),
    ];
    of_devices.chain(of_files).chain(made.map(|(name, bytes)| (name.to_owned(), bytes))).collect()
}

#[test]
fn a_stream_of_something_else_is_never_called_good_where_a_profile_is_tried() {
    let folder = tempfile::tempdir().unwrap();
    let stream = folder.path().join("stream");
    for (profile, _) in Profile::shipped() {
        // Its own is, or nothing would be shown by the rest.
        std::fs::write(&stream, sent(profile)).unwrap();
        let own = tried(profile, &stream);
        assert!(!own.starts_with("0 good") && own.contains(" good, 0 dropped, 0 unknown"), "{profile}: {own}");
        for (what, bytes) in others(profile) {
            std::fs::write(&stream, bytes).unwrap();
            let found = tried(profile, &stream);
            assert!(found.starts_with("0 good, "), "{profile} on {what}: {found}");
        }
    }
}

#[test]
fn a_run_recorded_from_a_stream_of_something_else_says_that_no_frame_of_it_was_good() {
    let folder = tempfile::tempdir().unwrap();
    let (job, stream) = (folder.path().join("a.job"), folder.path().join("stream"));
    let (job, from) = (job.to_str().unwrap(), format!("file:{}", stream.display()));
    must(&["new", job, "--from", "demo-stream/plan.toml"]);
    for (profile, _) in Profile::shipped() {
        for (what, bytes) in others(profile).into_iter().filter(|(what, _)| ["noise", "remarks"].contains(&what.as_str())) {
            std::fs::write(&stream, bytes).unwrap();
            let scan = ["scan", job, "--headless", "--line", "A090", "--stream", &from, "--pace", "max", "--profile", profile];
            let output = run(&[&scan[..], &["--override-checklist", "a test"]].concat());
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert!(!output.status.success() && said.contains("recorded nothing"), "{profile} on {what}: {said}");
            assert!(said.contains(&format!("there is no good frame of the profile '{profile}' in them")), "{profile} on {what}: {said}");
        }
    }
}
