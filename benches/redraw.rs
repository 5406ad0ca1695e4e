//! What one picture costs, drawn into memory: the whole scan screen with an invented run of 4.35 m behind it.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../tests/program/console/bench.rs"]
mod bench;
#[path = "../tests/program/console/fixture.rs"]
mod fixture;

use backwall::console::Glyphs;
use backwall::console::view;
use backwall_survey::travel::Direction;
use divan::{Bencher, black_box};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

fn main() {
    divan::main();
}

fn picture(bencher: Bencher, direction: Direction, glyphs: Glyphs, width: u16, height: u16) {
    let mut app = fixture::scanning(direction);
    app.look.glyphs = glyphs;
    let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("a screen in memory is always there");
    bencher.bench_local(|| {
        terminal.draw(|frame| view::draw(black_box(&app), frame)).expect("a screen in memory takes everything");
    });
}

#[divan::bench]
fn up_190x50(bencher: Bencher) {
    picture(bencher, Direction::Up, Glyphs::Braille, 190, 50);
}

#[divan::bench]
fn up_190x50_half_block(bencher: Bencher) {
    picture(bencher, Direction::Up, Glyphs::HalfBlock, 190, 50);
}

#[divan::bench]
fn across_190x50(bencher: Bencher) {
    picture(bencher, Direction::Across, Glyphs::Braille, 190, 50);
}

#[divan::bench]
fn up_80x24(bencher: Bencher) {
    picture(bencher, Direction::Up, Glyphs::Braille, 80, 24);
}
