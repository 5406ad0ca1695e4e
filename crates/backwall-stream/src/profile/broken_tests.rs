//! Broken profiles: each is refused once, with its line, its key, and what to do.

use crate::Profile;

const TEXT: &str = r#"name = "text"
[framing]
kind = "line"
[[record]]
kind = "gauge"
delimiter = ","
columns = 3
fields = [
    { meaning = "seq", column = 1 },
    { meaning = "encoder", column = 2 },
    { meaning = "thickness", column = 3, unit = "mm" },
]
"#;

const FIXED: &str = r#"name = "fixed"
[framing]
kind = "fixed"
sync_hex = "5A A5"
frame_bytes = 812
[check]
kind = "crc"
algorithm = "CRC-16/IBM-3740"
[header]
sample_rate_hz = 40000000
first_sample_ns = 0
converter_bits = 12
samples = 400
[[record]]
kind = "shot"
fields = [
    { meaning = "seq", type = "u32" },
    { meaning = "encoder", type = "i32" },
    { meaning = "samples", type = "i16", rest = true },
]
"#;

const LENGTH: &str = r#"name = "length"
[framing]
kind = "sync-length"
sync_hex = "AA 55"
max_frame_bytes = 1024
length_type = "u16"
length_adds_bytes = 6
[check]
kind = "crc"
algorithm = "CRC-16/MODBUS"
[header]
sample_rate_hz = 40000000
first_sample_ns = 0
converter_bits = 8
samples = 400
[[record]]
kind = "shot"
fields = [
    { meaning = "encoder", type = "i32" },
    { meaning = "samples", type = "u8", offset = -128, rest = true },
]
"#;

const JSON: &str = r#"name = "json"
[framing]
kind = "json"
[[record]]
kind = "gauge"
fields = [
    { meaning = "encoder", path = "at.wheel" },
    { meaning = "thickness", path = "wall", unit = "mm" },
]
"#;

/// What is changed, and how the one mistake is said; where each stands follows from the texts above.
const BROKEN: &[(&str, &str, &str, &str)] = &[
    (FIXED, "frame_bytes = 812", "frame_bytes = 12", "5: framing.frame_bytes: 12 leave a body of 8 bytes, and record[0] takes 808"),
    (FIXED, "type = \"u32\"", "type = \"u16\"", "5: framing.frame_bytes: 812 leave a body of 808 bytes, and record[0] takes 806"),
    (
        LENGTH,
        "max_frame_bytes = 1024",
        "max_frame_bytes = 400",
        "5: framing.max_frame_bytes: 400 are too few: record[0] makes a frame of 410 bytes",
    ),
    (
        LENGTH,
        "length_type = \"u16\"",
        "length_type = \"u8\"",
        "6: framing.length_type: says at most 261 bytes, and record[0] makes a frame of 409",
    ),
    (
        LENGTH,
        "offset = -128, ",
        "",
        "20: record[0].fields[1].offset: is missing: unsigned samples have their zero line in the middle, and -128",
    ),
    (LENGTH, "offset = -128", "offset = -400", "20: record[0].fields[1].offset: -400 takes every sample out"),
    (LENGTH, "converter_bits = 8", "converter_bits = 12", "14: header.converter_bits: 12 do not fit into samples of 8 bits"),
    (
        FIXED,
        "sample_rate_hz = 40000000",
        "sample_rate_hz = 40",
        "10: header.sample_rate_hz: 40 is not possible: it must be between 1e6 and 1e10, in Hz",
    ),
    (FIXED, "first_sample_ns = 0", "first_sample_ns = 1e12", "11: header.first_sample_ns: must be a number between"),
    (FIXED, "samples = 400", "samples = 0", "13: header.samples: 0 is not possible"),
    (TEXT, "\"encoder\", column = 2", "\"encoder\", column = 1", "10: record[0].fields[1].column: is that of seq too"),
    (TEXT, "column = 3,", "column = 4,", "11: record[0].fields[2].column: 4 is not possible: columns count from 1 to 3"),
    (TEXT, "unit = \"mm\"", "unit_column = 4", "11: record[0].fields[2].unit_column: 4 is not possible"),
    (LENGTH, "kind = \"crc\"", "kind = \"crc\"\nhex_behind = \"*\"", "10: check.hex_behind: is of no use in binary frames"),
    (
        TEXT,
        "[[record]]",
        "[check]\nkind = \"xor\"\nhex_behind = \"*\"\nat_byte = 3\n[[record]]",
        "7: check.at_byte: cannot go with hex_behind",
    ),
    (FIXED, "type = \"i16\", rest", "type = \"i16\", scale = 0.5, rest", "19: record[0].fields[2].scale: 0.5 would stretch the noise"),
    (FIXED, "[check]\n", "[check]\nfrom_byte = 900\n", "7: check.from_byte: 900 leaves nothing to check"),
    (
        FIXED,
        "CRC-16/IBM-3740",
        "CRC-16/MODBUSS",
        "8: check.algorithm: 'CRC-16/MODBUSS' is not in the CRC catalogue: did you mean CRC-16/MODBUS?",
    ),
    (FIXED, "[framing]", "[link]\ndata_bits = 7\n[framing]", "3: link.data_bits: fewer than 8 carry text only"),
    (FIXED, "[framing]", "[link]\nflow = \"software\"\n[framing]", "3: link.flow: software takes the bytes"),
    (TEXT, "delimiter = \",\"", "delimiter = \"-\"", "6: record[0].delimiter: '-' is part of numbers"),
    (TEXT, "column = 3, unit", "column = 3, wraps_at = 100, unit", "11: record[0].fields[2].wraps_at: is of no use for anything but"),
    (
        FIXED,
        "type = \"i32\"",
        "type = \"i32\", wraps_at = 5000000000",
        "18: record[0].fields[1].wraps_at: 5000000000 is more than the field can count",
    ),
    (FIXED, "type = \"i32\"", "type = \"i32\", absent = 3000000000", "18: record[0].fields[1].absent: 3000000000 never comes"),
    (
        FIXED,
        "type = \"i32\"",
        "type = \"i32\", must_be = \"OK\"",
        "18: record[0].fields[1].must_be: 'OK' never comes: the field is a number",
    ),
    (FIXED, "type = \"i32\"", "type = \"i32\", bits = [30, 4]", "18: record[0].fields[1].bits: [30, 4] is not possible"),
    (TEXT, "column = 3, unit", "column = 3, scale = -1, unit", "11: record[0].fields[2].scale: thickness cannot be negative"),
    (TEXT, "column = 1 }", "column = 1, valid_when = { mask = 3, is = 4 } }", "9: record[0].fields[0].valid_when: must be a value, a list"),
    (TEXT, "column = 1 }", "column = 1, flag_when = [] }", "9: record[0].fields[0].flag_when: an empty list never matches"),
    (TEXT, "column = 1 }", "column = 1, encoding = \"delta\" }", "9: record[0].fields[0].encoding: is of no use for anything but samples"),
    (TEXT, "column = 1 }", "column = 1, bits = [0, 4] }", "9: record[0].fields[0].bits: is of no use in text"),
    (TEXT, "column = 1 }", "column = 1, path = \"n\" }", "9: record[0].fields[0].path: is of no use outside framing.kind"),
    (TEXT, "[framing]", "channel = 2\n[framing]", "2: channel: is of no use where no field has meaning"),
    (TEXT, "[framing]", "[poll]\nperiod_ms = 100\n[framing]", "2: poll.requests: is missing"),
    (TEXT, "[framing]", "[poll]\nrequests = [\"?\"]\nadd_check = true\n[framing]", "4: poll.add_check: needs a [check]"),
    (TEXT, "columns = 3", "columns = 3\nanswers = 2", "8: record[0].answers: is of no use without [poll]"),
    (TEXT, "[framing]", "[send]\nstart_again_s = 5\n[framing]", "3: send.start_again_s: is of no use without a start command"),
    (JSON, "at.wheel", "at..wheel", "7: record[0].fields[0].path: 'at..wheel' is not a path"),
    (JSON, "path = \"at.wheel\"", "column = 1", "7: record[0].fields[0].path: is missing"),
    (JSON, "kind = \"gauge\"", "kind = \"gauge\"\nwhen = \"{\"", "6: record[0].when: is of no use in JSON"),
    (JSON, "kind = \"json\"", "kind = \"json\"\nkind = \"line\"", "4: 'kind' is there twice in this table: take one out"),
    (TEXT, "kind = \"gauge\"", "kind = \"gauge\"\nkind = \"shot\"", "6: 'kind' is there twice in this table: take one out"),
    (TEXT, "[[record]]", "[[command]]\nname = \"gain\"\ntext = \"G\"\n[[record]]", "4: command[0].kind: is missing: gain, range or other"),
    (
        TEXT,
        "[[record]]",
        "[[command]]\nname = \"gain\"\nkind = \"gain\"\ntext = \"G\"\nvalues = [20, 26]\n[[record]]",
        "7: command[0].text: has no place for the value: write {value}",
    ),
    (
        TEXT,
        "[[record]]",
        "[[command]]\nname = \"gain\"\nkind = \"gain\"\ntext = \"G{value}\"\n[[record]]",
        "7: command[0].text: has {value}, and no values are allowed",
    ),
    (
        TEXT,
        "[[record]]",
        "[[command]]\nname = \"gain\"\nkind = \"gain\"\ntext = \"G{value}\"\nfrom = 80\nto = 0\n[[record]]",
        "9: command[0].to: 0 is not possible: it must be more than from",
    ),
    (
        TEXT,
        "[[record]]",
        "[[command]]\nname = \"go\"\nkind = \"other\"\ntext = \"GO\"\ntimeout_ms = 500\n[[record]]",
        "8: command[0].timeout_ms: is of no use without an answer",
    ),
    (
        TEXT,
        "[[record]]",
        "[[command]]\nname = \"go\"\nkind = \"other\"\ntext = \"GO\"\n[[command]]\nname = \"go\"\nkind = \"other\"\ntext = \"GO\"\n[[record]]",
        "9: command[1].name: 'go' is there twice",
    ),
    (
        FIXED,
        "[[record]]",
        "[[command]]\nname = \"gain\"\nkind = \"gain\"\nhex = \"47 {value}\"\nvalues = [20]\n[[record]]",
        "14: command[0].value_type: is missing: how the value is written among bytes",
    ),
    (
        FIXED,
        "[[record]]",
        "[[command]]\nname = \"gain\"\nkind = \"gain\"\nhex = \"47 {value}\"\nvalue_type = \"u8\"\nvalues = [20, 300]\n[[record]]",
        "18: command[0].value_type: cannot hold 300",
    ),
    (TEXT, "[framing]", "[send]\ngain = \"G{db}\"\n[framing]", "3: send.gain: "),
];

#[test]
fn every_broken_profile_is_refused_once_with_line_key_and_cure() {
    for good in [TEXT, FIXED, LENGTH, JSON] {
        Profile::parse("good.toml", good).unwrap_or_else(|error| panic!("{error}"));
    }
    assert!(BROKEN.len() >= 40, "{}", BROKEN.len());
    let mut wrong = String::new();
    for (good, from, to, due) in BROKEN {
        assert!(good.contains(from), "{from}");
        let said = match Profile::parse("p.toml", &good.replacen(from, to, 1)) {
            Ok(_) => "accepted".to_owned(),
            Err(error) => error.to_string(),
        };
        if !said.starts_with(&format!("p.toml:{due}")) || said.lines().count() != 1 {
            wrong += &format!("{to}\n  due  p.toml:{due}\n  said {said}\n");
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}

#[test]
fn a_profile_that_cannot_be_used_is_said_once_through_all_causes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("broken.toml");
    std::fs::write(&path, "name = \"x\"\n").unwrap();
    let error = Profile::load(path.to_str().unwrap()).unwrap_err();
    assert!(error.to_string().contains("framing.kind: is missing"));
    assert!(std::error::Error::source(&error).is_none(), "what is said would be said again");
}
