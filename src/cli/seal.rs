//! `backwall seal`: the digest over the whole job, to be kept elsewhere.

use anyhow::bail;
use backwall_store::JobFile;
use clap::Args;
use serde_json::json;
use std::path::PathBuf;

#[derive(Args, Debug)]
pub struct SealArgs {
    /// The job file; it may be in use
    pub job: PathBuf,
    /// One JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &SealArgs) -> anyhow::Result<()> {
    let reader = JobFile::open_read_only(&args.job)?;
    let job = args.job.display();
    let Some(seal) = reader.seal()? else {
        bail!("{job}: its format is older than seals; open it once with `backwall open {job}`, which brings it up to date, then seal it");
    };
    if args.json {
        say!("{}", json!({"event": "seal", "job": job.to_string(), "entries": seal.entries, "digest": seal.digest}));
    } else {
        say!("{}", seal.digest);
        say!("covers {} entries: all that was stated of the job, and every run that has ended. Keep it elsewhere:", seal.entries);
        say!("`backwall verify {job} --against {}` shows later whether anything was removed or changed.", &seal.digest[..32]);
    }
    Ok(())
}
