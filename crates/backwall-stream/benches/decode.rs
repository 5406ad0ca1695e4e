//! What turning bytes into records costs on one core: frames of 1024 samples through the shipped profile `open-packet`
//! (COBS, CRC-32C, fields), and each stage of it alone. Bytes are counted as they come over the link.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use backwall_stream::{Decoder, Profile, cobs, crc, packet};
use backwall_survey::reading::Header;
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Time};
use divan::counter::BytesCount;
use divan::{Bencher, black_box};
use std::sync::Arc;

fn main() {
    divan::main();
}

const SAMPLES: usize = 1024;
const SHOTS: u32 = 512;
/// As much as a link is read at once.
const CHUNK: usize = 64 << 10;

/// Echoes of a 10 mm wall in 12-bit codes, with noise of some codes about zero.
fn samples(seq: u32) -> Vec<i16> {
    let mut state = seq.wrapping_mul(2_654_435_761).wrapping_add(1);
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 16) / 65_536.0 - 0.5
    };
    let echo = |at: f64, from: f64| {
        let (since, decay) = (at - from, (at - from) / 40.0);
        if since < 0.0 { 0.0 } else { 1200.0 * (since / 3.2).sin() * (-decay * decay).exp() }
    };
    (0..SAMPLES).map(|at| (echo(at as f64, 340.0) + 0.5 * echo(at as f64, 680.0) + 12.0 * noise()).round() as i16).collect()
}

fn stream() -> Vec<u8> {
    let mut bytes = Vec::new();
    let base = TimeBase { rate: Frequency::mhz(100.0), first: Time::us(0.0), bits: 12 };
    let header = Header { base, samples: SAMPLES as u16, device_id: 7, device_name: "bench".to_owned() };
    packet::encode_header(&header, &mut bytes);
    for seq in 0..SHOTS {
        packet::encode_shot(seq, u64::from(seq) * 500, seq as i32, Decibel::db(42.0), &samples(seq), &mut bytes);
    }
    bytes
}

#[divan::bench]
fn bytes_to_records(bencher: Bencher) {
    let bytes = stream();
    let profile = Arc::new(Profile::load("open-packet").expect("it ships"));
    let mut decoded = Vec::new();
    bencher.counter(BytesCount::new(bytes.len())).bench_local(|| {
        let mut decoder = Decoder::new(Arc::clone(&profile));
        for chunk in bytes.chunks(CHUNK) {
            decoder.push(black_box(chunk), &mut decoded);
            decoded.clear();
        }
        assert_eq!(decoder.counts().frames, u64::from(SHOTS) + 1);
    });
}

#[divan::bench]
fn cobs_alone(bencher: Bencher) {
    let bytes = stream();
    let frames: Vec<&[u8]> = bytes.split(|byte| *byte == 0).collect();
    let mut out = Vec::new();
    bencher.counter(BytesCount::new(bytes.len())).bench_local(|| {
        for frame in &frames {
            black_box(cobs::decode(black_box(frame), &mut out));
        }
    });
}

#[divan::bench]
fn crc_32c_alone(bencher: Bencher) {
    let bytes = stream();
    let sum = crc::by_name("CRC-32/ISCSI").expect("it is in the catalogue");
    bencher.counter(BytesCount::new(bytes.len())).bench_local(|| {
        for frame in black_box(&bytes).chunks(2 * SAMPLES + 23) {
            black_box(sum.of(frame));
        }
    });
}
