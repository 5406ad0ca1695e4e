//! The seal of the job inside a picture, a drawing or a table that was exported: one line of text, in the place that each format has for words about
//! the file as a whole. A picture's line also names all the rest of it by its digest, so that a changed picture is found.

use super::{parquet, png};
use backwall_store::{Seal, bytes_digest, small_file};
use std::fmt;
use std::io::{self, Read};
use std::path::Path;

/// What such a file says of its job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealInside {
    pub seal: Seal,
    /// Whether all but the seal is as it was exported; `None` where the file does not say.
    pub is_as_exported: Option<bool>,
}

/// The line: `seal of the job DIGEST over N entries`, in pictures with `; all but this line has BLAKE3 DIGEST`.
struct SealLine<'a> {
    digest: &'a str,
    entries: u64,
    contents: Option<&'a str>,
}

const OF_JOB: &str = "seal of the job ";
const OVER: &str = " over ";
const ENTRIES: &str = " entries";
const CONTENTS: &str = "; all but this has BLAKE3 ";

impl fmt::Display for SealLine<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{OF_JOB}{}{OVER}{}{ENTRIES}", self.digest, self.entries)?;
        self.contents.map_or(Ok(()), |contents| write!(f, "{CONTENTS}{contents}"))
    }
}

impl<'a> SealLine<'a> {
    fn read(text: &'a str) -> Option<Self> {
        let (digest, rest) = text.trim().strip_prefix(OF_JOB)?.split_once(OVER)?;
        let (entries, rest) = rest.split_once(ENTRIES)?;
        let is_digest = |digits: &str| digits.len() == 64 && digits.bytes().all(|digit| digit.is_ascii_hexdigit());
        let contents = if rest.is_empty() { None } else { Some(rest.strip_prefix(CONTENTS).filter(|digits| is_digest(digits))?) };
        Some(Self { digest: Some(digest).filter(|digits| is_digest(digits))?, entries: entries.parse().ok()?, contents })
    }

    fn inside(&self, rest: &[u8]) -> SealInside {
        let seal = Seal { entries: self.entries, digest: self.digest.to_owned() };
        SealInside { seal, is_as_exported: self.contents.map(|contents| contents == bytes_digest(rest)) }
    }
}

/// The words of a seal where nothing else is said of the file.
pub(super) fn words(seal: &Seal) -> String {
    SealLine { digest: &seal.digest, entries: seal.entries, contents: None }.to_string()
}

/// As it stands in a JSON document.
pub fn object(seal: &Seal) -> serde_json::Value {
    serde_json::json!({ "digest": seal.digest, "entries": seal.entries })
}

fn words_with(seal: &Seal, contents: &[u8]) -> String {
    SealLine { digest: &seal.digest, entries: seal.entries, contents: Some(&bytes_digest(contents)) }.to_string()
}

const SVG_BEGINS: &str = "<metadata>";
const SVG_ENDS: &str = "</metadata>\n";

/// An SVG picture with the seal as its metadata, behind the title.
pub fn in_svg(svg: &str, seal: &Seal) -> String {
    const TITLE: &str = "</title>\n";
    let at = svg.find(TITLE).map_or(svg.len(), |at| at + TITLE.len());
    let (head, rest) = svg.split_at(at);
    format!("{head}{SVG_BEGINS}{}{SVG_ENDS}{rest}", words_with(seal, svg.as_bytes()))
}

/// The keyword of the text in a PNG picture.
const PNG_KEY: &str = "Seal";

/// A PNG picture with the seal as a text of its own.
pub fn in_png(picture: Vec<u8>, seal: &Seal) -> Vec<u8> {
    let words = words_with(seal, &picture);
    png::with_text(picture, PNG_KEY, &words)
}

/// The seal in a file that was exported; `None` where it is of no kind that carries one inside, or carries none.
pub fn find(path: &Path) -> io::Result<Option<SealInside>> {
    let mut begins = [0; parquet::MAGIC.len()];
    let is_whole = small_file::open(path, u64::MAX)?.read_exact(&mut begins).is_ok();
    // However large it is, what it says of itself stands at its end.
    if is_whole && begins == *parquet::MAGIC {
        return Ok(parquet::seal_of(path).map(|seal| SealInside { seal, is_as_exported: None }));
    }
    Ok(in_bytes(&small_file::bytes(path, small_file::TABLE)?))
}

fn in_bytes(bytes: &[u8]) -> Option<SealInside> {
    if bytes.starts_with(png::SIGNATURE) {
        let (words, rest) = png::text_of(bytes, PNG_KEY)?;
        return Some(SealLine::read(&words)?.inside(&rest));
    }
    let text = std::str::from_utf8(bytes).ok()?;
    if text.starts_with('{') {
        let read: serde_json::Value = serde_json::from_str(text).ok()?;
        let seal = read.get("seal")?;
        let seal = Seal { digest: seal.get("digest")?.as_str()?.to_owned(), entries: seal.get("entries")?.as_u64()? };
        return Some(SealInside { seal, is_as_exported: None });
    }
    if let Some((head, rest)) = text.split_once(SVG_BEGINS) {
        let (words, rest) = rest.split_once(SVG_ENDS)?;
        return Some(SealLine::read(words)?.inside([head, rest].concat().as_bytes()));
    }
    // A drawing has it as a comment, a line of its own near its beginning.
    let line = text.lines().take(64).find_map(SealLine::read)?;
    Some(SealInside { is_as_exported: None, ..line.inside(&[]) })
}

#[cfg(test)]
mod tests {
    use super::super::figure::{Figure, Ink, rectangle};
    use super::super::svg::svg;
    use super::*;

    fn seal() -> Seal {
        Seal { entries: 7, digest: "0123456789abcdef".repeat(4) }
    }

    fn figure() -> Figure {
        let mut figure = Figure::new("a picture <metadata> & more", 25.4, 25.4);
        figure.areas(vec![rectangle(0.0, 0.0, 12.7, 12.7)], Ink::Vermilion);
        figure
    }

    #[test]
    fn a_picture_says_which_job_it_is_of_and_whether_it_was_changed() {
        let whole = Some(SealInside { seal: seal(), is_as_exported: Some(true) });
        let changed = Some(SealInside { seal: seal(), is_as_exported: Some(false) });
        let drawn = svg(&figure());
        let sealed = in_svg(&drawn, &seal());
        assert_eq!(in_bytes(sealed.as_bytes()), whole);
        assert_eq!(in_bytes(sealed.replace("M0 0", "M1 0").as_bytes()), changed);
        assert_eq!(in_bytes(drawn.as_bytes()), None);

        let drawn = png::png(&figure(), 100).unwrap();
        let sealed = in_png(drawn.clone(), &seal());
        assert_eq!((in_bytes(&sealed), in_bytes(&drawn)), (whole, None));
        let other = in_png(png::png(&Figure::new("b", 25.4, 25.4), 100).unwrap(), &seal());
        // The text of one picture in another.
        let (text, _) = png::text_of(&sealed, PNG_KEY).unwrap();
        let (_, rest) = png::text_of(&other, PNG_KEY).unwrap();
        assert_eq!(in_bytes(&png::with_text(rest, PNG_KEY, &text)), changed);
        for cut in [0, 7, 40, 60, sealed.len() - 1] {
            let _ = in_bytes(&sealed[..cut]);
        }
    }

    #[test]
    fn what_is_no_seal_is_none() {
        let line = words(&seal());
        assert!(SealLine::read(&line).is_some());
        for wrong in ["", "seal of the job", &line[..60], &line.replace('0', "x"), &line.replace('7', "-7"), &(line.clone() + " and more")]
        {
            assert!(SealLine::read(wrong).is_none(), "{wrong}");
        }
        assert_eq!(in_bytes(b"{\"seal\": null}"), None);
        assert_eq!(in_bytes(b"{\"seal\": {\"digest\": \"ab\", \"entries\": 1}}").unwrap().seal.digest, "ab");
    }
}
