//! From the values of one frame to a record: what is needed, what may be absent, and what cannot be true.

use super::counter::{Counter, Unwrap};
use super::layout::{Conversion, LayoutError, LayoutField, Number};
use super::meaning::{Meaning, RecordKind};
use super::profile::FixedHeader;
use super::read::{FieldValue, Take};
use backwall_survey::reading::{Gauge, GaugeValue, Header, Record, Shot, Status};
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Length, Temperature, Time};
use std::sync::Arc;

/// A step of a device's number longer than this, round its end, is a device that starts anew.
const LONGEST_NUMBER: f64 = 1_000.0;
/// The same of its clock, us.
const LONGEST_TIME: f64 = 60e6;

/// The fields of one frame as they are read.
#[derive(Default)]
pub struct Draft {
    seq: Option<Counter>,
    device_time: Option<Counter>,
    encoder: Option<Counter>,
    across: Option<Counter>,
    gain: Option<Decibel>,
    samples: Option<Arc<[i16]>>,
    rate: Option<Frequency>,
    first: Option<Time>,
    bits: Option<u8>,
    sample_count: Option<u16>,
    device_id: Option<u32>,
    device_name: Option<String>,
    battery_mv: Option<u16>,
    surface: Option<Temperature>,
    value: Option<GaugeValue>,
    channel: Option<String>,
    invalid: bool,
    unreadable: Option<LayoutError>,
}

/// What is remembered from frame to frame.
#[derive(Default)]
pub struct Memory {
    pub header: Option<Header>,
    /// The channel that is read; the first that comes where none was chosen.
    pub channel: Option<String>,
    /// When the last shot that said so began to be sampled.
    first: Option<Time>,
    seq: Unwrap,
    device_time: Unwrap,
    encoder: Unwrap,
    across: Unwrap,
    own_seq: u32,
}

/// What a frame comes to.
pub enum FrameOutcome {
    Record(Record),
    /// A shot before any header: its time base is not known.
    BeforeHeader,
    Ignored,
    /// It is of another channel than the one that is read.
    OtherChannel {
        channel: String,
        seq: Option<u32>,
    },
}

fn whole<T: TryFrom<i128>>(field: &LayoutField, raw: Number, conversion: Conversion) -> Result<T, LayoutError> {
    T::try_from(conversion.whole(raw)).map_err(|_| field.out_of_range())
}

impl Take for Draft {
    fn invalid(&mut self) {
        self.invalid = true;
    }

    fn unreadable(&mut self, error: LayoutError) {
        self.unreadable.get_or_insert(error);
    }

    fn take(&mut self, field: &LayoutField, value: FieldValue) -> Result<(), LayoutError> {
        let Some(meaning) = field.meaning else { return Ok(()) };
        let (raw, conversion) = match value {
            FieldValue::Samples(samples) => {
                self.samples = Some(samples);
                return Ok(());
            }
            FieldValue::Text(text) => {
                *if meaning == Meaning::Channel { &mut self.channel } else { &mut self.device_name } = Some(text);
                return Ok(());
            }
            FieldValue::Absent => {
                match meaning {
                    Meaning::Thickness => self.value = Some(GaugeValue::Thickness(None)),
                    Meaning::EchoTime => self.value = Some(GaugeValue::EchoTime(None)),
                    _ => {}
                }
                return Ok(());
            }
            FieldValue::Number { raw, conversion } => (raw, conversion),
        };
        let value = conversion.apply(raw);
        let counter = Counter { raw, wraps_at: field.wraps_at, conversion };
        match meaning {
            Meaning::Seq => self.seq = Some(counter),
            Meaning::DeviceTime => {
                whole::<u64>(field, raw, conversion)?;
                self.device_time = Some(counter);
            }
            Meaning::Encoder => self.encoder = Some(counter),
            Meaning::Across => self.across = Some(counter),
            Meaning::Gain => self.gain = Some(Decibel::db(value)),
            Meaning::SampleRate if value > 0.0 => self.rate = Some(Frequency::hz(value)),
            Meaning::FirstSample => self.first = Some(Time::ns(value)),
            Meaning::ConverterBits => {
                let bits = whole(field, raw, conversion)?;
                self.bits = Some(bits).filter(|bits| (2..=16).contains(bits));
                if self.bits.is_none() {
                    return Err(field.out_of_range());
                }
            }
            Meaning::SampleCount => self.sample_count = Some(whole(field, raw, conversion)?),
            Meaning::DeviceId => self.device_id = Some(whole(field, raw, conversion)?),
            Meaning::Battery => self.battery_mv = Some(whole(field, raw, conversion)?),
            Meaning::SurfaceTemperature if value > -273.15 => self.surface = Some(Temperature::celsius(value)),
            // No wall is 0 thick and no echo comes before its pulse: such a value is a fault or a way to say
            // "no echo" that the profile must name with `absent`.
            Meaning::Thickness if value > 0.0 => self.value = Some(GaugeValue::Thickness(Some(Length::mm(value)))),
            Meaning::EchoTime if value > 0.0 => self.value = Some(GaugeValue::EchoTime(Some(Time::ns(value)))),
            Meaning::Channel => self.channel = Some(conversion.whole(raw).to_string()),
            Meaning::Version | Meaning::Samples | Meaning::DeviceName => {}
            Meaning::SampleRate | Meaning::SurfaceTemperature | Meaning::Thickness | Meaning::EchoTime => return Err(field.out_of_range()),
        }
        Ok(())
    }
}

impl Draft {
    /// The record, if all that it needs is there. `fixed` gives what the device never sends.
    pub fn finish(self, kind: RecordKind, fixed: &FixedHeader, memory: &mut Memory) -> Result<FrameOutcome, LayoutError> {
        let measures = matches!(kind, RecordKind::Shot | RecordKind::Gauge);
        if let Some(error) = self.unreadable.clone().filter(|_| !(measures && self.invalid)) {
            return Err(error);
        }
        if let Some(channel) = self.channel.as_ref().filter(|_| measures)
            && memory.channel.get_or_insert_with(|| channel.clone()) != channel
        {
            return Ok(FrameOutcome::OtherChannel { channel: channel.clone(), seq: self.seq.map(|seq| memory.seq_beside(seq)) });
        }
        let record = match kind {
            RecordKind::Ignore => return Ok(FrameOutcome::Ignored),
            // It says itself that it saw no wall: what it sent beside is none.
            RecordKind::Shot | RecordKind::Gauge if self.invalid => memory.gauge(&self, GaugeValue::NoCoupling),
            RecordKind::Header => {
                let missing = |what: Meaning| LayoutError::NoValue(what.word().to_owned());
                let header = Header {
                    base: TimeBase {
                        rate: self.rate.or(fixed.rate).ok_or_else(|| missing(Meaning::SampleRate))?,
                        first: memory.first.or(self.first).or(fixed.first).ok_or_else(|| missing(Meaning::FirstSample))?,
                        bits: self.bits.or(fixed.bits).ok_or_else(|| missing(Meaning::ConverterBits))?,
                    },
                    samples: self.sample_count.or(fixed.samples).unwrap_or(0),
                    device_id: self.device_id.unwrap_or(fixed.device_id),
                    device_name: self.device_name.unwrap_or_else(|| fixed.device_name.clone()),
                };
                memory.header = Some(header.clone());
                Record::Header(header)
            }
            RecordKind::Shot => {
                let samples = self.samples.ok_or_else(|| LayoutError::NoValue(Meaning::Samples.word().to_owned()))?;
                let Some(header) = &mut memory.header else { return Ok(FrameOutcome::BeforeHeader) };
                let wanted = usize::from(header.samples);
                if samples.is_empty() || wanted != 0 && wanted != samples.len() {
                    return Err(LayoutError::Samples { found: samples.len(), wanted });
                }
                if let Some(first) = self.first {
                    (header.base.first, memory.first) = (first, Some(first));
                }
                memory.anew(&[self.seq, self.device_time]);
                Record::Shot(Shot {
                    seq: memory.seq(self.seq),
                    device_time_us: memory.device_time(self.device_time),
                    encoder: memory.encoder(self.encoder),
                    across: memory.across(self.across),
                    gain: self.gain.unwrap_or(Decibel::ZERO),
                    samples,
                })
            }
            RecordKind::Status => Record::Status(Status {
                device_time_us: memory.device_time(self.device_time),
                battery_mv: self.battery_mv,
                surface_temperature: self.surface,
            }),
            RecordKind::Gauge => {
                let value = self.value.ok_or_else(|| LayoutError::NoValue(Meaning::Thickness.word().to_owned()))?;
                memory.gauge(&self, value)
            }
        };
        Ok(FrameOutcome::Record(record))
    }
}

impl Memory {
    /// For the shots of one channel.
    pub fn of(channel: Option<String>) -> Self {
        Self { channel, ..Self::default() }
    }

    fn gauge(&mut self, draft: &Draft, value: GaugeValue) -> Record {
        self.anew(&[draft.seq, draft.device_time]);
        Record::Gauge(Gauge {
            seq: self.seq(draft.seq),
            device_time_us: self.device_time(draft.device_time),
            encoder: self.encoder(draft.encoder),
            across: self.across(draft.across),
            value,
        })
    }

    /// A device that starts anew, by its number and its clock, starts its encoder anew too.
    fn anew(&mut self, [seq, time]: &[Option<Counter>; 2]) {
        let falls = [seq.map(|seq| self.seq.falls(seq, LONGEST_NUMBER)), time.map(|time| self.device_time.falls(time, LONGEST_TIME))];
        if falls.contains(&Some(true)) && !falls.contains(&Some(false)) {
            self.encoder.anew();
            self.across.anew();
        }
    }

    /// The device's number, or our own count where it has none.
    fn seq(&mut self, sent: Option<Counter>) -> u32 {
        match sent {
            Some(counter) => self.seq.next(counter, Some(LONGEST_NUMBER)).rem_euclid(1 << 32) as u32,
            None => {
                let seq = self.own_seq;
                self.own_seq = seq.wrapping_add(1);
                seq
            }
        }
    }

    /// The number of a shot that is not read, as the next of ours would be counted; ours goes on from where it was.
    fn seq_beside(&self, counter: Counter) -> u32 {
        self.seq.peek(counter, Some(LONGEST_NUMBER)).rem_euclid(1 << 32) as u32
    }

    fn device_time(&mut self, sent: Option<Counter>) -> Option<u64> {
        sent.and_then(|counter| u64::try_from(self.device_time.next(counter, Some(LONGEST_TIME))).ok())
    }

    /// Counts beyond 32 bits go round, as the odometer expects.
    fn encoder(&mut self, sent: Option<Counter>) -> Option<i32> {
        sent.map(|counter| self.encoder.next(counter, None) as i32)
    }

    fn across(&mut self, sent: Option<Counter>) -> Option<i32> {
        sent.map(|counter| self.across.next(counter, None) as i32)
    }
}
