//! The font of every figure and report: DejaVu Sans (Bitstream Vera licence, `report/font/LICENSE`). Widths come from
//! here for all formats, so that text stands where it was measured.

use super::LineWeight;
use std::sync::OnceLock;
use ttf_parser::Face;

/// What the font calls itself; for formats that name it.
pub const FAMILY: &str = "DejaVu Sans";

const REGULAR: &[u8] = include_bytes!("../font/DejaVuSans.ttf");
const BOLD: &[u8] = include_bytes!("../font/DejaVuSans-Bold.ttf");

/// The font file, TrueType.
pub const fn data(weight: LineWeight) -> &'static [u8] {
    match weight {
        LineWeight::Regular => REGULAR,
        LineWeight::Bold => BOLD,
    }
}

/// The font, read; `None` only if the program was built with a broken font file.
pub fn face(weight: LineWeight) -> Option<&'static Face<'static>> {
    static FACES: [OnceLock<Option<Face<'static>>>; 2] = [const { OnceLock::new() }; 2];
    let slot = match weight {
        LineWeight::Regular => &FACES[0],
        LineWeight::Bold => &FACES[1],
    };
    slot.get_or_init(|| Face::parse(data(weight), 0).ok()).as_ref()
}

/// Width of a text in millimetres, for a font height in millimetres. No kerning: none is applied when it is drawn.
pub fn width(text: &str, size: f64, weight: LineWeight) -> f64 {
    let Some(face) = face(weight) else {
        return text.chars().count() as f64 * size * 0.6;
    };
    let units: u32 = text.chars().map(|c| u32::from(advance(face, c))).sum();
    f64::from(units) / f64::from(face.units_per_em()) * size
}

fn advance(face: &Face<'_>, c: char) -> u16 {
    let glyph = face.glyph_index(c).unwrap_or_default();
    face.glyph_hor_advance(glyph).unwrap_or_default()
}

/// The text cut to a width, with an ellipsis where something was cut.
pub fn fitted(text: &str, room: f64, size: f64, weight: LineWeight) -> String {
    if width(text, size, weight) <= room {
        return text.to_owned();
    }
    let mut kept = text.to_owned();
    while kept.pop().is_some() {
        let shorter = format!("{}…", kept.trim_end());
        if width(&shorter, size, weight) <= room {
            return shorter;
        }
    }
    String::new()
}

#[cfg(test)]
mod tests {
    use super::*;

    // The advance widths in the font's own hmtx table: "m" 1995 and "i" 569 of 2048 units to the em.
    #[test]
    fn widths_are_those_of_the_font() {
        let close = |got: f64, want: f64| assert!((got - want).abs() < 1e-9, "{got} is not {want}");
        close(width("m", 2048.0, LineWeight::Regular), 1995.0);
        close(width("mi", 2048.0, LineWeight::Regular), 1995.0 + 569.0);
        assert!(width("mm", 3.0, LineWeight::Bold) > width("mm", 3.0, LineWeight::Regular));
        assert_eq!(width("", 3.0, LineWeight::Regular), 0.0);
    }

    #[test]
    fn the_glyphs_the_figures_use_are_in_the_font() {
        for weight in [LineWeight::Regular, LineWeight::Bold] {
            let face = face(weight).unwrap();
            for c in "·▲◆○±µ°–…≥<▽▶éüßЖλ".chars() {
                assert!(face.glyph_index(c).is_some(), "{c} is missing in {weight:?}");
            }
        }
    }

    #[test]
    fn text_that_does_not_fit_ends_in_an_ellipsis() {
        let cut = fitted("a long note about pitting", 20.0, 3.0, LineWeight::Regular);
        assert!(cut.ends_with('…') && width(&cut, 3.0, LineWeight::Regular) <= 20.0, "{cut}");
        assert_eq!(fitted("short", 20.0, 3.0, LineWeight::Regular), "short");
        assert_eq!(fitted("x", 0.1, 3.0, LineWeight::Regular), "");
    }
}
