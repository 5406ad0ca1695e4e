//! The reading in large digits: quadrant blocks, half blocks where they fit, or plain letters.

use super::pen::Pen;
use crate::console::Glyphs;
use font8x8::UnicodeFonts;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Rows large digits take in a set of glyphs.
pub fn height(glyphs: Glyphs) -> u16 {
    if glyphs == Glyphs::Braille { 4 } else { 5 }
}

/// Draws `value` in `area`; answers the columns it took.
pub fn draw(pen: &mut Pen, area: Rect, value: &str, style: Style) -> u16 {
    let count = value.chars().count() as u16;
    // Five characters fit, so that the digits keep their size from 9.99 to 10.00.
    let wide = match pen.look.glyphs {
        Glyphs::Braille => Some(area.width >= 44),
        Glyphs::HalfBlock if area.width >= 44 => Some(true),
        Glyphs::HalfBlock | Glyphs::Ascii => None,
    };
    match wide {
        Some(wide) => {
            let cells = if wide { 8 } else { 4 };
            for (index, c) in value.chars().enumerate() {
                let left = area.x + index as u16 * cells;
                blocks(pen, Rect { x: left, width: cells.min(area.right().saturating_sub(left)), ..area }, c, wide, style);
            }
            area.width.min(count * cells)
        }
        None => plain(pen, area, value, style),
    }
}

/// Quadrant blocks by their pixels: bit 0 upper left, 1 upper right, 2 lower left, 3 lower right.
const QUADRANTS: [char; 16] = [' ', '▘', '▝', '▀', '▖', '▌', '▞', '▛', '▗', '▚', '▐', '▜', '▄', '▙', '▟', '█'];

/// One character of an 8x8 font: two pixels above each other in a cell where it is wide, four where it is not.
fn blocks(pen: &mut Pen, area: Rect, c: char, wide: bool, style: Style) {
    let Some(pixels) = font8x8::BASIC_FONTS.get(c) else { return };
    let lit = |x: u16, y: u16| usize::from(pixels[usize::from(y)] >> x & 1);
    for row in 0..area.height.min(4) {
        for column in 0..area.width {
            let (upper, lower) = (2 * row, 2 * row + 1);
            let (left, right) = if wide { (column, column) } else { (2 * column, 2 * column + 1) };
            let ink = lit(left, upper) | lit(right, upper) << 1 | lit(left, lower) << 2 | lit(right, lower) << 3;
            pen.cell_style(area.x + column, area.y + row, QUADRANTS[ink], style);
        }
    }
}

fn plain(pen: &mut Pen, area: Rect, value: &str, style: Style) -> u16 {
    let ink = if pen.look.glyphs == Glyphs::Ascii { '#' } else { '█' };
    let mut x = area.x;
    for c in value.chars() {
        let (width, rows) = shape(c);
        if x + width > area.right() {
            break;
        }
        for (row, bits) in rows.iter().enumerate().take(usize::from(area.height)) {
            for column in 0..width {
                if bits >> (width - 1 - column) & 1 == 1 {
                    pen.cell_style(x + column, area.y + row as u16, ink, style);
                }
            }
        }
        x += width + 1;
    }
    x - area.x
}

/// Width and five rows of bits of a character.
fn shape(c: char) -> (u16, [u8; 5]) {
    match c {
        '0' => (4, [0b0110, 0b1001, 0b1001, 0b1001, 0b0110]),
        '1' => (4, [0b0010, 0b0110, 0b0010, 0b0010, 0b0111]),
        '2' => (4, [0b1110, 0b0001, 0b0110, 0b1000, 0b1111]),
        '3' => (4, [0b1110, 0b0001, 0b0110, 0b0001, 0b1110]),
        '4' => (4, [0b1001, 0b1001, 0b1111, 0b0001, 0b0001]),
        '5' => (4, [0b1111, 0b1000, 0b1110, 0b0001, 0b1110]),
        '6' => (4, [0b0110, 0b1000, 0b1110, 0b1001, 0b0110]),
        '7' => (4, [0b1111, 0b0001, 0b0010, 0b0100, 0b0100]),
        '8' => (4, [0b0110, 0b1001, 0b0110, 0b1001, 0b0110]),
        '9' => (4, [0b0110, 0b1001, 0b0111, 0b0001, 0b0110]),
        '.' => (1, [0, 0, 0, 0, 1]),
        '-' => (3, [0, 0, 0b111, 0, 0]),
        _ => (2, [0; 5]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn no_two_digits_look_alike() {
        let shapes: HashSet<_> = "0123456789.-".chars().map(shape).collect();
        assert_eq!(shapes.len(), 12);
    }
}
