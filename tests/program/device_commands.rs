//! Commands of a profile, sent to an invented device over TCP by the program, and what the run keeps of them.

use crate::common::*;
use crate::console::fixture::*;
use crate::devices::said_of;
use backwall::console::state::Effect;
use backwall::console::update::update;
use backwall::live::RunCommand;
use backwall::live::view::DeviceSaid;
use backwall_store::EventKind;
use backwall_stream::Profile;
use backwall_survey::job::validity::Validity;
use backwall_survey::travel::Direction;
use ratatui::crossterm::event::KeyCode;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::process::Stdio;

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
    assert!(shown.contains("Send gain 26 dB now? Readings change from here on.  Enter yes  Esc no"), "{shown}");
    for c in "ycq1".chars() {
        assert_eq!(update(&mut app, letter(c)), []);
    }
    let effects = update(&mut app, key(KeyCode::Enter));
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
