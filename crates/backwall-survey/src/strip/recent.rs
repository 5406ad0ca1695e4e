//! The last readings of a run as the strip has them, so that one that proves to stand alone can be taken out again, and the minimum
//! of all that are left.

use super::Level;
use super::bins::{Bin, Strip};
use super::section::Seen;
use backwall_units::Length;
use std::collections::VecDeque;

/// So many shots back a reading may still prove to stand alone: more than neighbours look ahead.
const KEPT: usize = 256;

/// A bin as it was before any of the last readings fell into it, and how many of them did.
#[derive(Debug, Clone)]
struct Before {
    index: i64,
    bin: Bin,
    readings: usize,
}

#[derive(Debug, Clone, Default)]
pub(super) struct Recent {
    seen: VecDeque<Seen>,
    bins: Vec<Before>,
    /// The minimum of those that are not kept any more.
    settled: Option<Seen>,
}

impl Recent {
    /// Takes the next reading, before the strip does.
    pub(super) fn push(&mut self, seen: Seen, strip: &Strip) {
        if let Some(index) = seen.along.and_then(Strip::index_of) {
            match self.bins.iter_mut().rfind(|before| before.index == index) {
                Some(before) => before.readings += 1,
                None => self.bins.push(Before { index, bin: strip.finest_at(index), readings: 1 }),
            }
        }
        self.seen.push_back(seen);
        if self.seen.len() > KEPT
            && let Some(oldest) = self.seen.pop_front()
        {
            self.settled = lower(self.settled, oldest);
            self.forget(&oldest);
        }
    }

    /// What is forgotten of a bin stands in it for good.
    fn forget(&mut self, oldest: &Seen) {
        let Some(index) = oldest.along.and_then(Strip::index_of) else { return };
        let Some(at) = self.bins.iter().position(|before| before.index == index) else { return };
        self.bins[at].bin.take(oldest.on_strip());
        self.bins[at].readings -= 1;
        if self.bins[at].readings == 0 {
            self.bins.remove(at);
        }
    }

    pub(super) fn place_of(&self, seq: u32) -> Option<Length> {
        self.seen.iter().rfind(|seen| seen.seq == seq)?.along
    }

    /// Takes one of them out.
    pub(super) fn withdraw(&mut self, seq: u32, strip: &mut Strip) {
        let Some(seen) = self.seen.iter_mut().rfind(|seen| seen.seq == seq) else { return };
        seen.alone = true;
        let Some(index) = seen.along.and_then(Strip::index_of) else { return };
        if let Some(before) = self.bins.iter().find(|before| before.index == index) {
            let mut bin = before.bin;
            let here = |seen: &&Seen| seen.along.and_then(Strip::index_of) == Some(index);
            self.seen.iter().filter(here).for_each(|seen| bin.take(seen.on_strip()));
            strip.put(index, bin);
        }
    }

    /// The reading of the minimum thickness that is not alone; of equal ones the first.
    pub(super) fn minimum(&self) -> Option<Seen> {
        self.seen.iter().fold(self.settled, |known, seen| lower(known, *seen))
    }
}

fn lower(known: Option<Seen>, seen: Seen) -> Option<Seen> {
    let Some(thickness) = seen.thickness.filter(|_| !seen.alone) else { return known };
    match known.and_then(|known| known.thickness) {
        Some(least) if least <= thickness => known,
        _ => Some(seen),
    }
}

impl Seen {
    /// What the strip has of it: one that stands alone is no better than none.
    pub(super) fn on_strip(&self) -> (Option<Length>, Level) {
        if self.alone { (None, Level::NoEcho) } else { (self.thickness, self.level) }
    }
}
