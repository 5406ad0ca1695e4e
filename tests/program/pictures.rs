//! The pictures of the manual are drawn from the screens themselves, so that none shows what the program no longer does.
//! `UPDATE_DOCS=1 cargo test --test program pictures` draws them anew.

use crate::common::root;
use crate::console::fixture::*;
use crate::console_assessed::side_by_side;
use crate::console_review::{opened, whole_job::on_map};
use backwall::console::Step;
use backwall::console::state::App;
use backwall_report::assessment::Request;
use backwall_report::contents::{Issue, ReportWanted, gather, report};
use backwall_report::document::layout;
use backwall_report::template::{SHIPPED, Template};
use backwall_store::JobFile;
use backwall_survey::travel::Direction;
use backwall_units::LengthUnit;
use ratatui::style::{Color, Modifier};
use std::fmt::Write;

/// A cell in picture points; a common face of a terminal is about twice as high as wide.
const CELL: (f64, f64) = (8.4, 17.0);
/// Paper and ink where a cell says nothing of its own.
const PAPER: &str = "#14181c";
const INK: &str = "#dfe4e8";

/// Each picture of `docs/pictures`, its screen and size.
fn pictures() -> Vec<(&'static str, App, (u16, u16))> {
    vec![
        ("prepare", app(Step::Prepare, ready()), (80, 24)),
        ("checklist", app(Step::Checklist, contents()), (80, 24)),
        ("calibrate", app(Step::Calibrate, ready()), (80, 24)),
        ("scan", scanning(Direction::Up), (80, 24)),
        ("scan-wide", scanning(Direction::Up), (190, 50)),
        ("review", app(Step::Review, ready()), (80, 24)),
        ("walk", opened(Direction::Up), (80, 24)),
        ("map", on_map(), (80, 24)),
        ("assessed", side_by_side(), (80, 24)),
    ]
}

/// The picture of a report's first page, made of a stored job.
const REPORT: &str = "report";

/// Page one of the report, as it is printed. The job is one of the tests' own, so that it stays the same.
fn page_one() -> String {
    let job = JobFile::open_read_only(&root().join("tests/data/format-5.job")).unwrap();
    let (name, text) = SHIPPED[0];
    let template = Template::parse(name, text).unwrap();
    let gathered = gather(&job, template.spot_figures, &Request::default(), &mut |_, _| true).unwrap();
    let wanted = ReportWanted {
        template: &template,
        logo: None,
        paper: template.paper,
        unit: LengthUnit::Mm,
        issued_us: NOW,
        left: None,
        issue: Issue::default(),
    };
    let pages = layout::pages(&report(&gathered, &wanted)).pages;
    let page = backwall_report::svg::svg(&pages[0].figure);
    // Paper is white, whatever page the picture stands on.
    let at = page.find("<svg").and_then(|at| page[at..].find('>').map(|end| at + end + 1)).unwrap();
    format!("{}\n<rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>{}", &page[..at], &page[at..])
}

#[test]
fn the_pictures_of_the_manual_are_what_the_screens_show() {
    let folder = root().join("docs/pictures");
    let mut stale = Vec::new();
    let screens = pictures().into_iter().map(|(name, app, (width, height))| (name, svg(name, &app, width, height)));
    for (name, drawn) in screens.chain([(REPORT, page_one())]) {
        let path = folder.join(format!("{name}.svg"));
        if std::env::var_os("UPDATE_DOCS").is_some() {
            std::fs::create_dir_all(&folder).unwrap();
            std::fs::write(&path, drawn).unwrap();
        } else if std::fs::read_to_string(&path).unwrap_or_default() != drawn {
            stale.push(name);
        }
    }
    assert!(stale.is_empty(), "{stale:?} in docs/pictures are not what the screens show: UPDATE_DOCS=1 cargo test --test program pictures");
}

/// Every picture of the manual is shown somewhere, and every one that is shown is there.
#[test]
fn pages_show_pictures_that_are_there() {
    let mut shown = Vec::new();
    let mut pages = vec![root().join("README.md")];
    pages.extend(
        std::fs::read_dir(root().join("docs"))
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension().is_some_and(|end| end == "md")),
    );
    for page in pages {
        let text = std::fs::read_to_string(&page).unwrap();
        for part in text.split("](").skip(1) {
            let target = part.split(')').next().unwrap_or_default();
            if target.contains("pictures/") {
                let path = page.parent().unwrap().join(target);
                assert!(path.exists(), "{} shows {target}, which is not there", page.display());
                shown.push(path.file_stem().unwrap().to_string_lossy().into_owned());
            }
        }
    }
    for name in pictures().iter().map(|(name, ..)| *name).chain([REPORT]) {
        assert!(shown.iter().any(|known| known == name), "no page shows the picture {name}");
    }
}

/// A screen as an SVG: runs of cells that look alike, each a rectangle and a text of that width.
fn svg(name: &str, app: &App, width: u16, height: u16) -> String {
    let terminal = render(app, width, height);
    let buffer = terminal.backend().buffer();
    let (w, h) = (f64::from(width) * CELL.0, f64::from(height) * CELL.1);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w:.1} {h:.1}\" width=\"{w:.0}\" height=\"{h:.0}\" role=\"img\" \
         aria-label=\"the screen {name}\" font-family=\"DejaVu Sans Mono, Menlo, Consolas, monospace\" font-size=\"14\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"{PAPER}\"/>\n"
    );
    for y in 0..height {
        let mut x = 0;
        while x < width {
            let looks = |x: u16| {
                let cell = &buffer[(x, y)];
                (cell.fg, cell.bg, cell.modifier)
            };
            let look = looks(x);
            let mut end = x;
            let mut text = String::new();
            while end < width && looks(end) == look {
                text.push_str(buffer[(end, y)].symbol());
                end += 1;
            }
            cells(&mut out, (x, y), end - x, &text, look);
            x = end;
        }
    }
    out + "</svg>\n"
}

fn cells(out: &mut String, at: (u16, u16), count: u16, text: &str, (fg, bg, modifier): (Color, Color, Modifier)) {
    let (mut ink, mut paper) = (colour(fg, INK), colour(bg, PAPER));
    if modifier.contains(Modifier::REVERSED) {
        std::mem::swap(&mut ink, &mut paper);
    }
    let (x, y) = (f64::from(at.0) * CELL.0, f64::from(at.1) * CELL.1);
    let width = f64::from(count) * CELL.0;
    if paper != PAPER {
        let _ = writeln!(out, "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{:.1}\" fill=\"{paper}\"/>", CELL.1);
    }
    let kept = text.trim_end();
    if kept.is_empty() {
        return;
    }
    // Spaces in front are left out by their width, so that a viewer that folds them shows the same.
    let front = kept.chars().take_while(|letter| *letter == ' ').count();
    let kept = &kept[front..];
    let letters = kept.chars().count();
    let mut style = String::new();
    if modifier.contains(Modifier::BOLD) {
        style += " font-weight=\"bold\"";
    }
    if modifier.contains(Modifier::DIM) {
        style += " opacity=\"0.65\"";
    }
    if modifier.contains(Modifier::UNDERLINED) {
        style += " text-decoration=\"underline\"";
    }
    let escaped = kept.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    let _ = writeln!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"{ink}\" textLength=\"{:.1}\" lengthAdjust=\"spacingAndGlyphs\" xml:space=\"preserve\"{style}>{escaped}</text>",
        x + front as f64 * CELL.0,
        y + CELL.1 - 4.2,
        letters as f64 * CELL.0
    );
}

/// The themes use the colour cube of xterm (six steps of each, from 16 on) and its greys (from 232 on).
fn colour(colour: Color, none: &str) -> String {
    let step = |index: u8| if index == 0 { 0 } else { 55 + 40 * index };
    match colour {
        Color::Indexed(index @ 16..=231) => {
            let index = index - 16;
            format!("#{:02x}{:02x}{:02x}", step(index / 36), step(index / 6 % 6), step(index % 6))
        }
        Color::Indexed(index @ 232..) => {
            let grey = 8 + 10 * (index - 232);
            format!("#{grey:02x}{grey:02x}{grey:02x}")
        }
        Color::Black => "#000000".to_owned(),
        Color::White => "#ffffff".to_owned(),
        _ => none.to_owned(),
    }
}
