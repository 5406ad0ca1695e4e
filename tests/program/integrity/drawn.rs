//! The unrolled wall as a drawing, read back: by a strict reader of its pairs here, and by a library of other people's where there is one.

use super::assess::{NOW_US, job, scan_line, told};
use crate::common::{must, python, root};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Pairs of a number and a value, two lines each.
fn pairs(text: &str) -> Vec<(u16, String)> {
    let lines: Vec<&str> = text.split_terminator("\r\n").collect();
    assert!(lines.len().is_multiple_of(2), "a number without its value");
    lines.chunks(2).map(|pair| (pair[0].trim().parse().unwrap_or_else(|_| panic!("{pair:?}")), pair[1].to_owned())).collect()
}

/// An entity: its kind, and what stands under each number.
type Entity = (String, BTreeMap<u16, Vec<String>>);

/// Reads a drawing of release 12: its layers and entities. Demands sections, tables and ends in their order.
fn drawing(text: &str) -> (BTreeSet<String>, Vec<Entity>) {
    assert!(text.is_ascii(), "release 12 has no other letters");
    let all = pairs(text);
    assert_eq!(all.last(), Some(&(0, "EOF".to_owned())));
    let (mut section, mut layers, mut entities): (Option<String>, BTreeSet<String>, Vec<Entity>) = (None, BTreeSet::new(), Vec::new());
    let mut order = Vec::new();
    let mut named = String::new();
    for (index, (code, value)) in all.iter().enumerate() {
        match (code, value.as_str()) {
            (0, "SECTION") => {
                assert!(section.is_none(), "a section in a section");
                let (2, name) = &all[index + 1] else { panic!("a section without a name") };
                order.push(name.clone());
                section = Some(name.clone());
            }
            (0, "ENDSEC") => assert!(section.take().is_some(), "an end without a section"),
            (0, "EOF") => assert!(section.is_none() && index == all.len() - 1),
            (0, kind) if section.as_deref() == Some("ENTITIES") => entities.push((kind.to_owned(), BTreeMap::new())),
            (0, kind) => named = kind.to_owned(),
            (2, name) if named == "LAYER" && section.as_deref() == Some("TABLES") => {
                layers.insert(name.to_owned());
            }
            (code, value) if section.as_deref() == Some("ENTITIES") && !(*code == 2 && entities.is_empty()) => {
                entities.last_mut().unwrap().1.entry(*code).or_default().push(value.to_owned());
            }
            _ => {}
        }
    }
    assert_eq!(order, ["HEADER", "TABLES", "ENTITIES"]);
    assert!(all.windows(2).any(|pair| pair[0] == (9, "$ACADVER".to_owned()) && pair[1] == (1, "AC1009".to_owned())));
    let mut open = 0;
    for (kind, has) in &entities {
        let wants: &[u16] = match kind.as_str() {
            "LINE" => &[8, 10, 20, 11, 21],
            "POLYLINE" => &[8, 66, 70, 40, 41],
            "VERTEX" | "POINT" => &[8, 10, 20],
            "SEQEND" => &[8],
            "TEXT" => &[8, 10, 20, 40, 1],
            other => panic!("{other} is not expected"),
        };
        assert!(wants.iter().all(|code| has.get(code).is_some_and(|values| values.len() == 1)), "{kind}: {has:?}");
        assert!(layers.contains(&has[&8][0]), "{kind} on {}", has[&8][0]);
        match kind.as_str() {
            "POLYLINE" => open += 1,
            "SEQEND" => open -= 1,
            "VERTEX" => assert_eq!(open, 1, "a corner of nothing"),
            _ => assert_eq!(open, 0, "{kind} within a polyline"),
        }
    }
    assert_eq!(open, 0);
    (layers, entities)
}

/// Every stretch that GeoJSON has, in metres.
fn stretches(collection: &Value) -> Vec<[f64; 4]> {
    let number = |value: &Value| value.as_f64().unwrap();
    let line = |line: &Value| [number(&line[0][0]), number(&line[0][1]), number(&line[1][0]), number(&line[1][1])];
    let mut all = Vec::new();
    for feature in collection["features"].as_array().unwrap() {
        let geometry = &feature["geometry"];
        match geometry["type"].as_str().unwrap() {
            "LineString" => all.push(line(&geometry["coordinates"])),
            "MultiLineString" => all.extend(geometry["coordinates"].as_array().unwrap().iter().map(line)),
            other => panic!("{other}"),
        }
    }
    all
}

#[test]
fn the_drawing_has_wall_lines_and_spots_where_geojson_has_them() {
    let folder = tempfile::tempdir().unwrap();
    // A spot beside the line up, one on the line across on both sides of azimuth 0, and one on a line without a place.
    let around = std::f64::consts::PI * 18_000.0;
    let line = |name: &str, more: &str, start: f64| {
        format!("[[line]]\nname = \"{name}\"\n{more}start_mm = {start:.3}\nlength_mm = 400\ndirection = \"across\"\ncourse = 1\n\n")
    };
    let lines = line("C1 Höhe", "elevation_mm = 300\n", around - 200.0) + &line("C2", "", 0.0);
    let plan = told().replace("[encoder]", &format!("{lines}[encoder]"));
    let path = job(folder.path(), "drawn.job", &plan);
    let dip = |at: f64| move |x: f64| Some(9.0 - 3.5 * (-((x - at) / 30.0).powi(4)).exp());
    scan_line(&path, "A090", NOW_US, 0.0, dip(700.5));
    let start = (around - 200.0).floor();
    super::assess::scan_places(&path, "C1 Höhe", NOW_US + 60_000_000, |seq| (f64::from(seq), start + f64::from(seq)), dip(200.5));
    scan_line(&path, "C2", NOW_US + 120_000_000, 0.0, dip(200.5));
    let export = |format: &str| {
        let out = folder.path().join(format!("wall.{format}"));
        let said = must(&["export", path.to_str().unwrap(), "--format", format, "--out", out.to_str().unwrap()]);
        assert!(said.contains("1 left out, whose line has no azimuth or elevation"), "{said}");
        std::fs::read_to_string(out).unwrap()
    };
    let (text, geojson) = (export("dxf"), export("geojson"));
    let wanted = stretches(&serde_json::from_str(&geojson).unwrap());
    assert_eq!(wanted.len(), 3, "one on A090, two parts of the one across azimuth 0: {wanted:?}");
    let (layers, entities) = drawing(&text);
    for layer in ["WALL", "COURSES", "LINES", "SPOTS-THIN", "SPOTS-WATCH", "SPOTS-LAMINATION", "SPOTS-TEXT", "NOTES"] {
        assert!(layers.contains(layer), "{layer}");
    }
    let number = |has: &BTreeMap<u16, Vec<String>>, code: u16| has[&code][0].parse::<f64>().unwrap();
    let corners: Vec<[f64; 2]> = entities
        .iter()
        .filter(|(kind, has)| kind == "VERTEX" && has[&8][0] == "SPOTS-THIN")
        .map(|(_, has)| [number(has, 10) / 1e3, number(has, 20) / 1e3])
        .collect();
    let found: Vec<[f64; 4]> = corners.chunks(2).map(|pair| [pair[0][0], pair[0][1], pair[1][0], pair[1][1]]).collect();
    assert_eq!(found.len(), wanted.len());
    for (found, wanted) in found.iter().zip(&wanted) {
        for (found, wanted) in found.iter().zip(wanted) {
            super::close(*found, *wanted, 5e-4 + 1e-9);
        }
    }
    // Where they must be: a quarter round the wall, and on both sides of the slit.
    super::close(found[0][0], around / 4e3, 5e-4);
    super::close(found[1][2], around / 1e3, 5e-4);
    super::close(found[2][0], 0.0, 5e-4);
    let words: Vec<&str> = entities.iter().filter(|(kind, _)| kind == "TEXT").map(|(_, has)| has[&1][0].as_str()).collect();
    assert!(words.iter().any(|words| words.contains("THIN 5.50 mm")) && words.contains(&"C1 H\\U+00F6he"), "{words:?}");
    by_others(&folder.path().join("wall.dxf"), &corners);
}

/// The same by ezdxf, which must find nothing wrong with the file.
fn by_others(file: &Path, corners: &[[f64; 2]]) {
    let Some(output) = python("ezdxf", &root().join("tests/data/dxf_check.py"), &[file.to_str().unwrap()]) else { return };
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((&found["version"], &found["errors"], &found["fixes"]), (&Value::from("AC1009"), &serde_json::json!([]), &Value::from(0)));
    let thin = &found["layers"]["SPOTS-THIN"];
    assert_eq!(thin["colour"], 1);
    let read: Vec<[f64; 2]> = thin["entities"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|entity| entity["at"].as_array().unwrap())
        .map(|at| [at[0].as_f64().unwrap() / 1e3, at[1].as_f64().unwrap() / 1e3])
        .collect();
    assert_eq!(read, corners);
    let lines = found["layers"]["LINES"]["entities"].as_array().unwrap();
    assert!(lines.iter().any(|entity| entity["text"] == "C1 Höhe"), "its letters come back: {lines:?}");
}
