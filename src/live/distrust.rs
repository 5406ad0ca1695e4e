//! What a device or a clock says that cannot be, in words for the run's events: each stretch once when it begins, and once
//! with its count when it is over.

use backwall_survey::reading::Reading;
use backwall_survey::travel::{ClockNews, ClockWatch, Moment, SequenceNews, SequenceWatch};
use backwall_ultrasound::{Flag, Flags};
use backwall_units::{Length, Wording};

/// One thing to be said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DoubtSaid {
    /// Shots that never came.
    Lost(u32, String),
    /// What cannot be begins.
    Begins(Wording),
    /// It is over, or of no weight for what was measured.
    Over(Wording),
}

/// Watches what cannot be.
#[derive(Debug, Default)]
pub struct Distrust {
    sequence: SequenceWatch,
    clocks: ClockWatch,
    /// Number of the last shot, and whether the device had evaluated it.
    last: Option<(u32, bool)>,
    place: Option<Displaced>,
    believed: Option<Length>,
}

/// The stretch without a believed place that the crawler is in.
#[derive(Debug, Clone, Copy)]
struct Displaced {
    flags: Flags,
    readings: u64,
}

/// Flags of a place that is not believed.
const DISPLACED: [Flag; 2] = [Flag::OffLine, Flag::EncoderJump];

impl Distrust {
    /// The last place that was believed.
    pub fn believed(&self) -> Option<Length> {
        self.believed
    }

    pub fn lost(&self) -> u64 {
        self.sequence.lost()
    }

    /// Takes number and moment of the next shot.
    pub fn shot(&mut self, seq: u32, by_device: bool, at: Moment) -> Vec<DoubtSaid> {
        let clocks = self.clocks.next(at);
        // A device may send a shot and its own value of it under one number.
        let beside = self.last.is_some_and(|(last, other)| last == seq && other != by_device);
        self.last = Some((seq, by_device));
        let numbers = if beside { Vec::new() } else { self.sequence.next(seq) };
        numbers.into_iter().map(of_sequence).chain(clocks.into_iter().map(of_clock)).collect()
    }

    /// A shot of a channel that is not read has this number.
    pub fn beside(&mut self, seq: u32) {
        self.sequence.beside(seq);
    }

    /// Takes the reading that was made of it.
    pub fn reading(&mut self, reading: &Reading) -> Option<DoubtSaid> {
        let flags = reading.measurement.flags;
        if !DISPLACED.iter().any(|flag| flags.has(*flag)) {
            self.believed = reading.place.along.or(self.believed);
            return self.place.take().map(|over| over.over(reading.place.along));
        }
        let known = self.place;
        let place = self.place.get_or_insert(Displaced { flags, readings: 0 });
        place.readings += 1;
        known.is_none().then(|| {
            let encoder = reading.encoder.unwrap_or_default();
            let why = DISPLACED.iter().find(|flag| flags.has(**flag)).map_or("", |flag| flag.explanation());
            let counts = reading.place.across.and_then(|across| across.counts);
            let across = counts.map_or_else(String::new, |counts| format!(", across {counts}"));
            let said = Wording::from(format!("shot {}: {why}; encoder {encoder}{across}", reading.seq));
            DoubtSaid::Begins(match self.believed {
                Some(along) => said.say(", last place believed ").length(along, 1),
                None => said,
            })
        })
    }

    /// Nothing comes any more.
    pub fn end(&mut self) -> Vec<DoubtSaid> {
        let place = self.place.take().map(|over| over.over(None));
        let (numbers, clocks) = (self.sequence.end(), self.clocks.end());
        numbers.into_iter().map(of_sequence).chain(clocks.into_iter().map(of_clock)).chain(place).collect()
    }
}

impl Displaced {
    fn over(self, along: Option<Length>) -> DoubtSaid {
        let readings = backwall_report::words::count(self.readings, "reading");
        let said = Wording::from(format!("{readings} without a place ({}), ", displacing(self.flags)));
        DoubtSaid::Over(match along {
            Some(along) => said.say("believed again at ").length(along, 1),
            None => said.say("to the end"),
        })
    }
}

fn displacing(flags: Flags) -> Flags {
    DISPLACED.iter().filter(|flag| flags.has(**flag)).fold(Flags::NONE, |all, flag| all.with(*flag))
}

fn of_sequence(news: SequenceNews) -> DoubtSaid {
    match news {
        SequenceNews::Missing { count, before } => {
            DoubtSaid::Lost(count, format!("{} missing before seq {before}", backwall_report::words::count(u64::from(count), "shot")))
        }
        SequenceNews::Stray { seq } => {
            DoubtSaid::Over(format!("stray number: seq {seq} fits neither those before nor those after it; no loss counted").into())
        }
        SequenceNews::Anew { after, from } => DoubtSaid::Begins(
            format!("the device counts its shots anew: seq {from} after {after}; what was lost between cannot be counted").into(),
        ),
        SequenceNews::StandsStill { seq } => DoubtSaid::Begins(
            format!("the device sends seq {seq} again: the same shot perhaps; its readings are flagged {}", Flag::Repeated.word()).into(),
        ),
        SequenceNews::StoodStill { seq, times } => DoubtSaid::Over(format!("seq {seq} came {times} times").into()),
        SequenceNews::OutOfOrder { seq } => {
            DoubtSaid::Begins(format!("sequence numbers follow in no order from seq {seq} on: losses cannot be counted").into())
        }
        SequenceNews::WasOutOfOrder { count } => DoubtSaid::Over(format!("{count} sequence numbers followed in no order").into()),
    }
}

fn seconds(us: u64) -> f64 {
    us as f64 / 1e6
}

fn of_clock(news: ClockNews) -> DoubtSaid {
    match news {
        ClockNews::Backwards { from_us, to_us } => {
            let (from, to) = (seconds(from_us), seconds(to_us));
            DoubtSaid::Begins(format!("the device's clock went back by {:.3} s, from {from:.3} to {to:.3} s", from - to).into())
        }
        ClockNews::RanBackwards { shots } => DoubtSaid::Over(format!("the device's clock ran backwards over {shots} shots").into()),
        ClockNews::StandsStill { at_us } => DoubtSaid::Begins(format!("the device's clock stands still at {:.3} s", seconds(at_us)).into()),
        ClockNews::StoodStill { at_us, shots } => {
            DoubtSaid::Over(format!("the device's clock stood still at {:.3} s over {shots} shots", seconds(at_us)).into())
        }
        ClockNews::HostBack { by_us } => DoubtSaid::Begins(host_jump(-seconds(by_us)).into()),
    }
}

/// `the computer's clock jumped by -34560000.0 s`.
pub fn host_jump(seconds: f64) -> String {
    format!("the computer's clock jumped by {seconds:+.1} s ({:+.3} days): times before and after do not fit together", seconds / 86_400.0)
}

#[cfg(test)]
mod tests {
    use super::super::engine::{Notice, Outcome, tests::engine};
    use backwall_store::{Entry, EventKind};
    use backwall_stream::feed::{Feed, FeedItem};
    use backwall_survey::reading::{Gauge, GaugeValue, Record};
    use backwall_units::Length;

    // 400 days are 34,560,000 s.
    #[test]
    fn a_computer_clock_set_400_days_back_or_ahead_is_an_event_and_hides_no_silence() {
        let day = 86_400_000_000;
        let mut engine = engine();
        let mut out = Outcome::default();
        for (seq, host_time_us) in [500 * day, 500 * day + 10_000, 100 * day + 20_000].into_iter().enumerate() {
            let value = GaugeValue::Thickness(Some(Length::mm(9.0)));
            let gauge = Gauge { seq: seq as u32, device_time_us: Some(seq as u64 * 10_000), encoder: Some(0), across: None, value };
            engine.take(Feed { item: FeedItem::Record(Record::Gauge(gauge)), host_time_us }, &mut out);
        }
        engine.take(Feed { item: FeedItem::HostClock { ahead_us: 400 * day }, host_time_us: 500 * day }, &mut out);
        let said = out.entries.iter().filter_map(|entry| match entry {
            Entry::Event { kind: EventKind::Doubt, text, .. } => Some(text.to_string()),
            _ => None,
        });
        let said: Vec<String> = said.collect();
        assert!(said.len() == 2 && said[0].contains("jumped by -34560000.0 s (-400.000 days)"), "{said:?}");
        assert!(said[1].contains("jumped by +34560000.0 s"), "{said:?}");
        assert_eq!(out.notices.iter().filter(|notice| matches!(notice, Notice::Fault(_))).count(), 2);
        // The clock goes back once more, and then nothing comes.
        for now in [50 * day, 50 * day + 2_000_000] {
            engine.tick(now, &mut out);
        }
        assert!(engine.is_stalled());
    }
}
