//! Where the crawler is at a time: the legs of a drive, forward, back and at rest.

use super::wall::Leg;
use backwall_units::Length;

/// One leg with a start, in seconds and mm driven from the start of the line.
#[derive(Debug, Clone)]
struct DrivenStretch {
    from_s: f64,
    driven: f64,
    speed: f64,
}

/// A drive along a line.
#[derive(Debug, Clone)]
pub struct Drive {
    stretches: Vec<DrivenStretch>,
    total_s: f64,
}

impl Drive {
    pub fn new(legs: &[Leg]) -> Self {
        let (mut stretches, mut now, mut driven) = (Vec::new(), 0.0, 0.0);
        for leg in legs {
            let speed = leg.speed.map_or(0.0, |speed| speed.as_mm_s());
            let (distance, speed) = match (leg.forward, leg.back) {
                (Some(forward), _) => (forward.as_mm(), speed),
                (_, Some(back)) => (back.as_mm(), -speed),
                _ => (0.0, 0.0),
            };
            stretches.push(DrivenStretch { from_s: now, driven, speed });
            if speed == 0.0 {
                now += leg.pause_s.unwrap_or(0.0);
            } else {
                now += distance / speed.abs();
                driven += distance * speed.signum();
            }
        }
        Self { stretches, total_s: now }
    }

    /// A crawler that stays where it is.
    pub fn parked() -> Self {
        Self { stretches: Vec::new(), total_s: 0.0 }
    }

    pub fn seconds(&self) -> f64 {
        self.total_s
    }

    /// How far from the start of the line the crawler is. Past the end it drives the same way back, and again.
    pub fn driven(&self, seconds: f64) -> Length {
        if self.total_s <= 0.0 {
            return Length::ZERO;
        }
        let lap = libm::floor(seconds / self.total_s);
        let into = seconds - lap * self.total_s;
        let at = if libm::fmod(lap, 2.0) == 0.0 { into } else { self.total_s - into };
        let index = self.stretches.partition_point(|stretch| stretch.from_s <= at).saturating_sub(1);
        self.stretches.get(index).map_or(Length::ZERO, |s| Length::mm(s.driven + s.speed * (at - s.from_s)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use backwall_units::Speed;

    #[test]
    fn legs_follow_each_other_and_the_way_back_mirrors_them() {
        let moves = |forward, back| Leg { forward, back, speed: Some(Speed::mm_s(50.0)), pause_s: None };
        let drive = Drive::new(&[
            moves(Some(Length::mm(100.0)), None),
            Leg { pause_s: Some(1.0), ..Leg::default() },
            moves(None, Some(Length::mm(50.0))),
        ]);
        assert_eq!(drive.seconds(), 4.0);
        for (seconds, mm) in [(0.0, 0.0), (1.0, 50.0), (2.5, 100.0), (3.5, 75.0), (4.0, 50.0), (4.5, 75.0), (7.0, 50.0), (8.5, 25.0)] {
            assert_eq!(drive.driven(seconds).as_mm(), mm, "at {seconds} s");
        }
        assert_eq!(Drive::parked().driven(9.0), Length::ZERO);
    }
}
