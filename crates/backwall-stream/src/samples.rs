//! The samples of a waveform, however they are sent: numbers one after the other, differences, or base64.

use super::check::ByteOrder;
use super::layout::{LayoutError, LayoutField, Number, Scale, Wire};
use base64::Engine;
use std::sync::Arc;

/// How samples are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SampleEncoding {
    /// Of the numbers, where they are bytes.
    pub wire: Wire,
    pub order: ByteOrder,
    /// Each number is the difference to the one before; the first is its own.
    pub delta: bool,
    /// Text holds the bytes in base64 (RFC 4648).
    pub base64: bool,
}

impl SampleEncoding {
    pub const NONE: Self = Self { wire: Wire::I16, order: ByteOrder::Little, delta: false, base64: false };
}

impl LayoutField {
    /// Samples as bytes.
    pub fn binary_samples(&self, bytes: &[u8]) -> Result<Arc<[i16]>, LayoutError> {
        let SampleEncoding { wire, order, delta, .. } = self.encoding;
        let width = wire.width().unwrap_or(1);
        if !bytes.len().is_multiple_of(width) {
            return Err(LayoutError::LeftOver(bytes.len() % width));
        }
        if wire == Wire::I16 && self.scale == Scale::ONE && !delta {
            let pairs = bytes.as_chunks::<2>().0.iter().copied();
            // By way of a vector: that is copied many samples at a time, a shared slice is filled one by one.
            let samples: Vec<i16> = match order {
                ByteOrder::Little => pairs.map(i16::from_le_bytes).collect(),
                ByteOrder::Big | ByteOrder::Swapped => pairs.map(i16::from_be_bytes).collect(),
            };
            return Ok(samples.into());
        }
        self.samples(bytes.chunks_exact(width).map(|one| Ok(wire.number(order, one))))
    }

    /// Samples as columns of text.
    pub fn text_samples(&self, columns: &[&str]) -> Result<Arc<[i16]>, LayoutError> {
        self.samples(columns.iter().map(|text| Number::parse(text, self.decimal_comma).ok_or_else(|| self.not_a_number(text))))
    }

    /// Samples as a list of JSON.
    pub fn listed_samples(&self, list: &[serde_json::Value]) -> Result<Arc<[i16]>, LayoutError> {
        self.samples(list.iter().map(|one| {
            let whole = one.as_i64().map(|whole| Number::Whole(i128::from(whole)));
            whole.or(one.as_f64().map(Number::Float)).ok_or_else(|| self.not_a_number(&one.to_string()))
        }))
    }

    /// Samples as one text.
    pub fn encoded_samples(&self, text: &str) -> Result<Arc<[i16]>, LayoutError> {
        if !self.encoding.base64 {
            return Err(self.not_a_number(text));
        }
        let bytes = base64::engine::general_purpose::STANDARD.decode(text.trim()).map_err(|_| self.not_a_number("no base64"))?;
        self.binary_samples(&bytes)
    }

    fn samples(&self, numbers: impl Iterator<Item = Result<Number, LayoutError>>) -> Result<Arc<[i16]>, LayoutError> {
        let mut before = 0.0;
        numbers
            .map(|number| {
                let number = number?.as_f64();
                if self.encoding.delta {
                    before += number;
                }
                self.sample(if self.encoding.delta { before } else { number })
            })
            .collect()
    }

    fn sample(&self, value: f64) -> Result<i16, LayoutError> {
        let value = self.scale.apply(value);
        // Bits that are left away are left away: rounded up, the highest sample would be too high.
        let value = if self.scale.divides() { value.floor() } else { value.round() };
        if value >= f64::from(i16::MIN) && value <= f64::from(i16::MAX) { Ok(value as i16) } else { Err(self.out_of_range()) }
    }
}
