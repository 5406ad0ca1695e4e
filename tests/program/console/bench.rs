//! A bench with a virtual crawler put on blocks: what the driver does, without tasks and clock.
#![allow(dead_code)]

use super::fixture::NOW;
use backwall::live::bench::{Bench, BenchCommand, BlockPiece, Hold, Start};
use backwall_simulate::{Crawler, StreamEnd, VirtualWall};
use backwall_stream::{DecodedWhat, Decoder, Profile};
use backwall_survey::job::GateRule;
use backwall_survey::reading::Record;
use backwall_ultrasound::Setup;
use backwall_units::{Length, Temperature, Time};
use std::sync::Arc;

/// An invented probe: 4 mm of tyre, elements 5.2 mm apart where its drawing says 5.
const WALL: &str = r#"
name = "bench (invented)"
seed = 7
[probe]
half_separation_mm = 2.6
[noise]
snr_db = 40.0
[device]
name = "virtual crawler"
shot_rate_hz = 100.0
[[line]]
name = "L"
direction = "up"
wall_mm = 10.0
[[line.leg]]
forward_mm = 100.0
speed_mm_s = 50.0
"#;

pub fn wall() -> VirtualWall {
    VirtualWall::parse("bench.toml", WALL).unwrap()
}

/// What a crawler sends, decoded as from a device.
pub fn records(mut crawler: Crawler) -> Vec<Record> {
    let mut bytes = Vec::new();
    while crawler.next_frame(&mut bytes).is_some() {}
    let mut decoder = Decoder::new(Arc::new(Profile::load("open-packet").unwrap()));
    let mut decoded = Vec::new();
    decoder.push(&bytes, &mut decoded);
    decoder.finish(&mut decoded);
    decoded.into_iter().filter_map(|one| if let DecodedWhat::Record(record) = one.what { Some(record) } else { None }).collect()
}

/// The plan's typed values, with zero and gate where this probe's echoes are.
pub fn typed(setup: Setup) -> Setup {
    let wall = wall();
    let zero = wall.zero(wall.steel.block_temperature) + Time::ns(60.0);
    let mut setup = Setup { zero, ..setup };
    setup.gate.start = zero + Time::us(0.6);
    setup.gate.length = Time::us(8.0);
    setup
}

/// A bench that starts from this set-up; the plan's wall has 18 °C.
pub fn bench(setup: Setup) -> Bench {
    Bench::new(start(setup))
}

pub fn start(setup: Setup) -> Start {
    let rule = GateRule { start: None, length: None, threshold_pct: None, nominal: Length::mm(10.0) };
    Start { setup, rule, wall: Temperature::celsius(18.0), counts_per_mm: 40.0 }
}

pub fn piece(mm: f64) -> BlockPiece {
    BlockPiece { serial: "SB-4".into(), thickness: Length::mm(mm), temperature: None }
}

/// Puts the probe on a block for so many shots.
pub fn put_on(bench: &mut Bench, hold: Hold, shots: u64) {
    let thickness = match &hold {
        Hold::Block(piece) | Hold::Verify { piece, .. } => piece.thickness,
        Hold::Encoder { .. } => Length::mm(10.0),
    };
    bench.command(BenchCommand::Hold(hold), NOW);
    let crawler = Crawler::on_block(&wall(), thickness, StreamEnd::Shots(shots)).unwrap();
    for record in records(crawler) {
        bench.record(record, NOW);
    }
}

/// Takes blocks, then works out what they give.
pub fn take(bench: &mut Bench, blocks: &[f64]) {
    for mm in blocks {
        put_on(bench, Hold::Block(piece(*mm)), 20);
        bench.command(BenchCommand::Take, NOW);
    }
    if let Some(job) = bench.fit_job() {
        bench.fitted(job.run());
    }
}
