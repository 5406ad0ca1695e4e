//! A first day by keys alone, in a terminal of 80 by 24: from an empty folder over plan, checklist, calibration on blocks and a run to the
//! written report. Every key is looked for on the screen before it is pressed, and what is typed for a plan is what the screen gives as an
//! example; the device has the probe that these examples describe.
#![cfg(unix)]

use crate::common::*;
use crate::terminal::Terminal;
use backwall_simulate::wall::{Leg, VirtualWall};
use backwall_simulate::{Crawler, StreamEnd};
use backwall_store::{JobFile, RunState};
use backwall_survey::job::checklist::{Checklist, ItemKind};
use backwall_units::{Length, Speed, Time};
use std::collections::HashMap;
use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// A person at the keys who presses only what stands on the screen.
struct Hands {
    terminal: Terminal,
}

/// What is sent for a key as the screen names it.
fn sent(shown: &str) -> &str {
    match shown {
        "Enter" => "\r",
        "Tab" => "\t",
        "Esc" => "\x1b",
        "↑↓" => "\x1b[B",
        key if key.chars().count() == 1 => key,
        other => panic!("no key is called {other}"),
    }
}

impl Hands {
    fn see(&self, what: &str, is_there: impl Fn(&str) -> bool) -> String {
        let since = Instant::now();
        loop {
            let text = self.terminal.text();
            if is_there(&text) {
                return text;
            }
            assert!(since.elapsed() < Duration::from_secs(20), "{what} never came; the screen shows:\n{text}");
            std::thread::sleep(Duration::from_millis(4));
        }
    }

    fn wait_for(&self, words: &str) -> String {
        self.see(words, |text| text.contains(words))
    }

    /// Presses a key that the bottom line names with these words.
    fn press(&mut self, key: &str, label: &str) {
        let shown = format!("{key} {label}");
        self.see(&format!("the key '{shown}'"), |text| bottom(text).contains(&shown));
        self.terminal.write(sent(key));
    }

    fn types(&mut self, text: &str) {
        self.terminal.write(text);
    }
}

fn bottom(text: &str) -> &str {
    text.lines().last().unwrap_or_default()
}

/// What a device's probe does.
#[derive(Clone, Copy)]
enum Does {
    StandsOn(f64),
    /// So far along the first line of the wall, at this speed in mm/s; then it stands.
    Drives(f64, f64),
}

/// A device; whoever connects gets what its probe does, from its beginning, and what it does next.
#[derive(Clone)]
struct Device {
    does: Arc<Mutex<(u32, Does)>>,
}

impl Device {
    fn start() -> (Self, String) {
        let device = Self { does: Arc::new(Mutex::new((0, Does::StandsOn(4.0)))) };
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let at = format!("tcp:{}", listener.local_addr().unwrap());
        let serving = device.clone();
        std::thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                let device = serving.clone();
                std::thread::spawn(move || device.serve(client));
            }
        });
        (device, at)
    }

    fn serve(&self, mut client: TcpStream) {
        let wall = wall_of_the_examples();
        let (mut at, mut does) = *self.does.lock().unwrap();
        let mut crawler = does.crawler(&wall);
        let mut frames = Vec::new();
        loop {
            let now = *self.does.lock().unwrap();
            if now.0 != at {
                (at, does) = now;
                crawler = does.crawler(&wall);
            }
            frames.clear();
            crawler.next_frame(&mut frames);
            if client.write_all(&frames).is_err() {
                return;
            }
            // No faster than a busy machine can read: what waits in between is of the block before.
            std::thread::sleep(Duration::from_millis(8));
        }
    }

    fn now(&self, what: Does) {
        let mut does = self.does.lock().unwrap();
        *does = (does.0 + 1, what);
    }
}

/// The demo's wall under a probe with a longer tyre: the plan's example of a zero is 12 µs, and the record begins as much later.
fn wall_of_the_examples() -> VirtualWall {
    let mut wall = demo_wall();
    let later = Time::us(12.0) - wall.zero(wall.steel.block_temperature);
    (wall.probe.delay, wall.receiver.first) = (wall.probe.delay + later, wall.receiver.first + later);
    wall
}

impl Does {
    fn crawler(self, wall: &VirtualWall) -> Crawler {
        match self {
            Self::StandsOn(mm) => Crawler::on_block(wall, Length::mm(mm), StreamEnd::Never).unwrap(),
            Self::Drives(mm, speed) => {
                let way = Leg { forward: Some(Length::mm(mm)), speed: Some(Speed::mm_s(speed)), ..Leg::default() };
                let rest = Leg { pause_s: Some(1e6), ..Leg::default() };
                let mut wall = wall.clone();
                wall.lines[0].legs = vec![way, rest];
                let name = wall.lines[0].name.clone();
                Crawler::on_line(&wall, &name, StreamEnd::Never).unwrap()
            }
        }
    }
}

/// What the form gives as an example of the key under the cursor.
fn example(text: &str) -> String {
    let joined = text.lines().map(str::trim).collect::<Vec<_>>().join(" ");
    let after = joined.rsplit_once(", as ").unwrap_or_else(|| panic!("no example:\n{text}")).1;
    let end = after.find("; left out:").or_else(|| after.find(". ")).unwrap_or_else(|| panic!("no end of the example:\n{text}"));
    after[..end].to_owned()
}

/// Fills in the plan, key after key that must be typed.
fn make_plan(hands: &mut Hands) {
    for _ in 0..60 {
        let text = hands.see("the form", |text| text.contains("a new plan") && bottom(text).contains("Enter type"));
        if text.contains("no mistakes") {
            break;
        }
        let is_on_one = |text: &str| text.lines().any(|line| line.starts_with('›') && line.contains("must be typed"));
        if !is_on_one(&text) {
            hands.press("m", "mistake");
        }
        let text = hands.see("a key to be typed", is_on_one);
        let mistakes = |text: &str| text.lines().find(|line| line.contains("a new plan")).map(str::to_owned);
        let (before, example) = (mistakes(&text), example(&text));
        hands.press("Enter", "type");
        let text = hands.see("the value", |text| bottom(text).contains("Enter keep"));
        if !bottom(&text).contains("< ") {
            hands.types(&example);
        }
        hands.press("Enter", "keep");
        hands.see("the next mistake", |text| mistakes(text).is_some() && mistakes(text) != before);
    }
    hands.wait_for("to scan: 2.000 m in 1 line");
    hands.press("k", "keep");
}

/// Answers every item with the demo's answers, and signs.
fn answer(hands: &mut Hands) {
    let list = std::fs::read_to_string(root().join("profiles/checklist/magnetic-crawler.toml")).unwrap();
    let list = Checklist::parse("magnetic-crawler", &list).unwrap();
    let answers: toml::Table = toml::from_str(&std::fs::read_to_string(root().join("demo-stream/answers.toml")).unwrap()).unwrap();
    let answers: HashMap<&str, &str> = answers["answer"]
        .as_array()
        .unwrap()
        .iter()
        .map(|answer| (answer["item"].as_str().unwrap(), answer["value"].as_str().unwrap()))
        .collect();
    for item in list.items.iter().filter(|item| item.filled_by.is_none()) {
        let value = answers.get(item.id.as_str()).unwrap_or_else(|| panic!("no answer to {}", item.id));
        // Its first words stand on one line.
        let asked: Vec<&str> = item.ask.split(' ').take(2).collect();
        hands.wait_for(&asked.join(" "));
        match &item.kind {
            ItemKind::Confirm => hands.press("y", "yes"),
            ItemKind::Choice { choices, .. } => {
                let at = choices.iter().position(|choice| choice == value).unwrap_or_else(|| panic!("{} is no {value}", item.id));
                (0..at).for_each(|_| hands.press("↑↓", "move"));
                hands.press("Enter", "choose");
            }
            ItemKind::Number { .. } | ItemKind::Text => {
                hands.press("Enter", "choose");
                hands.see("the answer", |text| bottom(text).contains("Enter keep"));
                hands.types(value);
                hands.press("Enter", "keep");
            }
        }
    }
    hands.press("s", "sign");
    hands.wait_for("Sign ");
    hands.press("Enter", "keep");
    hands.types("UT 2, no. 00417");
    hands.press("Enter", "keep");
    hands.wait_for("signed by");
}

/// Puts the probe on a block and takes it once it is steady.
fn on_block(hands: &mut Hands, device: &Device, (key, label): (&str, &str), mm: f64, fields: usize, taken: &str) {
    device.now(Does::StandsOn(mm));
    hands.press(key, label);
    hands.wait_for("true thickness");
    hands.types(&format!("{mm}"));
    hands.press("Enter", "keep");
    // The serial is proposed from the second block on.
    if !hands.wait_for("block serial").contains("SB-4") {
        hands.types("SB-4");
    }
    (1..fields).for_each(|_| hands.press("Enter", "keep"));
    hands.wait_for("STEADY, Enter takes it");
    hands.press("Enter", "take");
    hands.wait_for(taken);
}

/// The encoder over a distance, three blocks, and a fourth to verify on.
fn calibrate(hands: &mut Hands, device: &Device) {
    hands.press("Tab", "next step");
    hands.press("d", "distance");
    hands.wait_for("encoder over:");
    hands.types("500");
    hands.press("Enter", "keep");
    hands.wait_for("Enter marks it");
    hands.wait_for("echo ");
    hands.press("Enter", "take");
    hands.wait_for("0 counts, 0.0 mm");
    device.now(Does::Drives(500.0, 200.0));
    hands.see("the end of the distance", |text| ["499.9", "500.0", "500.1"].iter().any(|mm| text.contains(&format!("{mm} mm by"))));
    hands.press("Enter", "take");
    hands.see("the encoder's scale", |text| !text.contains("DISTANCE 500 mm"));
    for mm in [4.0, 10.0, 12.5] {
        on_block(hands, device, ("b", "block"), mm, 3, &format!("taken: {mm:.3} mm"));
    }
    hands.wait_for("3 blocks: velocity and zero are solved");
    on_block(hands, device, ("v", "verify"), 8.0, 4, "verification PASSED");
}

fn scan(hands: &mut Hands, device: &Device) {
    device.now(Does::Drives(300.0, 50.0));
    hands.press("Tab", "next step");
    hands.press("s", "start run");
    hands.wait_for("Start this run?");
    hands.press("Enter", "start");
    hands.see("the end of the drive", |text| text.contains("REC saved 0.29") || text.contains("REC saved 0.30"));
    hands.press("e", "end run");
    hands.press("y", "yes");
    hands.wait_for("ENDED");
}

#[test]
fn from_an_empty_folder_to_a_written_report_with_keys_that_the_screen_shows() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("tk7.job");
    let path = job.to_str().unwrap();
    let mut hands = Hands { terminal: Terminal::open(&["new", path], 24, 80, folder.path()) };
    make_plan(&mut hands);
    assert_eq!(hands.terminal.exit(Duration::from_secs(10)), 0, "{}", hands.terminal.text());
    hands.see("what comes next", |text| text.split_whitespace().collect::<String>().contains(&format!("next:backwallopen{path}")));

    let (device, stream) = Device::start();
    let mut hands = Hands { terminal: Terminal::open(&["open", path, "--stream", &stream], 24, 80, folder.path()) };
    answer(&mut hands);
    calibrate(&mut hands, &device);
    scan(&mut hands, &device);
    hands.press("Esc", "back");
    hands.press("Tab", "next step");
    hands.press("w", "report");
    hands.wait_for("report written: tk7.pdf");
    hands.press("q", "quit");
    assert_eq!(hands.terminal.exit(Duration::from_secs(10)), 0, "{}", hands.terminal.text());

    let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
    let run = &contents.runs[0];
    assert_eq!((contents.runs.len(), run.state, run.start.line.as_str()), (1, RunState::Closed, "A090"));
    assert!(run.readings > 50 && contents.signatures.len() == 1, "{run:?}");
    // Nothing was overridden, and what was found on the blocks is the probe that stood on them.
    assert_eq!(run.start.checklist_override, None);
    let calibration = contents.setup_in_force().and_then(|entry| entry.setup.calibration.clone()).unwrap();
    assert!((calibration.zero - Time::us(12.0)).abs() < Time::ns(20.0), "{:?}", calibration.zero);
    assert!(contents.checks.len() == 1 && contents.checks[0].passed() && contents.encoder_checks.len() == 1, "{:?}", contents.checks);
    let report = std::fs::read(folder.path().join("tk7.pdf")).unwrap();
    assert!(report.starts_with(b"%PDF-1.7") && report.len() > 20_000, "{} B", report.len());
}
