//! The seal goes with what is exported, so that a table can be held against its job years later.

use super::*;

fn export(job: &Path, format: &str, out: &Path) {
    must(&["export", text(job), "--format", format, "--out", text(out)]);
}

#[test]
fn every_table_carries_the_seal_of_its_job_as_other_programs_read_it() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    amend(&job, "--restore");
    let path = |name: &str| folder.path().join(name);
    for (format, name) in [
        ("csv", "readings.csv"),
        ("parquet", "readings.parquet"),
        ("geojson", "wall.geojson"),
        ("dxf", "wall.dxf"),
        ("svg", "strip.svg"),
        ("png", "strip.png"),
        ("parquet", "fleet"),
    ] {
        export(&job, format, &path(name));
    }
    std::fs::write(path("assessed.json"), must(&["assess", text(&job), "--json"])).unwrap();
    std::fs::write(path("status.json"), must(&["status", text(&job), "--json"])).unwrap();
    let written = seal(&job);
    // What the program wrote, without other programs.
    let beside: toml::Table = toml::from_str(&std::fs::read_to_string(path("readings.csv.seal")).unwrap()).unwrap();
    assert_eq!(beside["digest"].as_str(), Some(written.as_str()));
    assert!(std::fs::read_to_string(path("wall.dxf")).unwrap().contains(&format!("999\r\nseal of the job {written} over ")));
    if let Some(read) = python("duckdb, pyarrow, ezdxf, blake3", &root().join("tests/data/read_seals.py"), &[text(folder.path())]) {
        assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
        let read: serde_json::Value = serde_json::from_slice(&read.stdout).unwrap();
        let has = serde_json::json!([written, beside["entries"].as_integer()]);
        for format in ["csv", "pyarrow", "duckdb", "geojson", "dxf", "svg", "png", "assessed", "status"] {
            assert_eq!(read[format], has, "{format}: {read}");
        }
        assert!(
            read["csv_whole"] == true
                && read["svg_whole"] == true
                && read["png_whole"] == true
                && read["geojson_kind"] == "FeatureCollection",
            "{read}"
        );
        // The table itself is as it was: its first line has the columns, and every line behind it is a row.
        let rows = &read["csv_rows"];
        assert!(rows[0].as_u64() > Some(0) && rows[0] == rows[1] && rows[1] == rows[2] && rows[3] == "run", "{read}");
    }

    // Held against the job: as it stands, as it went on, and where what the seal covers is gone.
    let verify = |how: &[&str]| run(&[&["verify", text(&job)], how].concat());
    let beside = path("readings.csv.seal");
    let said = |output: std::process::Output| String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
    let same = said(verify(&["--seal", text(&beside)]));
    assert!(same.contains("the seal is the job's own") && same.contains("readings.csv is byte for byte as it was exported"), "{same}");
    let inside = ["strip.svg", "strip.png", "readings.parquet", "wall.geojson", "wall.dxf", "assessed.json", "status.json"];
    for name in inside {
        let same = said(verify(&["--seal", text(&path(name))]));
        let is_picture = name.starts_with("strip");
        let words = if is_picture { "the picture is byte for byte as it was exported" } else { "the file names its job" };
        assert!(same.contains("the seal is the job's own") && same.contains(words), "{name}: {same}");
    }
    amend(&job, "--void");
    for how in [["--seal", text(&beside)], ["--against", &written]] {
        let later = verify(&how);
        assert!(later.status.success(), "{later:?}");
        assert!(said(later).contains("all that the seal covers is there; 1 entry came since"));
    }
    let other = path("other.job");
    must(&["new", text(&other), "--from", "demo-stream/plan.toml"]);
    let output = run(&["verify", text(&other), "--seal", text(&beside)]);
    assert!(!output.status.success() && said(output).contains("the seal is not in this job"));
    for name in inside {
        let output = run(&["verify", text(&other), "--seal", text(&path(name))]);
        assert!(!output.status.success() && said(output).contains("the seal is not in this job"), "{name}");
        assert!(said(verify(&["--seal", text(&path(name))])).contains("1 entry came since"), "{name}");
        let output = verify(&["--seal", text(&path(name)), "--key", text(&beside)]);
        assert!(!output.status.success() && said(output).contains("is not signed"), "{name}");
    }
    let output = verify(&["--seal", text(&beside), "--key", text(&beside)]);
    assert!(!output.status.success() && said(output).contains("is not signed"));

    // A picture in which a number was changed, or of which another stands under the same seal.
    let drawn = std::fs::read_to_string(path("strip.svg")).unwrap();
    std::fs::write(path("strip.svg"), drawn.replacen("mm</text>", "in</text>", 1)).unwrap();
    let mut dots = std::fs::read(path("strip.png")).unwrap();
    let last = dots.len() - 40;
    dots[last] ^= 1;
    std::fs::write(path("strip.png"), dots).unwrap();
    for name in ["strip.svg", "strip.png"] {
        let output = verify(&["--seal", text(&path(name))]);
        assert!(!output.status.success() && said(output).contains("is NOT the picture that was exported"), "{name}");
    }

    // A table that was changed is found, one that is elsewhere is said not to be compared.
    let table = std::fs::read_to_string(path("readings.csv")).unwrap();
    std::fs::write(path("readings.csv"), table.replacen('9', "8", 1)).unwrap();
    let output = verify(&["--seal", text(&beside)]);
    assert!(!output.status.success() && said(output).contains("is NOT the table that was exported"));
    std::fs::remove_file(path("readings.csv")).unwrap();
    assert!(said(verify(&["--seal", text(&beside)])).contains("was not compared"));

    // Exported anew it has the seal of now; what is no such seal is never replaced.
    export(&job, "csv", &path("readings.csv"));
    assert!(std::fs::read_to_string(&beside).unwrap().contains(&seal(&job)));
    std::fs::write(path("mine.csv.seal"), "mine").unwrap();
    let output = run(&["export", text(&job), "--format", "csv", "--out", text(&path("mine.csv"))]);
    assert!(!output.status.success() && said(output).contains("would be replaced") && !path("mine.csv").exists());
}
