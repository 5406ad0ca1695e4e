//! The grain of the plate as it shows itself. Where a whole beam comes back from one depth nothing is missing, and what stands
//! before it took nothing: it is grain. What is seen elsewhere, no higher and no wider than such echoes stand all along, cannot
//! be told from grain, however dark the wall behind it is. Its width is that at half its height (the 6 dB drop of EN ISO 16827);
//! that a threshold follows the clutter measured about it is the constant-false-alarm-rate idea (Finn and Johnson, RCA Review 29,
//! 1968), here along the way instead of along the time. Both sources from memory.

use backwall_units::Length;
use std::collections::VecDeque;

/// One echo as shots beside each other see it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Where it stands highest, how deep, and how high over a whole beam.
    pub along: Length,
    pub depth: Length,
    pub level: f64,
    /// From where it is under half as high to where it is again.
    pub width: Length,
}

/// So many are kept, the last ones: some metres of fine plate, some decimetres of coarse.
const KEPT: usize = 512;
/// So many of them must be as high and wide: one may be a small inclusion.
const ALIKE: usize = 3;
/// Coupling alone makes one grain so much higher than another, and the shots' distance one so much wider.
const AS_HIGH: f64 = 1.25;
const AS_WIDE: f64 = 1.25;
/// Grain is compared with grain about as deep: it fades with depth, and the probe's sensitivity changes.
const AS_DEEP: Length = Length::mm(1.0);
/// What is wider is no grain, whatever the plate shows.
const WIDEST: Length = Length::mm(4.0);

/// Of a plate, or of so much of it as was driven last.
#[derive(Debug, Default)]
pub struct Grain {
    patches: VecDeque<Patch>,
}

impl Grain {
    /// Takes what stands before a whole wall, once.
    pub fn learn(&mut self, patch: Patch) {
        let known = self.patches.iter().rev().take_while(|known| (known.along - patch.along).abs() <= WIDEST);
        if known.into_iter().any(|known| known.along == patch.along && known.depth == patch.depth) {
            return;
        }
        if self.patches.len() >= KEPT {
            self.patches.pop_front();
        }
        self.patches.push_back(patch);
    }

    /// Whether the plate shows such echoes all along.
    pub fn shows(&self, patch: &Patch) -> bool {
        let alike = |known: &&Patch| {
            known.level * AS_HIGH >= patch.level && known.width * AS_WIDE >= patch.width && (known.depth - patch.depth).abs() <= AS_DEEP
        };
        patch.width <= WIDEST && self.patches.iter().filter(alike).take(ALIKE).count() == ALIKE
    }
}
