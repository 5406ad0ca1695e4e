//! Several channels of one device before the run: the probe that stands on the block is the operator's choice, and what stops a scan of all of them is said
//! of each. After it: what broke off goes on on every channel.

use crate::common::*;
use crate::console::bench::{bench, take, typed};
use crate::console::fixture::*;
use crate::devices::CHANNELS;
use backwall::console::backend::Backend;
use backwall::console::state::{App, BenchShown, Effect, Event, RunPicture};
use backwall::console::update::update;
use backwall::console::{Reads, Step};
use backwall::live::Connecting;
use backwall::session::{ConsoleBackend, LineStream, Session, runtime};
use backwall_store::{JobContents, JobFile, RunState, SetupEntry};
use backwall_stream::Pace;
use backwall_ultrasound::Setup;
use std::io::Write;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

const TRACKS: &str = "\n[[track]]\nchannel = \"1\"\noffset_mm = -25\n[[track]]\nchannel = \"2\"\noffset_mm = 25\n";

fn two() -> Reads {
    Reads::Named(vec!["1".to_owned(), "2".to_owned()])
}

/// The fixture's set-up as that of a channel, entered so many hours ago.
fn entered(job: &mut JobContents, channel: &str, hours_ago: i64) {
    let SetupEntry { setup, origin, by, .. } = ready().setups.remove(0);
    let setup = Setup { channel: Some(channel.to_owned()), ..setup };
    let by = backwall_survey::job::checklist::Signed { at_us: NOW - hours_ago * 3_600_000_000, ..by };
    job.setups.push(SetupEntry { id: job.setups.len() as i64 + 1, setup, origin, by });
}

fn calibrating(setups: &[(&str, i64)]) -> App {
    let mut job = ready();
    job.setups.clear();
    setups.iter().for_each(|(channel, ago)| entered(&mut job, channel, *ago));
    let mut app = app(Step::Calibrate, job);
    (app.reads, app.operator) = (two(), signed());
    app
}

#[test]
fn the_operator_chooses_whose_probe_stands_on_the_block() {
    let mut app = calibrating(&[("1", 1)]);
    let shown = text(&app, 190, 50);
    assert!(shown.contains("set-up in force, channel 1 of 1, 2 (o: next)") && shown.contains("measured on 4 blocks"), "{shown}");
    assert!(update(&mut app, letter('o')).is_empty());
    let shown = text(&app, 190, 50);
    assert!(shown.contains("set-up in force, channel 2 of 1, 2") && !shown.contains("measured on 4 blocks"), "{shown}");
    assert!(app.setup().calibration.is_none() && app.setup().channel.as_deref() == Some("2"));
    assert_eq!(update(&mut app, letter('l')), [Effect::OpenBench(Some("2".to_owned()))]);
    for (width, height) in [(80, 24), (190, 50)] {
        insta::with_settings!({ snapshot_path => "snapshots" }, {
            insta::assert_snapshot!(format!("channel_on_bench_{width}x{height}"), text(&app, width, height));
        });
    }
    let effects = update(&mut app, letter('f'));
    assert!(matches!(&effects[..], [Effect::CloseBench, Effect::OpenProve(Some(channel), _)] if channel == "2"), "{effects:?}");
    assert!(app.proving.unwrap().said[0].contains("channel 2"));

    // With an open stream it is opened anew for the other probe; blocks that were taken and not kept are not lost by a key.
    let mut app = calibrating(&[]);
    let mut taken = bench(typed(app.setup()));
    let open = |app: &mut App, view| {
        let (picture, serial, tolerance) = (RunPicture::Wave, String::new(), String::new());
        app.bench = Some(BenchShown { view: Arc::new(view), handed_on: 0, picture, serial, tolerance, keep_velocity: false });
    };
    open(&mut app, taken.view.clone());
    assert_eq!(update(&mut app, letter('o')), [Effect::CloseBench, Effect::OpenBench(Some("2".to_owned()))]);
    take(&mut taken, &[4.0, 8.0]);
    open(&mut app, taken.view.clone());
    assert!(update(&mut app, letter('o')).is_empty());
    let said = &app.message.as_ref().unwrap().text;
    assert!(said.contains("blocks were taken on channel 2 and are not kept"), "{said}");
    assert_eq!(app.channel_on_bench(), Some("2"));
    // One channel has no other.
    app.reads = Reads::One;
    assert!(update(&mut app, letter('o')).is_empty() && app.channel_on_bench().is_none());
}

#[test]
fn ready_is_said_only_where_every_channel_that_is_read_is() {
    let ready = |setups: &[(&str, i64)], reads: Reads| {
        let mut app = calibrating(setups);
        (app.step, app.reads) = (Step::Scan, reads);
        text(&app, 190, 50)
    };
    let one = Reads::Named(vec!["1".to_owned()]);
    assert!(ready(&[("1", 1)], one.clone()).contains("READY"));
    let shown = ready(&[("1", 1)], two());
    assert!(!shown.contains("READY") && shown.contains("channel 2 is not calibrated"), "{shown}");
    let mut app = calibrating(&[("1", 1)]);
    app.step = Step::Prepare;
    assert!(app.stops(Step::Calibrate) && text(&app, 80, 24).contains("1 ch open"), "{}", text(&app, 80, 24));
    assert!(ready(&[("2", 1), ("1", 1)], two()).contains("READY"));
    // Verified too long ago: that of channel 2, which is not the last that was entered.
    let shown = ready(&[("2", 24 * 90), ("1", 1)], two());
    assert!(!shown.contains("READY") && shown.contains("the calibration of channel 2 is to be verified again"), "{shown}");
    assert!(ready(&[("2", 24 * 90), ("1", 1)], one).contains("READY"), "what is not read stops nothing");
}

fn job(folder: &Path) -> (PathBuf, PathBuf) {
    let (plan, job, profile) = (folder.join("plan.toml"), folder.join("two.job"), folder.join("two.toml"));
    std::fs::write(&plan, std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap() + TRACKS).unwrap();
    std::fs::write(&profile, CHANNELS).unwrap();
    must(&["new", job.to_str().unwrap(), "--from", plan.to_str().unwrap()]);
    (job, profile)
}

/// Channel 1 reads 5 mm and channel 2 10 mm, over and over.
fn device() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let stream = format!("tcp:{}", listener.local_addr().unwrap());
    std::thread::spawn(move || {
        while let Ok((mut line, _)) = listener.accept() {
            while line.write_all(b"1,0,5.00\n2,0,10.00\n").is_ok() {
                std::thread::sleep(Duration::from_millis(2));
            }
        }
    });
    stream
}

#[test]
fn bench_and_proof_read_the_channel_that_was_chosen() {
    let folder = tempfile::tempdir().unwrap();
    let (job, profile) = job(folder.path());
    let stream = LineStream { spec: device().parse().unwrap(), pace: Pace::Device };
    let session = Session::open(&job, None).unwrap().with_stream(Some(stream), profile.to_str().unwrap(), None).unwrap();
    assert_eq!(session.reads(), Reads::Tracks);
    let runtime = runtime().unwrap();
    for (channel, due) in [(None, "1"), (Some("2"), "2")] {
        let bench = runtime.block_on(async { session.start_bench(channel, &Connecting::default()) }).unwrap();
        assert_eq!(bench.view.borrow().setup.as_ref().map(|setup| setup.channel.clone()), Some(Some(due.to_owned())));
        bench.close();
    }
    let refused = runtime.block_on(async { session.start_bench(Some("9"), &Connecting::default()) }).err().unwrap().to_string();
    assert!(refused.contains("channel 9 is not read"), "{refused}");
    let mut proof = session.start_prove(Some("2"), &session.signed()).unwrap();
    let mut said = String::new();
    for answer in ["10", ""] {
        let _asked = proof.news.blocking_recv().unwrap();
        proof.answers.send(answer.to_owned()).unwrap();
    }
    while !said.contains("reads") {
        said += &format!("{:?}", proof.news.blocking_recv().expect("the block is read"));
    }
    assert!(said.contains("reads 10.00 mm (20 of 20"), "{said}");
    drop(proof);
    session.file.close().unwrap();
}

// The device names its channels, nobody does so on the command line, and the plan has no track.
#[test]
fn where_none_is_named_the_operator_chooses_among_the_channels_that_come() {
    let mut app = app(Step::Calibrate, ready());
    (app.reads, app.operator) = (Reads::Tracks, signed());
    assert!(app.chooses() && update(&mut app, letter('o')).is_empty());
    assert!(app.message.as_ref().unwrap().text.contains("l opens the stream"), "{:?}", app.message);
    assert_eq!(update(&mut app, letter('l')), [Effect::OpenBench(None)]);
    let mut taken = bench(typed(app.setup()));
    let open = |app: &mut App, view: &backwall::live::bench::BenchView| {
        let (picture, serial, tolerance) = (RunPicture::Wave, String::new(), String::new());
        app.bench = Some(BenchShown { view: Arc::new(view.clone()), handed_on: 0, picture, serial, tolerance, keep_velocity: false });
    };
    open(&mut app, &taken.view);
    assert!(update(&mut app, letter('o')).is_empty() && app.message.as_ref().unwrap().text.contains("no channel has come yet"));
    taken.view.link.channels = vec!["1".to_owned(), "2".to_owned()];
    update(&mut app, Event::Bench(Arc::new(taken.view.clone()), NOW));
    assert!(text(&app, 190, 50).contains("set-up in force, none chosen of 1, 2 (o: next)"), "{}", text(&app, 190, 50));
    // Nothing is taken of a probe that is nobody's: it may be another's that was heard first.
    take(&mut taken, &[4.0]);
    let said = taken.view.said.as_ref().unwrap();
    assert!(said.refused && said.words.contains("channels 1, 2 and none is chosen") && taken.view.blocks.is_empty(), "{said:?}");
    for due in ["1", "2", "1", "2"] {
        let chosen = due.to_owned();
        let effects = update(&mut app, letter('o'));
        assert_eq!(effects, [Effect::CloseBench, Effect::ChooseChannel(chosen.clone()), Effect::OpenBench(Some(chosen))]);
        assert_eq!((app.channels(), app.channel_on_bench()), (vec![due], Some(due)));
        open(&mut app, &taken.view);
    }
    assert!(text(&app, 190, 50).contains("set-up in force, channel 2 of 1, 2 (o: next)"), "{}", text(&app, 190, 50));
    // What a run reads is the channel that was calibrated, and READY asks for its calibration.
    (app.step, app.bench, app.contents) = (Step::Scan, None, calibrating(&[("1", 1)]).contents);
    assert!(text(&app, 190, 50).contains("channel 2 is not calibrated"), "{}", text(&app, 190, 50));
}

#[test]
fn the_channel_that_is_chosen_on_the_bench_is_that_of_the_next_run() {
    let folder = tempfile::tempdir().unwrap();
    let (job, profile) = (folder.path().join("two.job"), folder.path().join("two.toml"));
    std::fs::write(&profile, CHANNELS).unwrap();
    must(&["new", job.to_str().unwrap(), "--from", root().join("demo-stream/plan.toml").to_str().unwrap()]);
    let stream = LineStream { spec: device().parse().unwrap(), pace: Pace::Device };
    let session = Session::open(&job, None).unwrap().with_stream(Some(stream), profile.to_str().unwrap(), None).unwrap();
    assert_eq!(session.reads(), Reads::Tracks);
    let mut backend = ConsoleBackend { session, earlier: None, unprepared: None };
    let runtime = runtime().unwrap();
    let mut bench = runtime.block_on(async { backend.start_bench(None, &Connecting::default()) }).unwrap();
    let seen = runtime
        .block_on(async { tokio::time::timeout(Duration::from_secs(20), bench.view.wait_for(|view| view.link.channels.len() == 2)).await });
    let mut channels = seen.expect("both come").unwrap().link.channels.clone();
    channels.sort();
    assert_eq!(channels, ["1", "2"]);
    bench.close();
    backend.choose_channel("2").unwrap();
    let bench = runtime.block_on(async { backend.start_bench(Some("2"), &Connecting::default()) }).unwrap();
    assert_eq!(bench.view.borrow().setup.as_ref().and_then(|setup| setup.channel.clone()), Some("2".to_owned()));
    bench.close();
    let against = backwall_survey::job::overriding::Override { reason: "gauges".into(), by: signed(), second: None };
    let begin = backwall::live::Begin::on("A090").against(Some(against));
    let scan = runtime.block_on(async { backend.start_scan(&begin, &Connecting::default()) }).unwrap();
    assert!(scan.beside.is_empty());
    drop(scan);
    assert_eq!(backend.contents().unwrap().any_run(1).unwrap().start.channel.as_deref(), Some("2"));
    runtime.block_on(async { tokio::time::sleep(Duration::from_millis(300)).await });
    backend.close().unwrap();
}

#[test]
fn the_status_names_the_channel_whose_probe_was_never_on_the_blocks() {
    let folder = tempfile::tempdir().unwrap();
    let (job, _) = job(folder.path());
    let file = JobFile::open(&job).unwrap();
    let setup = Setup { channel: Some("1".to_owned()), ..file.contents().unwrap().plan.typed_setup().with_calibration(calibration()) };
    file.writer().add_setup(setup, "measured on 4 blocks".into(), signed()).unwrap();
    file.close().unwrap();
    let said = must(&["status", job.to_str().unwrap()]);
    assert!(said.contains("channel 2 is not calibrated"), "{said}");
    let said = must(&["open", job.to_str().unwrap(), "--headless"]);
    assert!(said.contains("stops scanning: channel 2 is not calibrated"), "{said}");
}

// Runs 1 and 2 began together; the stream ended a shot earlier on channel 2.
#[test]
fn runs_side_by_side_go_on_side_by_side_each_from_that_of_its_channel() {
    let folder = tempfile::tempdir().unwrap();
    let (job, profile) = job(folder.path());
    let sent = folder.path().join("sent.txt");
    let shots = |from: i32, to: i32| (from..to).map(|shot| format!("1,{at},9.0\n2,{at},9.5\n", at = shot * 20)).collect::<String>();
    let first = shots(0, 60) + "1,1200,9.0\n";
    let stream = format!("file:{}", sent.display());
    let path = job.to_str().unwrap();
    let scan = |text: &str, more: &[&str]| {
        std::fs::write(&sent, text).unwrap();
        let scan = ["scan", path, "--headless", "--json", "--stream", &stream, "--pace", "max", "--profile", profile.to_str().unwrap()];
        run(&[&scan[..], &["--override-checklist", "gauges that evaluate their own echoes"], more].concat())
    };
    assert!(scan(&first, &["--line", "A090"]).status.success());
    let ended: Vec<_> =
        JobFile::open_read_only(&job).unwrap().contents().unwrap().runs.iter().map(|run| (run.readings, run.state)).collect();
    assert_eq!(ended, [(61, RunState::Closed), (60, RunState::Closed)]);
    // Whichever of the two is named.
    for named in ["1", "2"] {
        let done = scan(&shots(0, 20), &["--continue", named, "--reason", "the cable was changed"]);
        assert!(done.status.success(), "{done:?}");
    }
    // And one channel alone goes on from its own run.
    assert!(scan(&shots(0, 20), &["--continue", "1", "--channel", "2"]).status.success());
    let reader = JobFile::open_read_only(&job).unwrap();
    let contents = reader.contents().unwrap();
    let joined: Vec<_> = contents
        .runs
        .iter()
        .skip(2)
        .map(|run| (run.start.channel.as_deref().unwrap(), contents.force.runs[&run.id].joined_to.unwrap(), run.start.path.start.as_mm()))
        .collect();
    // The crawler stands where channel 1 was read last: 30 mm, of A090 that is driven upward from 0.
    let furthest = reader.last_place(1).unwrap().unwrap().as_mm();
    assert_eq!(joined[..4], [("1", 1, furthest), ("2", 2, furthest), ("1", 1, furthest), ("2", 2, furthest)]);
    assert_eq!((joined[4].0, joined[4].1), ("2", 2));
    assert!((furthest - reader.last_place(2).unwrap().unwrap().as_mm()).abs() > 0.4);
    assert_eq!(reader.verify_digests().unwrap().problems, []);
    // A channel that was not there goes on from nothing.
    let alone = scan(&shots(0, 20), &["--line", "A120", "--channel", "1"]);
    assert!(alone.status.success());
    let alone = contents.runs.len() as i64 + 1;
    let refused = scan(&shots(0, 20), &["--continue", &alone.to_string()]);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(!refused.status.success() && said.contains("no run of channel 2 that counts began with it"), "{said}");
}
