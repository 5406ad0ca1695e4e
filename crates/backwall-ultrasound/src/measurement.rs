//! What one waveform says of the wall: a thickness with its quality, or no echo and why.

use super::coating::Coating;
use backwall_units::{Decibel, Length, Time};
use serde::{Deserialize, Serialize};
use std::fmt;

/// One word for how far a measurement can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quality {
    /// No thickness; the flags say why.
    None,
    /// A thickness to be looked at before it is believed.
    Poor,
    Fair,
    Good,
}

impl fmt::Display for Quality {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::None => "none",
            Self::Poor => "poor",
            Self::Fair => "fair",
            Self::Good => "good",
        })
    }
}

macro_rules! flags {
    ($($(#[$doc:meta])* $name:ident = $bit:literal $text:literal $why:literal;)*) => {
        /// One thing worth knowing about a measurement. The bit is what the job file stores.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Flag { $($(#[$doc])* $name,)* }

        impl Flag {
            pub const ALL: &[Flag] = &[$(Flag::$name,)*];
            pub const fn bit(self) -> u32 {
                match self { $(Self::$name => 1 << $bit,)* }
            }
            /// The word in exports and on screen.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$name => $text,)* }
            }
            /// One line for the operator.
            pub const fn explanation(self) -> &'static str {
                match self { $(Self::$name => $why,)* }
            }
        }
    };
}

flags! {
    /// Nothing stands over threshold and noise in the gate although the tyre is in contact.
    NoBackWall = 0 "no-back-wall" "no echo over the threshold in the gate; the coupling looks good";
    NoCoupling = 1 "no-coupling" "only the tyre's own echoes: no contact with the wall";
    Saturated = 2 "saturated" "the converter clips: lower the gain";
    Ambiguous = 3 "ambiguous" "more than one echo could be the wall";
    OutOfRange = 4 "out-of-range" "the echo is outside what probe or gate can measure";
    GateEdge = 5 "gate-edge" "an echo is cut by an edge of the gate";
    Multiple = 6 "multiple" "the first echo was recognised by its multiple back-wall echoes";
    InnerReflector = 7 "inner-reflector" "something reflects before the back wall";
    Weak = 8 "weak" "the echo is far weaker than on the blocks";
    Phase = 9 "phase" "the echo's phase is turned against the blocks'";
    NoTimeBase = 10 "no-time-base" "the device has not yet given its sampling rate";
    BadShot = 11 "bad-shot" "the waveform is empty or too short to evaluate";
    DeviceNoEcho = 12 "device-no-echo" "the device itself reports that it has no echo";
    EarlyEcho = 13 "early-echo" "a weaker echo comes before the one taken";
    SingleEcho = 14 "single-echo" "echo to echo was asked for, but there is only one echo";
    /// The repeat is weaker than on the blocks: a slope, a pit's edge or roughness sends part of the beam elsewhere.
    Uneven = 15 "uneven" "the second echo is weaker than on the blocks: the wall is not even under the probe";
    /// The tyre's delay follows its temperature far more than steel does.
    Drift = 16 "drift" "the wall is warmer or colder than the blocks, the tyre's delay moves with it: read echo to echo or calibrate again";
    /// The wall may be right; what is missing is the proof that the whole beam stands on it.
    Unproven = 17 "unproven" "no second echo confirms it, and the gain may not be that of the blocks: part of the beam may see a thinner wall";
    /// Zero, path and heights are what was typed; nothing of it was seen on a block.
    Uncalibrated = 18 "uncalibrated" "no calibration on blocks is in force: zero and path between the elements are as typed";
    ZeroMoved = 19 "zero-moved" "first echo and spacing of the echoes disagree: the zero has moved or there is paint; take the zero or read echo to echo";
    /// The level is WATCH although the number is over the limit.
    LimitInDoubt = 20 "limit-in-doubt" "the watch limit is within U of the reading: not proven to be over it";
    /// Judged by the way along the line: the reading agrees with neither neighbour.
    Alone = 21 "alone" "no neighbour agrees with the reading, or it is weak and gone again within less than a beam width, or no higher and no wider than the plate's grain";
    OverNominal = 22 "over-nominal" "thicker than plates are made: check zero, velocity, temperature";
    /// The wall was measured; where is not known, and so not against which limit.
    OffLine = 23 "off-line" "the encoder gives a place beyond the planned line: the place is not believed";
    EncoderJump = 24 "encoder-jump" "the encoder jumped further than the crawler goes: the place is not believed until it jumps back";
    Repeated = 25 "repeated" "the device sent the number of the last shot again: perhaps the same shot, not this place";
    /// Judged by the way along the line; the shot alone looks whole.
    NearUneven = 26 "near-uneven" "the wall close beside it is not even, as the shots there show: the number holds under the probe, its U not beside it";
}

/// A set of [`Flag`]s.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Flags(u32);

impl Flags {
    pub const NONE: Self = Self(0);
    pub const fn from_bits(bits: u32) -> Self {
        Self(bits)
    }
    pub const fn bits(self) -> u32 {
        self.0
    }
    pub const fn of(flag: Flag) -> Self {
        Self(flag.bit())
    }
    pub const fn with(self, flag: Flag) -> Self {
        Self(self.0 | flag.bit())
    }
    pub const fn without(self, flag: Flag) -> Self {
        Self(self.0 & !flag.bit())
    }
    /// What either holds.
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
    pub const fn has(self, flag: Flag) -> bool {
        self.0 & flag.bit() != 0
    }
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }
    /// Whether part of the beam may stand on something else, or the wall close beside it does, so that number and U of a reading speak for
    /// an even wall only: beside a pit the plate's echo is weak, or its repeat is, and the pit's bottom may lie far under both.
    pub fn is_for_even_wall_only(self) -> bool {
        const SHARED: [Flag; 9] = [
            Flag::EarlyEcho,
            Flag::InnerReflector,
            Flag::Ambiguous,
            Flag::Alone,
            Flag::Weak,
            Flag::Uneven,
            Flag::Phase,
            Flag::Saturated,
            Flag::NearUneven,
        ];
        SHARED.iter().any(|flag| self.has(*flag))
    }
    pub fn iter(self) -> impl Iterator<Item = Flag> {
        Flag::ALL.iter().copied().filter(move |flag| self.has(*flag))
    }
}

impl fmt::Display for Flags {
    /// The words, joined by a single space: the form of the CSV.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, flag) in self.iter().enumerate() {
            if index > 0 {
                f.write_str(" ")?;
            }
            f.write_str(flag.word())?;
        }
        Ok(())
    }
}

/// What a waveform (or a gauge's own value) says. Times are rounded to 1 ps, lengths to 1 nm, so that what is
/// stored is exactly what was computed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measurement {
    /// Arrival of the echo that was taken, from the transmit pulse.
    pub echo_time: Option<Time>,
    /// Arrival of the next back-wall echo, where one was used or seen.
    pub next_echo: Option<Time>,
    pub thickness: Option<Length>,
    /// Standard uncertainty (k = 1) of the thickness.
    pub uncertainty: Option<Length>,
    /// Height of the echo in percent of full screen height.
    pub height_pct: Option<f64>,
    pub snr: Option<Decibel>,
    /// What lies between tyre and wall: only echo to echo, where first echo and spacing agree on one.
    pub coating: Option<Coating>,
    pub quality: Quality,
    pub flags: Flags,
}

impl Measurement {
    /// No thickness, for the reasons in `flags`.
    pub const fn none(flags: Flags) -> Self {
        Self {
            echo_time: None,
            next_echo: None,
            thickness: None,
            uncertainty: None,
            height_pct: None,
            snr: None,
            coating: None,
            quality: Quality::None,
            flags,
        }
    }
    /// Whether number and U speak for an even wall only.
    pub fn is_for_even_wall_only(&self) -> bool {
        self.thickness.is_some() && self.flags.is_for_even_wall_only()
    }
    /// The thickness, where it counts for a minimum: a reading that stands alone is kept and said, and leads nothing.
    pub fn counted(&self) -> Option<Length> {
        self.thickness.filter(|_| !self.flags.has(Flag::Alone))
    }
    /// Whether the device contradicts itself on this reading, so that whatever was measured clears nothing.
    pub fn is_distrusted(&self) -> bool {
        [Flag::OffLine, Flag::EncoderJump, Flag::Repeated].iter().any(|flag| self.flags.has(*flag))
    }
    /// Rounded to what the job file stores.
    pub fn rounded(self) -> Self {
        Self {
            echo_time: self.echo_time.map(|t| Time::picoseconds(t.as_picoseconds())),
            next_echo: self.next_echo.map(|t| Time::picoseconds(t.as_picoseconds())),
            thickness: self.thickness.map(|d| Length::nanometres(d.as_nanometres())),
            uncertainty: self.uncertainty.map(|u| Length::nanometres(u.as_nanometres())),
            height_pct: self.height_pct.map(|h| (h * 100.0).round() / 100.0),
            snr: self.snr.map(|s| Decibel::db((s.as_db() * 100.0).round() / 100.0)),
            coating: self.coating.map(Coating::rounded),
            ..self
        }
    }
}
