//! What a field of a device's record means, and in which units it may come.

use backwall_units::MM_PER_INCH;
use serde::Deserialize;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Meaning {
    Seq,
    DeviceTime,
    Encoder,
    Across,
    Gain,
    Samples,
    SampleRate,
    FirstSample,
    ConverterBits,
    SampleCount,
    DeviceId,
    DeviceName,
    Battery,
    SurfaceTemperature,
    Thickness,
    EchoTime,
    Version,
    Channel,
}

/// What kind of record a rule makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RecordKind {
    Header,
    Shot,
    Status,
    Gauge,
    /// Known, and of no use here.
    Ignore,
}

impl RecordKind {
    pub const fn word(self) -> &'static str {
        match self {
            Self::Header => "header",
            Self::Shot => "shot",
            Self::Status => "status",
            Self::Gauge => "gauge",
            Self::Ignore => "ignore",
        }
    }
}

impl Meaning {
    /// As written in a profile.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Seq => "seq",
            Self::DeviceTime => "device-time",
            Self::Encoder => "encoder",
            Self::Across => "across",
            Self::Gain => "gain",
            Self::Samples => "samples",
            Self::SampleRate => "sample-rate",
            Self::FirstSample => "first-sample",
            Self::ConverterBits => "converter-bits",
            Self::SampleCount => "sample-count",
            Self::DeviceId => "device-id",
            Self::DeviceName => "device-name",
            Self::Battery => "battery",
            Self::SurfaceTemperature => "surface-temperature",
            Self::Thickness => "thickness",
            Self::EchoTime => "echo-time",
            Self::Version => "version",
            Self::Channel => "channel",
        }
    }

    pub fn belongs_to(self, kind: RecordKind) -> bool {
        use Meaning as M;
        match kind {
            RecordKind::Header => matches!(
                self,
                M::SampleRate | M::FirstSample | M::ConverterBits | M::SampleCount | M::DeviceId | M::DeviceName | M::Version
            ),
            RecordKind::Shot => {
                matches!(self, M::Seq | M::DeviceTime | M::Encoder | M::Across | M::Gain | M::Samples | M::FirstSample | M::Channel)
            }
            RecordKind::Status => matches!(self, M::DeviceTime | M::Battery | M::SurfaceTemperature),
            RecordKind::Gauge => matches!(self, M::Seq | M::DeviceTime | M::Encoder | M::Across | M::Thickness | M::EchoTime | M::Channel),
            RecordKind::Ignore => false,
        }
    }

    /// Part of what was measured, which is of no use where the device says that it is invalid.
    pub const fn is_measured(self) -> bool {
        matches!(self, Self::Thickness | Self::EchoTime | Self::Samples | Self::Gain | Self::FirstSample)
    }

    /// Never negative, whatever the device.
    pub const fn only_grows(self) -> bool {
        matches!(
            self,
            Self::Seq
                | Self::DeviceTime
                | Self::SampleRate
                | Self::SampleCount
                | Self::ConverterBits
                | Self::Thickness
                | Self::EchoTime
                | Self::Battery
        )
    }

    /// Counts on, and goes round where its number ends.
    pub const fn is_counter(self) -> bool {
        matches!(self, Self::Seq | Self::DeviceTime | Self::Encoder | Self::Across)
    }

    /// The units this meaning may come in; empty where it has none.
    pub const fn units(self) -> &'static [Unit] {
        match self {
            Self::DeviceTime => {
                const { &[Unit::of("us", 1.0, 1.0), Unit::of("ms", 1e3, 1.0), Unit::of("s", 1e6, 1.0), Unit::of("ns", 1.0, 1e3)] }
            }
            Self::Gain => const { &[Unit::of("dB", 1.0, 1.0)] },
            Self::SampleRate => const { &[Unit::of("Hz", 1.0, 1.0), Unit::of("kHz", 1e3, 1.0), Unit::of("MHz", 1e6, 1.0)] },
            Self::FirstSample | Self::EchoTime => const { &[Unit::of("ns", 1.0, 1.0), Unit::of("us", 1e3, 1.0), Unit::of("ps", 1.0, 1e3)] },
            Self::Battery => const { &[Unit::of("mV", 1.0, 1.0), Unit::of("V", 1e3, 1.0)] },
            Self::SurfaceTemperature => const { &[Unit::of("C", 1.0, 1.0), Unit { word: "F", times: 5.0, over: 9.0, zero: 32.0 }] },
            Self::Thickness => {
                const {
                    &[
                        Unit::of("mm", 1.0, 1.0),
                        Unit::of("um", 1.0, 1e3),
                        Unit::of("nm", 1.0, 1e6),
                        Unit::of("in", MM_PER_INCH, 1.0),
                        Unit::of("mil", MM_PER_INCH, 1e3),
                    ]
                }
            }
            _ => &[],
        }
    }

    pub fn unit(self, written: &str) -> Option<Unit> {
        let written = written.trim().trim_start_matches('°').replace(['µ', 'μ'], "u");
        let written = if written == "\"" { "in" } else { written.as_str() };
        // V and mV, C and F, Hz and MHz: none differs from another by case alone, and devices print both.
        self.units().iter().find(|unit| unit.word.eq_ignore_ascii_case(written)).copied()
    }

    pub fn unit_words(self) -> String {
        self.units().iter().map(|unit| unit.word).collect::<Vec<_>>().join(", ")
    }
}

/// From a device's unit to the unit of record: `(value - zero) * times / over`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    pub word: &'static str,
    times: f64,
    over: f64,
    zero: f64,
}

impl Unit {
    pub const ONE: Self = Self::of("", 1.0, 1.0);

    const fn of(word: &'static str, times: f64, over: f64) -> Self {
        Self { word, times, over, zero: 0.0 }
    }

    pub fn apply(self, value: f64) -> f64 {
        (value - self.zero) * self.times / self.over
    }

    pub fn is_one(self) -> bool {
        self.times == self.over && self.zero == 0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Exact by definition: 1 in = 25.4 mm; 0 °C = 32 °F and 100 °C = 212 °F.
    #[test]
    fn values_come_in_the_units_devices_print() {
        for (meaning, unit, value, want) in [
            (Meaning::Thickness, "in", 0.5, 12.7),
            (Meaning::Thickness, "\"", 1.0, 25.4),
            (Meaning::Thickness, "IN", 1.0, 25.4),
            (Meaning::Thickness, "µm", 6204.0, 6.204),
            (Meaning::Thickness, "mil", 500.0, 12.7),
            (Meaning::EchoTime, "us", 3.378, 3378.0),
            (Meaning::DeviceTime, "ms", 12.5, 12500.0),
            (Meaning::SurfaceTemperature, "°F", 212.0, 100.0),
            (Meaning::SurfaceTemperature, "C", -12.5, -12.5),
            (Meaning::Battery, "V", 11.8, 11800.0),
        ] {
            let got = meaning.unit(unit).unwrap().apply(value);
            assert!((got - want).abs() < 1e-9, "{meaning:?} {unit}: {got}");
        }
        assert_eq!(Meaning::Thickness.unit("us"), None);
        assert_eq!(Meaning::Seq.unit("mm"), None);
    }
}
