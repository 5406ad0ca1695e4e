//! An open job with its streams: what the console's effects and the headless commands act on.

use super::amend;
use crate::live::bench::{self, BenchHandle, BenchRequest, BenchStream};
use crate::live::{Begin, Connecting, GoesOn, Order, Scan, ScanRequest};
use anyhow::{Context, bail};
use backwall_simulate::Wall;
use backwall_store::JobFile;
use backwall_stream::feed::SourceOptions;
use backwall_stream::profile::Profile;
use backwall_stream::profile::proof::Standing;
use backwall_stream::spec::{Pace, StreamSpec};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::{Plan, Said, Statement, plan};
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
    /// The name or path it was loaded by.
    pub profile_name: String,
    pub record: Option<PathBuf>,
    /// The stream of every line that has none of its own.
    pub stream: Option<LineStream>,
    /// Streams of single lines; the demo brings one for each.
    pub streams: HashMap<String, LineStream>,
    /// Where nothing is real: what a virtual crawler calibrates on.
    pub simulated: Option<Wall>,
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

    /// Reads one channel of a device that has several.
    pub fn on_channel(mut self, channel: Option<&str>) -> anyhow::Result<Self> {
        if let (Some(channel), Some(profile)) = (channel, self.profile.clone()) {
            self.profile = Some(profile.on_channel(channel)?);
        }
        Ok(self)
    }

    /// How the profile was proven on its device, where it was.
    fn profile_proof(&self, profile: &Profile) -> Option<String> {
        match profile.standing(&self.profile_name) {
            Standing::Proven(proof) => Some(proof.words()),
            Standing::NotProven(_) => None,
        }
    }

    /// Does what is still to be done before the first run; whether there was anything.
    pub fn prepare(&mut self, connecting: &Connecting) -> anyhow::Result<bool> {
        let Some((what, preparation)) = self.preparation.take() else { return Ok(false) };
        connecting.waits_for(what);
        preparation(self).map(|()| true)
    }

    /// Opens the probe's stream for a calibration.
    pub fn start_bench(&self, connecting: &Connecting) -> anyhow::Result<BenchHandle> {
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
        let profile = self.profile.clone().context("no stream profile is loaded")?;
        Ok(bench::start(BenchRequest { stream, profile, start: bench::Start::of(&contents), connecting: connecting.clone() })?)
    }

    /// A run that goes on from the last place that was saved of another.
    pub fn continuing(&self, goes_on: GoesOn) -> anyhow::Result<Begin> {
        let reader = self.file.reader()?;
        let contents = reader.contents()?;
        let run = goes_on.from;
        let last = if contents.any_run(run).is_some() { reader.last_place(run)? } else { None };
        Ok(Begin::continuing(&contents, goes_on, last)?)
    }

    /// Starts a run; `prepare` may still change the request. Why, and by whose names, what stops scanning is overridden is stored here and
    /// nowhere else, and so is which run it goes on from.
    pub fn start(&self, begin: &Begin, prepare: impl FnOnce(&mut ScanRequest)) -> anyhow::Result<Scan> {
        let begin = begin.clone();
        let contents = self.file.contents()?;
        begin.check(&contents)?;
        let Some(stream) = self.streams.get(&begin.line).or(self.stream.as_ref()) else {
            bail!("no stream to read: give one with --stream (serial:PORT, tcp:HOST:PORT, file:PATH or -)");
        };
        let profile = self.profile.clone().context("no stream profile is loaded")?;
        let writer = self.file.writer();
        let order = Order {
            begin: &begin,
            spec: stream.spec.clone(),
            profile_proof: self.profile_proof(&profile),
            profile,
            options: SourceOptions { pace: stream.pace, record: self.record.clone() },
            operator: &self.operator.name,
            now_us: crate::live::now_us(),
        };
        let mut request = ScanRequest::new(&contents, order)?;
        prepare(&mut request);
        let stands = request.start.checklist_override.is_some();
        let scan = crate::live::start(writer.clone(), self.file.saved(), request)?;
        // Whoever lets go of the run ends it: none goes on of which this is not kept.
        if let Some(against) = begin.against.filter(|_| stands) {
            writer.add_override(against.words(), against.by).context("the override was NOT kept, and the run was ended")?;
        }
        if let Some(GoesOn { from, reason, by }) = begin.continues {
            let by = Signed { at_us: crate::live::now_us(), ..by };
            let joined = amend::state(&self.file, Statement { id: 0, said: Said::Join { run: scan.run, with: from }, reason, by });
            joined.with_context(|| format!("that it goes on from run {from} was NOT kept, and the run was ended"))?;
        }
        Ok(scan)
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
