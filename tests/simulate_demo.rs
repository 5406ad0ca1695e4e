//! The bundled demo: its streams are what the wall file gives, its plan and answers are sound, and its walls hold what the
//! README promises.

use backwall::job::{Answer, Checklist, Item, ItemState, Plan, checklist::Signature, checklist::Signed};
use backwall::stream::simulate::{Crawler, End, Sections, Wall};
use std::path::{Path, PathBuf};

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stream").join(name)
}

fn text(path: PathBuf) -> String {
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn wall() -> Wall {
    Wall::parse("wall.toml", &text(demo("wall.toml"))).unwrap_or_else(|error| panic!("{error}"))
}

fn plan() -> Plan {
    Plan::parse("plan.toml", &text(demo("plan.toml"))).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn the_demo_streams_come_back_bit_for_bit() {
    let wall = wall();
    for line in &wall.lines {
        let mut crawler = Crawler::on_line(&wall, &line.name, End::Drive).unwrap();
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
        let along = backwall::units::Length::mm(f64::from(mm));
        let required = limits.required(path.course_at(along)).unwrap();
        let remaining = backwall::units::Length::mm(sections.wall_mm(f64::from(mm), 0.0));
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
    for item in &list.items {
        assert_eq!(list.state(item, &answers), ItemState::Passed, "{}", item.id);
    }
    let signed = [Signature { by, answers: answers.len() }];
    assert!(list.obstacles(&answers, &signed).is_empty());
    assert!(list.items.len() >= 25 && list.items.iter().filter(|item| item.hold).count() >= 10);
    assert_eq!(list.name, plan().job.checklist);
}
