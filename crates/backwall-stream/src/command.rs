//! What an operator may send to a device by name: its bytes, the values it takes, and what the device is to answer.

use super::check::{ByteOrder, FrameCheck};
use super::layout::Wire;
use backwall_units::parse_number;
use serde::Deserialize;
use std::time::Duration;

/// What a command changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CommandKind {
    /// The amplification: echoes come at other heights than on the blocks.
    Gain,
    /// The time that is sampled, or where it begins.
    Range,
    /// Nothing that readings depend on.
    Other,
}

impl CommandKind {
    pub const fn word(self) -> &'static str {
        match self {
            Self::Gain => "gain",
            Self::Range => "range",
            Self::Other => "other",
        }
    }

    /// Whether readings after it are by another device than readings before it, as far as a calibration is concerned.
    pub const fn touches_readings(self) -> bool {
        !matches!(self, Self::Other)
    }
}

/// The values a command takes.
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    None,
    OneOf(Vec<String>),
    Between { from: f64, to: f64, decimals: usize },
}

/// How a value stands among the bytes that are sent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Encoding {
    Text,
    Number { wire: Wire, order: ByteOrder, times: f64 },
}

#[derive(Debug, Clone)]
pub struct DeviceCommand {
    pub name: String,
    /// One line for whoever is to choose it.
    pub about: String,
    pub kind: CommandKind,
    pub values: Values,
    pub unit: String,
    /// What is sent before the value, and behind it.
    pub(super) before: Vec<u8>,
    pub(super) behind: Vec<u8>,
    pub(super) encoding: Encoding,
    /// The check that goes behind.
    pub(super) check: Option<FrameCheck>,
    /// What the body of the answer begins with; empty where none is due.
    pub(super) answer: Vec<u8>,
    pub(super) patience: Duration,
}

/// A command with its value, ready to be sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommandOrder {
    /// `gain 26 dB`.
    pub words: String,
    /// Who sends it.
    pub by: String,
    pub kind: CommandKind,
    pub bytes: Vec<u8>,
    pub answer: Vec<u8>,
    pub patience: Duration,
}

/// What became of an order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ordered {
    /// Its bytes went out; whether the device took it is not known yet, or never.
    Sent,
    Answered,
    /// No answer came in time.
    Unanswered,
    /// Nothing went out, and why.
    NotSent(String),
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OrderError {
    #[error("the profile knows no command '{name}'; it knows {known}")]
    Unknown { name: String, known: String },
    #[error("the profile has no [[command]]: nothing can be sent to the device by name")]
    NoCommands,
    #[error("{name} takes no value, but got '{value}'")]
    NoValue { name: String, value: String },
    #[error("{name} takes one of {values}, not '{value}'")]
    OneOf { name: String, values: String, value: String },
    #[error("{name} takes {values}, not '{value}'")]
    Between { name: String, values: String, value: String },
    #[error("{name}: '{value}' cannot be written as the profile's value_type")]
    Encoding { name: String, value: String },
}

impl DeviceCommand {
    /// With this value, or why not.
    pub fn order(&self, value: &str) -> Result<CommandOrder, OrderError> {
        let value = self.allowed(value.trim())?;
        let mut bytes = self.before.clone();
        bytes.extend(self.encoded(&value).ok_or_else(|| OrderError::Encoding { name: self.name.clone(), value: value.clone() })?);
        bytes.extend_from_slice(&self.behind);
        if let Some(check) = &self.check {
            check.append(&mut bytes);
        }
        let words = [self.name.as_str(), &value, if value.is_empty() { "" } else { &self.unit }];
        let words = words.into_iter().filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ");
        Ok(CommandOrder { words, by: String::new(), kind: self.kind, bytes, answer: self.answer.clone(), patience: self.patience })
    }

    /// `20, 26 or 32 dB`, `from 0 to 80 dB`; nothing where it takes no value.
    pub fn values_in_words(&self) -> String {
        let words = match &self.values {
            Values::None => return String::new(),
            Values::OneOf(values) => values.join(", "),
            Values::Between { from, to, decimals } => format!("from {from:.decimals$} to {to:.decimals$}"),
        };
        format!("{words} {}", self.unit).trim_end().to_owned()
    }

    fn allowed(&self, value: &str) -> Result<String, OrderError> {
        let (name, given) = (self.name.clone(), value.to_owned());
        match &self.values {
            Values::None if value.is_empty() => Ok(String::new()),
            Values::None => Err(OrderError::NoValue { name, value: given }),
            Values::OneOf(values) if values.contains(&given) => Ok(given),
            Values::OneOf(_) => Err(OrderError::OneOf { name, values: self.values_in_words(), value: given }),
            Values::Between { from, to, decimals } => {
                let written = parse_number(value).ok().filter(|number| (*from..=*to).contains(number));
                let kept = written.map(|number| format!("{number:.decimals$}"));
                // A value that would be rounded is another than was asked for.
                match kept.filter(|kept| kept.parse::<f64>().ok().zip(written).is_some_and(|(kept, asked)| (kept - asked).abs() < 1e-9)) {
                    Some(kept) => Ok(kept),
                    None => {
                        let values = match decimals {
                            0 => format!("whole numbers {}", self.values_in_words()),
                            _ => format!("{} with {decimals} decimals at most", self.values_in_words()),
                        };
                        Err(OrderError::Between { name, values, value: given })
                    }
                }
            }
        }
    }

    /// The value as it is sent; `None` where the type cannot hold it.
    pub(super) fn encoded(&self, value: &str) -> Option<Vec<u8>> {
        let Encoding::Number { wire, order, times } = self.encoding else { return Some(value.as_bytes().to_vec()) };
        if matches!(self.values, Values::None) {
            return Some(Vec::new());
        }
        let number = value.parse::<f64>().ok()? * times;
        let width = wire.width()?;
        let raw = match wire {
            Wire::F32 => u64::from((number as f32).to_bits()),
            Wire::F64 => number.to_bits(),
            _ => {
                let whole = number.round();
                let bits = 8 * width as i32;
                let (low, high) = if wire.is_signed() { (-(2f64.powi(bits - 1)), 2f64.powi(bits - 1)) } else { (0.0, 2f64.powi(bits)) };
                if (number - whole).abs() > 1e-6 || whole < low || whole >= high {
                    return None;
                }
                whole as i128 as u64
            }
        };
        Some(order.written(raw, width))
    }
}

/// The command of this name with its value: `gain=26`, `freeze`.
pub fn order_of(commands: &[DeviceCommand], asked: &str) -> Result<CommandOrder, OrderError> {
    let (name, value) = asked.split_once('=').unwrap_or((asked, ""));
    match commands.iter().find(|command| command.name == name.trim()) {
        Some(command) => command.order(value),
        None if commands.is_empty() => Err(OrderError::NoCommands),
        None => {
            let known = commands.iter().map(|command| command.name.as_str()).collect::<Vec<_>>().join(", ");
            Err(OrderError::Unknown { name: name.trim().to_owned(), known })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Profile;

    const LINES: &str = "name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\nfields = [{ meaning = \"thickness\", column = 1, unit = \"mm\" }]\n";

    fn command(text: &str) -> DeviceCommand {
        let profile = Profile::parse("t.toml", &format!("{LINES}[[command]]\n{text}")).unwrap();
        profile.commands()[0].clone()
    }

    #[test]
    fn a_value_stands_in_text_as_it_is_allowed_and_no_other_is_sent() {
        let gain = command("name = \"gain\"\nkind = \"gain\"\ntext = \"G{value}\\r\\n\"\nfrom = 0\nto = 80\ndecimals = 1\nunit = \"dB\"\n");
        let order = gain.order("26").unwrap();
        assert_eq!((order.bytes.as_slice(), order.words.as_str()), (&b"G26.0\r\n"[..], "gain 26.0 dB"));
        for wrong in ["81", "-1", "26.05", "", "loud"] {
            let said = gain.order(wrong).unwrap_err().to_string();
            assert!(said.contains("from 0.0 to 80.0 dB"), "{said}");
        }
        let mode = command("name = \"mode\"\nkind = \"other\"\ntext = \"M {value}\\n\"\nvalues = [\"FAST\", 2]\n");
        assert_eq!((mode.order("2").unwrap().bytes, mode.order("FAST").unwrap().bytes), (b"M 2\n".to_vec(), b"M FAST\n".to_vec()));
        assert!(mode.order("SLOW").unwrap_err().to_string().contains("one of FAST, 2"));
    }

    // The request of function 6, write single register: Modbus application protocol V1.1b3, 6.6. Its CRC is held against published values in `crc`.
    #[test]
    fn a_value_stands_among_bytes_with_the_check_behind() {
        let text = "name = \"t\"\nbyte_order = \"big\"\n[framing]\nkind = \"fixed\"\nframe_bytes = 8\n[check]\nkind = \"crc\"\nalgorithm = \"CRC-16/MODBUS\"\n\
            byte_order = \"little\"\n[[record]]\nkind = \"gauge\"\nfields = [{ type = \"skip\", bytes = 4 }, { meaning = \"thickness\", type = \"u16\", unit = \"um\" }]\n\
            [[command]]\nname = \"gain\"\nkind = \"gain\"\nhex = \"01 06 00 08 {value}\"\nvalue_type = \"u16\"\nvalue_times = 10\nfrom = 0\nto = 80\n\
            decimals = 1\nunit = \"dB\"\nadd_check = true\nanswer_hex = \"01 06 00 08\"\n";
        let profile = Profile::parse("t.toml", text).unwrap();
        let order = order_of(profile.commands(), "gain=25.6").unwrap();
        assert_eq!(order.bytes[..6], [0x01, 0x06, 0x00, 0x08, 0x01, 0x00]);
        let sum = crate::crc::by_name("CRC-16/MODBUS").unwrap().of(&order.bytes[..6]);
        assert_eq!(order.bytes[6..], (sum as u16).to_le_bytes());
        assert!(matches!(order_of(profile.commands(), "volume=3"), Err(OrderError::Unknown { .. })));
    }
}
