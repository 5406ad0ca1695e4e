//! `backwall verify JOB`: the digests, and every reading again from its waveform.

use super::work::interruptible;
use crate::session::sealed::{KeptSeal, SignedSeal};
use anyhow::bail;
use backwall_store::photos::{self, PhotoState};
use backwall_store::{AgainstSeal, JobFile, JobReader, LEAST_DIGITS, Moved, RunState};
use backwall_ultrasound::{EVALUATOR_VERSION, THICKNESS_TOLERANCE};
use backwall_units::Length;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct VerifyArgs {
    /// The job file; it may be in use
    pub job: PathBuf,
    /// A seal of the job that was kept elsewhere (`backwall seal`, or the report): shows whether anything was removed since
    #[arg(long, value_name = "DIGEST")]
    pub against: Option<String>,
    /// A seal in a file: signed (`backwall seal --key`), which also says whether its signature holds; written beside a table (`backwall
    /// export --format csv`), which also says whether the table is as it was exported; or any other file of `backwall export`, which carries its
    /// seal inside: of a picture it says whether it is as it was exported
    #[arg(long, value_name = "FILE", conflicts_with = "against")]
    pub seal: Option<PathBuf>,
    /// The key the seal must be signed with, an Ed25519 public key as a PEM file
    #[arg(long, value_name = "KEY.pem", requires = "seal")]
    pub key: Option<PathBuf>,
    /// Say what was found as one JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &VerifyArgs) -> anyhow::Result<()> {
    let reader = JobFile::open_read_only(&args.job)?;
    let kept = args.seal.as_deref().map(|path| KeptSeal::read(path, args.key.as_deref())).transpose()?;
    let seal = args.against.as_deref().or(kept.as_ref().map(KeptSeal::digest));
    let against = seal.map(|seal| against(&reader, seal)).transpose()?;
    let verdict = interruptible("readings tried", |tick| reader.verify_telling(tick))??;
    let job = args.job.display();
    let photos = photos_of(&reader, &args.job)?;
    let bad_photos = photos.iter().filter(|(_, state)| state.is_bad()).count();
    if args.json {
        let mut object = serde_json::json!(verdict);
        let photos: Vec<_> = photos.iter().map(|(file, state)| serde_json::json!({"file": file, "found": state.words()})).collect();
        if !photos.is_empty() {
            object["photos"] = photos.into();
        }
        object["job"] = job.to_string().into();
        object["whole"] = (verdict.problems.is_empty() && bad_photos == 0).into();
        object["against"] = against.as_ref().map(|(word, _)| *word).into();
        say!("{object}");
    } else {
        for run in &verdict.runs {
            let state = match run.state {
                RunState::Open => "open",
                RunState::Closed => "closed",
                RunState::Interrupted => "interrupted",
            };
            let found = if run.problems == 0 { "all as saved".to_owned() } else { format!("{} PROBLEMS", run.problems) };
            say!(
                "run {} on line {}, {state}: {} readings, {} made again from their waveforms: {found}",
                run.run,
                run.line,
                run.readings,
                run.remade
            );
            if run.without_waveform > 0 {
                say!("  {} readings have no waveform in the file: only their place and level could be made again", run.without_waveform);
            }
            say_moved(run.evaluator, &run.moved)?;
            if let Some(digest) = &run.digest {
                say!("  digest {digest}");
            }
        }
        for evaluation in &verdict.evaluations {
            let found = if evaluation.problems == 0 { "all as saved".to_owned() } else { format!("{} PROBLEMS", evaluation.problems) };
            say!(
                "evaluation {} of run {}: {} readings made again with its set-up: {found}",
                evaluation.evaluation,
                evaluation.run,
                evaluation.readings
            );
            say_moved(evaluation.evaluator, &evaluation.moved)?;
            say!("  digest {}", evaluation.digest);
        }
        for (file, state) in &photos {
            say!("photo {}: {}", backwall_report::words::safe_text(file), state.words());
        }
        for problem in &verdict.problems {
            match problem.run {
                Some(run) => say!("run {run}: {}", problem.what),
                None => say!("{}", problem.what),
            }
        }
    }
    if !verdict.problems.is_empty() {
        bail!("{job}: not as it was saved, see above. Keep this file as it is and go back to a copy made before");
    }
    if matches!(against, Some(("missing", _))) {
        bail!("{job}: the seal is not in this job: something was removed, or it is another file. Keep it as it is and go back to a copy");
    }
    if bad_photos > 0 {
        bail!("{job}: the readings are as they were saved; {} not, see above", backwall_report::words::count(bad_photos as u64, "photo"));
    }
    if !args.json {
        say!("{job}: whole");
        if let Some((_, words)) = against {
            say!("{words}");
        }
        match &kept {
            Some(KeptSeal::Signed(SignedSeal { name, at, public_key, .. })) => {
                let asked = if args.key.is_some() { ", the one asked for" } else { ": is it theirs? --key KEY.pem asks for a known one" };
                say!("signed by {name} at {at} with the key {public_key}{asked}");
            }
            Some(KeptSeal::OfTable(table)) => say!("{}", table.words()),
            Some(KeptSeal::Inside(inside)) => match inside.is_as_exported {
                Some(_) => say!("the picture is byte for byte as it was exported"),
                None => say!("the file names its job; whether its rows are as they were exported it does not say"),
            },
            None => {}
        }
    }
    Ok(())
}

/// How the job stands to a seal, in a word and in words.
fn against(reader: &JobReader, seal: &str) -> anyhow::Result<(&'static str, String)> {
    if seal.trim().len() < LEAST_DIGITS {
        bail!("'{seal}' is too short for a seal: give {LEAST_DIGITS} digits at least, better all");
    }
    Ok(match reader.against(seal)? {
        AgainstSeal::Same => ("same", "the seal is the job's own: nothing was added or removed since".to_owned()),
        AgainstSeal::Since(1) => ("since", "all that the seal covers is there; 1 entry came since".to_owned()),
        AgainstSeal::Since(since) => {
            ("since", format!("all that the seal covers is there; {} came since", backwall_report::words::count(since, "entry")))
        }
        AgainstSeal::Missing => ("missing", String::new()),
    })
}

/// Every photo that counts, and whether its file is the one that was added.
fn photos_of(reader: &JobReader, job: &Path) -> anyhow::Result<Vec<(String, PhotoState)>> {
    let photos = reader.force()?.photos;
    photos.into_iter().map(|photo| Ok((photo.what.file.clone(), photos::check(job, &photo.what)?))).collect()
}

/// Readings of another evaluator are compared within a tolerance, which is said.
fn say_moved(evaluator: u32, moved: &Moved) -> anyhow::Result<()> {
    if evaluator == EVALUATOR_VERSION {
        return Ok(());
    }
    let levels = match moved.levels {
        0 => String::new(),
        levels => format!("; {levels} of them now have another level"),
    };
    say!(
        "  made by evaluator {evaluator}, made again by evaluator {EVALUATOR_VERSION}: {} readings differ, all within the tolerance of {:.5} mm, the largest by {:.6} mm{levels}",
        moved.readings,
        THICKNESS_TOLERANCE.as_mm(),
        Length::nanometres(moved.largest_nm).as_mm()
    );
    Ok(())
}
