//! Readings and their limits in; bins, spots, counts and, where wanted, statistics out. Whatever cuts a run into strip
//! and spots does it here: live, replay, review, figures, report and the comparison of an evaluation.

use super::recent::Recent;
use super::spot::{AlarmSettings, Spot, SpotEvent, SpotSample, SpotWatch};
use super::statistics::Tally;
use super::{Level, Limits, Strip};
use crate::neighbours::{Judgement, Stretch};
use crate::reading::Reading;
use backwall_ultrasound::Flag;
use backwall_units::Length;

/// A reading, as far as strip and spots are concerned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    pub seq: u32,
    pub along: Option<Length>,
    pub course: Option<u16>,
    pub thickness: Option<Length>,
    pub level: Level,
    /// No neighbour agrees with it.
    pub alone: bool,
}

impl From<&Reading> for Seen {
    fn from(reading: &Reading) -> Self {
        Self {
            seq: reading.seq,
            along: reading.place.along,
            course: reading.place.course,
            thickness: reading.measurement.thickness,
            level: reading.level,
            alone: reading.measurement.flags.has(Flag::Alone),
        }
    }
}

/// A run, or all runs of a line, as they come.
#[derive(Debug, Clone)]
pub struct Section {
    pub strip: Strip,
    pub spots: SpotWatch,
    readings: u64,
    no_echo: u64,
    recent: Recent,
    /// Every reading kept small; only where statistics are wanted, since a long run has millions.
    tally: Option<Tally>,
}

impl Section {
    pub fn new(alarm: AlarmSettings) -> Self {
        Self::watched_by(SpotWatch::new(alarm))
    }

    /// Goes on with a watch that may know spots already.
    pub fn watched_by(spots: SpotWatch) -> Self {
        Self { strip: Strip::default(), spots, readings: 0, no_echo: 0, recent: Recent::default(), tally: None }
    }

    /// The same, with all that statistics need.
    pub fn with_statistics(mut self) -> Self {
        self.tally = Some(Tally::new());
        self
    }

    /// Takes the next reading, judged by `limits`; a spot that the operator must be told of.
    pub fn push(&mut self, reading: &Reading, limits: &Limits) -> Option<SpotEvent> {
        if let Some(tally) = &mut self.tally {
            tally.push(reading);
        }
        self.see(&Seen::from(reading), limits)
    }

    /// The same for what is known of a reading in an overview: it counts in no statistics.
    pub fn see(&mut self, seen: &Seen, limits: &Limits) -> Option<SpotEvent> {
        self.readings += 1;
        self.no_echo += u64::from(seen.thickness.is_none());
        self.recent.push(*seen, &self.strip);
        let (on_strip, shown) = seen.on_strip();
        self.strip.push(seen.along, on_strip, shown);
        if seen.alone {
            // Its neighbours are known already: a reading that stands alone belongs to no spot.
            return None;
        }
        let Seen { seq, along, course, thickness, level, .. } = *seen;
        let sound_from = limits.required(course).map(|required| required + limits.watch_margin);
        self.spots.push(&SpotSample { seq, along, course, thickness, level, sound_from })
    }

    /// Takes one of the last readings, which proved to stand alone, out of strip, spots and minimum; it stays counted.
    pub fn withdraw(&mut self, seq: u32) {
        self.spots.withdraw(seq);
        self.recent.withdraw(seq, &mut self.strip);
    }

    /// Where one of the last readings lies.
    pub fn place_of(&self, seq: u32) -> Option<Length> {
        self.recent.place_of(seq)
    }

    /// Gives spots the kind that neighbours make of them, once all readings are in.
    pub fn judge(&mut self, judgements: &[Judgement]) {
        let stretches: Vec<Stretch> = judgements.iter().filter_map(|judgement| judgement.stretch).collect();
        if !judgements.is_empty() {
            self.spots.judge(&stretches, true);
        }
    }

    pub fn readings(&self) -> u64 {
        self.readings
    }

    /// Readings without an echo.
    pub fn no_echo(&self) -> u64 {
        self.no_echo
    }

    /// The reading of the minimum thickness that does not stand alone; of equal ones the first.
    pub fn minimum(&self) -> Option<Seen> {
        self.recent.minimum()
    }

    pub fn spots_of(&self, level: Level) -> u64 {
        self.spots.spots().iter().filter(|spot| spot.level == level).count() as u64
    }

    /// The spot an event is about.
    pub fn raised(&self, event: SpotEvent) -> Option<&Spot> {
        let SpotEvent::Raised(id) = event;
        self.spots.spots().iter().find(|spot| spot.id == id)
    }

    /// What statistics are made of; `None` where none were wanted.
    pub fn tally(&self) -> Option<&Tally> {
        self.tally.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::strip::CourseLimits;

    #[test]
    fn strip_spots_and_counts_come_from_the_same_readings() {
        let (bottom, top, nominal) = (Length::ZERO, Length::mm(2400.0), Length::mm(9.0));
        let course = CourseLimits { number: 1, bottom, top, nominal, required: Some(Length::mm(6.0)) };
        let limits = Limits { courses: vec![course], watch_margin: Length::mm(0.8), guard_band: false };
        let mut section = Section::new(AlarmSettings::default());
        let mut raised = Vec::new();
        for (seq, thickness) in [Some(9.0), Some(5.5), None, Some(5.25), Some(5.25), Some(9.0)].into_iter().enumerate() {
            let thickness = thickness.map(Length::mm);
            let level = match thickness {
                None => Level::NoEcho,
                Some(thickness) if thickness < Length::mm(6.0) => Level::Thin,
                Some(_) => Level::Clear,
            };
            let seen = Seen { seq: seq as u32, along: Some(Length::mm(seq as f64)), course: Some(1), thickness, level, alone: false };
            raised.extend(section.see(&seen, &limits).and_then(|event| section.raised(event).cloned()));
        }
        assert_eq!((section.readings(), section.no_echo(), section.spots_of(Level::Thin)), (6, 1, 1));
        assert_eq!(section.minimum().map(|seen| seen.seq), Some(3));
        assert_eq!(raised.len(), 1);
        let bin = section.strip.stretch(Length::ZERO, Length::mm(6.0));
        assert_eq!((bin.least, bin.read, bin.lost), (Some(Length::mm(5.25)), 5, 1));
        assert!(section.tally().is_none());
    }

    // What is withdrawn a little later is as if it had come as one that stands alone, however often its place was passed before.
    #[test]
    fn what_is_withdrawn_leaves_strip_and_minimum_as_if_it_had_come_alone() {
        let limits = Limits { courses: Vec::new(), watch_margin: Length::mm(0.8), guard_band: false };
        let thin = |seq: u32| seq % 97 == 5 || seq % 211 == 7;
        let seen = |seq: u32, alone: bool| {
            // Up and back over 30 mm, some 20 shots each mm.
            let along = 30.0 - (f64::from(seq) * 0.047 % 60.0 - 30.0).abs();
            let thickness = if thin(seq) { 2.0 + f64::from(seq) * 1e-4 } else { 9.0 + f64::from(seq % 13) * 0.01 };
            let (along, thickness) = (Some(Length::mm(along)), (!seq.is_multiple_of(31)).then_some(Length::mm(thickness)));
            let level = if thin(seq) { Level::Thin } else { Level::Clear };
            Seen { seq, along, course: Some(1), thickness, level, alone }
        };
        let (mut live, mut stored) = (Section::new(AlarmSettings::default()), Section::new(AlarmSettings::default()));
        for seq in 0..4000 {
            live.see(&seen(seq, false), &limits);
            stored.see(&seen(seq, thin(seq)), &limits);
            if let Some(late) = seq.checked_sub(90).filter(|late| thin(*late)) {
                live.withdraw(late);
            }
        }
        (3910..4000).filter(|seq| thin(*seq)).for_each(|seq| live.withdraw(seq));
        assert_eq!(live.minimum().map(|seen| (seen.seq, seen.thickness)), stored.minimum().map(|seen| (seen.seq, seen.thickness)));
        assert_eq!(live.minimum().and_then(|seen| seen.thickness), Some(Length::mm(9.0)));
        for (from, to) in (-2..40).flat_map(|from| [1, 3, 8, 64].map(|way| (from, from + way))) {
            let of = |section: &Section| section.strip.stretch(Length::mm(f64::from(from)), Length::mm(f64::from(to)));
            assert_eq!(of(&live), of(&stored), "{from} to {to}");
        }
        assert_eq!(live.strip.stretch(Length::ZERO, Length::mm(64.0)).least, Some(Length::mm(9.0)));
    }
}
