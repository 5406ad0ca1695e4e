//! Shots at chosen places of a chosen line, for whoever asks what a scan would have seen there: no drive and no frames.

use super::echoes::Echoes;
use super::section::{Sections, WallSection};
use super::wall::{DrivenLine, VirtualWall};
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Length};

pub struct Shooter {
    wall: VirtualWall,
    echoes: Echoes,
    section: WallSection,
}

impl Shooter {
    pub fn new(wall: &VirtualWall, seed: u64) -> Self {
        Self { echoes: Echoes::new(wall, wall.steel.temperature, seed), wall: wall.clone(), section: WallSection::default() }
    }

    pub fn base(&self) -> TimeBase {
        let receiver = &self.wall.receiver;
        TimeBase { rate: receiver.rate, first: receiver.first, bits: receiver.bits }
    }

    /// A line made ready to be shot at.
    pub fn sections(&self, line: &DrivenLine) -> Sections {
        Sections::new(&self.wall, line)
    }

    /// The waveform at a place.
    pub fn at(&mut self, sections: &mut Sections, along: Length) -> Vec<i16> {
        sections.at(along, Length::ZERO, &mut self.section);
        let mut samples = Vec::new();
        self.echoes.shoot(&self.section, along.as_mm(), &mut samples);
        samples
    }

    /// A waveform on a flat, bare block.
    pub fn block(&mut self, thickness: Length) -> Vec<i16> {
        let mut samples = Vec::new();
        self.echoes.shoot(&WallSection::flat(thickness, Length::ZERO, self.wall.receiver.gain), 0.0, &mut samples);
        samples
    }

    pub fn gain(&self) -> Decibel {
        self.wall.receiver.gain
    }
}
