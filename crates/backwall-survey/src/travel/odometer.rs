//! Encoder counts to a place along the line: scale, start offset, direction, reversing, course and speed.

use super::Place;
use super::across::Sideways;
use super::doubt::{self, Doubt, Moment, Steps};
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
    /// 1 where places rise as the crawler drives on, -1 where they fall.
    pub const fn sign(self) -> f64 {
        match self {
            Self::Down => -1.0,
            Self::Up | Self::Across => 1.0,
        }
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
    /// From the line's start to where the run starts, along the way it is driven.
    #[serde(rename = "offset_mm", default, skip_serializing_if = "is_nothing")]
    pub offset: Length,
    /// Of the whole line.
    #[serde(rename = "length_mm")]
    pub length: Length,
    pub direction: Direction,
    /// Course, its lower and its upper edge; for lines across the one course they run in, if it is known.
    pub courses: Vec<(u16, Length, Length)>,
    pub across_course: Option<u16>,
    /// The procedure's fastest speed, by which jumps are known; missing in runs recorded before places were doubted.
    #[serde(rename = "max_speed_mm_s", default, skip_serializing_if = "Option::is_none")]
    pub max_speed: Option<Speed>,
    /// Counts per millimetre of the encoder across, where there is one; negative where it counts backwards.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub across_counts_per_mm: Option<f64>,
    /// The shortest step of the encoder across that may be a jump; missing in runs recorded before shorter ones than along were doubted.
    #[serde(rename = "across_jump_mm", default, skip_serializing_if = "Option::is_none")]
    pub across_jump: Option<Length>,
    /// How far beside the line the scanner stands as the run begins, by the operator's word; the encoder across counts from there.
    #[serde(rename = "across_start_mm", default, skip_serializing_if = "is_nothing")]
    pub across_start: Length,
    /// How far beside the line the probe of this run is, where the plan gives its channel a track of its own.
    #[serde(rename = "track_mm", default, skip_serializing_if = "is_nothing")]
    pub track: Length,
}

fn is_nothing(length: &Length) -> bool {
    *length == Length::ZERO
}

impl Path {
    /// Where the line starts.
    pub fn line_start(&self) -> Length {
        self.start - self.offset * self.direction.sign()
    }

    /// The same line for a run that starts so far from the line's start; refused where that is not on the line.
    pub fn starting(self, offset: Length) -> Result<Self, NotOnLine> {
        if !(offset >= Length::ZERO && offset < self.length) {
            return Err(NotOnLine { offset, length: self.length });
        }
        let start = self.line_start() + offset * self.direction.sign();
        Ok(Self { start, offset, ..self })
    }

    /// The places of the line from end to end, in rising order.
    pub fn span(&self) -> (Length, Length) {
        let start = self.line_start();
        let end = start + self.length * self.direction.sign();
        (start.min(end), start.max(end))
    }

    /// The course a place lies in. On a seam the upper course counts; above the last course the last one.
    pub fn course_at(&self, along: Length) -> Option<u16> {
        if self.direction == Direction::Across {
            return self.across_course;
        }
        self.courses.iter().rev().find(|(_, bottom, _)| along >= *bottom).or(self.courses.first()).map(|course| course.0)
    }
}

/// A run that would start where its line is not.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("the line is {:.0} mm long: {:.1} mm from its start is not on it", .length.as_mm(), .offset.as_mm())]
pub struct NotOnLine {
    pub offset: Length,
    pub length: Length,
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
    /// Where the count was seen that `travelled` is counted from.
    from: Length,
    last: i32,
    at: Option<Moment>,
    steps: Steps,
    window: std::collections::VecDeque<(u64, i64)>,
    sideways: Sideways,
}

impl Odometer {
    pub fn new(path: Path) -> Result<Self, TravelError> {
        if !path.counts_per_mm.is_finite() || path.counts_per_mm == 0.0 {
            return Err(TravelError::CountsPerMm(path.counts_per_mm));
        }
        Ok(Self {
            from: path.start,
            path,
            last: 0,
            at: None,
            steps: Steps::default(),
            window: Default::default(),
            sideways: Sideways::default(),
        })
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The crawler stands at a known place: the next count seen is there, whatever was counted or doubted before. Beside the line it is where it
    /// was, if nothing else is said.
    pub fn set_place(&mut self, along: Length, across: Option<Length>) {
        // Rounded to what is stored, as every place is.
        self.from = Length::micrometres(along.as_micrometres());
        (self.at, self.steps) = (None, Steps::default());
        self.window.clear();
        // The second encoder may have started anew with the first.
        match across {
            Some(at) => self.sideways.set(Length::micrometres(at.as_micrometres())),
            None => self.sideways.go_on(),
        }
    }

    /// The place of a shot from the raw counts of both encoders (which may wrap), and why it is not believed.
    pub fn place(&mut self, encoder: Option<i32>, across: Option<i32>, now: Moment) -> (Place, Doubt) {
        let (across, astray) = self.sideways.place(&self.path, across, now);
        let course = self.path.across_course.filter(|_| self.path.direction == Direction::Across);
        let nowhere = Place { along: None, course, speed: None, across };
        let Some(counts) = encoder else { return (nowhere, Doubt { off_line: false, jumped: astray }) };
        let before = self.at.replace(now);
        // An i32 counter that wraps is followed by the wrapped difference.
        let step = before.map_or(0, |_| counts.wrapping_sub(self.last));
        self.last = counts;
        self.steps.go_on(&self.path, (self.path.counts_per_mm, doubt::SHORTEST_JUMP), step, (before.unwrap_or(now), now));
        let driven = Length::mm(self.steps.all() as f64 / self.path.counts_per_mm);
        let along = self.from + driven * self.path.direction.sign();
        let speed = now.device_us.and_then(|now| self.speed(now));
        let doubt = Doubt { off_line: doubt::is_off_line(&self.path, along), jumped: astray || !self.steps.is_believed() };
        if doubt.is_any() {
            return (nowhere, doubt);
        }
        // Rounded to what is stored, so that a reading made again from the job file is the same.
        let along = Length::micrometres(along.as_micrometres());
        (Place { along: Some(along), course: self.path.course_at(along), speed, across }, doubt)
    }

    fn speed(&mut self, now: u64) -> Option<Speed> {
        if self.window.back().is_some_and(|(last, _)| now < *last) {
            self.window.clear();
        }
        self.window.push_back((now, self.steps.believed()));
        while self.window.len() > 2 && self.window[1].0 + SPEED_WINDOW_US <= now {
            self.window.pop_front();
        }
        let (then, travelled) = *self.window.front()?;
        let elapsed = now.saturating_sub(then);
        if elapsed < SPEED_WINDOW_US / 2 {
            return None;
        }
        let millimetres = (self.steps.believed() - travelled) as f64 / self.path.counts_per_mm;
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
            offset: Length::ZERO,
            length: Length::mm(2000.0),
            direction,
            courses: vec![(1, Length::ZERO, Length::mm(1000.0)), (2, Length::mm(1000.0), Length::mm(2400.0))],
            across_course: Some(2),
            max_speed: None,
            across_counts_per_mm: None,
            across_jump: None,
            across_start: Length::ZERO,
            track: Length::ZERO,
        }
    }
    fn at(device_us: Option<u64>) -> Moment {
        Moment { device_us, host_us: 0 }
    }
    fn along(odometer: &mut Odometer, counts: i32) -> f64 {
        odometer.place(Some(counts), None, at(None)).0.along.unwrap().as_mm()
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
        assert_eq!(up.place(Some(0), None, at(None)).0.course, Some(1));
        assert_eq!(up.place(Some(36_000), None, at(None)).0.course, Some(2));
        let mut across = Odometer::new(path(Direction::Across)).unwrap();
        assert_eq!(across.place(Some(0), None, at(None)).0.course, Some(2));
    }

    #[test]
    fn speed_is_signed_and_unknown_until_time_has_passed() {
        let mut up = Odometer::new(path(Direction::Up)).unwrap();
        assert_eq!(up.place(Some(0), None, at(Some(0))).0.speed, None);
        for step in 1..=10 {
            up.place(Some(step * 160), None, at(Some(u64::from(step as u32) * 100_000)));
        }
        assert_eq!(up.place(Some(11 * 160), None, at(Some(1_100_000))).0.speed, Some(Speed::mm_s(40.0)));
        for step in 1..=10 {
            up.place(Some(1760 - step * 160), None, at(Some(1_100_000 + u64::from(step as u32) * 100_000)));
        }
        assert_eq!(up.place(Some(0), None, at(Some(2_200_000))).0.speed, Some(Speed::mm_s(-40.0)));
    }

    #[test]
    fn no_counts_per_mm_is_refused() {
        let wrong = Path { counts_per_mm: 0.0, ..path(Direction::Up) };
        assert_eq!(Odometer::new(wrong).err(), Some(TravelError::CountsPerMm(0.0)));
    }

    /// 60 mm/s at most, a shot every 5 ms.
    fn watched() -> Odometer {
        Odometer::new(Path { max_speed: Some(Speed::mm_s(60.0)), ..path(Direction::Up) }).unwrap()
    }
    fn drive(odometer: &mut Odometer, counts: &[i32]) -> Vec<(Option<f64>, Doubt)> {
        let placed = |(shot, counts): (usize, &i32)| {
            let (place, doubt) = odometer.place(Some(*counts), None, at(Some(shot as u64 * 5_000)));
            (place.along.map(Length::as_mm), doubt)
        };
        counts.iter().enumerate().map(placed).collect()
    }

    // Arithmetic: 40 counts a mm; 5 km are 200,000,000 counts.
    #[test]
    fn a_jump_is_not_believed_until_it_is_taken_back_and_what_was_driven_meanwhile_counts() {
        let (jumped, fine) = (Doubt { off_line: true, jumped: true }, Doubt::default());
        let far = 200_000_000;
        let found = drive(&mut watched(), &[0, 40, far + 80, far + 120, far + 160, 200, 240]);
        let want = [(Some(100.0), fine), (Some(101.0), fine), (None, jumped), (None, jumped), (None, jumped), (Some(105.0), fine)];
        assert_eq!((&found[..6], found[6]), (&want[..], (Some(106.0), fine)));
        // Within the line, 500 mm to and fro.
        let found = drive(&mut watched(), &[0, 20_000, 20_040, 80]);
        let jumped = Doubt { off_line: false, jumped: true };
        assert_eq!(found, [(Some(100.0), fine), (None, jumped), (None, jumped), (Some(102.0), fine)]);
    }

    #[test]
    fn any_counts_whatever_are_survived_and_the_place_is_found_again() {
        let wild = [0, 1_610_612_736, -1_610_612_736, i32::MIN, i32::MAX, 40];
        assert_eq!(drive(&mut watched(), &wild).last(), Some(&(Some(101.0), Doubt::default())));
    }

    #[test]
    fn a_counter_that_starts_anew_leaves_no_place_for_the_rest_of_the_run() {
        let found = drive(&mut watched(), &[80_000, 80_040, 0, 40, 80]);
        assert!(found[2..].iter().all(|(along, doubt)| along.is_none() && doubt.jumped), "{found:?}");
    }

    // 5 % of 2000 mm are less than 200 mm.
    #[test]
    fn a_place_is_off_the_line_more_than_200_mm_beyond_its_ends() {
        let mut odometer = watched();
        let mut at_mm = |mm: i32| odometer.place(Some(mm * 40), None, at(Some(u64::from(mm.unsigned_abs()) * 1_000_000))).1.off_line;
        assert_eq!([at_mm(0), at_mm(2_199), at_mm(2_201), at_mm(2_199)], [false, false, true, false]);
    }

    // Arithmetic: 400 counts are 10 mm.
    #[test]
    fn a_place_that_is_set_is_where_the_next_shot_was_taken_and_ends_the_doubt_of_a_jump() {
        let mut odometer = watched();
        drive(&mut odometer, &[80_000, 80_040, 0, 40]);
        odometer.set_place(Length::mm(500.0), None);
        let fine = Doubt::default();
        assert_eq!(drive(&mut odometer, &[90, 490, 90]), [(Some(500.0), fine), (Some(510.0), fine), (Some(500.0), fine)]);
        let mut down = Odometer::new(path(Direction::Down)).unwrap();
        down.set_place(Length::mm(40.0), None);
        assert_eq!((along(&mut down, 7), along(&mut down, 407)), (40.0, 30.0));
        // The ends of the line stay where they are.
        odometer.set_place(Length::mm(2_301.0), None);
        assert!(odometer.place(Some(0), None, at(None)).1.off_line);
    }

    // Arithmetic: down from 100 mm over 2000 mm, begun 1200 mm on: at -1100 mm, with the ends of the line where they were.
    #[test]
    fn a_run_that_starts_within_its_line_is_off_it_only_beyond_the_ends_of_the_line() {
        let down = Path { max_speed: Some(Speed::mm_s(60.0)), ..path(Direction::Down) }.starting(Length::mm(1200.0)).unwrap();
        assert_eq!((down.start, down.line_start(), down.span()), (Length::mm(-1100.0), Length::mm(100.0), path(Direction::Down).span()));
        assert_eq!(down.clone().starting(Length::ZERO).unwrap().start, Length::mm(100.0), "an offset is counted from the line's start");
        let mut odometer = Odometer::new(down).unwrap();
        let mut at_mm = |mm: i32| {
            let (place, doubt) = odometer.place(Some(mm * 40), None, at(Some(10_000_000 + u64::from(mm.unsigned_abs()) * 1_000_000)));
            (place.along.map(Length::as_mm), doubt.off_line)
        };
        assert_eq!([at_mm(0), at_mm(999)], [(Some(-1100.0), false), (Some(-2099.0), false)]);
        assert_eq!([at_mm(1001), at_mm(-1399)], [(None, true), (Some(299.0), false)]);
        assert_eq!(at_mm(-1401), (None, true));
    }

    #[test]
    fn no_run_starts_where_its_line_is_not() {
        for offset in [-0.1, 2000.0, f64::NAN] {
            let refused = path(Direction::Up).starting(Length::mm(offset)).unwrap_err();
            assert!(refused.to_string().contains("the line is 2000 mm long"), "{refused}");
        }
    }

    #[test]
    fn a_run_of_before_has_its_places_as_they_were() {
        let mut before = Odometer::new(path(Direction::Up)).unwrap();
        assert_eq!(drive(&mut before, &[0, 200_000_000])[1], (Some(5_000_100.0), Doubt::default()));
    }

    // A long silence explains a long way: 500 mm in 10 s.
    #[test]
    fn what_a_crawler_can_have_driven_in_a_silence_is_believed() {
        let mut odometer = watched();
        odometer.place(Some(0), None, Moment { device_us: None, host_us: 0 });
        let (place, doubt) = odometer.place(Some(20_000), None, Moment { device_us: None, host_us: 10_000_000 });
        assert_eq!((place.along, doubt), (Some(Length::mm(600.0)), Doubt::default()));
    }
}
