//! A profile proven on its device, step by step: blocks of known thickness, the probe lifted, a measured distance. The command asks at the
//! terminal, the console in a form; what was found is kept beside the profile and named in the report of every run that is read with it.

use crate::console::backend::{ProveHandle, ProveNews};
use anyhow::{Context, Result, bail};
use backwall_store::JobContents;
use backwall_stream::profile::proof::{Proof, ProvenBlock, ProvenDrive};
use backwall_stream::tap::{GATHERED, Tap, TapItem};
use backwall_stream::{Decoded, DecodedWhat, Profile, StreamSpec};
use backwall_survey::job::validity::VerificationPlan;
use backwall_survey::reading::{GaugeValue, ReadingMaker, Record};
use backwall_survey::travel::Odometer;
use backwall_survey::travel::encoder_check::{EncoderCheck, SHORTEST};
use backwall_units::{Length, LengthUnit, parse_length};
use std::sync::mpsc as std_mpsc;
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// So many readings make a value; of them so many must be one. Common practice, no source.
const READINGS: usize = 20;
const LEAST_READ: usize = 16;
/// So long they are waited for.
const PATIENCE: Duration = Duration::from_secs(10);
/// A second block is to be so many times as thick, so that a wrong offset shows. Common practice, no source.
const APART: f64 = 1.5;

/// Who is asked, step by step, and hears what was found.
pub trait ProofAsks {
    fn ask(&mut self, question: &str) -> Result<String>;
    fn say(&mut self, words: &str) -> Result<()>;
    /// Nobody answers any more.
    fn is_gone(&self) -> bool {
        false
    }

    /// Asks for a length until one is given; `None` where it is left out.
    fn ask_length(&mut self, question: &str) -> Result<Option<Length>> {
        loop {
            let answer = self.ask(question)?;
            if answer.is_empty() {
                return Ok(None);
            }
            match parse_length(&answer, LengthUnit::Mm) {
                Ok(length) if length > Length::ZERO => return Ok(Some(length)),
                Ok(_) => self.say("  it must be more than 0")?,
                Err(error) => self.say(&format!("  {error}"))?,
            }
        }
    }
}

/// What is to be proven, on what, by whom.
pub struct ToProve {
    /// The profile's name or path, as it was given for loading.
    pub name: String,
    pub stream: StreamSpec,
    pub by: String,
    pub channel: Option<String>,
    /// How far off a block may be read; 0.1 mm or 1 %, whichever is more, if not given.
    pub tolerance: Option<Length>,
    pub counts_per_mm: Option<f64>,
}

/// Asks step by step; keeps the proof, and answers with it in words, where every step holds. A job's set-up makes thickness of waveforms and
/// echo times, and its plan has the encoder's scale.
pub fn prove(what: &ToProve, job: Option<&JobContents>, with: &mut impl ProofAsks) -> Result<String> {
    if !matches!(what.stream, StreamSpec::Serial { .. } | StreamSpec::Tcp { .. }) {
        bail!("a profile is proven on its device: give --stream serial:PORT[@BAUD] or tcp:HOST:PORT");
    }
    let own = Profile::load(&what.name)?;
    let text = own.text.clone();
    let profile = match &what.channel {
        Some(channel) => own.on_channel(channel)?,
        None => own,
    };
    let mut bench = ProofBench::open(what, &profile, job)?;
    let first = block(&mut bench, what, None, with)?.context("the first block cannot be left out; nothing was kept")?;
    let second = block(&mut bench, what, Some(first.thickness), with)?;
    lifted(&mut bench, with)?;
    let drive = drive(&mut bench, what, with)?;
    let proof = Proof {
        by: what.by.clone(),
        day: backwall_report::words::day(crate::live::now_us(), bench.zone).map(|day| day.to_string()).unwrap_or_default(),
        channel: what.channel.clone(),
        profile: text,
        blocks: [Some(first), second].into_iter().flatten().collect(),
        drive,
    };
    let path = Profile::keep_proof(&what.name, &proof)?;
    Ok(format!("{} {}\nKept in {}. Reports name it; any change of the profile makes it void.", profile.name, proof.words(), path.display()))
}

fn block(bench: &mut ProofBench, what: &ToProve, first: Option<Length>, with: &mut impl ProofAsks) -> Result<Option<ProvenBlock>> {
    let thickness = loop {
        let text = match first {
            None => "A block of known thickness. How thick, in mm?".to_owned(),
            Some(first) => format!("Another one, of {:.1} mm or more. How thick, in mm (Enter leaves it out)?", first.as_mm() * APART),
        };
        match (with.ask_length(&text)?, first) {
            (None, _) => return Ok(None),
            (Some(thickness), Some(first)) if thickness < first * APART => {
                with.say("  a wrong offset would hide on a block that is nearly as thick as the first")?;
            }
            (Some(thickness), _) => break thickness,
        }
    };
    with.ask("Couple the probe to it and hold it still, then press Enter:")?;
    let values = bench.read(with)?;
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
    let tolerance = what.tolerance.unwrap_or_else(|| VerificationPlan::default().tolerance(thickness));
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
    with.say(&format!("  {found}: within {:.2} mm", tolerance.as_mm()))?;
    Ok(Some(ProvenBlock { thickness, read: median }))
}

fn lifted(bench: &mut ProofBench, with: &mut impl ProofAsks) -> Result<()> {
    with.ask("Lift the probe and wipe it, then press Enter:")?;
    let values = bench.read(with)?;
    if let Some(thickness) = values.iter().find_map(|value| value.thickness) {
        bail!(
            "NOT proven: the lifted probe reads {:.2} mm. What the device sends without an echo belongs into absent, valid_when or flag_when",
            thickness.as_mm()
        );
    }
    with.say(&format!("  {} readings, none with a value", values.len()))
}

fn drive(bench: &mut ProofBench, what: &ToProve, with: &mut impl ProofAsks) -> Result<Option<ProvenDrive>> {
    if bench.last.is_none_or(|value| value.encoder.is_none()) {
        with.say("  the device has no encoder: nothing to drive")?;
        return Ok(None);
    }
    let text = format!("A distance measured by tape, {:.0} mm or more. How long, in mm (Enter leaves it out)?", SHORTEST.as_mm());
    let Some(distance) = with.ask_length(&text)? else { return Ok(None) };
    let Some(set) = what.counts_per_mm.or(bench.counts_per_mm) else {
        bail!("the encoder's scale is not known: give --counts-per-mm, or --job with the plan that has it");
    };
    let mut at = |question: &str| -> Result<i32> {
        with.ask(question)?;
        let values = bench.read(with)?;
        values.iter().rev().find_map(|value| value.encoder).context("NOT proven: the encoder's counts stopped coming")
    };
    let from = at("Stand on its start, then press Enter:")?;
    let to = at("Drive to its end, then press Enter:")?;
    let check = EncoderCheck { distance, counts: i64::from(to) - i64::from(from), set_counts_per_mm: set };
    check.judge().context("NOT proven")?;
    let read = Length::mm(check.counts as f64 / set);
    with.say(&format!("  {:.0} mm driven read {:.1} mm", distance.as_mm(), read.as_mm()))?;
    Ok(Some(ProvenDrive { distance, read }))
}

/// One shot or gauge value.
#[derive(Debug, Clone, Copy)]
struct ProofValue {
    thickness: Option<Length>,
    encoder: Option<i32>,
}

/// The device under the profile, and what makes thickness of what it sends.
struct ProofBench {
    tap: Tap,
    maker: Option<ReadingMaker>,
    counts_per_mm: Option<f64>,
    zone: backwall_survey::job::Zone,
    last: Option<ProofValue>,
}

impl ProofBench {
    fn open(what: &ToProve, profile: &Profile, job: Option<&JobContents>) -> Result<Self> {
        let (mut maker, mut counts_per_mm, mut zone) = (None, None, backwall_survey::job::Zone::UTC);
        if let Some(contents) = job {
            let plan = &contents.plan;
            zone = plan.zone();
            let line = plan.lines.first().context("the job's plan has no line")?;
            let path = plan.path(line);
            counts_per_mm = Some(path.counts_per_mm);
            let setup = contents.setup_of_channel(profile.channel.as_deref());
            maker = Some(ReadingMaker::new(setup, Odometer::new(path)?, plan.limits(), plan.wall_temperature()));
        }
        let tap = Tap::open(&what.stream, profile).with_context(|| format!("cannot prove {}", what.name))?;
        Ok(Self { tap, maker, counts_per_mm, zone, last: None })
    }

    /// What comes from now on; what piled up while we waited for an answer is of another state of the probe, and so is what the link still
    /// gathers: it may come a little later than that takes.
    fn read(&mut self, with: &mut impl ProofAsks) -> Result<Vec<ProofValue>> {
        let (gathered, stale) = (Instant::now() + GATHERED * 2, Instant::now() + Duration::from_secs(1));
        while Instant::now() < stale {
            match self.tap.next(Duration::from_millis(5)) {
                TapItem::Silence if Instant::now() < gathered => {}
                TapItem::Silence => break,
                TapItem::Frame(decoded) => drop(self.value(&decoded)?),
                TapItem::Note(note) => with.say(&format!("  -- {note}"))?,
                TapItem::Ended => bail!("the stream has ended: nothing was kept"),
            }
        }
        let mut values = Vec::new();
        let until = Instant::now() + PATIENCE;
        while values.len() < READINGS {
            if with.is_gone() {
                bail!("the answers have ended: nothing was kept");
            }
            if Instant::now() >= until {
                bail!("NOT proven: {} readings came in {} s, {READINGS} are needed", values.len(), PATIENCE.as_secs());
            }
            match self.tap.next(Duration::from_millis(200)) {
                TapItem::Frame(decoded) => values.extend(self.value(&decoded)?),
                TapItem::Note(note) => with.say(&format!("  -- {note}"))?,
                TapItem::Silence => {}
                TapItem::Ended => bail!("the stream has ended: nothing was kept"),
            }
        }
        self.last = values.last().copied();
        Ok(values)
    }

    fn value(&mut self, decoded: &Decoded) -> Result<Option<ProofValue>> {
        const NO_JOB: &str = "waveforms and echo times become thickness by a set-up: give --job with a job that is calibrated";
        let DecodedWhat::Record(record) = &decoded.what else { return Ok(None) };
        let value = match (record, &mut self.maker) {
            (Record::Header(header), Some(maker)) => {
                maker.set_time_base(header.base)?;
                return Ok(None);
            }
            (Record::Shot(shot), Some(maker)) => {
                ProofValue { thickness: maker.shot(shot, crate::live::now_us()).measurement.thickness, encoder: shot.encoder }
            }
            (Record::Gauge(gauge), Some(maker)) => {
                ProofValue { thickness: maker.gauge(gauge, crate::live::now_us()).measurement.thickness, encoder: gauge.encoder }
            }
            (Record::Gauge(gauge), None) => match gauge.value {
                GaugeValue::Thickness(thickness) => ProofValue { thickness, encoder: gauge.encoder },
                GaugeValue::NoCoupling => ProofValue { thickness: None, encoder: gauge.encoder },
                GaugeValue::EchoTime(_) => bail!("{NO_JOB}"),
            },
            (Record::Shot(_), None) => bail!("{NO_JOB}"),
            (Record::Header(_) | Record::Status(_), _) => return Ok(None),
        };
        Ok(Some(value))
    }
}

/// Asks on the console.
struct OnScreen {
    tell: mpsc::Sender<ProveNews>,
    answers: std_mpsc::Receiver<String>,
}

impl ProofAsks for OnScreen {
    fn ask(&mut self, question: &str) -> Result<String> {
        const GONE: &str = "the answers have ended: nothing was kept";
        self.tell.blocking_send(ProveNews::Asked(question.to_owned())).context(GONE)?;
        Ok(self.answers.recv().context(GONE)?.trim().to_owned())
    }

    fn say(&mut self, words: &str) -> Result<()> {
        self.tell.blocking_send(ProveNews::Said(words.trim().to_owned())).context("the answers have ended: nothing was kept")
    }

    fn is_gone(&self) -> bool {
        self.tell.is_closed()
    }
}

/// What may wait to be shown.
const NEWS: usize = 64;

/// Proves a profile in a thread of its own, asking on the console. It ends when the handle is dropped.
pub fn on_screen(what: ToProve, job: JobContents) -> Result<ProveHandle> {
    let (tell, news) = mpsc::channel(NEWS);
    let (answers, answered) = std_mpsc::channel();
    let work = move || {
        let mut with = OnScreen { tell, answers: answered };
        let done = prove(&what, Some(&job), &mut with).map_err(|error| format!("{error:#}"));
        // Whoever left hears nothing.
        let _ = with.tell.blocking_send(ProveNews::Done(done));
    };
    std::thread::Builder::new().name("prove".to_owned()).spawn(work)?;
    Ok(ProveHandle { news, answers })
}
