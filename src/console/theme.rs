//! How things look: what a thing means on one side, terminal styles on the other. Colour only ever repeats what a
//! word or a glyph says. Hues are the nearest of the 256 terminal colours to the Okabe–Ito set (Okabe & Ito,
//! "Color Universal Design", 2008), which colour-blind people can tell apart.

use backwall_survey::strip::Level;
use backwall_survey::strip::map::Class;
use ratatui::style::{Color, Modifier, Style};
use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Theme {
    #[default]
    Dark,
    Light,
    /// Black on white, everything bold: for a screen in the sun.
    Sunlight,
    /// No colour at all.
    Mono,
}

/// What a piece of the screen means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    Plain,
    /// Of lesser weight.
    Quiet,
    Strong,
    /// The name of a part of the screen.
    Title,
    Watch,
    Thin,
    NoEcho,
    /// Something is wrong and must be read.
    Fault,
    /// A key in the footer.
    Key,
    /// Where the cursor or the crawler is.
    Cursor,
    /// A field that is being typed in.
    Field,
    Error,
    /// A link, a wave: things that live.
    Wave,
}

// Nearest xterm-256 entries to the Okabe–Ito hues.
const ORANGE: Color = Color::Indexed(214);
const DARK_ORANGE: Color = Color::Indexed(130);
const VERMILION: Color = Color::Indexed(166);
const PURPLE: Color = Color::Indexed(175);
const DARK_PURPLE: Color = Color::Indexed(132);
const SKY: Color = Color::Indexed(74);
const BLUE: Color = Color::Indexed(25);
// The fixed black and white of the 256 colours: a terminal's own palette does not bend them.
const BLACK: Color = Color::Indexed(16);
const WHITE: Color = Color::Indexed(231);

impl Theme {
    pub const ALL: [Self; 4] = [Self::Dark, Self::Light, Self::Sunlight, Self::Mono];

    pub fn word(self) -> &'static str {
        match self {
            Self::Dark => "dark",
            Self::Light => "light",
            Self::Sunlight => "sunlight",
            Self::Mono => "mono",
        }
    }

    pub fn next(self) -> Self {
        match self {
            Self::Dark => Self::Light,
            Self::Light => Self::Sunlight,
            Self::Sunlight => Self::Mono,
            Self::Mono => Self::Dark,
        }
    }

    /// The theme to start with: `NO_COLOR` (no-color.org) set to anything but nothing means no colour.
    pub fn starting(asked: Option<Self>, stored: Option<Self>, no_color: Option<&str>) -> Self {
        match (asked, no_color.filter(|value| !value.is_empty())) {
            (Some(theme), _) => theme,
            (None, Some(_)) => Self::Mono,
            (None, None) => stored.unwrap_or_default(),
        }
    }

    /// The style of the whole screen behind everything.
    pub fn base(self) -> Style {
        match self {
            Self::Dark | Self::Mono => Style::new(),
            // Its own ground: dark letters on a terminal that is dark could not be read.
            Self::Light => Style::new().fg(BLACK).bg(WHITE),
            Self::Sunlight => Style::new().fg(BLACK).bg(WHITE).add_modifier(Modifier::BOLD),
        }
    }

    pub fn style(self, role: Role) -> Style {
        let plain = self.base();
        match self {
            Self::Dark => match role {
                Role::Plain => plain,
                Role::Quiet | Role::NoEcho => plain.add_modifier(Modifier::DIM),
                Role::Strong => plain.add_modifier(Modifier::BOLD),
                Role::Title | Role::Key => plain.fg(SKY),
                Role::Wave => plain.fg(SKY),
                Role::Watch => plain.fg(ORANGE),
                Role::Error => plain.fg(ORANGE).add_modifier(Modifier::BOLD),
                Role::Thin | Role::Fault => plain.fg(VERMILION).add_modifier(Modifier::BOLD | Modifier::REVERSED),
                Role::Cursor => plain.add_modifier(Modifier::REVERSED),
                Role::Field => plain.add_modifier(Modifier::UNDERLINED),
            },
            Self::Light => match role {
                Role::Plain => plain,
                Role::Quiet | Role::NoEcho => plain.add_modifier(Modifier::DIM),
                Role::Strong => plain.add_modifier(Modifier::BOLD),
                Role::Title | Role::Key | Role::Wave => plain.fg(BLUE),
                Role::Watch => plain.fg(DARK_ORANGE).add_modifier(Modifier::BOLD),
                Role::Error => plain.fg(DARK_ORANGE).add_modifier(Modifier::BOLD),
                Role::Thin | Role::Fault => plain.fg(VERMILION).add_modifier(Modifier::BOLD | Modifier::REVERSED),
                Role::Cursor => plain.add_modifier(Modifier::REVERSED),
                Role::Field => plain.add_modifier(Modifier::UNDERLINED),
            },
            // Black and white only; weight by underline and reverse video, nothing grey and nothing dim.
            Self::Sunlight => match role {
                Role::Thin | Role::Fault | Role::Cursor => plain.fg(WHITE).bg(BLACK),
                Role::Watch | Role::Error | Role::Field | Role::Key => plain.add_modifier(Modifier::UNDERLINED),
                Role::Plain | Role::Quiet | Role::Strong | Role::Title | Role::NoEcho | Role::Wave => plain,
            },
            Self::Mono => match role {
                Role::Plain | Role::Wave | Role::NoEcho => plain,
                Role::Quiet => plain.add_modifier(Modifier::DIM),
                Role::Strong | Role::Title | Role::Key | Role::Watch | Role::Error => plain.add_modifier(Modifier::BOLD),
                Role::Thin | Role::Fault => plain.add_modifier(Modifier::BOLD | Modifier::REVERSED),
                Role::Cursor => plain.add_modifier(Modifier::REVERSED),
                Role::Field => plain.add_modifier(Modifier::UNDERLINED),
            },
        }
    }

    /// A class of the map. What is sound is told apart by hues of its own; glyphs say the same.
    pub fn class(self, class: Class) -> Style {
        let plain = self.base();
        match (self, class) {
            (_, Class::Thin) => self.style(Role::Thin),
            (_, Class::Watch) => self.style(Role::Watch),
            (_, Class::NoEcho) => self.style(Role::NoEcho),
            (_, Class::NotScanned) | (_, Class::Unrated) | (_, Class::Ninety) => plain,
            (Self::Dark, Class::Eighty) => plain.fg(SKY),
            (Self::Light, Class::Eighty) => plain.fg(BLUE),
            (Self::Dark, Class::Less) => plain.fg(PURPLE).add_modifier(Modifier::BOLD),
            (Self::Light, Class::Less) => plain.fg(DARK_PURPLE).add_modifier(Modifier::BOLD),
            (Self::Sunlight, Class::Eighty | Class::Less) | (Self::Mono, Class::Eighty) => plain,
            (Self::Mono, Class::Less) => plain.add_modifier(Modifier::BOLD),
        }
    }

    pub fn level(self, level: Level) -> Style {
        self.style(match level {
            Level::Unjudged => Role::Quiet,
            Level::Clear => Role::Plain,
            Level::Watch => Role::Watch,
            Level::Thin => Role::Thin,
            Level::NoEcho => Role::NoEcho,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROLES: [Role; 13] = [
        Role::Plain,
        Role::Quiet,
        Role::Strong,
        Role::Title,
        Role::Watch,
        Role::Thin,
        Role::NoEcho,
        Role::Fault,
        Role::Key,
        Role::Cursor,
        Role::Field,
        Role::Error,
        Role::Wave,
    ];

    #[test]
    fn sunlight_has_no_grey_and_nothing_dim_and_mono_has_no_colour() {
        for role in ROLES {
            let sun = Theme::Sunlight.style(role);
            assert!(matches!(sun.fg, Some(BLACK | WHITE)) && matches!(sun.bg, Some(BLACK | WHITE)), "{role:?}");
            assert!(sun.add_modifier.contains(Modifier::BOLD) && !sun.add_modifier.contains(Modifier::DIM), "{role:?}");
            assert_ne!(sun.fg, sun.bg);
            let mono = Theme::Mono.style(role);
            assert_eq!((mono.fg, mono.bg), (None, None), "{role:?}");
        }
    }

    #[test]
    fn no_color_means_mono_unless_a_theme_was_asked_for() {
        assert_eq!(Theme::starting(None, Some(Theme::Light), Some("1")), Theme::Mono);
        assert_eq!(Theme::starting(None, Some(Theme::Light), Some("")), Theme::Light);
        assert_eq!(Theme::starting(Some(Theme::Sunlight), None, Some("1")), Theme::Sunlight);
        assert_eq!(Theme::starting(None, None, None), Theme::Dark);
    }

    #[test]
    fn thin_stands_out_from_sound_in_every_theme_without_colour() {
        for theme in Theme::ALL {
            let (thin, sound) = (theme.level(Level::Thin), theme.level(Level::Clear));
            let reversed = thin.add_modifier.contains(Modifier::REVERSED) || (thin.fg, thin.bg) == (sound.bg, sound.fg);
            assert!(reversed, "{theme:?}");
        }
    }
}
