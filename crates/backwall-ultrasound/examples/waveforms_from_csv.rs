//! Waveforms from a CSV: calibrate on the blocks in it, then print each wall's thickness with U.
//!
//! ```text
//! cargo run --release -p backwall-ultrasound --example waveforms_from_csv [FILE.csv]
//! ```
//!
//! A row is one shot: `block_mm` (empty where the wall is not known), `temperature_c`, then the samples as converter codes.
//! The file beside this one is simulated: 5 MHz, 100 MS/s from 4.5 µs on, 16 bits; its six walls are known to be 9.950,
//! 10.007, 10.064, 10.121, 10.179 and 10.236 mm.

use backwall_ultrasound::{Block, CalibrationInput, Evaluator, Gate, Mode, Picker, Setup, TimeBase, calibrate};
use backwall_units::{Frequency, Length, Temperature, Time, Velocity};
use std::collections::BTreeMap;
use std::error::Error;
use std::sync::Arc;

fn main() -> Result<(), Box<dyn Error>> {
    let path = std::env::args().nth(1).unwrap_or_else(|| concat!(env!("CARGO_MANIFEST_DIR"), "/examples/waveforms.csv").to_owned());
    let base = TimeBase { rate: Frequency::mhz(100.0), first: Time::us(4.5), bits: 16 };
    // What a data sheet says of probe and steel; zero, element separation and pulse are then found on the blocks.
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
        block_temperature: Temperature::celsius(20.0),
        velocity_slope_m_s_k: -0.8,
        calibration: None,
    };

    let mut blocks: BTreeMap<i64, Block> = BTreeMap::new();
    let mut walls: Vec<(Temperature, Vec<i16>)> = Vec::new();
    for (index, row) in csv::Reader::from_path(&path)?.records().enumerate() {
        let row = row?;
        let field = |at: usize| row.get(at).unwrap_or_default().trim();
        let wrong = |what: &str| format!("{path}:{}: {what}", index + 2);
        let temperature = Temperature::celsius(field(1).parse().map_err(|_| wrong("temperature_c is not a number"))?);
        let samples: Result<Vec<i16>, _> = row.iter().skip(2).map(|code| code.trim().parse()).collect();
        let samples = samples.map_err(|_| wrong("a sample is not a whole number from -32768 to 32767"))?;
        if field(0).is_empty() {
            walls.push((temperature, samples));
        } else {
            let thickness = Length::mm(field(0).parse().map_err(|_| wrong("block_mm is not a number"))?);
            let empty = Block { thickness, temperature, shots: Vec::new(), gain: None };
            blocks.entry(thickness.as_micrometres()).or_insert(empty).shots.push(Arc::from(samples));
        }
    }

    let blocks: Vec<Block> = blocks.into_values().collect();
    let calibration = calibrate(&CalibrationInput { setup: &typed, base, blocks: &blocks, fit_velocity: true })?;
    for warning in &calibration.warnings {
        println!("note: {warning}");
    }
    let setup = typed.with_calibration(Arc::new(calibration));
    println!("velocity {:.0} m/s, zero {:.1} ns, from {} blocks", setup.velocity.as_m_s(), setup.zero.as_ns(), blocks.len());

    let mut evaluator = Evaluator::new(&setup, base)?;
    for (number, (temperature, samples)) in (1..).zip(&walls) {
        let found = evaluator.measure(samples, *temperature);
        match (found.thickness, found.uncertainty) {
            // The expanded uncertainty with k = 2: JCGM 100:2008, 6.2.
            (Some(wall), Some(u)) => {
                println!("wall {number}: {:.3} mm ± {:.3} mm (k = 2), {} {}", wall.as_mm(), 2.0 * u.as_mm(), found.quality, found.flags);
            }
            _ => println!("wall {number}: no thickness, {}", found.flags),
        }
    }
    Ok(())
}
