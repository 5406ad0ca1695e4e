//! First echo and spacing of the echoes are two readings of one wall. Where they differ by more than their U, shot after shot, one of them is
//! wrong: the zero has moved, or paint lies under the wheel.

use backwall_survey::reading::Reading;
use backwall_units::{Length, LengthUnit, Wording};
use std::collections::VecDeque;

/// Sound shots in a row that must differ, and the same way, before it is said; and that must agree before it is taken back.
const IN_A_ROW: usize = 5;

/// What both say, the middle of the last shots.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Disagreement {
    pub first_echo: Length,
    pub echo_to_echo: Length,
}

impl Disagreement {
    /// `first echo 6.69, echo to echo 6.00`.
    pub fn words(&self, unit: LengthUnit) -> String {
        format!("first echo {}, echo to echo {}", unit.thickness(self.first_echo), unit.thickness(self.echo_to_echo))
    }

    /// The same as it is kept.
    pub fn wording(&self) -> Wording {
        Wording::from("first echo ").thickness(self.first_echo).say(", echo to echo ").thickness(self.echo_to_echo)
    }

    /// The same in less room: `first 10.69, echo to echo 10.00`.
    pub fn short_words(&self, unit: LengthUnit) -> String {
        format!("first {}, echo to echo {}", unit.thickness(self.first_echo), unit.thickness(self.echo_to_echo))
    }
}

/// Watches the shots of a run that is read by its first echo.
#[derive(Debug, Clone, Default)]
pub struct DisagreementWatch {
    /// Both, and how they differ: -1, 0 (within U) or 1.
    last: VecDeque<(Length, Length, i8)>,
    now: Option<Disagreement>,
}

impl DisagreementWatch {
    /// A reading by its first echo, and the wall by the spacing with its standard uncertainty where both echoes are sound.
    pub fn push(&mut self, reading: &Reading, spacing: Option<(Length, Length)>) {
        let measurement = &reading.measurement;
        let (Some(first), Some(u), Some((wall, wall_u))) = (measurement.thickness, measurement.uncertainty, spacing) else { return };
        let apart = first - wall;
        // U of a difference, k = 2 (JCGM 100:2008, 5.1.2 and 6.2); what both share is counted twice, to the safe side.
        let most = Length::mm(2.0 * libm::hypot(u.as_mm(), wall_u.as_mm()));
        let way = if apart.abs() <= most { 0 } else { apart.as_mm().signum() as i8 };
        self.last.push_back((first, wall, way));
        if self.last.len() > IN_A_ROW {
            self.last.pop_front();
        }
        let all = |way: i8| self.last.len() == IN_A_ROW && self.last.iter().all(|shot| shot.2 == way);
        if all(0) {
            self.now = None;
        } else if all(1) || all(-1) || self.now.is_some() {
            self.now = Some(Disagreement { first_echo: self.middle(|shot| shot.0), echo_to_echo: self.middle(|shot| shot.1) });
        }
    }

    pub fn now(&self) -> Option<Disagreement> {
        self.now
    }

    fn middle(&self, of: impl Fn(&(Length, Length, i8)) -> Length) -> Length {
        let mut all: Vec<Length> = self.last.iter().map(of).collect();
        all.sort_by(Length::total_cmp);
        all.get(all.len() / 2).copied().unwrap_or(Length::ZERO)
    }
}
