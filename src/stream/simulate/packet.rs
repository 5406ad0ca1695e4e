//! Frames of the open packet stream, as a device writes them.

use crate::ultrasound::TimeBase;
use crate::units::{Decibel, Temperature};

const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI);

fn frame(out: &mut Vec<u8>, body: &mut Vec<u8>) {
    let sum = CRC.checksum(body);
    body.extend_from_slice(&sum.to_le_bytes());
    for (index, block) in body.split(|byte| *byte == 0).enumerate() {
        let _ = index;
        let mut rest = block;
        while rest.len() >= 254 {
            out.push(255);
            out.extend_from_slice(&rest[..254]);
            rest = &rest[254..];
        }
        out.push(rest.len() as u8 + 1);
        out.extend_from_slice(rest);
    }
    out.push(0);
}

pub fn encode_header(out: &mut Vec<u8>, base: &TimeBase, samples: u16, id: u32, name: &str) {
    let mut body = vec![1, 1];
    body.extend_from_slice(&(libm::rint(base.rate.as_hz()) as u32).to_le_bytes());
    body.extend_from_slice(&(libm::rint(base.first.as_ns()) as i32).to_le_bytes());
    body.extend_from_slice(&samples.to_le_bytes());
    body.push(base.bits);
    body.extend_from_slice(&id.to_le_bytes());
    body.extend_from_slice(name.as_bytes());
    frame(out, &mut body);
}

pub fn encode_shot(out: &mut Vec<u8>, seq: u32, us: u64, counts: i32, gain: Decibel, samples: &[i16]) {
    let mut body = Vec::with_capacity(24 + samples.len() * 2);
    body.push(2);
    body.extend_from_slice(&seq.to_le_bytes());
    body.extend_from_slice(&us.to_le_bytes());
    body.extend_from_slice(&counts.to_le_bytes());
    body.extend_from_slice(&(libm::rint(gain.as_db() * 10.0) as i16).to_le_bytes());
    samples.iter().for_each(|sample| body.extend_from_slice(&sample.to_le_bytes()));
    frame(out, &mut body);
}

pub fn encode_status(out: &mut Vec<u8>, us: u64, battery_mv: Option<u16>, temperature: Option<Temperature>) {
    let mut body = vec![3];
    body.extend_from_slice(&us.to_le_bytes());
    body.extend_from_slice(&battery_mv.unwrap_or(u16::MAX).to_le_bytes());
    let hundredths = temperature.map_or(i16::MIN, |t| libm::rint(t.as_celsius() * 100.0) as i16);
    body.extend_from_slice(&hundredths.to_le_bytes());
    frame(out, &mut body);
}
