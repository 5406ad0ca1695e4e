//! The client's report by the real binary, opened with other people's programs (poppler's pdfinfo and pdftotext), and with
//! jobs that have something wrong with them.

use crate::common::*;
use backwall_report::assessment::Request;
use backwall_report::contents::gather;
use backwall_store::{JobFile, Note};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::validity::Check;
use backwall_units::{Length, Temperature};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

const ISSUED: &str = "2026-12-01T09:30:00+01:00";

/// A report of a job; the path of the file.
fn report(job: &Path, name: &str, more: &[&str]) -> PathBuf {
    let out = job.with_file_name(name);
    let mut arguments = vec!["report", job.to_str().unwrap(), "--out", out.to_str().unwrap(), "--issued", ISSUED];
    if !more.contains(&"--template") {
        arguments.extend(["--template", "complete"]);
    }
    arguments.extend(more);
    must(&arguments);
    out
}

fn poppler(program: &str, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().unwrap_or_else(|error| panic!("{program} (poppler-utils): {error}"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.is_empty(), "{program} {arguments:?}: {said}");
    String::from_utf8(output.stdout).unwrap()
}

/// The text of a PDF, its pages one by one.
fn pages(pdf: &Path) -> Vec<String> {
    let text = poppler("pdftotext", &["-layout", pdf.to_str().unwrap(), "-"]);
    text.trim_end_matches('\u{c}').split('\u{c}').map(str::to_owned).collect()
}

/// Text without its line breaks and columns, so that wrapped sentences are found.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn text_of(job: &Path, more: &[&str]) -> String {
    flat(&pages(&report(job, "of.pdf", more)).concat())
}

/// A job from the demo's plan with something changed, signed; and a run along the short line unless told otherwise.
fn job(folder: &Path, change: impl Fn(String) -> String, scanned: bool) -> PathBuf {
    let plan = change(std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap());
    let (file, job) = (folder.join("plan.toml"), folder.join("changed.job"));
    std::fs::write(&file, plan).unwrap();
    let path = job.to_str().unwrap();
    must(&["new", path, "--from", file.to_str().unwrap()]);
    if scanned {
        scan(&job);
    }
    job
}

/// A run along the short line, against the unsigned checklist.
fn scan(job: &Path) {
    let all = ["scan", job.to_str().unwrap(), "--line", "C1", "--stream", "file:demo-stream/C1.shots", "--pace", "max", "--headless"];
    must(&[&all[..], &["--override-checklist", "client's standing order 7"]].concat());
}

/// Every element is closed where it must be; attributes are in quotes; nothing but known entities.
fn assert_well_formed(html: &str) {
    let mut open = Vec::new();
    let mut rest = html;
    while let Some(at) = rest.find('<') {
        let text = &rest[..at];
        assert!(!text.contains('>') || open.last() == Some(&"style"), "a stray '>' in: {text}");
        for part in text.split('&').skip(1) {
            assert!(["amp;", "lt;", "gt;", "quot;"].iter().any(|entity| part.starts_with(entity)), "a stray '&' before: {part}");
        }
        rest = &rest[at + 1..];
        let end = rest.find('>').expect("a tag ends");
        let tag = &rest[..end];
        rest = &rest[end + 1..];
        assert_eq!(tag.matches('"').count() % 2, 0, "{tag}");
        let name = tag.trim_start_matches('/').split([' ', '/', '\n']).next().unwrap();
        match tag {
            doctype if doctype.starts_with('!') => {}
            closing if closing.starts_with('/') => assert_eq!(open.pop(), Some(name), "closed in the wrong order"),
            alone if alone.ends_with('/') => {}
            _ => open.push(name),
        }
    }
    assert!(open.is_empty(), "never closed: {open:?}");
}

#[test]
fn the_demo_report_is_a_sound_pdf_that_says_first_what_matters() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("demo.job");
    must(&["demo", "--headless", "--job", job.to_str().unwrap()]);
    let pdf = report(&job, "demo.pdf", &[]);
    let info = poppler("pdfinfo", &[pdf.to_str().unwrap()]);
    assert!(info.contains("A4") && info.contains("Ultrasonic wall thickness survey"), "{info}");
    let pages = pages(&pdf);
    let count = pages.len();
    assert!(count >= 8 && info.lines().any(|line| line.starts_with("Pages:") && line.ends_with(&format!(" {count}"))), "{info}");
    for (index, page) in pages.iter().enumerate() {
        let number = format!("Page {} of {count}", index + 1);
        assert!(page.contains(&number) && page.contains("Job FP-0412"), "{number}: {page}");
    }
    // Whether the numbers hold comes before everything else.
    let first: Vec<&str> = pages[0].lines().filter(|line| !line.trim().is_empty()).take(6).collect();
    assert!(first.iter().any(|line| line.contains("CALIBRATION NOT VERIFIED for 1 of 1 run")), "{first:?}");
    assert!(first.iter().any(|line| line.contains("issued 2026-12-01 08:30 UTC")), "{first:?}");

    let text = flat(&pages.concat());
    let summary = events(&must(&["review", job.to_str().unwrap(), "--headless", "--json"])).remove(0);
    for words in [
        "THIN",
        "NOT SCANNED: A120, C1",
        "Spots of run 1 on A090",
        "Waveforms at the spots",
        "Statistics by course",
        "Budget of set-up 2",
        "Element separation",
        "measured on 5 blocks: ",
        "SB-22",
        "no verification was made after it yet",
        "79900",
        "hold point",
        "R. Aldane (UT 2, no. 00417)",
        "No floor, roof, nozzle neck, weld",
        "client's calculation C-118",
        "Only the scanned lines are known",
        "(k = 2)",
        "DW-118",
        "2099-02-01",
        "Screening",
        summary["digest"].as_str().unwrap(),
    ] {
        assert!(text.to_lowercase().contains(&words.to_lowercase()), "'{words}' is not in the report:\n{text}");
    }
    // The thinnest reading that its neighbours agree with is the one in the CSV, digit for digit as everywhere.
    let rows = csv(&job, folder.path());
    let mm = |row: &std::collections::HashMap<String, String>, column: &str| row[column].parse::<f64>().ok();
    let least = rows
        .iter()
        .filter(|row| mm(row, "thickness_mm").is_some() && !row["flags"].split(' ').any(|flag| flag == "alone"))
        .min_by(|a, b| mm(a, "thickness_mm").partial_cmp(&mm(b, "thickness_mm")).unwrap());
    let least = least.unwrap();
    let (thickness, u) = (mm(least, "thickness_mm").unwrap(), mm(least, "uncertainty_k2_mm").unwrap());
    let place = mm(least, "position_mm").unwrap() / 1000.0;
    // Inside a pit, or on what may be a lamination, no U holds for the wall under the beam.
    let shared = ["weak", "uneven", "phase", "early-echo", "inner-reflector", "ambiguous", "alone", "saturated", "near-uneven"];
    let even_only = least["flags"].split(' ').any(|flag| shared.contains(&flag));
    let said = if even_only { ", even wall only".to_owned() } else { format!(" ± {u:.2} mm (k = 2)") };
    let found = format!("Minimum reading: {thickness:.2} mm{said} at {place:.3} m");
    assert!(text.contains(&found), "{found}:\n{text}");
    // What the first page says of every course is what the assessment says of it.
    let assessed: serde_json::Value = serde_json::from_str(&must(&["assess", job.to_str().unwrap(), "--json"])).unwrap();
    let courses = assessed["lines"].as_array().unwrap().iter().flat_map(|line| line["courses"].as_array().unwrap());
    for summary in courses.map(|course| &course["summary"]) {
        let said = format!("{}: {}", summary["decision"].as_str().unwrap(), summary["decision_why"].as_str().unwrap());
        assert!(text.contains(&said), "{said}:\n{text}");
    }
    // The same job issued at the same time is the same file.
    let bytes = std::fs::read(&pdf).unwrap();
    assert_eq!(bytes, std::fs::read(report(&job, "again.pdf", &[])).unwrap());
    let fonts = poppler("pdffonts", &[pdf.to_str().unwrap()]);
    assert!(fonts.lines().skip(2).all(|font| font.contains("yes yes yes")), "embedded, cut down, with characters: {fonts}");

    let html = std::fs::read_to_string(report(&job, "demo.html", &[])).unwrap();
    assert_well_formed(&html);
    assert!(html.contains(&found) && html.contains("<svg") && html.contains("size: 210mm 297mm"));
    for outside in ["src=\"http", "href=\"http", "url(", "<script", "@import"] {
        assert!(!html.contains(outside), "the file must need nothing but itself: {outside}");
    }

    let letter = report(&job, "letter.pdf", &["--paper", "letter", "--units", "in", "--template", "summary"]);
    let info = poppler("pdfinfo", &[letter.to_str().unwrap()]);
    assert!(info.contains("letter"), "{info}");
    let text = flat(&pages_text(&letter));
    assert!(
        text.contains(&format!("{:.3} in", thickness / 25.4))
            && text.contains("Left out by the template 'summary': Record of the measurement"),
        "{text}"
    );
}

fn pages_text(pdf: &Path) -> String {
    pages(pdf).concat()
}

#[test]
fn names_in_other_scripts_and_hostile_notes_come_out_as_text() {
    let folder = tempfile::tempdir().unwrap();
    let people = "[[person]]\nname = \"Ελένη Παπαδάκη\"\nrole = \"operator\"\ncertificate = \"UT 2\"\nexpires = 2026-01-31\n\
                  [[person]]\nname = \"Łukasz Żółć\"\nrole = \"reviewer\"\n[[person]]\nname = \"Жанна Ильина\"\nrole = \"witness\"\n\
                  [[person]]\nname = \"漢字太郎\"\nrole = \"visitor\"\n";
    let job = job(
        folder.path(),
        |plan| plan.replacen("[[kit]]", &format!("{people}\n[[kit]]"), 1).replace("due = 2099-02-01", "due = 2026-02-01"),
        true,
    );
    let file = JobFile::open(&job).unwrap();
    let note = |text: &str| Note { run: Some(1), along: Some(Length::mm(500.0)), text: text.into(), at_us: 1_790_000_000_000_000 };
    file.writer().note(note("pit<script>alert(1)</script> & \"\u{1b}[2J\u{202e}scale\u{7}\u{0}")).unwrap();
    file.writer().note(note(&"a very long note about scale and zeugma ".repeat(600))).unwrap();
    file.writer().note(note(&"x".repeat(20_000))).unwrap();
    file.close().unwrap();
    let text = text_of(&job, &[]);
    for words in
        ["Ελένη Παπαδάκη", "Łukasz Żółć", "Жанна Ильина", "漢字太郎", "pit<script>alert(1)</script> & \"·[2Jscale··", "EXPIRED", "OVERDUE"]
    {
        assert!(text.contains(words), "'{words}' is not in the report");
    }
    assert_eq!(text.matches("zeugma").count(), 600, "no word of the long note is lost");
    let only_x = |word: &&str| word.chars().all(|c| c == 'x');
    assert_eq!(text.split(' ').filter(only_x).map(str::len).sum::<usize>(), 20_000, "no letter of the long word is lost");
    let html = std::fs::read_to_string(report(&job, "names.html", &[])).unwrap();
    assert_well_formed(&html);
    assert!(html.contains("漢字太郎") && html.contains("pit&lt;script&gt;alert(1)&lt;/script&gt;") && !html.contains("<script"));
    assert!(!html.chars().any(|c| c.is_control() && c != '\n') && !html.contains('\u{202e}'));
}

/// Values in what was recorded are in the report's unit; what an earlier format recorded as words alone stays, and the report says so.
#[test]
fn recorded_words_are_in_the_reports_unit() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan, false);
    calibrate(&job);
    scan(&job);
    let path = job.to_str().unwrap();
    must(&["checklist", path, "--headless", "--answers", "demo-stream/answers.toml", "--sign", "R. Aldane"]);
    must(&["reevaluate", path, "--run", "1", "--headless", "--velocity", "5930", "--gate-length", "7", "--why", "another velocity"]);
    must(&["hand", path, "--by", "R. Aldane", "--line", "C1", "--at", "612mm", "--value", "5.7mm", "--block", "10.0mm=10.1mm"]);
    // Line A090 of the demo's plan starts at 0; blocks of 4 and 12.5 mm are 0.1575 and 0.4921 in.
    let (metric, inch) = (text_of(&job, &[]), text_of(&job, &["--units", "in"]));
    for (mm, inches) in [("taken to be at 0.0 mm", "taken to be at 0.00 in"), ("4.000 mm", "0.1575 in"), ("12.500 mm", "0.4921 in")] {
        assert!(metric.contains(mm) && !metric.contains(inches), "{mm}");
        assert!(inch.contains(inches) && !inch.contains(mm), "{inches}: {inch}");
    }
    // 8 m, 4.5 m/s, 18 °C, 12 kg (NIST SP 811), and 5930 m/s of an evaluation.
    for answer in ["26.25 ft", "10.07 mph", "64.4 °F", "26.46 lb", "0.23346 in/µs"] {
        assert!(inch.contains(answer) && !metric.contains(answer), "{answer}: {inch}");
    }
    // What somebody typed stays as it was; a number with another unit is nowhere else.
    let typed = "under 4.5 mm stop, call S.";
    let words: Vec<&str> = inch.split(' ').collect();
    let is_metric = |index: &usize| {
        let unit = words[*index].trim_matches(['(', ')', ',', ';', '.', ':']);
        let is_of_number = words[index.saturating_sub(1)].trim_start_matches(['(', '±', '+', '-']).parse::<f64>().is_ok();
        is_of_number && ["mm", "m", "m/s", "mm/s", "mm/y", "mm/year", "°C", "K", "kelvin", "kg", "N", "MPa", "m²"].contains(&unit)
    };
    let around = |index: usize| words[index.saturating_sub(4)..(index + 4).min(words.len())].join(" ");
    let metric: Vec<String> = (0..words.len()).filter(is_metric).map(around).filter(|words| !words.contains("4.5 mm stop")).collect();
    assert!(inch.contains(typed) && metric.is_empty(), "{metric:?}");
    let old = folder.path().join("old.job");
    std::fs::copy(root().join("tests/data/format-5.job"), &old).unwrap();
    let said = "As recorded by an earlier version of the job file";
    assert!(text_of(&old, &["--units", "in"]).contains(said) && !text_of(&old, &[]).contains(said));
    // So it stays once the file is brought up to date, and its digests hold.
    must(&["note", old.to_str().unwrap(), "--by", "R. Aldane", "--text", "read again"]);
    assert!(text_of(&old, &["--units", "in"]).contains(said));
    must(&["verify", old.to_str().unwrap()]);
}

#[test]
fn a_job_without_runs_says_so_first() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan, false);
    let text = text_of(&job, &[]);
    assert!(text.find("NOTHING WAS MEASURED").unwrap() < 300, "{text}");
    assert!(
        text.contains("3 of 3 planned lines NOT SCANNED") && text.contains("the checklist is not signed") && text.contains("Page 1 of")
    );
    assert_well_formed(&std::fs::read_to_string(report(&job, "none.html", &[])).unwrap());
}

#[test]
fn a_run_without_any_echo_and_courses_without_a_limit_are_told_not_filled_in() {
    let folder = tempfile::tempdir().unwrap();
    let deaf = |plan: String| plan.replace("[setup]\n", "[setup]\ngate_threshold_pct = 99.0\n");
    let text = text_of(&job(folder.path(), deaf, true), &[]);
    assert!(text.contains("NO THICKNESS was read anywhere"), "{text}");
    assert!(text.contains("has NO ECHO in any of its") && text.contains("None: nothing was read."), "{text}");
    assert!(text.contains("OVERRIDDEN") && text.contains("client's standing order 7"));

    let folder = tempfile::tempdir().unwrap();
    let unknown = |plan: String| plan.lines().filter(|line| !line.starts_with("required_")).collect::<Vec<_>>().join("\n");
    let job = job(folder.path(), unknown, true);
    let first = pages(&report(&job, "first.pdf", &[]))[0].clone();
    let first: Vec<&str> = first.lines().filter(|line| !line.trim().is_empty()).take(6).collect();
    assert!(first.iter().any(|line| line.contains("NO CALIBRATION for 1 of 1 run")), "{first:?}");
    let text = text_of(&job, &[]);
    for words in ["No set-up was ever verified on a block", "NOT CHECKED over a measured distance"] {
        assert!(text.contains(words), "'{words}' is not in the report:\n{text}");
    }
    assert!(
        text.contains("NO LIMIT: no required thickness is known") && text.contains("5 of 5 courses have no required thickness"),
        "{text}"
    );
    assert!(text.contains("None could be found: no required thickness is known."), "{text}");
}

#[test]
fn a_failed_verification_makes_the_report_call_the_run_suspect_first() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan, false);
    let by = |at_us| Signed { name: "R. Aldane".into(), certificate: "UT 2".into(), at_us };
    let file = JobFile::open(&job).unwrap();
    let setup = file.contents().unwrap().plan.typed_setup();
    let setup_id = file.writer().add_setup(setup, "typed from the plan".into(), by(1)).unwrap();
    file.close().unwrap();
    scan(&job);
    let file = JobFile::open(&job).unwrap();
    let (truth, measured) = (Length::mm(10.0), Some(Length::mm(10.31)));
    let (spread, tolerance, temperature) = (Length::mm(0.01), Length::mm(0.1), Temperature::celsius(20.0));
    let by = by(backwall::live::now_us());
    file.writer()
        .add_check(Check { setup_id, block: "B-7".into(), truth, measured, spread, shots: 16, tolerance, temperature, by })
        .unwrap();
    file.close().unwrap();
    let text = text_of(&job, &[]);
    assert!(text.find("CALIBRATION SUSPECT for 1 of 1 run").unwrap() < 300, "{text}");
    assert!(text.contains("read 10.31 mm") && text.contains("+0.310") && text.contains("FAILED"), "{text}");
    assert!(text.contains("Left out of all numbers in this section"), "{text}");
}

#[test]
fn a_run_being_recorded_and_one_that_was_killed_are_called_what_they_are() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan, false);
    let path = job.to_str().unwrap();
    let mut child = backwall()
        .args(["scan", path, "--line", "A090", "--stream", "file:demo-stream/A090.shots", "--pace", "device", "--headless", "--json"])
        .args(["--override-checklist", "test"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().contains("\"saved\"")), "something is saved");
    let text = text_of(&job, &[]);
    assert!(text.contains("STILL BEING RECORDED") && text.contains("STILL OPEN"), "{text}");
    child.kill().unwrap();
    child.wait().unwrap();
    // Opening it for writing finds what the kill left, whatever the checklist says.
    run(&["checklist", path, "--headless"]);
    let text = text_of(&job, &[]);
    assert!(text.contains("was INTERRUPTED") && text.contains("INTERRUPTED"), "{text}");
}

#[test]
fn an_earlier_survey_in_inch_is_compared_and_its_flaws_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan, true);
    let rows = csv(&job, folder.path());
    let table = folder.path().join("earlier.csv");
    let mut text = String::from("Line,Position (in),Wall (in)\n");
    for row in rows.iter().filter(|row| !row["thickness_mm"].is_empty()) {
        let inch = |column: &str| row[column].parse::<f64>().unwrap() / 25.4;
        text.push_str(&format!("C1,{:.4},{:.5}\n", inch("position_mm"), inch("thickness_mm") + 1.0 / 25.4));
    }
    std::fs::write(&table, &text).unwrap();
    let columns = ["--column", "thickness=Wall (in)", "--column", "position=Position (in)", "--earlier-date", "2020-05-01"];
    let earlier = [&["--earlier", table.to_str().unwrap()][..], &columns].concat();
    let said = text_of(&job, &earlier);
    assert!(said.contains("Line C1 against earlier.csv (2020-05-01)"), "{said}");
    assert!(said.contains("he earlier survey gives no uncertainty") && said.contains("does not give its datum"), "{said}");
    std::fs::write(&table, text.replace("Wall (in)", "Something")).unwrap();
    let out = folder.path().join("no.pdf");
    let failed = run(&["report", job.to_str().unwrap(), "--out", out.to_str().unwrap(), "--earlier", table.to_str().unwrap()]);
    let said = String::from_utf8_lossy(&failed.stderr).into_owned();
    assert!(!failed.status.success() && said.contains("earlier.csv") && !out.exists(), "{said}");
}

#[test]
fn a_report_can_be_stopped_while_it_reads_and_while_it_assesses_and_tells_how_far_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan, true);
    let reader = JobFile::open_read_only(&job).unwrap();
    let gathered = |go_on: &mut dyn FnMut(u64, u64) -> bool| gather(&reader, 1, &Request::default(), go_on);
    let mut told = Vec::new();
    gathered(&mut |done, of| {
        told.push((done, of));
        true
    })
    .unwrap();
    assert!(told.is_sorted(), "{told:?}");
    let (done, of) = *told.last().unwrap();
    assert_eq!(done, of, "it ends when all is read");
    for part in [0.3, 0.8] {
        let stop_at = (of as f64 * part) as u64;
        let stopped = gathered(&mut |done, _| done < stop_at).err().unwrap();
        assert_eq!(stopped.to_string(), "stopped before the end");
    }
}

#[test]
fn templates_choose_order_words_and_logo_and_their_mistakes_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), |plan| plan, false);
    let place = |name: &str| folder.path().join(name);
    let write = |name: &str, text: &str| std::fs::write(place(name), text).unwrap();
    let mut picture = tiny_skia::Pixmap::new(60, 20).unwrap();
    picture.fill(tiny_skia::Color::from_rgba8(0, 114, 178, 255));
    std::fs::write(place("logo.png"), picture.encode_png().unwrap()).unwrap();
    let own = "title = \"Bericht\"\nlanguage = \"de\"\npaper = \"letter\"\nlogo = \"logo.png\"\nfoot = \"Blatt 7\"\n\
               sections = [\"summary\", \"method\", \"seals\", \"missing\"]\n[headings]\nsummary = \"Das Wichtigste zuerst\"\n";
    write("own.toml", own);
    let template = place("own.toml");
    let pdf = report(&job, "own.pdf", &["--template", template.to_str().unwrap()]);
    let text = flat(&pages_text(&pdf));
    assert!(text.starts_with("Bericht") && text.contains("Das Wichtigste zuerst") && text.contains("Blatt 7"), "{text}");
    assert!(
        text.find("Limits of the method").unwrap() < text.find("Seals").unwrap() && text.contains("Left out by the template"),
        "{text}"
    );
    let images = poppler("pdfimages", &["-list", pdf.to_str().unwrap()]);
    assert!(images.lines().any(|line| line.contains(" 60 ") && line.contains(" 20 ")), "{images}");
    let html = std::fs::read_to_string(report(&job, "own.html", &["--template", template.to_str().unwrap()])).unwrap();
    assert_well_formed(&html);
    assert!(html.contains("data:image/png;base64,iVBOR") && html.contains("lang=\"de\"") && html.contains("size: 8.5in 11in"));

    write("wrong.toml", &own.replace("\"missing\"", "\"mising\""));
    write("nologo.toml", &own.replace("logo.png", "plan.toml"));
    write("gone.toml", &own.replace("logo.png", "gone.png"));
    let job_text = job.to_str().unwrap().to_owned();
    let (wrong, nologo, gone) = (place("wrong.toml"), place("nologo.toml"), place("gone.toml"));
    let out = place("x.pdf");
    let out = out.to_str().unwrap();
    let (as_text, in_nowhere) = (place("x.txt"), place("nowhere/x.pdf"));
    let (as_text, in_nowhere) = (as_text.to_str().unwrap(), in_nowhere.to_str().unwrap());
    std::fs::copy(&job, place("job.pdf")).unwrap();
    let over_job = place("job.pdf");
    let cases: &[(&[&str], i32, &[&str])] = &[
        (&["--out", out, "--template", wrong.to_str().unwrap()], 1, &["wrong.toml:6: sections[3]", "mising", "'missing' is missing"]),
        (&["--out", out, "--template", nologo.to_str().unwrap()], 1, &["nologo.toml:4: logo", "not a PNG"]),
        (&["--out", out, "--template", gone.to_str().unwrap()], 1, &["gone.toml:4: logo", "gone.png"]),
        (&["--out", out, "--template", "nothing"], 1, &["nothing", "full, summary, complete"]),
        (&["--out", as_text], 1, &["x.txt", ".pdf or .html"]),
        (&["--out", in_nowhere], 1, &["x.pdf", "folder"]),
        (&["--out", over_job.to_str().unwrap()], 1, &["job.pdf", "job file"]),
        (&["--out", out, "--issued", "yesterday"], 2, &["yesterday"]),
        (&["--out", out, "--paper", "a5"], 2, &["a5"]),
    ];
    for (arguments, code, words) in cases {
        let output = run(&[&["report", &job_text][..], arguments].concat());
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(*code), "{arguments:?}: {said}");
        for word in *words {
            assert!(said.contains(word), "{arguments:?} does not name '{word}': {said}");
        }
        assert!(!said.contains("panicked") && !place("x.pdf").exists(), "{said}");
    }
}
