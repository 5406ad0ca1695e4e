//! From a file of waveforms to wall thicknesses: calibrate on blocks, measure, print each thickness with its U.
//!
//! One waveform a line: the block's thickness in mm (empty on a wall of unknown thickness), the temperature in °C, then the
//! converter's codes. The example's file is simulated: blocks of 5 to 20 mm, then walls of 3, 5, 8, 10, 15 and 20 mm.
//!
//!     cargo run --release -p backwall-ultrasound --example waveforms_from_csv [FILE]

use backwall_ultrasound::{Block, CalibrationInput, Evaluator, Gate, Mode, Picker, Setup, TimeBase, calibrate};
use backwall_units::{Frequency, Length, Temperature, Time, Velocity};
use std::error::Error;
use std::sync::Arc;

/// What a line of the file holds.
struct Shot {
    block: Option<Length>,
    wall: Temperature,
    samples: Arc<[i16]>,
}

fn shots(path: &str) -> Result<Vec<Shot>, Box<dyn Error>> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_path(path)?;
    let mut shots = Vec::new();
    for line in reader.records() {
        let line = line?;
        let field = |at: usize| line.get(at).unwrap_or_default().trim();
        shots.push(Shot {
            block: if field(0).is_empty() { None } else { Some(Length::mm(field(0).parse()?)) },
            wall: Temperature::celsius(field(1).parse()?),
            samples: line.iter().skip(2).map(|code| code.trim().parse()).collect::<Result<_, _>>()?,
        });
    }
    Ok(shots)
}

/// The shots on blocks, those of one thickness together.
fn blocks(shots: &[Shot]) -> Vec<Block> {
    let mut blocks: Vec<Block> = Vec::new();
    for shot in shots {
        let Some(thickness) = shot.block else { continue };
        match blocks.iter_mut().find(|block| block.thickness == thickness) {
            Some(block) => block.shots.push(Arc::clone(&shot.samples)),
            None => blocks.push(Block { thickness, temperature: shot.wall, shots: vec![Arc::clone(&shot.samples)], gain: None }),
        }
    }
    blocks
}

fn main() -> Result<(), Box<dyn Error>> {
    let path = std::env::args().nth(1).unwrap_or_else(|| concat!(env!("CARGO_MANIFEST_DIR"), "/examples/waveforms.csv").to_owned());
    let shots = shots(&path)?;

    // Of the instrument: sampling rate, time of the first sample behind the transmit pulse, converter bits.
    let base = TimeBase { rate: Frequency::mhz(100.0), first: Time::us(4.5), bits: 16 };
    // Of probe and steel, as a data sheet gives them; the blocks find the rest.
    let zero = Time::us(5.4);
    let typed = Setup {
        velocity: Velocity::m_s(5920.0),
        zero,
        half_separation: Length::mm(2.9),
        frequency: Frequency::mhz(5.0),
        minimum: Length::mm(1.5),
        gate: Gate { start: zero + Time::us(0.5), length: Time::us(9.5), threshold_pct: 2.0 },
        picker: Picker::Matched,
        mode: Mode::FirstEcho,
        zero_keeping: Default::default(),
        block_temperature: Temperature::celsius(20.0),
        velocity_slope_m_s_k: -0.8,
        calibration: None,
        channel: None,
    };
    let calibration = calibrate(&CalibrationInput { setup: &typed, base, blocks: &blocks(&shots), fit_velocity: false })?;
    let mut evaluator = Evaluator::new(&typed.with_calibration(Arc::new(calibration)), base)?;

    println!("thickness mm   U (k = 2) mm   quality   flags");
    for shot in shots.iter().filter(|shot| shot.block.is_none()) {
        let reading = evaluator.measure(&shot.samples, shot.wall);
        match (reading.thickness, reading.uncertainty) {
            (Some(thickness), Some(u)) => {
                println!("{:12.3}   {:12.3}   {:7}   {}", thickness.as_mm(), 2.0 * u.as_mm(), reading.quality, reading.flags);
            }
            _ => println!("  no reading                  {}   {}", reading.quality, reading.flags),
        }
    }
    Ok(())
}
