//! Commands of a profile, sent to an invented device over TCP by the program, and what the run keeps of them.

use crate::common::*;
use crate::console::bench::{bench, take, typed};
use crate::console::fixture::*;
use crate::devices::said_of;
use backwall::console::Step;
use backwall::console::state::{App, BenchShown, Effect, Event, RunPicture};
use backwall::console::update::update;
use backwall::live::bench::{BenchCommand, BenchView};
use backwall::live::view::DeviceSaid;
use backwall::live::{Begin, RunCommand};
use backwall::session::{LineStream, Session, runtime};
use backwall_simulate::{Crawler, StreamEnd};
use backwall_store::EventKind;
use backwall_stream::command::Ordered;
use backwall_stream::{Pace, Profile};
use backwall_survey::job::validity::Validity;
use backwall_survey::travel::Direction;
use backwall_units::Length;
use ratatui::crossterm::event::KeyCode;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::process::Stdio;
use std::sync::Arc;

const COMMANDS: &str = "
[[command]]
name = \"gain\"
about = \"of the receiver\"
kind = \"gain\"
text = \"G{value}\\n\"
values = [20, 26, 32]
unit = \"dB\"
answer = \"OK G\"

[[command]]
name = \"light\"
kind = \"other\"
text = \"LIGHT\\n\"
answer = \"OK L\"
timeout_ms = 100
";

fn profile() -> String {
    format!("{}\n{COMMANDS}", include_str!("../../profiles/stream/delimited-text.toml"))
}

#[test]
fn a_command_reaches_the_device_between_its_shots_and_the_run_keeps_it_and_its_answer() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let toml = folder.path().join("gauge.toml");
    std::fs::write(&toml, profile()).unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let stream = format!("tcp:{}", listener.local_addr().unwrap());
    let mut scan = backwall();
    scan.args(["scan", job.to_str().unwrap(), "--line", "C1", "--stream", &stream, "--profile", toml.to_str().unwrap()]);
    let mut scan = scan.args(["--headless", "--json", "--send", "gain=26", "--send", "light"]).stdout(Stdio::piped()).spawn().unwrap();
    let (mut line, _) = listener.accept().unwrap();
    let mut heard = BufReader::new(line.try_clone().unwrap()).lines();
    assert_eq!(heard.next().unwrap().unwrap(), "G26");
    line.write_all(b"\n0;0;0;9.0\nOK G26.0\n1;10;20;9.0\n").unwrap();
    assert_eq!(heard.next().unwrap().unwrap(), "LIGHT");
    // Nothing answers the second; that its time has run out is said before the next shot comes.
    let mut said = Vec::new();
    let mut told = BufReader::new(scan.stdout.take().unwrap()).lines();
    let mut until = |words: &str| {
        let found = told.by_ref().map(Result::unwrap).inspect(|line| said.push(line.clone())).any(|line| line.contains(words));
        assert!(found, "{words} was never said: {said:?}");
    };
    until("light was NOT answered");
    line.write_all(b"2;20;40;9.0\n3;30;60;9.0\n").unwrap();
    until("\"readings\":4");
    // As a service is asked to end.
    assert!(std::process::Command::new("kill").args(["-TERM", &scan.id().to_string()]).status().unwrap().success());
    until("\"closed\"");
    assert!(scan.wait().unwrap().success());
    let said = events(&said.join("\n"));
    let closed = said.last().unwrap();
    assert_eq!((closed["readings"].as_u64(), closed["frames_dropped"].as_u64()), (Some(4), Some(0)), "{closed}");
    assert_eq!(closed["calibration"], "pending");
    assert!(closed["calibration_why"].as_str().unwrap().contains("gain or range"), "{closed}");
    let by = operator();
    assert_eq!(
        said_of(&job, EventKind::Adjusted),
        [format!("gain 26 dB sent by {by}: the calibration was made before it, verify on a block")]
    );
    assert_eq!(
        said_of(&job, EventKind::Command),
        [
            "gain 26 dB: the device answered".to_owned(),
            format!("light sent by {by}"),
            "light was NOT answered within 0.1 s: whether the device took it is not known".to_owned()
        ]
    );
    must(&["verify", job.to_str().unwrap()]);
    // Values that are not allowed, unknown names and streams that cannot be written to: said, and nothing is sent.
    let scan = |send: &str, stream: &str| {
        let toml = toml.to_str().unwrap();
        let output =
            run(&["scan", job.to_str().unwrap(), "--line", "C1", "--stream", stream, "--profile", toml, "--headless", "--send", send]);
        (output.status.success(), format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr)))
    };
    let (done, words) = scan("gain=27", &stream);
    assert!(!done && words.contains("gain takes one of 20, 26, 32 dB, not '27'"), "{words}");
    let (done, words) = scan("volume", &stream);
    assert!(!done && words.contains("knows no command 'volume'; it knows gain, light"), "{words}");
    let file = folder.path().join("lines.txt");
    std::fs::write(&file, "0;0;0;9.0\n1;10;20;9.0\n").unwrap();
    let (done, words) = scan("light", &format!("file:{}", file.display()));
    assert!(!done && words.contains("--send needs a device that can be written to"), "{words}");
}

/// Until the device has heard its gain it stands on another block: what it sends then must not be taken.
#[test]
fn calibrate_sends_the_gain_before_each_block_and_takes_nothing_that_came_before_it() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let toml = folder.path().join("probe.toml");
    let gain = "\n[[command]]\nname = \"gain\"\nkind = \"gain\"\ntext = \"G{value}\\n\"\nvalues = [20, 26]\nunit = \"dB\"\n";
    std::fs::write(&toml, format!("{}{gain}", include_str!("../../profiles/stream/open-packet.toml"))).unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let stream = format!("tcp:{}", listener.local_addr().unwrap());
    let device = std::thread::spawn(move || {
        let wall = demo_wall();
        let mut heard = Vec::new();
        for mm in [4.0, 10.0, 12.5, 8.0] {
            let (mut line, _) = listener.accept().unwrap();
            line.set_read_timeout(Some(std::time::Duration::from_millis(10))).unwrap();
            let block = |mm| Crawler::on_block(&wall, Length::mm(mm), StreamEnd::Never).unwrap();
            let (mut before, mut behind, mut frames, mut said) = (block(6.0), block(mm), Vec::new(), [0; 16]);
            let mut has_heard = false;
            loop {
                frames.clear();
                if has_heard {
                    behind.next_frame(&mut frames)
                } else {
                    before.next_frame(&mut frames)
                };
                if line.write_all(&frames).is_err() {
                    break;
                }
                if !has_heard && let Ok(count @ 1..) = std::io::Read::read(&mut line, &mut said) {
                    heard.extend_from_slice(&said[..count]);
                    has_heard = said[..count].ends_with(b"\n");
                }
            }
        }
        String::from_utf8(heard).unwrap()
    });
    let at = |mm: &str| format!("{mm}={stream}");
    let (thin, thick, between, other) = (at("4"), at("12.5"), at("10"), at("8"));
    let (job, toml) = (job.to_str().unwrap(), toml.to_str().unwrap());
    let measure = ["calibrate", job, "--headless", "--profile", toml, "--at", &thin, "--at", &between, "--at", &thick, "--verify", &other];
    let said = must(&[&measure[..], &["--send", "gain=26"]].concat());
    assert!(said.contains("passed") || said.contains("PASSED"), "{said}");
    assert_eq!(device.join().unwrap(), "G26\nG26\nG26\nG26\n");
    let contents = backwall_store::JobFile::open_read_only(std::path::Path::new(job)).unwrap().contents().unwrap();
    let origin = contents.setup_in_force().unwrap().origin.to_string();
    assert!(origin.contains(&format!("gain 26 dB sent by {}", operator())), "{origin}");
    // A value it does not take, and a file that cannot be written to.
    let refused =
        |more: &[&str]| String::from_utf8(run(&[&["calibrate", job, "--headless", "--profile", toml][..], more].concat()).stderr).unwrap();
    assert!(refused(&["--at", &thin, "--send", "gain=27"]).contains("gain takes one of 20, 26 dB, not '27'"));
    assert!(refused(&["--at", "4=file:none.shots", "--send", "gain=26"]).contains("--send needs a device that can be written to"));
}

#[test]
fn c_lists_the_commands_and_asks_again_where_readings_depend_on_it() {
    let mut app = scanning(Direction::Up);
    assert_eq!(update(&mut app, letter('c')), []);
    assert!(app.message.as_ref().unwrap().text.contains("no [[command]]"));
    let known = Profile::parse("t.toml", &profile()).unwrap();
    change(&mut app, |view| view.commands = known.commands().into());
    update(&mut app, letter('c'));
    for (width, height) in [(80, 24), (190, 50)] {
        insta::with_settings!({ snapshot_path => "snapshots" }, {
            insta::assert_snapshot!(format!("device_commands_{width}x{height}"), text(&app, width, height));
        });
    }
    // The first is the gain; a value that it does not take is refused where it was typed.
    update(&mut app, key(KeyCode::Enter));
    type_in(&mut app, "27");
    assert_eq!(update(&mut app, key(KeyCode::Enter)), []);
    assert!(text(&app, 80, 24).contains("gain takes one of 20, 26, 32 dB"), "{}", text(&app, 80, 24));
    update(&mut app, key(KeyCode::Backspace));
    type_in(&mut app, "6");
    assert_eq!(update(&mut app, key(KeyCode::Enter)), []);
    let shown = text(&app, 80, 24);
    assert!(shown.contains("Send gain 26 dB now? Readings change from here on.  y yes   n no"), "{shown}");
    // A second Enter, meant for the form, sends nothing.
    assert_eq!(update(&mut app, key(KeyCode::Enter)), []);
    for c in "cq1".chars() {
        assert_eq!(update(&mut app, letter(c)), []);
    }
    let effects = update(&mut app, letter('y'));
    let [Effect::Command(RunCommand::Send(order))] = &effects[..] else { panic!("{effects:?}") };
    assert_eq!((order.bytes.as_slice(), order.by.as_str()), (&b"G26\n"[..], "R. Aldane"));
    // What became of it stands on the bottom line, and the calibration waits for its verification.
    let words = "gain 26 dB sent by R. Aldane: the calibration was made before it, verify on a block".to_owned();
    change(&mut app, |view| view.device = DeviceSaid { count: 1, words: words.clone(), is_doubt: true, adjusted: true });
    assert_eq!(app.message.as_ref().map(|message| message.text.clone()), Some(words));
    assert!(matches!(app.calibration(), Validity::Pending(why) if why.contains("gain or range")));
    // What readings do not depend on is sent at once.
    update(&mut app, letter('c'));
    update(&mut app, key(KeyCode::Right));
    update(&mut app, key(KeyCode::Enter));
    let effects = update(&mut app, key(KeyCode::Enter));
    assert!(matches!(&effects[..], [Effect::Command(RunCommand::Send(order))] if order.words == "light"), "{effects:?}");
}

/// What blocks are read with is set where they are read.
#[test]
fn s_on_calibrate_sends_to_the_device_and_the_next_run_knows_what_was_sent_behind_its_calibration() {
    let mut app = app(Step::Calibrate, ready());
    app.operator = signed();
    assert!(update(&mut app, letter('s')).is_empty() && app.message.as_ref().unwrap().text.contains("l opens it"));
    let known = Profile::parse("t.toml", &profile()).unwrap();
    let mut taken = bench(typed(app.setup()));
    taken.view.commands = known.commands().into();
    take(&mut taken, &[4.0]);
    let open = |app: &mut App, view: &BenchView| {
        let (picture, serial, tolerance) = (RunPicture::Wave, String::new(), String::new());
        let handed_on = view.found.len();
        app.bench = Some(BenchShown { view: Arc::new(view.clone()), handed_on, picture, serial, tolerance, keep_velocity: false });
    };
    open(&mut app, &taken.view);
    update(&mut app, letter('s'));
    assert!(text(&app, 80, 24).contains("gain (20, 26, 32 dB): of the receiver"), "{}", text(&app, 80, 24));
    update(&mut app, key(KeyCode::Enter));
    type_in(&mut app, "26");
    update(&mut app, key(KeyCode::Enter));
    assert!(text(&app, 80, 24).contains("Send gain 26 dB now? The blocks on the table are removed."), "{}", text(&app, 80, 24));
    let effects = update(&mut app, letter('y'));
    let [Effect::Bench(BenchCommand::Send(order))] = &effects[..] else { panic!("{effects:?}") };
    assert_eq!((order.bytes.as_slice(), order.by.as_str()), (&b"G26\n"[..], "R. Aldane"));

    // What goes out takes the blocks off the table; it is written down, and the set-up that new blocks give says it.
    taken.ordered(order, &Ordered::Sent);
    assert!(
        taken.view.blocks.is_empty() && taken.view.said.as_ref().unwrap().words.contains("blocks that were read before it are removed")
    );
    let noted = update(&mut app, Event::Bench(Arc::new(taken.view.clone()), NOW));
    let sent = "gain 26 dB sent by R. Aldane";
    assert!(matches!(&noted[..], [Effect::Note(note), Effect::Reload] if note.text == format!("on the bench: {sent}").into()), "{noted:?}");
    taken.ordered(order, &Ordered::Unanswered);
    assert!(taken.view.said.as_ref().unwrap().refused);
    take(&mut taken, &[4.0, 8.0, 12.5]);
    open(&mut app, &taken.view);
    let kept = update(&mut app, letter('k'));
    let [Effect::SetSetup { origin, .. }, Effect::Reload] = &kept[..] else { panic!("{kept:?}") };
    assert!(origin.to_string().contains(&format!("; after {sent}; ")), "{origin}");
    assert!(app.adjusted.is_empty(), "its blocks were read with it");

    // Behind a calibration that stays in force: the next run is told, until a block was read.
    let mut calibrated = bench(typed(app.setup()).with_calibration(calibration()));
    open(&mut app, &calibrated.view);
    calibrated.ordered(order, &Ordered::Sent);
    update(&mut app, Event::Bench(Arc::new(calibrated.view.clone()), NOW));
    assert_eq!(app.adjusted, [sent]);
}

#[test]
fn a_run_begun_after_a_gain_was_sent_on_the_bench_is_pending_and_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let shots = folder.path().join("s.shots");
    must(&["simulate", "--shots", "50", "--out", shots.to_str().unwrap()]);
    let stream = LineStream { spec: format!("file:{}", shots.display()).parse().unwrap(), pace: Pace::Max };
    let session = Session::open(&job, None).unwrap().with_stream(Some(stream), "open-packet", None).unwrap();
    let runtime = runtime().unwrap();
    let begin = Begin { adjusted: vec!["gain 26 dB sent by R. Aldane".to_owned()], ..Begin::on("C1") };
    runtime.block_on(async {
        for scan in session.start(&begin, |_| ()).unwrap() {
            scan.task.await.unwrap().unwrap();
        }
    });
    let contents = session.file.contents().unwrap();
    let run = contents.runs.last().unwrap();
    let validity = contents.validity(run);
    assert!(matches!(&validity, Validity::Pending(why) if why.contains("gain or range")), "{validity:?}");
    session.file.close().unwrap();
    assert_eq!(
        said_of(&job, EventKind::Adjusted),
        ["gain 26 dB sent by R. Aldane on the bench: the calibration was made before it, verify on a block"]
    );
    must(&["verify", job.to_str().unwrap()]);
}
