//! What a screen may see of the bench, and what it may ask of it.

use crate::live::blocks::BlockShots;
use crate::live::verdict::SetupVerdict;
use backwall_stream::command::{CommandOrder, DeviceCommand};
use backwall_stream::feed::LinkState;
use backwall_survey::reading::GaugeValue;
use backwall_survey::travel::encoder_check::{EncoderCheck, EncoderError};
use backwall_ultrasound::{BlockCheck, BlockPoint, Calibration, Gate, LeftOut, Measurement, Setup, Stability, Waveform};
use backwall_units::{Length, Temperature, Wording};
use std::sync::Arc;

/// A piece of known thickness.
#[derive(Debug, Clone, PartialEq)]
pub struct BlockPiece {
    pub serial: String,
    pub thickness: Length,
    /// As typed; else the stream's or the set-up's counts.
    pub temperature: Option<Temperature>,
}

/// What the probe is put on.
#[derive(Debug, Clone, PartialEq)]
pub enum Hold {
    /// A block to calibrate on.
    Block(BlockPiece),
    /// A block to verify on.
    Verify { piece: BlockPiece, tolerance: Length },
    /// A measured distance to drive.
    Encoder { distance: Length },
}

/// A block's shots, taken while it was steady.
#[derive(Debug, Clone)]
pub struct Taken {
    pub piece: BlockPiece,
    pub temperature: Temperature,
    pub taken: BlockShots,
}

/// What the blocks gave.
#[derive(Debug, Clone)]
pub struct Fitted {
    pub calibration: Arc<Calibration>,
    /// The set-up it started from, with the calibration.
    pub setup: Setup,
    pub verdict: SetupVerdict,
    /// Blocks that are no part of it.
    pub left_out: Vec<LeftOut>,
    /// Where gate and threshold come from, if not from the plan.
    pub gate: Option<Wording>,
}

impl Fitted {
    /// What the calibration makes of the block taken as the `index`-th; none where it was left out.
    pub fn point(&self, index: usize) -> Option<&BlockPoint> {
        if self.left_out.iter().any(|out| out.index == index) {
            return None;
        }
        let before = self.left_out.iter().filter(|out| out.index < index).count();
        self.calibration.points.get(index - before)
    }
}

#[derive(Debug, Clone, Default)]
pub enum FitState {
    #[default]
    None,
    Working,
    Done(Arc<Fitted>),
    Refused(String),
}

/// Something to be stored.
#[derive(Debug, Clone)]
pub enum BenchFound {
    Checked {
        piece: BlockPiece,
        tolerance: Length,
        temperature: Temperature,
        check: BlockCheck,
        /// The set-up it was read with, where that is a fit nobody has kept yet.
        fitted: Option<Arc<Fitted>>,
    },
    Encoder(EncoderCheck, Result<f64, EncoderError>),
    /// Something that readings depend on was sent to the device; whether a calibration that is in force was made before it.
    Sent {
        words: String,
        is_behind: bool,
    },
}

/// The newest state of the bench.
#[derive(Debug, Clone, Default)]
pub struct BenchView {
    pub link: LinkState,
    pub device: Option<String>,
    pub waveform: Option<Waveform>,
    /// What a device that sends no waveforms found itself, last.
    pub by_device: Option<GaugeValue>,
    pub measurement: Option<Measurement>,
    /// What the live waveform is evaluated with.
    pub setup: Option<Arc<Setup>>,
    pub hold: Option<Hold>,
    pub stability: Option<Stability>,
    /// Shots since the probe was put on.
    pub shots: usize,
    pub temperature: Option<Temperature>,
    pub blocks: Vec<Arc<Taken>>,
    pub fit: FitState,
    /// Counts since the start of the measured distance was marked.
    pub travelled: Option<i64>,
    /// What can be sent to the device by its name.
    pub commands: Arc<[DeviceCommand]>,
    /// What was sent that readings depend on, before the blocks on the table.
    pub sent: Vec<String>,
    /// Everything found so far, in order.
    pub found: Vec<BenchFound>,
    /// The last thing said, numbered so that the same words twice are two.
    pub said: Option<BenchSaid>,
    /// Why nothing comes any more.
    pub ended: Option<String>,
}

impl BenchView {
    pub fn fitted(&self) -> Option<&Arc<Fitted>> {
        match &self.fit {
            FitState::Done(fitted) => Some(fitted),
            _ => None,
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
pub enum BenchCommand {
    Hold(Hold),
    /// Takes what the probe is on, if it is steady; at a measured distance marks its start, then its end.
    Take,
    /// No steady reading can be had: a verification has failed, anything else is put away.
    GiveUp,
    /// Takes the last block off the table.
    DropBlock,
    Gate(Gate),
    /// Sets the gate as the program would.
    Propose,
    KeepVelocity(bool),
    /// Sends something to the device.
    Send(CommandOrder),
    /// This set-up has come into force.
    InForce(Box<Setup>),
    Stop,
}

/// Something the bench says.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchSaid {
    /// Counts what was said, so that the same words said again are news.
    pub number: u64,
    /// Whether something that was asked for was not done.
    pub refused: bool,
    pub words: String,
}
