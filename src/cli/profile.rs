//! `backwall profile`: make a profile for a new device: look at those there are, check one, try it on a stream.

mod ask;
mod make;
mod prove;

use anyhow::{Context, Result};
use backwall_stream::profile::proof::ProofStanding;
use backwall_stream::tap::{Tap, TapItem};
use backwall_stream::{DecodeCounts, Decoded, DecodedWhat, Profile, StreamSpec};
use backwall_survey::reading::{GaugeValue, Record};
use std::io::{self, Write};
use std::time::Duration;

/// Make a profile for a new device
#[derive(Debug, clap::Args)]
pub struct ProfileArgs {
    #[command(subcommand)]
    command: ProfileCommand,
}

#[derive(Debug, clap::Subcommand)]
enum ProfileCommand {
    /// Read a profile and report every mistake, with file, line and key
    Check {
        /// Path of a profile, or the name of a known one
        file: String,
    },
    /// Show what a profile makes of a stream, beside the bytes
    Try {
        /// Path of a profile, or the name of a known one
        file: String,
        /// serial:PORT[@BAUD], tcp:HOST:PORT, file:PATH, or - for standard input
        #[arg(long)]
        stream: StreamSpec,
        /// Stop after this many frames
        #[arg(long, default_value_t = 20)]
        limit: u64,
    },
    /// Make a profile from what a device sends: shows its lines or frames, asks what their parts mean, and writes it
    Make(make::MakeArgs),
    /// Prove a profile on its device: blocks of known thickness, the probe lifted, a measured distance; the report names the proof
    Prove(prove::ProveArgs),
    /// List the profiles that come with the program, and your own
    List,
    /// Print a known profile, to start a new one from
    Show { name: String },
}

pub fn run(args: ProfileArgs) -> Result<()> {
    let mut out = io::stdout().lock();
    let done = match args.command {
        ProfileCommand::Check { file } => check(&file, &mut out),
        ProfileCommand::Try { file, stream, limit } => try_out(&file, &stream, limit, &mut out),
        ProfileCommand::Make(args) => make::make(&args, &mut io::stdin().lock(), &mut out),
        ProfileCommand::Prove(args) => prove::prove(&args, &mut io::stdin().lock(), &mut out),
        ProfileCommand::List => list(&mut out),
        ProfileCommand::Show { name } => show(&name, &mut out),
    };
    match done {
        // Whoever read along has seen enough.
        Err(error) if error.downcast_ref::<io::Error>().is_some_and(|error| error.kind() == io::ErrorKind::BrokenPipe) => Ok(()),
        done => done,
    }
}

fn check(file: &str, out: &mut impl Write) -> Result<()> {
    let profile = Profile::load(file)?;
    writeln!(out, "{file}: good. It is '{}': {}", profile.name, or_dash(&profile.about))?;
    match profile.standing(file) {
        ProofStanding::Proven(proof) => writeln!(out, "It is {}", proof.words())?,
        ProofStanding::NotProven(why) => {
            writeln!(out, "It is {why}.")?;
            writeln!(
                out,
                "Next: backwall profile try {file} --stream STREAM, then backwall profile prove {file} --stream STREAM --by NAME"
            )?;
        }
    }
    Ok(())
}

fn or_dash(text: &str) -> &str {
    if text.is_empty() { "-" } else { text }
}

fn list(out: &mut impl Write) -> Result<()> {
    let width = Profile::shipped().map(|(name, _)| name.len()).max().unwrap_or(0);
    for (name, _) in Profile::shipped() {
        writeln!(out, "{name:width$}  {}", Profile::load(name)?.about)?;
    }
    let folder = backwall_stream::profile::user_folder();
    writeln!(out, "Your own profiles go into {}", folder.display())?;
    for name in backwall_stream::profile::own(&folder) {
        match Profile::load(&name) {
            Ok(profile) => writeln!(out, "{name:width$}  {}", or_dash(&profile.about))?,
            Err(_) => writeln!(out, "{name:width$}  cannot be used: see backwall profile check {name}")?,
        }
    }
    Ok(())
}

fn show(name: &str, out: &mut impl Write) -> Result<()> {
    let Some((_, text)) = Profile::shipped().find(|(known, _)| *known == name) else {
        // One of the user's own, then.
        out.write_all(Profile::load(name)?.text.as_bytes())?;
        return Ok(());
    };
    out.write_all(text.as_bytes())?;
    Ok(())
}

/// So long nothing may come before advice is given.
const PATIENCE: Duration = Duration::from_secs(5);

fn try_out(file: &str, stream: &StreamSpec, limit: u64, out: &mut impl Write) -> Result<()> {
    let profile = Profile::load(file)?;
    let mut tap = Tap::open(stream, &profile).with_context(|| format!("cannot try {file}"))?;
    let mut tally = ShownTally::default();
    while tally.shown() < limit {
        match tap.next(PATIENCE) {
            // What the profile says, or a shot beside its samples, is no frame of its own.
            TapItem::Frame(Decoded { what: DecodedWhat::Record(record), bytes }) if bytes.is_empty() => {
                writeln!(out, "    -  {}, from here on", record_in_words(&record))?;
            }
            TapItem::Frame(decoded) => {
                tally.add(&decoded.what);
                write_frame(tally.shown(), &decoded, profile.is_text(), out)?;
            }
            TapItem::Note(note) => writeln!(out, "-- {note}")?,
            TapItem::Silence => writeln!(out, "-- {}", silence(&tap.counts()))?,
            TapItem::Ended => break,
        }
        out.flush()?;
    }
    let bytes = tap.counts().bytes;
    tally.write(limit, bytes, out)?;
    if bytes > 0 && (tally.good == 0 || tally.good < tally.dropped) {
        for words in tap.diagnose() {
            writeln!(out, "  {words}")?;
        }
    }
    Ok(())
}

fn silence(counts: &DecodeCounts) -> String {
    let seconds = PATIENCE.as_secs();
    if counts.bytes == 0 {
        format!("nothing came for {seconds} s: is the device on, the port right, and does it want a start command ([send] start)?")
    } else {
        format!("no frame for {seconds} s, {} bytes so far: are baud and [framing] right?", counts.bytes)
    }
}

fn write_frame(number: u64, decoded: &Decoded, is_text: bool, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "{number:>5}  {}", in_words(&decoded.what))?;
    if !decoded.bytes.is_empty() {
        writeln!(out, "       {}", if is_text { escaped(&decoded.bytes) } else { hex(&decoded.bytes) })?;
    }
    Ok(())
}

fn in_words(what: &DecodedWhat) -> String {
    match what {
        DecodedWhat::Record(record) => record_in_words(record),
        DecodedWhat::Unknown => "unknown   no [[record]] is for this frame".to_owned(),
        DecodedWhat::Ignored => "ignored".to_owned(),
        DecodedWhat::Answer => "the answer to a command".to_owned(),
        DecodedWhat::BeforeHeader => "shot      before any header: counted, not used".to_owned(),
        DecodedWhat::OtherChannel { channel, .. } => format!("channel {}: not read", plain(channel)),
        DecodedWhat::Dropped { why } => format!("DROPPED   {}", plain(why)),
    }
}

fn record_in_words(record: &Record) -> String {
    let when = |seq: u32, time: Option<u64>, encoder: Option<i32>| {
        let time = time.map_or("no device time".to_owned(), |time| format!("{time} us"));
        let encoder = encoder.map_or("no encoder".to_owned(), |encoder| format!("encoder {encoder}"));
        format!("seq {seq}, {time}, {encoder}")
    };
    match record {
        Record::Header(header) => format!(
            "header    {} MHz, first sample {}, {} bits, {} samples, device {} '{}'",
            header.base.rate.as_mhz(),
            header.base.first,
            header.base.bits,
            header.samples,
            header.device_id,
            plain(&header.device_name)
        ),
        Record::Shot(shot) => {
            let (low, high) = shot.samples.iter().fold((0, 0), |(low, high), sample| (low.min(*sample), high.max(*sample)));
            let when = when(shot.seq, shot.device_time_us, shot.encoder);
            format!("shot      {when}, gain {} dB, {} samples from {low} to {high}", shot.gain.as_db(), shot.samples.len())
        }
        Record::Status(status) => {
            let time = status.device_time_us.map_or("no device time".to_owned(), |time| format!("{time} us"));
            let battery = status.battery_mv.map_or("no battery".to_owned(), |battery| format!("battery {battery} mV"));
            let surface =
                status.surface_temperature.map_or("no temperature".to_owned(), |surface| format!("surface {} C", surface.as_celsius()));
            format!("status    {time}, {battery}, {surface}")
        }
        Record::Gauge(gauge) => {
            let value = match gauge.value {
                GaugeValue::Thickness(Some(thickness)) => format!("thickness {thickness}"),
                GaugeValue::EchoTime(Some(time)) => format!("echo time {time}"),
                GaugeValue::Thickness(None) | GaugeValue::EchoTime(None) => "no echo".to_owned(),
                GaugeValue::NoCoupling => "no coupling".to_owned(),
            };
            format!("gauge     {}, {value}", when(gauge.seq, gauge.device_time_us, gauge.encoder))
        }
    }
}

/// Text of a device, which must not steer the terminal.
fn plain(text: &str) -> String {
    text.chars().map(|char| if char.is_control() { '\u{FFFD}' } else { char }).collect()
}

const SHOWN_BYTES: usize = 32;
const SHOWN_CHARS: usize = 110;

fn hex(bytes: &[u8]) -> String {
    let mut shown: Vec<String> = bytes.iter().take(SHOWN_BYTES).map(|byte| format!("{byte:02X}")).collect();
    if bytes.len() > SHOWN_BYTES {
        shown.push(format!("... {} bytes", bytes.len()));
    }
    shown.join(" ")
}

fn escaped(bytes: &[u8]) -> String {
    let text = bytes[..bytes.len().min(SHOWN_CHARS)].escape_ascii().to_string();
    if bytes.len() > SHOWN_CHARS { format!("{text} ... {} bytes", bytes.len()) } else { text }
}

/// What was shown; the decoder may be ahead of that.
#[derive(Default)]
struct ShownTally {
    good: u64,
    dropped: u64,
    unknown: u64,
    before_header: u64,
    /// Passed over, which is no sign that the profile fits.
    ignored: u64,
}

impl ShownTally {
    fn shown(&self) -> u64 {
        self.good + self.dropped + self.unknown + self.before_header + self.ignored
    }

    fn add(&mut self, what: &DecodedWhat) {
        *match what {
            DecodedWhat::Record(_) | DecodedWhat::Answer | DecodedWhat::OtherChannel { .. } => &mut self.good,
            DecodedWhat::Ignored => &mut self.ignored,
            DecodedWhat::Unknown => &mut self.unknown,
            DecodedWhat::BeforeHeader => &mut self.before_header,
            DecodedWhat::Dropped { .. } => &mut self.dropped,
        } += 1;
    }

    fn write(&self, limit: u64, bytes: u64, out: &mut impl Write) -> io::Result<()> {
        let Self { good, dropped, unknown, before_header, ignored } = self;
        let ignored = if *ignored > 0 { format!(", {ignored} ignored") } else { String::new() };
        writeln!(out, "{good} good, {dropped} dropped, {unknown} unknown, {before_header} shots before any header{ignored}")?;
        if self.shown() >= limit {
            writeln!(out, "Stopped after {limit}; --limit shows more.")?;
        }
        if *good == 0 && bytes > 0 {
            writeln!(
                out,
                "Nothing could be read: compare the bytes with [framing] and [check], and the baud with the device's. The bytes say:"
            )?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tried(profile: &str, name: &str, bytes: &[u8], limit: u64) -> String {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let mut out = Vec::new();
        try_out(profile, &StreamSpec::File(path), limit, &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        text.lines().filter(|line| !line.starts_with("-- reading")).collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn a_tried_text_stream_shows_records_beside_their_bytes() {
        insta::assert_snapshot!(tried("delimited-text", "a.txt", b"# hello\n1;10;-4;6.2\n2;20;0;-\n3;30;\x1b[31m;6\nend", 20), @r"
        1  ignored
           # hello
        2  gauge     seq 1, 10000 us, encoder -4, thickness 6.2 mm
           1;10;-4;6.2
        3  gauge     seq 2, 20000 us, encoder 0, no echo
           2;20;0;-
        4  DROPPED   gauge: '�[31m' is no value for 'encoder'
           3;30;\x1b[31m;6
        5  DROPPED   the stream ends inside this frame
           end
    2 good, 2 dropped, 0 unknown, 0 shots before any header, 1 ignored
    ");
    }

    #[test]
    fn the_guide_prints_what_trying_its_example_prints() {
        let guide = include_str!("../../docs/new-device.md");
        let sent = include_str!("../../tests/data/stream/quorbel.txt").replace("\r\n", "\n").replace('\n', "\r\n");
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quorbel.toml");
        std::fs::write(&path, include_str!("../../tests/data/stream/quorbel.toml")).unwrap();
        let printed = tried(&path.display().to_string(), "quorbel.txt", sent.as_bytes(), 20);
        assert!(guide.contains(&format!("```text\n{printed}\n```")), "docs/new-device.md prints something else than\n{printed}");
    }

    /// Every recipe of the guide: what is printed below it is what trying it prints.
    #[test]
    fn the_guide_prints_what_trying_its_recipes_prints() {
        let guide = include_str!("../../docs/new-device.md").replace("\r\n", "\n");
        let block = |head: String| guide.split_once(&format!("```{head}\n")).map(|(_, rest)| rest.split_once("```").unwrap().0);
        let recipes: Vec<&str> = guide.lines().filter_map(|line| line.strip_prefix("```toml ")).collect();
        assert!(recipes.len() >= 6, "{recipes:?}");
        for name in recipes {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("recipe.toml");
            std::fs::write(&path, block(format!("toml {name}")).unwrap()).unwrap();
            let sent = match block(format!("hex {name} sent")) {
                Some(hex) => hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect(),
                None => block(format!("text {name} sent")).unwrap().as_bytes().to_vec(),
            };
            let printed = tried(&path.display().to_string(), "sent.bytes", &sent, 20);
            let records = printed.rsplit_once('\n').unwrap();
            assert_eq!(records.0, block(format!("text {name} read")).unwrap().trim_end_matches('\n'), "recipe {name}");
            assert!(records.1.contains(" good, 0 dropped, 0 unknown"), "recipe {name}: {}", records.1);
        }
    }

    #[test]
    fn a_tried_binary_stream_shows_hexadecimal_and_stops_at_the_limit() {
        let mut bytes = b"\x05noise\x00".to_vec();
        backwall_stream::packet::encode_status(1_000_000, Some(12_000), None, &mut bytes);
        backwall_stream::packet::encode_gauge(1, 2, 3, None, &mut bytes);
        insta::assert_snapshot!(tried("open-packet", "a.shots", &bytes, 2), @r"
        1  DROPPED   not COBS, or the check fails
           05 6E 6F 69 73 65
        2  status    1000000 us, battery 12000 mV, no temperature
           05 03 40 42 0F 01 01 01 01 03 E0 2E 06 80 5B 79 FB 48
    1 good, 1 dropped, 0 unknown, 0 shots before any header
    Stopped after 2; --limit shows more.
    ");
    }
}
