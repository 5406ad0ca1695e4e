//! An invented job and an invented run for the console's tests. All names and numbers are made up.
#![allow(dead_code)]

use backwall::console::review::overview::empty_wall;
use backwall::console::review::{Overview, ReadProgress};
use backwall::console::state::{App, Event, Look};
use backwall::console::update::update;
use backwall::console::{Glyphs, Step, Theme, view};
use backwall::live::{LiveCounts, LiveView, LiveWall, Phase, Telemetry};
use backwall_store::{JobContents, Mark, MarkKind, Note, ReadingSummary, RunStart, RunState, RunSummary, Saved, SetupEntry};
use backwall_stream::feed::LinkState;
use backwall_survey::job::checklist::{Answer, AnswerValue, Signature, Signed};
use backwall_survey::job::{Checklist, Plan, Zone, in_force};
use backwall_survey::reading::Reading;
use backwall_survey::strip::{Level, Section, Seen, SpotWatch};
use backwall_survey::travel::{Direction, Place};
use backwall_ultrasound::{Calibration, Flag, Flags, Measurement, Quality, TimeBase, Waveform};
use backwall_units::{Decibel, Frequency, Length, LengthUnit, Speed, Temperature, Time};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use std::sync::{Arc, Mutex};

/// 2026-05-04 14:02:00 UTC.
pub const NOW: i64 = 1_777_903_320_000_000;

pub const PLAN: &str = r#"
[job]
number = "FP-0412"
site = "Ferrow Point terminal (invented)"
procedure = "WT-07 rev 2"
purpose = "in-service wall thickness survey"
[[person]]
name = "R. Aldane"
role = "operator"
certificate = "UT 2, no. 00417"
expires = 2027-08-31
[[person]]
name = "M. Thole"
role = "helper"
[[kit]]
kind = "probe"
serial = "DW-118"
due = 2026-05-20
[[kit]]
kind = "block"
serial = "SB-4"
due = 2026-04-01
[asset]
kind = "tank-shell"
name = "TK-7"
diameter_mm = 18000
material = "carbon steel"
surface_temperature_c = 18.0
datum = "top of bottom weld, azimuth 0 at manway M1, clockwise from above"
[[asset.course]]
number = 1
height_mm = 2400
nominal_mm = 10.0
required_mm = 6.2
required_from = "client's calculation C-118"
[[asset.course]]
number = 2
height_mm = 2400
nominal_mm = 10.0
required_mm = 6.2
[[asset.course]]
number = 3
height_mm = 2400
nominal_mm = 8.0
[[line]]
name = "A090"
azimuth_deg = 90.0
start_mm = 0
length_mm = 7200
direction = "up"
[[line]]
name = "C2"
start_mm = 0
length_mm = 56000
direction = "across"
course = 2
elevation_mm = 3600
[encoder]
counts_per_mm = 40.0
[probe]
frequency_mhz = 5.0
element_separation_mm = 5.0
minimum_mm = 1.5
[setup]
velocity_m_s = 5920.0
zero_ns = 12000.0
[limits]
watch_margin_mm = 0.8
max_speed_mm_s = 60.0
max_gap_mm = 10.0
"#;

pub const CHECKLIST: &str = r#"
name = "crawler"
title = "Before the crawler goes up"
caution = "Nobody stands under the crawler."
[[item]]
id = "permit"
group = "authority"
ask = "Permit to work number"
kind = "text"
hold = true
reference = "procedure WT-07, 4.1"
[[item]]
id = "tether"
group = "rigging"
ask = "Fall arrest line is fixed above the scan line and holds"
kind = "confirm"
hold = true
caution = "A crawler that drops kills."
[[item]]
id = "wind"
group = "weather"
ask = "Wind at height"
kind = "number"
unit = "m/s"
max = 10.3
hold = true
[[item]]
id = "steel"
group = "adhesion"
ask = "Steel of the shell"
kind = "choice"
choices = ["ferritic", "austenitic"]
failing = ["austenitic"]
"#;

pub fn signed() -> Signed {
    Signed { name: "R. Aldane".into(), certificate: "UT 2, no. 00417".into(), at_us: NOW - 3_600_000_000 }
}

pub fn answer(item: &str, value: AnswerValue) -> Answer {
    Answer { item: item.into(), value, note: String::new(), by: signed() }
}

pub fn contents() -> JobContents {
    let plan = Plan::parse("plan.toml", PLAN).unwrap();
    JobContents {
        seal: None,
        made_with: plan.clone(),
        made_with_text: String::new(),
        statements: Vec::new(),
        force: in_force(&plan, &[], &[]),
        set_aside: Vec::new(),
        plan,
        checklist: Checklist::parse("crawler.toml", CHECKLIST).unwrap(),
        answers: vec![answer("permit", AnswerValue::Text("P-2207".into()))],
        signatures: Vec::new(),
        setups: Vec::new(),
        runs: Vec::new(),
        notes: Vec::new(),
        overrides: Vec::new(),
        checks: Vec::new(),
        encoder_checks: Vec::new(),
        evaluations: Vec::new(),
        swaps: Vec::new(),
        adoptions: Vec::new(),
    }
}

/// What a virtual probe on blocks gives; worked out once.
pub fn calibration() -> Arc<Calibration> {
    static FOUND: std::sync::OnceLock<Arc<Calibration>> = std::sync::OnceLock::new();
    let find = || {
        let mut bench = super::bench::bench(super::bench::typed(contents().plan.typed_setup()));
        super::bench::take(&mut bench, &[4.0, 6.0, 9.0, 12.0]);
        bench.view.fitted().expect("sound blocks give a calibration").calibration.clone()
    };
    FOUND.get_or_init(find).clone()
}

/// The same job with its checklist answered and signed, a calibration in force and two runs behind it.
pub fn ready() -> JobContents {
    let mut job = contents();
    job.plan.kit[1].due = job.plan.kit[0].due;
    job.answers.push(answer("tether", AnswerValue::Confirmed(true)));
    job.answers.push(answer("wind", AnswerValue::Number(6.0)));
    job.answers.push(answer("steel", AnswerValue::Choice("ferritic".into())));
    job.signatures.push(Signature { by: signed(), answers: 4 });
    let setup = job.plan.typed_setup().with_calibration(calibration());
    job.setups.push(SetupEntry { id: 1, setup, origin: "measured on 4 blocks".into(), by: signed() });
    job.runs = vec![summary(1, "A090", RunState::Interrupted), summary(2, "A090", RunState::Closed)];
    job
}

/// The same with both runs closed: nothing is asked at the start.
pub fn settled() -> JobContents {
    let mut job = ready();
    job.runs[0] = summary(1, "A090", RunState::Closed);
    job
}

pub fn summary(id: i64, line: &str, state: RunState) -> RunSummary {
    let plan = Plan::parse("plan.toml", PLAN).unwrap();
    let planned = plan.line(line).unwrap();
    let closed = state == RunState::Closed;
    RunSummary {
        id,
        changes: Vec::new(),
        placed: Vec::new(),
        start: RunStart {
            line: line.into(),
            path: plan.path(planned),
            limits: plan.limits(),
            setup: plan.typed_setup(),
            setup_id: None,
            wall_temperature: Temperature::celsius(18.0),
            profile_name: "open-packet".into(),
            profile_text: String::new(),
            profile_proof: None,
            stream: "serial:PORT".into(),
            software: "backwall".into(),
            checklist_override: None,
            operator: "R. Aldane".into(),
            channel: None,
            started_us: NOW - 7_200_000_000,
        },
        state,
        reason: if closed { "ended by the operator" } else { "the program ended in the middle" }.into(),
        closed_us: closed.then_some(NOW),
        readings: 21_000,
        no_echo: 120,
        dropped: None,
        adjusted: false,
        found_far: false,
        lost: 3,
        spots: 2,
        least: Some(Length::mm(5.78)),
        least_at: Some(Length::mm(4052.0)),
        from: Some(Length::ZERO),
        to: Some(Length::mm(4350.0)),
        digest: closed.then(|| "3f9ac1d2e4b5a6978897a6b5c4d3e2f1".into()),
    }
}

/// Invented wall: sound, with a thin spot at 4.05 m, a shallow one at 1.42 m and no echo from 3.75 to 3.85 m.
pub fn thickness_at(along: f64) -> Option<f64> {
    if (3750.0..3850.0).contains(&along) {
        return None;
    }
    let dip = |centre: f64, width: f64, depth: f64| depth * (-((along - centre) / width).powi(2)).exp();
    Some(9.62 + 0.03 * (along / 90.0).sin() - dip(4052.0, 60.0, 3.86) - dip(1420.0, 12.0, 2.82))
}

fn level(thickness: Option<f64>) -> Level {
    match thickness {
        None => Level::NoEcho,
        Some(t) if t < 6.2 => Level::Thin,
        Some(t) if t < 7.0 => Level::Watch,
        Some(_) => Level::Clear,
    }
}

pub fn wall(direction: Direction) -> LiveWall {
    let limits = Plan::parse("plan.toml", PLAN).unwrap().limits();
    let upright = direction.is_upright();
    let seams = if upright { vec![Length::mm(2400.0), Length::mm(4800.0)] } else { Vec::new() };
    let mut wall = LiveWall::new(Section::new(Default::default()), seams, (Length::ZERO, Length::mm(7200.0)));
    for shot in 0..21_750u32 {
        let along = f64::from(shot) * 0.2;
        let thickness = thickness_at(along);
        let course = Some(if along < 2400.0 { 1 } else { 2 });
        let (along, level) = (Some(Length::mm(along)), level(thickness));
        wall.see(&Seen { seq: shot, along, course, thickness: thickness.map(Length::mm), level, alone: false }, &limits);
    }
    wall.acknowledge(1);
    wall.marks.push(Mark {
        kind: MarkKind::Surface,
        along: Some(Length::mm(4105.0)),
        seq: Some(20_525),
        text: String::new(),
        at_us: NOW - 60_000_000,
    });
    wall.notes.push(Note {
        run: Some(3),
        along: Some(Length::mm(4100.0)),
        text: "pitting on old weld scar".into(),
        at_us: NOW - 59_000_000,
    });
    wall
}

/// One reading of the invented wall, every 0.2 mm.
pub fn glance(shot: u32) -> ReadingSummary {
    let along = f64::from(shot) * 0.2;
    let thickness = thickness_at(along);
    ReadingSummary {
        row: u64::from(shot),
        seq: shot,
        along: Some(Length::mm(along)),
        course: Some(if along < 2400.0 { 1 } else { 2 }),
        across: None,
        thickness: thickness.map(|t| Length::nanometres((t * 1e6).round() as i64)),
        uncertainty: Some(Length::mm(0.03)),
        flags: Flags::NONE,
        // U (k = 2) counts: what lies within 0.06 mm over a limit is judged as under it.
        level: match level(thickness) {
            Level::Clear => level(thickness.map(|thickness| thickness - 0.06)).min(Level::Watch),
            other => other,
        },
    }
}

/// The invented wall as the overview of a stored run.
pub fn overview(direction: Direction) -> Overview {
    let plan = Plan::parse("plan.toml", PLAN).unwrap();
    let limits = plan.limits();
    let known = wall(direction);
    let empty = empty_wall(SpotWatch::new(Default::default()), known.seams, known.span);
    let course = (direction == Direction::Across).then_some(2);
    let mut overview = Overview::new(vec![2], false, limits.clone(), direction, course, plan.limits.max_gap, empty);
    for shot in 0..21_750u32 {
        overview.push(0, &glance(shot), &limits);
    }
    overview.wall.marks = known.marks;
    overview.wall.notes = known.notes;
    overview.progress = ReadProgress { read: 21_750, of: 21_750, done: true, open: false };
    overview.settle();
    overview
}

/// Two decaying wave packets over a quiet line.
pub fn waveform() -> Waveform {
    let base = TimeBase { rate: Frequency::mhz(50.0), first: Time::us(10.0), bits: 12 };
    let packet =
        |t: f64, at: f64, height: f64| height * (-((t - at) / 0.25).powi(2)).exp() * ((t - at) * 5.0 * std::f64::consts::TAU).cos();
    let samples: Vec<i16> = (0..700)
        .map(|index| {
            let t = 10.0 + f64::from(index) / 50.0;
            let noise = f64::from((index * 7919) % 101 - 50) / 50.0 * 8.0;
            (packet(t, 15.25, 1310.0) + packet(t, 18.49, 500.0) + noise) as i16
        })
        .collect();
    Waveform { base, samples: samples.into() }
}

pub fn reading(along: f64) -> Reading {
    Reading {
        seq: 21_749,
        device_time_us: Some(106_000_000),
        host_time_us: NOW,
        encoder: Some(174_000),
        place: Place { along: Some(Length::mm(along)), course: Some(2), speed: Some(Speed::mm_s(41.0)), across: None },
        gain: Decibel::db(40.0),
        wall_temperature: Temperature::celsius(18.0),
        measurement: Measurement {
            echo_time: Some(Time::us(15.25)),
            next_echo: Some(Time::us(18.49)),
            thickness: Some(Length::mm(9.6)),
            uncertainty: Some(Length::mm(0.03)),
            height_pct: Some(64.0),
            snr: Some(Decibel::db(31.0)),
            coating: None,
            quality: Quality::Good,
            flags: Flags::NONE,
        },
        level: Level::Clear,
        level_shown: Level::Clear,
    }
}

/// The reading of a shot without an echo.
pub fn no_echo(along: f64) -> Reading {
    Reading { measurement: Measurement::none(Flags::of(Flag::NoCoupling)), level: Level::NoEcho, ..reading(along) }
}

pub fn live(direction: Direction) -> LiveView {
    let plan = Plan::parse("plan.toml", PLAN).unwrap();
    LiveView {
        phase: Phase::Recording,
        run: 3,
        line: if direction == Direction::Across { "C2" } else { "A090" }.into(),
        channel: None,
        direction,
        reading: Some(reading(4349.8)),
        waveform: Some(waveform()),
        setup: Arc::new(plan.typed_setup()),
        limits: Arc::new(plan.limits()),
        max_speed: plan.limits.max_speed,
        max_gap: plan.limits.max_gap,
        link: LinkState {
            up: true,
            what: "serial:PORT".into(),
            bytes: 31_000_000,
            frames: 21_750,
            last_byte_us: Some(NOW),
            rate_hz: 198.0,
            ..Default::default()
        },
        saved: Saved {
            run: Some(3),
            seq: Some(21_700),
            along: Some(Length::mm(4340.0)),
            readings: 21_700,
            at_us: NOW - 200_000,
            fault: None,
            waiting_bytes: 0,
            unsaved: 0,
            free_bytes: Some(12_400_000_000),
            file_bytes: 48_000_000,
            beside: Vec::new(),
        },
        telemetry: Telemetry {
            device: Some("crawler 4".into()),
            battery_mv: Some(14_800),
            surface_temperature: Some(Temperature::celsius(18.4)),
        },
        counts: LiveCounts { received: 21_750, no_echo: 500, lost: 2, dropped: 0, unsaved: 0, long_gaps: 1, stalls: 0 },
        started_us: NOW - 106_000_000,
        bells: 1,
        rings: 1,
        checklist_override: None,
        start: Length::ZERO,
        course: Some(if direction == Direction::Across { 2 } else { 1 }),
        reach: Length::mm(4349.8),
        zero: None,
        disagreement: None,
        changed: false,
        commands: Arc::from([]),
        device: backwall::live::view::DeviceSaid::default(),
        said: Vec::new(),
        gap: None,
    }
}

pub fn look(theme: Theme, glyphs: Glyphs) -> Look {
    Look { theme, glyphs, unit: LengthUnit::Mm, zone: Zone::UTC }
}

pub fn app(step: Step, job: JobContents) -> App {
    App::new(step, look(Theme::Dark, Glyphs::Braille), job, Signed { name: String::new(), ..signed() }, NOW)
}

/// The scan screen in the middle of a run.
pub fn scanning(direction: Direction) -> App {
    let mut app = app(Step::Scan, ready());
    let mut first = live(direction);
    first.saved.at_us = NOW - 100_200_000;
    first.saved.file_bytes = 2_000_000;
    let started = Event::Started { view: Arc::new(first.clone()), wall: Arc::new(Mutex::new(wall(direction))) };
    update(&mut app, started);
    update(&mut app, Event::Live(Arc::new(first), NOW - 100_000_000));
    update(&mut app, Event::Live(Arc::new(live(direction)), NOW));
    app
}

/// Changes what is seen of the run.
pub fn change(app: &mut App, f: impl FnOnce(&mut LiveView)) {
    let mut view = (*app.scan.as_ref().unwrap().view).clone();
    f(&mut view);
    let now = app.now_us;
    update(app, Event::Live(Arc::new(view), now));
}

pub fn render(app: &App, width: u16, height: u16) -> Terminal<TestBackend> {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| view::draw(app, frame)).unwrap();
    terminal
}

/// The screen as text, one line a row.
pub fn text(app: &App, width: u16, height: u16) -> String {
    let terminal = render(app, width, height);
    let buffer = terminal.backend().buffer();
    let mut out = String::new();
    for y in 0..height {
        let row: String = (0..width).map(|x| buffer[(x, y)].symbol()).collect();
        out.push_str(row.trim_end());
        out.push('\n');
    }
    out
}

pub fn key(code: KeyCode) -> Event {
    Event::Key(KeyEvent::new(code, KeyModifiers::NONE))
}

pub fn letter(c: char) -> Event {
    key(KeyCode::Char(c))
}

pub fn type_in(app: &mut App, words: &str) {
    for c in words.chars() {
        update(app, letter(c));
    }
}
