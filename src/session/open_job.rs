//! An open job with its streams: what the console's effects and the headless commands act on.

use super::amend;
use super::prove::{self, ToProve};
use crate::console::Reads;
use crate::console::backend::ProveHandle;
use crate::live::begin::{began_with, goes_on_from};
use crate::live::bench::{self, BenchHandle, BenchRequest, BenchStream};
use crate::live::{Begin, Connecting, ContinuesRun, Scan, ScanOrder, ScanRequest};
use anyhow::{Context, bail};
use backwall_simulate::VirtualWall;
use backwall_store::{JobFile, RunId};
use backwall_stream::feed::SourceOptions;
use backwall_stream::profile::Profile;
use backwall_stream::profile::proof::ProofStanding;
use backwall_stream::spec::{Pace, StreamSpec};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::{Plan, Said, Statement, plan};
use backwall_units::Length;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Where a line's bytes come from.
#[derive(Debug, Clone)]
pub struct LineStream {
    pub spec: StreamSpec,
    pub pace: Pace,
}

/// What is still to be done before the first run, while the screen is up already.
pub type Preparation = Box<dyn FnOnce(&Session) -> anyhow::Result<()> + Send>;

/// A job with everything needed to scan its lines.
pub struct Session {
    pub file: JobFile,
    pub profile: Option<Profile>,
    /// The channels that were asked for.
    pub channels: Vec<String>,
    /// The channel that was chosen of those that come, where none was asked for and the plan has no track.
    pub chosen: Option<String>,
    /// The name or path it was loaded by.
    pub profile_name: String,
    pub record: Option<PathBuf>,
    /// The stream of every line that has none of its own.
    pub stream: Option<LineStream>,
    /// Streams of single lines; the demo brings one for each.
    pub streams: HashMap<String, LineStream>,
    /// Where nothing is real: what a virtual crawler calibrates on.
    pub simulated: Option<VirtualWall>,
    pub operator: Signed,
    /// What it is, in words, and how it is done.
    pub preparation: Option<(&'static str, Preparation)>,
}

impl Session {
    pub fn open(path: &Path, operator: Option<&str>) -> anyhow::Result<Self> {
        let file = JobFile::open(path)?;
        let contents = file.contents()?;
        let operator = operator_of(&contents.plan, operator);
        Ok(Self {
            file,
            profile: None,
            channels: Vec::new(),
            chosen: None,
            profile_name: String::new(),
            record: None,
            stream: None,
            streams: HashMap::new(),
            simulated: None,
            operator,
            preparation: None,
        })
    }

    /// Reads `stream` through a profile, given by path or name; `record` also gets the bytes as they come.
    pub fn with_stream(mut self, stream: Option<LineStream>, profile: &str, record: Option<PathBuf>) -> anyhow::Result<Self> {
        self.profile = Some(Profile::load(profile)?);
        profile.clone_into(&mut self.profile_name);
        self.record = record;
        self.stream = stream;
        Ok(self)
    }

    /// Reads these channels of a device that has several, each as a run of its own; where none is named, those that the plan gives a track.
    pub fn on_channels(mut self, channels: &[String]) -> anyhow::Result<Self> {
        self.channels = channels.to_vec();
        if self.profile.is_some() {
            self.profiles(&self.file.contents()?.plan)?;
        }
        Ok(self)
    }

    /// Which channels of the device are read.
    pub fn reads(&self) -> Reads {
        match (&self.channels[..], &self.profile) {
            ([], Some(Profile { channel: Some(channel), .. })) => Reads::Named(vec![channel.clone()]),
            ([], Some(profile)) if profile.has_channels() => Reads::Tracks,
            ([], _) => Reads::One,
            (named, _) => Reads::Named(named.to_vec()),
        }
    }

    /// How the device is read on one of the channels that are read; on the first where none is chosen.
    fn profile_on(&self, plan: &Plan, channel: Option<&str>) -> anyhow::Result<Profile> {
        let mut profiles = self.profiles(plan)?;
        let at = profiles.iter().position(|(profile, _)| channel.is_some() && profile.channel.as_deref() == channel);
        if let (None, Some(channel)) = (at, channel) {
            bail!("channel {channel} is not read: open the job with --channel {channel}, or give it a [[track]] in the plan");
        }
        Ok(profiles.swap_remove(at.unwrap_or(0)).0)
    }

    /// How the device is read on each of its channels, and how that was proven.
    fn profiles(&self, plan: &Plan) -> anyhow::Result<Vec<(Profile, Option<String>)>> {
        let profile = self.profile.clone().context("no stream profile is loaded")?;
        let reads = self.reads();
        let channels: Vec<&str> = match &reads {
            Reads::Tracks if plan.tracks.is_empty() => self.chosen.iter().map(String::as_str).collect(),
            Reads::Tracks => plan.channels(),
            // What the profile chooses by itself needs no choice.
            Reads::One | Reads::Named(_) => self.channels.iter().map(String::as_str).collect(),
        };
        for (index, channel) in channels.iter().enumerate() {
            if channels[..index].contains(channel) {
                bail!("channel {channel} is named twice");
            }
            if channels.len() > 1 && !plan.channels().contains(channel) {
                bail!(
                    "channel {channel} has no track: where several are read at once the plan says where each runs beside the line, in a \
                     [[track]] with channel = \"{channel}\" and its offset_mm"
                );
            }
        }
        let of_channels = match &channels[..] {
            [] => vec![profile],
            channels => channels.iter().map(|channel| profile.clone().on_channel(channel)).collect::<Result<_, _>>()?,
        };
        let proven = of_channels.into_iter().map(|profile| (self.profile_proof(&profile), profile));
        Ok(proven.map(|(proof, profile)| (profile, proof)).collect())
    }

    /// How the profile was proven on its device, where it was.
    fn profile_proof(&self, profile: &Profile) -> Option<String> {
        match profile.standing(&self.profile_name) {
            ProofStanding::Proven(proof) => Some(proof.words()),
            ProofStanding::NotProven(_) => None,
        }
    }

    /// Does what is still to be done before the first run; whether there was anything.
    pub fn prepare(&mut self, connecting: &Connecting) -> anyhow::Result<bool> {
        let Some((what, preparation)) = self.preparation.take() else { return Ok(false) };
        connecting.waits_for(what);
        preparation(self).map(|()| true)
    }

    /// Opens the probe's stream for a calibration, of several channels for the one whose probe stands on the block.
    pub fn start_bench(&self, channel: Option<&str>, connecting: &Connecting) -> anyhow::Result<BenchHandle> {
        let contents = self.file.contents()?;
        let stream = match (&self.simulated, &self.stream) {
            (Some(wall), _) => BenchStream::Simulated(Box::new(wall.clone())),
            (None, Some(LineStream { spec: StreamSpec::Stdin, .. })) => {
                bail!(
                    "standard input can be read once only and is left for the run: calibrate before with backwall calibrate --at MM=STREAM"
                )
            }
            // A recording of raw bytes belongs to a run.
            (None, Some(stream)) => {
                BenchStream::Device { spec: stream.spec.clone(), options: SourceOptions { pace: stream.pace, record: None } }
            }
            (None, None) => {
                bail!(
                    "no stream to calibrate on: open the job with --stream (serial:PORT, tcp:HOST:PORT or file:PATH), or type the values with e"
                )
            }
        };
        let profile = self.profile_on(&contents.plan, channel)?;
        Ok(bench::start(BenchRequest {
            stream,
            start: bench::Start::of(&contents, profile.channel.as_deref()),
            profile,
            connecting: connecting.clone(),
        })?)
    }

    /// Proves the stream's profile on its device, of several channels on this one.
    pub fn start_prove(&self, channel: Option<&str>, by: &Signed) -> anyhow::Result<ProveHandle> {
        let contents = self.file.contents()?;
        let stream = self.stream.as_ref().filter(|stream| matches!(stream.spec, StreamSpec::Serial { .. } | StreamSpec::Tcp { .. }));
        let stream = stream.context("a profile is proven on its device: open the job with --stream serial:PORT[@BAUD] or tcp:HOST:PORT")?;
        let profile = self.profile_on(&contents.plan, channel)?;
        let what = ToProve {
            name: self.profile_name.clone(),
            stream: stream.spec.clone(),
            by: by.name.clone(),
            // One that the profile itself chooses is in its text.
            channel: profile.channel.filter(|_| self.profile.as_ref().is_some_and(|own| own.channel.is_none())),
            tolerance: None,
            counts_per_mm: None,
        };
        prove::on_screen(what, contents)
    }

    /// A run that goes on from the last place that was saved of another.
    pub fn continuing(&self, goes_on: ContinuesRun) -> anyhow::Result<Begin> {
        let reader = self.file.reader()?;
        let contents = reader.contents()?;
        let Some(named) = contents.any_run(goes_on.from) else { return Ok(Begin::continuing(&contents, goes_on, None)?) };
        // One crawler has carried all channels: where it stands says the one that got furthest.
        let several = self.profiles(&contents.plan).is_ok_and(|profiles| profiles.len() > 1);
        let runs: Vec<RunId> = if several { began_with(&contents, named).map(|run| run.id).collect() } else { vec![named.id] };
        let places: Vec<Option<Length>> = runs.into_iter().map(|run| reader.last_place(run)).collect::<Result<_, _>>()?;
        let along = |at: &Length| *at * named.start.path.direction.sign();
        let last = places.into_iter().flatten().max_by(|a, b| along(a).total_cmp(&along(b)));
        Ok(Begin::continuing(&contents, goes_on, last)?)
    }

    /// Starts a run, or several side by side; `prepare` may still change the request. Why, and by whose names, what stops scanning is overridden is stored here and
    /// nowhere else, and so is which run it goes on from.
    pub fn start(&self, begin: &Begin, prepare: impl FnOnce(&mut ScanRequest)) -> anyhow::Result<Vec<Scan>> {
        let begin = begin.clone();
        let contents = self.file.contents()?;
        begin.check(&contents)?;
        let Some(stream) = self.streams.get(&begin.line).or(self.stream.as_ref()) else {
            bail!("no stream to read: give one with --stream (serial:PORT, tcp:HOST:PORT, file:PATH or -)");
        };
        let profiles = self.profiles(&contents.plan)?;
        let of_each = |goes_on: &ContinuesRun| {
            let channels = profiles.iter().map(|(profile, _)| profile.channel.as_deref());
            channels.map(|channel| goes_on_from(&contents, goes_on.from, channel)).collect::<Result<Vec<RunId>, _>>()
        };
        let joins = begin.continues.as_ref().map(of_each).transpose()?.unwrap_or_default();
        let writer = self.file.writer();
        let order = ScanOrder {
            begin: &begin,
            spec: stream.spec.clone(),
            profiles,
            options: SourceOptions { pace: stream.pace, record: self.record.clone() },
            operator: &self.operator.name,
            now_us: crate::live::now_us(),
        };
        let mut request = ScanRequest::new(&contents, order)?;
        prepare(&mut request);
        let stands = request.runs.iter().any(|run| run.start.checklist_override.is_some());
        let scans = crate::live::start(&writer, &self.file.saved(), request)?;
        // Whoever lets go of the run ends it: none goes on of which this is not kept.
        if let Some(against) = begin.against.filter(|_| stands) {
            writer.add_override(against.words(), against.by).context("the override was NOT kept, and the run was ended")?;
        }
        if let Some(ContinuesRun { reason, by, .. }) = begin.continues {
            let by = Signed { at_us: crate::live::now_us(), ..by };
            for (scan, from) in scans.iter().zip(joins) {
                let said = Said::Join { run: scan.run, with: from };
                let joined = amend::state(&self.file, Statement { id: 0, said, reason: reason.clone(), by: by.clone() });
                joined.with_context(|| format!("that it goes on from run {from} was NOT kept, and the run was ended"))?;
            }
        }
        Ok(scans)
    }

    /// The operator's name, now.
    pub fn signed(&self) -> Signed {
        Signed { at_us: crate::live::now_us(), ..self.operator.clone() }
    }
}

/// Who works: the named person of the plan, else its first operator, else its first person.
pub fn operator_of(plan: &Plan, name: Option<&str>) -> Signed {
    let by_name = |name: &str| plan.people.iter().find(|person| person.name == name);
    let person: Option<&plan::Person> = match name {
        Some(name) => by_name(name),
        None => plan.people.iter().find(|person| person.role == "operator").or(plan.people.first()),
    };
    Signed {
        name: person.map(|person| person.name.clone()).or(name.map(str::to_owned)).unwrap_or_default(),
        certificate: person.and_then(|person| person.certificate.clone()).unwrap_or_default(),
        at_us: 0,
    }
}

/// The runtime every command with a stream or a screen runs in.
pub fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().context("the runtime could not be started")
}
