//! What the engine watches from reading to reading: the zero, whether first echo and spacing disagree, stretches without an echo.

use super::words::{cause_words, zero_words};
use super::{Engine, Notice, OpenGap, Outcome, ZERO_STEP};
use backwall_store::EventKind;
use backwall_survey::job::validity::{is_far_from_blocks, rests_on_zero};
use backwall_survey::reading::Reading;
use backwall_ultrasound::{Flag, Mode, ZeroKeeping};
use backwall_units::{Length, Temperature, Wording};

impl Engine {
    /// Keeps an event where the zero moves, and alarms where it is kept fixed and has moved past the reading's U.
    pub(super) fn watch_zero(&mut self, reading: &Reading, out: &mut Outcome) {
        let (Some(zero), Some(thickness)) = (self.maker.zero(), reading.measurement.thickness) else { return };
        let length = self.maker.length(zero.late, thickness);
        let step = ZERO_STEP.max(zero.uncertainty * 4.0);
        let found = zero.cause().filter(|cause| zero.late.abs() > step && self.cause_told != Some(*cause));
        let moved = (zero.late - self.zero_told).abs() > step;
        self.zero = Some((zero, length));
        let doubted = moved && reading.measurement.flags.has(Flag::ZeroMoved) && self.maker.setup().zero_keeping == ZeroKeeping::Fixed;
        if !moved && found.is_none() {
            return;
        }
        let known = std::mem::replace(&mut self.zero_told, zero.late);
        self.cause_told = zero.cause().or(self.cause_told);
        let cause = zero.cause().map_or_else(String::new, |cause| format!(" ({})", cause_words(cause)));
        let words = Wording::from("zero ").then(&zero_words(&zero, length)).say(cause);
        let (kind, text) = match doubted {
            true => (
                EventKind::Alarm,
                words.say(": more than U, the readings are that much off; take the zero, read echo to echo or calibrate again"),
            ),
            false => (EventKind::Status, words.say(format!(", was {:+.0} ns", known.as_ns()))),
        };
        if doubted {
            self.ring(1);
            self.notify(Notice::Fault(text.clone()), out);
        }
        self.event(kind, text, reading.host_time_us, out);
    }

    /// Says once where the device finds the wall further from the blocks than the zero may be kept for.
    pub(super) fn watch_far(&mut self, wall: Temperature, at_us: i64, out: &mut Outcome) {
        let setup = self.maker.setup();
        if self.said_far || !is_far_from_blocks(setup, wall) {
            return;
        }
        self.said_far = true;
        let blocks = setup.reference_temperature();
        let mut text = Wording::from("the wall is at ").temperature(wall).say(", the blocks were at ").temperature(blocks);
        if rests_on_zero(setup) {
            text = text
                .say(": too far apart to keep the zero; have it tracked, read echo to echo, or calibrate on blocks as warm as the wall");
            self.notify(Notice::Fault(text.clone()), out);
        }
        self.event(EventKind::FarFromBlocks, text, at_us, out);
    }

    /// Says where first echo and echo to echo begin to disagree.
    pub(super) fn watch_disagreement(&mut self, reading: &Reading, out: &mut Outcome) {
        if self.setup.mode != Mode::FirstEcho {
            return;
        }
        let before = self.disagreement.now();
        self.disagreement.push(reading, self.maker.echo_to_echo());
        if let (None, Some(found)) = (before, self.disagreement.now()) {
            let text = found.wording().say(": they differ by more than U");
            self.event(EventKind::Alarm, text, reading.host_time_us, out);
        }
    }

    pub(super) fn watch_gap(&mut self, reading: &Reading, out: &mut Outcome) {
        let along = reading.place.along;
        if reading.measurement.thickness.is_some() {
            self.gap = OpenGap { from: along, ..OpenGap::default() };
            return;
        }
        self.gap.from = self.gap.from.or(along);
        let from = self.gap.from.unwrap_or(Length::ZERO);
        let length = along.map_or(Length::ZERO, |along| (along - from).abs());
        let length = self.gap.length.map_or(length, |known| known.max(length));
        self.gap.length = Some(length);
        if length > self.max_gap && !self.gap.told {
            self.gap.told = true;
            self.counts.long_gaps += 1;
            self.ring(1);
            let text = Wording::from("no echo over more than ").length(self.max_gap, 0).say(" from ").length(from, 0).say(" on");
            self.event(EventKind::Alarm, text, reading.host_time_us, out);
            out.notices.push(Notice::LongGap { from: Some(from), length, seq: reading.seq });
        }
    }
}
