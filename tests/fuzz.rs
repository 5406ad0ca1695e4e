//! Whatever comes from outside, changed at random: bytes of a device, profiles, plans, checklists, earlier surveys, job files. It is
//! read or refused, never a panic. What is changed are the files of this repository and a short run of the virtual crawler;
//! changes are a bit, bytes, pieces taken out, doubled or exchanged between two files, and words that formats know.
//!
//!     BACKWALL_PROOF_FUZZ=10000000 cargo test --profile fuzz --test fuzz -- --nocapture
//!
//! `BACKWALL_PROOF_FUZZ` says how often each is tried. An input that fails is kept, and said where. The profile finds sums that overflow too.
//! What is changed is small, and is kept so: one execution is one small input, read by all that reads it.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use backwall_report::earlier::{EarlierTold, of_table};
use backwall_store::{JobFile, Packer, Unpacker};
use backwall_stream::{Decoder, Profile, cobs};
use backwall_survey::job::keys::{KeyLeftOut, PlanTable, TABLES};
use backwall_survey::job::{Checklist, Plan};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

/// Numbers and words that formats know, each at the edge of something.
const WORDS: [&[u8]; 24] = [
    b"=",
    b"[[",
    b"]",
    b"\"",
    b"'''",
    b"nan",
    b"inf",
    b"-",
    b"1e400",
    b"\n",
    b"0x",
    b"{",
    b".",
    b",",
    b";",
    b"9223372036854775808",
    b"\xe2\x80\xae",
    b"true",
    b"[]",
    b"\0",
    b"\xff\xff\xff\xff",
    b"\x00\x00\x00\x80",
    b"*",
    b"$",
];

/// Steele's and Vigna's splitmix64: enough for changes, and the same ones again from the same seed.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, bound: usize) -> usize {
        (self.next() % bound.max(1) as u64) as usize
    }

    fn change(&mut self, bytes: &mut Vec<u8>, other: &[u8]) {
        let at = self.below(bytes.len() + 1);
        let piece = at..(at + 1 + self.below(64)).min(bytes.len());
        match self.below(8) {
            0 if at < bytes.len() => bytes[at] ^= 1 << self.below(8),
            1 if at < bytes.len() => bytes[at] = self.next() as u8,
            2 => drop(bytes.drain(at.min(piece.end)..piece.end)),
            3 => {
                let twice = bytes[at.min(piece.end)..piece.end].to_vec();
                bytes.splice(at..at, twice);
            }
            4 => {
                let from = self.below(other.len());
                let piece = other[from..(from + self.below(64)).min(other.len())].to_vec();
                bytes.splice(at..at, piece);
            }
            5 => {
                let word = WORDS[self.below(WORDS.len())];
                bytes.splice(at..at, word.iter().copied());
            }
            6 => {
                // In the place of a number, where one stands behind.
                let Some(from) = bytes[at..].iter().position(u8::is_ascii_digit).map(|from| at + from) else { return };
                let to = bytes[from..].iter().position(|byte| !byte.is_ascii_digit()).map_or(bytes.len(), |to| from + to);
                let number = self.next() >> self.below(64);
                bytes.splice(from..to, number.to_string().into_bytes());
            }
            _ => bytes.truncate(at),
        }
    }

    /// Changes what stands somewhere and leaves all else where it is: most of a file that refers to its own places is then still read.
    fn change_in_place(&mut self, bytes: &mut Vec<u8>, other: &[u8]) {
        // Most of a page may be empty; what is there is more worth a change.
        let at = (0..8).map(|_| self.below(bytes.len())).find(|at| bytes.get(*at).is_some_and(|byte| *byte != 0)).unwrap_or_default();
        let room = bytes.len() - at;
        match self.below(32) {
            0 => self.change(bytes, other),
            1 => {
                // A page in the place of another.
                const PAGE: usize = 1024;
                let pages = bytes.len() / PAGE;
                let (from, to) = (self.below(pages) * PAGE, self.below(pages) * PAGE);
                if pages > 0 {
                    bytes.copy_within(from..from + PAGE, to);
                }
            }
            2..5 => {
                let word = WORDS[self.below(WORDS.len())];
                let length = word.len().min(room);
                bytes[at..at + length].copy_from_slice(&word[..length]);
            }
            5..8 => {
                let (from, length) = (self.below(other.len()), 1 + self.below(16));
                let piece = &other[from..(from + length).min(other.len())];
                let length = piece.len().min(room);
                bytes[at..at + length].copy_from_slice(&piece[..length]);
            }
            8..16 if room > 0 => bytes[at] = self.next() as u8,
            _ if room > 0 => bytes[at] ^= 1 << self.below(8),
            _ => {}
        }
    }
}

/// Tries `read` on changed inputs; it answers whether it took one.
fn fuzz(what: &str, corpus: &[Vec<u8>], read: impl FnMut(&[u8]) -> bool) {
    fuzz_changed(what, corpus, Random::change, read);
}

/// The same with changes of its own.
fn fuzz_changed(what: &str, corpus: &[Vec<u8>], change: impl Fn(&mut Random, &mut Vec<u8>, &[u8]), mut read: impl FnMut(&[u8]) -> bool) {
    let times: u64 = std::env::var("BACKWALL_PROOF_FUZZ").ok().and_then(|times| times.parse().ok()).unwrap_or(300);
    let seed = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_nanos() as u64;
    let (mut random, began, mut taken) = (Random(seed), Instant::now(), 0u64);
    let mut bytes = Vec::new();
    for _ in 0..times {
        bytes.clone_from(&corpus[random.below(corpus.len())]);
        for _ in 0..1 + random.below(5) {
            let other = random.below(corpus.len());
            change(&mut random, &mut bytes, &corpus[other]);
        }
        match catch_unwind(AssertUnwindSafe(|| read(&bytes))) {
            Ok(was_taken) => taken += u64::from(was_taken),
            Err(_) => {
                let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{}-{seed}", what.replace(' ', "-")));
                std::fs::write(&kept, &bytes).unwrap();
                panic!("{what}: a panic; the input is in {}", kept.display());
            }
        }
    }
    let seconds = began.elapsed().as_secs_f64();
    println!("{what}: {times} tried, {taken} taken, no panic, {seconds:.0} s, seed {seed}");
    // What refuses everything was never tried.
    assert!(times < 100 || (taken > 0 && taken < times), "{taken} of {times} taken");
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn file(path: &str) -> Vec<u8> {
    std::fs::read(root().join(path)).unwrap()
}

/// What the program itself makes, in a folder of its own.
fn made(arguments: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_backwall")).current_dir(root()).args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// A short stream of the virtual crawler: header, shots, status, small enough to be changed in every place.
fn stream(folder: &Path) -> Vec<u8> {
    let path = folder.join("s.shots");
    made(&["simulate", "--shots", "6", "--samples", "16", "--rate", "200", "--out", path.to_str().unwrap()]);
    std::fs::read(path).unwrap()
}

fn decode(profile: &Arc<Profile>, bytes: &[u8]) -> bool {
    let (mut decoder, mut decoded) = (Decoder::new(Arc::clone(profile)), Vec::new());
    // In two pieces: what is cut between reads goes other ways.
    let (first, second) = bytes.split_at(bytes.len() / 3);
    decoder.push(first, &mut decoded);
    decoder.push(second, &mut decoded);
    decoder.finish(&mut decoded);
    decoder.counts().bad_frames == 0
}

#[test]
fn framing() {
    let folder = tempfile::tempdir().unwrap();
    let profiles: Vec<Arc<Profile>> = Profile::shipped().map(|(name, text)| Arc::new(Profile::parse(name, text).unwrap())).collect();
    let mut turn = 0;
    fuzz("framing", &[stream(folder.path()), file("tests/data/stream/quorbel.txt")], |bytes| {
        turn += 1;
        decode(&profiles[turn % profiles.len()], bytes)
    });
}

/// Frames whose check is right, so that every change reaches what reads the fields.
#[test]
fn decoding() {
    let folder = tempfile::tempdir().unwrap();
    let frames: Vec<Vec<u8>> = stream(folder.path())
        .split(|byte| *byte == 0)
        .filter_map(|frame| {
            let mut body = Vec::new();
            (cobs::decode(frame, &mut body) && body.len() > 4).then(|| body[..body.len() - 4].to_vec())
        })
        .collect();
    let profile = Arc::new(Profile::load("open-packet").unwrap());
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI);
    let header = frames[0].clone();
    fuzz("decoding", &frames, |body| {
        let mut bytes = Vec::new();
        for body in [&header[..], body] {
            let checked = [body, &crc.checksum(body).to_le_bytes()].concat();
            cobs::encode(&checked, &mut bytes);
            bytes.push(0);
        }
        decode(&profile, &bytes)
    });
}

/// The same for lines of text, by profiles as they ship.
fn texts<T, E: std::fmt::Display>(what: &str, corpus: &[Vec<u8>], read: impl Fn(&str) -> Result<T, E>, with: impl Fn(T)) {
    fuzz(what, corpus, |bytes| match read(&String::from_utf8_lossy(bytes)) {
        Ok(read) => {
            with(read);
            true
        }
        Err(error) => {
            assert!(!error.to_string().is_empty(), "a refusal says why");
            false
        }
    });
}

#[test]
fn profiles() {
    let corpus: Vec<Vec<u8>> = Profile::shipped().map(|(_, text)| text.as_bytes().to_vec()).collect();
    texts("profiles", &corpus, |text| Profile::parse("profile.toml", text), drop);
}

/// Whole plans, and small ones, of which more can be read in the same time: what must be there, and one table more with all its keys.
fn small_and_whole_plans() -> Vec<Vec<u8>> {
    let keys = |table: &PlanTable, is_whole: bool| -> String {
        let keys = table.keys.iter().filter(|key| is_whole || matches!(key.left_out, KeyLeftOut::Needed));
        let keys: String = keys.map(|key| format!("{} = {}\n", key.name, key.example)).collect();
        format!("{}\n{keys}", table.header())
    };
    let small = TABLES.iter().map(|whole| {
        let wanted = |table: &&PlanTable| table.needed || table.path == whole.path || whole.path.starts_with(table.path);
        TABLES.iter().filter(wanted).map(|table| keys(table, table.path == whole.path)).collect::<String>().into_bytes()
    });
    small.chain([file("demo-stream/plan.toml"), file("tests/data/plan.toml")]).collect()
}

#[test]
fn plans() {
    let corpus = small_and_whole_plans();
    let taken = corpus.iter().filter(|plan| Plan::parse("plan.toml", std::str::from_utf8(plan).unwrap()).is_ok()).count();
    assert!(taken + 3 > corpus.len(), "{taken} of {} plans are ones", corpus.len());
    texts(
        "plans",
        &corpus,
        |text| Plan::parse("plan.toml", text),
        |plan| {
            let _ = plan.limits();
            plan.lines.iter().for_each(|line| drop(plan.path(line)));
            let _ = backwall_survey::job::takes::Takes::of(&plan);
        },
    );
}

/// The shipped checklist in pieces of some items each, since each is read by itself; and as a whole, for what they have to do with each other.
#[test]
fn checklists() {
    let whole = String::from_utf8(file("profiles/checklist/magnetic-crawler.toml")).unwrap();
    let mut parts = whole.split("[[item]]");
    let head = parts.next().unwrap();
    let items: Vec<&str> = parts.collect();
    let mut corpus: Vec<Vec<u8>> = items
        .chunks(4)
        .map(|items| items.iter().fold(head.to_owned(), |text, item| text + "[[item]]" + item).into_bytes())
        .filter(|piece| Checklist::parse("list.toml", std::str::from_utf8(piece).unwrap()).is_ok())
        .collect();
    assert!(corpus.len() > 4, "{} pieces", corpus.len());
    corpus.push(whole.into_bytes());
    texts("checklists", &corpus, |text| Checklist::parse("list.toml", text), drop);
}

/// Packed waveforms as they stand in a job file, with the numbers of their row, which may be wrong as well.
#[test]
fn waveform_blocks() {
    let smooth = |step: i16| -> Arc<[i16]> { (0..24).map(|at: i16| (at * step) % 90).collect() };
    let mut packer = Packer::new().unwrap();
    let mut packed =
        |count: i16, step: i16| packer.pack(&vec![smooth(step); count as usize]).map(|(codec, data)| (codec, data.to_vec())).unwrap();
    let (deltas, raw) = (packed(40, 1), (0, packed(1, 31_000 / 24).1));
    assert_eq!(deltas.0, 1);
    let (mut unpacker, mut turn, mut out) = (Unpacker::default(), 0usize, Vec::new());
    let times = |of: &[u8]| of.first().map_or(0, |byte| usize::from(*byte));
    fuzz("waveform blocks", &[deltas.1, raw.1], |bytes| {
        turn += 1;
        // Mostly what the row says is right.
        let (count, samples) = if turn.is_multiple_of(8) { (times(bytes), turn % 99) } else { (40, 24) };
        let codec = if turn % 16 == 1 { turn as i64 % 3 } else { 1 };
        unpacker.forget();
        [0, 33, turn % 64].iter().filter(|index| unpacker.unpack_into(codec, bytes, count, samples, **index, &mut out).is_ok()).count() > 1
    });
}

#[test]
fn earlier_surveys() {
    // Its first lines: what a table claims stands there.
    let whole = file("demo-stream/earlier.csv");
    let lines: Vec<&[u8]> = whole.split_inclusive(|byte| *byte == b'\n').collect();
    let corpus = [lines[..lines.len().min(12)].concat(), b"Linie;H\xc3\xb6he (mm);Wanddicke (mm)\nA1;0;9,81\nA1;12,5;9,7\n".to_vec()];
    let told = EarlierTold { date: chrono::NaiveDate::from_ymd_opt(2021, 6, 1), line: Some("A090".into()), ..EarlierTold::default() };
    fuzz("earlier surveys", &corpus, |bytes| match of_table(Path::new("earlier.csv"), bytes, &told) {
        Ok(_) => true,
        Err(error) => {
            assert!(!error.to_string().is_empty());
            false
        }
    });
}

/// Opened, read whole and verified: statements, readings, packed waveforms, digests.
#[test]
fn job_files() {
    // In memory where there is a place for it: a disk takes longer to replace a file than the program to read it.
    let memory = Path::new("/dev/shm");
    let folder = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap();
    let [job, shots, list, plan] = ["j.job", "s.shots", "list.toml", "plan.toml"].map(|name| folder.path().join(name));
    let [job_text, shots_text, list_text, plan_text] = [&job, &shots, &list, &plan].map(|path| path.to_str().unwrap());
    std::fs::write(
        &list,
        "name = 'short'\ntitle = 'Before'\ncaution = ''\n[[item]]\nid = 'a'\ngroup = 'a'\nask = 'a?'\nkind = 'confirm'\nhold = true",
    )
    .unwrap();
    let short = String::from_utf8(file("tests/data/plan.toml")).unwrap();
    std::fs::write(&plan, short.replacen("[job]\n", &format!("[job]\nchecklist = \"{list_text}\"\n"), 1)).unwrap();
    made(&["simulate", "--shots", "24", "--samples", "16", "--rate", "200", "--out", shots_text]);
    made(&["new", "--from", plan_text, job_text]);
    let stream = format!("file:{shots_text}");
    made(&["scan", job_text, "--headless", "--line", "A090", "--stream", &stream, "--pace", "max", "--override-checklist", "a test"]);
    let whole = std::fs::read(&job).unwrap();
    let mut changed = InPlace::new(&folder.path().join("changed.job"), whole.clone());
    fuzz_changed("job files", &[whole], Random::change_in_place, |bytes| {
        changed.becomes(bytes);
        let Ok(reader) = JobFile::open_read_only(&changed.path) else { return false };
        let Ok(contents) = reader.contents() else { return false };
        let mut whole = true;
        for run in &contents.runs {
            let shots = reader.for_each_shot(run.id, |reading, samples| drop((reading, samples)));
            whole &= shots.is_ok() && reader.notes(run.id).is_ok() && reader.events(run.id).is_ok() && reader.judgements(run.id).is_ok();
        }
        whole && reader.verify().is_ok_and(|verdict| verdict.problems.is_empty())
    });
}

/// A file of which only what has changed is written again.
struct InPlace {
    path: PathBuf,
    file: std::fs::File,
    holds: Vec<u8>,
}

impl InPlace {
    fn new(path: &Path, holds: Vec<u8>) -> Self {
        std::fs::write(path, &holds).unwrap();
        let file = std::fs::OpenOptions::new().read(true).write(true).open(path).unwrap();
        Self { path: path.to_owned(), file, holds }
    }

    fn becomes(&mut self, bytes: &[u8]) {
        use std::io::{Seek, SeekFrom, Write};
        const PIECE: usize = 4096;
        for (index, piece) in bytes.chunks(PIECE).enumerate() {
            let at = index * PIECE;
            if self.holds.get(at..at + piece.len()) != Some(piece) {
                self.file.seek(SeekFrom::Start(at as u64)).unwrap();
                self.file.write_all(piece).unwrap();
            }
        }
        if bytes.len() != self.holds.len() {
            self.file.set_len(bytes.len() as u64).unwrap();
        }
        self.holds.clear();
        self.holds.extend_from_slice(bytes);
    }
}
