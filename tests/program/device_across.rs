//! Several probes on tracks beside the line, and a scanner that weaves with a second encoder: a place in two dimensions, kept, exported and drawn.

use crate::common::*;
use backwall_report::figure::data;
use backwall_simulate::{Crawler, StreamEnd};
use backwall_store::JobFile;
use backwall_stream::DecodedWhat;
use backwall_survey::reading::{Header, Record};
use backwall_survey::strip::map::Orientation;
use backwall_units::Length;
use std::io::Write;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::Stdio;

/// A job of the demo's plan with something changed, and its path.
fn job(folder: &Path, change: impl FnOnce(String) -> String) -> PathBuf {
    let (plan, job) = (folder.join("plan.toml"), folder.join("weave.job"));
    std::fs::write(&plan, change(std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap())).unwrap();
    must(&["new", job.to_str().unwrap(), "--from", plan.to_str().unwrap()]);
    job
}

fn scan(folder: &Path, job: &Path, profile: &str, lines: &str, more: &[&str]) {
    let (toml, sent) = (folder.join("p.toml"), folder.join("sent.txt"));
    std::fs::write(&toml, profile).unwrap();
    std::fs::write(&sent, lines).unwrap();
    let stream = format!("file:{}", sent.display());
    let (job, toml) = (job.to_str().unwrap(), toml.to_str().unwrap());
    let scan = ["scan", job, "--line", "A090", "--stream", &stream, "--profile", toml, "--pace", "max", "--headless"];
    must(&[&scan[..], &["--override-checklist", "a gauge that evaluates its own echoes"], more].concat());
}

const GAUGE: &str = "name = \"weaver\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\ndelimiter = \",\"\ncolumns = 4\nfields = [\
    { meaning = \"seq\", column = 1 }, { meaning = \"encoder\", column = 2 }, { meaning = \"thickness\", column = 3, unit = \"mm\" }, ";

/// Where the stripes of line A090 lie, mm round the wall from its azimuth, and how much was read in each.
fn stripes(job: &Path) -> Vec<(f64, u32)> {
    let reader = JobFile::open_read_only(job).unwrap();
    let contents = reader.contents().unwrap();
    let map = data::wall_map(&reader, &contents, &mut |_, _| true).map_err(|error| error.to_string()).unwrap();
    let quarter = map.ground.circumference / 4.0;
    let of_line = map.bands.iter().filter(|band| band.line == "A090");
    of_line
        .map(|band| {
            let Orientation::Upright { at } = band.lie else { panic!("{:?}", band.lie) };
            let read = band.strip.extent().map_or(0, |(from, to)| band.strip.stretch(from, to).read);
            ((at - quarter).as_mm().round(), read)
        })
        .collect()
}

// Arithmetic: 40 counts a mm along and 20 across; a weave of 20 mm to the right and back, in steps of 10 mm, at A090 of a tank of 18 m: 10 mm round
// it are 0.06366 degrees. The demo's beam is 5 mm wide as assumed.
#[test]
fn a_weave_has_places_in_two_dimensions_in_the_file_the_export_and_the_map() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan.replace("counts_per_mm = 40.0", "counts_per_mm = 40.0\nacross_counts_per_mm = 20.0"));
    let profile = format!("{GAUGE}{{ meaning = \"across\", column = 4, wraps_at = 1000 }}]\n");
    // The counter across goes round at 1000: 990, 190 and 390 are 0, 10 and 20 mm.
    let weave = |shot: u32| [0, 10, 20, 10][shot as usize % 4];
    let across = |shot: u32| (990 + 20 * weave(shot)) % 1000;
    let lines: String = (0..200).map(|shot| format!("{shot},{},9.0,{}\n", 100 * shot, across(shot))).collect();
    scan(folder.path(), &job, &profile, &lines, &[]);
    let rows = csv(&job, folder.path());
    for (shot, row) in rows.iter().enumerate() {
        let mm = f64::from(weave(shot as u32));
        assert_eq!(row["across_mm"].parse::<f64>().unwrap(), mm, "shot {shot}");
        assert_eq!(row["position_mm"].parse::<f64>().unwrap(), 2.5 * shot as f64);
        let azimuth = 90.0 + mm / (18_000.0 * std::f64::consts::PI) * 360.0;
        assert!((row["azimuth_deg"].parse::<f64>().unwrap() - azimuth).abs() < 1e-3, "{} for {azimuth}", row["azimuth_deg"]);
    }
    assert_eq!(stripes(&job), [(0.0, 50), (10.0, 100), (20.0, 50)]);
    must(&["verify", job.to_str().unwrap()]);
    // What other tools see: the row of each reading, and nothing where nothing was sent.
    let sql = rusqlite::Connection::open_with_flags(&job, rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    type Seen = (i64, i64, f64, Option<f64>, Option<i64>);
    let seen: Seen = sql
        .query_row("SELECT row, seq, across_mm, gain_db, device_time_us FROM reading_text WHERE seq = 7", [], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
        })
        .unwrap();
    assert_eq!(seen, (7, 7, 10.0, None, None));
}

// Arithmetic: 20 counts a mm across; the scanner was put 30 mm to the left of the line, and swings 10 mm from there.
#[test]
fn a_scanner_begins_where_it_is_said_to_stand_beside_the_line() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan.replace("counts_per_mm = 40.0", "counts_per_mm = 40.0\nacross_counts_per_mm = 20.0"));
    let profile = format!("{GAUGE}{{ meaning = \"across\", column = 4, wraps_at = 1000 }}]\n");
    let lines: String = (0..40).map(|shot| format!("{shot},{},9.0,{}\n", 100 * shot, 200 * (shot % 2))).collect();
    scan(folder.path(), &job, &profile, &lines, &["--across", "-0.03m"]);
    let rows = csv(&job, folder.path());
    let at = |row: usize| rows[row]["across_mm"].parse::<f64>().unwrap();
    assert_eq!((rows.len(), at(0), at(1), at(38)), (40, -30.0, -20.0, -30.0));
    must(&["verify", job.to_str().unwrap()]);
    // A plan without a second encoder has no place across, and more than 10 m is a slip of the unit.
    for (plan, across, why) in
        [("across_counts_per_mm = 20.0", "30m", "more than 10 m beside the line"), ("", "30", "no across_counts_per_mm")]
    {
        let other = tempfile::tempdir().unwrap();
        let job = self::job(other.path(), |text| text.replace("counts_per_mm = 40.0", &format!("counts_per_mm = 40.0\n{plan}")));
        let scan = ["scan", job.to_str().unwrap(), "--line", "A090", "--stream", "file:none", "--headless", "--across", across];
        let refused = backwall().args(scan).output().unwrap();
        let said = String::from_utf8_lossy(&refused.stderr);
        assert!(!refused.status.success() && said.contains(why), "{said}");
    }
}

#[test]
fn probes_side_by_side_are_runs_on_tracks_beside_the_line() {
    let folder = tempfile::tempdir().unwrap();
    let tracks = "\n[[track]]\nchannel = \"1\"\noffset_mm = -25\n[[track]]\nchannel = \"2\"\noffset_mm = 25\n";
    let job = job(folder.path(), |plan| plan + tracks);
    let profile = format!("{GAUGE}{{ meaning = \"channel\", column = 4 }}]\n");
    let lines: String = (0..100).map(|shot| format!("{s},{at},9.0,1\n{s},{at},7.5,2\n", s = shot, at = 100 * shot)).collect();
    for channel in ["1", "2"] {
        scan(folder.path(), &job, &profile, &lines, &["--channel", channel]);
    }
    let rows = csv(&job, folder.path());
    for row in &rows {
        let (across, wall) = if row["run"] == "1" { ("-25.0000", "9.000000") } else { ("25.0000", "7.500000") };
        assert_eq!((row["across_mm"].as_str(), row["thickness_mm"].as_str()), (across, wall));
    }
    assert_eq!((rows.len(), stripes(&job)), (200, vec![(-25.0, 100), (0.0, 0), (25.0, 100)]));
    must(&["verify", job.to_str().unwrap()]);
}

// Both channels are numbered in one; shot 21 never came. The program is killed in the middle of the run.
#[test]
fn shots_of_other_channels_are_not_lost_in_a_run_that_nobody_closed() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan);
    let (path, toml) = (job.to_str().unwrap(), folder.path().join("p.toml"));
    std::fs::write(&toml, format!("{GAUGE}{{ meaning = \"channel\", column = 4 }}]\n")).unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let stream = format!("tcp:{}", listener.local_addr().unwrap());
    let mut scan = backwall();
    scan.args(["scan", path, "--line", "A090", "--stream", &stream, "--profile", toml.to_str().unwrap(), "--headless", "--channel", "1"]);
    let mut scan = scan.args(["--override-checklist", "a gauge"]).stdout(Stdio::piped()).spawn().unwrap();
    let (mut line, _) = listener.accept().unwrap();
    let sent: String = (1..200).filter(|seq| *seq != 21).map(|seq| format!("{seq},{},9.0,{}\n", seq * 20, 2 - seq % 2)).collect();
    line.write_all(format!("\n{sent}").as_bytes()).unwrap();
    // Until all of the channel is saved: 99 of its 100 numbers came.
    let mut said = std::io::BufRead::lines(std::io::BufReader::new(scan.stdout.take().unwrap()));
    assert!(said.any(|line| line.unwrap().starts_with("saved 99 readings")));
    scan.kill().unwrap();
    scan.wait().unwrap();
    must(&["note", path, "--by", &operator(), "--text", "the laptop went out"]);
    let runs = must(&["review", path, "--headless", "--json"]);
    let run: serde_json::Value = serde_json::from_str(runs.lines().find(|line| line.contains("\"lost\"")).unwrap()).unwrap();
    let run = run.get("runs").map_or(&run, |runs| &runs[0]);
    assert_eq!((run["state"].as_str(), run["lost"].as_u64(), run["readings"].as_u64()), (Some("interrupted"), Some(1), Some(99)), "{run}");
}

/// Frames of two channels, shot by shot: ours from the stream of one block, the other's from that of another.
fn side_by_side(ours: &[u8], other: &[u8]) -> (Header, Vec<u8>) {
    let shots = |bytes: &[u8]| {
        let mut decoder = backwall_stream::Decoder::new(std::sync::Arc::new(backwall_stream::Profile::load("open-packet").unwrap()));
        let mut out = Vec::new();
        decoder.push(bytes, &mut out);
        let (mut header, mut shots) = (None, Vec::new());
        for one in out {
            match one.what {
                DecodedWhat::Record(Record::Header(found)) => header = Some(found),
                DecodedWhat::Record(Record::Shot(shot)) => shots.push(shot),
                _ => {}
            }
        }
        (header.unwrap(), shots)
    };
    let ((header, ours), (_, other)) = (shots(ours), shots(other));
    let mut bytes = Vec::new();
    for (ours, other) in ours.iter().zip(&other) {
        for (channel, shot) in [(1u8, other), (2, ours)] {
            let mut frame = vec![0xAA, 0x55];
            frame.extend(((14 + 2 * shot.samples.len()) as u16).to_le_bytes());
            frame.push(channel);
            frame.extend(shot.seq.to_le_bytes());
            frame.extend((shot.gain.as_db() as f32).to_le_bytes());
            frame.push(0);
            shot.samples.iter().for_each(|sample| frame.extend(sample.to_le_bytes()));
            let check = backwall_stream::crc::by_name("CRC-16/MODBUS").unwrap().of(&frame[2..]) as u16;
            frame.extend(check.to_le_bytes());
            bytes.extend(frame);
        }
    }
    (header, bytes)
}

// The other probe stands on a block 3 mm thicker: mixed in, or chosen, it would give another zero or none.
#[test]
fn a_calibration_reads_the_channel_that_is_chosen() {
    let folder = tempfile::tempdir().unwrap();
    let wall = demo_wall();
    let stand = |mm: f64| {
        let mut crawler = Crawler::on_block(&wall, Length::mm(mm), StreamEnd::Shots(40)).unwrap();
        let mut bytes = Vec::new();
        while crawler.next_frame(&mut bytes).is_some() {}
        bytes
    };
    let mut toml = String::new();
    let mut at = Vec::new();
    for mm in [4.0, 8.0, 12.5] {
        let (header, bytes) = side_by_side(&stand(mm), &stand(mm + 3.0));
        let file = folder.path().join(format!("{mm}.bytes"));
        std::fs::write(&file, bytes).unwrap();
        at.push(format!("{mm}=file:{}", file.display()));
        toml = format!(
            "name = \"two\"\n[framing]\nkind = \"sync-length\"\nsync_hex = \"AA 55\"\nmax_frame_bytes = 16384\nlength_type = \"u16\"\nlength_adds_bytes = 2\n\
             [check]\nkind = \"crc\"\nalgorithm = \"CRC-16/MODBUS\"\nfrom_byte = 2\n[header]\nsample_rate_hz = {}\nfirst_sample_ns = {}\nconverter_bits = {}\n\
             [[record]]\nkind = \"shot\"\nfields = [{{ meaning = \"channel\", type = \"u8\" }}, {{ meaning = \"seq\", type = \"u32\" }}, {{ meaning = \"gain\", type = \"f32\", unit = \"dB\" }}, \
             {{ type = \"skip\", bytes = 1 }}, {{ meaning = \"samples\", type = \"i16\", rest = true }}]\n",
            header.base.rate.as_hz(),
            header.base.first.as_ns(),
            header.base.bits
        );
    }
    let profile = folder.path().join("two.toml");
    std::fs::write(&profile, toml).unwrap();
    let zero = |more: &[&str]| {
        let folder = tempfile::tempdir().unwrap();
        let job = job(folder.path(), |plan| plan);
        let mut arguments = vec!["calibrate", job.to_str().unwrap(), "--headless", "--json", "--profile", profile.to_str().unwrap()];
        for at in &at {
            arguments.extend(["--at", at]);
        }
        let output = run(&[&arguments[..], more].concat());
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        serde_json::from_str::<serde_json::Value>(&said)
            .ok()
            .and_then(|said| said["calibration"]["zero_ns"].as_f64())
            .filter(|_| output.status.success())
    };
    // What the same blocks give without another probe beside them.
    let alone =
        JobFile::open_read_only(&signed_job(folder.path())).unwrap().contents().unwrap().setup_in_force().unwrap().setup.zero.as_ns();
    let chosen = zero(&["--channel", "2"]).expect("calibrates on channel 2");
    assert!((chosen - alone).abs() < 60.0, "zero {chosen} ns, {alone} ns alone");
    let first = zero(&[]);
    assert!(first.is_none_or(|zero| (zero - alone).abs() > 200.0), "the first that comes is channel 1: {first:?}, {alone} ns alone");
    // Each channel has a set-up of its own, and none goes by another's.
    let tracks = "\n[[track]]\nchannel = \"1\"\noffset_mm = -25\n[[track]]\nchannel = \"2\"\noffset_mm = 25\n";
    let job = job(folder.path(), |plan| plan + tracks);
    let (path, toml) = (job.to_str().unwrap(), profile.to_str().unwrap());
    let calibrate = |channel: &str, more: f64| {
        let mut arguments = vec!["calibrate".to_owned(), path.to_owned(), "--headless".into(), "--profile".into(), toml.to_owned()];
        arguments.extend(["--channel".to_owned(), channel.to_owned()]);
        for at in &at {
            let (mm, file) = at.split_once('=').unwrap();
            arguments.extend(["--at".to_owned(), format!("{}={file}", mm.parse::<f64>().unwrap() + more)]);
        }
        must(&arguments.iter().map(String::as_str).collect::<Vec<_>>());
    };
    let (_, stream) = at[1].split_once('=').unwrap();
    let scan = ["scan", path, "--line", "A090", "--headless", "--pace", "max", "--stream", stream, "--profile", toml];
    calibrate("2", 0.0);
    let refused = String::from_utf8_lossy(&run(&scan).stderr).into_owned();
    assert!(refused.contains("channel 1 is not calibrated: the set-up in force was measured on channel 2"), "{refused}");
    calibrate("1", 3.0);
    must(&[&scan[..], &["--override-checklist", "its items are not the matter here"]].concat());
    let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
    let by: Vec<_> =
        contents.runs.iter().map(|run| (run.start.channel.as_deref(), run.start.setup_id, run.start.setup.channel.as_deref())).collect();
    assert_eq!(by, [(Some("1"), Some(2), Some("1")), (Some("2"), Some(1), Some("2"))]);
    let rows = csv(&job, folder.path());
    for (run, wall) in [("1", 11.0), ("2", 8.0)] {
        let mut read: Vec<f64> = rows.iter().filter(|row| row["run"] == run).filter_map(|row| row["thickness_mm"].parse().ok()).collect();
        read.sort_by(f64::total_cmp);
        assert!((read[read.len() / 2] - wall).abs() < 0.1, "run {run}: {read:?}");
    }
    must(&["verify", path]);
}

// 20 counts a mm across, 4000 counts are 200 mm: no probe goes there between two shots.
#[test]
fn a_second_encoder_that_jumps_gives_no_places_until_it_has_come_back() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan.replace("counts_per_mm = 40.0", "counts_per_mm = 40.0\nacross_counts_per_mm = 20.0"));
    let profile = format!("{GAUGE}{{ meaning = \"across\", column = 4 }}]\n");
    let across = |shot: u32| 20 * (shot % 10) + if (40..50).contains(&shot) { 4000 } else { 0 };
    let lines: String = (0..100).map(|shot| format!("{shot},{},9.0,{}\n", 100 * shot, across(shot))).collect();
    scan(folder.path(), &job, &profile, &lines, &[]);
    for (shot, row) in csv(&job, folder.path()).iter().enumerate() {
        let astray = (40..50).contains(&shot);
        assert_eq!((row["position_mm"].is_empty(), row["flags"].contains("encoder-jump")), (astray, astray), "shot {shot}");
        if !astray {
            assert_eq!(row["across_mm"].parse::<f64>().unwrap(), (shot % 10) as f64);
        }
    }
    let said = crate::devices::said_of(&job, backwall_store::EventKind::Doubt);
    assert!(said.iter().any(|words| words.contains("shot 40") && words.contains("across 4000")), "{said:?}");
    must(&["verify", job.to_str().unwrap()]);
}

// Arithmetic: 40 counts a mm along, 20 across; a weave of 30 mm to one side and back in steps of 5 mm. Between shots 42 (30 mm) and 43 the counter across begins
// again; it is believed at the tenth shot from there. The first step back, 5 mm, is in no count, nor the step at the tenth shot, 5 mm out: they cancel.
#[test]
fn an_encoder_across_that_starts_anew_is_found_and_the_place_goes_on_from_where_it_was_held() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan.replace("counts_per_mm = 40.0", "counts_per_mm = 40.0\nacross_counts_per_mm = 20.0"));
    let profile = format!("{GAUGE}{{ meaning = \"across\", column = 4 }}]\n");
    let swing = |shot: i32| 5 * (6 - (shot % 12 - 6).abs());
    let across = |shot: i32| 20 * (swing(shot) - if shot < 43 { 0 } else { swing(43) });
    let lines: String = (0..100).map(|shot| format!("{shot},{},9.0,{}\n", 100 * shot, across(shot))).collect();
    scan(folder.path(), &job, &profile, &lines, &[]);
    for (shot, row) in (0..).zip(csv(&job, folder.path())) {
        let astray = (43..52).contains(&shot);
        assert_eq!((row["position_mm"].is_empty(), row["flags"].contains("encoder-jump")), (astray, astray), "shot {shot}");
        if !astray {
            let (along, across) = (row["position_mm"].parse::<f64>().unwrap(), row["across_mm"].parse::<f64>().unwrap());
            assert_eq!((along, across), (2.5 * f64::from(shot), f64::from(swing(shot))), "shot {shot}");
        }
    }
    let said = crate::devices::said_of(&job, backwall_store::EventKind::Place);
    assert!(
        matches!(&said[..], [words] if words.contains("the encoder across alone started anew (seq 43, encoder 4300, across 0 after seq 42")),
        "{said:?}"
    );
    must(&["verify", job.to_str().unwrap()]);
}

// The virtual crawler: 60 mm at 5 mm/s, 50 shots a second, swinging 20 mm to either side once a second over a wall of 9 mm; a pit of 8 mm radius,
// 4 mm deep, lies 12 mm clockwise of the line at 30 mm.
#[test]
fn a_simulated_weave_finds_a_pit_beside_the_line_where_it_is_and_nowhere_else() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan.replace("counts_per_mm = 40.0", "counts_per_mm = 40.0\nacross_counts_per_mm = 20.0"));
    let wall = std::fs::read_to_string(root().join("demo-stream/wall.toml")).unwrap();
    let head = wall.split("[[course]]").next().unwrap();
    let head = head.lines().filter(|line| !line.starts_with("shot_rate_hz")).collect::<Vec<_>>().join("\n");
    let head = head.replace("[device]", "[device]\nshot_rate_hz = 50");
    let line = "[[line]]\nname = \"A090\"\ndirection = \"up\"\nwall_mm = 9.0\nweave = { side_mm = 20, seconds = 1 }\n\
        [[line.leg]]\nforward_mm = 60\nspeed_mm_s = 5\n[[line.pit]]\nat_mm = 30\noffset_mm = 12\nradius_mm = 8\ndepth_mm = 4\n";
    let (toml, shots) = (folder.path().join("weave.toml"), folder.path().join("weave.shots"));
    std::fs::write(&toml, format!("{head}\n{line}")).unwrap();
    must(&["simulate", "--wall", toml.to_str().unwrap(), "--out", shots.to_str().unwrap()]);
    let stream = format!("file:{}", shots.display());
    let scan = ["scan", job.to_str().unwrap(), "--line", "A090", "--stream", &stream, "--pace", "max", "--headless"];
    must(&[&scan[..], &["--override-checklist", "simulated"]].concat());
    let rows = csv(&job, folder.path());
    assert_eq!(rows.len(), 600);
    let number = |row: &std::collections::HashMap<String, String>, name: &str| row[name].parse::<f64>().ok();
    let (mut in_pit, mut beside) = (Vec::new(), Vec::new());
    for (shot, row) in rows.iter().enumerate() {
        let (along, across) = (number(row, "position_mm").unwrap(), number(row, "across_mm").unwrap());
        // A quarter of a second out, half back through the line, a quarter home.
        let part = (shot % 50) as f64 / 50.0;
        let swing = if part < 0.25 {
            part
        } else if part < 0.75 {
            0.5 - part
        } else {
            part - 1.0
        };
        assert!((across - 80.0 * swing).abs() < 0.051 && (along - 0.1 * shot as f64).abs() < 0.051, "shot {shot}: {along}, {across}");
        let Some(thickness) = number(row, "thickness_mm") else { continue };
        let away = |x: f64| (along - 30.0).hypot(across - x);
        if away(12.0) < 3.0 {
            in_pit.push(thickness);
        } else if away(-12.0) < 3.0 {
            beside.push(thickness);
        }
    }
    let least = in_pit.iter().copied().fold(f64::INFINITY, f64::min);
    assert!((least - 5.0).abs() < 0.7, "the pit is 5 mm at its bottom: {in_pit:?}");
    assert!(beside.len() > 3 && beside.iter().all(|mm| (mm - 9.0).abs() < 0.5), "{beside:?}");
    must(&["verify", job.to_str().unwrap()]);
}
