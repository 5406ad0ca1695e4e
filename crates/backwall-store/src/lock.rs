//! One writer a job. A lock on `JOB.lock` is held while a job is open for writing; the operating system drops it
//! when the process dies, however it dies. Who holds it stands in `JOB.lock-owner`: a second file, because on
//! Windows a locked file cannot be read by others.

use super::error::{Holder, StoreError};
use super::small_file::other_than_file;
use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// `JOB` with something put behind its whole name.
pub(super) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// Where a job file really is: its lock and its log stand beside that, whatever links lead to it. A file with more than one name is not written:
/// its lock would be one of several.
pub(super) fn real(path: &Path) -> Result<PathBuf, StoreError> {
    let say = |error| StoreError::io(path, &error);
    let about = std::fs::metadata(path).map_err(say)?;
    if let Some(what) = other_than_file(about.file_type()) {
        return Err(StoreError::NotAFile { path: path.to_path_buf(), what });
    }
    #[cfg(unix)]
    if let names @ 2.. = std::os::unix::fs::MetadataExt::nlink(&about) {
        return Err(StoreError::ManyNames { path: path.to_path_buf(), names });
    }
    let is_link = std::fs::symlink_metadata(path).map_err(say)?.file_type().is_symlink();
    if is_link { std::fs::canonicalize(path).map_err(say) } else { Ok(path.to_path_buf()) }
}

pub(super) struct Lock {
    // Held for as long as it is open.
    _file: File,
    lock: PathBuf,
    owner: PathBuf,
}

impl Lock {
    pub fn take(job: &Path) -> Result<Self, StoreError> {
        let (lock, owner) = (beside(job, ".lock"), beside(job, ".lock-owner"));
        let open = || {
            OpenOptions::new().create(true).truncate(false).write(true).open(&lock).map_err(|error| match error.kind() {
                // The job file itself is there: what is missing is a folder to write in.
                std::io::ErrorKind::NotFound => StoreError::ReadOnlyFolder { path: job.to_path_buf() },
                _ => StoreError::io(job, &error),
            })
        };
        let in_use = || StoreError::InUse { path: job.to_path_buf(), holder: read_owner(&owner) };
        let until = Instant::now() + PATIENCE;
        loop {
            let file = open()?;
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) if Instant::now() < until => {
                    std::thread::sleep(AGAIN);
                    continue;
                }
                Err(TryLockError::WouldBlock) => return Err(in_use()),
                Err(TryLockError::Error(error)) => return Err(StoreError::io(job, &error)),
            }
            // The last holder may have removed the file between our open and our lock. Then the name leads to
            // another file by now, or to none: a lock on the removed one keeps nobody out.
            if !still_leads_to(&lock, &file, open)? {
                continue;
            }
            let text = format!("pid = {}\nhost = {}\nsince = {}\n", std::process::id(), host(), chrono::Utc::now().to_rfc3339());
            std::fs::write(&owner, text).map_err(|error| StoreError::io(job, &error))?;
            return Ok(Self { _file: file, lock, owner });
        }
    }
}

/// Whoever asks whether a job is being written holds a shared lock for an instant: a writer that starts just then waits for it.
const PATIENCE: Duration = Duration::from_millis(200);
const AGAIN: Duration = Duration::from_millis(5);

/// Whether the name leads to the file that is open and locked. Another file may be locked too, by another writer, so that its being
/// locked says nothing: which file it is does.
#[cfg(unix)]
fn still_leads_to(lock: &Path, file: &File, _open: impl Fn() -> Result<File, StoreError>) -> Result<bool, StoreError> {
    use std::os::unix::fs::MetadataExt;
    let say = |error| StoreError::io(lock, &error);
    match std::fs::metadata(lock) {
        Ok(named) => {
            let held = file.metadata().map_err(say)?;
            Ok((named.dev(), named.ino()) == (held.dev(), held.ino()))
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(say(error)),
    }
}

/// The standard library has no number of a file here: a file that cannot be locked a second time is taken for the same.
#[cfg(not(unix))]
fn still_leads_to(_lock: &Path, _file: &File, open: impl Fn() -> Result<File, StoreError>) -> Result<bool, StoreError> {
    Ok(matches!(open()?.try_lock(), Err(TryLockError::WouldBlock)))
}

/// Whether somebody has the job open for writing; what cannot be found out counts as yes.
pub(super) fn is_held(job: &Path) -> bool {
    let path = real(job).unwrap_or_else(|_| job.to_path_buf());
    match File::open(beside(&path, ".lock")) {
        // A shared lock, and for no longer than it takes to get it.
        Ok(file) => file.try_lock_shared().is_err(),
        Err(error) => error.kind() != std::io::ErrorKind::NotFound,
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Removed while still held; a file left behind does no harm.
        let _ = std::fs::remove_file(&self.owner);
        let _ = std::fs::remove_file(&self.lock);
    }
}

fn read_owner(owner: &Path) -> Option<Holder> {
    let text = std::fs::read_to_string(owner).ok()?;
    let value = |key: &str| {
        text.lines().find_map(|line| line.split_once(" = ").filter(|(name, _)| *name == key).map(|(_, value)| value.to_owned()))
    };
    Some(Holder { pid: value("pid")?.parse().ok()?, host: value("host")?, since: value("since")? })
}

fn host() -> String {
    std::fs::read_to_string("/proc/sys/kernel/hostname")
        .ok()
        .or_else(|| std::env::var("COMPUTERNAME").ok())
        .or_else(|| std::env::var("HOSTNAME").ok())
        .map_or_else(|| "this computer".to_owned(), |name| name.trim().to_owned())
}

/// Space set aside while a run is open, so that the run can be closed when the disk is full.
pub(super) struct Reserve {
    path: PathBuf,
}

/// Twice what the write-ahead log may hold between checkpoints.
pub(super) const RESERVE_BYTES: u64 = 32 << 20;

impl Reserve {
    /// Takes as much as can be had without filling the disk; `None` when there is none.
    pub fn take(job: &Path) -> Option<Self> {
        let free = fs4::available_space(folder(job)).ok()?;
        let bytes = RESERVE_BYTES.min(free / 4);
        let path = beside(job, ".reserve");
        let file = File::create(&path).ok()?;
        let reserve = Self { path };
        fs4::fs_std::FileExt::allocate(&file, bytes).ok()?;
        Some(reserve)
    }
}

/// Gives back what a process that was killed had set aside.
pub(super) fn forget_reserve(job: &Path) {
    let _ = std::fs::remove_file(beside(job, ".reserve"));
}

impl Drop for Reserve {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.path);
    }
}

/// The folder a job file is in.
pub(super) fn folder(job: &Path) -> &Path {
    match job.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_writer_waits_for_whoever_only_looks_and_is_refused_by_another_writer() {
        let folder = tempfile::tempdir().unwrap();
        let job = folder.path().join("a.job");
        let looks = File::create(beside(&job, ".lock")).unwrap();
        looks.try_lock_shared().unwrap();
        let looking = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(60));
            drop(looks);
        });
        let held = Lock::take(&job).unwrap_or_else(|error| panic!("{error}"));
        looking.join().unwrap();
        let began = Instant::now();
        assert!(matches!(Lock::take(&job), Err(StoreError::InUse { holder: Some(_), .. })));
        assert!(began.elapsed() >= PATIENCE && began.elapsed() < PATIENCE * 10);
        drop(held);
        Lock::take(&job).unwrap_or_else(|error| panic!("{error}"));
    }

    // The holder removes the file as a second opens it; a third makes it anew and locks that. The second has a lock that keeps nobody out.
    #[cfg(unix)]
    #[test]
    fn a_lock_on_a_file_that_was_removed_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("a.job.lock");
        let of_second = File::create(&name).unwrap();
        of_second.try_lock().unwrap();
        let leads = || still_leads_to(&name, &of_second, || unreachable!()).unwrap();
        assert!(leads());
        std::fs::remove_file(&name).unwrap();
        assert!(!leads());
        let of_third = File::create(&name).unwrap();
        of_third.try_lock().unwrap();
        assert!(!leads(), "it is locked, but it is another file");
    }
}
