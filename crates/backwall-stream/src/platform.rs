//! What differs between operating systems for streams and settings.

/// Where this user's settings for the program live.
pub fn settings_folder() -> Option<std::path::PathBuf> {
    use etcetera::BaseStrategy;
    etcetera::choose_base_strategy().ok().map(|strategy| strategy.config_dir().join("backwall"))
}
