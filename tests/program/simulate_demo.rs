//! The bundled demo: its streams are what the wall file gives, its plan and answers are sound, and its walls hold what the
//! README promises.

use backwall_simulate::{Crawler, Sections, StreamEnd, VirtualWall};
use backwall_stream::cobs;
use backwall_survey::job::checklist::{AnswerValue, Conditions, Filled, Now};
use backwall_survey::job::{Answer, Checklist, Item, ItemState, Plan, checklist::Signature, checklist::Signed};
use backwall_survey::travel::{Moment, Odometer};
use backwall_ultrasound::{Evaluator, Flag, Quality};
use backwall_units::Length;
use std::path::{Path, PathBuf};

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stream").join(name)
}

fn text(path: PathBuf) -> String {
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn wall() -> VirtualWall {
    VirtualWall::parse("wall.toml", &text(demo("wall.toml"))).unwrap_or_else(|error| panic!("{error}"))
}

fn plan() -> Plan {
    Plan::parse("plan.toml", &text(demo("plan.toml"))).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn the_demo_streams_come_back_bit_for_bit() {
    let wall = wall();
    for line in &wall.lines {
        let mut crawler = Crawler::on_line(&wall, &line.name, StreamEnd::Drive).unwrap();
        let mut stream = Vec::new();
        while crawler.next_frame(&mut stream).is_some() {}
        let kept = std::fs::read(demo(&format!("{}.shots", line.name))).unwrap();
        assert!(
            stream == kept,
            "{}.shots is not what wall.toml gives: {} bytes made, {} kept; make it again as demo-stream/README.md says",
            line.name,
            stream.len(),
            kept.len()
        );
    }
}

#[test]
fn the_plan_fits_the_wall_the_probe_and_the_streams() {
    let (plan, wall) = (plan(), wall());
    let setup = plan.typed_setup();
    assert!((setup.zero - wall.zero(wall.steel.block_temperature)).as_ns().abs() < 1.0);
    assert!((setup.velocity.as_m_s() - wall.velocity(wall.steel.block_temperature).as_m_s()).abs() < 0.1);
    assert_eq!(setup.half_separation, wall.probe.half_separation);
    assert_eq!(setup.frequency, wall.probe.frequency);
    assert_eq!(plan.encoder.counts_per_mm, wall.device.counts_per_mm);
    assert_eq!(plan.lines.len(), wall.lines.len());
    for (planned, built) in plan.lines.iter().zip(&wall.lines) {
        assert_eq!((&planned.name, planned.direction, planned.start), (&built.name, built.direction, built.start));
        let driven: f64 = built.legs.iter().map(|leg| leg.forward.map_or(0.0, |f| f.as_mm()) - leg.back.map_or(0.0, |b| b.as_mm())).sum();
        assert_eq!(driven, planned.length.as_mm(), "line {}", planned.name);
    }
    for (planned, built) in plan.asset.courses.iter().zip(&wall.courses) {
        assert_eq!(planned.height, built.height);
        assert!(built.wall < planned.nominal && Some(built.wall) > planned.required);
    }
}

#[test]
fn the_first_thin_spot_comes_within_twenty_seconds_and_every_kind_is_there() {
    let (plan, wall) = (plan(), wall());
    let limits = plan.limits();
    let path = plan.path(&plan.lines[0]);
    let sections = Sections::new(&wall, &wall.lines[0]);
    let mut thin = Vec::new();
    let mut watch = 0;
    for mm in 0..6000 {
        let along = Length::mm(f64::from(mm));
        let required = limits.required(path.course_at(along)).unwrap();
        let remaining = Length::mm(sections.wall_mm(f64::from(mm), 0.0));
        if remaining < required {
            thin.push(mm);
        } else if remaining < required + limits.watch_margin {
            watch += 1;
        }
    }
    let speed = wall.lines[0].legs[0].speed.unwrap().as_mm_s();
    assert!(f64::from(thin[0]) / speed < 20.0, "first thin place at {} mm", thin[0]);
    let stretches = 1 + thin.windows(2).filter(|pair| pair[1] - pair[0] > 100).count();
    assert!(stretches >= 3, "smooth thinning, pits and the upper course: {thin:?}");
    assert!(watch > 100, "{watch} mm to be watched");
}

/// Encoder counts and samples of the shots of a stream.
fn shots(stream: &[u8]) -> Vec<(i32, Vec<i16>)> {
    let frames = stream.split(|byte| *byte == 0).filter(|frame| !frame.is_empty());
    frames
        .map(|frame| {
            let mut body = Vec::new();
            assert!(cobs::decode(frame, &mut body));
            body
        })
        .filter(|body| body[0] == 2)
        .map(|body| {
            let samples = body[19..body.len() - 4].chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]])).collect();
            (i32::from_le_bytes(body[13..17].try_into().unwrap()), samples)
        })
        .collect()
}

#[test]
fn the_demo_reads_as_its_wall_is_and_never_thicker() {
    let (plan, wall) = (plan(), wall());
    let folder = tempfile::tempdir().unwrap();
    let job = crate::common::signed_job(folder.path());
    let setup = backwall_store::JobFile::open_read_only(&job).unwrap().contents().unwrap().setups.pop().unwrap().setup;
    assert!(setup.calibration.is_some() && setup.gate.threshold_pct < 5.0, "{:?}", setup.gate);
    for (planned, built) in plan.lines.iter().zip(&wall.lines) {
        let base = Crawler::on_line(&wall, &built.name, StreamEnd::Drive).unwrap().base();
        let mut evaluator = Evaluator::new(&setup, base).unwrap();
        let mut odometer = Odometer::new(plan.path(planned)).unwrap();
        let moment = Moment { device_us: None, host_us: 0 };
        let sections = Sections::new(&wall, built);
        let (mut read, mut silent, mut ringing, mut grain) = (0, 0, 0, 0);
        for (counts, samples) in shots(&std::fs::read(demo(&format!("{}.shots", built.name))).unwrap()) {
            let x = odometer.place(Some(counts), None, moment).0.along.unwrap().as_mm();
            let measured = evaluator.measure(&samples, plan.wall_temperature());
            let lost = built.losses.iter().any(|loss| x > loss.from.as_mm() + 2.0 && x < loss.to.as_mm() - 2.0);
            let Some(thickness) = measured.thickness.map(Length::as_mm) else {
                silent += 1;
                ringing += i32::from(lost && measured.flags.has(Flag::NoCoupling));
                continue;
            };
            assert!(!lost, "{} at {x} mm: {thickness} mm without contact", built.name);
            read += 1;
            // What stands within the beam: three of its widths to each side.
            let beside: Vec<f64> = (-8..=8)
                .flat_map(|i| (-8..=8).map(move |j| (f64::from(i) / 2.0, f64::from(j) / 2.0)))
                .map(|(dx, dy)| sections.wall_mm(x + dx, dy))
                .collect();
            let reflector = built.reflectors.iter().find(|r| x > r.from.as_mm() - 4.0 && x < r.to.as_mm() + 4.0);
            let least = reflector.map(|r| r.depth.as_mm()).into_iter().chain(beside.iter().copied()).fold(f64::INFINITY, f64::min);
            let most = beside.iter().copied().fold(0.0, f64::max);
            let told = format!("{} at {x} mm: {thickness} mm of {least} to {most}", built.name);
            assert!(thickness < most + 0.1, "{told}");
            // Over the steepest pits next to nothing comes back, and grain may be taken for a wall: poor, and too thin at the worst.
            if measured.quality == Quality::Poor && thickness <= least - 0.1 {
                grain += 1;
                continue;
            }
            assert!(thickness > least - 0.1, "{told}");
        }
        assert!(grain * 500 <= read, "{}: {grain} of {read} are grain", built.name);
        assert!(silent * 10 < read, "{}: {silent} without echo, {read} read", built.name);
        assert!(built.losses.is_empty() || ringing >= 8, "{}: {ringing} told as lost contact", built.name);
    }
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Answers {
    by: By,
    #[serde(rename = "answer")]
    answers: Vec<Given>,
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct By {
    name: String,
    certificate: String,
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Given {
    item: String,
    value: String,
}

#[test]
fn the_demo_answers_pass_every_item_of_the_checklist() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("profiles/checklist/magnetic-crawler.toml");
    let list = Checklist::parse("magnetic-crawler.toml", &text(path)).unwrap_or_else(|error| panic!("{error}"));
    let given: Answers = toml::from_str(&text(demo("answers.toml"))).unwrap();
    let by = Signed { name: given.by.name.clone(), certificate: given.by.certificate.clone(), at_us: 0 };
    assert!(plan().people.iter().any(|person| person.name == by.name && person.certificate.as_ref() == Some(&by.certificate)));
    let answers: Vec<Answer> = given
        .answers
        .iter()
        .map(|given| {
            let item: &Item = list.item(&given.item).unwrap_or_else(|| panic!("no item {}", given.item));
            let value = item.parse(&given.value).unwrap_or_else(|error| panic!("{}: {error}", given.item));
            Answer { item: given.item.clone(), value, note: String::new(), by: by.clone() }
        })
        .collect();
    // The encoder is checked when the demo starts.
    let encoder = Filled { value: AnswerValue::Number(0.1), words: String::new(), at_us: 0 };
    let conditions = Conditions { encoder: Some(encoder), ..Conditions::of(&plan(), Now::default(), &by.name) };
    for item in &list.items {
        assert_eq!(list.state(item, &answers, &conditions), ItemState::Passed, "{}", item.id);
    }
    let signed = [Signature { by, answers: answers.len() }];
    assert!(list.obstacles(&answers, &signed, &conditions).is_empty());
    let asked = [
        "confined-space",
        "h2s",
        "toxic",
        "radiography",
        "rigger",
        "anchor-tag",
        "watcher",
        "ppe",
        "overhead-lines",
        "paint",
        "handling",
        "light",
        "traffic",
        "action-levels",
        "hot-surface",
        "bonding",
        "lel-limit",
        "tyre",
    ];
    assert!(asked.iter().all(|id| list.item(id).is_some()), "{:?}", asked.iter().find(|id| list.item(id).is_none()));
    assert!(list.item("watcher").unwrap().second_person && list.item("action-levels").unwrap().at_thin);
    // 29 CFR 1910.28(c) protects from falling objects: it belongs to the closed area, not to the tether.
    let from = |id: &str| list.item(id).unwrap().reference.clone().unwrap();
    assert!(from("barrier").contains("1910.28(c)") && !from("tether").contains("1910.28(c)"));
    // 12 kg and 0.9 kg of cable hold 4 times their weight off an upright wall: 506.0 N.
    let pull = list.bounds(list.item("pull-test").unwrap(), &answers, &conditions).unwrap();
    assert_eq!(pull.min, Some(506.0), "{pull:?}");
    // The line goes up 6 m: 2 m/s for 1.106 s and 2 m are 4.21 m, given to the next tenth above.
    assert_eq!(list.bounds(list.item("barrier").unwrap(), &answers, &conditions).unwrap().min, Some(4.3));
    assert!(list.items.len() >= 25 && list.items.iter().filter(|item| item.hold).count() >= 10);
    assert_eq!(list.name, plan().job.checklist);
}
