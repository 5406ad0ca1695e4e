//! The virtual crawler: drives a line (or stands on a block), fires shots and sends frames of the open packet stream.

use super::drive::Drive;
use super::echoes::Echoes;
use super::noise::split_mix;
use super::section::{Sections, WallSection};
use super::wall::{LostShots, VirtualWall, Weave};
use backwall_stream::packet;
use backwall_survey::reading::Header;
use backwall_survey::travel::Direction;
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Length, Temperature};

/// The device's clock when a frame was sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct DeviceTime {
    pub us: u64,
}

/// When a simulated stream ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StreamEnd {
    /// With the drive; on a block after ten seconds.
    Drive,
    Shots(u64),
    Seconds(f64),
    Never,
}

/// Why a crawler cannot start.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CrawlerError {
    #[error("the wall '{wall}' has no line '{line}': it has {known}")]
    NoSuchLine { wall: String, line: String, known: String },
    #[error("a block of {0} cannot be simulated: give a thickness between 0.3 and 500 mm")]
    Block(Length),
}

const BLOCK_SECONDS: f64 = 10.0;
/// A hand never holds a probe quite still on a block: so far it creeps between two shots, as far as grain goes.
const BLOCK_CREEP_MM: f64 = 0.2;

enum ProbeOn {
    Line { sections: Box<Sections>, start: Length, direction: Direction },
    Block,
}

/// Gives the frames of a stream one after another; the same wall and seed give the same bytes.
pub struct Crawler {
    wall: VirtualWall,
    echoes: Echoes,
    temperature: Temperature,
    under: ProbeOn,
    section: WallSection,
    drive: Drive,
    weave: Option<Weave>,
    lost: Vec<LostShots>,
    end_us: Option<u64>,
    end_shots: Option<u64>,
    shot: u64,
    headers: u64,
    statuses: u64,
    samples: Vec<i16>,
}

impl Crawler {
    /// A crawler on a line of the wall.
    pub fn on_line(wall: &VirtualWall, name: &str, end: StreamEnd) -> Result<Self, CrawlerError> {
        let position = wall.lines.iter().position(|line| line.name == name);
        let Some((index, line)) = position.and_then(|index| wall.lines.get(index).map(|line| (index, line))) else {
            let known: Vec<&str> = wall.lines.iter().map(|line| line.name.as_str()).collect();
            let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
            return Err(CrawlerError::NoSuchLine { wall: wall.name.clone(), line: name.to_owned(), known });
        };
        let under = ProbeOn::Line { sections: Box::new(Sections::new(wall, line)), start: line.start, direction: line.direction };
        let drive = Drive::new(&line.legs);
        let mut crawler = Self::new(wall, wall.steel.temperature, under, drive, end, index as u64 + 1);
        (crawler.lost, crawler.weave) = (line.lost.clone(), line.weave);
        Ok(crawler)
    }

    /// The probe on a flat, bare block of a known thickness, to calibrate on.
    pub fn on_block(wall: &VirtualWall, thickness: Length, end: StreamEnd) -> Result<Self, CrawlerError> {
        if !(thickness.as_mm() >= 0.3 && thickness.as_mm() <= 500.0) {
            return Err(CrawlerError::Block(thickness));
        }
        let salt = thickness.as_nanometres() as u64;
        let mut crawler = Self::new(wall, wall.steel.block_temperature, ProbeOn::Block, Drive::parked(), end, salt);
        crawler.section = WallSection::flat(thickness, Length::ZERO, wall.receiver.gain);
        Ok(crawler)
    }

    fn new(wall: &VirtualWall, temperature: Temperature, under: ProbeOn, drive: Drive, end: StreamEnd, salt: u64) -> Self {
        let mut seed = wall.seed ^ salt.wrapping_mul(0xA076_1D64_78BD_642F);
        let whole_drive = if matches!(under, ProbeOn::Block) { BLOCK_SECONDS } else { drive.seconds() };
        let end_us = match end {
            StreamEnd::Drive => Some(whole_drive),
            StreamEnd::Seconds(seconds) => Some(seconds),
            StreamEnd::Shots(_) | StreamEnd::Never => None,
        };
        Self {
            echoes: Echoes::new(wall, temperature, split_mix(&mut seed)),
            temperature,
            under,
            section: WallSection::default(),
            drive,
            weave: None,
            lost: Vec::new(),
            end_us: end_us.map(microseconds),
            end_shots: if let StreamEnd::Shots(shots) = end { Some(shots) } else { None },
            shot: 0,
            headers: 0,
            statuses: 0,
            samples: Vec::new(),
            wall: wall.clone(),
        }
    }

    pub fn base(&self) -> TimeBase {
        let receiver = &self.wall.receiver;
        TimeBase { rate: receiver.rate, first: receiver.first, bits: receiver.bits }
    }

    /// Shots fired so far, sent or lost.
    pub fn shots(&self) -> u64 {
        self.shot
    }

    /// A waveform of a flat plate with this probe, for tests that need one without a stream.
    pub fn waveform(&mut self, thickness: Length, paint: Length, loss: Decibel) -> Vec<i16> {
        let mut section = WallSection::flat(thickness, paint, self.wall.receiver.gain);
        section.contact = Decibel::db(-loss.as_db()).as_ratio();
        let mut samples = Vec::new();
        self.echoes.shoot(&section, 0.0, &mut samples);
        samples
    }

    /// Writes the next frame behind `out`; answers when the device sends it, or `None` at the end of the stream.
    pub fn next_frame(&mut self, out: &mut Vec<u8>) -> Option<DeviceTime> {
        loop {
            let header = microseconds(self.headers as f64 * self.wall.device.header_every_s);
            let status = microseconds(self.statuses as f64 * self.wall.device.status_every_s);
            let shot = microseconds(self.shot as f64 / self.wall.device.shot_rate.as_hz());
            let now = header.min(status).min(shot);
            if self.end_us.is_some_and(|end| now >= end) || self.end_shots.is_some_and(|end| self.shot >= end) {
                return None;
            }
            if header == now {
                self.headers += 1;
                packet::encode_header(&self.header(), out);
            } else if status == now {
                self.statuses += 1;
                packet::encode_status(now, Some(self.battery(now)), Some(self.temperature), out);
            } else {
                let number = self.shot;
                self.shot += 1;
                if self.lost.iter().any(|lost| number >= lost.after_shot && number < lost.after_shot + lost.shots) {
                    continue;
                }
                self.shoot(number, now, out);
            }
            return Some(DeviceTime { us: now });
        }
    }

    fn header(&self) -> Header {
        let device = &self.wall.device;
        let samples = self.wall.receiver.samples;
        Header { base: self.base(), samples, device_id: device.id, device_name: device.name.clone() }
    }

    fn battery(&self, now: u64) -> u16 {
        let sunk = self.wall.device.battery_mv_per_min * now as f64 / 60e6;
        libm::rint(f64::from(self.wall.device.battery_mv) - sunk).max(0.0) as u16
    }

    fn shoot(&mut self, number: u64, now: u64, out: &mut Vec<u8>) {
        let seconds = now as f64 / 1e6;
        let driven = self.drive.driven(seconds);
        let beside = self.weave.map_or(Length::ZERO, |weave| weave.across(seconds));
        let place = match &mut self.under {
            ProbeOn::Line { sections, start, direction } => {
                let along = if *direction == Direction::Down { *start - driven } else { *start + driven };
                sections.at(along, beside, &mut self.section);
                along.as_mm()
            }
            ProbeOn::Block => number as f64 * BLOCK_CREEP_MM,
        };
        self.echoes.shoot(&self.section, place, &mut self.samples);
        let counts = libm::rint(driven.as_mm() * self.wall.device.counts_per_mm) as i64;
        let counts = i64::from(self.wall.device.first_count).wrapping_add(counts) as i32;
        let seq = self.wall.device.first_seq.wrapping_add(number as u32);
        if self.weave.is_none() {
            return packet::encode_shot(seq, now, counts, self.section.gain, &self.samples, out);
        }
        let across = libm::rint(beside.as_mm() * self.wall.device.across_counts_per_mm) as i32;
        packet::encode_weaving_shot((seq, now), [counts, across], self.section.gain, &self.samples, out);
    }
}

fn microseconds(seconds: f64) -> u64 {
    libm::rint(seconds * 1e6) as u64
}

impl backwall_stream::FrameSource for Crawler {
    fn next_frame(&mut self, out: &mut Vec<u8>) -> Option<std::time::Duration> {
        Crawler::next_frame(self, out).map(|time| std::time::Duration::from_micros(time.us))
    }
}
