//! What bytes look like that a profile cannot read: where its sync stands, which length rule leads from frame to frame, and
//! which check of the catalogue comes out over which bytes. Nothing is believed that does not hold for several frames.

mod checks;
mod rules;
pub mod shape;

use super::check::{CheckPlace, FrameCheck};
use super::cobs;
use super::framing::{Framing, LengthRule};
use super::profile::Profile;
use rules::{hex, places, repeated_sync, rule};

/// Frames that a rule is tried on, and the fewest that make it believed.
const FRAMES: usize = 12;
const LEAST: usize = 4;
/// So much of a stream is looked at.
pub const LOOKED_AT: usize = 1 << 15;

/// Words on `bytes`, the most certain first; nothing where nothing was found.
pub fn diagnose(profile: &Profile, bytes: &[u8]) -> Vec<String> {
    let bytes = &bytes[..bytes.len().min(LOOKED_AT)];
    match &profile.framing {
        Framing::Line { end, .. } => lines(bytes, *end, &profile.check),
        Framing::Cobs => cobs_frames(bytes, &profile.check),
        Framing::Packed(packed) => packed_frames(bytes, &packed.sync, packed.length, &profile.check, packed.tail.len()),
    }
}

fn packed_frames(bytes: &[u8], sync: &[u8], written: LengthRule, check: &FrameCheck, tail: usize) -> Vec<String> {
    let mut words = Vec::new();
    let found = repeated_sync(bytes);
    let starts = places(bytes, sync);
    let (sync, starts) = if !sync.is_empty() && starts.len() >= LEAST {
        (sync.to_vec(), starts)
    } else {
        let Some(found) = found else {
            return vec![format!("{} stands {} times in {} bytes: is it what frames begin with?", hex(sync), starts.len(), bytes.len())];
        };
        if !sync.is_empty() {
            words.push(format!(
                "{} stands {} times in {} bytes, {} stands {} times: sync_hex = \"{}\"",
                hex(sync),
                starts.len(),
                bytes.len(),
                hex(&found),
                places(bytes, &found).len(),
                hex(&found)
            ));
        }
        let starts = places(bytes, &found);
        (found, starts)
    };
    words.extend(next_sync(bytes, &starts, written));
    let Some((rule, frames)) = rule(bytes, &sync, &starts) else {
        words.push("no length rule leads from one sync to the next".to_owned());
        return words;
    };
    words.push(rule.words());
    words.extend(expected(&frames, check, tail));
    words.extend(check_words(&frames));
    words
}

/// What the written length says of the first frames, and where the next sync stands.
fn next_sync(bytes: &[u8], starts: &[usize], written: LengthRule) -> Option<String> {
    let (first, second) = (*starts.first()?, *starts.get(1)?);
    let says = match written {
        LengthRule::Fixed(size) => size,
        LengthRule::Field { at, width, order, times, adds } => {
            usize::try_from(order.unsigned(bytes.get(first + at..first + at + width)?)).ok()?.checked_mul(times)?.checked_add(adds)?
        }
    };
    let stands = second - first;
    (says != stands).then(|| format!("the profile's length says that a frame has {says} bytes; the next sync stands {stands} bytes on"))
}

/// What the profile's own check says of the first frame.
fn expected(frames: &[&[u8]], check: &FrameCheck, tail: usize) -> Option<String> {
    let frame = frames.first()?;
    let read = check.read(&frame[..frame.len().checked_sub(tail)?]).filter(|_| check.width() > 0)?;
    let digits = 2 * check.width();
    (read.sent != read.due).then(|| {
        format!(
            "the profile's check: {:0digits$X} was sent, {:0digits$X} is due over bytes {} to {}",
            read.sent,
            read.due,
            check.from,
            read.body_end.saturating_sub(1)
        )
    })
}

/// The check that comes out for all frames.
fn check_words(frames: &[&[u8]]) -> Vec<String> {
    match checks::find(frames) {
        None => vec!["too few different frames to find the check".to_owned()],
        Some(found) if found.is_empty() => vec!["no check of the catalogue comes out: there is none, or it covers other bytes".to_owned()],
        Some(found) => found.iter().map(checks::CheckFound::words).collect(),
    }
}

fn cobs_frames(bytes: &[u8], check: &FrameCheck) -> Vec<String> {
    let mut scratch = Vec::new();
    let frames: Vec<Vec<u8>> = bytes
        .split(|byte| *byte == 0)
        .skip(1)
        .filter(|raw| !raw.is_empty())
        .filter_map(|raw| if cobs::decode(raw, &mut scratch) { Some(scratch.clone()) } else { None })
        .collect();
    if frames.len() < LEAST {
        return vec![format!("{} pieces between zero bytes are COBS: is the kind right?", frames.len())];
    }
    let frames: Vec<&[u8]> = frames.iter().map(Vec::as_slice).collect();
    expected(&frames, check, 0).into_iter().chain(check_words(&frames)).collect()
}

fn lines(bytes: &[u8], end: u8, check: &FrameCheck) -> Vec<String> {
    let other = if end == b'\n' { b'\r' } else { b'\n' };
    let lines: Vec<&[u8]> = bytes.split(|byte| *byte == end).skip(1).map(<[u8]>::trim_ascii).filter(|line| !line.is_empty()).collect();
    if lines.len() < LEAST {
        let words = if bytes.iter().filter(|byte| **byte == other).count() >= LEAST { ": line_end = \"cr\" may be right" } else { "" };
        return vec![format!("{} line ends in {} bytes{words}", lines.len(), bytes.len())];
    }
    if lines.iter().filter(|line| line.iter().all(u8::is_ascii)).count() * 2 < lines.len() {
        return vec!["most lines are not text: wrong baud, or binary frames".to_owned()];
    }
    let mut words: Vec<String> = expected(&lines, check, 0).into_iter().collect();
    words.extend(checks::find_in_lines(&lines).iter().map(|found| {
        let sign = if let CheckPlace::HexBehind(sign) = found.check.place { char::from(sign) } else { ' ' };
        format!(
            "this check comes out for {} lines: {}, hex_behind = \"{sign}\", from_byte = {}",
            found.frames(),
            found.name,
            found.check.from
        )
    }));
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::{ByteOrder, CheckKind};
    use crate::crc;
    use rules::order_words;

    /// A framing that no profile here knows.
    struct Unseen {
        sync: &'static [u8],
        /// Width and order of the length, how many bytes stand before it behind the sync, and what it leaves out; none where frames
        /// are all alike.
        length: Option<(usize, ByteOrder, usize, usize)>,
        algorithm: &'static str,
        order: ByteOrder,
        from: usize,
        tail: &'static [u8],
    }

    fn put(value: u64, width: usize, order: ByteOrder) -> Vec<u8> {
        let mut bytes = value.to_be_bytes()[8 - width..].to_vec();
        if order == ByteOrder::Little {
            bytes.reverse();
        }
        bytes
    }

    impl Unseen {
        fn stream(&self) -> Vec<u8> {
            let mut state = 12_345u32;
            let mut random = move || {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 24) as u8
            };
            let mut bytes = vec![7, 7, 7];
            for number in 0..40usize {
                let payload: Vec<u8> = (0..if self.length.is_some() { 9 + number * 7 % 23 } else { 17 }).map(|_| random()).collect();
                let kind = match self.algorithm {
                    "xor" => CheckKind::Xor,
                    "sum" => CheckKind::Sum,
                    name => CheckKind::Crc(crc::by_name(name).unwrap()),
                };
                let check = FrameCheck { kind, order: self.order, from: self.from, ..FrameCheck::NONE };
                let mut frame = self.sync.to_vec();
                if let Some((width, order, before, left_out)) = self.length {
                    frame.extend(vec![0x33; before]);
                    let whole = frame.len() + width + payload.len() + check.width() + self.tail.len();
                    frame.extend(put((whole - left_out) as u64, width, order));
                }
                frame.extend(payload);
                check.append(&mut frame);
                frame.extend(self.tail);
                bytes.extend(frame);
            }
            bytes
        }
    }

    const L: ByteOrder = ByteOrder::Little;
    const B: ByteOrder = ByteOrder::Big;

    /// The sync may be wrong in the profile; check and length are anything.
    const TEN: [Unseen; 10] = [
        Unseen { sync: b"\xAA\x55", length: Some((1, L, 0, 5)), algorithm: "CRC-16/MODBUS", order: L, from: 0, tail: b"" },
        Unseen { sync: b"\xAA\x55", length: Some((2, B, 0, 0)), algorithm: "CRC-16/IBM-3740", order: B, from: 2, tail: b"" },
        Unseen { sync: b"\x7E\x81", length: Some((2, L, 1, 7)), algorithm: "CRC-32/ISO-HDLC", order: L, from: 2, tail: b"" },
        Unseen { sync: b"\x02\xFD", length: Some((1, L, 2, 3)), algorithm: "xor", order: L, from: 2, tail: b"\x03" },
        Unseen { sync: b"\x5A\xA5", length: None, algorithm: "CRC-16/XMODEM", order: B, from: 2, tail: b"" },
        Unseen { sync: b"\xEB\x90", length: Some((4, L, 0, 10)), algorithm: "CRC-32/ISCSI", order: L, from: 0, tail: b"" },
        Unseen { sync: b"\xC0\xDE", length: Some((1, L, 0, 4)), algorithm: "sum", order: L, from: 3, tail: b"" },
        Unseen { sync: b"\xFE\xED", length: Some((2, B, 3, 9)), algorithm: "CRC-16/ARC", order: L, from: 4, tail: b"\r\n" },
        Unseen { sync: b"\xB5\x62", length: Some((2, L, 0, 6)), algorithm: "CRC-24/OPENPGP", order: B, from: 2, tail: b"" },
        Unseen { sync: b"\x47\x42", length: None, algorithm: "CRC-64/XZ", order: L, from: 0, tail: b"\x0D" },
    ];

    fn profile(sync: &str) -> Profile {
        let text = format!(
            "name = \"t\"\n[framing]\nkind = \"sync-length\"\nsync_hex = \"{sync}\"\nmax_frame_bytes = 512\nlength_type = \"u8\"\nlength_adds_bytes = 1\n\
             [check]\nkind = \"crc\"\nalgorithm = \"CRC-16/DNP\"\n[[record]]\nkind = \"gauge\"\n\
             fields = [{{ meaning = \"thickness\", type = \"u16\", unit = \"um\" }}, {{ type = \"skip\", rest = true }}]\n"
        );
        Profile::parse("t.toml", &text).unwrap()
    }

    #[test]
    fn check_and_length_of_ten_unseen_framings_are_found_from_their_bytes() {
        for (number, unseen) in TEN.iter().enumerate() {
            // Every other profile has the sync right; the others are wrong there too.
            let written = if number % 2 == 0 { hex(unseen.sync) } else { "12 34".to_owned() };
            let words = diagnose(&profile(&written), &unseen.stream());
            let said = words.join("\n");
            let mut due = vec![match unseen.length {
                Some((width, order, before, left_out)) => {
                    let at = unseen.sync.len() + before;
                    let wire = ["u8", "u16", "u24", "u32"][width - 1];
                    let order = if width > 1 { order_words(order) } else { String::new() };
                    format!("({wire}{order}): length_type = \"{wire}\", length_at_byte = {at}, length_adds_bytes = {left_out}")
                }
                None => "kind = \"fixed\", frame_bytes = ".to_owned(),
            }];
            due.push(match unseen.algorithm {
                "xor" | "sum" => format!("kind = \"{}\", from_byte = {}", unseen.algorithm, unseen.from),
                name => format!("algorithm = \"{name}\", from_byte = {}", unseen.from),
            });
            due.extend((number % 2 == 1).then(|| format!("sync_hex = \"{}\"", hex(unseen.sync))));
            due.extend((!unseen.tail.is_empty()).then(|| format!("end_hex = \"{}\"", hex(unseen.tail))));
            for due in due {
                assert!(said.contains(&due), "framing {number}: '{due}' is not found in\n{said}");
            }
        }
    }

    #[test]
    fn what_was_sent_and_what_is_due_are_said_and_where_the_next_sync_stands() {
        let said = diagnose(&profile("AA 55"), &TEN[0].stream()).join("\n");
        assert!(said.contains("the next sync stands 14 bytes on"), "{said}");
        assert!(said.contains(" was sent, ") && said.contains(" is due over bytes 0 to 11"), "{said}");
    }

    /// The sentences' checks were worked out with a separate program: exclusive-or of the bytes between `$` and `*`.
    #[test]
    fn the_check_of_text_lines_is_found_behind_its_sign() {
        let text = "name = \"t\"\n[framing]\nkind = \"line\"\n[check]\nkind = \"sum\"\nhex_behind = \"*\"\n[[record]]\nkind = \"gauge\"\nfields = [{ meaning = \"thickness\", column = 1, unit = \"mm\" }]\n";
        let profile = Profile::parse("t.toml", text).unwrap();
        let sent = b"x\r\n$UTWT,N=9998,T=5.120,E=-204,TOF=3.378,U=us*51\r\n$UTWT,N=9999,T=5.130,E=-200,TOF=,U=us*74\r\n\
            $UTWT,N=0,T=5.140,E=-196,TOF=3378,U=ns*5b\r\n$UTST,BAT=11.8,TS=23.5*5A\r\n";
        let said = diagnose(&profile, sent).join("\n");
        assert!(said.contains("kind = \"xor\", hex_behind = \"*\", from_byte = 1"), "{said}");
    }

    #[test]
    fn noise_has_no_rule_and_no_check() {
        let mut state = 99u32;
        let noise: Vec<u8> = (0..20_000)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 24) as u8
            })
            .collect();
        let said = diagnose(&profile("AA 55"), &noise).join("\n");
        assert!(!said.contains("comes out for"), "{said}");
    }
}
