//! Serde for keys that carry another unit in their name than the one a quantity is written in by itself.

/// Serde for plan keys that end in `_us`: a [`Time`](crate::Time) written in microseconds.
pub mod microseconds {
    use crate::Time;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(time: &Time, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(time.as_us())
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Time, D::Error> {
        f64::deserialize(deserializer).map(Time::us)
    }
}

/// The same for a key that may be left out.
pub mod some_microseconds {
    use crate::Time;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(time: &Option<Time>, serializer: S) -> Result<S::Ok, S::Error> {
        time.map(Time::as_us).serialize(serializer)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Time>, D::Error> {
        Ok(Option::<f64>::deserialize(deserializer)?.map(Time::us))
    }
}

/// Serde for plan keys that end in `_m` and may be left out: a [`Length`](crate::Length) written in metres.
pub mod some_metres {
    use crate::Length;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(length: &Option<Length>, serializer: S) -> Result<S::Ok, S::Error> {
        length.map(Length::as_metres).serialize(serializer)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Length>, D::Error> {
        Ok(Option::<f64>::deserialize(deserializer)?.map(Length::metres))
    }
}

/// Serde for plan keys that end in `_mhz`: a [`Frequency`](crate::Frequency) written in megahertz.
pub mod megahertz {
    use crate::Frequency;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(frequency: &Frequency, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(frequency.as_mhz())
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Frequency, D::Error> {
        f64::deserialize(deserializer).map(Frequency::mhz)
    }
}

/// Serde for keys that end in `_um`: a place as whole micrometres.
pub mod whole_micrometres {
    use crate::Length;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(length: &Length, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_i64(length.as_micrometres())
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Length, D::Error> {
        i64::deserialize(deserializer).map(Length::micrometres)
    }
}

/// The same for a key that may be left out.
pub mod some_micrometres {
    use crate::Length;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(length: &Option<Length>, serializer: S) -> Result<S::Ok, S::Error> {
        length.map(Length::as_micrometres).serialize(serializer)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Length>, D::Error> {
        Ok(Option::<i64>::deserialize(deserializer)?.map(Length::micrometres))
    }
}

/// Serde for keys that end in `_nm`: a thickness as whole nanometres.
pub mod whole_nanometres {
    use crate::Length;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(length: &Length, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_i64(length.as_nanometres())
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Length, D::Error> {
        i64::deserialize(deserializer).map(Length::nanometres)
    }
}

/// The same for several thicknesses.
pub mod every_nanometre {
    use crate::Length;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(lengths: &[Length], serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(lengths.iter().map(|length| length.as_nanometres()))
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Length>, D::Error> {
        Ok(Vec::<i64>::deserialize(deserializer)?.into_iter().map(Length::nanometres).collect())
    }
}
