//! Serde for keys that carry another unit in their name than the one a quantity is written in by itself.

use crate::{Frequency, Length, Time};

/// A module for `#[serde(with = ...)]`: a quantity as a plain number, or one that may be left out.
macro_rules! written {
    ($(#[$about:meta])* $name:ident: Option<$quantity:ident> as $number:ty, $as_number:ident, $of_number:ident) => {
        $(#[$about])*
        pub mod $name {
            use super::$quantity;
            use serde::{Deserialize, Deserializer, Serialize, Serializer};

            pub fn serialize<S: Serializer>(quantity: &Option<$quantity>, serializer: S) -> Result<S::Ok, S::Error> {
                quantity.map($quantity::$as_number).serialize(serializer)
            }
            pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<$quantity>, D::Error> {
                Ok(Option::<$number>::deserialize(deserializer)?.map($quantity::$of_number))
            }
        }
    };
    ($(#[$about:meta])* $name:ident: $quantity:ident as $number:ty, $as_number:ident, $of_number:ident) => {
        $(#[$about])*
        pub mod $name {
            use super::$quantity;
            use serde::{Deserialize, Deserializer, Serialize, Serializer};

            pub fn serialize<S: Serializer>(quantity: &$quantity, serializer: S) -> Result<S::Ok, S::Error> {
                quantity.$as_number().serialize(serializer)
            }
            pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<$quantity, D::Error> {
                <$number>::deserialize(deserializer).map($quantity::$of_number)
            }
        }
    };
}

written! {
    /// Serde for plan keys that end in `_us`: a [`Time`](crate::Time) written in microseconds.
    microseconds: Time as f64, as_us, us
}
written! {
    /// The same for a key that may be left out.
    some_microseconds: Option<Time> as f64, as_us, us
}
written! {
    /// Serde for plan keys that end in `_m` and may be left out: a [`Length`](crate::Length) written in metres.
    some_metres: Option<Length> as f64, as_metres, metres
}
written! {
    /// Serde for plan keys that end in `_mhz`: a [`Frequency`](crate::Frequency) written in megahertz.
    megahertz: Frequency as f64, as_mhz, mhz
}
written! {
    /// Serde for keys that end in `_um`: a place as whole micrometres.
    whole_micrometres: Length as i64, as_micrometres, micrometres
}
written! {
    /// The same for a key that may be left out.
    some_micrometres: Option<Length> as i64, as_micrometres, micrometres
}
written! {
    /// Serde for keys that end in `_nm`: a thickness as whole nanometres.
    whole_nanometres: Length as i64, as_nanometres, nanometres
}

/// The same for several thicknesses.
pub mod every_nanometre {
    use super::Length;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(lengths: &[Length], serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(lengths.iter().map(|length| length.as_nanometres()))
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Length>, D::Error> {
        Ok(Vec::<i64>::deserialize(deserializer)?.into_iter().map(Length::nanometres).collect())
    }
}
