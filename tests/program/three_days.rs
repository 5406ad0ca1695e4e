//! A job over three days and two shifts: a checklist that runs out overnight, a run that broke off and goes on, a swapped probe, a line
//! that is added, a grid read by hand, and its reports. The first day goes by the computer's clock; the later ones hand their time to the
//! functions that are otherwise given the clock's.

use crate::common::*;
use crate::console_start::broken_off;
use backwall::live::{Begin, ContinuesRun, ScanOrder, ScanRequest};
use backwall::session::{amend, runtime};
use backwall_store::{JobFile, RunState};
use backwall_stream::feed::SourceOptions;
use backwall_stream::profile::Profile;
use backwall_stream::spec::Pace;
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::hand::{GridPoint, HandGauge, HandPlace, HandReading};
use backwall_survey::job::statement::{Part, Revision, SignOff, SignOn, Swap};
use backwall_survey::job::validity::Check;
use backwall_survey::job::{Plan, Said, Statement};
use backwall_units::{Length, Temperature};

const HOUR: i64 = 3_600_000_000;
const DAY: i64 = 24 * HOUR;

struct Job {
    file: JobFile,
    runtime: tokio::runtime::Runtime,
    /// Who is at the keys, and what their clock shows.
    by: Signed,
}

impl Job {
    fn says(&self, said: Said, reason: &str) {
        amend::state(&self.file, Statement { id: 0, said, reason: reason.to_owned(), by: self.by.clone() }).unwrap();
    }

    /// A run to the end of its stream, or why none may start.
    fn scan(&self, begin: &Begin) -> Result<i64, String> {
        let contents = self.file.contents().unwrap();
        let order = ScanOrder {
            begin,
            spec: "file:demo-stream/A120.shots".parse().unwrap(),
            profiles: vec![(Profile::load("open-packet").unwrap(), None)],
            options: SourceOptions { pace: Pace::Max, record: None },
            operator: &self.by.name,
            now_us: self.by.at_us,
        };
        let request = ScanRequest::new(&contents, order).map_err(|error| error.to_string())?;
        let summary = self.runtime.block_on(async {
            let scan = backwall::live::start(&self.file.writer(), &self.file.saved(), request).unwrap().remove(0);
            scan.task.await.unwrap().unwrap()
        });
        Ok(summary.id)
    }

    /// Every item answered anew as it was, and signed.
    fn answer_again(&self) {
        let contents = self.file.contents().unwrap();
        let known: Vec<_> = contents.checklist.items.iter().filter_map(|item| contents.checklist.answer(item, &contents.answers)).collect();
        for answer in known {
            self.file.writer().answer(Answer { by: self.by.clone(), ..answer.clone() }).unwrap();
        }
        let answers = self.file.contents().unwrap().answers.len();
        self.file.writer().sign(Signature { by: self.by.clone(), answers }).unwrap();
    }

    /// The set-up that was found before, as if the new part gave the same, and a block that verifies it.
    fn calibrate_again(&self) {
        let setup = self.file.contents().unwrap().setups.last().unwrap().setup.clone();
        self.file.writer().add_setup(setup, "blocks SB-22".into(), self.by.clone()).unwrap();
        self.verify_on_a_block();
    }

    fn verify_on_a_block(&self) {
        let setup_id = self.file.contents().unwrap().setup_in_force().unwrap().id;
        let truth = Length::mm(10.0);
        let (spread, tolerance, temperature) = (Length::mm(0.002), Length::mm(0.1), Temperature::celsius(18.0));
        let block = "SB-22".to_owned();
        let check = Check { setup_id, block, truth, measured: Some(truth), spread, shots: 32, tolerance, temperature, by: self.by.clone() };
        self.file.writer().add_check(check).unwrap();
    }
}

#[test]
fn a_job_over_three_days_and_two_shifts() {
    let folder = tempfile::tempdir().unwrap();
    let path = broken_off(folder.path());
    let file = JobFile::open(&path).unwrap();
    let began = file.contents().unwrap().runs[0].start.started_us;
    let first = Signed { name: "R. Aldane".into(), certificate: "UT 2, no. 00417".into(), at_us: began - HOUR };
    let second = Signed { name: "B. Other".into(), certificate: "UT 2, no. 00533".into(), at_us: 0 };
    let mut job = Job { file, runtime: runtime().unwrap(), by: first.clone() };

    // The first day: a shift, and a run whose stream broke off.
    job.says(Said::SignOn(SignOn { crew: vec!["M. Tesk".into()], weather: "dry, 3 m/s".into(), gas: "0 % LEL".into() }), "");
    job.by.at_us = began + 2 * HOUR;
    job.says(Said::SignOff(SignOff { handover: "A120 broke off, cable out".into() }), "");

    // The second day, the other shift: what was answered has run out.
    // At noon of the site's clock (the plan's zone is UTC), so that no day ends while the test's hours pass.
    let second_day = (began / DAY + 1) * DAY + 12 * HOUR;
    job.by = Signed { at_us: second_day, ..second.clone() };
    job.says(Said::SignOn(SignOn { weather: "dry, 5 m/s".into(), gas: "0 % LEL".into(), ..SignOn::default() }), "");
    let last = job.file.reader().unwrap().last_place(1).unwrap();
    let goes_on = ContinuesRun { from: 1, reason: "cable mended".into(), by: job.by.clone() };
    let begin = Begin::continuing(&job.file.contents().unwrap(), goes_on, last).unwrap();
    let why = job.scan(&begin).unwrap_err();
    assert!(why.contains("Wind at the height") && why.contains("ran out, answer again"), "{why}");
    job.answer_again();
    // Nor does the calibration of the day before hold by itself.
    let why = job.scan(&begin).unwrap_err();
    assert!(why.contains("the calibration was verified") && why.contains(" h ago") && !why.contains("ran out"), "{why}");
    job.verify_on_a_block();
    assert_eq!(job.scan(&begin), Ok(2));
    job.says(Said::Join { run: 2, with: 1 }, "cable mended");
    // A probe that is changed is calibrated anew before anything is read with it.
    job.by.at_us += HOUR / 2;
    job.says(Said::Swap(Swap { part: Part::Probe, was: "DW-118".into(), serial: "DW-204".into() }), "tyre cut at a seam");
    let why = job.scan(&Begin::on("A120")).unwrap_err();
    assert!(why.contains("the probe was changed"), "{why}");
    job.calibrate_again();
    assert_eq!(job.scan(&Begin::on("A120")), Ok(3));
    job.says(Said::SignOff(SignOff { handover: "probe DW-204 is on".into() }), "");

    // The third day, the first shift again: a line more, and a grid by hand.
    job.by = Signed { at_us: second_day + DAY, ..first.clone() };
    job.says(Said::SignOn(SignOn { gas: "0 % LEL".into(), ..SignOn::default() }), "");
    let plan = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    let line = "[[line]]\nname = \"A150\"\nazimuth_deg = 150.0\nstart_mm = 2000\nlength_mm = 2000\ndirection = \"down\"\n";
    let text = format!("{plan}\n{line}");
    let plan = Plan::parse("plan.toml", &text).unwrap();
    job.says(Said::Plan(Box::new(Revision { text, plan })), "the client asks for a line beside the spot");
    assert!(job.scan(&Begin::on("A150")).unwrap_err().contains("ran out, answer again"));
    job.answer_again();
    job.verify_on_a_block();
    assert_eq!(job.scan(&Begin::on("A150")), Ok(4));
    for (point, mm) in [("A1", 8.9), ("A2", 8.8), ("B1", 8.7), ("B2", 8.6)] {
        let reading = HandReading {
            place: Some(HandPlace::Line { line: "A150".into(), along: Length::mm(1000.0) }),
            values: vec![Length::mm(mm)],
            gauge: HandGauge::default(),
            proof: None,
            grid: Some(GridPoint { grid: "G1".into(), point: point.into() }),
            inspection_point: None,
        };
        job.says(Said::HandReading(Box::new(reading)), "");
    }
    job.by.at_us += HOUR / 2;
    job.says(Said::SignOff(SignOff { handover: "grid G1 is read".into() }), "");
    let third_day = job.by.at_us;
    // A night shift after it, over midnight of the site's clock (the plan's zone is UTC).
    let midnight = (third_day / DAY + 2) * DAY;
    job.by.at_us = midnight - 2 * HOUR;
    job.says(Said::SignOn(SignOn { weather: "dark".into(), gas: "0 % LEL".into(), ..SignOn::default() }), "");
    job.by.at_us = midnight + 6 * HOUR;
    job.says(Said::SignOff(SignOff { handover: "the night was quiet".into() }), "");
    let contents = job.file.contents().unwrap();
    job.file.close().unwrap();

    assert_eq!(contents.runs.iter().map(|run| run.state).collect::<Vec<_>>(), [RunState::Closed; 4]);
    assert_eq!(contents.force.runs[&2].joined_to, Some(1));
    assert!(contents.runs[2].start.setup_id > contents.runs[1].start.setup_id, "the new probe has its own set-up");
    must(&["verify", path.to_str().unwrap()]);
    let html = |options: &[&str]| {
        let out = folder.path().join("r.html");
        must(&[&["report", path.to_str().unwrap(), "--out", out.to_str().unwrap()], options].concat());
        std::fs::read_to_string(out).unwrap()
    };
    let whole = html(&[]);
    for words in ["cable mended", "DW-204", "tyre cut at a seam", "A150", "B. Other", "probe DW-204 is on", "G1"] {
        assert!(whole.contains(words), "the report does not say '{words}'");
    }
    // The report of a day has the shifts that reach into it alone.
    let issued = |at_us| {
        let at = chrono::DateTime::from_timestamp_micros(at_us).unwrap().to_rfc3339();
        html(&["--template", "daily", "--issued", &at])
    };
    let day = issued(third_day);
    assert!(day.contains("grid G1 is read"), "the daily report lacks its own shift");
    for other in ["A120 broke off, cable out", "probe DW-204 is on", "the night was quiet"] {
        assert!(!day.contains(other), "the daily report has another day's shift");
    }
    assert!(issued(midnight + 6 * HOUR).contains("the night was quiet"), "a night shift is missing in the morning's report");
}
