//! A file that is there whole or not at all: written beside its place, synced, then renamed. What fails or is
//! stopped on the way leaves the place as it was and nothing beside it.

use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};

#[derive(Debug, thiserror::Error)]
pub enum WholeFileError {
    #[error("{}: not a file name", .0.display())]
    NoName(PathBuf),
    #[error("{}: this is a job file or another database, and an export would replace it; choose another name", .0.display())]
    Database(PathBuf),
    #[error("{}: this is a folder; name a file in it", .0.display())]
    Folder(PathBuf),
    #[error("{}: {what}: {why}", .path.display())]
    Io { path: PathBuf, what: &'static str, why: std::io::Error },
    #[error("stopped before the end; nothing was written to {}", .0.display())]
    Stopped(PathBuf),
}

/// How far the work is. Answers whether it should go on.
pub type Tick<'a> = dyn FnMut(u64, u64) -> bool + 'a;

/// The work was told to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("stopped before the end")]
pub struct Stopped;

/// Turns a tick's answer into something `?` passes on.
pub fn go_on(tick: &mut Tick<'_>, done: u64, of: u64) -> Result<(), Stopped> {
    if tick(done, of) { Ok(()) } else { Err(Stopped) }
}

/// Writes the file at `place` by `write`, whole or not at all. Never replaces a job file.
pub fn write<T, E>(place: &Path, write: impl FnOnce(&mut BufWriter<&File>) -> Result<T, E>) -> Result<T, E>
where
    E: From<WholeFileError>,
{
    if place.is_dir() {
        return Err(WholeFileError::Folder(place.to_owned()).into());
    }
    refuse_database(place)?;
    let part = part_of(place)?;
    let io = |path: &Path, what| {
        let path = path.to_owned();
        move |why| WholeFileError::Io { path, what, why }
    };
    let file = File::create(&part.0).map_err(io(&part.0, "cannot be written; check that its folder exists"))?;
    let mut buffered = BufWriter::with_capacity(1 << 16, &file);
    let done = write(&mut buffered)?;
    buffered.flush().map_err(io(&part.0, "not written to the end; check the disk"))?;
    drop(buffered);
    file.sync_all().map_err(io(&part.0, "not written to the end; check the disk"))?;
    drop(file);
    std::fs::rename(&part.0, place).map_err(io(place, "cannot be put in place; is it open in another program?"))?;
    Ok(done)
}

/// The same for what is in memory already.
pub fn write_bytes(place: &Path, bytes: &[u8]) -> Result<(), WholeFileError> {
    write(place, |out| {
        out.write_all(bytes).map_err(|why| WholeFileError::Io {
            path: place.to_owned(),
            what: "not written to the end; check the disk",
            why,
        })
    })
}

/// A half-written file; removed unless it was put in place.
struct PartFile(PathBuf);

impl Drop for PartFile {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

fn part_of(place: &Path) -> Result<PartFile, WholeFileError> {
    let mut name = place.file_name().ok_or_else(|| WholeFileError::NoName(place.to_owned()))?.to_owned();
    name.push(format!(".part-{}", std::process::id()));
    Ok(PartFile(place.with_file_name(name)))
}

fn refuse_database(place: &Path) -> Result<(), WholeFileError> {
    let mut head = [0; 16];
    let is_database = File::open(place).and_then(|mut file| file.read_exact(&mut head)).is_ok() && head.starts_with(b"SQLite format 3");
    if is_database { Err(WholeFileError::Database(place.to_owned())) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn a_write_that_fails_leaves_the_old_file_and_nothing_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("out.csv");
        std::fs::write(&place, "old").unwrap();
        let failed: Result<(), WholeFileError> = write(&place, |out| {
            out.write_all(&[b'x'; 100_000]).unwrap();
            Err(WholeFileError::Stopped(place.clone()))
        });
        assert!(failed.is_err());
        assert_eq!((std::fs::read_to_string(&place).unwrap().as_str(), names(folder.path())), ("old", vec!["out.csv".to_owned()]));
        write_bytes(&place, b"new").unwrap();
        assert_eq!((std::fs::read_to_string(&place).unwrap().as_str(), names(folder.path())), ("new", vec!["out.csv".to_owned()]));
    }

    #[test]
    fn a_job_file_is_never_replaced_and_a_folder_that_is_not_there_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let job = folder.path().join("a.job");
        std::fs::write(&job, b"SQLite format 3\0 and more").unwrap();
        assert!(matches!(write_bytes(&job, b"x"), Err(WholeFileError::Database(_))));
        let error = write_bytes(&folder.path().join("none/out.csv"), b"x").unwrap_err().to_string();
        assert!(error.contains("folder exists") && error.contains("out.csv"), "{error}");
        assert!(matches!(write_bytes(folder.path(), b"x"), Err(WholeFileError::Folder(_))));
        assert!(write_bytes(Path::new(""), b"x").is_err());
    }
}
