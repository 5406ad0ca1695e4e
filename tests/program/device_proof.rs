//! A profile proven on an invented gauge over TCP, at the terminal: what holds is kept and named in the report, what does not is refused.

use crate::common::*;
use crate::console::fixture::*;
use backwall::console::Step;
use backwall::console::state::{Effect, Event};
use backwall::console::update::update;
use backwall::session::{LineStream, Session};
use ratatui::crossterm::event::KeyCode;
use std::io::Write;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::atomic::{AtomicI32, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// What the gauge sends now.
#[derive(Default)]
struct Gauge {
    wall: Mutex<&'static str>,
    encoder: AtomicI32,
    sent: AtomicUsize,
}

/// A gauge over TCP with its profile, and where it listens.
fn gauge(folder: &Path) -> (PathBuf, Arc<Gauge>, String) {
    let toml = folder.join("gauge.toml");
    std::fs::write(&toml, include_str!("../../profiles/stream/delimited-text.toml")).unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let stream = format!("tcp:{}", listener.local_addr().unwrap());
    let gauge = Arc::new(Gauge::default());
    *gauge.wall.lock().unwrap() = "-";
    let device = Arc::clone(&gauge);
    std::thread::spawn(move || {
        let (mut line, _) = listener.accept().unwrap();
        for seq in 0.. {
            let (wall, encoder) = (*device.wall.lock().unwrap(), device.encoder.load(Ordering::SeqCst));
            if writeln!(line, "{seq};{};{encoder};{wall}", seq * 2).is_err() {
                return;
            }
            device.sent.fetch_add(1, Ordering::SeqCst);
            std::thread::sleep(Duration::from_millis(2));
        }
    });
    (toml, gauge, stream)
}

impl Gauge {
    /// Stands so from now on; a few lines may still be on their way as it was before: what a live link brings is gathered for a while.
    fn stand(&self, wall: &'static str, encoder: i32, goes_on: impl Fn() -> bool) {
        *self.wall.lock().unwrap() = wall;
        self.encoder.store(encoder, Ordering::SeqCst);
        let sent = self.sent.load(Ordering::SeqCst);
        while self.sent.load(Ordering::SeqCst) < sent + 2 && goes_on() {
            std::thread::sleep(Duration::from_millis(1));
        }
        std::thread::sleep(Duration::from_millis(40));
    }
}

/// Answers each question of `prove` once the gauge stands as the answer says; what was printed, and whether it was proven.
fn proven(folder: &Path, answers: &[(&str, &'static str, i32)]) -> (bool, String) {
    let (toml, gauge, stream) = gauge(folder);
    let mut prove = backwall();
    prove.args(["profile", "prove", toml.to_str().unwrap(), "--stream", &stream, "--by", "R. Aldane", "--counts-per-mm", "40"]);
    let mut prove = prove.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut keys = prove.stdin.take().unwrap();
    for (answer, wall, encoder) in answers {
        let prove = std::cell::RefCell::new(&mut prove);
        gauge.stand(wall, *encoder, || prove.borrow_mut().try_wait().unwrap().is_none());
        // A step that does not hold ends it: the next answer finds nobody.
        if writeln!(keys, "{answer}").is_err() {
            break;
        }
        // Until the step has read what it needs the gauge stands still.
        std::thread::sleep(Duration::from_millis(if answer.is_empty() { 220 } else { 20 }));
    }
    drop(keys);
    let output = prove.wait_with_output().unwrap();
    (output.status.success(), format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr)))
}

// The encoder has 40 counts a mm: 500 mm are 20,000 counts, of which 19,984 are 499.6 mm.
const STEPS: [(&str, &str, i32); 8] = [
    ("10", "10.01", 0),
    ("", "10.01", 0),
    ("20", "19.98", 0),
    ("", "19.98", 0),
    ("", "-", 0),
    ("500", "-", 0),
    ("", "-", 0),
    ("", "-", 19_984),
];

#[test]
fn what_was_proven_is_kept_with_the_profile_and_named_in_the_report() {
    let folder = tempfile::tempdir().unwrap();
    let (done, said) = proven(folder.path(), &STEPS);
    assert!(done, "{said}");
    let words = "by R. Aldane: block 10.00 read 10.01, block 20.00 read 19.98, no value when lifted, 500 mm driven read 499.6 (mm)";
    assert!(said.contains(words), "{said}");
    let toml = folder.path().join("gauge.toml");
    assert!(must(&["profile", "check", toml.to_str().unwrap()]).contains(words));
    // A run that is read with it has it in its report; one by another profile says that it is not proven.
    let job = folder.path().join("p.job");
    let (path, file) = (job.to_str().unwrap(), folder.path().join("lines.txt"));
    must(&["new", path, "--from", "demo-stream/plan.toml"]);
    std::fs::write(&file, (0..50).map(|n| format!("{n};{};{};9.0\n", n * 10, n * 20)).collect::<String>()).unwrap();
    let stream = format!("file:{}", file.display());
    for profile in [toml.to_str().unwrap(), "delimited-text"] {
        let scan = ["scan", path, "--line", "C1", "--stream", &stream, "--profile", profile, "--pace", "max", "--headless"];
        must(&[&scan[..], &["--override-checklist", "a gauge that evaluates its own echoes"]].concat());
    }
    let html = folder.path().join("p.html");
    must(&["report", path, "--template", "complete", "--out", html.to_str().unwrap()]);
    let html = std::fs::read_to_string(html).unwrap();
    assert!(html.contains(words) && html.contains("delimited-text not proven"), "the report does not name the proof");
    must(&["verify", path]);
}

#[test]
fn a_profile_that_reads_wrong_is_not_proven_and_nothing_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let with = |step: usize, wall: &'static str, encoder: i32| {
        let mut steps = STEPS;
        (steps[step].1, steps[step].2) = (wall, encoder);
        steps
    };
    for (steps, why) in [
        (with(1, "10.30", 0), "NOT proven: the block reads 10.30 mm"),
        // An offset of 0.08 mm hides on the first block; a scale of one in a hundred shows on the second.
        (with(3, "20.30", 0), "NOT proven: the block reads 20.30 mm"),
        (with(4, "9.98", 0), "NOT proven: the lifted probe reads 9.98 mm"),
        (with(7, "-", -19_984), "the encoder counts backwards"),
        (with(7, "-", 19_000), "5.00 % off"),
    ] {
        let (done, said) = proven(folder.path(), &steps);
        assert!(!done && said.contains(why), "{why}: {said}");
        assert!(!folder.path().join("gauge.proof.toml").exists(), "{why}");
    }
}

#[test]
fn the_console_proves_a_profile_in_a_form_step_by_step() {
    let folder = tempfile::tempdir().unwrap();
    let (toml, gauge, stream) = gauge(folder.path());
    let job = folder.path().join("p.job");
    must(&["new", job.to_str().unwrap(), "--from", "demo-stream/plan.toml"]);
    let port = &format!("{:>5}", stream.rsplit(':').next().unwrap());
    let stream = LineStream { spec: stream.parse().unwrap(), pace: backwall_stream::Pace::Device };
    let session = Session::open(&job, None).unwrap().with_stream(Some(stream), toml.to_str().unwrap(), None).unwrap();
    let mut app = app(Step::Calibrate, session.file.contents().unwrap());
    let effects = update(&mut app, letter('f'));
    let [Effect::CloseBench, Effect::OpenProve(channel, by)] = &effects[..] else { panic!("{effects:?}") };
    let mut proof = session.start_prove(channel.as_deref(), by).unwrap();
    // The first answer is no length: it is asked again, and the steps go on.
    for (answer, wall, encoder) in [("ten", "10.01", 0)].into_iter().chain(STEPS) {
        while app.prompt.is_none() {
            update(&mut app, Event::Prove(proof.news.blocking_recv().unwrap()));
        }
        if answer == "500" {
            insta::with_settings!({ snapshot_path => "snapshots" }, {
                insta::assert_snapshot!("prove_80x24", text(&app, 80, 24).replace(port, "PORT."));
            });
        }
        gauge.stand(wall, encoder, || true);
        type_in(&mut app, answer);
        let effects = update(&mut app, key(KeyCode::Enter));
        let [Effect::AnswerProve(typed)] = &effects[..] else { panic!("{effects:?}") };
        proof.answers.send(typed.clone()).unwrap();
    }
    while app.proving.is_some() {
        update(&mut app, Event::Prove(proof.news.blocking_recv().unwrap()));
    }
    let words = "block 10.00 read 10.01, block 20.00 read 19.98, no value when lifted, 500 mm driven read 499.6 (mm)";
    assert!(app.message.as_ref().unwrap().text.contains(words), "{:?}", app.message);
    assert!(must(&["profile", "check", toml.to_str().unwrap()]).contains(words));
    // Given up: nothing is kept, and the device is let go of.
    std::fs::remove_file(folder.path().join("gauge.proof.toml")).unwrap();
    update(&mut app, letter('f'));
    update(&mut app, Event::Prove(backwall::console::backend::ProveNews::Asked("A block?".to_owned())));
    assert_eq!(update(&mut app, key(KeyCode::Esc)), [Effect::CloseProve]);
    assert!(app.proving.is_none() && app.message.unwrap().text.contains("nothing was kept"));
    session.file.close().unwrap();
}
