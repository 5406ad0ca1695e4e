//! Readings that were shown but found no room to be saved: counted by stretch, and told in the run itself.

use backwall_store::{Entry, EventKind};
use backwall_survey::reading::Reading;
use backwall_units::{Length, Wording};

/// One stretch of readings that are not in the job file.
#[derive(Debug, Default)]
pub struct Unsaved {
    stretch: Option<UnsavedStretch>,
}

#[derive(Debug)]
struct UnsavedStretch {
    count: u64,
    first: (u32, Option<Length>),
    last: (u32, Option<Length>),
}

impl Unsaved {
    /// A reading that could not be queued; other entries are none of its business.
    pub fn lost(&mut self, entry: &Entry) {
        let Entry::Reading { reading, .. } = entry else { return };
        let Reading { seq, place, .. } = reading;
        let here = (*seq, place.along);
        match &mut self.stretch {
            Some(stretch) => (stretch.count, stretch.last) = (stretch.count + 1, here),
            None => self.stretch = Some(UnsavedStretch { count: 1, first: here, last: here }),
        }
    }

    /// The stretch as an event for the job file, once.
    pub fn told(&mut self, at_us: i64) -> Option<Entry> {
        let UnsavedStretch { count, first, last } = self.stretch.take()?;
        let place = |said: Wording, (seq, along): (u32, Option<Length>)| match along {
            Some(along) => said.length(along, 1).say(format!(" (seq {seq})")),
            None => said.say(format!("seq {seq}")),
        };
        let said = Wording::from(backwall_report::words::count(count, "reading")).say(" shown but not saved, from ");
        let text = place(place(said, first).say(" to "), last).say(": the disk was too slow");
        Some(Entry::Event { kind: EventKind::Overflow, text, seq: Some(last.0), along: last.1, at_us })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use backwall_survey::strip::Level;
    use backwall_survey::travel::Place;
    use backwall_ultrasound::{Flags, Measurement};
    use backwall_units::{Decibel, Temperature};

    fn entry(seq: u32, along: Option<f64>) -> Entry {
        let reading = Reading {
            seq,
            device_time_us: None,
            host_time_us: 0,
            encoder: None,
            place: Place { along: along.map(Length::mm), ..Place::default() },
            gain: Decibel::ZERO,
            wall_temperature: Temperature::celsius(20.0),
            measurement: Measurement::none(Flags::NONE),
            level: Level::NoEcho,
            level_shown: Level::NoEcho,
        };
        Entry::Reading { reading, waveform: None }
    }

    #[test]
    fn a_stretch_is_told_once_with_both_ends() {
        let mut unsaved = Unsaved::default();
        assert_eq!(unsaved.told(0), None);
        for seq in 7..10 {
            unsaved.lost(&entry(seq, Some(f64::from(seq) * 2.0)));
        }
        let Some(Entry::Event { kind, text, seq, along, .. }) = unsaved.told(5) else { panic!("nothing told") };
        assert_eq!((kind, seq, along), (EventKind::Overflow, Some(9), Some(Length::mm(18.0))));
        assert!(text.to_string().contains("3 readings shown but not saved, from 14.0 mm (seq 7) to 18.0 mm (seq 9)"), "{text}");
        assert_eq!(unsaved.told(6), None);
        unsaved.lost(&entry(40, None));
        assert!(matches!(unsaved.told(7), Some(Entry::Event { text, .. }) if text.to_string().contains("from seq 40 to seq 40")));
    }
}
