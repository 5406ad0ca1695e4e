//! A picture for a terminal that takes its bytes slowly: drawn with as few bytes as it can be, and in pieces, what matters most first. Between
//! two pieces there is room for a key, and what is drawn next is of now.

use super::Owed;
use super::terminal::Frame;
use crate::console::text;
use ratatui::backend::{Backend, ClearType, CrosstermBackend, WindowSize};
use ratatui::buffer::Cell;
use ratatui::layout::{Position, Size};
use ratatui::style::{Color, Modifier, Style};
use std::io;
use std::ops::Range;

/// Beneath the top line: rows that go out together, so that the number that is read now is never half of one and half of another. As high as
/// the reading is beneath the rows of other channels.
const READING_ROWS: u16 = 11;
/// So do those at the bottom: alarm, message, keys.
const LOW_ROWS: u16 = 5;
/// All others go out so many at a time.
const BAND_ROWS: u16 = 4;
/// A move of the cursor takes as many bytes as so many letters.
const GAP: usize = 6;

/// Rows that go out together.
#[derive(Debug)]
struct Band {
    rows: Range<u16>,
    /// In which piece it went out last; 0 where that was before somebody asked for a picture.
    sent: u64,
    /// Of the picture that was asked for.
    is_asked: bool,
}

pub struct SparingBackend {
    inner: CrosstermBackend<Frame>,
    frame: Frame,
    /// How large the terminal is now.
    now: fn() -> io::Result<Size>,
    size: Size,
    /// As they are to be on the terminal, and which of them are not there yet.
    cells: Vec<Cell>,
    pending: Vec<bool>,
    bands: Vec<Band>,
    pieces: u64,
    /// How many bytes a piece should have; where none is said a picture goes out whole.
    pub piece: Option<usize>,
    is_asked: bool,
    is_cursor_hidden: bool,
}

fn bands(height: u16) -> Vec<Band> {
    let low = height.saturating_sub(LOW_ROWS).max(1);
    let reading = (1 + READING_ROWS).min(low);
    let mut rows = vec![0..1, low..height, 1..reading];
    rows.extend((reading..low).step_by(usize::from(BAND_ROWS)).map(|from| from..(from + BAND_ROWS).min(low)));
    rows.into_iter().map(|rows| Band { rows, sent: 0, is_asked: false }).collect()
}

/// Whether nothing of a style is seen where there is no letter.
fn is_unseen_on_blank(cell: &Cell) -> bool {
    let seen = Modifier::REVERSED | Modifier::UNDERLINED | Modifier::CROSSED_OUT;
    cell.bg == Color::Reset && !cell.modifier.intersects(seen)
}

fn style_of(cell: &Cell) -> Style {
    cell.style()
}

impl SparingBackend {
    pub fn new(frame: Frame, now: fn() -> io::Result<Size>) -> Self {
        Self {
            inner: CrosstermBackend::new(frame.clone()),
            frame,
            now,
            size: Size::default(),
            cells: Vec::new(),
            pending: Vec::new(),
            bands: Vec::new(),
            pieces: 0,
            piece: None,
            is_asked: false,
            is_cursor_hidden: false,
        }
    }

    /// The next picture was asked for by somebody: all of it comes before what changes by itself.
    pub fn ask(&mut self) {
        self.is_asked = true;
    }

    /// What is still to be drawn of the picture.
    pub fn rest(&self) -> Owed {
        match self.bands.iter().filter(|band| self.is_pending(band)).map(|band| band.is_asked).max() {
            None => Owed::Nothing,
            Some(true) => Owed::Key,
            Some(false) => Owed::News,
        }
    }

    fn blank(&mut self, size: Size) {
        let count = usize::from(size.width) * usize::from(size.height);
        self.size = size;
        self.cells = vec![Cell::default(); count];
        self.pending = vec![false; count];
        self.bands = bands(size.height);
    }

    fn of_row(&self, row: u16) -> Range<usize> {
        let width = usize::from(self.size.width);
        usize::from(row) * width..(usize::from(row) + 1) * width
    }

    fn is_pending(&self, band: &Band) -> bool {
        band.rows.clone().any(|row| self.pending[self.of_row(row)].contains(&true))
    }

    /// The cells of a band that are not there yet; what lies between two of them and costs less than a move of the cursor is drawn again.
    fn cells_of(&self, band: &Band) -> Vec<(u16, u16, Cell)> {
        let mut found: Vec<(u16, u16, Cell)> = Vec::new();
        for y in band.rows.clone() {
            let (cells, pending) = (&self.cells[self.of_row(y)], &self.pending[self.of_row(y)]);
            let mut last: Option<usize> = None;
            for x in (0..cells.len()).filter(|x| pending[*x]) {
                if let Some(last) = last.filter(|_| self.piece.is_some())
                    && is_cheaper_than_a_move(&cells[last..x])
                {
                    found.extend((last + 1..x).map(|x| (x as u16, y, cells[x].clone())));
                }
                found.push((x as u16, y, cells[x].clone()));
                last = Some(x);
            }
        }
        if self.piece.is_some() {
            for index in 1..found.len() {
                let style = style_of(&found[index - 1].2);
                let is_unseen = is_unseen_on_blank(&found[index].2) && is_unseen_on_blank(&found[index - 1].2);
                // A blank keeps the style before it, which then need not be changed twice.
                if is_unseen && found[index].2.symbol() == " " {
                    found[index].2.set_style(Style::reset()).set_style(style);
                }
            }
        }
        found
    }

    fn send(&mut self, index: usize) -> io::Result<()> {
        let found = self.cells_of(&self.bands[index]);
        self.inner.draw(found.iter().map(|(x, y, cell)| (*x, *y, cell)))?;
        for row in self.bands[index].rows.clone() {
            let of_row = self.of_row(row);
            self.pending[of_row].fill(false);
        }
        let band = &mut self.bands[index];
        (band.sent, band.is_asked) = (self.pieces, false);
        Ok(())
    }
}

/// Cells between two that are drawn, the first of which is: whether drawing them again takes no more bytes than a move.
fn is_cheaper_than_a_move(cells: &[Cell]) -> bool {
    let Some((first, between)) = cells.split_first() else { return false };
    let bytes: usize = between.iter().map(|cell| cell.symbol().len()).sum();
    let is_alike =
        |cell: &Cell| style_of(cell) == style_of(first) || cell.symbol() == " " && is_unseen_on_blank(cell) && is_unseen_on_blank(first);
    // A wide letter has two cells, of which the second is not to be drawn.
    bytes <= GAP && cells.iter().all(|cell| text::columns(cell.symbol()) == 1) && between.iter().all(is_alike)
}

impl Backend for SparingBackend {
    type Error = io::Error;

    fn draw<'a, I>(&mut self, content: I) -> io::Result<()>
    where
        I: Iterator<Item = (u16, u16, &'a Cell)>,
    {
        let size = (self.now)()?;
        if size != self.size {
            self.blank(size);
        }
        for (x, y, cell) in content.filter(|(x, y, _)| *x < size.width && *y < size.height) {
            let index = usize::from(y) * usize::from(size.width) + usize::from(x);
            self.cells[index] = cell.clone();
            self.pending[index] = true;
            // The second cell of a wide letter is part of it: what was to be drawn there is no more.
            let wide = text::columns(cell.symbol()).saturating_sub(1).min(usize::from(size.width - x) - 1);
            self.cells[index + 1..=index + wide].fill(Cell::default());
            self.pending[index + 1..=index + wide].fill(false);
        }
        let waiting: Vec<bool> = self.bands.iter().map(|band| self.is_pending(band)).collect();
        if std::mem::take(&mut self.is_asked) {
            self.bands.iter_mut().zip(&waiting).for_each(|(band, is_pending)| (band.sent, band.is_asked) = (0, *is_pending));
        }
        self.pieces += 1;
        // The top line always; then what has waited longest, and of what has waited as long what matters most.
        let mut order: Vec<usize> = (0..self.bands.len()).filter(|index| waiting[*index]).collect();
        order.sort_by_key(|index| (*index > 0, self.bands[*index].sent, *index));
        let before = self.frame.len();
        for index in order {
            self.send(index)?;
            if self.piece.is_some_and(|piece| self.frame.len() - before >= piece) {
                break;
            }
        }
        Ok(())
    }

    fn hide_cursor(&mut self) -> io::Result<()> {
        if std::mem::replace(&mut self.is_cursor_hidden, true) { Ok(()) } else { self.inner.hide_cursor() }
    }

    fn show_cursor(&mut self) -> io::Result<()> {
        self.is_cursor_hidden = false;
        self.inner.show_cursor()
    }

    fn get_cursor_position(&mut self) -> io::Result<Position> {
        self.inner.get_cursor_position()
    }

    fn set_cursor_position<P: Into<Position>>(&mut self, position: P) -> io::Result<()> {
        self.inner.set_cursor_position(position)
    }

    fn clear(&mut self) -> io::Result<()> {
        self.clear_region(ClearType::All)
    }

    fn clear_region(&mut self, clear_type: ClearType) -> io::Result<()> {
        if clear_type == ClearType::All {
            let size = (self.now)()?;
            self.blank(size);
        }
        self.inner.clear_region(clear_type)
    }

    fn size(&self) -> io::Result<Size> {
        (self.now)()
    }

    fn window_size(&mut self) -> io::Result<WindowSize> {
        self.inner.window_size()
    }

    fn flush(&mut self) -> io::Result<()> {
        Backend::flush(&mut self.inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use ratatui::Terminal;

    const SIZE: Size = Size { width: 60, height: 24 };

    /// A terminal and what is on it.
    struct Glass {
        terminal: Terminal<SparingBackend>,
        frame: Frame,
        screen: vt100::Parser,
        bytes: usize,
    }

    impl Glass {
        fn new(piece: Option<usize>) -> Self {
            let frame = Frame::default();
            let mut terminal = Terminal::new(SparingBackend::new(frame.clone(), || Ok(SIZE))).unwrap();
            terminal.backend_mut().piece = piece;
            Self { terminal, frame, screen: vt100::Parser::new(SIZE.height, SIZE.width, 0), bytes: 0 }
        }
        fn draw(&mut self, picture: &Picture) -> Owed {
            let drawn = |frame: &mut ratatui::Frame| {
                for (x, y, letter, style) in picture {
                    frame.buffer_mut().set_string(*x, *y, LETTERS[*letter], STYLES[*style]);
                }
            };
            self.terminal.draw(drawn).unwrap();
            let bytes = self.frame.take();
            self.bytes += bytes.len();
            self.screen.process(&bytes);
            self.terminal.backend().rest()
        }
        fn row(&self, row: u16) -> String {
            self.screen.screen().contents_between(row, 0, row, SIZE.width)
        }
    }

    /// Letters with their styles at places.
    type Picture = Vec<(u16, u16, usize, usize)>;
    const LETTERS: [&str; 6] = ["7", "mm", " ", "─", "⣿", "±"];
    const STYLES: [Style; 4] = [
        Style::new(),
        Style::new().add_modifier(Modifier::DIM),
        Style::new().fg(Color::Indexed(74)),
        Style::new().add_modifier(Modifier::REVERSED),
    ];

    fn pictures() -> impl Strategy<Value = Vec<Picture>> {
        let letter = (0..SIZE.width - 2, 0..SIZE.height, 0..LETTERS.len(), 0..STYLES.len());
        proptest::collection::vec(proptest::collection::vec(letter, 0..300), 1..5)
    }

    /// What is seen: letters, and where it shows how they are drawn.
    fn seen(screen: &vt100::Screen) -> Vec<(String, bool, bool, vt100::Color)> {
        let cell = |(y, x)| {
            let cell = screen.cell(y, x).unwrap();
            let letter = if cell.has_contents() { cell.contents().to_owned() } else { " ".to_owned() };
            match letter.as_str() {
                // Of a blank nothing but a ground of its own is seen.
                " " => (letter, false, cell.inverse(), vt100::Color::Default),
                _ => (letter, cell.dim(), cell.inverse(), cell.fgcolor()),
            }
        };
        (0..SIZE.height).flat_map(|y| (0..SIZE.width).map(move |x| (y, x))).map(cell).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]
        /// Whatever was drawn before and however small the pieces, in the end the newest picture is there, as if it had been drawn whole.
        #[test]
        fn pieces_make_the_picture_that_is_drawn_whole(pictures in pictures(), piece in 1usize..900) {
            let (mut whole, mut sparing) = (Glass::new(None), Glass::new(Some(piece)));
            for picture in &pictures {
                prop_assert_eq!(whole.draw(picture), Owed::Nothing);
                sparing.terminal.backend_mut().ask();
                sparing.draw(picture);
            }
            let newest = pictures.last().unwrap();
            let mut pieces = 0;
            while sparing.draw(newest) != Owed::Nothing {
                pieces += 1;
                prop_assert!(pieces < 20, "it never ends");
            }
            let (whole, sparing) = (seen(whole.screen.screen()), seen(sparing.screen.screen()));
            let differs = (0..whole.len()).find(|index| whole[*index] != sparing[*index]).map(|index| {
                let width = usize::from(SIZE.width);
                format!("row {}, column {}: {:?} and {:?}", index / width, index % width, whole[index], sparing[index])
            });
            prop_assert_eq!(differs, None);
        }
    }

    #[test]
    fn the_top_line_and_the_keys_come_first_then_the_reading_in_one_piece_and_a_key_is_never_behind_what_is_old() {
        let full = |letter: usize| -> Picture { (0..SIZE.height).flat_map(|y| (0..29).map(move |x| (x * 2, y, letter, 0))).collect() };
        let mut glass = Glass::new(Some(300));
        glass.terminal.backend_mut().ask();
        assert_eq!(glass.draw(&full(1)), Owed::Key);
        assert!(glass.row(0).starts_with("mmmm") && glass.row(SIZE.height - 1).starts_with("mmmm") && glass.row(1).is_empty());
        glass.draw(&full(1));
        assert!((1..=READING_ROWS).all(|row| glass.row(row).starts_with("mmmm")) && glass.row(READING_ROWS + 1).is_empty());
        // Asked anew: what was not drawn yet waits.
        glass.terminal.backend_mut().ask();
        glass.draw(&full(4));
        assert!(glass.row(0).starts_with('⣿') && glass.row(SIZE.height - 1).starts_with('⣿') && glass.row(READING_ROWS + 1).is_empty());
        while glass.draw(&full(4)) != Owed::Nothing {}
        // What changes by itself afterwards is no answer to a key.
        assert_eq!(glass.draw(&full(1)), Owed::News);
    }

    /// What was to be drawn where the second half of a wide letter is now comes no more.
    #[test]
    fn a_wide_letter_is_not_drawn_over_by_what_was_there_before_it() {
        let mut glass = Glass::new(Some(1));
        let busy: Picture = (0..20).map(|x| (x, 0, 0, 0)).collect();
        glass.draw(&busy.iter().copied().chain([(11, 14, 0, 0)]).collect());
        let frame = |frame: &mut ratatui::Frame| {
            frame.buffer_mut().set_string(10, 14, "漢", Style::new());
        };
        for _ in 0..8 {
            glass.terminal.draw(frame).unwrap();
        }
        glass.screen.process(&glass.frame.take());
        assert_eq!((glass.row(14).trim(), glass.terminal.backend().rest()), ("漢", Owed::Nothing));
    }

    // Arithmetic: each of 20 dim letters with a blank behind it takes a move of the cursor and two changes of style where that is not spared.
    #[test]
    fn blanks_between_letters_cost_no_moves_and_no_changes_of_style() {
        let dots: Picture = (0..20).map(|x| (x * 2, 3, 0, 1)).collect();
        let bytes = |piece| {
            let mut glass = Glass::new(piece);
            glass.draw(&dots);
            glass.bytes
        };
        let (whole, sparing) = (bytes(None), bytes(Some(10_000)));
        assert!(sparing * 2 < whole, "{sparing} of {whole}");
    }
}
