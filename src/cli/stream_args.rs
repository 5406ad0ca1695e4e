//! The options that name a stream, for every command that reads one.

use super::choice::choice;
use crate::session::{LineStream, Session};
use backwall_stream::spec::{Pace, StreamSpec};
use clap::Args;
use std::path::{Path, PathBuf};

/// Which stream a scan reads, and how.
#[derive(Args, Debug, Clone)]
pub struct StreamArgs {
    /// serial:PORT[@BAUD], tcp:HOST:PORT, file:PATH, or - for standard input
    #[arg(long)]
    pub stream: Option<StreamSpec>,
    /// A profile's path, or the name of a shipped or user profile
    #[arg(long, default_value = "open-packet")]
    pub profile: String,
    /// The channel to read, where the device has several; given again, each is a run of its own at the same time, on its track of the plan
    #[arg(long, value_name = "CHANNEL")]
    pub channel: Vec<String>,
    /// How fast a recorded file is read
    #[arg(long, value_parser = choice(Pace::ALL), default_value = "device")]
    pub pace: Pace,
    /// Also write the bytes as they come to this file
    #[arg(long, value_name = "FILE")]
    pub record: Option<PathBuf>,
}

impl StreamArgs {
    /// A job opened with this stream.
    pub fn open(&self, job: &Path, operator: Option<&str>) -> anyhow::Result<Session> {
        let stream = self.stream.clone().map(|spec| LineStream { spec, pace: self.pace });
        Session::open(job, operator)?.with_stream(stream, &self.profile, self.record.clone())?.on_channels(&self.channel)
    }
}
