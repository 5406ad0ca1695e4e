//! A profile says how to read one kind of device. A new device needs a profile, not a new build.

#[cfg(test)]
mod broken_tests;
mod build;
mod commands;
mod conditions;
mod findings;
mod fits;
pub mod proof;
mod records;
mod written;

use super::check::FrameCheck;
use super::command::DeviceCommand;
use super::framing::{Framer, Framing};
use super::layout::RecordRule;
use super::meaning::{Meaning, RecordKind};
use backwall_survey::job::PlanError;
use backwall_survey::reading::Header;
use backwall_ultrasound::TimeBase;
use backwall_units::{Frequency, Time};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;
pub use written::{Flow, Parity};

/// A profile that passed every check.
#[derive(Debug, Clone)]
pub struct Profile {
    pub name: String,
    /// The TOML it was read from, whole; kept with every run.
    pub text: String,
    /// One line on the device it reads.
    pub about: String,
    pub link: LinkSettings,
    /// Over a network, so much silence means that the link is lost.
    pub silence: Option<Duration>,
    pub(super) framing: Framing,
    pub(super) max_frame_bytes: usize,
    pub(super) check: FrameCheck,
    pub(super) fixed_header: FixedHeader,
    pub(super) records: Vec<RecordRule>,
    /// The one channel that is read, where the device has several.
    pub channel: Option<String>,
    /// What the device is asked again and again, where it does not send by itself.
    pub(super) poll: Option<Poll>,
    send: SendOrder,
    commands: Vec<DeviceCommand>,
}

/// The serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LinkSettings {
    pub baud: u32,
    pub data_bits: u8,
    pub parity: Parity,
    pub stop_bits: u8,
    pub flow: Flow,
}

/// What a device never says of itself.
#[derive(Debug, Clone, Default)]
pub struct FixedHeader {
    pub rate: Option<Frequency>,
    pub first: Option<Time>,
    pub bits: Option<u8>,
    pub samples: Option<u16>,
    pub device_id: u32,
    pub device_name: String,
}

#[derive(Debug, Clone, Default)]
struct SendOrder {
    start: Vec<u8>,
    stop: Vec<u8>,
    start_again: Option<Duration>,
}

/// Requests in turn: the next is sent when the answer came and the period is over, or when none came in time.
#[derive(Debug, Clone)]
pub struct Poll {
    pub requests: Vec<Vec<u8>>,
    pub period: Duration,
    pub patience: Duration,
}

/// The profiles that come with the program: name and text.
const SHIPPED: &[(&str, &str)] = &[
    ("open-packet", include_str!("../../../profiles/stream/open-packet.toml")),
    ("delimited-text", include_str!("../../../profiles/stream/delimited-text.toml")),
    ("keyed-text-xor", include_str!("../../../profiles/stream/keyed-text-xor.toml")),
    ("fixed-binary", include_str!("../../../profiles/stream/fixed-binary.toml")),
];

/// What the name of the open packet stream's profile is; the one taken when none is asked for.
pub const DEFAULT_PROFILE: &str = SHIPPED[0].0;

#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    #[error("cannot read the profile {}: {source}; check the path and that you may read it", path.display())]
    Read { path: PathBuf, source: std::io::Error },
    #[error("there is no profile '{name}': give the path of a file, or one of {known}; your own profiles go into {}", folder.display())]
    Unknown { name: String, known: String, folder: PathBuf },
    #[error("the profile cannot be used:\n{0}")]
    Wrong(PlanError),
    #[error("the profile {profile} reads channel {written}, not {asked}: leave --channel out, or take channel out of the profile")]
    Channel { profile: String, written: String, asked: String },
    #[error("the profile {profile} knows no channels: leave --channel out, or give a field meaning = \"channel\"")]
    NoChannels { profile: String },
}

// No source: its words are in the message already.
impl From<PlanError> for ProfileError {
    fn from(error: PlanError) -> Self {
        Self::Wrong(error)
    }
}

impl Profile {
    /// By the path of a file, the name of a shipped profile, or the name of one in the user's own folder.
    pub fn load(name_or_path: &str) -> Result<Self, ProfileError> {
        let path = Path::new(name_or_path);
        if path.extension().is_some() || path.components().count() > 1 {
            return Self::read(path);
        }
        if let Some((_, text)) = SHIPPED.iter().find(|(name, _)| *name == name_or_path) {
            return Ok(Self::parse(name_or_path, text)?);
        }
        let folder = user_folder();
        let own = folder.join(format!("{name_or_path}.toml"));
        if own.is_file() {
            return Self::read(&own);
        }
        let known = Self::shipped().map(|(name, _)| name).collect::<Vec<_>>().join(", ");
        Err(ProfileError::Unknown { name: name_or_path.to_owned(), known, folder })
    }

    fn read(path: &Path) -> Result<Self, ProfileError> {
        let text = read_bounded(path).map_err(|source| ProfileError::Read { path: path.to_owned(), source })?;
        Ok(Self::parse(&path.display().to_string(), &text)?)
    }

    /// Reads a profile's text; `file` stands for it in messages. Tells every mistake, with its line and key.
    pub fn parse(file: &str, text: &str) -> Result<Self, PlanError> {
        let (written, mut problems) = written::read(text);
        let wrong: Vec<String> = problems.iter().map(|problem| problem.key.clone()).collect();
        let unread = problems.iter().any(|problem| problem.key.is_empty());
        let built = if unread { None } else { build::build(text, &written, &wrong, &mut problems) };
        problems.sort_by_key(|problem| problem.line);
        match built {
            Some(profile) if problems.is_empty() => Ok(Self { text: text.to_owned(), ..profile }),
            _ => Err(PlanError { file: file.to_owned(), problems }),
        }
    }

    /// Whether its frames say which channel they are of.
    pub fn has_channels(&self) -> bool {
        self.records.iter().any(|rule| rule.fields.iter().any(|field| field.meaning == Some(Meaning::Channel)))
    }

    /// The same device, read on one channel. The text says so too, as it is kept with every run.
    pub fn on_channel(self, channel: &str) -> Result<Self, ProfileError> {
        if let Some(written) = self.channel.as_ref().filter(|written| *written != channel) {
            return Err(ProfileError::Channel { profile: self.name, written: written.clone(), asked: channel.to_owned() });
        }
        if !self.has_channels() {
            return Err(ProfileError::NoChannels { profile: self.name });
        }
        if self.channel.is_some() {
            return Ok(self);
        }
        let text = format!("channel = {} # chosen for this run\n{}", toml::Value::String(channel.to_owned()), self.text);
        Ok(Self { channel: Some(channel.to_owned()), text, ..self })
    }

    /// Name and text of each profile that comes with the program.
    pub fn shipped() -> impl Iterator<Item = (&'static str, &'static str)> {
        SHIPPED.iter().copied()
    }

    /// Whether frames are text, to show them as such.
    pub fn is_text(&self) -> bool {
        matches!(self.framing, Framing::Line { .. })
    }

    pub fn start_command(&self) -> &[u8] {
        &self.send.start
    }

    pub fn stop_command(&self) -> &[u8] {
        &self.send.stop
    }

    /// So long nothing may come before the start command is sent again.
    pub fn start_again(&self) -> Option<Duration> {
        self.send.start_again.filter(|_| !self.send.start.is_empty())
    }

    /// What the operator may send to the device, by name.
    pub fn commands(&self) -> &[DeviceCommand] {
        &self.commands
    }

    pub(super) fn framer(&self) -> Framer {
        Framer::new(self.framing.clone(), self.check.clone(), self.max_frame_bytes)
    }

    /// The header of a device that never sends one.
    pub(super) fn header_of_profile(&self) -> Option<Header> {
        if self.records.iter().any(|rule| rule.kind == RecordKind::Header) {
            return None;
        }
        let fixed = &self.fixed_header;
        let base = TimeBase { rate: fixed.rate?, first: fixed.first?, bits: fixed.bits? };
        Some(Header { base, samples: fixed.samples.unwrap_or(0), device_id: fixed.device_id, device_name: fixed.device_name.clone() })
    }
}

/// A profile is a page or two; what is longer is none.
const LONGEST_TEXT: u64 = 1_000_000;

/// The text of a file that is not longer than a profile can be; nothing that never ends is read to its end.
fn read_bounded(path: &Path) -> std::io::Result<String> {
    let wrong = |words: String| std::io::Error::new(std::io::ErrorKind::InvalidInput, words);
    // Looked at before it is opened: a pipe may never be written to.
    let kind = std::fs::metadata(path)?.file_type();
    if !kind.is_file() {
        return Err(wrong(format!("it is {}, not a file", if kind.is_dir() { "a folder" } else { "a pipe or a device" })));
    }
    let mut text = String::new();
    let read = std::fs::File::open(path)?.take(LONGEST_TEXT + 1).read_to_string(&mut text)? as u64;
    if read > LONGEST_TEXT {
        return Err(wrong(format!("it is larger than {} MB, the most allowed", LONGEST_TEXT / 1_000_000)));
    }
    Ok(text)
}

/// Names of the profiles in a folder, in order.
pub fn own(folder: &Path) -> Vec<String> {
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let profiles = files.filter(|path| path.extension().is_some_and(|extension| extension == "toml"));
    let mut names: Vec<String> = profiles.filter_map(|path| Some(path.file_stem()?.to_str()?.to_owned())).collect();
    names.retain(|name| !name.ends_with(".proof"));
    names.sort();
    names
}

/// Where a user keeps own profiles.
pub fn user_folder() -> PathBuf {
    crate::platform::settings_folder().unwrap_or_else(|| PathBuf::from(".").join("backwall")).join("profiles")
}
