//! Writes the frames of the open packet stream, version 1. Only the virtual crawler needs to write them;
//! reading goes through the profile `open-packet` like every other stream.

use super::cobs;
use backwall_survey::reading::Header;
use backwall_units::{Decibel, Length, Temperature};

/// The version the header states.
const VERSION: u8 = 1;

/// Stands for "no battery value".
const NO_BATTERY: u16 = 0xFFFF;
/// Stands for "no temperature".
const NO_TEMPERATURE: i16 = i16::MIN;
/// Stands for "no echo" where a thickness is due.
const NO_ECHO: i32 = -1;

pub fn encode_header(header: &Header, out: &mut Vec<u8>) {
    let mut body = vec![0x01, VERSION];
    body.extend((header.base.rate.as_hz().round() as u32).to_le_bytes());
    body.extend((header.base.first.as_ns().round() as i32).to_le_bytes());
    body.extend(header.samples.to_le_bytes());
    body.push(header.base.bits);
    body.extend(header.device_id.to_le_bytes());
    body.extend(header.device_name.as_bytes());
    frame(body, out);
}

pub fn encode_shot(seq: u32, device_time_us: u64, encoder: i32, gain: Decibel, samples: &[i16], out: &mut Vec<u8>) {
    shot(0x02, (seq, device_time_us), &[encoder], gain, samples, out);
}

/// Of a scanner that weaves: with the counts of its second encoder, `across`.
pub fn encode_weaving_shot(counted: (u32, u64), encoders: [i32; 2], gain: Decibel, samples: &[i16], out: &mut Vec<u8>) {
    shot(0x05, counted, &encoders, gain, samples, out);
}

fn shot(kind: u8, (seq, device_time_us): (u32, u64), encoders: &[i32], gain: Decibel, samples: &[i16], out: &mut Vec<u8>) {
    let mut body = Vec::with_capacity(27 + 2 * samples.len());
    body.push(kind);
    body.extend(seq.to_le_bytes());
    body.extend(device_time_us.to_le_bytes());
    body.extend(encoders.iter().flat_map(|counts| counts.to_le_bytes()));
    body.extend(((gain.as_db() * 10.0).round() as i16).to_le_bytes());
    body.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
    frame(body, out);
}

pub fn encode_status(device_time_us: u64, battery_mv: Option<u16>, surface: Option<Temperature>, out: &mut Vec<u8>) {
    let mut body = vec![0x03];
    body.extend(device_time_us.to_le_bytes());
    body.extend(battery_mv.unwrap_or(NO_BATTERY).to_le_bytes());
    body.extend(surface.map_or(NO_TEMPERATURE, |value| (value.as_celsius() * 100.0).round() as i16).to_le_bytes());
    frame(body, out);
}

/// `thickness` is `None` where the device saw no echo.
pub fn encode_gauge(seq: u32, device_time_us: u64, encoder: i32, thickness: Option<Length>, out: &mut Vec<u8>) {
    let mut body = vec![0x04];
    body.extend(seq.to_le_bytes());
    body.extend(device_time_us.to_le_bytes());
    body.extend(encoder.to_le_bytes());
    body.extend(thickness.map_or(NO_ECHO, |value| value.as_micrometres() as i32).to_le_bytes());
    frame(body, out);
}

fn frame(mut body: Vec<u8>, out: &mut Vec<u8>) {
    let check = crc32c::crc32c(&body);
    body.extend(check.to_le_bytes());
    cobs::encode(&body, out);
    out.push(0);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of the stream's definition (docs of the open packet stream, version 1).
    #[test]
    fn the_worked_frame_is_written_byte_for_byte() {
        let mut out = Vec::new();
        encode_status(1_000_000, Some(12_000), Some(Temperature::celsius(25.0)), &mut out);
        let frame = [0x05, 0x03, 0x40, 0x42, 0x0F, 1, 1, 1, 1, 0x09, 0xE0, 0x2E, 0xC4, 0x09, 0xCE, 0xC4, 0xE1, 0xF8, 0x00];
        assert_eq!(out, frame);
    }
}
