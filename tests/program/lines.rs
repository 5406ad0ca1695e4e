//! What a stretch of wall is, through the program's own commands with the plan's own set-up: simulated lines with known truth are
//! calibrated, scanned and exported, and an independent script (numpy) scores readings and spots against the truth. Which limits, and
//! what a score means: `tests/data/lines/README.md`.

use crate::common::{is_for_even_wall_only, must, python, root};
use backwall::console::survey::{SurveyAsk, SurveyNews};
use backwall::session::review::open_survey;
use backwall_store::JobFile;
use backwall_stream::packet::{encode_header, encode_shot, encode_status};
use backwall_survey::reading::Header;
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Temperature, Time};
use serde_json::Value;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

const COUNTS_PER_MM: f64 = 40.0;
/// Blocks and line are taken at one gain, which the device tells.
const GAIN: Decibel = Decibel::db(40.0);

/// Where a shot was taken, mm, and its samples.
type Placed<'a> = (f64, &'a [i16]);
type Row = HashMap<String, String>;

struct Line {
    facts: Value,
    folder: PathBuf,
}

impl Line {
    fn text(&self, key: &str) -> &str {
        self.facts[key].as_str().unwrap()
    }
    fn number(&self, key: &str) -> f64 {
        self.facts[key].as_f64().unwrap()
    }
    fn rows(&self, key: &str) -> Vec<Row> {
        csv::Reader::from_path(self.folder.join(self.text(key))).unwrap().deserialize().map(Result::unwrap).collect()
    }
    fn shots(&self, key: &str) -> Vec<Vec<i16>> {
        let bytes = std::fs::read(self.folder.join(self.text(key))).unwrap();
        let codes: Vec<i16> = bytes.chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]])).collect();
        codes.chunks_exact(self.number("n_samples") as usize).map(<[i16]>::to_vec).collect()
    }

    /// A recorded stream of shots, each at its place.
    fn stream(&self, out: &Path, celsius: f64, shots: &[Placed]) {
        let base = TimeBase {
            rate: Frequency::hz(self.number("fs_hz")),
            first: Time::us(self.number("t_start_us")),
            bits: self.number("adc_bits") as u8,
        };
        let mut bytes = Vec::new();
        encode_header(
            &Header { base, samples: self.number("n_samples") as u16, device_id: 1, device_name: "simulated".into() },
            &mut bytes,
        );
        encode_status(0, None, Some(Temperature::celsius(celsius)), &mut bytes);
        for (seq, (mm, samples)) in shots.iter().enumerate() {
            encode_shot(seq as u32, 50_000 * seq as u64, (mm * COUNTS_PER_MM).round() as i32, GAIN, samples, &mut bytes);
        }
        std::fs::write(out, bytes).unwrap();
    }

    /// A plan that says what a drawing says; neither gate nor threshold.
    fn plan(&self) -> String {
        let sections = self.facts["sections"].as_array().unwrap();
        let mut courses = String::new();
        let mut bottom = 0.0;
        for (index, section) in sections.iter().enumerate() {
            let end = section["to_mm"].as_f64().unwrap() + if index + 1 == sections.len() { 200.0 } else { 1.0 };
            let (number, height) = (index + 1, end - bottom);
            let (nominal, required) = (&section["nominal_mm"], &section["required_mm"]);
            courses +=
                &format!("[[asset.course]]\nnumber = {number}\nheight_mm = {height}\nnominal_mm = {nominal}\nrequired_mm = {required}\n");
            bottom = end;
        }
        format!(
            "[job]\nnumber = \"SL-1\"\nsite = \"simulated\"\nprocedure = \"none\"\npurpose = \"simulated line\"\n
             [[person]]\nname = \"R. Aldane\"\nrole = \"operator\"\ncertificate = \"UT 2 (invented)\"\n
             [asset]\nkind = \"tank-shell\"\nname = \"simulated\"\ndiameter_mm = 18000\nmaterial = \"steel\"\ndatum = \"start\"\n{courses}
             [[line]]\nname = \"L\"\nazimuth_deg = 0.0\nstart_mm = 0\nlength_mm = {length}\ndirection = \"up\"\n
             [encoder]\ncounts_per_mm = {COUNTS_PER_MM:?}\n
             [probe]\nfrequency_mhz = {mhz:?}\nelement_separation_mm = {separation:?}\nminimum_mm = 1.5\n
             [setup]\nvelocity_m_s = {velocity:?}\nzero_ns = {zero:?}\n
             [limits]\nwatch_margin_mm = {margin:?}\nmax_speed_mm_s = 60.0\nmax_gap_mm = 10.0\n",
            length = self.number("n_records") + 50.0,
            mhz = self.number("nominal_frequency_mhz"),
            separation = 2.0 * self.number("element_half_separation_mm"),
            velocity = self.number("velocity_mps_at_20c"),
            zero = 1000.0 * self.number("probe_delay_nominal_us"),
            margin = self.number("margin_mm"),
        )
    }

    /// New job, calibration on all blocks, a scan, and the tables of readings and spots.
    fn run(&self, folder: &Path) -> (Vec<Row>, Vec<Row>, String) {
        let path = |name: &str| folder.join(name).to_str().unwrap().to_owned();
        let (plan, job, line) = (path("plan.toml"), path("line.job"), path("line.shots"));
        std::fs::write(&plan, self.plan()).unwrap();
        must(&["new", &job, "--from", &plan]);
        let (shots, truth) = (self.shots("waveforms_cal"), self.rows("truth_cal"));
        let mut blocks: Vec<(String, Vec<Placed>)> = Vec::new();
        for (shot, row) in shots.iter().zip(&truth) {
            match blocks.last_mut().filter(|(thickness, _)| *thickness == row["thickness_mm"]) {
                Some((_, shots)) => shots.push((0.0, shot)),
                None => blocks.push((row["thickness_mm"].clone(), vec![(0.0, shot)])),
            }
        }
        let mut calibrate: Vec<String> =
            ["calibrate", &job, "--headless", "--operator", "R. Aldane", "--temperature", "20", "--keep-velocity"]
                .map(str::to_owned)
                .into();
        for (thickness, shots) in &blocks {
            let block = path(&format!("block-{thickness}.shots"));
            self.stream(Path::new(&block), self.number("block_temp_c"), shots);
            calibrate.extend(["--at".to_owned(), format!("{thickness}=file:{block}")]);
        }
        let (middle, _) = &blocks[blocks.len() / 2];
        calibrate.extend(["--verify".to_owned(), format!("{middle}=file:{}", path(&format!("block-{middle}.shots")))]);
        must(&calibrate.iter().map(String::as_str).collect::<Vec<_>>());
        let (shots, truth) = (self.shots("waveforms"), self.rows("truth"));
        let placed: Vec<Placed> = truth.iter().zip(&shots).map(|(row, shot)| (row["pos_mm"].parse().unwrap(), &shot[..])).collect();
        self.stream(Path::new(&line), self.number("wall_temp_c"), &placed);
        let stream = format!("file:{line}");
        let scan = ["--line", "L", "--stream", &stream, "--pace", "max", "--headless", "--operator", "R. Aldane"];
        must(&[&["scan", &job][..], &scan, &["--override-checklist", "a simulated wall has no permit"]].concat());
        let table = |what: &str| {
            let out = path(&format!("{what}.csv"));
            must(&["export", &job, "--format", "csv", "--what", what, "--out", &out]);
            csv::Reader::from_path(out).unwrap().deserialize().map(Result::unwrap).collect()
        };
        let verified = must(&["verify", &job]);
        assert!(verified.trim_end().ends_with("whole"), "{verified}");
        let events = JobFile::open_read_only(Path::new(&job)).unwrap().events(1).unwrap();
        let zeros: Vec<String> = events.into_iter().map(|event| event.text.to_string()).filter(|text| text.starts_with("zero ")).collect();
        (table("readings"), table("spots"), zeros.join("\n"))
    }
}

/// Whether U reaches the minimum wall within 1.5 mm of the probe's centre, for readings that do not say they are for an even wall only.
#[derive(Debug, Default)]
struct Reach {
    judged: u32,
    inside: u32,
    /// The same where the wall within 1.5 mm lies more than 0.1 mm under that at the centre: at pits, on steep slopes.
    uneven: (u32, u32),
    for_even_wall_only: u32,
    /// What U does not reach: shot, reading, U, wall at the centre, least wall.
    outside: Vec<[f64; 5]>,
}

impl Reach {
    fn take(&mut self, row: &Row, truth: &Row) {
        let number = |row: &Row, key: &str| row[key].parse::<f64>().ok();
        let sound = truth["valid"] == "1" && number(truth, "lam_fraction") == Some(0.0);
        let (Some(thickness), Some(u), true) = (number(row, "thickness_mm"), number(row, "uncertainty_k2_mm"), sound) else { return };
        if is_for_even_wall_only(&row["flags"]) {
            self.for_even_wall_only += 1;
        } else {
            let [id, centre, least] = ["id", "true_wall_mm", "worst_mm"].map(|key| number(truth, key).unwrap());
            let inside = thickness - least <= u;
            self.judged += 1;
            self.inside += u32::from(inside);
            if centre - least > 0.1 {
                self.uneven = (self.uneven.0 + 1, self.uneven.1 + u32::from(inside));
            }
            if !inside {
                self.outside.push([id, thickness, u, centre, least]);
            }
        }
    }
}

#[test]
fn all_limits_of_the_simulated_lines_are_met_through_the_commands() {
    let set = root().join("tests/data/lines");
    let manifest: Value = serde_json::from_slice(&std::fs::read(set.join("manifest.json")).unwrap()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let (all_readings, all_spots) = (folder.path().join("readings.csv"), folder.path().join("spots.csv"));
    let mut readings = csv::Writer::from_path(&all_readings).unwrap();
    let mut spots = csv::Writer::from_path(&all_spots).unwrap();
    let mut reach = Reach::default();
    readings.write_record(["case", "id", "thickness_mm", "uncertainty_mm", "quality", "flags", "level"]).unwrap();
    spots.write_record(["case", "from_mm", "to_mm", "kind", "minimum_mm"]).unwrap();
    for facts in manifest["cases"].as_array().unwrap() {
        let line = Line { facts: facts.clone(), folder: set.clone() };
        let work = tempfile::tempdir().unwrap();
        let (of_line, found, zeros) = line.run(work.path());
        let case = line.text("name");
        // What is known of each: heat and wear of the tyre, paint on the wall, or nothing that moves a zero.
        let (tyre, surface) = (zeros.contains("the tyre is worn or warm"), zeros.contains("paint, coating or a gap is"));
        let known = (matches!(case, "line_hot" | "line_wear"), case == "line_paint");
        assert_eq!((tyre, surface), known, "{case}:\n{zeros}");
        for (row, truth) in of_line.iter().zip(line.rows("truth")) {
            reach.take(row, &truth);
        }
        for row in of_line {
            let columns = ["seq", "thickness_mm", "uncertainty_k2_mm", "quality", "flags", "level"].map(|column| row[column].as_str());
            readings.write_record([&[case][..], &columns].concat()).unwrap();
        }
        for row in found {
            // The scorer's word for what may only be suspected.
            let kind = row["kind"].trim_end_matches('?');
            spots.write_record([case, &row["from_mm"], &row["to_mm"], kind, &row["minimum_mm"]]).unwrap();
        }
    }
    println!("{reach:?}");
    assert!(f64::from(reach.inside) >= 0.95 * f64::from(reach.judged) && reach.judged > 900, "{reach:?}");
    assert_eq!(reach.uneven.0, reach.uneven.1, "{reach:?}");
    readings.flush().unwrap();
    spots.flush().unwrap();
    let arguments = [set.to_str().unwrap(), all_readings.to_str().unwrap(), all_spots.to_str().unwrap()];
    let Some(scored) = python("numpy", &set.join("score_lines.py"), &arguments) else { return };
    let said = String::from_utf8_lossy(&scored.stdout);
    println!("{said}");
    assert!(scored.status.success(), "{said}{}", String::from_utf8_lossy(&scored.stderr));
    assert!(said.contains("must 59 of 59"), "{said}");
}

/// A plate without any feature, 20,000 shots of the virtual crawler, calibrated on two blocks as the README shows: no spot, no alarm, and
/// hardly a flag. As many plates as `BACKWALL_PROOF_PLATES` says, one by default, each with a grain and a noise of its own.
#[test]
fn a_sound_wall_has_no_spot() {
    let plates = std::env::var("BACKWALL_PROOF_PLATES").ok().and_then(|count| count.parse().ok()).unwrap_or(1);
    let (mut shots, mut flagged) = (0, 0);
    for seed in 1..=plates {
        let (of_plate, of_those) = sound_plate(&seed.to_string());
        (shots, flagged) = (shots + of_plate, flagged + of_those);
    }
    println!("{shots} shots of {plates} plates: 0 spots, {flagged} flagged");
}

/// Shots of one plate, and how many of them are flagged.
fn sound_plate(seed: &str) -> (usize, usize) {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let demo = std::fs::read_to_string(root().join("demo-stream/wall.toml")).unwrap();
    let (plate, _) = demo.split_once("[[line]]").unwrap();
    let drive = "[[line]]\nname = \"A090\"\ndirection = \"up\"\nstart_mm = 0\n[[line.leg]]\nforward_mm = 2300\nspeed_mm_s = 2.07\n";
    std::fs::write(path("wall.toml"), format!("{plate}{drive}")).unwrap();
    let (job, wall) = (path("sound.job"), path("wall.toml"));
    must(&["new", &job, "--from", "demo-stream/plan.toml"]);
    let mut calibrate: Vec<String> = ["calibrate", &job, "--headless", "--operator", "R. Aldane"].map(str::to_owned).into();
    for (block, option) in [("5", "--at"), ("15", "--at"), ("10", "--verify")] {
        let out = path(&format!("{block}.shots"));
        must(&["simulate", "--wall", &wall, "--block", block, "--seconds", "4", "--seed", seed, "--out", &out]);
        calibrate.extend([option.to_owned(), format!("{block}=file:{out}")]);
    }
    must(&calibrate.iter().map(String::as_str).collect::<Vec<_>>());
    must(&["simulate", "--wall", &wall, "--line", "A090", "--seed", seed, "--out", &path("line.shots")]);
    let stream = format!("file:{}", path("line.shots"));
    let scan = ["scan", &job, "--line", "A090", "--stream", &stream, "--pace", "max", "--headless", "--operator", "R. Aldane"];
    let said = must(&[&scan[..], &["--override-checklist", "a simulated wall has no permit"]].concat());
    assert!(said.contains(" 0 spots"), "{said}");
    let out = path("readings.csv");
    must(&["export", &job, "--format", "csv", "--out", &out]);
    let rows: Vec<Row> = csv::Reader::from_path(out).unwrap().deserialize().map(Result::unwrap).collect();
    let flagged = rows.iter().filter(|row| !row["flags"].is_empty()).count();
    assert!(rows.len() >= 20_000 && flagged * 200 <= rows.len(), "{flagged} of {} flagged", rows.len());
    assert!(rows.iter().all(|row| row["level"] == "CLEAR"));
    (rows.len(), flagged)
}

/// The table of what a scan could not have seen: a wide deep pit is found, as is a wide shallow one that stays above its limit, a narrow deep one that scatters
/// the sound mostly is not, and command, review and report have the same table.
#[test]
fn a_scan_says_what_it_could_not_have_seen() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("demo.job").to_str().unwrap().to_owned();
    must(&["demo", "--headless", "--job", &job]);
    let found: Value = serde_json::from_str(&must(&["assess", &job, "--unseen", "--json"])).unwrap();
    let cells = found["unseen"]["table"]["cells"].as_array().unwrap();
    assert_eq!(cells.len(), 30);
    let share = |width: f64, wanted: f64| {
        let off = |cell: &&Value| (cell["depth_mm"].as_f64().unwrap() - wanted).abs();
        let cell = cells.iter().filter(|cell| cell["width_mm"] == width).min_by(|a, b| off(a).total_cmp(&off(b)));
        let cell = cell.unwrap();
        let part = cell["found"].as_f64().unwrap() / cell["drives"].as_f64().unwrap();
        assert!(cell["from"].as_f64().unwrap() <= part && part <= cell["to"].as_f64().unwrap());
        part
    };
    assert!(share(20.0, 1.0) >= 0.9 && share(20.0, 3.0) >= 0.9 && share(4.0, 99.0) <= 0.5, "{found}");

    // One computation and one wording: the report and the review say the same.
    let mut survey = open_survey(Path::new(&job), SurveyAsk::Unseen(1), None).unwrap();
    let (mut told, mut last) = (0, None);
    while let Some(news) = survey.news.blocking_recv() {
        match news {
            SurveyNews::Unseen { done, of } => {
                assert!(done < of && of == 1200);
                told += 1;
            }
            other => last = Some(other),
        }
    }
    let Some(SurveyNews::UnseenFound(shown)) = last else { panic!("{last:?}") };
    assert!(told > 0 && serde_json::to_value(&*shown).unwrap() == found["unseen"], "{shown:?}");
    let (plain, html) = (folder.path().join("plain.html"), folder.path().join("unseen.html"));
    must(&["report", &job, "--template", "complete", "--out", plain.to_str().unwrap()]);
    must(&["report", &job, "--template", "summary", "--unseen", "--out", html.to_str().unwrap()]);
    let (plain, html) = (std::fs::read_to_string(plain).unwrap(), std::fs::read_to_string(html).unwrap());
    let unit = backwall_units::LengthUnit::Mm;
    for words in [shown.title(), shown.statement(unit), shown.summary(unit), shown.rows(unit)[1][5].clone()] {
        assert!(html.contains(&words), "{words}");
    }
    assert!(html.find("Could not have been seen").unwrap() < html.find("Missing and suspect data").unwrap());
    assert!(!plain.contains("not have been seen") && !plain.contains("not have seen"), "only where it was asked for");
    // Left alone, it ends.
    let survey = open_survey(Path::new(&job), SurveyAsk::Unseen(1), None).unwrap();
    drop(survey.news);
    let refused = open_survey(Path::new(&job), SurveyAsk::Unseen(7), None).unwrap().news.blocking_recv();
    assert!(matches!(&refused, Some(SurveyNews::UnseenFailed(why)) if why == "there is no run 7"), "{refused:?}");
}
