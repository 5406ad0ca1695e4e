//! What decides a survey's thicknesses besides the wall, as far as the survey tells, and what differs between two.

use backwall_ultrasound::{Mode, Picker, Setup};
use backwall_units::{Length, LengthUnit, Temperature, Velocity};

/// `None` stands for what a survey does not tell.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SetupFacts {
    pub velocity: Option<Velocity>,
    pub mode: Option<Mode>,
    pub picker: Option<Picker>,
    pub wall_temperature: Option<Temperature>,
    pub velocity_slope_m_s_k: Option<f64>,
    /// Whether velocity and zero came from blocks.
    pub calibrated: Option<bool>,
}

/// A difference in wall temperature below this is not worth a word: 0.07 % of a steel wall at −0.8 m/s per kelvin.
const WORTH_TELLING: Temperature = Temperature::celsius(5.0);

impl SetupFacts {
    pub fn of(setup: &Setup, wall: Temperature) -> Self {
        Self {
            velocity: Some(setup.calibration.as_ref().map_or(setup.velocity, |calibration| calibration.velocity)),
            mode: Some(setup.mode),
            picker: Some(setup.picker),
            wall_temperature: Some(wall),
            velocity_slope_m_s_k: Some(setup.velocity_slope_m_s_k),
            calibrated: Some(setup.calibration.is_some()),
        }
    }

    /// What differs, or is not told, in words; `wall` is a usual thickness, to say what another velocity does to it.
    pub(super) fn differences(&self, earlier: &Self, wall: Option<Length>, unit: LengthUnit) -> Vec<String> {
        let mut found = Vec::new();
        let mut untold = Vec::new();
        let mut compare = |name: &'static str, same: Option<bool>, told: bool, words: &dyn Fn() -> String| match same {
            Some(false) => found.push(words()),
            None if !told => untold.push(name),
            _ => {}
        };
        let velocities = self.velocity.zip(earlier.velocity);
        compare("velocity", velocities.map(|(now, earlier)| now == earlier), earlier.velocity.is_some(), &|| {
            let (now, earlier) = velocities.unwrap_or_default();
            // T = V·t/2: the same echo read with the other velocity.
            let effect = wall.map(|wall| wall - wall * (earlier / now)).filter(|effect| effect.is_finite());
            let effect = effect.map_or(String::new(), |effect| {
                let sign = if effect < Length::ZERO { "-" } else { "+" };
                let (wall, effect, symbol) =
                    (unit.thickness(wall.unwrap_or_default()), unit.thickness(effect.abs()), unit.thickness_symbol());
                match effect == unit.thickness(Length::ZERO) {
                    true => format!("; on {wall} {symbol} that makes less than the last digit"),
                    false => format!("; on {wall} {symbol} that alone makes {sign}{effect} {symbol}"),
                }
            });
            let symbol = unit.velocity_symbol();
            format!("another velocity: {} {symbol} now, {} {symbol} earlier{effect}", unit.velocity(now), unit.velocity(earlier))
        });
        let modes = self.mode.zip(earlier.mode);
        compare("mode", modes.map(|(now, earlier)| now == earlier), earlier.mode.is_some(), &|| {
            let (now, earlier) = modes.unwrap_or_default();
            format!("another mode: {now} now, {earlier} earlier; first-echo reads paint as wall, echo-to-echo does not")
        });
        let pickers = self.picker.zip(earlier.picker);
        compare("picker", pickers.map(|(now, earlier)| now == earlier), earlier.picker.is_some(), &|| {
            let (now, earlier) = pickers.unwrap_or_default();
            format!("another picker: {now} now, {earlier} earlier")
        });
        let temperatures = self.wall_temperature.zip(earlier.wall_temperature);
        let near = temperatures.map(|(now, earlier)| (now - earlier).abs() < WORTH_TELLING);
        compare("wall temperature", near, earlier.wall_temperature.is_some(), &|| {
            let (now, earlier) = temperatures.unwrap_or_default();
            let symbol = unit.temperature_symbol();
            format!("another wall temperature: {} {symbol} now, {} {symbol} earlier", unit.temperature(now), unit.temperature(earlier))
        });
        let slopes = self.velocity_slope_m_s_k.zip(earlier.velocity_slope_m_s_k);
        compare("temperature correction", slopes.map(|(now, earlier)| now == earlier), earlier.velocity_slope_m_s_k.is_some(), &|| {
            let (now, earlier) = slopes.unwrap_or_default();
            format!("another temperature correction: {} now, {} earlier", unit.velocity_slope(now), unit.velocity_slope(earlier))
        });
        let blocks = self.calibrated.zip(earlier.calibrated);
        compare("calibration", blocks.map(|(now, earlier)| now == earlier), earlier.calibrated.is_some(), &|| {
            let word = |calibrated| if calibrated { "calibrated on blocks" } else { "typed, not calibrated" };
            let (now, earlier) = blocks.unwrap_or_default();
            format!("velocity and zero {} now, {} earlier", word(now), word(earlier))
        });
        if !untold.is_empty() {
            found.push(format!("the earlier survey does not give its {}: a difference there would look like wall", untold.join(", ")));
        }
        found
    }
}
