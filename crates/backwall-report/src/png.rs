//! A figure as PNG: the same items as in every other format, text drawn from the font's outlines.

use super::figure::{Anchor, Dash, Figure, FigureItem, FigurePoint, Ink, Stroke, Text, font};
use crc::{CRC_32_ISO_HDLC, Crc};
use tiny_skia::{FillRule, LineJoin, Paint, Path, PathBuilder, Pixmap, StrokeDash, Transform};
use ttf_parser::OutlineBuilder;

/// Dots per inch that print well.
pub const DOTS_PER_INCH: u32 = 200;

#[derive(Debug, thiserror::Error)]
pub enum PngError {
    #[error("a picture of {width} by {height} mm at {dpi} dots per inch is too large; choose fewer dots")]
    Size { width: f64, height: f64, dpi: u32 },
    #[error("the picture could not be encoded: {0}")]
    Encode(String),
}

pub fn png(figure: &Figure, dpi: u32) -> Result<Vec<u8>, PngError> {
    let scale = f64::from(dpi) / 25.4;
    let size = || PngError::Size { width: figure.width, height: figure.height, dpi };
    let dots = |mm: f64| Some((mm * scale).ceil()).filter(|dots| (1.0..=20_000.0).contains(dots)).map(|dots| dots as u32);
    let (width, height) = dots(figure.width).zip(dots(figure.height)).ok_or_else(size)?;
    let mut sheet = Pixmap::new(width, height).ok_or_else(size)?;
    let [r, g, b] = Ink::White.rgb();
    sheet.fill(tiny_skia::Color::from_rgba8(r, g, b, 255));
    let to_dots = Transform::from_scale(scale as f32, scale as f32);
    for item in &figure.items {
        match item {
            FigureItem::Lines { lines, stroke } => draw_lines(&mut sheet, lines, stroke, to_dots, scale),
            FigureItem::Areas { areas, ink } => {
                if let Some(path) = path(areas, true) {
                    sheet.fill_path(&path, &paint(*ink), FillRule::Winding, to_dots, None);
                }
            }
            FigureItem::Text(text) => draw_text(&mut sheet, text, to_dots),
        }
    }
    sheet.encode_png().map_err(|error| PngError::Encode(error.to_string()))
}

/// What every such file begins with. PNG specification (third edition), 5.2.
pub(super) const SIGNATURE: &[u8; 8] = b"\x89PNG\r\n\x1a\n";

/// Where the header, which is always the first chunk, ends.
const HEADER_ENDS: usize = SIGNATURE.len() + CHUNK_COST + 13;
/// What a chunk has beside its data: length, kind, check.
const CHUNK_COST: usize = 12;
const TEXT: &[u8; 4] = b"tEXt";

/// The picture with a text behind its header, a chunk tEXt; key and words are of plain ASCII. PNG specification, 11.3.3.2.
pub(super) fn with_text(mut picture: Vec<u8>, key: &str, words: &str) -> Vec<u8> {
    let data = [TEXT, key.as_bytes(), &[0], words.as_bytes()].concat();
    let length = (data.len() - TEXT.len()) as u32;
    let chunk = [&length.to_be_bytes()[..], &data, &check(&data).to_be_bytes()].concat();
    let at = HEADER_ENDS.min(picture.len());
    picture.splice(at..at, chunk);
    picture
}

/// The text of that key, and the picture without it.
pub(super) fn text_of(picture: &[u8], key: &str) -> Option<(String, Vec<u8>)> {
    let mut at = SIGNATURE.len();
    loop {
        let length = u32::from_be_bytes(picture.get(at..at + 4)?.try_into().ok()?) as usize;
        let end = at.checked_add(length)?.checked_add(CHUNK_COST)?;
        let chunk = picture.get(at + 4..end)?;
        let (data, stored) = chunk.split_at(length + TEXT.len());
        if let Some(words) = data.strip_prefix(TEXT).and_then(|text| text.strip_prefix(key.as_bytes())?.strip_prefix(&[0])) {
            let words = std::str::from_utf8(words).ok().filter(|_| stored == check(data).to_be_bytes())?;
            return Some((words.to_owned(), [&picture[..at], &picture[end..]].concat()));
        }
        at = end;
    }
}

/// The check of a chunk, over kind and data: CRC-32 of ISO 3309. PNG specification, annex D.
fn check(bytes: &[u8]) -> u32 {
    const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);
    CRC.checksum(bytes)
}

fn paint(ink: Ink) -> Paint<'static> {
    let [r, g, b] = ink.rgb();
    let mut paint = Paint::default();
    paint.set_color_rgba8(r, g, b, 255);
    paint
}

fn draw_lines(sheet: &mut Pixmap, lines: &[Vec<FigurePoint>], stroke: &Stroke, to_dots: Transform, scale: f64) {
    let Some(path) = path(lines, false) else { return };
    // A line thinner than a dot would fade away.
    let width = stroke.width.max(1.0 / scale) as f32;
    let dash = match stroke.dash {
        Dash::Solid => None,
        dash => StrokeDash::new(dash.pattern().iter().map(|length| *length as f32 * width).collect(), 0.0),
    };
    let how = tiny_skia::Stroke { width, line_join: LineJoin::Round, dash, ..tiny_skia::Stroke::default() };
    sheet.stroke_path(&path, &paint(stroke.ink), &how, to_dots, None);
}

fn path(paths: &[Vec<FigurePoint>], closed: bool) -> Option<Path> {
    let mut builder = PathBuilder::new();
    for points in paths.iter().filter(|points| points.len() > 1) {
        for (index, point) in points.iter().enumerate() {
            let (x, y) = (point.x as f32, point.y as f32);
            if index == 0 { builder.move_to(x, y) } else { builder.line_to(x, y) }
        }
        if closed {
            builder.close();
        }
    }
    builder.finish()
}

fn draw_text(sheet: &mut Pixmap, text: &Text, to_dots: Transform) {
    let Some(face) = font::face(text.weight) else { return };
    let start = match text.anchor {
        Anchor::Start => 0.0,
        Anchor::Middle => -text.width() / 2.0,
        Anchor::End => -text.width(),
    };
    let em = text.size / f64::from(face.units_per_em());
    let mut outline = GlyphOutline { path: PathBuilder::new(), x: (start / em) as f32 };
    for c in text.text.chars() {
        let glyph = face.glyph_index(c).unwrap_or_default();
        face.outline_glyph(glyph, &mut outline);
        outline.x += f32::from(face.glyph_hor_advance(glyph).unwrap_or_default());
    }
    let Some(path) = outline.path.finish() else { return };
    let (x, y, em) = (text.at.x as f32, text.at.y as f32, em as f32);
    let place = to_dots.pre_translate(x, y).pre_concat(Transform::from_rotate(-text.turn as f32)).pre_scale(em, -em);
    sheet.fill_path(&path, &paint(text.ink), FillRule::Winding, place, None);
}

/// Collects glyphs one behind the other, in the font's units.
struct GlyphOutline {
    path: PathBuilder,
    x: f32,
}

impl OutlineBuilder for GlyphOutline {
    fn move_to(&mut self, x: f32, y: f32) {
        self.path.move_to(self.x + x, y);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.path.line_to(self.x + x, y);
    }
    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        self.path.quad_to(self.x + x1, y1, self.x + x, y);
    }
    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        self.path.cubic_to(self.x + x1, y1, self.x + x2, y2, self.x + x, y);
    }
    fn close(&mut self) {
        self.path.close();
    }
}

#[cfg(test)]
mod tests {
    use super::super::figure::{point, rectangle};
    use super::*;

    fn dot(png: &[u8], x: u32, y: u32) -> [u8; 3] {
        let sheet = Pixmap::decode_png(png).unwrap();
        let dot = sheet.pixel(x, y).unwrap();
        [dot.red(), dot.green(), dot.blue()]
    }

    #[test]
    fn areas_and_lines_lie_where_they_were_put() {
        let mut figure = Figure::new("test", 25.4, 25.4);
        figure.areas(vec![rectangle(0.0, 0.0, 12.7, 12.7)], Ink::Vermilion);
        figure.line(point(20.0, 0.0), point(20.0, 25.4), Stroke::solid(Ink::Black, 1.0));
        let png = png(&figure, 100).unwrap();
        assert_eq!((dot(&png, 20, 20), dot(&png, 20, 80)), (Ink::Vermilion.rgb(), Ink::White.rgb()));
        assert_eq!(dot(&png, 79, 50), Ink::Black.rgb());
    }

    #[test]
    fn text_puts_ink_between_its_ends_and_not_beyond() {
        for (turn, inside) in [(0.0, rectangle(5.0, 6.0, 15.0, 6.0)), (90.0, rectangle(6.0, 1.0, 6.0, 15.0))] {
            let mut figure = Figure::new("test", 25.4, 25.4);
            let at = if turn == 0.0 { point(6.0, 10.0) } else { point(10.0, 15.0) };
            figure.text(Text::new(at, "MMMM", 3.5).turned(turn));
            let sheet = Pixmap::decode_png(&png(&figure, 100).unwrap()).unwrap();
            let dark = |x: u32, y: u32| sheet.pixel(x, y).is_some_and(|dot| dot.red() < 128);
            let mut inked = 0;
            for (x, y) in (0..100).flat_map(|x| (0..100).map(move |y| (x, y))) {
                if dark(x, y) {
                    inked += 1;
                    let (x, y) = (f64::from(x) * 0.254, f64::from(y) * 0.254);
                    assert!(x >= inside[0].x && x <= inside[2].x && y >= inside[0].y && y <= inside[2].y, "{turn}: ink at {x} {y}");
                }
            }
            assert!(inked > 100, "{turn}: {inked}");
        }
    }

    // The check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms: CBF43926 of "123456789". Another library reads the dots
    // behind the text.
    #[test]
    fn a_text_stands_behind_the_header_and_the_dots_are_as_they_were() {
        assert_eq!(check(b"123456789"), 0xcbf4_3926);
        let mut figure = Figure::new("test", 25.4, 25.4);
        figure.areas(vec![rectangle(0.0, 0.0, 12.7, 12.7)], Ink::Vermilion);
        let plain = png(&figure, 100).unwrap();
        let told = with_text(plain.clone(), "Seal", "words");
        assert_eq!(text_of(&told, "Seal"), Some(("words".to_owned(), plain.clone())));
        assert_eq!((text_of(&told, "Sea"), text_of(&plain, "Seal")), (None, None));
        assert_eq!((dot(&told, 20, 20), dot(&told, 20, 80)), (Ink::Vermilion.rgb(), Ink::White.rgb()));
        let mut damaged = told.clone();
        damaged[HEADER_ENDS + 14] ^= 1;
        assert_eq!(text_of(&damaged, "Seal"), None);
    }

    #[test]
    fn a_picture_too_large_to_hold_is_refused() {
        assert!(matches!(png(&Figure::new("test", 1e6, 1e6), 200), Err(PngError::Size { .. })));
        assert!(matches!(png(&Figure::new("test", f64::NAN, 1.0), 200), Err(PngError::Size { .. })));
    }
}
