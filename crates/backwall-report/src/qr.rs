//! A short text as a QR code (ISO/IEC 18004), so that a seal is taken over with a telephone instead of typed: in a terminal as half blocks,
//! on paper as a figure.

use crate::figure::{Figure, FigureItem, FigurePoint, Ink, point};
use qrcode::{Color, EcLevel, QrCode};

/// The light border that a reader needs, in modules (ISO/IEC 18004).
const QUIET: usize = 4;
/// On paper, mm; read by common telephones (common practice, no source).
const MODULE: f64 = 0.6;

/// A code of dark and light modules.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Qr {
    width: usize,
    dark: Vec<bool>,
}

impl Qr {
    /// Of a seal's digest, in capitals, which take fewer modules; `None` of what is too long for a code.
    pub fn of_seal(digest: &str) -> Option<Self> {
        let code = QrCode::with_error_correction_level(digest.to_uppercase(), EcLevel::M).ok()?;
        let (width, colors) = (code.width(), code.into_colors());
        Some(Self { width, dark: colors.into_iter().map(|color| color == Color::Dark).collect() })
    }

    /// Whether a module is dark; the border around is light.
    fn is_dark(&self, x: usize, y: usize) -> bool {
        let inside = |at: usize| at.checked_sub(QUIET).filter(|at| *at < self.width);
        inside(x).zip(inside(y)).is_some_and(|(x, y)| self.dark[y * self.width + x])
    }

    /// Modules from edge to edge, the border included.
    fn whole(&self) -> usize {
        self.width + 2 * QUIET
    }

    /// Two rows of modules in a line of half blocks. The light ones are drawn, as terminals are dark and a reader takes either.
    pub fn half_blocks(&self) -> String {
        let light = |x, y| y < self.whole() && !self.is_dark(x, y);
        let line = |y: usize| {
            (0..self.whole()).map(move |x| match (light(x, y), light(x, y + 1)) {
                (true, true) => '█',
                (true, false) => '▀',
                (false, true) => '▄',
                (false, false) => ' ',
            })
        };
        (0..self.whole()).step_by(2).map(|y| line(y).collect::<String>() + "\n").collect()
    }

    /// As a drawing on white paper.
    pub fn figure(&self, title: &str) -> Figure {
        let size = MODULE * self.whole() as f64;
        let mm = |modules: usize| MODULE * modules as f64;
        let mut areas = Vec::new();
        for y in 0..self.whole() {
            let mut x = 0;
            while x < self.whole() {
                let run = (x..self.whole()).take_while(|x| self.is_dark(*x, y)).count();
                if run > 0 {
                    let (left, right, top, bottom) = (mm(x), mm(x + run), mm(y), mm(y + 1));
                    areas.push(vec![point(left, top), point(right, top), point(right, bottom), point(left, bottom)] as Vec<FigurePoint>);
                }
                x += run.max(1);
            }
        }
        Figure { width: size, height: size, title: title.to_owned(), items: vec![FigureItem::Areas { areas, ink: Ink::Black }] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SEAL: &str = "3b9f0c77d1e64a2f95b8c0de12f47a6688014d5c93ab20fe7761c5d0e8f3124a";

    /// What a reader by others (rqrr) makes of light and dark, each module drawn four pixels wide.
    fn read(whole: usize, is_dark: impl Fn(usize, usize) -> bool) -> String {
        let pixel = |x: usize, y: usize| if is_dark(x / 4, y / 4) { 0 } else { 255 };
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(4 * whole, 4 * whole, pixel);
        let grids = image.detect_grids();
        assert_eq!(grids.len(), 1);
        grids[0].decode().unwrap().1
    }

    // ISO/IEC 18004: 64 alphanumeric characters at level M need version 4 (90; version 3 has 61), of 33 modules (values from memory).
    #[test]
    fn a_reader_by_others_reads_the_seal_off_paper_and_screen() {
        let qr = Qr::of_seal(SEAL).unwrap();
        assert_eq!((qr.width, qr.whole()), (33, 41));
        let figure = qr.figure("seal");
        let FigureItem::Areas { areas, .. } = &figure.items[0] else { panic!() };
        let on_paper = |x: usize, y: usize| {
            let (x, y) = (MODULE * (x as f64 + 0.5), MODULE * (y as f64 + 0.5));
            areas.iter().any(|area| area[0].x < x && x < area[2].x && area[0].y < y && y < area[2].y)
        };
        assert_eq!(read(41, on_paper), SEAL.to_uppercase());
        let screen: Vec<Vec<char>> = qr.half_blocks().lines().map(|line| line.chars().collect()).collect();
        assert_eq!((screen.len(), screen[0].len()), (21, 41), "fits on 80 by 24");
        let on_screen = |x: usize, y: usize| match screen[y / 2][x] {
            '█' => false,
            '▀' => !y.is_multiple_of(2),
            '▄' => y.is_multiple_of(2),
            _ => true,
        };
        assert_eq!(read(41, on_screen), SEAL.to_uppercase());
    }
}
