//! From the blocks taken to a set-up: calibration, gate, and what they are worth in words.

use super::{Fitted, Taken};
use crate::live::verdict;
use backwall_survey::job::gate::{DeviceSeen, GateRule};
use backwall_ultrasound::{Block, CalibrationInput, Setup, calibrate_what_holds};
use backwall_units::Temperature;
use std::sync::Arc;

/// Work for a thread of its own.
pub struct FitJob {
    pub(super) number: u64,
    pub(super) setup: Setup,
    /// How the gate is found for what the blocks give; none where it was set by hand.
    pub(super) rule: Option<(GateRule, DeviceSeen)>,
    pub(super) wall: Temperature,
    pub(super) blocks: Vec<Arc<Taken>>,
    pub(super) fit_velocity: bool,
}

impl FitJob {
    pub fn run(self) -> (u64, Result<Arc<Fitted>, String>) {
        (self.number, self.fit().map(Arc::new))
    }

    fn fit(&self) -> Result<Fitted, String> {
        let first = self.blocks.first().ok_or("no block was taken yet")?;
        let blocks: Vec<Block> = self
            .blocks
            .iter()
            .map(|taken| Block {
                thickness: taken.piece.thickness,
                temperature: taken.temperature,
                shots: taken.taken.shots.clone(),
                gain: taken.taken.gain,
            })
            .collect();
        let input = CalibrationInput { setup: &self.setup, base: first.taken.base, blocks: &blocks, fit_velocity: self.fit_velocity };
        let found = calibrate_what_holds(&input).map_err(|error| error.to_string())?;
        let calibration = Arc::new(found.calibration);
        let mut setup = self.setup.with_calibration(calibration.clone());
        let gate = match &self.rule {
            Some((rule, seen)) => {
                setup.gate = rule.gate(&setup, *seen);
                rule.why(&setup.gate, &setup, *seen)
            }
            None => Some("gate and threshold set on the live waveform".into()),
        };
        let verdict = verdict::of(&calibration, &self.setup, self.wall).with_gate(gate.as_ref()).without(&found.left_out);
        Ok(Fitted { setup, calibration, verdict, left_out: found.left_out, gate })
    }
}
