//! One calibration, whoever asks for it: the console's bench and the command line keep the same bytes for the same streams, a bad
//! block is left out and said, and nothing is scanned without one unless that is overridden by name.

use crate::common::*;
use crate::console::bench;
use crate::console::fixture::{NOW, look};
use backwall::console::state::{App, Effect, Event};
use backwall::console::update::update;
use backwall::console::{Glyphs, Step, Theme};
use backwall::live::bench::{Bench, BenchView, Start};
use backwall_simulate::{Crawler, StreamEnd};
use backwall_store::JobFile;
use backwall_survey::job::checklist::Signed;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use std::path::{Path, PathBuf};
use std::sync::Arc;

const BLOCKS: [&str; 5] = ["4", "6", "8", "10", "12.5"];
const FURTHER: &str = "9";

fn new_job(folder: &Path, name: &str) -> PathBuf {
    let job = folder.join(name);
    must(&["new", job.to_str().unwrap(), "--from", "demo-stream/plan.toml"]);
    job
}

fn stored(job: &Path) -> (Vec<u8>, String, usize) {
    let connection = rusqlite::Connection::open(job).unwrap();
    let last = "SELECT CAST(setup_json AS BLOB), origin FROM setup ORDER BY id DESC LIMIT 1";
    let (setup, origin) = connection.query_row(last, [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    let checks: i64 = connection.query_row("SELECT count(*) FROM block_check", [], |row| row.get(0)).unwrap();
    (setup, origin, checks as usize)
}

/// An operator at the console, a probe that really stands on each block typed, and what is kept of it.
struct Desk {
    app: App,
    bench: Bench,
    job: JobFile,
}

impl Desk {
    fn at(path: &Path) -> Self {
        let job = JobFile::open(path).unwrap();
        let contents = job.contents().unwrap();
        let bench = Bench::new(Start::of(&contents, None));
        let by = Signed { name: operator(), certificate: "UT 2, no. 00417".into(), at_us: 0 };
        let mut app = App::new(Step::Calibrate, look(Theme::Dark, Glyphs::Braille), contents, by, NOW);
        update(&mut app, Event::BenchOpened(Arc::new(BenchView::default())));
        Self { app, bench, job }
    }

    fn key(&mut self, code: KeyCode) {
        let effects = update(&mut self.app, Event::Key(KeyEvent::new(code, KeyModifiers::NONE)));
        self.act(effects);
    }

    fn act(&mut self, effects: Vec<Effect>) {
        let writer = self.job.writer();
        for effect in effects {
            match effect {
                Effect::Bench(command) => {
                    self.bench.command(command, NOW);
                    if let Some(fit) = self.bench.fit_job() {
                        self.bench.fitted(fit.run());
                    }
                    let news = update(&mut self.app, Event::Bench(Arc::new(self.bench.view.clone()), NOW));
                    self.act(news);
                }
                Effect::SetSetup { setup, origin, by, checks } => {
                    let setup_id = writer.add_setup(*setup, origin, by).unwrap();
                    for check in checks {
                        writer.add_check(backwall_survey::job::validity::Check { setup_id, ..check }).unwrap();
                    }
                }
                _ => {}
            }
        }
    }

    /// Types what the probe is put on, lets it stand there, and takes it.
    fn put_on(&mut self, key: char, mm: &str) {
        self.key(KeyCode::Char(key));
        mm.chars().for_each(|digit| self.key(KeyCode::Char(digit)));
        while self.app.prompt.is_some() {
            self.key(KeyCode::Enter);
        }
        let mm = mm.parse().unwrap();
        for record in bench::records(Crawler::on_block(&demo_wall(), backwall_units::Length::mm(mm), StreamEnd::Shots(40)).unwrap()) {
            self.bench.record(record, NOW);
        }
        self.key(KeyCode::Enter);
    }
}

#[test]
fn bench_and_command_line_keep_the_same_bytes_for_the_same_streams() {
    let folder = tempfile::tempdir().unwrap();
    let (by_command, by_keys) = (new_job(folder.path(), "command.job"), new_job(folder.path(), "keys.job"));
    let at = |mm: &str| format!("{mm}=file:{}", block(folder.path(), mm, &demo_wall()));
    let mut arguments = vec!["calibrate".to_owned(), by_command.to_str().unwrap().to_owned(), "--headless".to_owned()];
    BLOCKS.iter().for_each(|mm| arguments.extend(["--at".to_owned(), at(mm)]));
    arguments.extend(["--verify".to_owned(), at(FURTHER)]);
    let said = must(&arguments.iter().map(String::as_str).collect::<Vec<_>>());
    assert!(said.contains("verification PASSED") && said.contains("set by the program, since the plan gives none: gate "), "{said}");

    let mut desk = Desk::at(&by_keys);
    BLOCKS.iter().for_each(|mm| desk.put_on('b', mm));
    assert_eq!(desk.bench.view.blocks.len(), BLOCKS.len(), "{:?}", desk.bench.view.said);
    desk.put_on('v', FURTHER);
    desk.job.close().unwrap();

    let (setup, origin, checks) = stored(&by_command);
    let (other, other_origin, other_checks) = stored(&by_keys);
    assert!(setup.len() > 1000 && checks == 1);
    assert_eq!((origin, checks), (other_origin, other_checks));
    assert!(setup == other, "the stored set-ups differ: {}\n{}", String::from_utf8_lossy(&setup), String::from_utf8_lossy(&other));
}

#[test]
fn a_bad_block_is_left_out_with_its_reason_and_the_rest_comes_into_force() {
    let folder = tempfile::tempdir().unwrap();
    let at = |mm: &str| format!("{mm}=file:{}", block(folder.path(), mm, &demo_wall()));
    // One stream is empty, one block's echo lies behind the record.
    std::fs::write(folder.path().join("empty.shots"), b"").unwrap();
    let empty = format!("10=file:{}", folder.path().join("empty.shots").display());
    let far = format!("60=file:{}", block(folder.path(), "60", &demo_wall()));
    for (bad, words) in [(&empty, "brought no shots with a waveform"), (&far, "its echo is due 2")] {
        let job = new_job(folder.path(), &format!("{}.job", &bad[..2]));
        let path = job.to_str().unwrap();
        let (thin, thick) = (at("4"), at("12.5"));
        let all = ["calibrate", path, "--headless", "--at", &thin, "--at", bad, "--at", &thick];
        let said = must(&all);
        assert!(said.contains("LEFT OUT: the ") && said.contains(words), "{said}");
        let contents = JobFile::open_read_only(&job).unwrap().contents().unwrap();
        assert!(contents.is_calibrated() && contents.setups[0].setup.calibration.as_ref().unwrap().points.len() == 2);
        // One of two is too few to go on with.
        let two = new_job(folder.path(), &format!("two{}.job", &bad[..2]));
        let output = run(&["calibrate", two.to_str().unwrap(), "--headless", "--at", &thin, "--at", bad]);
        assert_eq!(output.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&output.stderr).contains(words), "{}", String::from_utf8_lossy(&output.stderr));
        assert!(JobFile::open_read_only(&two).unwrap().contents().unwrap().setups.is_empty());
    }
}

#[test]
fn nothing_is_scanned_without_a_calibration_unless_overridden_by_name_and_reason() {
    let folder = tempfile::tempdir().unwrap();
    let job = new_job(folder.path(), "bare.job");
    let path = job.to_str().unwrap();
    must(&["checklist", path, "--headless", "--answers", "demo-stream/answers.toml", "--sign", operator().as_str()]);
    let scan = ["scan", path, "--line", "C1", "--stream", "file:demo-stream/C1.shots", "--pace", "max", "--headless"];
    let refused = run(&scan);
    assert_eq!(refused.status.code(), Some(1));
    let said = String::from_utf8_lossy(&refused.stderr);
    for words in ["no calibration is in force", "backwall calibrate JOB --at", "--override-checklist REASON"] {
        assert!(said.contains(words), "'{words}' is not said: {said}");
    }
    assert!(must(&["open", path, "--headless"]).contains("stops scanning: no calibration is in force"));
    must(&[&scan[..], &["--override-checklist", "blocks are on the way"]].concat());
    let rows = csv(&job, folder.path());
    assert!(rows.iter().all(|row| row["quality"] != "good"), "nothing uncalibrated is good");
    assert!(rows.iter().filter(|row| !row["thickness_mm"].is_empty()).all(|row| row["flags"].contains("uncalibrated")));
    must(&["verify", path]);
    // Page one says it, with the reason and the name.
    let out = folder.path().join("report.html");
    must(&["report", path, "--template", "complete", "--out", out.to_str().unwrap(), "--issued", "2026-12-01T09:30:00+01:00"]);
    let page = std::fs::read_to_string(&out).unwrap();
    let first = &page[..page.find("Lines scanned").unwrap()];
    for words in ["NO CALIBRATION for 1 of 1 run", "WITHOUT A CALIBRATION in force: blocks are on the way", "OVERRIDDEN by R. Aldane"] {
        assert!(first.contains(words), "'{words}' is not on page one: {first}");
    }
}
