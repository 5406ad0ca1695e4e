//! The characters a screen may use. A terminal does not tell which of them its font has, so the operator looks at
//! a test card and chooses: braille, half blocks (only what the old code page 437 fonts hold), or plain ASCII.

use backwall_survey::strip::Level;
use backwall_survey::strip::map::Class;
use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Glyphs {
    Braille,
    HalfBlock,
    Ascii,
}

impl Default for Glyphs {
    /// Windows consoles come with fonts that have no braille.
    fn default() -> Self {
        if cfg!(windows) { Self::HalfBlock } else { Self::Braille }
    }
}

/// The single characters of a set.
#[derive(Debug)]
pub struct Shapes {
    /// Metal across, from empty to full; what lies between is evenly spread.
    pub across: &'static [char],
    /// Metal upward, from empty to full.
    pub upward: &'static [char],
    pub hatch: char,
    pub nominal: char,
    pub required: char,
    pub crawler: char,
    pub outer_face: char,
    pub seam: char,
    pub rule: char,
    pub divider: char,
    pub done: char,
    pub open: char,
    pub missing: char,
    pub cursor: char,
    pub gate: (char, char, char),
    pub corner: [char; 4],
    pub tee: (char, char),
    pub ellipsis: char,
    /// The wall of an earlier survey.
    pub outline: char,
    pub outline_flat: char,
}

const BRAILLE: Shapes = Shapes {
    across: &[' ', '▏', '▎', '▍', '▌', '▋', '▊', '▉', '█'],
    upward: &[' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'],
    hatch: '░',
    nominal: '│',
    required: '┆',
    crawler: '▶',
    outer_face: '┃',
    seam: '╌',
    rule: '─',
    divider: '│',
    done: '●',
    open: '○',
    missing: '!',
    cursor: '›',
    gate: ('╘', '═', '╛'),
    corner: ['┌', '┐', '└', '┘'],
    tee: ('├', '┤'),
    ellipsis: '…',
    outline: '▒',
    outline_flat: '▒',
};

const HALF_BLOCK: Shapes = Shapes {
    across: &[' ', '▌', '█'],
    upward: &[' ', '▄', '█'],
    required: '¦',
    crawler: '►',
    outer_face: '║',
    seam: '-',
    cursor: '>',
    ellipsis: '.',
    ..BRAILLE
};

const ASCII: Shapes = Shapes {
    across: &[' ', '-', '='],
    upward: &[' ', '.', '='],
    hatch: '/',
    nominal: '|',
    required: ':',
    crawler: '>',
    outer_face: '|',
    seam: '-',
    rule: '-',
    divider: '|',
    done: '*',
    open: 'o',
    missing: '!',
    cursor: '>',
    gate: ('\\', '_', '/'),
    corner: ['+', '+', '+', '+'],
    tee: ('+', '+'),
    ellipsis: '.',
    outline: '!',
    outline_flat: '~',
};

impl Glyphs {
    pub const ALL: [Self; 3] = [Self::Braille, Self::HalfBlock, Self::Ascii];

    pub fn word(self) -> &'static str {
        match self {
            Self::Braille => "braille",
            Self::HalfBlock => "half-block",
            Self::Ascii => "ascii",
        }
    }

    pub fn next(self) -> Self {
        match self {
            Self::Braille => Self::HalfBlock,
            Self::HalfBlock => Self::Ascii,
            Self::Ascii => Self::Braille,
        }
    }

    pub fn shapes(self) -> &'static Shapes {
        match self {
            Self::Braille => &BRAILLE,
            Self::HalfBlock => &HALF_BLOCK,
            Self::Ascii => &ASCII,
        }
    }

    /// How a key is written: arrows are words where there are no arrows.
    pub fn key_name(self, shown: &'static str) -> &'static str {
        match (self, shown) {
            (Self::Ascii, "↑↓") => "Up/Dn",
            (Self::Ascii, "←→") => "Lt/Rt",
            (_, shown) => shown,
        }
    }

    /// The glyph of a class of the map; what was not scanned has none.
    pub fn class(self, class: Class) -> char {
        match (self, class) {
            (_, Class::NotScanned) => ' ',
            (_, Class::NoEcho) => self.shapes().hatch,
            (_, Class::Unrated) => self.level(Level::Unjudged),
            (_, Class::Ninety) => self.level(Level::Clear),
            (Self::Braille, Class::Eighty) => '–',
            (_, Class::Eighty) => '-',
            (_, Class::Less) => '=',
            (_, Class::Watch) => self.level(Level::Watch),
            (_, Class::Thin) => self.level(Level::Thin),
        }
    }

    /// The glyph of WATCH by doubt: the number is over the watch limit, its U is not.
    pub fn doubt(self) -> char {
        if self == Self::Ascii { '~' } else { '△' }
    }

    /// The glyph that goes with a level's word.
    pub fn level(self, level: Level) -> char {
        match (self, level) {
            (Self::Ascii, Level::Unjudged) => '?',
            (Self::Ascii, Level::Clear) => '.',
            (Self::Ascii, Level::Watch) => '^',
            (Self::Ascii, Level::Thin) => '#',
            (Self::Ascii, Level::NoEcho) => 'o',
            (_, Level::Unjudged) => '?',
            (_, Level::Clear) => '·',
            (_, Level::Watch) => '▲',
            (Self::HalfBlock, Level::Thin) => '■',
            (_, Level::Thin) => '◆',
            (_, Level::NoEcho) => '○',
        }
    }
}

impl Shapes {
    /// A bar of `length` cells (a fraction is drawn as finely as the set can), never longer than `cells`.
    /// Rounds down, so that a wall never looks thicker than it is.
    pub fn bar(ramp: &[char], length: f64, cells: usize) -> impl Iterator<Item = char> {
        let steps = ramp.len() - 1;
        let filled = (length.clamp(0.0, cells as f64) * steps as f64 + 1e-9).floor() as usize;
        (0..cells).map(move |cell| ramp[filled.saturating_sub(cell * steps).min(steps)])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_is_never_longer_than_the_wall_is_thick() {
        let bar = |length| Shapes::bar(BRAILLE.across, length, 4).collect::<String>();
        assert_eq!((bar(0.0), bar(1.5), bar(2.99), bar(9.0)), ("    ".into(), "█▌  ".into(), "██▉ ".into(), "████".into()));
        assert_eq!(Shapes::bar(HALF_BLOCK.across, 1.9, 3).collect::<String>(), "█▌ ");
    }

    #[test]
    fn ascii_is_ascii() {
        for level in [Level::Unjudged, Level::Clear, Level::Watch, Level::Thin, Level::NoEcho] {
            assert!(Glyphs::Ascii.level(level).is_ascii());
        }
    }

    #[test]
    fn no_two_levels_share_a_glyph() {
        for set in Glyphs::ALL {
            let mut seen: Vec<char> =
                [Level::Unjudged, Level::Clear, Level::Watch, Level::Thin, Level::NoEcho].map(|level| set.level(level)).to_vec();
            seen.sort_unstable();
            seen.dedup();
            assert_eq!(seen.len(), 5, "{set:?}");
        }
    }
}
