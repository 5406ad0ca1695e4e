//! The tyre watches itself: by how much the echo of its inner face comes later than on the blocks. Wear and heat of the tyre move
//! that echo as they move the zero; paint on the wall, or a gap under the wheel, moves the zero alone.

use super::zero::Zero;
use backwall_ultrasound::{FACE_LOOKS, Face, FaceLook, FaceMoved};
use backwall_units::Time;
use std::collections::VecDeque;

/// Shots whose mean shows the face.
const SHOTS: usize = 25;
/// The delay is found anew after so many.
const EVERY: u32 = 5;
/// Delays nearer than this, and than so many standard uncertainties, are the same.
const ALIKE: Time = Time::ns(15.0);
const SURE: f64 = 3.0;

/// What a zero that has moved is moved by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// The tyre's own echo has moved as far: wear or heat.
    Tyre,
    /// The tyre's own echo has not moved.
    Surface,
    /// It has moved by another amount.
    Both,
}

/// Keeps the face's looks of the last shots.
#[derive(Debug, Clone, Default)]
pub struct TyreWatch {
    /// With the zero's lateness at each.
    looks: VecDeque<(FaceLook, Time)>,
    since: u32,
    now: Option<FaceMoved>,
}

impl TyreWatch {
    pub fn push(&mut self, face: &Face, look: FaceLook, late: Time) {
        self.looks.push_back((look, late));
        if self.looks.len() > SHOTS {
            self.looks.pop_front();
        }
        self.since += 1;
        if self.looks.len() == SHOTS && self.since >= EVERY {
            self.since = 0;
            self.now = self.moved(face);
        }
    }

    /// By how much the face's echo is late, as the last shots show; `None` where they do not, or where the zero has moved among them: a mean
    /// over its jump shows neither side.
    pub fn now(&self, late: Time) -> Option<FaceMoved> {
        let rests = self.looks.iter().all(|(_, then)| (*then - late).abs() <= ALIKE);
        self.now.filter(|_| rests && self.since < EVERY)
    }

    fn moved(&self, face: &Face) -> Option<FaceMoved> {
        let (mut re, mut im) = ([0.0; FACE_LOOKS], [0.0; FACE_LOOKS]);
        for (look, _) in &self.looks {
            for k in 0..FACE_LOOKS {
                re[k] += f64::from(look.re[k]);
                im[k] += f64::from(look.im[k]);
            }
        }
        face.moved(&re, &im)
    }
}

impl Zero {
    /// What has moved it, where it has moved and the tyre's own echo shows.
    pub fn cause(&self) -> Option<Cause> {
        let tyre = self.tyre?;
        // The tyre's mean lags behind a creep by half its shots.
        let apart_u = Time::ns(libm::hypot(tyre.uncertainty.as_ns(), libm::hypot(self.uncertainty.as_ns(), self.moving.as_ns())));
        let is_alike = |a: Time, b: Time, u: Time| (a - b).abs() <= ALIKE.max(u * SURE);
        if is_alike(self.late, Time::ZERO, self.uncertainty) {
            return None;
        }
        Some(match (is_alike(tyre.late, self.late, apart_u), is_alike(tyre.late, Time::ZERO, tyre.uncertainty)) {
            (true, false) => Cause::Tyre,
            (false, true) => Cause::Surface,
            (false, false) => Cause::Both,
            (true, true) => return None,
        })
    }
}
