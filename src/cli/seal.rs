//! `backwall seal`: the digest over the whole job, to be kept elsewhere, and a signature for it.

use crate::session::sealed::{SignedSeal, of_job};
use anyhow::Context;
use backwall_report::qr::Qr;
use clap::Args;
use serde_json::json;
use std::io::IsTerminal;
use std::path::PathBuf;

#[derive(Args, Debug)]
pub struct SealArgs {
    /// The job file; it may be in use
    pub job: PathBuf,
    /// Sign the seal with this Ed25519 private key, a PEM file
    #[arg(long, value_name = "KEY.pem", requires_all = ["by", "out"])]
    pub key: Option<PathBuf>,
    /// Who signs
    #[arg(long, value_name = "NAME", requires = "key")]
    pub by: Option<String>,
    /// Where the signed seal is written; a file that is there stays
    #[arg(long, value_name = "FILE", requires = "key")]
    pub out: Option<PathBuf>,
    /// Show it as a QR code too, where the output is no terminal; a terminal always shows it
    #[arg(long, conflicts_with = "json")]
    pub qr: bool,
    /// One JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &SealArgs) -> anyhow::Result<()> {
    let (number, seal) = of_job(&args.job)?;
    let job = args.job.display();
    let signed = match (&args.key, &args.by, &args.out) {
        (Some(key), Some(by), Some(out)) => {
            let at = chrono::Utc::now().to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
            let signed = SignedSeal::sign(&number, &seal, by, &at, key)?;
            let mut file = std::fs::File::create_new(out).with_context(|| format!("{}: cannot be made", out.display()))?;
            std::io::Write::write_all(&mut file, signed.written()?.as_bytes())
                .and_then(|()| file.sync_all())
                .with_context(|| format!("{}: cannot be written", out.display()))?;
            Some((signed, out))
        }
        _ => None,
    };
    if args.json {
        let public_key = signed.as_ref().map(|(signed, _)| &signed.public_key);
        say!(
            "{}",
            json!({"event": "seal", "job": job.to_string(), "entries": seal.entries, "digest": seal.digest, "public_key": public_key})
        );
        return Ok(());
    }
    say!("{}", seal.digest);
    if (args.qr || std::io::stdout().is_terminal())
        && let Some(code) = Qr::of_seal(&seal.digest)
    {
        say!("{}", code.half_blocks().trim_end_matches('\n'));
    }
    say!(
        "covers {}: all that was stated of the job, and every run that has ended. Keep it elsewhere:",
        backwall_report::words::count(seal.entries, "entry")
    );
    match signed {
        Some((signed, out)) => {
            let out = out.display();
            say!(
                "signed by {} with the key {}: `backwall verify {job} --seal {out}` compares the job with it",
                signed.name,
                signed.public_key
            );
        }
        None => say!("`backwall verify {job} --against {}` shows later whether anything was removed or changed.", &seal.digest[..32]),
    }
    Ok(())
}
