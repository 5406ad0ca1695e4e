//! Sound velocities of common wall materials: starting values, never a calibration.
//!
//! Ranges span the published tables (ASTM E494 Table X3.1; CRC Handbook of Chemistry and Physics; Krautkraemer and
//! Krautkraemer 1990; NDT Handbook vol. 7), which disagree by up to 12 % for the nickel-copper alloy. Absolute velocities
//! can differ by 5 % between operators (ASTM E494).

use backwall_units::{Length, Temperature, Velocity};

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Material {
    pub name: &'static str,
    /// What to start from until a block says better.
    pub velocity: Velocity,
    /// Lowest and highest published value.
    pub range: (Velocity, Velocity),
}

const fn material(name: &'static str, start: f64, low: f64, high: f64) -> Material {
    Material { name, velocity: Velocity::m_s(start), range: (Velocity::m_s(low), Velocity::m_s(high)) }
}

/// Cast iron is missing on purpose: its velocity spreads too far to start from.
pub const MATERIALS: &[Material] = &[
    material("carbon steel", 5920.0, 5830.0, 5960.0),
    material("austenitic stainless steel", 5740.0, 5640.0, 5790.0),
    material("martensitic stainless steel", 5900.0, 5880.0, 5920.0),
    material("aluminium", 6320.0, 6300.0, 6420.0),
    material("copper", 4700.0, 4660.0, 5010.0),
    material("brass", 4400.0, 4370.0, 4700.0),
    material("titanium", 6100.0, 6070.0, 6240.0),
    material("nickel", 5630.0, 5480.0, 6040.0),
    material("nickel-chromium alloy", 5720.0, 5720.0, 5820.0),
    material("nickel-copper alloy", 5350.0, 5350.0, 6020.0),
    material("high-density polyethylene", 2460.0, 2430.0, 2490.0),
    material("acrylic", 2730.0, 2670.0, 2730.0),
];

/// The material a plan names, by the words in it.
pub fn named(name: &str) -> Option<&'static Material> {
    let name = name.trim().to_lowercase();
    MATERIALS.iter().find(|m| m.name == name).or_else(|| match name.as_str() {
        "steel" | "mild steel" | "low-alloy steel" => MATERIALS.first(),
        "stainless" | "stainless steel" | "304" | "316" => MATERIALS.get(1),
        "aluminum" => MATERIALS.get(3),
        _ => None,
    })
}

/// The material whose starting value lies nearest; none when nothing is within 2 %.
pub fn nearest(velocity: Velocity) -> Option<&'static Material> {
    let off = |m: &Material| (m.velocity.as_m_s() / velocity.as_m_s() - 1.0).abs();
    MATERIALS.iter().min_by(|a, b| off(a).total_cmp(&off(b))).filter(|m| off(m) < 0.02)
}

/// The thickness of a hot wall by the rule of thumb "one per cent too thick for every 55 °C above the block"
/// (ASTM E797, high-temperature clause; value from memory).
pub fn hot_wall(reading: Length, wall: Temperature, block: Temperature) -> Length {
    reading * (1.0 - 0.01 * (wall - block).as_celsius() / 55.0)
}
