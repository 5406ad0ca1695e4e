//! Lengths, times and the other quantities of the trade, as types.
//!
//! Every quantity that crosses a room's wall is one of these, so that a millimetre is never taken for an
//! inch nor a microsecond for a nanosecond. Serialised, each is the plain number in the unit its
//! constructor-of-record names (`Length` mm, `Time` ns, `Velocity` m/s, `Frequency` Hz, `Temperature` °C,
//! `Decibel` dB, `Pressure` MPa, `LossRate` mm a year, `Years` years, `Minutes` minutes); the key of the plan or the JSON carries that unit in its name.

mod quantity;
#[cfg(test)]
mod tests;
mod unit;
mod wording;
mod written;

pub use quantity::*;
pub use unit::{LengthError, LengthUnit, NumberError, parse_length, parse_number};
pub use wording::Wording;
pub use written::*;
