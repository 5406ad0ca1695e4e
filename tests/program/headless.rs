//! The main job without a screen, by the real binary: bytes to a saved run, to CSV, verified again.

use crate::common::*;

#[test]
fn the_demo_runs_to_a_closed_verified_run() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("demo.job");
    let path = job.to_str().unwrap();
    let events = events(&must(&["demo", "--headless", "--json", "--job", path]));
    assert_eq!(events.first().unwrap()["event"], "opened");
    let closed = events.last().unwrap();
    assert_eq!(closed["event"], "closed");
    let readings = closed["readings"].as_u64().unwrap();
    assert!(readings > 1000, "{closed}");
    assert!(!of_kind(&events, "saved").is_empty());
    let alarms = of_kind(&events, "alarm");
    assert!(alarms.iter().any(|alarm| alarm["level"] == "THIN"), "{alarms:?}");
    assert!(alarms.iter().any(|alarm| alarm["kind"] == "gap"), "the coupling loss is told: {alarms:?}");

    let rows = csv(&job, folder.path());
    assert_eq!(rows.len() as u64, readings);
    let header = std::fs::read_to_string(folder.path().join("readings.csv")).unwrap();
    assert!(header.starts_with(
        "run,seq,device_time_us,host_time,line,position_mm,course,echo_time_ns,thickness_mm,uncertainty_k2_mm,height_pct,snr_db,quality,flags,level,"
    ));
    // No echo is an empty field, never a number.
    let lost: Vec<_> = rows.iter().filter(|row| row["level"] == "NO ECHO").collect();
    assert!(!lost.is_empty());
    assert!(lost.iter().all(|row| row["thickness_mm"].is_empty() && row["quality"] == "none" && !row["flags"].is_empty()));
    assert!(rows.iter().filter(|row| row["level"] != "NO ECHO").all(|row| row["thickness_mm"].parse::<f64>().unwrap() > 0.0));
    must(&["verify", path]);
}

#[test]
fn the_same_stream_gives_the_same_readings_twice() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let path = job.to_str().unwrap();
    for _ in 0..2 {
        must(&["scan", path, "--line", "C1", "--stream", "file:demo-stream/C1.shots", "--pace", "max", "--headless"]);
    }
    let rows = csv(&job, folder.path());
    let of = |run: &str| -> Vec<Vec<String>> {
        let columns = ["seq", "device_time_us", "position_mm", "course", "echo_time_ns", "thickness_mm", "quality", "flags", "level"];
        rows.iter().filter(|row| row["run"] == run).map(|row| columns.iter().map(|column| row[*column].clone()).collect()).collect()
    };
    assert!(!of("1").is_empty());
    assert_eq!(of("1"), of("2"));
}

#[test]
fn standard_input_and_tcp_give_what_the_file_gives() {
    use std::io::Write;
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let path = job.to_str().unwrap();
    must(&["scan", path, "--line", "C1", "--stream", "file:demo-stream/C1.shots", "--pace", "max", "--headless"]);
    let bytes = std::fs::read(root().join("demo-stream/C1.shots")).unwrap();

    let mut child = backwall()
        .args(["scan", path, "--line", "C1", "--stream", "-", "--headless"])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(&bytes).unwrap();
    assert!(child.wait().unwrap().success());

    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let stream = format!("tcp:127.0.0.1:{}", listener.local_addr().unwrap().port());
    let mut child = backwall()
        .args(["scan", path, "--line", "C1", "--stream", &stream, "--headless", "--json"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let (mut socket, _) = listener.accept().unwrap();
    // Garbage between the frames must cost nothing but itself: it ends with a delimiter of its own.
    socket.write_all(b"noise before the first frame\x00").unwrap();
    for chunk in bytes.chunks(1000) {
        socket.write_all(chunk).unwrap();
    }
    socket.flush().unwrap();
    // The run goes on until it is told to end, as a pulled cable may come back.
    let mut lines = std::io::BufRead::lines(std::io::BufReader::new(child.stdout.take().unwrap()));
    let want = csv(&job, folder.path()).iter().filter(|row| row["run"] == "1").count() as u64;
    for line in lines.by_ref() {
        let event: serde_json::Value = serde_json::from_str(&line.unwrap()).unwrap();
        if event["event"] == "saved" && event["readings"].as_u64() == Some(want) {
            break;
        }
    }
    terminate(&child);
    let last = lines.map(|line| line.unwrap()).last().unwrap();
    let closed: serde_json::Value = serde_json::from_str(&last).unwrap();
    assert_eq!((closed["event"].as_str(), closed["readings"].as_u64()), (Some("closed"), Some(want)));
    child.wait().unwrap();

    let rows = csv(&job, folder.path());
    let of = |run: &str| -> Vec<_> {
        rows.iter()
            .filter(|row| row["run"] == run)
            .map(|row| (row["seq"].clone(), row["position_mm"].clone(), row["thickness_mm"].clone()))
            .collect()
    };
    assert_eq!(of("1"), of("2"));
    assert_eq!(of("1"), of("3"));
}

fn terminate(child: &std::process::Child) {
    let pid = child.id().to_string();
    assert!(std::process::Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
}

#[test]
fn an_unsigned_checklist_stops_scanning_unless_overridden_with_a_reason_that_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("bare.job");
    let path = job.to_str().unwrap();
    must(&["new", path, "--from", "demo-stream/plan.toml"]);
    let scan = ["scan", path, "--line", "C1", "--stream", "file:demo-stream/C1.shots", "--pace", "max", "--headless", "--json"];
    let refused = run(&scan);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("not signed"));
    let mut overridden = scan.to_vec();
    overridden.extend(["--override-checklist", "client's standing order 7"]);
    let events = events(&must(&overridden));
    assert_eq!(events.last().unwrap()["checklist_override"], "client's standing order 7");
    assert!(must(&["review", path, "--headless"]).contains("CHECKLIST OVERRIDDEN: client's standing order 7"));
    let kept = backwall_store::JobFile::open_read_only(&job).unwrap().contents().unwrap().overrides;
    assert!(matches!(&kept[..], [(reason, by)] if reason == "client's standing order 7" && by.name == "R. Aldane"), "{kept:?}");
    // How the calibration stands is told with the run, and with the job.
    assert_eq!(events.last().unwrap()["calibration"], "pending");
    assert!(must(&["open", path, "--headless"]).contains("calibration pending: no set-up was entered"));
}

/// The demo's job as it was left `days` ago: answered, signed and calibrated then.
fn left_alone(folder: &std::path::Path, days: i64) -> std::path::PathBuf {
    use backwall_survey::job::checklist::{Answer, Signature, Signed};
    let job = signed_job(folder);
    let file = backwall_store::JobFile::open(&job).unwrap();
    let contents = file.contents().unwrap();
    let then = |by: &Signed| Signed { at_us: by.at_us - days * 86_400_000_000, ..by.clone() };
    for answer in &contents.answers {
        file.writer().answer(Answer { by: then(&answer.by), ..answer.clone() }).unwrap();
    }
    let answers = file.contents().unwrap().answers.len();
    file.writer().sign(Signature { by: then(&contents.signatures[0].by), answers }).unwrap();
    file.close().unwrap();
    job
}

#[test]
fn a_checklist_signed_ninety_days_ago_stops_scanning_unless_overridden() {
    let folder = tempfile::tempdir().unwrap();
    let job = left_alone(folder.path(), 90);
    let path = job.to_str().unwrap();
    let scan = ["scan", path, "--line", "C1", "--stream", "file:demo-stream/C1.shots", "--pace", "max", "--headless"];
    let refused = run(&scan);
    assert_eq!(refused.status.code(), Some(1));
    let said = String::from_utf8_lossy(&refused.stderr);
    for words in ["Wind at the height", "ran out, answer again (answered 90 days ago, holds for 1 h)", "permit to work"] {
        assert!(said.contains(words), "'{words}' is not said: {said}");
    }
    assert!(must(&["open", path, "--headless"]).contains("stops scanning: Wind at the height"));
    must(&[&scan[..], &["--override-checklist", "standing order 7"]].concat());
    assert!(must(&["review", path, "--headless"]).contains("CHECKLIST OVERRIDDEN: standing order 7"));
}

#[test]
fn a_second_name_is_asked_for_where_the_plan_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let plan = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    let plan = plan.replacen("[[person]]", "override_needs_second_name = true\n[[person]]", 1);
    std::fs::write(folder.path().join("plan.toml"), plan).unwrap();
    let job = folder.path().join("two.job");
    let path = job.to_str().unwrap();
    must(&["new", path, "--from", folder.path().join("plan.toml").to_str().unwrap()]);
    let scan = ["scan", path, "--line", "C1", "--stream", "file:demo-stream/C1.shots", "--pace", "max", "--headless"];
    let with = |more: &[&'static str]| run(&[&scan[..], &["--override-checklist", "order 7"], more].concat());
    for (more, words) in [(&[][..], "--second NAME"), (&["--second", "r. aldane"][..], "somebody else")] {
        let refused = with(more);
        assert_eq!(refused.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&refused.stderr).contains(words), "{}", String::from_utf8_lossy(&refused.stderr));
    }
    assert!(with(&["--second", "M. Tesk"]).status.success());
    let kept = backwall_store::JobFile::open_read_only(&job).unwrap().contents().unwrap().overrides;
    assert!(matches!(&kept[..], [(reason, _)] if reason == "order 7 (second name: M. Tesk)"), "{kept:?}");
}

#[test]
fn without_an_encoder_check_or_with_open_hold_points_nothing_is_signed_or_scanned() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("bare.job");
    let path = job.to_str().unwrap();
    must(&["new", path, "--from", "demo-stream/plan.toml"]);
    let few = folder.path().join("few.toml");
    std::fs::write(&few, "[[answer]]\nitem = \"permit\"\nvalue = \"P-1\"\n").unwrap();
    assert_eq!(
        run(&["checklist", path, "--headless", "--answers", few.to_str().unwrap(), "--sign", operator().as_str()]).status.code(),
        Some(1)
    );
    let contents = backwall_store::JobFile::open_read_only(&job).unwrap().contents().unwrap();
    assert_eq!((contents.answers.len(), contents.signatures.len()), (1, 0));
    must(&["checklist", path, "--headless", "--answers", "demo-stream/answers.toml", "--sign", operator().as_str()]);
    assert!(
        must(&["open", path, "--headless"]).contains("Error of the encoder over a measured distance of at least 500 mm: not measured yet")
    );
    calibrate(&job);
    assert!(!must(&["open", path, "--headless"]).contains("stops scanning"));
}

#[test]
fn mistakes_say_what_happened_where_and_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let job = signed_job(folder.path());
    let path = job.to_str().unwrap();
    let plan = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    let wrong = folder.path().join("wrong.toml");
    std::fs::write(&wrong, plan.replace("max_gap_mm", "max_gapp_mm")).unwrap();
    let other = folder.path().join("other.job");
    let cases: &[(&[&str], i32, &[&str])] = &[
        (&["new", path, "--from", "demo-stream/plan.toml"], 1, &["test.job", "already"]),
        (&["new", other.to_str().unwrap(), "--from", wrong.to_str().unwrap()], 1, &["wrong.toml:", "max_gapp_mm"]),
        (&["new", other.to_str().unwrap(), "--from", "nowhere.toml"], 1, &["nowhere.toml"]),
        (&["scan", path, "--line", "Z9", "--stream", "file:demo-stream/C1.shots", "--headless"], 1, &["Z9", "A090"]),
        (&["scan", path, "--line", "C1", "--stream", "serial:no-such-port", "--headless"], 1, &["no-such-port"]),
        (&["scan", path, "--line", "C1", "--stream", "file:no-such-file", "--headless"], 1, &["no-such-file"]),
        (&["scan", path, "--line", "C1", "--stream", "carrier-pigeon:7", "--headless"], 2, &["carrier-pigeon"]),
        (&["scan", path, "--line", "C1", "--headless"], 1, &["--stream"]),
        // Bytes that are no stream of this profile; the run is there, closed and empty.
        (
            &["scan", path, "--line", "C1", "--stream", "file:Cargo.lock", "--pace", "max", "--headless"],
            1,
            &["recorded nothing", "no good frame", "profile try open-packet", "file:Cargo.lock"],
        ),
        (&["verify", "README.md"], 1, &["README.md"]),
        (&["no-such-command"], 2, &["no-such-command"]),
    ];
    for (arguments, code, words) in cases {
        let output = run(arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(*code), "{arguments:?}: {said}");
        for word in *words {
            assert!(said.contains(word), "{arguments:?} does not name '{word}': {said}");
        }
        assert!(!said.contains("panicked"), "{said}");
    }
}

#[test]
fn a_run_does_not_start_on_a_disk_without_room() {
    use backwall::live::{Begin, LEAST_FREE, ScanOrder, ScanRequest, StartError, low_disk, start};
    use backwall_store::{JobFile, Saved};
    let folder = tempfile::tempdir().unwrap();
    let job = JobFile::open(&signed_job(folder.path())).unwrap();
    let order = ScanOrder {
        begin: &Begin::on("C1"),
        spec: "file:demo-stream/C1.shots".parse().unwrap(),
        profiles: vec![(backwall_stream::Profile::load("open-packet").unwrap(), None)],
        options: Default::default(),
        operator: "R. Aldane",
        now_us: backwall::live::now_us(),
    };
    let request = ScanRequest::new(&job.contents().unwrap(), order).unwrap();
    let (_sender, saved) = tokio::sync::watch::channel(Saved { free_bytes: Some(LEAST_FREE - 1), ..Saved::default() });
    let refused = start(&job.writer(), &saved, request);
    assert!(matches!(&refused, Err(StartError::NoRoom { .. })));
    assert!(job.contents().unwrap().runs.is_empty());
    // A little more starts, with a word.
    assert!(low_disk(Some(LEAST_FREE)).unwrap().contains("0.10 GB are free"));
    assert_eq!((low_disk(Some(u64::MAX)), low_disk(None)), (None, None));
    job.close().unwrap();
}
