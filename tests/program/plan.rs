//! The plan without a manual: the example is accepted as it is, the page lists its keys, all mistakes are shown at once, and what a
//! job will take is said.

use crate::common::{csv, must, root, run};
use crate::console::fixture::{app, contents, text};
use backwall::console::Step;
use backwall_store::JobContents;
use backwall_survey::job::Plan;
use backwall_survey::job::keys::written;

fn new_from(plan: &str) -> (bool, String, String) {
    let folder = tempfile::tempdir().unwrap();
    let (file, job) = (folder.path().join("plan.toml"), folder.path().join("a.job"));
    std::fs::write(&file, plan).unwrap();
    let done = run(&["new", job.to_str().unwrap(), "--from", file.to_str().unwrap()]);
    assert_eq!(done.status.success(), job.exists());
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap().replace(&format!("{}/", folder.path().display()), "");
    (done.status.success(), text(done.stdout), text(done.stderr))
}

#[test]
fn the_example_is_accepted_as_it_is_and_with_every_key_switched_on() {
    let example = must(&["new", "--example"]);
    let (made, said, wrong) = new_from(&example);
    assert!(made, "{wrong}");
    assert!(said.contains("FP-0412"), "{said}");
    let on = |line: &str| line.strip_prefix('#').filter(|rest| !rest.starts_with(' ')).unwrap_or(line).to_owned();
    let full: String = example.lines().map(|line| on(line) + "\n").collect();
    assert_ne!(full, example);
    let (made, _, wrong) = new_from(&full);
    assert!(made, "{wrong}");
    // It stands alone: nothing is made with it.
    assert!(!run(&["new", "x.job", "--example"]).status.success());
}

/// `UPDATE_DOCS=1 cargo test --test program the_page_of_the_plan` writes the page.
#[test]
fn the_page_of_the_plan_is_the_one_the_keys_make() {
    let path = root().join("docs/plan.md");
    if std::env::var_os("UPDATE_DOCS").is_some() {
        std::fs::write(&path, written::page()).unwrap();
    }
    let page = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        page == written::page(),
        "docs/plan.md is not what the keys make: UPDATE_DOCS=1 cargo test --test program the_page_of_the_plan"
    );
}

/// `UPDATE_DOCS=1 cargo test --test program the_page_of_the_basis` writes the page.
#[test]
fn the_page_of_the_basis_is_the_one_the_keys_make() {
    let path = root().join("docs/basis.md");
    let made = backwall_survey::job::basis::page();
    if std::env::var_os("UPDATE_DOCS").is_some() {
        std::fs::write(&path, &made).unwrap();
    }
    let page = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(page == made, "docs/basis.md is not what the keys make: UPDATE_DOCS=1 cargo test --test program the_page_of_the_basis");
}

#[test]
fn ten_mistakes_are_shown_at_once_each_with_its_line_its_key_and_what_is_allowed() {
    let plan = std::fs::read_to_string(root().join("tests/data/plan.toml")).unwrap();
    let plan = [
        ("number = \"FP-0412\"", "number = 412"),
        ("procedure = \"WT-07 rev 2\"\n", ""),
        ("due = 2027-02-01", "due = \"soon\""),
        ("kind = \"tank-shell\"", "kind = \"tank-shel\""),
        ("diameter_mm = 18000", "diameter_mm = \"18 m\""),
        ("required_mm = 6.2", "required_mm = 62.0"),
        ("length_mm = 11800", "lenght_mm = 11800"),
        ("counts_per_mm = 40.0", "counts_per_mm = 0"),
        ("frequency_mhz = 5.0", "frequency_mhz = 5000.0"),
        ("max_gap_mm = 10.0", "max_gap_mm = 10.0\npicker = \"peak\""),
    ]
    .iter()
    .fold(plan, |plan, (good, bad)| {
        assert!(plan.contains(good), "{good}");
        plan.replacen(good, bad, 1)
    });
    let (made, _, wrong) = new_from(&plan);
    assert!(!made);
    assert_eq!(wrong.matches("plan.toml:").count(), 10, "{wrong}");
    insta::assert_snapshot!(wrong);
}

#[test]
fn all_that_is_no_toml_is_shown_at_once_and_a_decimal_comma_is_named() {
    let plan = std::fs::read_to_string(root().join("tests/data/plan.toml")).unwrap();
    let plan = plan.replacen("nominal_mm = 10.0", "nominal_mm = 10,5", 1).replacen("name = \"TK-7\"", "name = TK-7", 1).replacen(
        "max_gap_mm = 10.0",
        "max_gap_mm = -1",
        1,
    );
    let (made, _, wrong) = new_from(&plan);
    assert!(!made);
    insta::assert_snapshot!(wrong);
}

#[test]
fn a_new_job_says_what_it_will_take_and_what_the_plan_lacks_to_say_more() {
    let plan = std::fs::read_to_string(root().join("tests/data/plan.toml")).unwrap();
    let (_, bare, _) = new_from(&plan);
    let crawler = "[crawler]\nbattery_min = 120\ncable_m = 15\ncable_to_datum_m = 6\nshots_per_s = 200\nsamples = 1024\n\n[asset]";
    let (_, all, wrong) = new_from(&plan.replacen("[asset]", crawler, 1));
    insta::assert_snapshot!(format!("{bare}\n{all}{wrong}"));
}

#[test]
fn times_are_on_the_clock_of_the_site_and_the_table_keeps_utc_with_the_zone_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let demo = std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap();
    for (zone, issued, column) in
        [("", "issued 2026-07-01 22:30 UTC", "UTC"), ("zone = \"+02:00\"\n", "issued 2026-07-02 00:30 +02:00", "UTC+02:00")]
    {
        let path = |name: &str| folder.path().join(format!("{column}-{name}")).to_str().unwrap().to_owned();
        let (plan, job, page) = (path("plan.toml"), path("a.job"), path("report.html"));
        std::fs::write(&plan, demo.replacen("[job]\n", &format!("[job]\n{zone}"), 1)).unwrap();
        must(&["new", &job, "--from", &plan]);
        let (stream, rows) = ("file:demo-stream/C1.shots", folder.path());
        must(&["scan", &job, "--headless", "--line", "C1", "--stream", stream, "--pace", "max", "--override-checklist", "no wall here"]);
        must(&["report", &job, "--template", "complete", "--out", &page, "--issued", "2026-07-01T22:30:00Z"]);
        let page = std::fs::read_to_string(&page).unwrap();
        assert!(page.contains(issued), "{issued}");
        let rows = csv(std::path::Path::new(&job), rows);
        assert!(!rows.is_empty() && rows.iter().all(|row| row["zone"] == column && row["host_time"].ends_with('Z')));
    }
}

#[test]
fn a_decimal_comma_is_read_in_options_and_refused_where_it_can_be_read_in_two_ways() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = |block: &str| {
        let out = folder.path().join("block.shots");
        let done = run(&["simulate", "--block", block, "--shots", "3", "--out", out.to_str().unwrap()]);
        if done.status.success() { Ok(std::fs::read(out).unwrap()) } else { Err(String::from_utf8(done.stderr).unwrap()) }
    };
    assert_eq!(bytes("12,5"), bytes("12.5"));
    assert!(bytes("12,5").is_ok());
    let refused = bytes("12,500").unwrap_err();
    assert!(refused.contains("can be read in two ways: write 12.500 or 12500"), "{refused}");
}

/// Prepare with the demo's plan, its courses repeated up to `count`.
fn prepare(count: u16, width: u16, height: u16) -> String {
    let mut plan = Plan::parse("plan.toml", &std::fs::read_to_string(root().join("demo-stream/plan.toml")).unwrap()).unwrap();
    let courses = std::mem::take(&mut plan.asset.courses);
    let numbered = courses.iter().cycle().zip(1..=count).map(|(course, number)| {
        let mut course = course.clone();
        course.number = number;
        course
    });
    plan.asset.courses = numbered.collect();
    text(&app(Step::Prepare, JobContents { plan, ..contents() }), width, height)
}

#[test]
fn prepare_shows_every_course_and_what_the_job_will_take() {
    for (width, height) in [(80, 24), (190, 50)] {
        let shown = prepare(5, width, height);
        assert!((1..=5).all(|number| shown.contains(&format!("course {number} "))), "{shown}");
        for words in ["to scan: 10.000 m", "battery: 3 h 00 min", "cable: reaches all lines", "job file: ", "C1 "] {
            assert!(shown.contains(words), "{words}: {shown}");
        }
        insta::assert_snapshot!(format!("prepare_demo_{width}x{height}"), shown);
    }
    // Too many for a row each stand side by side; what still finds no place is counted.
    let many = prepare(18, 80, 24);
    assert!((1..=18).all(|number| many.contains(&format!(" {number}: "))), "{many}");
    insta::assert_snapshot!("prepare_many_courses", many);
    let most = prepare(60, 80, 24);
    let hidden = 60 - (1..=60).filter(|number| most.contains(&format!(" {number}: "))).count();
    assert!(hidden > 0 && most.contains(&format!("{hidden} more below")), "{most}");
}
