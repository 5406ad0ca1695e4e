//! Writing cells: the few ways every screen puts text and rules into the buffer.

use crate::console::state::Look;
use crate::console::theme::Role;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

pub struct Pen<'a> {
    pub buffer: &'a mut Buffer,
    pub look: Look,
}

impl<'a> Pen<'a> {
    pub fn new(buffer: &'a mut Buffer, look: Look) -> Self {
        Self { buffer, look }
    }

    /// Writes text, cut to `width` columns; answers the column behind it.
    pub fn put(&mut self, x: u16, y: u16, width: u16, text: &str, role: Role) -> u16 {
        self.put_style(x, y, width, text, self.look.theme.style(role))
    }

    pub fn put_style(&mut self, x: u16, y: u16, width: u16, text: &str, style: Style) -> u16 {
        if !self.inside(x, y) {
            return x;
        }
        let width = width.min(self.buffer.area.right() - x);
        let ascii = (self.look.glyphs == crate::console::Glyphs::Ascii && text.contains('±')).then(|| text.replace('±', "+/-"));
        let text = ascii.as_deref().unwrap_or(text);
        // A cut number would be another number: what is cut shows it.
        if text.len() > usize::from(width) && crate::console::text::columns(text) > usize::from(width) {
            let cut = crate::console::text::clip(text, usize::from(width));
            return self.buffer.set_stringn(x, y, cut, usize::from(width), style).0;
        }
        self.buffer.set_stringn(x, y, text, usize::from(width), style).0
    }

    pub fn cell(&mut self, x: u16, y: u16, c: char, role: Role) {
        self.cell_style(x, y, c, self.look.theme.style(role));
    }

    pub fn cell_style(&mut self, x: u16, y: u16, c: char, style: Style) {
        if self.inside(x, y) {
            self.buffer[(x, y)].set_char(c).set_style(style);
        }
    }

    fn inside(&self, x: u16, y: u16) -> bool {
        x < self.buffer.area.right() && y < self.buffer.area.bottom()
    }

    /// Empties an area in a style.
    pub fn fill(&mut self, area: Rect, style: Style) {
        let area = area.intersection(self.buffer.area);
        for y in area.top()..area.bottom() {
            for x in area.left()..area.right() {
                self.buffer[(x, y)].reset();
                self.buffer[(x, y)].set_style(style);
            }
        }
    }

    pub fn clear(&mut self, area: Rect) {
        self.fill(area, self.look.theme.base());
    }

    /// The name of a part of the screen in a rule across `area`; a short word may stand at its right end.
    pub fn title(&mut self, area: Rect, name: &str, right: &str) {
        let rule = self.look.glyphs.shapes().rule;
        for x in area.left()..area.right() {
            self.cell(x, area.y, rule, Role::Quiet);
        }
        self.put(area.x + 1, area.y, area.width.saturating_sub(2), &format!(" {name} "), Role::Title);
        if !right.is_empty() {
            let width = (crate::console::text::columns(right) + 2) as u16;
            if width + 2 < area.width {
                self.put(area.right() - width - 1, area.y, width, &format!(" {right} "), Role::Plain);
            }
        }
    }

    /// Signs of the trade that plain ASCII does not have; what people typed stays as they typed it.
    pub fn only_what_the_set_has(&mut self) {
        if self.look.glyphs != crate::console::Glyphs::Ascii {
            return;
        }
        for cell in &mut self.buffer.content {
            let plain = match cell.symbol() {
                "µ" => 'u',
                "°" => '\'',
                "·" => '.',
                _ => continue,
            };
            cell.set_char(plain);
        }
    }

    pub fn down(&mut self, x: u16, area: Rect) {
        let divider = self.look.glyphs.shapes().divider;
        for y in area.top()..area.bottom() {
            self.cell(x, y, divider, Role::Quiet);
        }
    }
}

/// Rows handed out from the top of an area.
pub struct AreaRows {
    area: Rect,
}

impl AreaRows {
    pub fn of(area: Rect) -> Self {
        Self { area }
    }
    /// The next `height` rows, or what is left of them.
    pub fn take(&mut self, height: u16) -> Rect {
        let height = height.min(self.area.height);
        let taken = Rect { height, ..self.area };
        self.area = Rect { y: self.area.y + height, height: self.area.height - height, ..self.area };
        taken
    }
    pub fn rest(self) -> Rect {
        self.area
    }
    pub fn width(&self) -> u16 {
        self.area.width
    }
    pub fn left(&self) -> u16 {
        self.area.height
    }
}
