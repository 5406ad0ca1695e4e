//! `backwall photo`: a photo goes with the job. Its file is copied beside the job file, or stays where it is and is known by its digest.

use super::enter::{EnterArgs, enter};
use super::place::PlaceArgs;
use crate::console::state::NewPhoto;
use crate::session::photo;
use backwall_survey::job::statement::Said;
use clap::Args;
use serde_json::json;
use std::path::PathBuf;

#[derive(Args, Debug)]
pub struct PhotoArgs {
    #[command(flatten)]
    pub enter: EnterArgs,
    /// The photo
    #[arg(long, value_name = "FILE")]
    pub file: PathBuf,
    #[command(flatten)]
    pub place: PlaceArgs,
    /// What it shows
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub text: String,
    /// Copy nothing: keep only the digest of the file, which proves later that it is the same
    #[arg(long)]
    pub digest_only: bool,
    /// The photo that the plan asks for, by its name
    #[arg(long, value_name = "NAME")]
    pub asked: Option<String>,
}

pub fn run(args: &PhotoArgs) -> anyhow::Result<()> {
    let kept = enter(&args.enter, "", |session, contents| {
        let (path, at) = (args.file.clone(), args.place.read(contents)?);
        let new = NewPhoto { path, at, text: args.text.clone(), digest_only: args.digest_only, asked: args.asked.clone() };
        Ok(photo::add(&args.enter.job, contents, new, session.signed())?.said)
    })?;
    let Said::Photo(photo) = &kept.statement.said else { return Ok(()) };
    let words = format!("{}, taken {}", kept.statement.said.words(kept.contents.plan.job.units), photo.taken_words());
    kept.say(&args.enter, &words, json!({"file": photo.file, "blake3": photo.blake3, "taken": photo.taken}))
}
