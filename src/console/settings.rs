//! What the operator chose about the screen, kept between sessions in one small TOML file.

use super::{Glyphs, Theme};
use anyhow::Context;
use serde::{Deserialize, Serialize};
use std::path::Path;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct ConsoleSettings {
    pub theme: Option<Theme>,
    /// `None` until the test card was answered.
    pub glyphs: Option<Glyphs>,
    /// Whether alarms ring; they do where nothing is said.
    pub bell: Option<bool>,
}

impl ConsoleSettings {
    /// Reads the file; a file that is not there is no settings yet.
    pub fn load(path: &Path) -> anyhow::Result<Self> {
        match std::fs::read_to_string(path) {
            Ok(text) => toml::from_str(&text)
                .with_context(|| format!("the screen settings in {} cannot be read: correct or delete the file", path.display())),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Self::default()),
            Err(error) => Err(error).with_context(|| format!("the screen settings in {} cannot be read", path.display())),
        }
    }

    pub fn save(&self, path: &Path) -> anyhow::Result<()> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).with_context(|| format!("the folder {} cannot be made", folder.display()))?;
        }
        std::fs::write(path, toml::to_string(self)?).with_context(|| format!("the screen settings cannot be written to {}", path.display()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_are_kept_and_a_missing_file_is_none_yet() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep").join("console.toml");
        assert_eq!(ConsoleSettings::load(&path).unwrap(), ConsoleSettings::default());
        let chosen = ConsoleSettings { theme: Some(Theme::Sunlight), glyphs: Some(Glyphs::HalfBlock), bell: Some(false) };
        chosen.save(&path).unwrap();
        assert_eq!(ConsoleSettings::load(&path).unwrap(), chosen);
        std::fs::write(&path, "theme = 7").unwrap();
        assert!(ConsoleSettings::load(&path).unwrap_err().to_string().contains("console.toml"));
    }
}
