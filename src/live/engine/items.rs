//! What comes of the stream, item by item: a record becomes a reading or a change of state, all else an event.

use super::super::distrust::{DoubtSaid, host_jump};
use super::super::view::Phase;
use super::{Engine, FIRST_SAID, Notice, OpenGap, Outcome, STALL_US, TEMPERATURE_STEP, dropped_words};
use backwall_store::{Entry, EventKind};
use backwall_stream::feed::{Feed, FeedItem};
use backwall_survey::reading::{Measured, Record};
use backwall_survey::travel::{Counted, Moment};
use backwall_ultrasound::{Flag, Sight, TimeBase, Waveform};
use backwall_units::Wording;

impl Engine {
    /// Takes the next item of the stream.
    pub fn take(&mut self, feed: Feed, out: &mut Outcome) {
        self.take_measured(feed, None, out);
    }

    /// The same; `measured` is what its shot measures, where that is known already.
    pub fn take_measured(&mut self, feed: Feed, measured: Option<Measured>, out: &mut Outcome) {
        let at_us = feed.host_time_us;
        match feed.item {
            FeedItem::Record(record) => self.record(record, measured, at_us, out),
            FeedItem::Up { what } => {
                if !matches!(self.phase, Phase::Recording) {
                    self.phase = Phase::Waiting;
                }
                self.link(true, format!("connected to {what}"), at_us, out);
            }
            FeedItem::Down { why } => {
                self.phase = Phase::LinkDown(why.clone());
                // What is driven while nothing comes is not driven over without an echo.
                self.gap = OpenGap::default();
                self.was_down = true;
                self.link(false, why, at_us, out);
            }
            FeedItem::Reconnected { attempts, down_ms } => {
                self.phase = Phase::Waiting;
                let text = format!("connected again after {:.1} s and {attempts} attempts", down_ms as f64 / 1e3);
                self.link(true, text, at_us, out);
            }
            FeedItem::Overflow { bytes } => {
                self.event(EventKind::Overflow, format!("{bytes} bytes came faster than they could be decoded and are lost"), at_us, out);
            }
            FeedItem::Said { words } => self.link(true, words, at_us, out),
            FeedItem::Ordered { order, became } => self.ordered(&order, &became, at_us, out),
            FeedItem::OtherChannel { words, is_beside } => {
                self.event(EventKind::Channel, words.clone(), at_us, out);
                if !is_beside {
                    self.notify(Notice::Fault(words.into()), out);
                }
            }
            FeedItem::Beside { seq } => self.distrust.beside(seq),
            FeedItem::Dropped { frames, reasons } => {
                self.counts.dropped = frames;
                self.event(EventKind::Dropped, dropped_words(frames, &reasons), at_us, out);
            }
            FeedItem::Unreadable { words } => {
                self.event(EventKind::Link, words.clone(), at_us, out);
                self.notify(Notice::Fault(words.into()), out);
            }
            FeedItem::HostClock { ahead_us } => self.say([DoubtSaid::Begins(host_jump(ahead_us as f64 / 1e6).into())], at_us, out),
            FeedItem::Ended => out.ended = true,
        }
    }

    fn record(&mut self, record: Record, measured: Option<Measured>, at_us: i64, out: &mut Outcome) {
        match record {
            Record::Header(header) => {
                self.telemetry.device = Some(header.device_name.clone());
                if self.base == Some(header.base) {
                    return;
                }
                let before = self.base.replace(header.base);
                let only_first = before.is_some_and(|before| TimeBase { first: header.base.first, ..before } == header.base);
                self.first_moved += u32::from(only_first);
                if let Err(error) = self.maker.set_time_base(header.base) {
                    self.fault(format!("this set-up cannot evaluate the device's waveforms: {error}"), at_us, out);
                }
                out.entries.push(Entry::TimeBase(header.base));
                if only_first && self.first_moved > FIRST_SAID {
                    return;
                }
                let text = format!(
                    "{}{} MS/s, first sample at {:.3} µs, {} samples, {} bit, device {} '{}'",
                    match (before, only_first && self.first_moved == FIRST_SAID) {
                        (None, _) => "",
                        (_, true) => "the first sample comes at another time again and again, which is said no more: ",
                        _ => "time base changed: ",
                    },
                    header.base.rate.as_mhz(),
                    header.base.first.as_us(),
                    header.samples,
                    header.base.bits,
                    header.device_id,
                    header.device_name
                );
                self.event(EventKind::Header, text, at_us, out);
            }
            Record::Shot(shot) => {
                let counted = Counted { seq: shot.seq, device_us: shot.device_time_us, encoder: shot.encoder, across: shot.across };
                self.arrived(counted, false, at_us, out);
                let measured = measured.unwrap_or_else(|| self.maker.measure(&shot));
                let reading = self.maker.measured(&shot, &measured, at_us);
                let waveform = self.base.map(|base| Waveform { base, samples: shot.samples });
                self.reading(reading, &measured.sight, waveform, out);
            }
            Record::Gauge(gauge) => {
                let counted = Counted { seq: gauge.seq, device_us: gauge.device_time_us, encoder: gauge.encoder, across: gauge.across };
                self.arrived(counted, true, at_us, out);
                let reading = self.maker.gauge(&gauge, at_us);
                self.reading(reading, &Sight::default(), None, out);
            }
            Record::Status(status) => {
                self.telemetry.battery_mv = status.battery_mv.or(self.telemetry.battery_mv);
                let Some(temperature) = status.surface_temperature else { return };
                self.telemetry.surface_temperature = Some(temperature);
                self.maker.set_wall_temperature(temperature);
                if self.status_temperature.is_none_or(|last| (temperature - last).abs() >= TEMPERATURE_STEP) {
                    self.status_temperature = Some(temperature);
                    let text = Wording::from("surface temperature ").temperature(temperature);
                    self.event(EventKind::Status, text, at_us, out);
                }
                self.watch_far(temperature, at_us, out);
            }
        }
    }

    /// A shot, or a value the device found itself, by its number.
    fn arrived(&mut self, counted: Counted, by_device: bool, at_us: i64, out: &mut Outcome) {
        let said = self.distrust.shot(counted.seq, by_device, Moment { device_us: counted.device_us, host_us: at_us });
        self.counts.lost = self.distrust.lost();
        self.say(said, at_us, out);
        let silent = std::mem::take(&mut self.was_down) || self.last_shot_us.is_some_and(|last| at_us.saturating_sub(last) > STALL_US);
        let is_placed = self.reading.as_ref().is_none_or(|reading| !reading.measurement.flags.has(Flag::EncoderJump));
        if let Some(restart) = self.restarts.next(counted, self.maker.path(), silent, is_placed) {
            self.hold_place(restart, at_us, out);
        }
        self.last_shot_us = Some(at_us);
        self.stalled = false;
    }

    /// Keeps what cannot be, and tells of it as it begins.
    pub(super) fn say(&mut self, said: impl IntoIterator<Item = DoubtSaid>, at_us: i64, out: &mut Outcome) {
        for said in said {
            match said {
                DoubtSaid::Lost(shots, text) => {
                    let (seq, along) = self.last_place();
                    out.entries.push(Entry::Lost { shots, text, seq, along, at_us });
                }
                DoubtSaid::Over(text) => self.event(EventKind::Doubt, text, at_us, out),
                DoubtSaid::Begins(text) => {
                    self.notify(Notice::Fault(text.clone()), out);
                    self.event(EventKind::Doubt, text, at_us, out);
                }
            }
        }
    }
}
