//! A device that has started anew: its number, its clock and its encoder begin again, and where the crawler stands no longer
//! follows from the encoder.

/// What one shot says of when and where it was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    pub seq: u32,
    pub device_us: Option<u64>,
    pub encoder: Option<i32>,
}

/// A device, or its encoder alone, that started anew between two shots.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Restart {
    pub before: Counted,
    pub after: Counted,
    /// What it has counted since, as it is found.
    pub counted: i32,
    /// The rest of the device went on.
    pub encoder_alone: bool,
}

/// An encoder that counts less than this part of what it counted has started anew; one that had not come farther than so many mm
/// is where it was anyway. Common practice, no source.
const ANEW_PART: i64 = 2;
const NEAR_MM: f64 = 5.0;
/// An encoder that alone jumps to its start is believed to have started anew when it has counted on from there for so many shots: a
/// damaged count comes once. Common practice, no source.
const BELIEVED_AFTER: u32 = 10;
/// So far it fell at least: less may have been driven. No crawler drives it from one shot to the next but one of these.
const FELL_MM: f64 = 50.0;
const NEXT_SHOTS: u32 = 10;

/// Watches for restarts.
#[derive(Debug, Clone, Default)]
pub struct RestartWatch {
    last: Option<Counted>,
    alone: Option<Alone>,
}

/// An encoder that has jumped to its start, and is not yet believed.
#[derive(Debug, Clone, Copy)]
struct Alone {
    before: Counted,
    after: Counted,
    shots: u32,
}

impl RestartWatch {
    /// Takes the next shot; `silent` where nothing had come for longer than it should take, or the link was down.
    pub fn next(&mut self, now: Counted, counts_per_mm: f64, silent: bool) -> Option<Restart> {
        let before = self.last.replace(now)?;
        let (was, is) = before.encoder.zip(now.encoder)?;
        let mm = |mm: f64| (counts_per_mm.abs() * mm) as i64;
        let step = (i64::from(is) - i64::from(was)).abs();
        if let Some(alone) = self.alone {
            return self.believed(alone, is, step < mm(FELL_MM) && !silent);
        }
        let (was, is) = (i64::from(was).abs(), i64::from(is).abs());
        if is * ANEW_PART >= was || was - is < mm(NEAR_MM) {
            return None;
        }
        let number_fell = now.seq < before.seq;
        let clock_fell = before.device_us.zip(now.device_us).is_some_and(|(was, is)| is < was);
        // A device without a clock, whose numbers are ours: only its encoder shows it, exactly at its start and behind a silence.
        let follows = now.device_us.is_none() && now.seq == before.seq.wrapping_add(1);
        if number_fell || clock_fell || silent && follows && is < mm(NEAR_MM) {
            return Some(Restart { before, after: now, counted: 0, encoder_alone: false });
        }
        let next = now.seq.wrapping_sub(before.seq) <= NEXT_SHOTS;
        if !silent && next && is < mm(NEAR_MM) && was - is >= mm(FELL_MM) {
            self.alone = Some(Alone { before, after: now, shots: 1 });
        }
        None
    }

    /// The next shot of an encoder that alone has jumped to its start; `goes_on` where it counts on from there.
    fn believed(&mut self, alone: Alone, is: i32, goes_on: bool) -> Option<Restart> {
        let shots = alone.shots + 1;
        self.alone = (goes_on && shots < BELIEVED_AFTER).then_some(Alone { shots, ..alone });
        let Alone { before, after, .. } = alone;
        let counted = is.wrapping_sub(after.encoder.unwrap_or(is));
        (goes_on && shots >= BELIEVED_AFTER).then_some(Restart { before, after, counted, encoder_alone: true })
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

    // 40 counts a mm: from 850 mm to 0, and on with 1 mm a shot.
    #[test]
    fn an_encoder_that_alone_starts_anew_in_a_drive_is_believed_when_it_has_counted_on_and_a_damaged_count_is_not() {
        let shot = |seq: u32, encoder: i32| Counted { seq, device_us: Some(u64::from(seq) * 10_000), encoder: Some(encoder) };
        let mut watch = RestartWatch::default();
        let drive = (900..905).map(|seq| shot(seq, 34_000 + seq as i32)).chain((905..940).map(|seq| shot(seq, (seq as i32 - 905) * 40)));
        let found: Vec<_> = drive.filter_map(|shot| Some((shot.seq, watch.next(shot, 40.0, false)?))).collect();
        let (before, after) = (shot(904, 34_904), shot(905, 0));
        assert_eq!(found, [(914, Restart { before, after, counted: 360, encoder_alone: true })]);
        let damaged = (900..940).map(|seq| (seq, Some(u64::from(seq) * 10_000), if seq % 9 == 0 { 0 } else { 34_000 }, false));
        assert_eq!(restarts(&damaged.collect::<Vec<_>>()), [0u32; 0]);
        let back = (900..1000).map(|seq| (seq, Some(u64::from(seq) * 10_000), 34_000 - (seq as i32 - 900) * 400, false));
        assert_eq!(restarts(&back.collect::<Vec<_>>()), [0u32; 0], "driven back to its start, and over it");
    }

    #[test]
    fn an_encoder_that_goes_on_is_no_restart_whatever_number_and_clock_say() {
        assert_eq!(restarts(&[(900, Some(9_000_000), 34_000, false), (0, Some(1_000), 34_040, false)]), [0u32; 0]);
        assert_eq!(restarts(&[(900, Some(9_000_000), 150, false), (0, Some(1_000), 0, false)]), [0u32; 0], "it had not come far");
        assert_eq!(restarts(&[(7, Some(70), 400, false), (8, Some(60), 390, false), (7, Some(50), 380, false)]), [0u32; 0]);
    }
}
