//! A stored run played again on the scan screen: at which pace, and what the screen asks of who plays it.

/// How much faster than it was recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ReplayPace {
    #[default]
    Device,
    Double,
    Five,
    Ten,
    /// As fast as it can be read.
    Max,
}

impl ReplayPace {
    const ALL: [Self; 5] = [Self::Device, Self::Double, Self::Five, Self::Ten, Self::Max];

    /// `None`: nothing is waited for.
    pub fn factor(self) -> Option<f64> {
        match self {
            Self::Device => Some(1.0),
            Self::Double => Some(2.0),
            Self::Five => Some(5.0),
            Self::Ten => Some(10.0),
            Self::Max => None,
        }
    }

    pub fn word(self) -> &'static str {
        match self {
            Self::Device => "x1",
            Self::Double => "x2",
            Self::Five => "x5",
            Self::Ten => "x10",
            Self::Max => "max",
        }
    }

    #[must_use]
    pub fn changed(self, faster: bool) -> Self {
        let index = Self::ALL.iter().position(|pace| *pace == self).unwrap_or(0);
        let index = if faster { (index + 1).min(Self::ALL.len() - 1) } else { index.saturating_sub(1) };
        Self::ALL[index]
    }
}

/// What the screen asks of the replay. The newest counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Replay {
    pub pace: ReplayPace,
    pub paused: bool,
}
