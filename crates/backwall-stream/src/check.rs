//! Is a frame as its device sent it? The check value in it, and what it covers.

use super::crc::Checksum;

/// Which end of a number comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ByteOrder {
    #[default]
    Little,
    Big,
    /// The highest byte first within each 16 bits, the lowest 16 bits first: how many send long numbers in registers.
    Swapped,
}

impl ByteOrder {
    /// An unsigned number of up to eight bytes.
    pub fn unsigned(self, bytes: &[u8]) -> u64 {
        let add = |value: u64, byte: &u8| value << 8 | u64::from(*byte);
        match self {
            Self::Big => bytes.iter().fold(0, add),
            Self::Little => bytes.iter().rev().fold(0, add),
            Self::Swapped => bytes.rchunks(2).flatten().fold(0, add),
        }
    }

    /// The lowest `width` bytes of a number, as they are sent.
    pub fn written(self, value: u64, width: usize) -> Vec<u8> {
        let all = &value.to_be_bytes()[8 - width..];
        match self {
            Self::Big => all.to_vec(),
            Self::Little => all.iter().rev().copied().collect(),
            Self::Swapped => all.rchunks(2).flatten().copied().collect(),
        }
    }
}

#[derive(Debug, Clone)]
pub enum CheckKind {
    None,
    Crc(Checksum),
    /// All covered bytes, exclusive-or; the check of NMEA 0183 sentences.
    Xor,
    /// All covered bytes, added, modulo 256.
    Sum,
}

/// Where the check value stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CheckPlace {
    /// The last bytes of the frame.
    End,
    /// At a fixed byte, in front of all it covers.
    At(usize),
    /// In hexadecimal digits to the end, behind this sign.
    HexBehind(u8),
}

#[derive(Debug, Clone)]
pub struct FrameCheck {
    pub kind: CheckKind,
    pub place: CheckPlace,
    pub order: ByteOrder,
    /// The first byte covered.
    pub from: usize,
}

impl FrameCheck {
    pub const NONE: Self = Self { kind: CheckKind::None, place: CheckPlace::End, order: ByteOrder::Little, from: 0 };

    /// Bytes of the value itself.
    pub fn width(&self) -> usize {
        match &self.kind {
            CheckKind::None => 0,
            CheckKind::Crc(sum) => sum.bytes(),
            CheckKind::Xor | CheckKind::Sum => 1,
        }
    }

    /// Strong enough that a cut frame does not pass for a whole one.
    pub fn is_strong(&self) -> bool {
        self.width() >= 4
    }

    /// Where the body ends; `None` where the check fails.
    pub fn body_end(&self, frame: &[u8]) -> Option<usize> {
        if self.width() == 0 {
            return Some(frame.len());
        }
        let read = self.read(frame)?;
        (read.due == read.sent).then_some(read.body_end)
    }

    /// The check value of a frame as it was sent and as it should be; `None` where there is none.
    pub fn read(&self, frame: &[u8]) -> Option<CheckRead> {
        let width = self.width();
        let (body_end, sent) = match self.place {
            CheckPlace::End => {
                let end = frame.len().checked_sub(width)?;
                (end, self.order.unsigned(&frame[end..]))
            }
            CheckPlace::At(at) => (frame.len(), self.order.unsigned(frame.get(at..at + width)?)),
            CheckPlace::HexBehind(sign) => {
                let at = frame.iter().rposition(|byte| *byte == sign)?;
                let digits = frame[at + 1..].trim_ascii_end();
                if digits.len() != 2 * width || !digits.iter().all(u8::is_ascii_hexdigit) {
                    return None;
                }
                (at, u64::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()?)
            }
        };
        let due = self.of(frame.get(self.from..body_end)?);
        Some(CheckRead { body_end, sent, due })
    }

    /// The check value of bytes.
    fn of(&self, covered: &[u8]) -> u64 {
        match &self.kind {
            CheckKind::None => 0,
            CheckKind::Crc(sum) => sum.of(covered),
            CheckKind::Xor => u64::from(covered.iter().fold(0, |sum, byte| sum ^ byte)),
            CheckKind::Sum => u64::from(covered.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte))),
        }
    }

    /// Puts the check value behind bytes that are to be sent.
    pub fn append(&self, bytes: &mut Vec<u8>) {
        let value = self.of(bytes.get(self.from..).unwrap_or_default());
        bytes.extend(self.order.written(value, self.width()));
    }
}

/// A check value as it stands in a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CheckRead {
    pub body_end: usize,
    pub sent: u64,
    pub due: u64,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sentence printed as an example of the NMEA 0183 checksum in many receivers' manuals
    /// (for one: gpsd.gitlab.io/gpsd/NMEA.html).
    #[test]
    fn a_published_sentence_passes_the_exclusive_or_check() {
        let check = FrameCheck { kind: CheckKind::Xor, place: CheckPlace::HexBehind(b'*'), order: ByteOrder::Little, from: 1 };
        let sentence = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47";
        assert_eq!(check.body_end(sentence), Some(sentence.len() - 3));
        let mut wrong = sentence.to_vec();
        wrong[10] ^= 1;
        assert_eq!(check.body_end(&wrong), None);
        assert_eq!(check.body_end(&sentence[..sentence.len() - 1]), None, "a digit is missing");
        assert_eq!(check.body_end(b"$GPGGA,1"), None, "no check at all");
    }

    #[test]
    fn numbers_are_read_from_either_end() {
        assert_eq!(ByteOrder::Little.unsigned(&[1, 2, 3]), 0x030201);
        assert_eq!(ByteOrder::Big.unsigned(&[1, 2, 3]), 0x010203);
        assert_eq!(ByteOrder::Swapped.unsigned(&[3, 4, 1, 2]), 0x01020304);
    }

    #[test]
    fn a_check_may_stand_in_front_or_at_the_end() {
        let sum = super::super::crc::by_name("CRC-16/MODBUS").unwrap();
        // Check value of the catalogue: 0x4B37 over the digits 1 to 9.
        let mut check = FrameCheck { kind: CheckKind::Crc(sum), place: CheckPlace::At(1), order: ByteOrder::Big, from: 3 };
        assert_eq!(check.body_end(b"\xAA\x4B\x37123456789"), Some(12));
        check.place = CheckPlace::End;
        check.order = ByteOrder::Little;
        check.from = 0;
        assert_eq!(check.body_end(b"123456789\x37\x4B"), Some(9));
        assert_eq!(check.body_end(b"\x01"), None);
        assert_eq!(check.body_end(b""), None);
    }
}
