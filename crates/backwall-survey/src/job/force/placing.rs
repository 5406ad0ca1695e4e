//! Where a run's readings are and what is required there, by what is in force: for runs that were put on another line, and
//! after a revision of the plan.

use super::{InForce, Standing};
use crate::reading::Reading;
use crate::strip::{Limits, Spot};
use crate::travel::{Across, Direction, Path, Place};
use backwall_units::Length;

/// How what was recorded of a run is placed and judged now.
#[derive(Debug, Clone, PartialEq)]
pub struct Placing {
    recorded: Path,
    now: Path,
    mirrored: bool,
    limits: Limits,
    /// Whether levels have to be found again.
    judges: bool,
}

impl Placing {
    /// Nothing where a run is as it was recorded. A line that the plan no longer has leaves the places as they were.
    pub fn of(force: &InForce, standing: &Standing, recorded: &Path, limits: &Limits) -> Option<Self> {
        if force.revisions.is_empty() && standing.reassigned_by.is_none() {
            return None;
        }
        let of_line = |line| {
            let planned = force.plan.path(line);
            let (offset, start) = (recorded.offset, planned.start + recorded.offset * planned.direction.sign());
            // How the encoder counted and how fast was allowed to be driven belong to the recording.
            let (counts_per_mm, across_counts_per_mm) = (recorded.counts_per_mm, recorded.across_counts_per_mm);
            let (across_start, track, max_speed) = (recorded.across_start, recorded.track, recorded.max_speed);
            Path { counts_per_mm, across_counts_per_mm, max_speed, across_start, track, start, offset, ..planned }
        };
        let now = force.plan.line(&standing.line).map_or_else(|| recorded.clone(), of_line);
        let limits_now = force.plan.limits();
        if &now == recorded && &limits_now == limits && !standing.mirrored {
            return None;
        }
        let judges = &limits_now != limits
            || now.courses != recorded.courses
            || now.across_course != recorded.across_course
            || now.direction != recorded.direction
            || standing.mirrored
            || now.start != recorded.start;
        Some(Self { recorded: recorded.clone(), now, mirrored: standing.mirrored, limits: limits_now, judges })
    }

    pub fn path(&self) -> &Path {
        &self.now
    }

    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// Whether levels, and with them spots, may be others than those recorded.
    pub fn judges_again(&self) -> bool {
        self.judges
    }

    /// A place of the recording, as it is now: the same distance driven from the line's start, or from its far end.
    pub fn along(&self, recorded: Length) -> Length {
        let driven = (recorded - self.recorded.line_start()) * self.recorded.direction.sign();
        let from_start = if self.mirrored { self.now.length - driven } else { driven };
        Length::micrometres((self.now.line_start() + from_start * self.now.direction.sign()).as_micrometres())
    }

    pub fn place(&self, recorded: Place) -> Place {
        let along = recorded.along.map(|along| self.along(along));
        let course = match along {
            Some(along) => self.now.course_at(along),
            None => self.now.across_course.filter(|_| self.now.direction == Direction::Across),
        };
        let turned = self.mirrored;
        // Driven from the far end the other side is on the right.
        let across = recorded.across.map(|across| if turned { Across { at: -across.at, ..across } } else { across });
        Place { along, course, speed: recorded.speed.map(|speed| if turned { -speed } else { speed }), across }
    }

    /// A reading as it counts now.
    pub fn reading(&self, reading: &mut Reading) {
        reading.place = self.place(reading.place);
        if self.judges {
            let course = reading.place.course;
            reading.measurement = self.limits.judged(reading.measurement, course);
            reading.level = self.limits.level(&reading.measurement, course);
        }
    }

    /// A spot whose level is as recorded, at its place now.
    pub fn spot(&self, spot: &mut Spot) {
        spot.edges = spot.edges.map(|(from, to)| self.edges(from, to));
        spot.least_at = spot.least_at.map(|along| self.along(along));
        spot.course = spot.least_at.and_then(|along| self.now.course_at(along)).or(spot.course);
        if let Some(stretch) = spot.finding.as_mut().and_then(|finding| finding.stretch.as_mut()) {
            stretch.edges = self.edges(stretch.edges.0, stretch.edges.1);
        }
    }

    /// Two places in rising order, still so.
    pub fn edges(&self, from: Length, to: Length) -> (Length, Length) {
        let (a, b) = (self.along(from), self.along(to));
        (a.min(b), a.max(b))
    }
}
