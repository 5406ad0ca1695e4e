//! `backwall profile prove`: the profile proven on its device, step by step at the terminal: blocks of known thickness, the probe lifted,
//! a measured distance. What was found is kept beside the profile and named in the report of every run that is read with it.

use super::ask::{ask, ask_length, say};
use anyhow::{Context, Result, bail};
use backwall_store::JobFile;
use backwall_stream::profile::proof::{Block, Drive, Proof};
use backwall_stream::tap::{Tap, TapItem};
use backwall_stream::{Decoded, Profile, StreamSpec, What};
use backwall_survey::job::validity::VerificationPlan;
use backwall_survey::reading::{GaugeValue, ReadingMaker, Record};
use backwall_survey::travel::Odometer;
use backwall_survey::travel::encoder_check::{EncoderCheck, SHORTEST};
use backwall_units::{Length, parse_number};
use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::time::{Duration, Instant};

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

/// So many readings make a value; of them so many must be one. Common practice, no source.
const READINGS: usize = 20;
const LEAST_READ: usize = 16;
/// So long they are waited for.
const PATIENCE: Duration = Duration::from_secs(10);
/// A second block is to be so many times as thick, so that a wrong offset shows. Common practice, no source.
const APART: f64 = 1.5;

pub fn prove(args: &ProveArgs, input: &mut impl BufRead, out: &mut impl Write) -> Result<()> {
    if !matches!(args.stream, StreamSpec::Serial { .. } | StreamSpec::Tcp { .. }) {
        bail!("a profile is proven on its device: give --stream serial:PORT[@BAUD] or tcp:HOST:PORT");
    }
    if args.tolerance.is_some_and(|mm| !(mm.is_finite() && mm > 0.0)) {
        bail!("--tolerance must be greater than 0 mm");
    }
    let own = Profile::load(&args.file)?;
    let text = own.text.clone();
    let profile = match &args.channel {
        Some(channel) => own.on_channel(channel)?,
        None => own,
    };
    let mut bench = Bench::open(args, &profile)?;
    say(out, "Nothing is kept unless every step holds. Ctrl-C leaves at any time.")?;
    let first = block(&mut bench, args, None, input, out)?.context("the first block cannot be left out; nothing was kept")?;
    let second = block(&mut bench, args, Some(first.thickness), input, out)?;
    lifted(&mut bench, input, out)?;
    let drive = drive(&mut bench, args, input, out)?;
    let proof = Proof {
        by: args.by.clone(),
        day: backwall_report::words::day(crate::live::now_us(), bench.zone).map(|day| day.to_string()).unwrap_or_default(),
        channel: args.channel.clone(),
        profile: text,
        blocks: [Some(first), second].into_iter().flatten().collect(),
        drive,
    };
    let path = Profile::keep_proof(&args.file, &proof)?;
    say(out, &format!("{} {}", profile.name, proof.words()))?;
    say(out, &format!("Kept in {}. Reports name it; any change of the profile makes it void.", path.display()))
}

fn block(
    bench: &mut Bench,
    args: &ProveArgs,
    first: Option<Length>,
    input: &mut impl BufRead,
    out: &mut impl Write,
) -> Result<Option<Block>> {
    let thickness = loop {
        let text = match first {
            None => "A block of known thickness. How thick, in mm?".to_owned(),
            Some(first) => format!("Another one, of {:.1} mm or more. How thick, in mm (Enter leaves it out)?", first.as_mm() * APART),
        };
        match (ask_length(input, out, &text)?, first) {
            (None, _) => return Ok(None),
            (Some(thickness), Some(first)) if thickness < first * APART => {
                say(out, "  a wrong offset would hide on a block that is nearly as thick as the first")?;
            }
            (Some(thickness), _) => break thickness,
        }
    };
    ask(input, out, "Couple the probe to it and hold it still, then press Enter:")?;
    let values = bench.read(out)?;
    let mut read: Vec<Length> = values.iter().filter_map(|value| value.thickness).collect();
    if read.len() < LEAST_READ {
        bail!(
            "NOT proven: {} of {} readings have a thickness. Couple better, or see with `backwall profile try` what comes",
            read.len(),
            values.len()
        );
    }
    read.sort_by(Length::total_cmp);
    let (low, median, high) = (read[0], read[read.len() / 2], read[read.len() - 1]);
    let tolerance = args.tolerance.map_or_else(|| VerificationPlan::default().tolerance(thickness), Length::mm);
    let found = format!(
        "reads {:.2} mm ({} of {}, from {:.2} to {:.2}), {:+.2} off",
        median.as_mm(),
        read.len(),
        values.len(),
        low.as_mm(),
        high.as_mm(),
        (median - thickness).as_mm()
    );
    if (median - thickness).abs() > tolerance {
        bail!("NOT proven: the block {found}, more than {:.2} mm: look at unit, scale and offset of the thickness", tolerance.as_mm());
    }
    say(out, &format!("  {found}: within {:.2} mm", tolerance.as_mm()))?;
    Ok(Some(Block { thickness, read: median }))
}

fn lifted(bench: &mut Bench, input: &mut impl BufRead, out: &mut impl Write) -> Result<()> {
    ask(input, out, "Lift the probe and wipe it, then press Enter:")?;
    let values = bench.read(out)?;
    if let Some(thickness) = values.iter().find_map(|value| value.thickness) {
        bail!(
            "NOT proven: the lifted probe reads {:.2} mm. What the device sends without an echo belongs into absent, valid_when or flag_when",
            thickness.as_mm()
        );
    }
    say(out, &format!("  {} readings, none with a value", values.len()))
}

fn drive(bench: &mut Bench, args: &ProveArgs, input: &mut impl BufRead, out: &mut impl Write) -> Result<Option<Drive>> {
    if bench.last.is_none_or(|value| value.encoder.is_none()) {
        say(out, "  the device has no encoder: nothing to drive")?;
        return Ok(None);
    }
    let text = format!("A distance measured by tape, {:.0} mm or more. How long, in mm (Enter leaves it out)?", SHORTEST.as_mm());
    let Some(distance) = ask_length(input, out, &text)? else { return Ok(None) };
    let Some(set) = args.counts_per_mm.or(bench.counts_per_mm) else {
        bail!("the encoder's scale is not known: give --counts-per-mm, or --job with the plan that has it");
    };
    let mut at = |what: &str| -> Result<i32> {
        ask(input, out, what)?;
        let values = bench.read(out)?;
        values.iter().rev().find_map(|value| value.encoder).context("NOT proven: the encoder's counts stopped coming")
    };
    let from = at("Stand on its start, then press Enter:")?;
    let to = at("Drive to its end, then press Enter:")?;
    let check = EncoderCheck { distance, counts: i64::from(to) - i64::from(from), set_counts_per_mm: set };
    check.judge().context("NOT proven")?;
    let read = Length::mm(check.counts as f64 / set);
    say(out, &format!("  {:.0} mm driven read {:.1} mm", distance.as_mm(), read.as_mm()))?;
    Ok(Some(Drive { distance, read }))
}

/// One shot or gauge value.
#[derive(Debug, Clone, Copy)]
struct Value {
    thickness: Option<Length>,
    encoder: Option<i32>,
}

/// The device under the profile, and what makes thickness of what it sends.
struct Bench {
    tap: Tap,
    maker: Option<ReadingMaker>,
    counts_per_mm: Option<f64>,
    zone: backwall_survey::job::Zone,
    last: Option<Value>,
}

impl Bench {
    fn open(args: &ProveArgs, profile: &Profile) -> Result<Self> {
        let (mut maker, mut counts_per_mm, mut zone) = (None, None, backwall_survey::job::Zone::UTC);
        if let Some(job) = &args.job {
            let contents = JobFile::open_read_only(job)?.contents()?;
            let plan = &contents.plan;
            zone = plan.zone();
            let line = plan.lines.first().context("the job's plan has no line")?;
            let path = plan.path(line);
            counts_per_mm = Some(path.counts_per_mm);
            let setup = contents.setup_in_force().map_or_else(|| contents.setup_without_calibration(), |entry| entry.setup.clone());
            maker = Some(ReadingMaker::new(setup, Odometer::new(path)?, plan.limits(), plan.wall_temperature()));
        }
        let tap = Tap::open(&args.stream, profile).with_context(|| format!("cannot prove {}", args.file))?;
        Ok(Self { tap, maker, counts_per_mm, zone, last: None })
    }

    /// What comes from now on; what piled up while we waited for an answer is of another state of the probe.
    fn read(&mut self, out: &mut impl Write) -> Result<Vec<Value>> {
        let stale = Instant::now() + Duration::from_secs(1);
        while Instant::now() < stale {
            match self.tap.next(Duration::from_millis(1)) {
                TapItem::Silence => break,
                TapItem::Frame(decoded) => drop(self.value(&decoded)?),
                TapItem::Note(note) => say(out, &format!("  -- {note}"))?,
                TapItem::Ended => bail!("the stream has ended: nothing was kept"),
            }
        }
        let mut values = Vec::new();
        let until = Instant::now() + PATIENCE;
        while values.len() < READINGS {
            if Instant::now() >= until {
                bail!("NOT proven: {} readings came in {} s, {READINGS} are needed", values.len(), PATIENCE.as_secs());
            }
            match self.tap.next(Duration::from_millis(200)) {
                TapItem::Frame(decoded) => values.extend(self.value(&decoded)?),
                TapItem::Note(note) => say(out, &format!("  -- {note}"))?,
                TapItem::Silence => {}
                TapItem::Ended => bail!("the stream has ended: nothing was kept"),
            }
        }
        self.last = values.last().copied();
        Ok(values)
    }

    fn value(&mut self, decoded: &Decoded) -> Result<Option<Value>> {
        const NO_JOB: &str = "waveforms and echo times become thickness by a set-up: give --job with a job that is calibrated";
        let What::Record(record) = &decoded.what else { return Ok(None) };
        let value = match (record, &mut self.maker) {
            (Record::Header(header), Some(maker)) => {
                maker.set_time_base(header.base)?;
                return Ok(None);
            }
            (Record::Shot(shot), Some(maker)) => {
                Value { thickness: maker.shot(shot, crate::live::now_us()).measurement.thickness, encoder: shot.encoder }
            }
            (Record::Gauge(gauge), Some(maker)) => {
                Value { thickness: maker.gauge(gauge, crate::live::now_us()).measurement.thickness, encoder: gauge.encoder }
            }
            (Record::Gauge(gauge), None) => match gauge.value {
                GaugeValue::Thickness(thickness) => Value { thickness, encoder: gauge.encoder },
                GaugeValue::NoCoupling => Value { thickness: None, encoder: gauge.encoder },
                GaugeValue::EchoTime(_) => bail!("{NO_JOB}"),
            },
            (Record::Shot(_), None) => bail!("{NO_JOB}"),
            (Record::Header(_) | Record::Status(_), _) => return Ok(None),
        };
        Ok(Some(value))
    }
}
