//! What a run could not have seen: the conditions of the run from its job file, and the model driven with them. For command line, report and
//! screen alike.

use crate::console::SurveyHandle;
use crate::console::survey::SurveyNews;
use crate::live::unseen::{UnseenConditions, unseen};
use anyhow::{Context, bail};
use backwall_report::unseen::UnseenOfRun;
use backwall_store::{JobFile, JobReader, RunId, RunState};
use backwall_units::{Decibel, Length};
use std::path::Path;
use std::sync::Arc;

/// Readings looked at for spacing and noise.
const LOOKED_AT: usize = 20_000;

/// The table of a run, or of the last that can be modelled; nothing where `go_on`, which is told how many drives are done and of how
/// many, has ended the work by answering `false`.
pub fn of_job(reader: &JobReader, run: Option<RunId>, go_on: &mut dyn FnMut(u64, u64) -> bool) -> anyhow::Result<Option<UnseenOfRun>> {
    let contents = reader.contents()?;
    let can = |run: &&backwall_store::RunSummary| contents.setup_of(run).calibration.is_some() && run.state != RunState::Open;
    let run = match run {
        None => contents
            .runs
            .iter()
            .rfind(can)
            .context("no closed run with a calibration: what it could not have seen cannot be modelled; calibrate, then scan")?,
        Some(id) => {
            let run = contents.runs.iter().find(|known| known.id == id).with_context(|| format!("there is no run {id}"))?;
            if !can(&run) {
                bail!("run {id} is open or has no calibration: what it could not have seen cannot be modelled");
            }
            run
        }
    };
    let readings = reader.readings(run.id, 0, LOOKED_AT)?;
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let places: Vec<f64> = readings.iter().filter_map(|reading| reading.place.along).map(Length::as_mm).collect();
    let steps = places.windows(2).map(|pair| (pair[1] - pair[0]).abs()).filter(|step| *step > 0.01).collect();
    let spacing = middle(steps).context("the run has no places along the line: its shot spacing is not known")?;
    let snr = middle(readings.iter().filter_map(|reading| reading.measurement.snr).map(Decibel::as_db).collect());
    let snr = snr.context("the run has no signal to noise: no echo was read, or the device sent values without waveforms")?;
    let course = readings.get(readings.len() / 2).and_then(|reading| reading.place.course);
    let limits = &run.start.limits;
    let nominal = limits.nominal(course).context("the course has no nominal thickness")?;
    let waveform = reader.waveform(run.id, 0)?.context("the device sent values without waveforms: its noise is not known")?;
    // The drive over the caps lies in one course of that run.
    let mut of_course: Vec<_> =
        limits.courses.iter().filter(|known| course.is_none_or(|number| known.number == number)).take(1).cloned().collect();
    of_course.iter_mut().for_each(|course| course.number = 1);
    let conditions = UnseenConditions {
        setup: contents.setup_of(run).clone(),
        base: waveform.base,
        samples: waveform.samples.len().min(usize::from(u16::MAX)) as u16,
        nominal,
        limits: backwall_survey::strip::Limits { courses: of_course, ..limits.clone() },
        alarm: contents.plan.alarm,
        spacing: Length::mm(spacing),
        snr: Decibel::db(snr),
        beam_width: contents.plan.probe.beam_width,
    };
    let mut stopped = false;
    let table = unseen(&conditions, &mut |done, of| {
        stopped |= !go_on(done, of);
        !stopped
    });
    match table {
        _ if stopped => Ok(None),
        Some(table) => Ok(Some(UnseenOfRun { run: run.id, line: run.start.line.clone(), table })),
        None => bail!("the virtual probe could not be calibrated like this run's"),
    }
}

/// The same in a thread of its own, for a screen; it ends when nobody listens any more.
pub fn open(path: &Path, run: RunId) -> anyhow::Result<SurveyHandle> {
    let reader = JobFile::open_read_only(path)?;
    let (tell, news) = tokio::sync::mpsc::channel(4);
    let (asks, _) = std::sync::mpsc::channel();
    let work = move || {
        let found = of_job(&reader, Some(run), &mut |done, of| {
            // A screen that is behind gets a later one; one that is gone ends the work.
            let told = tell.try_send(SurveyNews::Unseen { done, of });
            !matches!(told, Err(tokio::sync::mpsc::error::TrySendError::Closed(_)))
        });
        let news = match found {
            Ok(None) => return,
            Ok(Some(found)) => SurveyNews::UnseenFound(Arc::new(found)),
            Err(error) => SurveyNews::UnseenFailed(format!("{error:#}")),
        };
        tell.blocking_send(news).ok();
    };
    std::thread::Builder::new().name("unseen".to_owned()).spawn(work)?;
    Ok(SurveyHandle { news, asks })
}
