//! A device that has started anew: its number, its clock and its encoder begin again, and where the crawler stands no longer
//! follows from the encoder.

/// What one shot says of when and where it was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    pub seq: u32,
    pub device_us: Option<u64>,
    pub encoder: Option<i32>,
}

/// A device that started anew between two shots.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Restart {
    pub before: Counted,
    pub after: Counted,
}

/// An encoder that counts less than this part of what it counted has started anew; one that had not come farther than so many mm
/// is where it was anyway. Common practice, no source.
const ANEW_PART: i64 = 2;
const NEAR_MM: f64 = 5.0;

/// Watches for restarts.
#[derive(Debug, Clone, Default)]
pub struct RestartWatch {
    last: Option<Counted>,
}

impl RestartWatch {
    /// Takes the next shot; `silent` where nothing had come for longer than it should take, or the link was down.
    pub fn next(&mut self, now: Counted, counts_per_mm: f64, silent: bool) -> Option<Restart> {
        let before = self.last.replace(now)?;
        let (was, is) = before.encoder.zip(now.encoder)?;
        let (was, is) = (i64::from(was).abs(), i64::from(is).abs());
        let near = (counts_per_mm.abs() * NEAR_MM) as i64;
        if is * ANEW_PART >= was || was - is < near {
            return None;
        }
        let number_fell = now.seq < before.seq;
        let clock_fell = before.device_us.zip(now.device_us).is_some_and(|(was, is)| is < was);
        // A device without a clock, whose numbers are ours: only its encoder shows it, exactly at its start and behind a silence.
        let follows = now.device_us.is_none() && now.seq == before.seq.wrapping_add(1);
        (number_fell || clock_fell || silent && follows && is < near).then_some(Restart { before, after: now })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn restarts(shots: &[(u32, Option<u64>, i32, bool)]) -> Vec<u32> {
        let mut watch = RestartWatch::default();
        let found = |(seq, device_us, encoder, silent): &(u32, Option<u64>, i32, bool)| {
            watch.next(Counted { seq: *seq, device_us: *device_us, encoder: Some(*encoder) }, -40.0, *silent)
        };
        shots.iter().filter_map(found).map(|restart| restart.after.seq).collect()
    }

    // 40 counts a mm: 34,000 are 850 mm, 200 are 5 mm.
    #[test]
    fn a_restart_is_an_encoder_that_starts_anew_with_the_number_or_the_clock() {
        assert_eq!(restarts(&[(900, Some(9_000_000), 34_000, false), (0, Some(1_000), 0, false), (1, Some(11_000), 40, false)]), [0]);
        assert_eq!(restarts(&[(900, None, -34_000, false), (3, None, -120, false)]), [3], "without a clock, and counting backwards");
        assert_eq!(restarts(&[(900, Some(9_000_000), 34_000, false), (901, Some(1_000), 0, false)]), [901], "numbered by us");
    }

    #[test]
    fn an_encoder_alone_has_restarted_only_behind_a_silence_and_at_its_start() {
        assert_eq!(restarts(&[(900, None, 34_000, false), (901, None, 0, false)]), [0u32; 0], "a jump, which is doubted as one");
        assert_eq!(restarts(&[(900, None, 34_000, false), (901, None, 0, true)]), [901]);
        assert_eq!(restarts(&[(900, None, 34_000, false), (901, None, 9_000, true)]), [0u32; 0], "it may have been driven there");
        assert_eq!(restarts(&[(900, Some(9_000_000), 34_000, false), (950, Some(29_000_000), 0, true)]), [0u32; 0], "its clock went on");
    }

    #[test]
    fn an_encoder_that_goes_on_is_no_restart_whatever_number_and_clock_say() {
        assert_eq!(restarts(&[(900, Some(9_000_000), 34_000, false), (0, Some(1_000), 34_040, false)]), [0u32; 0]);
        assert_eq!(restarts(&[(900, Some(9_000_000), 150, false), (0, Some(1_000), 0, false)]), [0u32; 0], "it had not come far");
        assert_eq!(restarts(&[(7, Some(70), 400, false), (8, Some(60), 390, false), (7, Some(50), 380, false)]), [0u32; 0]);
    }
}
