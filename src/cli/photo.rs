//! `backwall photo`: a photo goes with the job. Its file is copied beside the job file, or stays where it is and is known by its digest.

use super::enter::{EnterArgs, enter};
use super::place::PlaceArgs;
use anyhow::Context;
use backwall_store::photos;
use backwall_survey::job::noted::{Clock, Photo};
use backwall_survey::job::statement::Said;
use clap::Args;
use serde_json::json;
use std::io::Cursor;
use std::path::{Path, PathBuf};

#[derive(Args, Debug)]
pub struct PhotoArgs {
    #[command(flatten)]
    pub enter: EnterArgs,
    /// The photo
    #[arg(long, value_name = "FILE")]
    pub file: PathBuf,
    #[command(flatten)]
    pub place: PlaceArgs,
    /// What is to be seen
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub text: String,
    /// Copy nothing: keep only the digest of the file, which proves later that it is the same
    #[arg(long)]
    pub digest_only: bool,
}

/// Larger files are no photos of a wall.
const LARGEST: u64 = 200_000_000;

pub fn run(args: &PhotoArgs) -> anyhow::Result<()> {
    let of = args.file.display();
    let about = std::fs::metadata(&args.file).with_context(|| format!("{of}: cannot be read"))?;
    anyhow::ensure!(about.is_file() && about.len() > 0, "{of}: is no photo: there is nothing in it");
    anyhow::ensure!(about.len() <= LARGEST, "{of}: larger than {}", backwall_report::words::bytes(LARGEST));
    let bytes = std::fs::read(&args.file).with_context(|| format!("{of}: cannot be read"))?;
    let name = args.file.file_name().and_then(|name| name.to_str()).with_context(|| format!("{of}: has no name that can be kept"))?;
    let (taken, taken_by) = taken(&bytes, &args.file);
    let digest = photos::digest(&bytes);
    let file = if args.digest_only { name.to_owned() } else { photos::kept_name(name, &digest) };
    let kept = enter(&args.enter, "", |session, contents| {
        let said = Said::Photo(Photo {
            at: args.place.read(contents)?,
            text: args.text.trim().to_owned(),
            file: file.clone(),
            kept: !args.digest_only,
            blake3: digest,
            bytes: bytes.len() as u64,
            taken,
            taken_by,
        });
        // Nothing is copied for what is then refused.
        contents.statement(said.clone(), "", session.signed())?;
        if !args.digest_only {
            photos::keep(&args.enter.job, &file, &bytes)?;
        }
        Ok(said)
    })?;
    let Said::Photo(photo) = &kept.statement.said else { return Ok(()) };
    let words = format!("{}, taken {}", photo, photo.taken_words());
    kept.say(&args.enter, &words, json!({"file": photo.file, "blake3": photo.blake3, "taken": photo.taken}))
}

/// When it was taken: by the camera where the photo says so, else by the time of the file.
fn taken(bytes: &[u8], path: &Path) -> (String, Clock) {
    if let Some(taken) = by_the_camera(bytes) {
        return (taken, Clock::Camera);
    }
    let changed = std::fs::metadata(path).and_then(|about| about.modified());
    match changed {
        Ok(time) => (chrono::DateTime::<chrono::Utc>::from(time).format("%Y-%m-%d %H:%M:%S UTC").to_string(), Clock::File),
        Err(_) => (String::new(), Clock::Unknown),
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
