//! Encoder counts to a place along the line: scale, start offset, direction, reversing, course and speed.

use super::Place;
use backwall_units::{Length, Speed};
use serde::{Deserialize, Serialize};

/// The way a line runs on the wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    Up,
    Down,
    Across,
}

impl Direction {
    pub const fn word(self) -> &'static str {
        match self {
            Self::Up => "up",
            Self::Down => "down",
            Self::Across => "across",
        }
    }
    /// Lines up and down stand upright on screen, lines across lie flat.
    pub const fn is_upright(self) -> bool {
        !matches!(self, Self::Across)
    }
}

/// One planned path on the wall, and how the encoder measures it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Path {
    /// Counts per millimetre of travel; negative where the encoder counts backwards.
    pub counts_per_mm: f64,
    /// Where the run starts, along the line.
    #[serde(rename = "start_mm")]
    pub start: Length,
    #[serde(rename = "length_mm")]
    pub length: Length,
    pub direction: Direction,
    /// Course, its lower and its upper edge; for lines across the one course they run in, if it is known.
    pub courses: Vec<(u16, Length, Length)>,
    pub across_course: Option<u16>,
}

impl Path {
    /// The places from the start to the far end, in rising order.
    pub fn span(&self) -> (Length, Length) {
        match self.direction {
            Direction::Down => (self.start - self.length, self.start),
            Direction::Up | Direction::Across => (self.start, self.start + self.length),
        }
    }

    /// The course a place lies in. On a seam the upper course counts; above the last course the last one.
    pub fn course_at(&self, along: Length) -> Option<u16> {
        if self.direction == Direction::Across {
            return self.across_course;
        }
        self.courses.iter().rev().find(|(_, bottom, _)| along >= *bottom).or(self.courses.first()).map(|course| course.0)
    }
}

#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TravelError {
    #[error("encoder counts per mm is {0}: it must be a number other than zero")]
    CountsPerMm(f64),
}

/// Speed is taken over at least this much device time, so that single counts do not make it jump.
const SPEED_WINDOW_US: u64 = 250_000;

/// Follows the encoder along a path. The first count seen is the start of the line.
#[derive(Debug, Clone)]
pub struct Odometer {
    path: Path,
    first: Option<i32>,
    last: i32,
    travelled: i64,
    window: std::collections::VecDeque<(u64, i64)>,
}

impl Odometer {
    pub fn new(path: Path) -> Result<Self, TravelError> {
        if !path.counts_per_mm.is_finite() || path.counts_per_mm == 0.0 {
            return Err(TravelError::CountsPerMm(path.counts_per_mm));
        }
        Ok(Self { path, first: None, last: 0, travelled: 0, window: Default::default() })
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The place of a shot from its raw counts (which may wrap) and the device's clock.
    pub fn place(&mut self, encoder: Option<i32>, device_time_us: Option<u64>) -> Place {
        let Some(counts) = encoder else {
            return Place {
                along: None,
                course: self.path.across_course.filter(|_| self.path.direction == Direction::Across),
                speed: None,
            };
        };
        if self.first.is_none() {
            self.first = Some(counts);
            self.last = counts;
        }
        // An i32 counter that wraps is followed by the wrapped difference.
        self.travelled += i64::from(counts.wrapping_sub(self.last));
        self.last = counts;
        let driven = Length::mm(self.travelled as f64 / self.path.counts_per_mm);
        let along = match self.path.direction {
            Direction::Down => self.path.start - driven,
            Direction::Up | Direction::Across => self.path.start + driven,
        };
        // Rounded to what is stored, so that a reading made again from the job file is the same.
        let along = Length::micrometres(along.as_micrometres());
        Place { along: Some(along), course: self.path.course_at(along), speed: device_time_us.and_then(|now| self.speed(now)) }
    }

    fn speed(&mut self, now: u64) -> Option<Speed> {
        if self.window.back().is_some_and(|(last, _)| now < *last) {
            self.window.clear();
        }
        self.window.push_back((now, self.travelled));
        while self.window.len() > 2 && self.window[1].0 + SPEED_WINDOW_US <= now {
            self.window.pop_front();
        }
        let (then, travelled) = *self.window.front()?;
        let elapsed = now.saturating_sub(then);
        if elapsed < SPEED_WINDOW_US / 2 {
            return None;
        }
        let millimetres = (self.travelled - travelled) as f64 / self.path.counts_per_mm;
        Some(Speed::mm_s((millimetres / (elapsed as f64 / 1e6) * 1e3).round() / 1e3))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn path(direction: Direction) -> Path {
        Path {
            counts_per_mm: 40.0,
            start: Length::mm(100.0),
            length: Length::mm(2000.0),
            direction,
            courses: vec![(1, Length::ZERO, Length::mm(1000.0)), (2, Length::mm(1000.0), Length::mm(2400.0))],
            across_course: Some(2),
        }
    }
    fn along(odometer: &mut Odometer, counts: i32) -> f64 {
        odometer.place(Some(counts), None).along.unwrap().as_mm()
    }

    #[test]
    fn counts_become_places_from_the_start_of_the_line_in_its_direction() {
        let mut up = Odometer::new(path(Direction::Up)).unwrap();
        assert_eq!((along(&mut up, 5000), along(&mut up, 5400), along(&mut up, 4800)), (100.0, 110.0, 95.0));
        let mut down = Odometer::new(path(Direction::Down)).unwrap();
        assert_eq!((along(&mut down, -7), along(&mut down, 393)), (100.0, 90.0));
    }

    #[test]
    fn a_counter_that_wraps_goes_on() {
        let mut up = Odometer::new(path(Direction::Up)).unwrap();
        along(&mut up, i32::MAX - 39);
        assert_eq!(along(&mut up, i32::MIN + 360), 110.0);
    }

    #[test]
    fn the_course_changes_at_the_seam_and_a_line_across_stays_in_its_own() {
        let mut up = Odometer::new(path(Direction::Up)).unwrap();
        assert_eq!(up.place(Some(0), None).course, Some(1));
        assert_eq!(up.place(Some(36_000), None).course, Some(2));
        let mut across = Odometer::new(path(Direction::Across)).unwrap();
        assert_eq!(across.place(Some(0), None).course, Some(2));
    }

    #[test]
    fn speed_is_signed_and_unknown_until_time_has_passed() {
        let mut up = Odometer::new(path(Direction::Up)).unwrap();
        assert_eq!(up.place(Some(0), Some(0)).speed, None);
        for step in 1..=10 {
            up.place(Some(step * 160), Some(u64::from(step as u32) * 100_000));
        }
        assert_eq!(up.place(Some(11 * 160), Some(1_100_000)).speed, Some(Speed::mm_s(40.0)));
        for step in 1..=10 {
            up.place(Some(1760 - step * 160), Some(1_100_000 + u64::from(step as u32) * 100_000));
        }
        assert_eq!(up.place(Some(0), Some(2_200_000)).speed, Some(Speed::mm_s(-40.0)));
    }

    #[test]
    fn no_counts_per_mm_is_refused() {
        let wrong = Path { counts_per_mm: 0.0, ..path(Direction::Up) };
        assert_eq!(Odometer::new(wrong).err(), Some(TravelError::CountsPerMm(0.0)));
    }
}
