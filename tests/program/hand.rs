//! What people read and add by hand: readings with a gauge, proof of spots, notes put afterwards, photos, witnesses. All of it stands
//! beside what the crawler measured and changes no number of it.

use crate::adopted::results;
use crate::common::*;
use crate::reevaluate::rows;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

type Row = HashMap<String, String>;

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A job whose one line was driven over 90 mm of wall; with 9.8 mm required all of it is one THIN spot.
pub fn thin(folder: &Path) -> PathBuf {
    let plan = include_str!("../data/plan.toml").replace("required_mm = 6.2", "required_mm = 9.8");
    let (file, job, stream) = (folder.join("plan.toml"), folder.join("tk7.job"), folder.join("1.bin"));
    std::fs::write(&file, plan).unwrap();
    must(&["new", text(&job), "--from", text(&file)]);
    let wall = root().join("demo-stream/wall.toml");
    let shots = ["--rate", "50", "--shots", "100", "--samples", "700", "--seed", "1"];
    let mut simulate = vec!["simulate", "--wall", text(&wall), "--line", "A090", "--out", text(&stream)];
    simulate.extend(shots);
    must(&simulate);
    let source = format!("file:{}", text(&stream));
    must(&["scan", text(&job), "--line", "A090", "--stream", &source, "--headless", "--override-checklist", "the checklist is on paper"]);
    job
}

fn all<'a>(command: &'a str, job: &'a Path, what: &[&'a str]) -> Vec<&'a str> {
    let mut all = vec![command, text(job), "--by", "R. Aldane"];
    all.extend(what);
    all
}

pub fn hand(job: &Path, what: &[&str]) -> String {
    must(&all("hand", job, what))
}

/// Why it was refused; the job has as many statements as before.
fn refused(command: &str, job: &Path, what: &[&str]) -> String {
    let out = run(&all(command, job, what));
    assert!(!out.status.success(), "{what:?} was taken");
    String::from_utf8_lossy(&out.stderr).into_owned()
}

fn table(job: &Path, what: &str) -> Vec<Row> {
    rows(job, &job.with_file_name("table.csv"), &["--what", what])
}

fn report(job: &Path) -> String {
    let out = job.with_file_name("r.html");
    must(&["report", text(job), "--template", "complete", "--out", text(&out)]);
    std::fs::read_to_string(&out).unwrap()
}

fn status(job: &Path) -> String {
    must(&["status", text(job)])
}

#[test]
fn a_reading_by_hand_closes_the_spot_it_proves_and_is_in_every_result_under_its_own_name() {
    let folder = tempfile::tempdir().unwrap();
    let job = thin(folder.path());
    let before: HashMap<_, _> = results(&job).into_iter().collect();
    let spot = table(&job, "spots").remove(0);
    assert!(status(&job).contains("THIN"), "{}", status(&job));

    // The mean of 9.70, 9.74 and 9.71 is 9.716666… mm, their range 0.04 mm (arithmetic).
    let gauge = ["--instrument", "hand gauge", "--serial", "HG-3", "--block", "10.00=10.02", "--block-at", "2026-03-01T09:30:00Z"];
    let values = ["--value", "9.70", "--value", "9.74mm", "--value", "0.00971m", "--spot", "1/1", "--confirms", "yes"];
    let said = hand(&job, &[&values[..], &gauge[..]].concat());
    assert!(said.contains("9.72 mm (mean of 3, spread 0.04 mm) read by hand, A090 at 0.044 m; spot 1 of run 1 confirmed"), "{said}");
    assert!(!status(&job).contains("THIN"), "the spot is still open: {}", status(&job));

    let read = table(&job, "hand");
    let expected = [
        ("line", "A090"),
        ("position_mm", &spot["minimum_at_mm"]),
        ("thickness_mm", "9.716667"),
        ("spread_mm", "0.040000"),
        ("values_mm", "9.700000 9.740000 9.710000"),
        ("minimum_mm", "9.700000"),
        ("required_mm", "9.800000"),
        ("instrument", "hand gauge"),
        ("serial", "HG-3"),
        ("block_mm", "10.000000"),
        ("block_read_mm", "10.020000"),
        ("block_time", "2026-03-01T09:30:00.000000Z"),
        ("spot_minimum_mm", &spot["minimum_mm"]),
        ("confirmed", "true"),
        ("by", "R. Aldane"),
        ("certificate", "UT 2, no. 00417"),
    ];
    assert_eq!(read.len(), 1);
    for (column, value) in expected {
        assert_eq!(read[0][column], value, "{column}");
    }
    let spots = table(&job, "spots");
    assert_eq!((spots[0]["confirmed"].as_str(), spots[0]["hand_mm"].as_str()), ("true", "9.716667"));
    let statistics = table(&job, "statistics");
    assert!(statistics.iter().all(|row| (row["hand_places"].as_str(), row["hand_minimum_mm"].as_str()) == ("1", "9.716667")));

    // No number of the crawler's has changed: readings are the same bytes, statistics the same but for the columns of the hand.
    let after: HashMap<_, _> = results(&job).into_iter().collect();
    let readings =
        before.keys().find(|name| name.starts_with("readings") && name.ends_with("csv")).expect("readings are among the results");
    assert_eq!(before[readings], after[readings]);
    assert_ne!(before["strip.svg"], after["strip.svg"], "the section does not show it");
    assert!(String::from_utf8_lossy(&after["strip.svg"]).contains("9.72 mm by hand at 0.044 m, spot 1 confirmed"));

    let html = report(&job);
    for words in [
        "THIN BY HAND: 1 place under the required thickness",
        "Read by hand",
        "read 10.02 mm on a block of 10.00 mm",
        "confirmed 9.72 by hand",
    ] {
        assert!(html.contains(words), "the report does not say: {words}");
    }
    let map = folder.path().join("map.svg");
    must(&["export", text(&job), "--format", "svg", "--figure", "map", "--out", text(&map)]);
    assert_eq!(std::fs::read_to_string(&map).unwrap().matches('✚').count(), 2, "on the wall and in the legend");
    must(&["verify", text(&job)]);

    // Taken back, all of it is as it was before.
    must(&["amend", text(&job), "--by", "R. Aldane", "--reason", "the wrong gauge", "--withdraw", "1"]);
    assert!(status(&job).contains("THIN") && table(&job, "hand").is_empty());
    for (name, bytes) in results(&job).into_iter().filter(|(name, _)| !name.starts_with("report") && name != "review") {
        assert!(bytes == before[&name], "{name} is not as before");
    }
}

#[test]
fn a_spot_that_is_not_confirmed_says_so_and_still_counts_as_wall() {
    let folder = tempfile::tempdir().unwrap();
    let job = thin(folder.path());
    let minimum = table(&job, "statistics")[0]["minimum_mm"].clone();
    assert!(refused("hand", &job, &["--spot", "1/1", "--confirms", "no"]).contains("a reason is missing"));
    hand(&job, &["--spot", "1/1", "--confirms", "no", "--note", "angle probe from both sides: the plate is laminated"]);
    let spots = table(&job, "spots");
    assert_eq!((spots[0]["confirmed"].as_str(), spots[0]["hand_mm"].as_str()), ("false", ""));
    assert_eq!(table(&job, "statistics")[0]["minimum_mm"], minimum, "a spot counts, confirmed or not");
    assert!(report(&job).contains("Not confirmed by other means (R. Aldane"), "{}", report(&job));
    // What is said last counts: 9.60 under the required 9.80 cannot be no confirmation without a word on why.
    let no = ["--value", "9.60", "--spot", "1/1", "--confirms", "no"];
    assert!(refused("hand", &job, &no).contains("under the required 9.80 mm, and yet the spot is not confirmed"));
    hand(&job, &["--value", "9.60", "--spot", "1/1", "--confirms", "yes"]);
    assert_eq!(table(&job, "spots")[0]["confirmed"], "true");
}

/// A revision of the plan cuts the spots again: the proof follows the reading of the minimum, whatever number its spot has then.
#[test]
fn a_proof_follows_the_minimum_of_its_spot_when_spots_are_cut_again() {
    let folder = tempfile::tempdir().unwrap();
    let job = thin(folder.path());
    let minimum = table(&job, "spots")[0]["minimum_seq"].clone();
    hand(&job, &["--value", "9.5", "--spot", "1/1", "--confirms", "yes"]);
    let revised = folder.path().join("revised.toml");
    // Between the minimum and most of the wall, so that spots are many and short.
    let plan = std::fs::read_to_string(folder.path().join("plan.toml")).unwrap();
    let finer = "watch_margin_mm = 0.001\nmax_speed_mm_s = 60.0\nmax_gap_mm = 10.0\n[alarm]\nhysteresis_mm = 0.001\nminimum_length_mm = 0.0\njoin_mm = 0.5\n";
    let (head, _) = plan.split_once("watch_margin_mm").unwrap();
    std::fs::write(&revised, head.replace("required_mm = 9.8", "required_mm = 9.37") + finer).unwrap();
    must(&["amend", text(&job), "--by", "R. Aldane", "--reason", "recalculated", "--plan", text(&revised), "--yes"]);
    let spots = table(&job, "spots");
    assert!(spots.len() > 1, "{spots:?}");
    let proven: Vec<_> = spots.iter().filter(|spot| !spot["confirmed"].is_empty()).map(|spot| spot["minimum_seq"].clone()).collect();
    assert_eq!(proven, [minimum]);
}

#[test]
fn what_makes_no_sense_is_refused_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let job = thin(folder.path());
    let on_line = |at: &'static str| ["--line", "A090", "--at", at];
    let cases: [(&[&str], &str); 11] = [
        (&["--value", "9.7", "--line", "A091", "--at", "1m"], "the plan has no line 'A091'; it has A090"),
        (&[&["--value", "9.7"][..], &on_line("11.801m")[..]].concat(), "11.801 m is not on line A090: it goes from 0.000 m to 11.800 m"),
        (&["--value", "9.7", "--spot", "1/7", "--confirms", "yes"], "run 1 has no spot 7; it has 1"),
        (&["--value", "9.7", "--spot", "3/1", "--confirms", "yes"], "there is no run 3; the job has 1"),
        (&on_line("1m"), "no value: give at least one thickness"),
        (&["--value", "9.7"], "no place: say where it was read"),
        (&[&["--value", "0"][..], &on_line("1m")[..]].concat(), "0.00 mm is not a thickness"),
        (
            &[&["--value", "9.7", "--value", "9.39"][..], &on_line("1m")[..]].concat(),
            "the values are 0.31 mm apart, more than 0.30 mm: say in a note",
        ),
        (&[&["--value", "9.7in"][..], &on_line("1m")[..]].concat(), "246.38 mm is far over the nominal 10.00 mm: say in a note"),
        (&["--value", "9.7", "--grid", "G1", "--point", "33"], "'33' is not a point of a grid: write a letter and a number, as B3"),
        (&["--value", "nine", "--grid", "G1", "--point", "B3"], "'nine' is not a length"),
    ];
    for (what, why) in cases {
        let said = refused("hand", &job, what);
        assert!(said.contains(why), "{what:?}: {said}");
    }
    assert!(table(&job, "hand").is_empty(), "nothing of it was kept");
    // Spread by exactly the limit is no matter; beyond it a note is enough.
    hand(&job, &["--value", "9.7", "--value", "9.4", "--line", "A090", "--at", "11.8m"]);
    hand(&job, &["--value", "9.7", "--value", "9.39", "--azimuth", "92.5", "--elevation", "2m", "--note", "corroded, the probe rocks"]);
    hand(&job, &["--value", "9.7", "--near", "nozzle N2, below it", "--distance", "120mm", "--inspection-point", "TML-7"]);
    let read = table(&job, "hand");
    let column = |name: &str| read.iter().map(|row| row[name].as_str()).collect::<Vec<_>>();
    assert_eq!(column("azimuth_deg"), ["", "92.5000", ""]);
    assert_eq!(column("distance_mm"), ["", "", "120.0000"]);
    assert_eq!(column("inspection_point"), ["", "", "TML-7"]);
    assert_eq!(column("course"), ["1", "1", ""]);
}

#[test]
fn notes_marks_drawings_and_witnesses_are_put_afterwards_and_stand_in_the_report() {
    let folder = tempfile::tempdir().unwrap();
    let job = thin(folder.path());
    let drawing = folder.path().join("n2.txt");
    std::fs::write(&drawing, "\n   +----+\n   | N2 |  \n   +----+\n\n").unwrap();
    must(&all("note", &job, &["--run", "1", "--at", "0.02m", "--mark", "nozzle", "--text", "N2 passed on the left"]));
    must(&all("note", &job, &["--line", "A090", "--at", "3m", "--text", "weld repaired here", "--drawing", text(&drawing)]));
    let witness = ["--name", "C. Hollin", "--initials", "CH", "--of", "the client", "--what", "the blocks were measured", "--run", "1"];
    let said = must(&all("witness", &job, &witness));
    assert!(said.contains("witnessed by C. Hollin (CH, the client), run 1: the blocks were measured"), "{said}");
    let html = report(&job);
    for words in
        ["N2 passed on the left (afterwards, R. Aldane)", "weld repaired here", "Drawings", "C. Hollin", "the blocks were measured"]
    {
        assert!(html.contains(words), "the report does not say: {words}");
    }
    let strip = folder.path().join("strip.svg");
    must(&["export", text(&job), "--format", "svg", "--run", "1", "--out", text(&strip)]);
    assert!(std::fs::read_to_string(&strip).unwrap().contains("nozzle marked at 0.020 m: N2 passed on the left"));
    assert!(refused("note", &job, &["--line", "A090", "--at", "12m", "--text", "x"]).contains("12.000 m is not on line A090"));
    assert!(refused("note", &job, &["--line", "A090", "--at", "1m"]).contains("nothing is said"));
    assert!(refused("note", &job, &["--at", "1m", "--text", "x"]).contains("say also of which --line or --run"));
    assert!(refused("witness", &job, &["--name", "C. Hollin", "--initials", " ", "--what", "x"]).contains("a witness gives initials"));
    must(&["verify", text(&job)]);
}

/// A JPEG of nothing but the head of a frame and an Exif block: TIFF of big-endian order, IFD 0 with a pointer to the Exif IFD, which holds DateTimeOriginal
/// (tag 0x9003, 20 bytes of ASCII). Layout: Exif 2.3 (CIPA DC-008), section 4.5; TIFF 6.0, section 2.
fn photo(taken: &str) -> Vec<u8> {
    let mut tiff = b"MM\0\x2a\0\0\0\x08".to_vec();
    tiff.extend(b"\0\x01\x87\x69\0\x04\0\0\0\x01\0\0\0\x1a\0\0\0\0");
    tiff.extend(b"\0\x01\x90\x03\0\x02\0\0\0\x14\0\0\0\x2c\0\0\0\0");
    tiff.extend(taken.as_bytes());
    tiff.push(0);
    let mut jpeg = vec![0xff, 0xd8, 0xff, 0xe1];
    jpeg.extend(u16::try_from(2 + 6 + tiff.len()).unwrap().to_be_bytes());
    jpeg.extend(b"Exif\0\0");
    jpeg.extend(tiff);
    // A frame of 48 by 32 in three components: ITU-T T.81, B.2.2.
    jpeg.extend([0xff, 0xc0, 0, 17, 8, 0, 32, 0, 48, 3, 1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0]);
    jpeg.extend([0xff, 0xd9]);
    jpeg
}

#[test]
fn photos_lie_beside_the_job_and_verify_finds_those_that_are_missing_or_changed() {
    let folder = tempfile::tempdir().unwrap();
    let job = thin(folder.path());
    let (first, second) = (folder.path().join("spot.jpg"), folder.path().join("far.png"));
    let bytes = photo("2026:03:01 09:12:33");
    std::fs::write(&first, &bytes).unwrap();
    std::fs::write(&second, [0]).unwrap();
    let said = must(&all("photo", &job, &["--file", text(&first), "--run", "1", "--at", "0.044m", "--text", "the spot", "--json"]));
    let object: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!(object["taken"], "2026-03-01 09:12:33");
    let said = must(&all("photo", &job, &["--file", text(&second), "--digest-only", "--json"]));
    // The first of the published BLAKE3 test vectors that is not empty: one byte 0 (value from memory).
    let digest = "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213";
    assert_eq!(serde_json::from_str::<serde_json::Value>(&said).unwrap()["blake3"], digest);
    let kept = folder.path().join("tk7.job.photos").join(object["file"].as_str().unwrap());
    assert_eq!(std::fs::read(&kept).unwrap(), bytes);
    let verify = || run(&["verify", text(&job)]);
    let whole = verify();
    let out = String::from_utf8_lossy(&whole.stdout).into_owned();
    assert!(whole.status.success() && out.contains("as it was added") && out.contains("photo far.png: kept elsewhere"), "{out}");
    let html = report(&job);
    for words in ["2026-03-01 09:12:33 by the camera&#39;s clock", "by the time of the file", object["blake3"].as_str().unwrap()] {
        assert!(html.contains(words) || html.contains(&words.replace("&#39;", "'")), "the report does not say: {words}");
    }
    assert!(html.contains("data:image/jpeg;base64,") && html.contains("Photo 1: run 1, A090 at 0.044 m; the spot"), "it is not shown");
    assert!(html.contains("far.png (kept elsewhere, only its digest is here)"));
    let pdf = folder.path().join("photo.pdf");
    must(&["report", text(&job), "--out", text(&pdf)]);
    let pdf = std::fs::read(&pdf).unwrap();
    let holds = |what: &[u8]| pdf.windows(what.len()).any(|window| window == what);
    assert!(holds(b"/DCTDecode") && holds(&bytes), "the photo is not in the PDF as it is");
    std::fs::write(&kept, b"another").unwrap();
    let html = report(&job);
    assert!(html.contains("(CHANGED since it was added)") && !html.contains("data:image/jpeg"), "a changed photo is shown");
    let changed = verify();
    assert!(!changed.status.success() && String::from_utf8_lossy(&changed.stdout).contains("CHANGED since it was added"), "{changed:?}");
    std::fs::remove_file(&kept).unwrap();
    let missing = verify();
    assert!(!missing.status.success() && String::from_utf8_lossy(&missing.stdout).contains("MISSING from the folder"), "{missing:?}");
    // A photo at a place that is not there is refused, and nothing is copied.
    let refusal = refused("photo", &job, &["--file", text(&first), "--line", "A090", "--at", "99m"]);
    assert!(refusal.contains("99.000 m is not on line A090") && !kept.exists(), "{refusal}");
}
