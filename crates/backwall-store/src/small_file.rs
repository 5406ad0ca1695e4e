//! Reads files that people hand over, of a size that makes sense for what they are. A folder, a pipe or a device is refused before it is
//! opened: some of them never end.

use std::fs::{File, FileType};
use std::io::{self, Read};
use std::path::Path;

/// A plan, a profile, a template, answers: some thousand lines.
pub const TEXT: u64 = 2_000_000;
/// A logo.
pub const PICTURE: u64 = 20_000_000;

/// What a thing of the file system is, where it is no file.
pub(super) fn other_than_file(kind: FileType) -> Option<&'static str> {
    match kind {
        _ if kind.is_file() => None,
        _ if kind.is_dir() => Some("a folder"),
        _ => Some("a pipe or a device"),
    }
}

/// A table of an earlier survey: some million rows.
pub const TABLE: u64 = 200_000_000;

/// Opens a file of at most `most` bytes.
pub fn open(path: &Path, most: u64) -> io::Result<File> {
    let about = std::fs::metadata(path)?;
    let wrong = |what: String| io::Error::new(io::ErrorKind::InvalidInput, what);
    if let Some(what) = other_than_file(about.file_type()) {
        return Err(wrong(format!("is {what}, not a file")));
    }
    if about.len() > most {
        return Err(wrong(format!("has {} MB, more than {} MB, the most allowed", about.len() / 1_000_000, most / 1_000_000)));
    }
    File::open(path)
}

/// The whole of a file of at most `most` bytes.
pub fn bytes(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let wrong = |what: String| io::Error::new(io::ErrorKind::InvalidInput, what);
    if let Some(what) = other_than_file(std::fs::metadata(path)?.file_type()) {
        return Err(wrong(format!("is {what}, not a file")));
    }
    let mut read = Vec::new();
    File::open(path)?.take(most + 1).read_to_end(&mut read)?;
    if read.len() as u64 > most {
        return Err(wrong(format!("is larger than {} MB, the most allowed", most / 1_000_000)));
    }
    Ok(read)
}

/// The same as text.
pub fn text(path: &Path) -> io::Result<String> {
    String::from_utf8(bytes(path, TEXT)?).map_err(|error| {
        io::Error::new(io::ErrorKind::InvalidData, format!("is not text: byte {} is not UTF-8", error.utf8_error().valid_up_to()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_files_of_a_size_that_makes_sense_are_read() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::write(at("plan"), "a = 1").unwrap();
        std::fs::write(at("huge"), vec![b' '; TEXT as usize + 1]).unwrap();
        std::fs::write(at("picture"), [b'a', 0xff, 0xfe]).unwrap();
        assert_eq!(text(&at("plan")).unwrap(), "a = 1");
        let said = |path: &Path| text(path).unwrap_err().to_string();
        assert_eq!(said(&at("huge")), "is larger than 2 MB, the most allowed");
        assert_eq!(said(&at("picture")), "is not text: byte 1 is not UTF-8");
        assert_eq!(said(folder.path()), "is a folder, not a file");
        let table = std::fs::File::create(at("table")).unwrap();
        table.set_len(TABLE + 1_000_000).unwrap();
        assert_eq!(open(&at("table"), TABLE).unwrap_err().to_string(), "has 201 MB, more than 200 MB, the most allowed");
        assert_eq!(open(folder.path(), TABLE).unwrap_err().to_string(), "is a folder, not a file");
        if cfg!(unix) {
            assert_eq!(said(Path::new("/dev/zero")), "is a pipe or a device, not a file");
        }
    }
}
