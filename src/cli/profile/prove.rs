//! `backwall profile prove`: the profile proven on its device, asked for at the terminal.

use super::ask::Terminal;
use crate::session::prove::{ProofAsks, ToProve};
use anyhow::{Result, bail};
use backwall_store::JobFile;
use backwall_stream::StreamSpec;
use backwall_units::{Length, parse_number};
use std::io::{BufRead, Write};
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
pub struct ProveArgs {
    /// Path of a profile, or the name of a known one
    pub file: String,
    /// serial:PORT[@BAUD] or tcp:HOST:PORT
    #[arg(long)]
    pub stream: StreamSpec,
    /// Who proves it
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// The channel to prove, where the device has several
    #[arg(long, value_name = "CHANNEL")]
    pub channel: Option<String>,
    /// A job whose set-up makes thickness of waveforms and echo times, and whose plan has the encoder's scale
    #[arg(long, value_name = "JOB")]
    pub job: Option<PathBuf>,
    /// The encoder's counts per mm; those of the job's plan if not given
    #[arg(long, value_name = "COUNTS", value_parser = parse_number, allow_hyphen_values = true)]
    pub counts_per_mm: Option<f64>,
    /// How far off a block may be read, in mm; 0.1 mm or 1 %, whichever is more, if not given
    #[arg(long, value_name = "MM", value_parser = parse_number)]
    pub tolerance: Option<f64>,
}

pub fn prove(args: &ProveArgs, input: &mut impl BufRead, out: &mut impl Write) -> Result<()> {
    if args.tolerance.is_some_and(|mm| !(mm.is_finite() && mm > 0.0)) {
        bail!("--tolerance must be greater than 0 mm");
    }
    let job = args.job.as_ref().map(|job| Ok::<_, anyhow::Error>(JobFile::open_read_only(job)?.contents()?)).transpose()?;
    let what = ToProve {
        name: args.file.clone(),
        stream: args.stream.clone(),
        by: args.by.clone(),
        channel: args.channel.clone(),
        tolerance: args.tolerance.map(Length::mm),
        counts_per_mm: args.counts_per_mm,
    };
    let mut terminal = Terminal { input, out };
    terminal.say("Nothing is kept unless every step holds. Ctrl-C leaves at any time.")?;
    let words = crate::session::prove::prove(&what, job.as_ref(), &mut terminal)?;
    words.lines().try_for_each(|line| terminal.say(line))
}
