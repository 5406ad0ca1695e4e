//! What the console acts on: an open job with its streams, or a job that can only be looked at.

use super::amend;
use super::evaluate;
use super::open_job::Session;
use super::photo;
use super::review::{self, EarlierSurvey};
use crate::console::backend::{ProveHandle, ReadOutline, WriteReport};
use crate::console::state::NewPhoto;
use crate::console::survey::SurveyAsk;
use crate::console::{Backend, Clock, Reads, ReplayHandle, ReviewHandle, ScanHandle, SurveyHandle};
use crate::live::bench::BenchHandle;
use crate::live::{Begin, Connecting};
use anyhow::{Context, bail};
use backwall_store::{Adoption, EvaluationSummary, JobContents, JobFile, Note, RunId};
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::statement::Revision;
use backwall_survey::job::validity::Check;
use backwall_survey::job::{Said, Statement};
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use backwall_units::Wording;
use std::path::{Path, PathBuf};

/// The console's backend: an open job and its streams.
pub struct ConsoleBackend {
    pub session: Session,
    /// An earlier survey to draw behind what is reviewed.
    pub earlier: Option<EarlierSurvey>,
    /// Why what is done before the first run could not be done: then none starts.
    pub unprepared: Option<String>,
}

impl Backend for ConsoleBackend {
    fn prepare(&mut self, connecting: &Connecting) -> anyhow::Result<bool> {
        self.session.prepare(connecting).inspect_err(|error| self.unprepared = Some(format!("{error:#}")))
    }
    fn contents(&self) -> anyhow::Result<JobContents> {
        Ok(self.session.file.contents()?)
    }
    fn answer(&mut self, answer: Answer) -> anyhow::Result<()> {
        Ok(self.session.file.writer().answer(answer)?)
    }
    fn sign(&mut self, signature: Signature) -> anyhow::Result<()> {
        Ok(self.session.file.writer().sign(signature)?)
    }
    fn note(&mut self, note: Note) -> anyhow::Result<()> {
        Ok(self.session.file.writer().note(note)?)
    }
    fn state(&mut self, statement: Statement) -> anyhow::Result<i64> {
        amend::state(&self.session.file, statement)
    }
    fn photo(&mut self, photo: NewPhoto, by: Signed) -> anyhow::Result<(i64, String)> {
        let file = &self.session.file;
        let statement = photo::add(file.path(), &file.contents()?, photo, by)?;
        let words = statement.said.to_string();
        Ok((file.writer().state(statement)?, words))
    }
    fn set_setup(&mut self, setup: Setup, origin: Wording, by: Signed) -> anyhow::Result<i64> {
        Ok(self.session.file.writer().add_setup(setup, origin, by)?)
    }
    fn add_check(&mut self, check: Check) -> anyhow::Result<()> {
        Ok(self.session.file.writer().add_check(check)?)
    }
    fn add_encoder_check(&mut self, check: EncoderCheck, by: Signed) -> anyhow::Result<()> {
        Ok(self.session.file.writer().add_encoder_check(check, by)?)
    }
    fn evaluate(&mut self, run: RunId, by: Signed, go_on: &mut dyn FnMut(u64, u64) -> bool) -> anyhow::Result<EvaluationSummary> {
        let file = &self.session.file;
        let start = evaluate::echo_to_echo(&file.contents()?, run, by).with_context(|| format!("there is no run {run}"))?;
        Ok(file.writer().reevaluate(&file.reader()?, start, go_on)?)
    }
    fn adopt(&mut self, adoption: Adoption) -> anyhow::Result<()> {
        Ok(self.session.file.writer().adopt(adoption)?)
    }
    fn acknowledge(&mut self, run: RunId, seq: u32, by: Signed) -> anyhow::Result<()> {
        amend::state(&self.session.file, Statement { id: 0, said: Said::Acknowledge { run, seq }, reason: String::new(), by }).map(drop)
    }
    fn read_plan(&self, path: &str) -> anyhow::Result<Revision> {
        amend::read_plan(Path::new(path))
    }
    fn report(&self) -> anyhow::Result<WriteReport> {
        Ok(report(self.session.file.path()))
    }
    fn start_bench(&mut self, channel: Option<&str>, connecting: &Connecting) -> anyhow::Result<BenchHandle> {
        self.session.start_bench(channel, connecting)
    }
    fn choose_channel(&mut self, channel: &str) -> anyhow::Result<()> {
        self.session.chosen = Some(channel.to_owned());
        Ok(())
    }
    fn start_prove(&mut self, channel: Option<&str>, by: &Signed) -> anyhow::Result<ProveHandle> {
        self.session.start_prove(channel, by)
    }
    fn reads(&self) -> Reads {
        self.session.reads()
    }
    fn start_scan(&mut self, begin: &Begin, connecting: &Connecting) -> anyhow::Result<ScanHandle> {
        if let Some(why) = &self.unprepared {
            bail!("{why}");
        }
        let scans = self.session.start(begin, |request| request.connecting = connecting.clone())?;
        let mut handles =
            scans.into_iter().map(|scan| ScanHandle { view: scan.view, wall: scan.wall, commands: scan.commands, beside: Vec::new() });
        let first = handles.next().context("no run was opened")?;
        Ok(ScanHandle { beside: handles.collect(), ..first })
    }
    fn open_review(&mut self, run: RunId, all: bool) -> anyhow::Result<ReviewHandle> {
        review::open(self.session.file.path(), run, all, self.earlier.as_ref())
    }
    fn open_survey(&mut self, survey: SurveyAsk) -> anyhow::Result<SurveyHandle> {
        review::open_survey(self.session.file.path(), survey, self.earlier.as_ref())
    }
    fn open_replay(&mut self, run: RunId) -> anyhow::Result<ReplayHandle> {
        review::open_replay(self.session.file.path(), run)
    }
    fn earlier(&self) -> Option<ReadOutline> {
        let earlier = self.earlier.clone()?;
        Some(Box::new(move |line| earlier.outline(line)))
    }
    fn is_demo(&self) -> bool {
        self.session.simulated.is_some()
    }
    fn clock(&self) -> Clock {
        crate::live::now_us
    }
    fn close(self) -> anyhow::Result<()> {
        Ok(self.session.file.close()?)
    }
}

fn report(job: &Path) -> WriteReport {
    let job = job.to_owned();
    Box::new(move || super::report::beside(&job))
}

/// Looks at a job that cannot be written to.
pub struct ReadOnlyBackend {
    pub path: PathBuf,
    pub why: String,
    pub earlier: Option<EarlierSurvey>,
}

impl Backend for ReadOnlyBackend {
    fn contents(&self) -> anyhow::Result<JobContents> {
        Ok(JobFile::open_read_only(&self.path)?.contents()?)
    }
    fn refusal(&self) -> String {
        format!("open for looking only: {}", self.why)
    }
    fn report(&self) -> anyhow::Result<WriteReport> {
        Ok(report(&self.path))
    }
    fn open_review(&mut self, run: RunId, all: bool) -> anyhow::Result<ReviewHandle> {
        review::open(&self.path, run, all, self.earlier.as_ref())
    }
    fn open_survey(&mut self, survey: SurveyAsk) -> anyhow::Result<SurveyHandle> {
        review::open_survey(&self.path, survey, self.earlier.as_ref())
    }
    fn open_replay(&mut self, run: RunId) -> anyhow::Result<ReplayHandle> {
        review::open_replay(&self.path, run)
    }
    fn clock(&self) -> Clock {
        crate::live::now_us
    }
}
