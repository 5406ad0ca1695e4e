//! The shots of a long batch measured on all cores before the engine takes them in order. What a shot measures depends on
//! it, the set-up, the time base and the wall's temperature alone, so that the readings are those of one core, bit for bit.

use super::engine::Engine;
use backwall_store::in_order::cores;
use backwall_stream::feed::{Feed, FeedItem};
use backwall_survey::reading::make::{Measured, Measurer};
use backwall_survey::reading::{Record, Shot};
use backwall_ultrasound::TimeBase;
use backwall_units::Temperature;

/// Fewer shots than this wait where evaluation keeps up with its link: they are measured as they are taken.
const WORTH_IT: usize = 32;

/// One measurer for each core, kept from batch to batch.
pub(super) struct Ahead {
    measurers: Vec<Measurer>,
}

impl Ahead {
    pub fn new(engine: &Engine) -> Self {
        let measurers = (0..cores()).map(|_| Measurer::new(engine.maker().setup().clone())).collect();
        Self { measurers }
    }

    /// What the items of a batch measure, in order; nothing where they had better be taken one by one.
    pub fn measure(&mut self, engine: &Engine, batch: &[Feed]) -> Vec<Option<Measured>> {
        let Some(base) = engine.maker().time_base() else { return Vec::new() };
        let cores = self.measurers.len();
        if cores < 2 || batch.len() < WORTH_IT || changes_base(batch, base) {
            return Vec::new();
        }
        let mut wall = engine.maker().wall_temperature();
        let shots: Vec<(&Shot, Temperature)> = batch.iter().filter_map(|feed| shot(feed, &mut wall)).collect();
        let mut measured: Vec<Option<Measured>> = vec![None; shots.len()];
        let each = shots.len().div_ceil(cores).max(1);
        let mut parts = shots.chunks(each).zip(measured.chunks_mut(each)).zip(&mut self.measurers);
        let own = parts.next();
        std::thread::scope(|scope| {
            for ((shots, measured), measurer) in parts {
                scope.spawn(|| measure(measurer, base, shots, measured));
            }
            if let Some(((shots, measured), measurer)) = own {
                measure(measurer, base, shots, measured);
            }
        });
        let mut measured = measured.into_iter();
        batch.iter().map(|feed| is_shot(feed).then(|| measured.next().flatten()).flatten()).collect()
    }
}

fn measure(measurer: &mut Measurer, base: TimeBase, shots: &[(&Shot, Temperature)], measured: &mut [Option<Measured>]) {
    // Left open here, a shot is measured by the engine itself.
    if measurer.set_time_base(base).is_ok() {
        for ((shot, wall), measured) in shots.iter().zip(measured) {
            *measured = Some(measurer.measure(&shot.samples, *wall, shot.gain));
        }
    }
}

fn is_shot(feed: &Feed) -> bool {
    matches!(feed.item, FeedItem::Record(Record::Shot(_)))
}

/// A shot with the temperature its wall then has.
fn shot<'f>(feed: &'f Feed, wall: &mut Temperature) -> Option<(&'f Shot, Temperature)> {
    match &feed.item {
        FeedItem::Record(Record::Shot(shot)) => Some((shot, *wall)),
        FeedItem::Record(Record::Status(status)) => {
            *wall = status.surface_temperature.unwrap_or(*wall);
            None
        }
        _ => None,
    }
}

fn changes_base(batch: &[Feed], base: TimeBase) -> bool {
    batch.iter().any(|feed| matches!(&feed.item, FeedItem::Record(Record::Header(header)) if header.base != base))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::engine::Outcome;
    use crate::live::engine::tests::engine;
    use backwall_survey::reading::{Header, Status};
    use backwall_units::{Decibel, Frequency, Time};

    /// A header, shots with an echo here and there, and a wall that grows warmer on the way.
    fn feeds(shots: u32) -> Vec<Feed> {
        let base = TimeBase { rate: Frequency::mhz(100.0), first: Time::ZERO, bits: 12 };
        let header = Header { base, samples: 512, device_id: 1, device_name: String::new() };
        let mut records = vec![Record::Header(header.clone())];
        for seq in 0..shots {
            if seq % 40 == 7 {
                let surface_temperature = Some(Temperature::celsius(20.0 + f64::from(seq)));
                records.push(Record::Status(Status { device_time_us: None, battery_mv: None, surface_temperature }));
            }
            if seq % 50 == 9 {
                records.push(Record::Header(header.clone()));
            }
            let at = 150.0 + f64::from(seq % 97);
            let echo = |from: f64, i: f64| ((i - from) / 3.2).sin() * (-((i - from) / 20.0).powi(2)).exp();
            let samples = (0..512).map(f64::from).map(|i| (900.0 * echo(at, i) + 500.0 * echo(at * 2.0, i)) as i16).collect();
            let gain = Decibel::db(f64::from(seq % 3));
            records.push(Record::Shot(Shot { seq, device_time_us: None, encoder: Some(seq as i32), across: None, gain, samples }));
        }
        records.into_iter().zip(0..).map(|(record, host_time_us)| Feed { item: FeedItem::Record(record), host_time_us }).collect()
    }

    #[test]
    fn measured_ahead_on_all_cores_the_entries_are_the_same() {
        let taken = |length: usize| {
            let (mut engine, mut out) = (engine(), Outcome::default());
            let mut ahead = Ahead { measurers: (0..3).map(|_| Measurer::new(engine.maker().setup().clone())).collect() };
            let mut was_ahead = 0;
            for batch in feeds(400).chunks(length) {
                let mut measured = ahead.measure(&engine, batch).into_iter();
                was_ahead += measured.as_slice().iter().flatten().count();
                for feed in batch {
                    engine.take_measured(feed.clone(), measured.next().flatten(), &mut out);
                }
            }
            (format!("{:?}", out.entries), was_ahead)
        };
        let (alone, none) = taken(1);
        let (ahead, many) = taken(64);
        assert_eq!((none, many > 300), (0, true), "{many}");
        assert!(alone == ahead);
    }
}
