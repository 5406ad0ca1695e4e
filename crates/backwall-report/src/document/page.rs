//! Paper being filled: a sheet, how far down it is full, and the next one when it is.

use super::wrap::Type;
use super::{BOTTOM, Paper, SIDE, TOP};
use crate::figure::{Anchor, Figure, FigureItem, FigurePoint, Ink, Stroke, Text, point, rectangle};

/// A finished page: everything on it but logo and photos, which are no drawings.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    pub figure: Figure,
    pub logo: Option<PagePlace>,
    /// Photos by their number in the document, and where each stands.
    pub pictures: Vec<(usize, PagePlace)>,
}

/// A rectangle on a page, millimetres from its upper left corner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PagePlace {
    pub x: f64,
    pub y: f64,
    pub width: f64,
    pub height: f64,
}

/// A heading and where it stands, for the list a reader jumps by.
#[derive(Debug, Clone, PartialEq)]
pub struct PageEntry {
    pub level: u8,
    pub text: String,
    /// From 0.
    pub page: usize,
    pub y: f64,
}

/// All pages of a document.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pages {
    pub pages: Vec<Page>,
    pub outline: Vec<PageEntry>,
}

/// The pages so far and the place where the next thing goes.
pub(super) struct PaperSheet {
    paper: Paper,
    pub done: Pages,
    /// Where the next thing starts.
    pub y: f64,
    /// Photos put down so far.
    pub pictures: usize,
}

impl PaperSheet {
    pub fn new(paper: Paper) -> Self {
        let mut sheet = Self { paper, done: Pages::default(), y: TOP, pictures: 0 };
        sheet.turn();
        sheet
    }

    /// Starts a new page.
    pub fn turn(&mut self) {
        let (width, height) = self.paper.size();
        self.done.pages.push(Page { figure: Figure::new("", width, height), logo: None, pictures: Vec::new() });
        self.y = TOP;
    }

    pub fn left(&self) -> f64 {
        SIDE
    }
    pub fn width(&self) -> f64 {
        self.paper.text_width()
    }
    /// How much of this page is free.
    pub fn room(&self) -> f64 {
        self.paper.size().1 - BOTTOM - self.y
    }
    pub fn is_fresh(&self) -> bool {
        self.y <= TOP
    }
    /// Turns the page if a thing of this height does not fit, but would on a fresh one.
    pub fn need(&mut self, height: f64) {
        if height > self.room() && !self.is_fresh() {
            self.turn();
        }
    }
    /// Space between two things; none at the top of a page.
    pub fn gap(&mut self, height: f64) {
        if !self.is_fresh() {
            self.y += height;
        }
    }

    pub fn page(&mut self) -> &mut Page {
        if self.done.pages.is_empty() {
            self.turn();
        }
        let last = self.done.pages.len() - 1;
        &mut self.done.pages[last]
    }

    /// A line of text whose baseline lies `down` below the present place.
    pub fn text(&mut self, x: f64, down: f64, kind: Type, anchor: Anchor, ink: Ink, text: &str) {
        let at = point(x, self.y + down);
        let text = Text { weight: kind.weight, ..Text::new(at, text, kind.size) };
        self.page().figure.text(text.anchored(anchor).ink(ink));
    }

    pub fn area(&mut self, x: f64, down: f64, width: f64, height: f64, ink: Ink) {
        let y = self.y + down;
        self.page().figure.areas(vec![rectangle(x, y, width, height)], ink);
    }

    pub fn rule(&mut self, x: f64, down: f64, width: f64, stroke: Stroke) {
        let y = self.y + down;
        self.page().figure.line(point(x, y), point(x + width, y), stroke);
    }

    /// Lines of wrapped text, turning the page where it is full.
    pub fn lines(&mut self, x: f64, kind: Type, ink: Ink, lines: &[String]) {
        for line in lines {
            self.need(kind.line());
            self.text(x, kind.size, kind, Anchor::Start, ink, line);
            self.y += kind.line();
        }
    }
}

/// Room that a figure leaves on its page for a heading over it and words under it.
const BESIDE_FIGURE: f64 = 26.0;

/// A figure made smaller, lines and letters too, where it would not fit on a page.
pub(super) fn fitted(figure: Figure, paper: Paper) -> Figure {
    let most = (paper.text_width() / figure.width).min((paper.text_height() - BESIDE_FIGURE) / figure.height);
    if most >= 1.0 || !(most.is_finite() && most > 0.0) { figure } else { smaller(figure, most) }
}

/// A figure at a part of its size, lines and letters too.
pub(super) fn smaller(figure: Figure, most: f64) -> Figure {
    let small = |it: FigurePoint| point(it.x * most, it.y * most);
    let all = |paths: Vec<Vec<FigurePoint>>| paths.into_iter().map(|path| path.into_iter().map(small).collect()).collect();
    let items = figure.items.into_iter().map(|item| match item {
        FigureItem::Lines { lines, stroke } => {
            FigureItem::Lines { lines: all(lines), stroke: Stroke { width: stroke.width * most, ..stroke } }
        }
        FigureItem::Areas { areas, ink } => FigureItem::Areas { areas: all(areas), ink },
        FigureItem::Text(text) => FigureItem::Text(Text { at: small(text.at), size: text.size * most, ..text }),
    });
    Figure { width: figure.width * most, height: figure.height * most, items: items.collect(), ..figure }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_too_large_for_its_page_is_made_smaller_as_a_whole() {
        let mut figure = Figure::new("tall", 180.0, 400.0);
        figure.text(Text::new(point(90.0, 400.0), "A", 4.0));
        for paper in [Paper::A4, Paper::Letter] {
            let small = fitted(figure.clone(), paper);
            let scale = small.width / 180.0;
            assert!(small.height <= paper.text_height() - BESIDE_FIGURE + 1e-9 && (small.height / 400.0 - scale).abs() < 1e-12);
            assert!(
                matches!(&small.items[0], FigureItem::Text(text) if (text.at.x - 90.0 * scale).abs() < 1e-9 && text.size == 4.0 * scale)
            );
        }
        let fits = Figure::new("", 85.0, 60.0);
        assert_eq!(fitted(fits.clone(), Paper::A4), fits);
    }
}
