//! Shots that lie closer than a beam is wide, through the program's own commands: grain before a slope that returns little must
//! neither lead a spot nor make a lamination of it, and what pits return must not move the zero. The walls are the invented ones
//! of `demo-stream/wall.toml`, and their depths are its own; then thin walls whose repeats fall on or beside what stands in them.

use crate::common::must;
use std::collections::HashMap;

type Row = HashMap<String, String>;

/// Course 1 of the demo's wall; its two thinnings lie 4.1 and 3.0 mm deep, its broad pits 3.8 and 4.6 mm.
const WALL_MM: f64 = 9.72;

/// Up over both thinnings and the pits, and back over the last pits: a shot each 0.225 mm, as many samples as the device can.
fn driven(folder: &std::path::Path) -> (Vec<Row>, Vec<Row>) {
    let path = |name: &str| folder.join(name).to_str().unwrap().to_owned();
    let (job, line) = (path("dense.job"), path("line.shots"));
    let dense = ["--samples", "1024", "--rate", "200"];
    let simulated = |out: &str, what: &[&str]| must(&[&["simulate", "--out", out], what, &dense].concat());
    simulated(&line, &["--shots", "8300"]);
    must(&["new", &job, "--from", "demo-stream/plan.toml"]);
    let mut calibrate = vec!["calibrate".to_owned(), job.clone(), "--headless".to_owned()];
    for mm in ["6", "12", "20"] {
        let out = path(&format!("{mm}.shots"));
        simulated(&out, &["--block", mm, "--shots", "40"]);
        calibrate.extend(["--at".to_owned(), format!("{mm}=file:{out}")]);
    }
    must(&calibrate.iter().map(String::as_str).collect::<Vec<_>>());
    let stream = format!("file:{line}");
    let closed = must(&[
        "scan",
        &job,
        "--headless",
        "--line",
        "A090",
        "--stream",
        &stream,
        "--pace",
        "max",
        "--override-checklist",
        "a dense drive",
    ]);
    let table = |what: &str| -> Vec<Row> {
        let out = path(&format!("{what}.csv"));
        must(&["export", &job, "--format", "csv", "--what", what, "--out", &out]);
        csv::Reader::from_path(out).unwrap().deserialize().map(Result::unwrap).collect()
    };
    says_one_minimum(&job, &closed, &table("readings"), &table("statistics"));
    (table("readings"), table("spots"))
}

/// Whatever says a minimum says that of the readings which do not stand alone; lower ones that do are counted and said beside it.
fn says_one_minimum(job: &str, closed: &str, readings: &[Row], statistics: &[Row]) {
    let alone = |row: &&Row| row["flags"].split(' ').any(|flag| flag == "alone");
    let read = || readings.iter().filter(|row| !row["thickness_mm"].is_empty());
    let lowest = |rows: &mut dyn Iterator<Item = &Row>| rows.map(|row| number(row, "thickness_mm")).fold(f64::INFINITY, f64::min);
    let minimum = lowest(&mut read().filter(|row| !alone(row)));
    let among_alone = lowest(&mut read().filter(alone));
    assert!(among_alone < minimum - 1.0, "without a lower one that stands alone nothing is shown here: {among_alone}, {minimum}");
    let close = |found: f64| assert!((found - minimum).abs() < 1e-5, "{found} for {minimum}, the lowest of all is {among_alone}");
    assert!(closed.contains(&format!(", min {minimum:.2} mm at ")), "{closed}");
    let json = |arguments: &[&str]| -> serde_json::Value { serde_json::from_str(&must(arguments)).unwrap() };
    close(json(&["review", job, "--headless", "--json"])["minimum_mm"].as_f64().unwrap());
    let assessed = json(&["assess", job, "--json"]);
    close(assessed["runs"][0]["minimum_mm"].as_f64().unwrap());
    close(assessed["lines"][0]["statistics"]["least"]["thickness_mm"].as_f64().unwrap());
    close(assessed["lines"][0]["courses"][0]["summary"]["t2_mm"].as_f64().unwrap());
    let whole = statistics.iter().find(|row| row["scope"] == "line").unwrap();
    close(number(whole, "minimum_mm"));
    assert_eq!(whole["alone"].parse(), Ok(read().filter(alone).count()));
    let html = format!("{job}.html");
    must(&["report", job, "--template", "summary", "--out", &html]);
    let html = std::fs::read_to_string(html).unwrap();
    assert!(html.contains(&format!("{minimum:.2} ")) && html.contains(&format!("the lowest {among_alone:.2} mm: in no minimum")), "{html}");
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

#[test]
fn grain_on_dark_slopes_leads_no_spot_and_pits_move_no_zero() {
    let folder = tempfile::tempdir().unwrap();
    let (readings, spots) = driven(folder.path());
    let kinds: Vec<(&str, f64)> = spots.iter().map(|spot| (spot["kind"].as_str(), number(spot, "minimum_mm"))).collect();
    let [("thinning", first), ("thinning", second), ("pit", pit)] = kinds[..] else { panic!("{kinds:?}") };
    assert!((first - (WALL_MM - 4.1)).abs() < 0.05, "{kinds:?}");
    assert!((second - (WALL_MM - 3.0)).abs() < 0.05, "{kinds:?}");
    assert!((pit - (WALL_MM - 4.6)).abs() < 0.3, "grain over a dark pit leads it no more than it does a slope: {kinds:?}");
    // Over the pit at 1478 mm the beam on its bottom reads the same on the way back.
    let on_bottom = |back: bool| -> Vec<f64> {
        let driven = readings.iter().filter(|row| (number(row, "seq") > 7500.0) == back);
        driven.filter(|row| (1477.0..1479.0).contains(&number(row, "position_mm"))).map(|row| number(row, "thickness_mm")).collect()
    };
    for read in [on_bottom(false), on_bottom(true)] {
        assert!(read.len() > 5 && read.iter().all(|read| (read - (WALL_MM - 3.8)).abs() < 0.2), "{read:?}");
    }
    let doubtful = readings.iter().filter(|row| !row["thickness_mm"].is_empty() && number(row, "uncertainty_k2_mm") > 1.0).count();
    assert_eq!(doubtful, 0, "no zero is lost over pits");
    // A lamination? in this wall lies behind what was driven here.
    assert!(readings.iter().all(|row| row["kind"] != "lamination?"));
}

/// Of 6.6 mm: reflectors whose third, fourth or second echo falls on the wall's or beside it, a thinning to a third of the wall, and a pit to less than half.
/// Nothing of a simulated wall says in the data what it is but its own echoes.
#[test]
fn a_reflector_whose_repeats_stand_where_the_wall_was_is_a_lamination_and_a_wall_thinned_to_a_third_is_none() {
    const WALL: f64 = 6.6;
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let reflectors = [(60.0, 85.0, 2.4), (130.0, 155.0, 2.2), (200.0, 225.0, 1.75), (270.0, 295.0, 3.3), (340.0, 365.0, 2.05)];
    let mut wall = format!(
        "name = \"thin wall (invented)\"\nseed = 41\n[steel]\ntemperature_c = 20.0\nblock_temperature_c = 20.0\n
         [probe]\nfrequency_mhz = 7.5\nbeam_mm = 1.0\n[receiver]\nrate_mhz = 100\nbits = 12\ngain_db = 42.0\nsamples = 768\n
         [noise]\nsnr_db = 36.0\ngrain_db = -36.0\n[device]\nshot_rate_hz = 100\n
         [[course]]\nheight_mm = 800\nwall_mm = {WALL:?}\n[[line]]\nname = \"L\"\ndirection = \"up\"\nstart_mm = 0\n[[line.leg]]\nforward_mm = 560\nspeed_mm_s = 35.0\n"
    );
    for (from, to, depth) in reflectors {
        wall += &format!("[[line.reflector]]\nfrom_mm = {from:?}\nto_mm = {to:?}\ndepth_mm = {depth:?}\ncover = 0.95\n");
    }
    wall += "[[line.thinning]]\nfrom_mm = 410.0\nto_mm = 470.0\ndepth_mm = 4.4\nedge_mm = 12.0\n[[line.pit]]\nat_mm = 520.0\noffset_mm = 0.0\nradius_mm = 6.0\ndepth_mm = 3.6\n";
    std::fs::write(path("wall.toml"), wall).unwrap();
    std::fs::write(
        path("plan.toml"),
        "[job]\nnumber = \"SL-2\"\nsite = \"simulated\"\nprocedure = \"none\"\npurpose = \"simulated line\"\n
         [[person]]\nname = \"R. Aldane\"\nrole = \"operator\"\ncertificate = \"UT 2 (invented)\"\n
         [asset]\nkind = \"tank-shell\"\nname = \"simulated\"\ndiameter_mm = 18000\nmaterial = \"steel\"\ndatum = \"start\"\n
         [[asset.course]]\nnumber = 1\nheight_mm = 800\nnominal_mm = 7.0\nrequired_mm = 4.2\n
         [[line]]\nname = \"L\"\nazimuth_deg = 0.0\nstart_mm = 0\nlength_mm = 600\ndirection = \"up\"\n
         [encoder]\ncounts_per_mm = 40.0\n[probe]\nfrequency_mhz = 7.5\nelement_separation_mm = 5.8\nminimum_mm = 1.5\n
         [setup]\nvelocity_m_s = 5920.0\nzero_ns = 5398.0\n[limits]\nwatch_margin_mm = 0.8\nmax_speed_mm_s = 60.0\nmax_gap_mm = 10.0\n",
    )
    .unwrap();
    let (job, walls) = (path("thin.job"), path("wall.toml"));
    must(&["new", &job, "--from", &path("plan.toml")]);
    let mut calibrate = vec!["calibrate".to_owned(), job.clone(), "--headless".to_owned()];
    for mm in ["2", "4", "8"] {
        let out = path(&format!("{mm}.shots"));
        must(&["simulate", "--wall", &walls, "--out", &out, "--block", mm, "--shots", "40"]);
        calibrate.extend(["--at".to_owned(), format!("{mm}=file:{out}")]);
    }
    must(&calibrate.iter().map(String::as_str).collect::<Vec<_>>());
    must(&["simulate", "--wall", &walls, "--line", "L", "--out", &path("line.shots")]);
    let stream = format!("file:{}", path("line.shots"));
    let scan = ["scan", &job, "--headless", "--line", "L", "--stream", &stream, "--pace", "max"];
    must(&[&scan[..], &["--override-checklist", "a simulated wall has no permit"]].concat());
    let out = path("spots.csv");
    must(&["export", &job, "--format", "csv", "--what", "spots", "--out", &out]);
    let spots: Vec<Row> = csv::Reader::from_path(&out).unwrap().deserialize().map(Result::unwrap).collect();
    let kinds = |from: f64, to: f64| -> Vec<&str> {
        let over = |spot: &&Row| number(spot, "to_mm") >= from && number(spot, "from_mm") <= to;
        spots.iter().filter(over).map(|spot| spot["kind"].as_str()).collect()
    };
    for (from, to, depth) in reflectors {
        assert_eq!(kinds(from, to), ["lamination?"], "a reflector at {depth} mm: {spots:#?}");
    }
    assert_eq!(kinds(410.0, 470.0), ["thinning"], "{spots:#?}");
    assert!(kinds(514.0, 526.0).iter().all(|kind| *kind == "pit"), "{spots:#?}");
}
