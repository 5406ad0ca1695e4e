//! `backwall profile make`: looks at what a device sends, shows its lines or frames, asks what each part means, and writes a profile.

use super::ask::{Terminal, ask, say};
use crate::session::prove::ProofAsks;
use anyhow::{Context, Result, bail};
use backwall_stream::diagnose::shape::{Frames, Lines, Shape, shape};
use backwall_stream::tap::{Tap, TapItem};
use backwall_stream::{Profile, StreamSpec};
use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::time::{Duration, Instant};

#[derive(Debug, clap::Args)]
pub struct MakeArgs {
    /// The profile to write, ending in .toml; a file that is there stays
    pub file: PathBuf,
    /// serial:PORT[@BAUD], tcp:HOST:PORT or file:PATH
    #[arg(long)]
    pub stream: StreamSpec,
    /// What the device is sent so that it begins to send
    #[arg(long, value_name = "TEXT")]
    pub start: Option<String>,
    /// So long is listened
    #[arg(long, value_name = "SECONDS", default_value_t = 3)]
    pub seconds: u64,
}

/// So much is enough to see a form.
const ENOUGH: usize = 1 << 14;

pub fn make(args: &MakeArgs, input: &mut impl BufRead, out: &mut impl Write) -> Result<()> {
    if args.file.extension().is_none_or(|ending| ending != "toml") {
        bail!("{}: the name of a profile ends in .toml", args.file.display());
    }
    if args.file.exists() {
        bail!("{}: is there already; name another file, or change that one", args.file.display());
    }
    let bytes = listen(args, out)?;
    let name = args.file.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
    let about = ask(input, out, "One line about the device (Enter: none):")?;
    let head = format!("name = {}\nabout = {}\n", text(&name), text(&about));
    let start = args.start.as_ref().map_or_else(String::new, |start| format!("\n[send]\nstart = {}\n", text(start)));
    let body = match shape(&bytes) {
        Shape::Lines(lines) => of_lines(&lines, input, out)?,
        Shape::Frames(frames) => of_frames(&frames, input, out)?,
        Shape::Unknown => bail!(
            "{} bytes came, and neither lines nor frames show in them: listen longer (--seconds), try another baud (serial:PORT@BAUD), or write the \
             profile by hand as docs/new-device.md has it",
            bytes.len()
        ),
    };
    let written = format!("{head}{body}{start}");
    Profile::parse(&args.file.display().to_string(), &written).context("what was said makes no profile; nothing was written")?;
    let mut file = std::fs::File::create_new(&args.file).with_context(|| format!("{}: cannot be made", args.file.display()))?;
    file.write_all(written.as_bytes()).with_context(|| format!("{}: cannot be written", args.file.display()))?;
    let (file, stream) = (args.file.display(), &args.stream);
    say(
        out,
        &format!(
            "{file} is written. Next: backwall profile try {file} --stream {stream}, then backwall profile prove {file} --stream {stream} --by NAME"
        ),
    )
}

/// A value as TOML has it.
fn text(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// What comes in the time given.
fn listen(args: &MakeArgs, out: &mut impl Write) -> Result<Vec<u8>> {
    let start = args.start.as_ref().map_or_else(String::new, |start| format!("[send]\nstart = {}\n", text(start)));
    let any = "name = \"any\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\nfields = [{ meaning = \"thickness\", column = 1, unit = \"mm\" }]\n";
    let any = Profile::parse("any", &format!("{any}{start}")).context("--start")?;
    let mut tap = Tap::open(&args.stream, &any).context("cannot listen")?;
    say(out, &format!("Listening for {} s ...", args.seconds))?;
    let until = Instant::now() + Duration::from_secs(args.seconds);
    while Instant::now() < until && tap.seen().len() < ENOUGH {
        if tap.next(Duration::from_millis(100)) == TapItem::Ended {
            break;
        }
    }
    if tap.seen().is_empty() {
        bail!("nothing came: is the device on, the port right, and does it want a start command (--start)?");
    }
    Ok(tap.seen().to_vec())
}

/// What is asked of each kind of field: meaning, question, the units it may have.
const FIELDS: [(&str, &str, &[&str]); 4] = [
    ("seq", "the number of the shot", &[]),
    ("device-time", "the device's clock", &["us", "ms", "s", "ns"]),
    ("encoder", "the counts of the encoder", &[]),
    ("channel", "the channel, where the device has several", &[]),
];
const THICKNESS: &[&str] = &["mm", "um", "in", "mil"];

fn of_lines(lines: &Lines, input: &mut impl BufRead, out: &mut impl Write) -> Result<String> {
    say(out, "Lines of text. What their columns hold:")?;
    let count = lines.rows.first().map_or(0, Vec::len);
    for column in 0..count {
        let values: Vec<&str> = lines.rows.iter().take(4).filter_map(|row| row.get(column).map(String::as_str)).collect();
        say(out, &format!("  {:>2}  {}", column + 1, values.join("   ")))?;
    }
    if !lines.when.is_empty() {
        say(out, &format!("Each begins with {}. Lines of other kinds are left out:", lines.when))?;
        for other in &lines.others {
            say(out, &format!("      {other}"))?;
        }
    }
    if let Some(check) = &lines.check {
        say(out, &format!("Their check is known: {}", check.words()))?;
    }
    let column = |input: &mut _, out: &mut _, what: &str, needed: bool| -> Result<Option<usize>> {
        loop {
            let answer = ask(input, out, &format!("Which column is {what}{}?", if needed { "" } else { " (Enter: none)" }))?;
            match answer.parse::<usize>() {
                Ok(column) if (1..=count).contains(&column) => return Ok(Some(column)),
                _ if answer.is_empty() && !needed => return Ok(None),
                _ => say(out, &format!("  a number from 1 to {count}"))?,
            }
        }
    };
    let mut fields = Vec::new();
    for (meaning, what, units) in FIELDS {
        if let Some(column) = column(input, out, what, false)? {
            let unit = if units.is_empty() { String::new() } else { format!(", unit = \"{}\"", unit(units, input, out)?) };
            fields.push(format!("    {{ meaning = \"{meaning}\", column = {column}{unit} }},\n"));
        }
    }
    let Some(at) = column(input, out, "the thickness", true)? else { bail!("a gauge without a thickness is none") };
    let unit = unit(THICKNESS, input, out)?;
    let absent = ask(input, out, "What is sent there when there is no echo (Enter: not known)?")?;
    let absent = if absent.is_empty() { String::new() } else { format!(", absent = {}", text(&absent)) };
    fields.push(format!("    {{ meaning = \"thickness\", column = {at}, unit = \"{unit}\"{absent} }},\n"));
    if let Some(state) = column(input, out, "a word that says whether the reading is valid", false)? {
        let valid = ask(input, out, "What does it say where it is?")?;
        fields.push(format!("    {{ name = \"state\", column = {state}, valid_when = {} }},\n", text(&valid)));
    }
    let delimiter = if lines.delimiter == ' ' { "blank".to_owned() } else { lines.delimiter.to_string() };
    let when = if lines.when.is_empty() { String::new() } else { format!("when = {}\n", text(&lines.when)) };
    Ok(format!(
        "\n{}[[record]]\nkind = \"gauge\"\n{when}delimiter = {}\ncolumns = {count}\nfields = [\n{}]\n",
        lines.written(),
        text(&delimiter),
        fields.concat()
    ))
}

fn unit(units: &[&'static str], input: &mut impl BufRead, out: &mut impl Write) -> Result<&'static str> {
    loop {
        let answer = ask(input, out, &format!("  in which unit ({})?", units.join(", ")))?;
        match units.iter().find(|unit| **unit == answer) {
            Some(unit) => return Ok(unit),
            None => say(out, &format!("  one of {}", units.join(", ")))?,
        }
    }
}

fn of_frames(frames: &Frames, input: &mut impl BufRead, out: &mut impl Write) -> Result<String> {
    say(out, &format!("Frames: {}", frames.rule.words()))?;
    match &frames.check {
        Some(check) => say(out, &format!("Their check is known: {}", check.words()))?,
        None => say(out, "No check of the catalogue fits: a damaged byte would be a wrong number.")?,
    }
    let shortest = frames.bodies.iter().map(Vec::len).min().unwrap_or(0);
    say(out, "Their bodies, byte by byte in hexadecimal:")?;
    let shown = shortest.min(24);
    say(out, &format!("        {}", (0..shown).map(|byte| format!("{byte:>2}")).collect::<Vec<_>>().join(" ")))?;
    for body in &frames.bodies {
        let more = if body.len() > shown { format!(" ... {} bytes", body.len()) } else { String::new() };
        say(out, &format!("        {}{more}", body[..shown].iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")))?;
    }
    let mut fields = Vec::new();
    for (meaning, what, units) in FIELDS {
        if let Some((at, wire)) = place(shortest, what, false, input, out)? {
            let unit = if units.is_empty() { String::new() } else { format!(", unit = \"{}\"", unit(units, input, out)?) };
            fields.push((at, format!("    {{ meaning = \"{meaning}\", at_byte = {at}, type = \"{wire}\"{unit} }},\n")));
        }
    }
    let big = match frames.is_big() {
        Some(big) => big,
        None => loop {
            match ask(input, out, "Which byte of a number comes first: little (the lowest) or big (the highest)?")?.as_str() {
                "little" => break false,
                "big" => break true,
                _ => say(out, "  little or big")?,
            }
        },
    };
    let order = if big { "byte_order = \"big\"\n" } else { "" };
    let (mut header, kind) = (String::new(), if place_of_thickness(shortest, &mut fields, input, out)? { "gauge" } else { "shot" });
    if kind == "shot" {
        let Some((at, wire)) = place(shortest, "the first sample", true, input, out)? else { bail!("a shot without samples is none") };
        let offset = if wire.starts_with('u') { ", offset = -128" } else { "" };
        fields.push((at, format!("    {{ meaning = \"samples\", at_byte = {at}, type = \"{wire}\", rest = true{offset} }},\n")));
        let number = |input: &mut _, out: &mut _, what: &str| -> Result<f64> {
            loop {
                match backwall_units::parse_number(&ask(input, out, what)?) {
                    Ok(number) => return Ok(number),
                    Err(error) => say(out, &format!("  {error}"))?,
                }
            }
        };
        let rate = number(input, out, "How many samples a second, in MHz?")?;
        let first = number(input, out, "How long after the pulse is the first taken, in ns?")?;
        let bits = number(input, out, "How many bits has the converter?")?;
        header = format!("[header]\nsample_rate_hz = {:.0}\nfirst_sample_ns = {first:.1}\nconverter_bits = {bits:.0}\n\n", rate * 1e6);
    }
    fields.sort_by_key(|(at, _)| *at);
    let mut fields: String = fields.into_iter().map(|(_, field)| field).collect();
    if kind == "gauge" {
        fields += "    { type = \"skip\", rest = true },\n";
    }
    Ok(format!("{order}\n{}{header}[[record]]\nkind = \"{kind}\"\nfields = [\n{fields}]\n", frames.written()))
}

/// Where a number stands and how it is written: `4 u16`.
fn place(shortest: usize, what: &str, needed: bool, input: &mut impl BufRead, out: &mut impl Write) -> Result<Option<(usize, String)>> {
    const TYPES: [&str; 12] = ["u8", "u16", "u24", "u32", "u64", "i8", "i16", "i24", "i32", "i64", "f32", "f64"];
    loop {
        let none = if needed { "" } else { "; Enter: none" };
        let answer = ask(input, out, &format!("At which byte is {what}, and of which type (as 4 u16{none})?"))?;
        if answer.is_empty() && !needed {
            return Ok(None);
        }
        match answer.split_once(' ').map(|(at, wire)| (at.parse::<usize>(), wire.trim())) {
            Some((Ok(at), wire)) if at < shortest && TYPES.contains(&wire) => return Ok(Some((at, wire.to_owned()))),
            _ => say(out, &format!("  a byte from 0 to {}, and one of {}", shortest.saturating_sub(1), TYPES.join(" ")))?,
        }
    }
}

/// The thickness, if the device evaluates its echoes itself; else it sends samples.
fn place_of_thickness(shortest: usize, fields: &mut Vec<(usize, String)>, input: &mut impl BufRead, out: &mut impl Write) -> Result<bool> {
    let Some((at, wire)) = place(shortest, "the thickness, where the device sends one", false, input, out)? else { return Ok(false) };
    let unit = unit(THICKNESS, input, out)?;
    let one = Terminal { input, out }.ask_length("  how thick is a wall whose number is 1000, in mm (Enter: 1000 of that unit)?")?;
    let scale = one.map_or_else(String::new, |one| {
        let per = match unit {
            "um" => 1e-3,
            "in" => 25.4,
            "mil" => 0.0254,
            _ => 1.0,
        };
        format!(", scale = {}", one.as_mm() / per / 1000.0)
    });
    let absent = ask(input, out, "  which number is sent there when there is no echo (Enter: not known)?")?;
    let absent = if absent.is_empty() { String::new() } else { format!(", absent = {absent}") };
    fields.push((at, format!("    {{ meaning = \"thickness\", at_byte = {at}, type = \"{wire}\", unit = \"{unit}\"{scale}{absent} }},\n")));
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(bytes: &[u8], answers: &str) -> (String, String) {
        let folder = tempfile::tempdir().unwrap();
        let (sent, file) = (folder.path().join("sent"), folder.path().join("new.toml"));
        std::fs::write(&sent, bytes).unwrap();
        let args = MakeArgs { file: file.clone(), stream: StreamSpec::File(sent), start: None, seconds: 3 };
        let mut out = Vec::new();
        make(&args, &mut answers.as_bytes(), &mut out).unwrap_or_else(|error| panic!("{error:#}\n{}", String::from_utf8_lossy(&out)));
        (String::from_utf8(out).unwrap(), std::fs::read_to_string(file).unwrap())
    }

    fn read(profile: &str, bytes: &[u8]) -> Vec<backwall_survey::reading::Gauge> {
        let profile = Profile::parse("new.toml", profile).unwrap_or_else(|error| panic!("{error}\n{profile}"));
        let mut decoder = backwall_stream::Decoder::new(std::sync::Arc::new(profile));
        let mut out = Vec::new();
        decoder.push(bytes, &mut out);
        let gauge = |one: backwall_stream::Decoded| match one.what {
            backwall_stream::DecodedWhat::Record(backwall_survey::reading::Record::Gauge(gauge)) => Some(gauge),
            _ => None,
        };
        out.into_iter().filter_map(gauge).collect()
    }

    #[test]
    fn lines_are_shown_in_columns_and_become_a_profile_that_reads_them() {
        let battery = |n: u32| if n.is_multiple_of(4) { format!("B,3.7{n}\r\n") } else { String::new() };
        let line = |n: u32| format!("R,{n:05},{:+07.1},9.84,OK\r\n{}", f64::from(n) * 0.5, battery(n));
        let sent: String = (0..12).map(line).collect();
        let (said, profile) = made(sent.as_bytes(), "an invented gauge\n1\n\n\n\n3\nmm\n--.--\n4\nOK\n");
        assert!(said.contains("   3  9.84   9.84") && said.contains("Each begins with R,.") && said.contains("B,3.7"), "{said}");
        let gauges = read(&profile, sent.as_bytes());
        assert!(gauges.len() >= 11, "{}\n{profile}", gauges.len());
        assert_eq!(gauges[3].value, backwall_survey::reading::GaugeValue::Thickness(Some(backwall_units::Length::mm(9.84))));
    }

    // Frames of an invented gauge: sync, length of what follows, number, encoder, thickness in um, CRC; random bytes in the last field.
    #[test]
    fn frames_are_found_shown_and_become_a_profile_that_reads_them() {
        let mut state = 5u32;
        let mut bytes = vec![9, 9];
        for n in 0..40u16 {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let more = usize::from(n % 3);
            let mut frame = vec![0xAA, 0x55, 10 + more as u8];
            frame.extend(n.to_le_bytes());
            frame.extend((i32::from(n) * 20).to_le_bytes());
            frame.extend((9_000 + n).to_le_bytes());
            frame.extend(vec![(state >> 24) as u8; more]);
            let check = backwall_stream::crc::by_name("CRC-16/MODBUS").unwrap().of(&frame) as u16;
            frame.extend(check.to_le_bytes());
            bytes.extend(frame);
        }
        let (said, profile) = made(&bytes, "\n0 u16\n\n2 i32\n\nlittle\n6 u16\num\n\n0\n");
        assert!(said.contains("Their check is known") && said.contains("CRC-16/MODBUS"), "{said}");
        let gauges = read(&profile, &bytes);
        assert_eq!(gauges.len(), 40, "{profile}");
        let last = &gauges[39];
        let wall = backwall_survey::reading::GaugeValue::Thickness(Some(backwall_units::Length::mm(9.039)));
        assert_eq!((last.seq, last.encoder, last.value), (39, Some(39 * 20), wall));
    }
}
