//! A seal signed with a key: written, read and checked. The signature is Ed25519 (RFC 8032), keys are PEM files as RFC 8410 has them
//! (`openssl genpkey -algorithm ed25519 -out key.pem`). It says who vouches for the digest; the digest says what for.

mod table;

pub use table::TableSeal;

use anyhow::{Context, bail};
use backwall_report::sealed::{self, SealInside};
use backwall_store::{AgainstSeal, JobFile, JobReader, Seal, small_file};
use ed25519_compact::{KeyPair, PublicKey, Signature};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The file of a signed seal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignedSeal {
    /// The job's number.
    pub job: String,
    pub entries: u64,
    pub digest: String,
    pub name: String,
    /// When, RFC 3339.
    pub at: String,
    /// Hex, as the signature is.
    pub public_key: String,
    pub signature: String,
}

impl SignedSeal {
    /// Signs a job's seal with the private key in a PEM file.
    pub fn sign(job: &str, seal: &Seal, name: &str, at: &str, key: &Path) -> anyhow::Result<Self> {
        let of = key.display();
        let pem = small_file::text(key).with_context(|| format!("{of}: the key cannot be read"))?;
        let pair = KeyPair::from_pem(&pem).map_err(|_| {
            anyhow::anyhow!(
                "{of}: is not an Ed25519 private key in PEM (PRIVATE KEY); make one with `openssl genpkey -algorithm ed25519 -out {of}`"
            )
        })?;
        let mut signed = Self {
            job: job.to_owned(),
            entries: seal.entries,
            digest: seal.digest.clone(),
            name: name.to_owned(),
            at: at.to_owned(),
            public_key: hex(&*pair.pk),
            signature: String::new(),
        };
        signed.signature = hex(&*pair.sk.sign(signed.message(), None));
        Ok(signed)
    }

    pub fn read(path: &Path) -> anyhow::Result<Self> {
        let of = path.display();
        let text = small_file::text(path).with_context(|| format!("{of}: the signed seal cannot be read"))?;
        toml::from_str(&text).map_err(|error| anyhow::anyhow!("{of}: is not a signed seal: {}", error.message()))
    }

    pub fn written(&self) -> anyhow::Result<String> {
        let table = toml::to_string(self).context("the signed seal cannot be written")?;
        Ok(format!("# The seal of a job file and who signed it. `backwall verify JOB --seal FILE` compares the job with it.\n{table}"))
    }

    /// What is signed: a line of each, in this order.
    pub fn message(&self) -> String {
        let Self { job, entries, digest, name, at, .. } = self;
        format!("backwall seal 1\n{job}\n{entries}\n{digest}\n{name}\n{at}\n")
    }

    /// Whether the signature is by the key that stands in it, and that key is the one asked for.
    pub fn check(&self, key: Option<&Path>) -> anyhow::Result<()> {
        let wrong = || anyhow::anyhow!("the signature of {} is NOT valid: the seal was changed, or signed with another key", self.name);
        let public = bytes(&self.public_key).and_then(|bytes| PublicKey::from_slice(&bytes).ok()).with_context(wrong)?;
        let signature = bytes(&self.signature).and_then(|bytes| Signature::from_slice(&bytes).ok()).with_context(wrong)?;
        public.verify(self.message(), &signature).map_err(|_| wrong())?;
        let Some(key) = key else { return Ok(()) };
        let of = key.display();
        let pem = small_file::text(key).with_context(|| format!("{of}: the key cannot be read"))?;
        let known = PublicKey::from_pem(&pem).map_err(|_| anyhow::anyhow!("{of}: is not an Ed25519 public key in PEM (PUBLIC KEY)"))?;
        if known != public {
            bail!("the seal was signed with another key than {of}");
        }
        Ok(())
    }
}

/// A seal that was kept in a file.
pub enum KeptSeal {
    Signed(SignedSeal),
    OfTable(TableSeal),
    /// Of a picture, a drawing or a table that carries it inside.
    Inside(SealInside),
}

impl KeptSeal {
    /// Reads and tries it: a signature, by `key` where one is given, or what it was exported with.
    pub fn read(path: &Path, key: Option<&Path>) -> anyhow::Result<Self> {
        let of = path.display();
        match sealed::find(path).with_context(|| format!("{of}: the seal cannot be read"))? {
            Some(_) if key.is_some() => bail!("{of}: its seal is not signed: leave --key out"),
            Some(SealInside { is_as_exported: Some(false), .. }) => {
                bail!("{of}: is NOT the picture that was exported: it was changed. Export it anew")
            }
            Some(inside) => return Ok(Self::Inside(inside)),
            None => {}
        }
        match TableSeal::read(path)? {
            Some(_) if key.is_some() => bail!("{}: stands beside a table and is not signed: leave --key out", path.display()),
            Some(table) => Ok(Self::OfTable(table)),
            None => {
                let signed = SignedSeal::read(path)?;
                signed.check(key).with_context(|| path.display().to_string())?;
                Ok(Self::Signed(signed))
            }
        }
    }

    pub fn digest(&self) -> &str {
        match self {
            Self::Signed(signed) => &signed.digest,
            Self::OfTable(table) => table.digest(),
            Self::Inside(inside) => &inside.seal.digest,
        }
    }
}

/// Who signed a seal of this job and with which key; refused where the signature does not hold, or it is no seal of the job.
pub fn words_of(file: &Path, reader: &JobReader) -> anyhow::Result<String> {
    let signed = SignedSeal::read(file)?;
    signed.check(None)?;
    let since = match reader.against(&signed.digest)? {
        AgainstSeal::Same => "as the job stands".to_owned(),
        AgainstSeal::Since(entries) => format!("{} came since", backwall_report::words::count(entries, "entry")),
        AgainstSeal::Missing => bail!("{}: is no seal of this job: something was removed, or it is of another", file.display()),
    };
    let SignedSeal { name, at, public_key, entries, .. } = signed;
    Ok(format!("by {name} at {at} over {}, {since}; Ed25519 public key {public_key}", backwall_report::words::count(entries, "entry")))
}

/// The job's number and seal.
pub fn of_job(path: &Path) -> anyhow::Result<(String, Seal)> {
    let reader = JobFile::open_read_only(path)?;
    let job = path.display();
    let Some(seal) = reader.seal()? else {
        bail!("{job}: its format is older than seals; open it once with `backwall open {job}`, which brings it up to date, then seal it");
    };
    Ok((reader.contents()?.plan.job.number.clone(), seal))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn bytes(hex: &str) -> Option<Vec<u8>> {
    let (pairs, []) = hex.as_bytes().as_chunks::<2>() else { return None };
    pairs.iter().map(|pair| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()).collect()
}
