//! Photos of a job: copied into a folder beside the job file, or kept elsewhere and known by their digest alone. The job holds what
//! proves that a file is the one that was added.

use super::error::StoreError;
use super::lock::beside;
use backwall_survey::job::noted::Photo;
use std::path::{Path, PathBuf};

/// How a photo's file was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PhotoState {
    Whole,
    Missing,
    Changed,
    /// Only its digest is kept, and so nothing can be said of the file.
    Elsewhere,
}

impl PhotoState {
    pub const fn words(self) -> &'static str {
        match self {
            Self::Whole => "as it was added",
            Self::Missing => "MISSING from the folder of the job's photos",
            Self::Changed => "CHANGED since it was added",
            Self::Elsewhere => "kept elsewhere, only its digest is here",
        }
    }

    pub const fn is_bad(self) -> bool {
        matches!(self, Self::Missing | Self::Changed)
    }
}

/// The folder beside a job file that its photos are kept in: `tk7.job.photos`.
pub fn folder(job: &Path) -> PathBuf {
    beside(job, ".photos")
}

/// The BLAKE3 digest of a photo's bytes, as hexadecimal digits.
pub fn digest(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// What a photo is called in the job's folder: its name with the beginning of its digest in front.
pub fn kept_name(name: &str, digest: &str) -> String {
    format!("{}-{name}", digest.get(..8).unwrap_or(digest))
}

/// Puts a photo into the job's folder under its [`kept_name`]. One that is there already stays.
pub fn keep(job: &Path, kept_name: &str, bytes: &[u8]) -> Result<(), StoreError> {
    let folder = folder(job);
    let path = folder.join(kept_name);
    let io = |path: &Path| {
        let path = path.to_path_buf();
        move |why: std::io::Error| StoreError::Photo { path, what: why.to_string() }
    };
    std::fs::create_dir_all(&folder).map_err(io(&folder))?;
    if !std::fs::read(&path).is_ok_and(|known| known == bytes) {
        // Written whole or not at all.
        let part = beside(&path, ".part");
        std::fs::write(&part, bytes).map_err(io(&part))?;
        std::fs::File::open(&part).and_then(|file| file.sync_all()).map_err(io(&part))?;
        std::fs::rename(&part, &path).map_err(io(&path))?;
    }
    Ok(())
}

/// Whether a photo's file is the one that was added.
pub fn check(job: &Path, photo: &Photo) -> Result<PhotoState, StoreError> {
    read(job, photo).map(|read| read.err().unwrap_or(PhotoState::Whole))
}

/// The photo as it was added, or how its file was found instead.
pub fn read(job: &Path, photo: &Photo) -> Result<Result<Vec<u8>, PhotoState>, StoreError> {
    if !photo.kept {
        return Ok(Err(PhotoState::Elsewhere));
    }
    let path = folder(job).join(&photo.file);
    match std::fs::read(&path) {
        Ok(bytes) if digest(&bytes) == photo.blake3 => Ok(Ok(bytes)),
        Ok(_) => Ok(Err(PhotoState::Changed)),
        Err(why) if why.kind() == std::io::ErrorKind::NotFound => Ok(Err(PhotoState::Missing)),
        Err(why) => Err(StoreError::Photo { path, what: why.to_string() }),
    }
}
