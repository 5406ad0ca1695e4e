//! Invented devices over a pseudo-terminal, over TCP and from files, through the program: what they do wrong is found, said and kept.

use crate::common::*;
use backwall_store::{EventKind, JobFile};
use backwall_stream::packet;
use backwall_stream::{DecodedWhat, Feed, FeedItem, Profile, Source, SourceOptions, StreamSpec, open, open_side_by_side};
use backwall_survey::reading::{GaugeValue, Record};
use backwall_units::Length;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Scans C1 from a file; the output, and the job.
fn scanned(folder: &Path, profile: &str, bytes: &[u8], more: &[&str]) -> (std::process::Output, PathBuf) {
    let (job, stream, toml) = (folder.join("device.job"), folder.join("sent.bytes"), folder.join("device.toml"));
    std::fs::write(&stream, bytes).unwrap();
    std::fs::write(&toml, profile).unwrap();
    let (path, stream) = (job.to_str().unwrap(), format!("file:{}", stream.display()));
    must(&["new", path, "--from", "demo-stream/plan.toml"]);
    let scan =
        ["scan", path, "--line", "C1", "--stream", &stream, "--profile", toml.to_str().unwrap(), "--pace", "max", "--headless", "--json"];
    (run(&[&scan[..], &["--override-checklist", "a gauge that evaluates its own echoes"], more].concat()), job)
}

pub fn said_of(job: &Path, kind: EventKind) -> Vec<String> {
    said_in(job, 1, kind)
}

pub fn said_in(job: &Path, run: i64, kind: EventKind) -> Vec<String> {
    let events = JobFile::open_read_only(job).unwrap().events(run).unwrap();
    events.into_iter().filter(|event| event.kind == kind).map(|event| event.text.to_string()).collect()
}

const OPEN_PACKET: &str = include_str!("../../profiles/stream/open-packet.toml");
const DELIMITED: &str = include_str!("../../profiles/stream/delimited-text.toml");

// The demo's encoder has 40 counts a mm, and C1 begins at 0.
#[test]
fn a_device_that_starts_anew_is_held_at_its_place_and_goes_on_from_there() {
    let folder = tempfile::tempdir().unwrap();
    let mut bytes = Vec::new();
    for shot in 0..200u32 {
        packet::encode_gauge(shot, 1_000_000 + u64::from(shot) * 10_000, shot as i32 * 20, Some(Length::mm(9.0)), &mut bytes);
    }
    for shot in 0..100u32 {
        packet::encode_gauge(shot, 50_000 + u64::from(shot) * 10_000, shot as i32 * 20, Some(Length::mm(9.0)), &mut bytes);
    }
    let (output, job) = scanned(folder.path(), OPEN_PACKET, &bytes, &[]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let rows = csv(&job, folder.path());
    let at = |row: usize| rows[row]["position_mm"].parse::<f64>().unwrap();
    assert_eq!((rows.len(), at(199), at(200), at(201), at(299)), (300, 99.5, 99.5, 100.0, 149.0));
    let held = said_of(&job, EventKind::Place);
    assert!(matches!(&held[..], [text] if text.contains("started anew") && text.contains("held at 99.5 mm")), "{held:?}");
    assert!(String::from_utf8_lossy(&output.stdout).lines().any(|line| line.contains("\"fault\"") && line.contains("started anew")));
    must(&["verify", job.to_str().unwrap()]);
}

// Number and clock run on; the encoder begins again at 0 in the middle of the drive.
#[test]
fn an_encoder_that_alone_starts_anew_in_a_drive_goes_on_from_where_it_was_held() {
    let folder = tempfile::tempdir().unwrap();
    let mut bytes = Vec::new();
    for shot in 0..300u32 {
        let encoder = (if shot < 200 { shot } else { shot - 200 }) as i32 * 20;
        packet::encode_gauge(shot, 1_000_000 + u64::from(shot) * 10_000, encoder, Some(Length::mm(9.0)), &mut bytes);
    }
    let (output, job) = scanned(folder.path(), OPEN_PACKET, &bytes, &[]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let rows = csv(&job, folder.path());
    let at = |row: usize| rows[row]["position_mm"].parse::<f64>().ok();
    let missing: Vec<usize> = (0..300).filter(|row| at(*row).is_none()).collect();
    assert_eq!(missing, (200..209).collect::<Vec<_>>(), "until it is believed it is a jump");
    assert_eq!((at(199), at(209), at(299)), (Some(99.5), Some(104.0), Some(149.0)));
    let held = said_of(&job, EventKind::Place);
    assert!(matches!(&held[..], [text] if text.contains("the encoder alone started anew") && text.contains("held at 99.5 mm")), "{held:?}");
    must(&["verify", job.to_str().unwrap()]);
}

#[test]
fn dropped_frames_are_kept_with_the_run_by_why_and_too_many_are_no_success() {
    let folder = tempfile::tempdir().unwrap();
    let line = |shot: u32, thickness: &str| format!("{shot};{};{};{thickness}\n", shot * 10, shot * 20);
    let text: String = (0..200).map(|shot| line(shot, if shot % 20 == 7 { "9.x" } else { "9.0" })).chain(["5;6\n".to_owned()]).collect();
    let (output, job) = scanned(folder.path(), DELIMITED, text.as_bytes(), &[]);
    let (said, error) = (String::from_utf8_lossy(&output.stdout).into_owned(), String::from_utf8_lossy(&output.stderr).into_owned());
    assert_eq!(output.status.code(), Some(1), "{said}");
    let words = "11 frames dropped: 10 gauge: no value for 'thickness', 1 gauge: not 4 columns";
    assert!(error.contains(words) && error.contains("of 201 that came"), "{error}");
    let said = events(&said);
    let closed = said.last().unwrap();
    assert_eq!(
        (closed["frames_dropped"].as_u64(), closed["dropped"].as_str(), closed["readings"].as_u64()),
        (Some(11), Some(words), Some(190))
    );
    assert_eq!(said_of(&job, EventKind::Dropped).last().map(String::as_str), Some(words));
    assert!(must(&["review", job.to_str().unwrap(), "--headless"]).contains(words));
}

pub const CHANNELS: &str = "name = \"two probes\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\ndelimiter = \",\"\ncolumns = 3\n\
    fields = [{ meaning = \"channel\", column = 1 }, { meaning = \"encoder\", column = 2 }, { meaning = \"thickness\", column = 3, unit = \"mm\" }]\n";

#[test]
fn two_probes_in_one_stream_are_two_runs_or_one_but_never_mixed() {
    let text: String = (0..100).map(|shot| format!("1,{at},9.0\n2,{at},12.0\n", at = shot * 20)).collect();
    for (more, thickness, other) in
        [(&[][..], "9.00", "the stream also has channel 2"), (&["--channel", "2"][..], "12.00", "the stream also has channel 1")]
    {
        let folder = tempfile::tempdir().unwrap();
        let (output, job) = scanned(folder.path(), CHANNELS, text.as_bytes(), more);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let rows = csv(&job, folder.path());
        assert!(rows.len() == 100 && rows.iter().all(|row| row["thickness_mm"].starts_with(thickness)), "{:?}", rows.first());
        let doubts = said_of(&job, EventKind::Channel);
        assert!(doubts.iter().filter(|text| text.contains(other)).count() == 1, "{doubts:?}");
    }
}

// Odd numbers are channel 1, even ones channel 2; shot 21 never came.
#[test]
fn shots_of_another_channel_are_not_lost_where_a_device_numbers_all_in_one() {
    let folder = tempfile::tempdir().unwrap();
    let profile = CHANNELS.replace("columns = 3", "columns = 4").replace("\"mm\" }]", "\"mm\" }, { meaning = \"seq\", column = 4 }]");
    let text: String =
        (1..200).filter(|seq| *seq != 21).map(|seq| format!("{},{},9.0,{seq}\n", if seq % 2 == 0 { 2 } else { 1 }, seq * 20)).collect();
    let (output, job) = scanned(folder.path(), &profile, text.as_bytes(), &[]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let said = events(&String::from_utf8_lossy(&output.stdout));
    assert_eq!(said.last().unwrap()["lost"].as_u64(), Some(1));
    assert_eq!(said_of(&job, EventKind::Lost), ["1 shot missing before seq 23"]);
}

#[test]
fn a_gauge_that_says_it_is_not_coupled_is_no_wall_at_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let profile = "name = \"sticky\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\ndelimiter = \",\"\ncolumns = 3\n\
        fields = [{ meaning = \"encoder\", column = 1 }, { meaning = \"thickness\", column = 2, unit = \"mm\" }, { column = 3, valid_when = \"ST=OK\" }]\n";
    let text: String =
        (0..200).map(|shot| format!("{},9.0,ST={}\n", shot * 20, if (50..70).contains(&shot) { "LC" } else { "OK" })).collect();
    let (output, job) = scanned(folder.path(), profile, text.as_bytes(), &[]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let rows = csv(&job, folder.path());
    for (row, reading) in rows.iter().enumerate() {
        let none = (50..70).contains(&row);
        assert_eq!(
            (reading["level"] == "NO ECHO", reading["flags"].contains("no-coupling"), reading["thickness_mm"].is_empty()),
            (none, none, none)
        );
        assert_eq!(reading["position_mm"].parse::<f64>().unwrap(), row as f64 / 2.0);
    }
    must(&["verify", job.to_str().unwrap()]);
}

/// The next thing that happened; a test that waits too long has failed.
fn next(source: &mut Source) -> FeedItem {
    let limit = Instant::now() + Duration::from_secs(20);
    loop {
        match source.feed.try_recv() {
            Ok(Feed { item, .. }) => return item,
            Err(tokio::sync::mpsc::error::TryRecvError::Empty) => {
                assert!(Instant::now() < limit, "nothing came in 20 s; link: {:?}", source.link.borrow());
                std::thread::sleep(Duration::from_millis(2));
            }
            Err(error) => panic!("{error}: {:?}", source.link.borrow()),
        }
    }
}

fn next_wall(source: &mut Source) -> GaugeValue {
    loop {
        match next(source) {
            FeedItem::Record(Record::Gauge(gauge)) => return gauge.value,
            FeedItem::Ended => panic!("{:?}", source.link.borrow()),
            _ => {}
        }
    }
}

// A register frame of Modbus over serial line, V1.02, with its CRC by the crate's catalogue: unit 1, function 3, two registers from 0.
#[test]
fn a_device_that_only_answers_is_asked_and_its_registers_are_read() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let spec = StreamSpec::Tcp { host: "127.0.0.1".to_owned(), port: listener.local_addr().unwrap().port() };
    let profile = Profile::parse("registers.toml", &cookbook("registers")).unwrap();
    let device = std::thread::spawn(move || {
        let (mut line, _) = listener.accept().unwrap();
        let sum = backwall_stream::crc::by_name("CRC-16/MODBUS").unwrap();
        for asked in 0..6u16 {
            let mut request = [0; 8];
            line.read_exact(&mut request).unwrap();
            assert_eq!(request[..6], [1, 3, 0, 0, 0, 4]);
            assert_eq!(sum.of(&request[..6]).to_le_bytes()[..2], request[6..]);
            if asked == 2 {
                continue;
            }
            let mut answer = vec![1, 3, 8];
            answer.extend((1u16).to_be_bytes());
            answer.extend((9_000 + asked).to_be_bytes());
            answer.extend([0, 7, 0, 0]);
            answer.extend(&sum.of(&answer).to_le_bytes()[..2]);
            // In two pieces, as lines do.
            line.write_all(&answer[..5]).unwrap();
            std::thread::sleep(Duration::from_millis(3));
            line.write_all(&answer[5..]).unwrap();
        }
        line
    });
    let mut source = open(&spec, &profile, SourceOptions::default()).unwrap();
    let mut walls = Vec::new();
    let mut said = Vec::new();
    while walls.len() < 5 {
        match next(&mut source) {
            FeedItem::Record(Record::Gauge(gauge)) => walls.push(gauge.value),
            FeedItem::Said { words } => said.push(words),
            _ => {}
        }
    }
    let mm = |um: i32| GaugeValue::Thickness(Some(Length::mm(f64::from(um) / 1000.0)));
    assert_eq!(walls, [mm(9_000), mm(9_001), mm(9_003), mm(9_004), mm(9_005)]);
    assert!(said[0].contains("request 1 was not answered"), "{said:?}");
    source.stop.stop();
    drop(device.join());
}

#[test]
fn a_device_that_falls_silent_is_started_again_and_stopped_at_the_end_of_a_trial_too() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let commands = "[send]\nstart = \"GO\\n\"\nstop = \"HALT\\n\"\nstart_again_s = 0.5\n";
    let profile = Profile::parse("t.toml", &format!("{DELIMITED}\n{commands}")).unwrap();
    let spec = StreamSpec::Tcp { host: "127.0.0.1".to_owned(), port: address.port() };
    let mut source = open(&spec, &profile, SourceOptions::default()).unwrap();
    let (mut line, _) = listener.accept().unwrap();
    let mut heard = BufReader::new(line.try_clone().unwrap()).lines();
    let mut hear = |words: &str| assert_eq!(heard.next().unwrap().unwrap(), words);
    hear("GO");
    line.write_all(b"\n1;10;0;9\n").unwrap();
    assert_eq!(next_wall(&mut source), GaugeValue::Thickness(Some(Length::mm(9.0))));
    hear("GO");
    line.write_all(b"2;20;0;8\n").unwrap();
    loop {
        if let FeedItem::Said { words } = next(&mut source) {
            assert!(words.contains("the start command was sent again"), "{words}");
            break;
        }
    }
    assert_eq!(next_wall(&mut source), GaugeValue::Thickness(Some(Length::mm(8.0))));
    source.stop.stop();
    hear("HALT");
    // A trial of one frame.
    let folder = tempfile::tempdir().unwrap();
    let toml = folder.path().join("t.toml");
    std::fs::write(&toml, &profile.text).unwrap();
    let trial = backwall()
        .args(["profile", "try", toml.to_str().unwrap(), "--limit", "1", "--stream", &format!("tcp:{address}")])
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let (mut line, _) = listener.accept().unwrap();
    let mut heard = BufReader::new(line.try_clone().unwrap()).lines();
    assert_eq!(heard.next().unwrap().unwrap(), "GO");
    line.write_all(b"\n1;10;0;9\n").unwrap();
    assert_eq!(heard.next().unwrap().unwrap(), "HALT");
    assert!(trial.wait_with_output().unwrap().status.success());
}

#[test]
fn own_profiles_are_listed_beside_those_that_come_with_the_program() {
    let folder = tempfile::tempdir().unwrap();
    let list = |home: &Path| {
        let output =
            backwall().args(["profile", "list"]).env("XDG_CONFIG_HOME", home).env("HOME", home).env("APPDATA", home).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    let first = list(folder.path());
    let own = PathBuf::from(first.lines().last().unwrap().split_once(" go into ").unwrap().1);
    std::fs::create_dir_all(&own).unwrap();
    std::fs::write(own.join("quorbel.toml"), include_str!("../data/stream/quorbel.toml")).unwrap();
    std::fs::write(own.join("torn.toml"), "name = ").unwrap();
    let then = list(folder.path());
    assert!(then.starts_with(&first) && then.contains("Quorbel, an invented hand gauge") && then.contains("torn"), "{then}");
    assert!(then.contains("cannot be used: see backwall profile check torn"), "{then}");
}

/// The profile of a recipe of the guide.
pub fn cookbook(name: &str) -> String {
    let guide = include_str!("../../docs/new-device.md").replace("\r\n", "\n");
    let head = format!("```toml {name}\n");
    let text = guide.split(&head).nth(1).unwrap_or_else(|| panic!("docs/new-device.md has no recipe {name}"));
    text.split("```").next().unwrap().to_owned()
}

/// What a recipe says is sent.
pub fn sent(name: &str) -> Vec<u8> {
    let guide = include_str!("../../docs/new-device.md").replace("\r\n", "\n");
    let block = |form: &str| {
        let text = guide.split(&format!("```{form} {name} sent\n")).nth(1)?;
        text.split("```").next().map(str::to_owned)
    };
    match (block("text"), block("hex")) {
        (Some(text), _) => text.into_bytes(),
        (_, Some(hex)) => hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect(),
        _ => panic!("docs/new-device.md does not say what {name} sends"),
    }
}

fn is_measured(record: &Record) -> bool {
    matches!(record, Record::Shot(_) | Record::Gauge(_))
}

/// So many shots or gauge values as they come.
fn measured(source: &mut Source, count: usize) -> Vec<Record> {
    let mut found = Vec::new();
    while found.len() < count {
        if let FeedItem::Record(record) = next(source) {
            found.extend(is_measured(&record).then_some(record));
        }
    }
    found
}

// What the recipes come to is held by the guide itself; here it comes through a serial line and a network.
#[cfg(unix)]
#[test]
fn text_sentences_json_waveforms_and_two_channels_come_alike_over_a_serial_line_and_a_network() {
    let two: Vec<u8> = (0..30).flat_map(|shot| format!("1,{at},9.0\n2,{at},12.0\n", at = shot * 20).into_bytes()).collect();
    let recipes = ["csv", "sentences", "json", "length"].map(|name| (vec![Profile::parse(name, &cookbook(name)).unwrap()], sent(name)));
    let channels = ["1", "2"].map(|channel| Profile::parse("two", CHANNELS).unwrap().on_channel(channel).unwrap());
    for (profiles, bytes) in recipes.into_iter().chain([(channels.to_vec(), two)]) {
        let due: Vec<Vec<Record>> = profiles
            .iter()
            .map(|profile| {
                let mut decoder = backwall_stream::Decoder::new(std::sync::Arc::new(profile.clone()));
                let mut out = Vec::new();
                decoder.push(&bytes, &mut out);
                decoder.finish(&mut out);
                let records =
                    out.into_iter().filter_map(|one| if let DecodedWhat::Record(record) = one.what { Some(record) } else { None });
                records.filter(is_measured).collect()
            })
            .collect();
        assert!(due.iter().all(|records| records.len() >= 2), "{}: {due:?}", profiles[0].name);
        let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
        let port = pair.master.tty_name().unwrap().display().to_string();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let lines = [
            StreamSpec::Serial { port, baud: None },
            StreamSpec::Tcp { host: "127.0.0.1".to_owned(), port: listener.local_addr().unwrap().port() },
        ];
        for spec in lines {
            let mut sources = open_side_by_side(&spec, &profiles, SourceOptions::default()).unwrap();
            let mut line: Box<dyn Write> = match spec {
                StreamSpec::Serial { .. } => pair.master.take_writer().unwrap(),
                _ => Box::new(listener.accept().unwrap().0),
            };
            // In pieces, as lines bring them; what comes before the first line end is no whole line.
            line.write_all(b"\n").unwrap();
            bytes.chunks(7).for_each(|piece| line.write_all(piece).unwrap());
            for (source, due) in sources.iter_mut().zip(&due) {
                assert_eq!(measured(source, due.len()), *due, "{}", profiles[0].name);
            }
            sources[0].stop.stop();
        }
    }
}

/// So many shots at the beginning of a run may go by until it has a zero.
const SHOTS_OF_A_ZERO: usize = 12;

/// A shot whose first sample was taken `late` samples later: what was sampled before is not in it.
fn delayed_frame(shot: &backwall_survey::reading::Shot, late: usize, (first_ns, period_ns): (f64, f64)) -> Vec<u8> {
    let mut frame = vec![0xAA, 0x55];
    let kept = &shot.samples[late..];
    frame.extend(((30 + 2 * kept.len()) as u16).to_le_bytes());
    frame.extend(shot.seq.to_le_bytes());
    frame.extend(shot.device_time_us.unwrap().to_le_bytes());
    frame.extend(shot.encoder.unwrap().to_le_bytes());
    frame.extend((shot.gain.as_db() as f32).to_le_bytes());
    frame.extend(((first_ns + late as f64 * period_ns).round() as i32).to_le_bytes());
    kept.iter().for_each(|sample| frame.extend(sample.to_le_bytes()));
    let check = backwall_stream::crc::by_name("CRC-16/CCITT-FALSE").unwrap().of(&frame[2..]) as u16;
    frame.extend(check.to_le_bytes());
    frame
}

// 59 samples of 10 ns are 590 ns, about 1.7 mm of steel there and back.
#[test]
fn a_delay_that_comes_with_each_shot_is_read_and_one_that_is_skipped_is_no_good_reading() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let mut decoder = backwall_stream::Decoder::new(std::sync::Arc::new(Profile::load("open-packet").unwrap()));
    let mut out = Vec::new();
    decoder.push(&std::fs::read(root().join("demo-stream/C1.shots")).unwrap(), &mut out);
    let (mut header, mut shots) = (None, Vec::new());
    for one in out {
        match one.what {
            backwall_stream::DecodedWhat::Record(Record::Header(found)) => header = Some(found),
            backwall_stream::DecodedWhat::Record(Record::Shot(shot)) if shots.len() < 300 => shots.push(shot),
            _ => {}
        }
    }
    let header = header.unwrap();
    let base = (header.base.first.as_ns(), header.base.rate.period().as_ns());
    let frames = |late: &dyn Fn(usize) -> usize| -> Vec<u8> {
        shots.iter().enumerate().flat_map(|(n, shot)| delayed_frame(shot, late(n), base)).collect()
    };
    let profile = |delay: &str| {
        format!(
            "name = \"late\"\n[framing]\nkind = \"sync-length\"\nsync_hex = \"AA 55\"\nmax_frame_bytes = 16384\nlength_type = \"u16\"\nlength_adds_bytes = 0\n\
             [check]\nkind = \"crc\"\nalgorithm = \"CRC-16/CCITT-FALSE\"\nfrom_byte = 2\n[header]\nsample_rate_hz = {}\nfirst_sample_ns = {}\nconverter_bits = {}\n\
             [[record]]\nkind = \"shot\"\nfields = [{{ meaning = \"seq\", type = \"u32\" }}, {{ meaning = \"device-time\", type = \"u64\", unit = \"us\" }}, {{ meaning = \"encoder\", type = \"i32\" }}, \
             {{ meaning = \"gain\", type = \"f32\", unit = \"dB\" }}, {delay}, {{ meaning = \"samples\", type = \"i16\", rest = true }}]\n",
            header.base.rate.as_hz(),
            base.0,
            header.base.bits
        )
    };
    let random = |n: usize| (n * 7_919 + 13) * 31 % 60;
    let (read, skipped) = ("{ meaning = \"first-sample\", type = \"i32\", unit = \"ns\" }", "{ type = \"skip\", bytes = 4 }");
    for (name, delay, bytes) in [("true", read, frames(&|_| 0)), ("read", read, frames(&random)), ("skipped", skipped, frames(&random))] {
        let (toml, sent) = (folder.path().join(format!("{name}.toml")), folder.path().join(format!("{name}.bytes")));
        std::fs::write(&toml, profile(delay)).unwrap();
        std::fs::write(&sent, bytes).unwrap();
        let stream = format!("file:{}", sent.display());
        must(&[
            "scan",
            job.to_str().unwrap(),
            "--line",
            "C1",
            "--stream",
            &stream,
            "--profile",
            toml.to_str().unwrap(),
            "--pace",
            "max",
            "--headless",
        ]);
    }
    let rows = csv(&job, folder.path());
    let of = |run: &str| -> Vec<(Option<f64>, String, String)> {
        let run = rows.iter().filter(|row| row["run"] == run);
        run.map(|row| (row["thickness_mm"].parse().ok(), row["quality"].clone(), row["flags"].clone())).collect()
    };
    let (right, read, skipped) = (of("1"), of("2"), of("3"));
    assert_eq!((right.len(), read.len(), skipped.len()), (300, 300, 300));
    let off = |a: &(Option<f64>, String, String), b: &(Option<f64>, String, String)| a.0.zip(b.0).map(|(a, b)| (a - b).abs());
    let near = right.iter().zip(&read).filter_map(|(a, b)| off(a, b)).filter(|off| *off < 0.02).count();
    let known = right.iter().filter(|row| row.0.is_some()).count();
    assert!(near * 100 >= known * 98, "{near} of {known} within 0.02 mm");
    let pairs = right.iter().zip(&skipped).enumerate();
    let wrong: Vec<_> = pairs.filter(|(_, (a, b))| off(a, b).is_some_and(|off| off > 0.3)).collect();
    assert!(wrong.len() > 50, "the delays were to make readings wrong: {} are", wrong.len());
    let unsaid: Vec<_> = wrong.iter().filter(|(row, (_, b))| b.1 == "good" && *row >= SHOTS_OF_A_ZERO).collect();
    assert!(unsaid.is_empty(), "{} of {} wrong readings are good: {unsaid:?}", unsaid.len(), wrong.len());
    must(&["verify", job.to_str().unwrap()]);
}
