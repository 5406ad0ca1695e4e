//! Every step of the console as it stands on screen, kept as text; and what must be true of it in any look.

use crate::console::bench;

use crate::console::fixture::*;
use backwall::console::state::{App, Event};
use backwall::console::update::update;
use backwall::console::{Glyphs, Step, Theme};
use backwall::live::Phase;
use backwall::live::bench::{Bench, BenchView, Hold};
use backwall_simulate::{Crawler, StreamEnd};
use backwall_store::{RunState, SetupEntry};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::validity::Check;
use backwall_survey::reading::Record;
use backwall_survey::strip::Limits;
use backwall_survey::travel::Direction;
use backwall_ultrasound::{Evaluator, Waveform};
use backwall_units::{Length, LengthUnit, Temperature};
use ratatui::crossterm::event::KeyCode;
use ratatui::style::{Color, Modifier, Style};
use std::sync::Arc;

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
fn calibrate_on_blocks() {
    let mut job = ready();
    job.setups[0].setup = bench::typed(job.plan.typed_setup());
    let mut bench = bench::bench(job.setups[0].setup.clone());
    let mut app = app(Step::Calibrate, job);
    update(&mut app, Event::BenchOpened(Arc::new(BenchView::default())));
    snap!("calibrate_open", &app);
    let mut show = |bench: &mut Bench| {
        bench.view.link.what = "serial:PORT".into();
        update(&mut app, Event::Bench(Arc::new(bench.view.clone()), NOW));
        app.clone()
    };
    bench::put_on(&mut bench, Hold::Block(bench::piece(5.0)), 12);
    snap!("calibrate_unsteady", &show(&mut bench));
    bench::take(&mut bench, &[5.0, 20.0]);
    snap!("calibrate_two_blocks", &show(&mut bench));
    bench::take(&mut bench, &[3.0, 8.0, 12.0]);
    bench::put_on(&mut bench, Hold::Verify { piece: bench::piece(10.0), tolerance: Length::mm(0.1) }, 40);
    let mut app = show(&mut bench);
    snap!("calibrate_verify", &app);
    // In any window it stands, with its verdict or the way to it.
    for (width, height) in [(60, 20), (61, 40), (119, 29), (120, 33), (300, 90)] {
        assert!(text(&app, width, height).contains("result"), "{width}x{height}");
    }
    for picture in ["residuals", "pulse", "words"] {
        update(&mut app, letter('c'));
        insta::assert_snapshot!(format!("calibrate_{picture}_80x24"), text(&app, 80, 24));
    }
}

/// A run read with a calibration on blocks, on a wall so near its limit that the limit lies within U.
#[test]
fn where_a_number_comes_from() {
    let mut job = ready();
    let mut bench = bench::bench(bench::typed(job.plan.typed_setup()));
    bench::take(&mut bench, &[3.0, 5.0, 8.0, 12.0]);
    let setup = bench.view.fitted().unwrap().setup.clone();
    let by = signed();
    job.setups.push(SetupEntry { id: 2, setup: setup.clone(), origin: "measured on 4 blocks".into(), by: by.clone() });
    job.checks.push(Check {
        setup_id: 2,
        block: "SB-4".into(),
        truth: Length::mm(10.0),
        measured: Some(Length::mm(10.02)),
        spread: Length::mm(0.004),
        shots: 32,
        tolerance: Length::mm(0.1),
        temperature: Temperature::celsius(20.0),
        by,
    });
    let shot = bench::records(Crawler::on_block(&bench::wall(), Length::mm(6.22), StreamEnd::Shots(1)).unwrap())
        .into_iter()
        .find_map(|record| if let Record::Shot(shot) = record { Some(shot) } else { None })
        .unwrap();
    let base = bench.view.waveform.as_ref().unwrap().base;
    let mut app = scanning(Direction::Up);
    update(&mut app, Event::Contents(Box::new(job)));
    change(&mut app, |view| {
        let limits = Limits { watch_margin: Length::ZERO, guard_band: true, ..(*view.limits).clone() };
        let mut reading = reading(4349.8);
        reading.measurement = Evaluator::new(&setup, base).unwrap().measure(&shot.samples, reading.wall_temperature);
        reading.level = limits.level(&reading.measurement, reading.place.course);
        view.reading = Some(reading);
        view.waveform = Some(Waveform { base, samples: shot.samples.clone() });
        view.setup = Arc::new(setup.clone());
        view.limits = Arc::new(limits);
    });
    let screen = text(&app, 80, 24);
    assert!(screen.contains("WATCH") && screen.contains("U reaches below 6.20"), "{screen}");
    update(&mut app, letter('i'));
    snap!("scan_origin", &app);
    // Every input is there, on as many pages as it takes.
    let mut pages = text(&app, 80, 24);
    for _ in 0..4 {
        update(&mut app, key(KeyCode::PageDown));
        pages += &text(&app, 80, 24);
    }
    for words in ["gate", "picker", "velocity", "block", "before the run", "uncertainty budget", "coupling", "from its waveform: the same"]
    {
        assert!(pages.contains(words), "{words}: {pages}");
    }
    update(&mut app, key(KeyCode::Esc));
    assert!(text(&app, 80, 24).contains("wall, cal pending"));
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
    // A run that a failed verification makes suspect is called so, in the list and beneath it.
    let mut job = ready();
    for run in &mut job.runs {
        run.start.setup_id = Some(1);
    }
    let measured = Some(Length::mm(10.4));
    let (truth, spread, tolerance) = (Length::mm(10.0), Length::mm(0.01), Length::mm(0.1));
    let (temperature, by) = (Temperature::celsius(20.0), Signed { at_us: NOW, ..signed() });
    job.checks.push(Check { setup_id: 1, block: "SB-4".into(), truth, measured, spread, shots: 32, tolerance, temperature, by });
    let screen = text(&app(Step::Review, job), 80, 24);
    assert!(screen.contains("SUSPECT") && screen.contains("calibration SUSPECT: verification after it failed"), "{screen}");
}

#[test]
fn looks() {
    for glyphs in [Glyphs::HalfBlock, Glyphs::Ascii] {
        let mut app = scanning(Direction::Up);
        app.look.glyphs = glyphs;
        insta::assert_snapshot!(format!("scan_up_{}", glyphs.word()), text(&app, 80, 24));
    }
}

/// The cells of one row that carry `words`, with their styles.
fn styles_of(app: &App, width: u16, height: u16, words: &str) -> Vec<Style> {
    let terminal = render(app, width, height);
    let buffer = terminal.backend().buffer();
    for y in 0..height {
        let cells: Vec<String> = (0..width).map(|x| buffer[(x, y)].symbol().to_owned()).collect();
        for x in 0..cells.len() {
            if cells[x..].concat().starts_with(words) {
                return (x..x + words.chars().count()).map(|x| buffer[(x as u16, y)].style()).collect();
            }
        }
    }
    panic!("'{words}' is not on screen:\n{}", text(app, width, height));
}

#[test]
fn thin_is_a_word_a_glyph_and_reverse_video_in_every_theme() {
    for theme in Theme::ALL {
        let mut app = scanning(Direction::Up);
        app.look.theme = theme;
        for style in styles_of(&app, 80, 24, "◆ THIN 5.79") {
            let black_on_white = style.fg == Some(Color::Indexed(231)) && style.bg == Some(Color::Indexed(16));
            assert!(style.add_modifier.contains(Modifier::REVERSED) || black_on_white, "{theme:?}: {style:?}");
        }
        // A stretch without an echo is told apart from sound wall without colour as well.
        styles_of(&app, 80, 24, "○ NO ECHO");
        styles_of(&app, 80, 24, "no echo");
    }
}

#[test]
fn sunlight_paints_every_cell_black_on_white_or_white_on_black_and_nothing_is_dim() {
    let mut app = scanning(Direction::Up);
    app.look.theme = Theme::Sunlight;
    let terminal = render(&app, 80, 24);
    for cell in &terminal.backend().buffer().content {
        let (black, white) = (Color::Indexed(16), Color::Indexed(231));
        assert!([(black, white), (white, black)].contains(&(cell.fg, cell.bg)), "{cell:?}");
        assert!(!cell.modifier.contains(Modifier::DIM), "{cell:?}");
    }
}

#[test]
fn mono_has_no_colour_anywhere() {
    let mut app = scanning(Direction::Up);
    app.look.theme = Theme::Mono;
    for cell in &render(&app, 190, 50).backend().buffer().content {
        assert_eq!((cell.fg, cell.bg), (Color::Reset, Color::Reset));
    }
}

#[test]
fn every_theme_shows_the_same_letters() {
    let plain = text(&scanning(Direction::Up), 80, 24);
    for theme in Theme::ALL {
        let mut app = scanning(Direction::Up);
        app.look.theme = theme;
        assert_eq!(text(&app, 80, 24), plain, "{theme:?}");
    }
}

#[test]
fn ascii_uses_nothing_but_ascii() {
    for direction in [Direction::Up, Direction::Across] {
        let mut app = scanning(direction);
        app.look.glyphs = Glyphs::Ascii;
        for step in Step::ALL {
            app.step = step;
            for (width, height) in SIZES {
                let screen = text(&app, width, height);
                assert!(screen.is_ascii(), "{step:?}: {:?}\n{screen}", screen.chars().find(|c| !c.is_ascii()));
            }
        }
    }
}

#[test]
fn the_half_block_set_keeps_to_what_the_old_console_fonts_hold() {
    // The block, box and arrow signs of code page 437 as listed in its Unicode mapping (unicode.org,
    // VENDORS/MICSFT/PC/CP437.TXT), with Latin-1 beside them.
    const HELD: &str = "░▒▓│┤╡╢╖╕╣║╗╝╜╛┐└┴┬├─┼╞╟╚╔╩╦╠═╬╧╨╤╥╙╘╒╓╫╪┘┌█▄▌▐▀■▲►▼◄↑↓→←○●";
    for direction in [Direction::Up, Direction::Across] {
        let mut app = scanning(direction);
        app.look.glyphs = Glyphs::HalfBlock;
        for step in Step::ALL {
            app.step = step;
            for c in text(&app, 190, 50).chars() {
                assert!(c as u32 <= 0xff || HELD.contains(c), "{c} in {step:?}");
            }
        }
    }
}

#[test]
fn too_small_says_what_it_needs_and_that_recording_goes_on() {
    let screen = text(&scanning(Direction::Up), 59, 19);
    insta::assert_snapshot!("too_small", screen);
    assert!(screen.contains("60 by 20") && screen.contains("Recording goes on"));
    assert!(!text(&app(Step::Prepare, contents()), 59, 24).contains("Recording"));
    // Any size is drawn without trouble, down to nothing.
    for (width, height) in [(0, 0), (1, 1), (10, 3), (60, 20), (61, 21), (80, 20), (60, 100), (300, 20), (119, 30), (120, 30), (300, 100)] {
        for direction in [Direction::Up, Direction::Down, Direction::Across] {
            for glyphs in Glyphs::ALL {
                let mut app = scanning(direction);
                app.look.glyphs = glyphs;
                for step in Step::ALL {
                    app.step = step;
                    render(&app, width, height);
                }
            }
        }
    }
}

#[test]
fn inches_are_shown_with_a_thousandth() {
    let mut app = scanning(Direction::Up);
    app.look.unit = LengthUnit::Inch;
    let screen = text(&app, 80, 24);
    insta::assert_snapshot!("scan_up_inch", screen);
    // 5.79 mm is 0.228 in, 6.20 mm is 0.244 in (1 in = 25.4 mm exactly, international inch).
    assert!(screen.contains("0.228 in") && screen.contains("0.244"), "{screen}");
}

#[test]
fn notes_and_names_cannot_steer_the_terminal() {
    let mut app = scanning(Direction::Up);
    {
        let scan = app.scan.as_ref().unwrap();
        let mut wall = scan.wall.lock().unwrap();
        wall.notes[0].text = "\u{1b}[2J\u{1b}]0;gone\u{7}pit\u{202e}ting".into();
    }
    change(&mut app, |view| {
        view.telemetry.device = Some("crawler\u{1b}c".into());
        view.link.what = "serial:\u{9b}31mPORT".into();
        view.checklist_override = Some("no\u{1b}[31m wind gauge".into());
    });
    for (width, height) in SIZES {
        let terminal = render(&app, width, height);
        for cell in &terminal.backend().buffer().content {
            assert!(!cell.symbol().chars().any(|c| c.is_control() || c == '\u{202e}'), "{:?}", cell.symbol());
        }
    }
    assert!(text(&app, 190, 50).contains("·[2J·]0;gone·pitting"), "{}", text(&app, 190, 50));
}

#[test]
fn no_echo_shows_no_number_and_says_why() {
    let mut app = scanning(Direction::Up);
    change(&mut app, |view| {
        view.reading = Some(no_echo(4349.8));
        view.gap = Some(Length::mm(14.0));
    });
    let screen = text(&app, 80, 24);
    insta::assert_snapshot!("scan_no_echo", screen);
    assert!(
        screen.contains("○ NO ECHO") && screen.contains("no echo for 14 mm of 10 mm, TOO LONG") && screen.contains("no-coupling"),
        "{screen}"
    );
}

#[test]
fn an_old_reading_does_not_stand_there_as_if_it_were_now() {
    let mut app = scanning(Direction::Up);
    backwall::console::update::update(&mut app, Event::Clock(NOW + 7_000_000));
    let screen = text(&app, 80, 24);
    assert!(screen.contains("OLD 7 s") && screen.starts_with(" NO DATA: last byte 7 s ago"), "{screen}");
    assert!(!screen.contains("· CLEAR ─"), "{screen}");
}

#[test]
fn saving_that_falls_behind_changes_its_words_and_a_fault_takes_the_header() {
    let header = |f: &dyn Fn(&mut backwall::live::LiveView)| {
        let mut app = scanning(Direction::Up);
        change(&mut app, |view| f(view));
        text(&app, 100, 24).lines().next().unwrap().to_owned()
    };
    assert!(header(&|_| {}).contains("REC saved 4.340 m  "));
    assert!(header(&|view| view.saved.at_us = NOW - 800_000).contains("REC saved 4.340 m, 0.8 s behind"));
    assert!(header(&|view| view.saved.at_us = NOW - 2_400_000).contains("SAVING SLOW: saved 4.340 m, 2.4 s behind"));
    let fault = header(&|view| view.saved.fault = Some("the disk is full".into()));
    assert!(fault.starts_with(" NOT SAVED (saved up to 4.340 m): the disk is full"), "{fault}");
    let down = header(&|view| view.phase = Phase::LinkDown("the port is gone".into()));
    assert!(down.starts_with(" LINK DOWN, saved up to 4.340 m: the port is gone; trying again"), "{down}");
    let unfit = header(&|view| view.link.fault = Some("bytes come, none fit the profile open-packet: wrong profile?".into()));
    assert!(unfit.starts_with(" LINK: bytes come, none fit the profile open-packet: wrong profile?"), "{unfit}");
}

#[test]
fn a_zoomed_out_row_still_shows_the_thin_place() {
    let mut app = scanning(Direction::Up);
    for _ in 0..9 {
        backwall::console::update::update(&mut app, letter('-'));
        // The alarm line is taken away, so that only the section can say it.
        let screen = text(&app, 80, 24);
        let section: String = screen.lines().take(22).map(|line| line.chars().take(40).collect::<String>() + "\n").collect();
        assert!(section.contains("◆ THIN 5.79"), "{section}");
    }
}

#[test]
fn overlays() {
    let mut app = scanning(Direction::Up);
    backwall::console::update::update(&mut app, letter('?'));
    insta::assert_snapshot!("help_80x24", text(&app, 80, 24));
    let mut app = scanning(Direction::Up);
    backwall::console::update::update(&mut app, letter('n'));
    type_in(&mut app, "rust under cladding");
    insta::assert_snapshot!("note_80x24", text(&app, 80, 24));
    let mut app = self::app(Step::Calibrate, ready());
    backwall::console::update::update(&mut app, letter('e'));
    type_in(&mut app, "0000");
    for _ in 0..10 {
        backwall::console::update::update(&mut app, key(ratatui::crossterm::event::KeyCode::Enter));
    }
    backwall::console::update::update(&mut app, key(ratatui::crossterm::event::KeyCode::Enter));
    insta::assert_snapshot!("setup_80x24", text(&app, 80, 24));
    let mut app = self::app(Step::Scan, contents());
    backwall::console::update::update(&mut app, letter('G'));
    insta::assert_snapshot!("test_card_80x24", text(&app, 80, 24));
}

#[test]
fn a_run_that_has_ended() {
    let mut app = scanning(Direction::Up);
    change(&mut app, |view| view.phase = Phase::Ended(Box::new(summary(3, "A090", RunState::Closed))));
    insta::assert_snapshot!("scan_ended_80x24", text(&app, 80, 24));
}
