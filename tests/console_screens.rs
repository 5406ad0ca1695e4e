//! Every step of the console as it stands on screen, kept as text; and what must be true of it in any look.

#[path = "console/fixture.rs"]
mod fixture;

use backwall::console::{Glyphs, Step, Theme};
use backwall::travel::Direction;
use fixture::*;

const SIZES: [(u16, u16); 2] = [(80, 24), (190, 50)];

macro_rules! snap {
    ($name:expr, $app:expr) => {
        for (width, height) in SIZES {
            insta::assert_snapshot!(format!("{}_{width}x{height}", $name), text($app, width, height));
        }
    };
}

#[test]
fn prepare() {
    snap!("prepare", &app(Step::Prepare, contents()));
}

#[test]
fn checklist() {
    snap!("checklist", &app(Step::Checklist, contents()));
}

#[test]
fn calibrate() {
    snap!("calibrate", &app(Step::Calibrate, ready()));
}

#[test]
fn scan_blocked_and_ready() {
    snap!("scan_blocked", &app(Step::Scan, contents()));
    snap!("scan_ready", &app(Step::Scan, ready()));
}

#[test]
fn scan_up_and_across() {
    snap!("scan_up", &scanning(Direction::Up));
    snap!("scan_across", &scanning(Direction::Across));
}

#[test]
fn review() {
    snap!("review", &app(Step::Review, ready()));
}

#[test]
fn looks() {
    for glyphs in [Glyphs::HalfBlock, Glyphs::Ascii] {
        let mut app = scanning(Direction::Up);
        app.look.glyphs = glyphs;
        insta::assert_snapshot!(format!("scan_up_{}", glyphs.word()), text(&app, 80, 24));
    }
    let _ = Theme::ALL;
}
