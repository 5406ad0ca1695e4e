//! An invented job and invented readings, and a second process that is this very test again.

use crate::common::run_start;
use backwall_store::{Entry, JobFile, RunStart};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::{Checklist, Plan};
use backwall_survey::reading::Reading;
use backwall_survey::strip::Level;
use backwall_survey::travel::Place;
use backwall_ultrasound::{Coating, Flag, Flags, Measurement, Quality, TimeBase, Waveform};
use backwall_units::{Decibel, Frequency, Length, Speed, Temperature, Time};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

pub const PLAN: &str = include_str!("../../data/plan.toml");
pub const NOW_US: i64 = 1_772_366_400_000_000;

pub fn plan() -> Plan {
    Plan::parse("plan.toml", PLAN).unwrap()
}

pub fn checklist() -> Checklist {
    let text = "
        name = 'short'
        title = 'Before scanning'
        caution = ''
        [[item]]
        id = 'tether'
        group = 'crawler'
        ask = 'Tether made fast?'
        kind = 'confirm'
        hold = true";
    Checklist::parse("short.toml", text).unwrap()
}

pub fn new_job(folder: &Path) -> PathBuf {
    let path = folder.join("tk7.job");
    JobFile::create(&path, &plan(), PLAN, &checklist(), NOW_US).unwrap();
    path
}

pub fn signed() -> Signed {
    Signed { name: "R. Aldane".into(), certificate: "UT 2, no. 00417".into(), at_us: NOW_US + 5 }
}

pub fn start() -> RunStart {
    RunStart { wall_temperature: Temperature::celsius(18.3), ..run_start(&plan(), "A090", NOW_US + 10) }
}

pub fn base() -> TimeBase {
    TimeBase { rate: Frequency::mhz(50.0), first: Time::ns(-0.1), bits: 12 }
}

/// A reading that differs with its number; every third has no echo.
pub fn reading(seq: u32) -> Reading {
    let number = f64::from(seq);
    let measurement = Measurement {
        echo_time: Some(Time::ns(15_378.123 + number * 0.37)),
        next_echo: seq.is_multiple_of(2).then(|| Time::ns(18_756.5)),
        thickness: Some(Length::mm(9.876_543_21 - number * 1e-3)),
        uncertainty: Some(Length::mm(0.031_25)),
        height_pct: Some(61.234),
        snr: Some(Decibel::db(28.127)),
        coating: seq.is_multiple_of(3).then(|| Coating { thickness: Length::mm(0.312_345_6), uncertainty: Length::mm(0.021) }),
        quality: Quality::Good,
        flags: Flags::NONE.with(Flag::Multiple),
    };
    let measurement = if seq % 3 == 2 { Measurement::none(Flags::of(Flag::NoCoupling)) } else { measurement.rounded() };
    Reading {
        seq,
        device_time_us: Some(u64::from(seq) * 500),
        host_time_us: NOW_US + i64::from(seq) * 500,
        encoder: Some(seq as i32 * 2 - 50),
        place: Place {
            along: Some(Length::micrometres(i64::from(seq) * 50)),
            course: Some(1),
            speed: (seq > 3).then(|| Speed::mm_s(-41.234)),
            across: None,
        },
        gain: Decibel::hundredths(4250),
        wall_temperature: Temperature::millidegrees(18_300),
        level: if measurement.thickness.is_some() { Level::Clear } else { Level::NoEcho },
        level_shown: if measurement.thickness.is_some() { Level::Clear } else { Level::NoEcho },
        measurement,
    }
}

/// An echo-like waveform that differs with its number.
pub fn waveform(seq: u32, samples: usize) -> Waveform {
    let mut state = seq.wrapping_mul(2_654_435_761) | 1;
    let samples = (0..samples)
        .map(|index| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = i32::from((state >> 28) as u8) - 8;
            let from_echo = index as f64 - samples as f64 / 2.0;
            let echo = 900.0 * (-(from_echo / 20.0).powi(2)).exp() * (from_echo * 0.63).cos();
            (echo as i32 + noise) as i16
        })
        .collect();
    Waveform { base: base(), samples }
}

pub fn shot(seq: u32) -> Entry {
    Entry::Reading { reading: reading(seq), waveform: Some(waveform(seq, 256)) }
}

/// Runs one test of this binary as a process of its own, with `name` set to `value`.
pub fn again(test: &str, name: &str, value: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", &format!("store_file::{test}"), "--nocapture", "--test-threads=1", "--include-ignored"])
        .env(name, value)
        .stdout(Stdio::piped())
        .stdin(Stdio::piped())
        .spawn()
        .unwrap()
}

/// A waveform with a back-wall echo behind some 9 mm of steel, as the typed set-up of the plan expects it.
pub fn back_wall(seq: u32) -> Waveform {
    let noise = waveform(seq, 1200);
    let at_ns = 12_000.0 + 2.0 * 9.0 / 5.92e-3 + f64::from(seq) * 0.5;
    let samples = noise
        .samples
        .iter()
        .enumerate()
        .map(|(index, sample)| {
            let from_echo_us = (index as f64 * 20.0 - at_ns) / 1e3;
            let echo = 1200.0 * (-(from_echo_us / 0.18).powi(2)).exp() * (std::f64::consts::TAU * 5.0 * from_echo_us).cos();
            // Of the noise generator only the noise: its own echo is in another place.
            (echo + f64::from(*sample % 8)) as i16
        })
        .collect();
    Waveform { base: base(), samples }
}
