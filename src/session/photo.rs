//! A photo goes with the job, from the command line and from the console: its file is read, known by its digest, and copied
//! beside the job where it is to be.

use crate::console::state::NewPhoto;
use anyhow::Context;
use backwall_report::words;
use backwall_store::{JobContents, photos};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::noted::{Photo, PhotoClock};
use backwall_survey::job::statement::{Said, Statement};
use std::io::Cursor;
use std::path::Path;

/// Larger files are no photos of a wall.
const LARGEST: u64 = 200_000_000;

/// The statement of a photo whose file is as it must be, copied where it is to be copied.
pub fn add(job: &Path, contents: &JobContents, new: NewPhoto, by: Signed) -> anyhow::Result<Statement> {
    let of = new.path.display();
    let about = std::fs::metadata(&new.path).with_context(|| format!("{of}: cannot be read"))?;
    anyhow::ensure!(about.is_file() && about.len() > 0, "{of}: is not a photo: it is empty");
    anyhow::ensure!(about.len() <= LARGEST, "{of}: larger than {}", words::bytes(LARGEST));
    let bytes = std::fs::read(&new.path).with_context(|| format!("{of}: cannot be read"))?;
    let name = new.path.file_name().and_then(|name| name.to_str()).with_context(|| format!("{of}: has no name that can be kept"))?;
    let (taken, taken_by) = taken(&bytes, &new.path);
    let digest = photos::digest(&bytes);
    let file = if new.digest_only { name.to_owned() } else { photos::kept_name(name, &digest) };
    let said = Said::Photo(Photo {
        at: new.at,
        text: new.text.trim().to_owned(),
        file: file.clone(),
        kept: !new.digest_only,
        blake3: digest,
        bytes: bytes.len() as u64,
        taken,
        taken_by,
        asked: new.asked,
    });
    // Nothing is copied for what is then refused.
    let statement = contents.statement(said, "", by)?;
    if !new.digest_only {
        photos::keep(job, &file, &bytes)?;
    }
    Ok(statement)
}

/// When it was taken: by the camera where the photo says so, else by the time of the file.
fn taken(bytes: &[u8], path: &Path) -> (String, PhotoClock) {
    if let Some(taken) = by_the_camera(bytes) {
        return (taken, PhotoClock::Camera);
    }
    let changed = std::fs::metadata(path).and_then(|about| about.modified());
    match changed {
        Ok(time) => (chrono::DateTime::<chrono::Utc>::from(time).format("%Y-%m-%d %H:%M:%S UTC").to_string(), PhotoClock::File),
        Err(_) => (String::new(), PhotoClock::Unknown),
    }
}

/// `DateTimeOriginal` of Exif 2.3 (CIPA DC-008, section 4.6.5): local time of a zone that is not known.
fn by_the_camera(bytes: &[u8]) -> Option<String> {
    let found = exif::Reader::new().read_from_container(&mut Cursor::new(bytes)).ok()?;
    let field = found.get_field(exif::Tag::DateTimeOriginal, exif::In::PRIMARY)?;
    let exif::Value::Ascii(text) = &field.value else { return None };
    let at = exif::DateTime::from_ascii(text.first()?).ok()?;
    let day = chrono::NaiveDate::from_ymd_opt(at.year.into(), at.month.into(), at.day.into())?;
    Some(format!("{day} {:02}:{:02}:{:02}", at.hour, at.minute, at.second))
}
