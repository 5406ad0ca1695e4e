//! From the values of one frame to a record: what is needed, what may be absent, and what cannot be true.

use super::layout::{Field, LayoutError, Number, Take, Value};
use super::meaning::{Meaning, RecordKind};
use super::profile::FixedHeader;
use backwall_survey::reading::{Gauge, GaugeValue, Header, Record, Shot, Status};
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Length, Temperature, Time};
use std::sync::Arc;

/// The fields of one frame as they are read.
#[derive(Default)]
pub struct Draft {
    seq: Option<Counter>,
    device_time: Option<Counter>,
    encoder: Option<Counter>,
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
}

/// A counter or clock: its value in the unit of record, and where it starts again.
#[derive(Clone, Copy)]
struct Counter {
    value: i128,
    wraps_at: Option<i128>,
}

/// What is remembered from frame to frame.
#[derive(Default)]
pub struct Memory {
    pub header: Option<Header>,
    seq: Unwrap,
    device_time: Unwrap,
    encoder: Unwrap,
    own_seq: u32,
}

/// Follows a narrow counter round and round: from one value to the next it takes the shorter way.
#[derive(Default)]
struct Unwrap {
    last: Option<i128>,
}

impl Unwrap {
    fn next(&mut self, counter: Counter) -> i128 {
        let value = match (self.last, counter.wraps_at) {
            (Some(last), Some(modulus)) => {
                let ahead = (counter.value - last).rem_euclid(modulus);
                last + if ahead * 2 > modulus { ahead - modulus } else { ahead }
            }
            _ => counter.value,
        };
        self.last = Some(value);
        value
    }
}

/// What a frame comes to.
pub enum Outcome {
    Record(Record),
    /// A shot before any header: its time base is not known.
    BeforeHeader,
    Ignored,
}

fn out_of_range(field: &Field) -> LayoutError {
    LayoutError::OutOfRange(field.name.clone())
}

fn whole<T: TryFrom<i128>>(field: &Field, value: f64, raw: Number, exact: bool) -> Result<T, LayoutError> {
    let value = match raw {
        Number::Whole(raw) if exact => raw,
        _ => value.round() as i128,
    };
    T::try_from(value).map_err(|_| out_of_range(field))
}

impl Take for Draft {
    fn take(&mut self, field: &Field, value: Value) -> Result<(), LayoutError> {
        let Some(meaning) = field.meaning else { return Ok(()) };
        let (raw, value, exact) = match value {
            Value::Samples(samples) => {
                self.samples = Some(samples);
                return Ok(());
            }
            Value::Text(text) => {
                self.device_name = Some(text);
                return Ok(());
            }
            Value::Absent => {
                match meaning {
                    Meaning::Thickness => self.value = Some(GaugeValue::Thickness(None)),
                    Meaning::EchoTime => self.value = Some(GaugeValue::EchoTime(None)),
                    _ => {}
                }
                return Ok(());
            }
            Value::Number { raw, value, exact } => (raw, value, exact),
        };
        let counter = || -> Result<Counter, LayoutError> {
            let wraps_at = field.wraps_at.map(|at| whole(field, field.step(at as f64), Number::Whole(at), exact)).transpose()?;
            Ok(Counter { value: whole(field, value, raw, exact)?, wraps_at })
        };
        match meaning {
            Meaning::Seq => self.seq = Some(counter()?),
            Meaning::DeviceTime => {
                let time = counter()?;
                if u64::try_from(time.value).is_err() {
                    return Err(out_of_range(field));
                }
                self.device_time = Some(time);
            }
            Meaning::Encoder => self.encoder = Some(counter()?),
            Meaning::Gain => self.gain = Some(Decibel::db(value)),
            Meaning::SampleRate if value > 0.0 => self.rate = Some(Frequency::hz(value)),
            Meaning::FirstSample => self.first = Some(Time::ns(value)),
            Meaning::ConverterBits => {
                self.bits =
                    Some(whole(field, value, raw, exact).ok().filter(|bits| (2..=16).contains(bits)).ok_or_else(|| out_of_range(field))?);
            }
            Meaning::SampleCount => self.sample_count = Some(whole(field, value, raw, exact)?),
            Meaning::DeviceId => self.device_id = Some(whole(field, value, raw, exact)?),
            Meaning::Battery => self.battery_mv = Some(whole(field, value, raw, exact)?),
            Meaning::SurfaceTemperature if value > -273.15 => self.surface = Some(Temperature::celsius(value)),
            // No wall is 0 thick and no echo comes before its pulse: such a value is a fault or a way to say
            // "no echo" that the profile must name with `absent`.
            Meaning::Thickness if value > 0.0 => self.value = Some(GaugeValue::Thickness(Some(Length::mm(value)))),
            Meaning::EchoTime if value > 0.0 => self.value = Some(GaugeValue::EchoTime(Some(Time::ns(value)))),
            Meaning::Version | Meaning::Samples | Meaning::DeviceName => {}
            Meaning::SampleRate | Meaning::SurfaceTemperature | Meaning::Thickness | Meaning::EchoTime => return Err(out_of_range(field)),
        }
        Ok(())
    }
}

impl Draft {
    /// The record, if all that it needs is there. `fixed` gives what the device never sends.
    pub fn finish(self, kind: RecordKind, fixed: &FixedHeader, memory: &mut Memory) -> Result<Outcome, LayoutError> {
        let record = match kind {
            RecordKind::Ignore => return Ok(Outcome::Ignored),
            RecordKind::Header => {
                let missing = |what: Meaning| LayoutError::NoValue(what.word().to_owned());
                let header = Header {
                    base: TimeBase {
                        rate: self.rate.or(fixed.rate).ok_or_else(|| missing(Meaning::SampleRate))?,
                        first: self.first.or(fixed.first).ok_or_else(|| missing(Meaning::FirstSample))?,
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
                let Some(header) = &memory.header else { return Ok(Outcome::BeforeHeader) };
                let wanted = usize::from(header.samples);
                if samples.is_empty() || wanted != 0 && wanted != samples.len() {
                    return Err(LayoutError::Samples { found: samples.len(), wanted });
                }
                Record::Shot(Shot {
                    seq: memory.seq(self.seq),
                    device_time_us: memory.device_time(self.device_time),
                    encoder: memory.encoder(self.encoder),
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
                Record::Gauge(Gauge {
                    seq: memory.seq(self.seq),
                    device_time_us: memory.device_time(self.device_time),
                    encoder: memory.encoder(self.encoder),
                    value,
                })
            }
        };
        Ok(Outcome::Record(record))
    }
}

impl Memory {
    /// The device's number, or our own count where it has none.
    fn seq(&mut self, sent: Option<Counter>) -> u32 {
        match sent {
            Some(counter) => self.seq.next(counter).rem_euclid(1 << 32) as u32,
            None => {
                let seq = self.own_seq;
                self.own_seq = seq.wrapping_add(1);
                seq
            }
        }
    }

    fn device_time(&mut self, sent: Option<Counter>) -> Option<u64> {
        sent.and_then(|counter| u64::try_from(self.device_time.next(counter)).ok())
    }

    /// Counts beyond 32 bits go round, as the odometer expects.
    fn encoder(&mut self, sent: Option<Counter>) -> Option<i32> {
        sent.map(|counter| self.encoder.next(counter) as i32)
    }
}
