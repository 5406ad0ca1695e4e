//! The simulated cases through the program as it is shipped: a plan without gate and threshold, blocks to a calibration, a run
//! from a stream file, the exported CSV. One default set-up must meet every goal. Goals and figures as in
//! `tests/data/waveforms` (see its README).

use crate::common::{is_for_even_wall_only, must, run};
use backwall_stream::packet;
use backwall_survey::reading::Header;
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Temperature, Time};
use serde_json::Value;
use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};

type Rows = Vec<HashMap<String, String>>;

fn folder() -> PathBuf {
    std::env::var_os("BACKWALL_CASES").map_or_else(|| crate::common::root().join("tests/data/waveforms"), PathBuf::from)
}

fn json(name: &str) -> Value {
    serde_json::from_slice(&fs::read(folder().join(name)).unwrap()).unwrap()
}

fn rows(path: &Path) -> Rows {
    csv::Reader::from_path(path).unwrap().deserialize().map(|row| row.unwrap()).collect()
}

fn number(row: &HashMap<String, String>, key: &str) -> f64 {
    row.get(key).and_then(|text| text.parse().ok()).unwrap_or(f64::NAN)
}

/// Paint, and a wall whose temperature takes the tyre's delay with it, are read echo to echo.
fn mode(name: &str) -> &'static str {
    if name.starts_with("coated") || name.starts_with("hot") { "echo-to-echo" } else { "first-echo" }
}

struct Case {
    facts: Value,
    name: String,
    truth: Rows,
}

impl Case {
    fn shots(&self, key: &str) -> Vec<Vec<i16>> {
        let bytes = fs::read(folder().join(self.facts[key].as_str().unwrap())).unwrap();
        let codes: Vec<i16> = bytes.chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect();
        codes.chunks_exact(self.facts["n_samples"].as_u64().unwrap() as usize).map(<[i16]>::to_vec).collect()
    }

    fn of(&self, key: &str) -> f64 {
        self.facts[key].as_f64().unwrap()
    }

    fn temperature(&self, row: &HashMap<String, String>) -> f64 {
        Some(number(row, "temp_c")).filter(|celsius| celsius.is_finite()).unwrap_or(20.0)
    }

    /// Where a shot was taken, encoder counts: plates were driven over, of all else every shot is a wall of its own.
    fn counts(&self, seq: usize) -> i32 {
        let driven = self.truth[0].contains_key("min_r25_mm").then(|| number(&self.truth[seq], "pos_mm"));
        // 20 mm/s at 40 counts a millimetre, 10 ms apart.
        driven.map_or(seq as i32 * 8, |mm| (mm * 40.0).round() as i32)
    }

    /// A device's packet stream with the wall's temperature in front of every shot.
    fn stream(&self, shots: &[(Vec<i16>, f64)], counts: impl Fn(usize) -> i32) -> Vec<u8> {
        let mut bytes = Vec::new();
        let base = TimeBase {
            rate: Frequency::hz(self.of("fs_hz")),
            first: Time::us(self.of("t_start_us")),
            bits: self.facts["adc_bits"].as_u64().unwrap() as u8,
        };
        let samples = shots[0].0.len() as u16;
        packet::encode_header(&Header { base, samples, device_id: 1, device_name: "simulated cases".into() }, &mut bytes);
        for (seq, (samples, celsius)) in shots.iter().enumerate() {
            let at_us = seq as u64 * 10_000;
            packet::encode_status(at_us, None, Some(Temperature::celsius(*celsius)), &mut bytes);
            // A gain of 0 dB is none sent.
            packet::encode_shot(seq as u32, at_us, counts(seq), Decibel::db(0.0), samples, &mut bytes);
        }
        bytes
    }

    /// What an office would write: nominal, probe, delay; nothing of gate and threshold.
    fn plan(&self) -> String {
        let walls = self.truth.iter().filter(|row| number(row, "valid") != 0.0).map(|row| number(row, "thickness_mm"));
        let nominal = walls.filter(|mm| mm.is_finite()).fold(0.0, f64::max).round();
        let demo = fs::read_to_string(crate::common::root().join("tests/data/plan.toml")).unwrap();
        let swaps = [
            ("nominal_mm = 10.0".to_owned(), format!("nominal_mm = {nominal:.1}")),
            ("required_mm = 6.2".to_owned(), format!("required_mm = {:.1}", 0.5 * nominal)),
            ("element_separation_mm = 5.0".to_owned(), format!("element_separation_mm = {}", 2.0 * self.of("element_half_separation_mm"))),
            ("frequency_mhz = 5.0".to_owned(), format!("frequency_mhz = {:?}", self.of("nominal_frequency_mhz"))),
            ("velocity_m_s = 5920.0".to_owned(), format!("velocity_m_s = {:?}", self.of("velocity_mps_at_20c"))),
            ("zero_ns = 12000.0".to_owned(), format!("zero_ns = {:?}", 1000.0 * self.of("probe_delay_nominal_us"))),
            ("mode = \"first-echo\"".to_owned(), format!("mode = \"{}\"", mode(&self.name))),
        ];
        let plan = swaps.iter().fold(demo, |plan, (from, to)| {
            assert!(plan.contains(from), "{from}");
            plan.replace(from, to)
        });
        assert!(!plan.contains("gate_"), "the plan leaves the gate to the program");
        plan
    }

    /// Readings in mm as exported, NaN where there is none, half of U where there is one, quality and flags.
    fn read(&self, calibrated: bool) -> Vec<(f64, f64, String, String)> {
        let folder = tempfile::tempdir().unwrap();
        let file = |name: &str| folder.path().join(name);
        let (job, out) = (file("case.job"), file("readings.csv"));
        let (job, out) = (job.to_str().unwrap(), out.to_str().unwrap());
        fs::write(file("plan.toml"), self.plan()).unwrap();
        must(&["new", job, "--from", file("plan.toml").to_str().unwrap()]);
        if calibrated {
            let mut blocks: BTreeMap<i64, Vec<(Vec<i16>, f64)>> = BTreeMap::new();
            let truth = rows(&self::folder().join(self.facts["truth_cal"].as_str().unwrap()));
            for (row, shot) in truth.iter().zip(self.shots("waveforms_cal")) {
                blocks.entry((number(row, "thickness_mm") * 1000.0).round() as i64).or_default().push((shot, self.temperature(row)));
            }
            let mut arguments = vec!["calibrate".to_owned(), job.to_owned(), "--headless".to_owned()];
            for (micrometres, shots) in blocks {
                // The few records of a block, again and again: a probe that is held still.
                let held: Vec<_> = shots.iter().cycle().take(32).cloned().collect();
                let path = file(&format!("block{micrometres}.shots"));
                fs::write(&path, self.stream(&held, |_| 0)).unwrap();
                arguments.extend(["--at".to_owned(), format!("{}=file:{}", micrometres as f64 / 1000.0, path.display())]);
            }
            let said = must(&arguments.iter().map(String::as_str).collect::<Vec<_>>());
            if mode(&self.name) == "echo-to-echo" {
                assert!(said.contains("LEFT OUT: the 20.000 mm block was NOT TAKEN") && said.contains("its second echo is due"), "{said}");
            }
            assert!(said.contains("set by the program, since the plan gives none: gate "), "{said}");
        }
        let shots: Vec<_> = self.shots("waveforms").into_iter().zip(&self.truth).map(|(shot, row)| (shot, self.temperature(row))).collect();
        fs::write(file("run.shots"), self.stream(&shots, |seq| self.counts(seq))).unwrap();
        let stream = format!("file:{}", file("run.shots").display());
        let scan = ["scan", job, "--line", "A090", "--stream", &stream, "--pace", "max", "--headless", "--override-checklist", "simulated"];
        must(&scan);
        must(&["export", job, "--format", "csv", "--out", out]);
        let read = rows(Path::new(out));
        assert_eq!(read.len(), shots.len(), "{}", self.name);
        let one = |row: &HashMap<String, String>| {
            (number(row, "thickness_mm"), 0.5 * number(row, "uncertainty_k2_mm"), row["quality"].clone(), row["flags"].clone())
        };
        read.iter().map(one).collect()
    }
}

fn cases() -> Vec<Case> {
    let manifest = json("manifest.json");
    let of = |facts: &Value| Case {
        name: facts["name"].as_str().unwrap().to_owned(),
        truth: rows(&folder().join(facts["truth"].as_str().unwrap())),
        facts: facts.clone(),
    };
    manifest["cases"].as_array().unwrap().iter().map(of).collect()
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// The figures of the goals: a reading more than 0.5 mm off is a wrong echo, one without coupling a false reading.
fn score(case: &Case, got: &[f64]) -> BTreeMap<&'static str, f64> {
    let column = |key: &str| -> Vec<f64> { case.truth.iter().map(|row| number(row, key)).collect() };
    let share = |part: usize, of: usize| part as f64 / of.max(1) as f64;
    if case.truth[0].contains_key("min_r25_mm") {
        let (centre, near, low, high, flat) =
            (column("thickness_mm"), column("min_r05_mm"), column("min_r25_mm"), column("max_r25_mm"), column("flat_footprint"));
        let mut flats: Vec<f64> = centre.iter().zip(&flat).filter(|(_, f)| **f == 1.0).map(|(c, _)| *c).collect();
        flats.sort_by(f64::total_cmp);
        let nominal = flats[flats.len() / 2];
        let all = || 0..got.len();
        let read = got.iter().filter(|g| g.is_finite()).count();
        let errors: Vec<f64> = all().filter(|i| flat[*i] == 1.0 && got[*i].is_finite()).map(|i| got[i] - centre[i]).collect();
        let pits: Vec<usize> = all().filter(|i| near[*i] < nominal - 1.0).collect();
        let seen = pits.iter().filter(|i| got[**i] <= 0.5 * (nominal + near[**i])).count();
        return BTreeMap::from([
            ("missed", share(got.len() - read, got.len())),
            ("flat_bias_mm", mean(&errors)),
            ("flat_rms_mm", rms(&errors)),
            ("inside_footprint", share(all().filter(|i| got[*i] >= low[*i] - 0.3 && got[*i] <= high[*i] + 0.3).count(), read)),
            ("too_thin", share(all().filter(|i| got[*i] < low[*i] - 0.3).count(), read)),
            ("pit_seen", share(seen, pits.len())),
        ]);
    }
    let (mut judged, mut missed, mut wrong, mut uncoupled, mut falsely) = (0, 0, 0, 0, 0);
    let mut errors: Vec<(f64, f64)> = Vec::new();
    for (row, got) in case.truth.iter().zip(got) {
        let expect = row.get("expect").map_or("wall", String::as_str);
        if number(row, "valid") != 1.0 {
            uncoupled += 1;
            falsely += usize::from(got.is_finite());
        } else if expect != "either" {
            let want = number(row, if expect == "lamination" { "min_footprint_mm" } else { "thickness_mm" });
            judged += 1;
            missed += usize::from(got.is_nan());
            wrong += usize::from((got - want).abs() > 0.5);
            errors.extend(((got - want).abs() <= 0.5).then_some((want, got - want)));
        }
    }
    let mut steps: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    for (want, error) in &errors {
        steps.entry((want * 10.0).round() as i64).or_default().push(*error);
    }
    let all: Vec<f64> = errors.iter().map(|(_, error)| *error).collect();
    let worst = steps.values().filter(|step| step.len() >= 8).map(|step| mean(step).abs()).fold(f64::NAN, f64::max);
    BTreeMap::from([
        ("missed", share(missed, judged)),
        ("wrong_echo", share(wrong, judged)),
        ("false_reading", share(falsely, uncoupled)),
        ("bias_mm", mean(&all)),
        ("rms_mm", rms(&all)),
        ("worst_step_bias_mm", worst),
    ])
}

#[test]
fn one_default_set_up_meets_every_goal_through_the_program_s_own_commands() {
    let goals = json("goals.json");
    let (mut met, mut failed) = (0, Vec::new());
    let readings = std::thread::scope(|scope| {
        let cases = cases();
        let jobs: Vec<_> = cases.into_iter().map(|case| scope.spawn(move || (case.read(true), case))).collect();
        jobs.into_iter().map(|job| job.join().unwrap()).collect::<Vec<_>>()
    });
    for (read, case) in readings {
        let got: Vec<f64> = read.iter().map(|(mm, ..)| *mm).collect();
        if case.truth[0].contains_key("min_r25_mm") {
            // U speaks for the least wall within 1.5 mm: where the wall there is not even, it holds or the reading says that it does not.
            let shown = read.iter().zip(&case.truth).filter(|((mm, .., flags), _)| mm.is_finite() && !is_for_even_wall_only(flags));
            let reaches = shown.map(|((mm, u, ..), row)| mm - number(row, "min_footprint_mm") <= 2.0 * u).collect::<Vec<_>>();
            let inside = reaches.iter().filter(|reaches| **reaches).count();
            println!("{}: U of {inside} of {} reaches the least wall within 1.5 mm", case.name, reaches.len());
            assert!(inside * 100 >= reaches.len() * 95 && reaches.len() >= 8, "{}: {inside} of {}", case.name, reaches.len());
        }
        let score = score(&case, &got);
        println!("{:<16} {score:.4?}", case.name);
        for (key, limit) in goals[&case.name]["must"].as_object().unwrap() {
            let (value, limit) = (score[key.as_str()], limit.as_f64().unwrap());
            let more_is_better = ["inside_footprint", "pit_seen"].contains(&key.as_str());
            let holds = if more_is_better { value >= limit } else { value.abs() <= limit };
            if holds { met += 1 } else { failed.push(format!("{}: {key} {value:.4}, limit {limit}", case.name)) }
        }
    }
    println!("{met} of {} limits met", met + failed.len());
    assert!(failed.is_empty(), "{failed:#?}");
    assert!(met > 50, "{met}");
}

/// Without a calibration the same job is refused, and overridden nothing in it is good.
#[test]
fn without_a_calibration_nothing_is_good_and_u_holds_what_the_drawing_does_not_know() {
    for case in cases().into_iter().filter(|case| ["waves_wedge", "waves_pitted"].contains(&case.name.as_str())) {
        let read = case.read(false);
        let even = |row: &HashMap<String, String>| row.get("flat_footprint").is_none_or(|flat| flat == "1") && number(row, "valid") != 0.0;
        let (mut judged, mut inside) = (0, 0);
        for ((mm, u, quality, _), row) in read.iter().zip(&case.truth) {
            assert_ne!(quality, "good", "{}", case.name);
            if even(row) && mm.is_finite() {
                judged += 1;
                inside += usize::from((mm - number(row, "thickness_mm")).abs() <= 2.0 * u);
            }
        }
        println!("{}: {inside} of {judged}", case.name);
        assert!(judged > 8 && inside * 100 >= judged * 95, "{}: {inside} of {judged}", case.name);
    }
}

#[test]
fn a_plan_without_gate_and_threshold_is_all_a_job_needs_and_the_plan_s_own_count_where_it_has_them() {
    let folder = tempfile::tempdir().unwrap();
    let job = crate::common::signed_job(folder.path());
    let contents = backwall_store::JobFile::open_read_only(&job).unwrap().contents().unwrap();
    let entry = contents.setups.last().unwrap();
    assert!(entry.setup.gate.threshold_pct <= 3.0, "{:?}", entry.setup.gate);
    assert!(
        entry.origin.to_string().contains("set by the program, since the plan gives none: gate ")
            && entry.origin.to_string().contains("threshold"),
        "{}",
        entry.origin
    );

    let plan = fs::read_to_string(crate::common::root().join("demo-stream/plan.toml")).unwrap();
    let given = folder.path().join("given.toml");
    fs::write(&given, plan.replace("[setup]\n", "[setup]\ngate_start_us = 6.3\ngate_length_us = 6.2\ngate_threshold_pct = 15.0\n"))
        .unwrap();
    let job = folder.path().join("given.job");
    must(&["new", job.to_str().unwrap(), "--from", given.to_str().unwrap()]);
    crate::common::calibrate(&job);
    let contents = backwall_store::JobFile::open_read_only(&job).unwrap().contents().unwrap();
    let (gate, origin) = (contents.setups.last().unwrap().setup.gate, &contents.setups.last().unwrap().origin);
    assert_eq!((gate.start.as_us(), gate.length.as_us(), gate.threshold_pct), (6.3, 6.2, 15.0));
    assert!(!origin.to_string().contains("set by the program"), "{origin}");
    assert!(
        run(&["scan", job.to_str().unwrap(), "--line", "C1", "--stream", "file:demo-stream/C1.shots", "--headless"]).status.code()
            == Some(1)
    );
}
