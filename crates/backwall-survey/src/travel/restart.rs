//! A device that has started anew: its number, its clock and its encoders begin again, and where the crawler stands no longer
//! follows from them. Or one of its encoders alone.

use super::Path;

/// What one shot says of when and where it was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    pub seq: u32,
    pub device_us: Option<u64>,
    pub encoder: Option<i32>,
    pub across: Option<i32>,
}

/// What has begun again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StartedAnew {
    Device,
    /// The encoder along the line alone.
    Encoder,
    /// The encoder across alone.
    Across,
}

/// A device, or an encoder alone, that started anew between two shots.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Restart {
    pub before: Counted,
    pub after: Counted,
    /// What was driven along since the place that was last believed, in counts, as it is found.
    pub counted: i32,
    pub what: StartedAnew,
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
    fallen: Option<Fallen>,
}

/// An encoder that has jumped to its start, and is not yet believed.
#[derive(Debug, Clone, Copy)]
struct Fallen {
    what: StartedAnew,
    before: Counted,
    after: Counted,
    shots: u32,
}

/// One encoder from one shot to the next.
#[derive(Debug, Clone, Copy)]
struct EncoderStep {
    was: i64,
    is: i64,
    counts_per_mm: f64,
}

impl EncoderStep {
    fn of(was: Option<i32>, is: Option<i32>, counts_per_mm: Option<f64>) -> Option<Self> {
        Some(Self { was: i64::from(was?), is: i64::from(is?), counts_per_mm: counts_per_mm?.abs() })
    }
    fn counts(self, mm: f64) -> i64 {
        (self.counts_per_mm * mm) as i64
    }
    fn is_less_than(self, mm: f64) -> bool {
        (self.is - self.was).abs() < self.counts(mm)
    }
    fn is_at_start(self) -> bool {
        self.is.abs() < self.counts(NEAR_MM)
    }
    /// Whether it counts far less than before, by so many mm at least.
    fn fell(self, mm: f64) -> bool {
        let (was, is) = (self.was.abs(), self.is.abs());
        is * ANEW_PART < was && was - is >= self.counts(mm)
    }
}

impl RestartWatch {
    /// Takes the next shot; `silent` where nothing had come for longer than it should take, or the link was down; `is_placed` where the place of the
    /// shot before was believed.
    pub fn next(&mut self, now: Counted, path: &Path, silent: bool, is_placed: bool) -> Option<Restart> {
        let before = self.last.replace(now)?;
        let along = EncoderStep::of(before.encoder, now.encoder, Some(path.counts_per_mm));
        let across = EncoderStep::of(before.across, now.across, path.across_counts_per_mm);
        let shortest_across = path.across_jump.map_or(FELL_MM, |jump| jump.as_mm());
        if let Some(fallen) = self.fallen.take() {
            let goes_on = match fallen.what {
                StartedAnew::Across => across.is_some_and(|step| step.is_less_than(shortest_across)),
                _ => along.is_some_and(|step| step.is_less_than(FELL_MM)),
            };
            // Where the place is believed again, what fell has come back.
            return if goes_on && !silent && !is_placed { self.goes_on(fallen, now) } else { None };
        }
        let number_fell = now.seq < before.seq;
        let clock_fell = before.device_us.zip(now.device_us).is_some_and(|(was, is)| is < was);
        // A device without a clock, whose numbers are ours: only its encoder shows it, exactly at its start and behind a silence.
        let follows = now.device_us.is_none() && now.seq == before.seq.wrapping_add(1);
        let along_fell = along.is_some_and(|step| step.fell(NEAR_MM));
        let across_fell = across.is_some_and(|step| step.fell(shortest_across));
        let is_device = (number_fell || clock_fell) && (along_fell || across_fell);
        if is_device || silent && follows && along_fell && along.is_some_and(EncoderStep::is_at_start) {
            return Some(Restart { before, after: now, counted: 0, what: StartedAnew::Device });
        }
        let next = !silent && is_placed && now.seq.wrapping_sub(before.seq) <= NEXT_SHOTS;
        let is_fallen = |step: Option<EncoderStep>, mm: f64| next && step.is_some_and(|step| step.is_at_start() && step.fell(mm));
        let what = match (is_fallen(along, FELL_MM), is_fallen(across, shortest_across)) {
            (true, _) => StartedAnew::Encoder,
            (_, true) => StartedAnew::Across,
            _ => return None,
        };
        self.fallen = Some(Fallen { what, before, after: now, shots: 1 });
        None
    }

    /// The next shot of an encoder that alone has jumped to its start and counts on from there.
    fn goes_on(&mut self, fallen: Fallen, now: Counted) -> Option<Restart> {
        let Fallen { what, before, after, shots } = fallen;
        if shots + 1 < BELIEVED_AFTER {
            self.fallen = Some(Fallen { shots: shots + 1, ..fallen });
            return None;
        }
        // The encoder along went on where that across did not.
        let from = if what == StartedAnew::Across { before } else { after };
        let counted = now.encoder.zip(from.encoder).map_or(0, |(is, was)| is.wrapping_sub(was));
        Some(Restart { before, after, counted, what })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Plan;
    use backwall_units::Length;

    /// 40 counts a mm along, counted backwards; 20 across, where 10 mm are a jump.
    fn path() -> Path {
        let plan = Plan::parse("plan.toml", include_str!("../../../../demo-stream/plan.toml")).unwrap();
        let across = (Some(20.0), Some(Length::mm(10.0)));
        Path { counts_per_mm: -40.0, across_counts_per_mm: across.0, across_jump: across.1, ..plan.path(&plan.lines[0]) }
    }

    fn counted(seq: u32, device_us: Option<u64>, encoder: i32) -> Counted {
        Counted { seq, device_us, encoder: Some(encoder), across: None }
    }

    /// What is found, where the places of an encoder that has fallen are not believed.
    fn found(shots: impl IntoIterator<Item = (Counted, bool)>) -> Vec<Restart> {
        let (mut watch, path) = (RestartWatch::default(), path());
        let mut next = |(shot, silent)| {
            let is_placed = watch.fallen.is_none();
            watch.next(shot, &path, silent, is_placed)
        };
        shots.into_iter().filter_map(&mut next).collect()
    }

    fn restarts(shots: &[(u32, Option<u64>, i32, bool)]) -> Vec<u32> {
        let shots = shots.iter().map(|(seq, device_us, encoder, silent)| (counted(*seq, *device_us, *encoder), *silent));
        found(shots).iter().map(|restart| restart.after.seq).collect()
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
        let shot = |seq: u32, encoder: i32| counted(seq, Some(u64::from(seq) * 10_000), encoder);
        let drive = (900..905).map(|seq| shot(seq, 34_000 + seq as i32)).chain((905..940).map(|seq| shot(seq, (seq as i32 - 905) * 40)));
        let (before, after) = (shot(904, 34_904), shot(905, 0));
        let due = Restart { before, after, counted: 360, what: StartedAnew::Encoder };
        assert_eq!(found(drive.map(|shot| (shot, false))), [due]);
        let damaged = (900..940).map(|seq| (seq, Some(u64::from(seq) * 10_000), if seq % 9 == 0 { 0 } else { 34_000 }, false));
        assert_eq!(restarts(&damaged.collect::<Vec<_>>()), [0u32; 0]);
        let back = (900..1000).map(|seq| (seq, Some(u64::from(seq) * 10_000), 34_000 - (seq as i32 - 900) * 400, false));
        assert_eq!(restarts(&back.collect::<Vec<_>>()), [0u32; 0], "driven back to its start, and over it");
    }

    // What came from a jump and goes back to where it was is no restart, though it is near the start: the place before was not believed.
    #[test]
    fn a_jump_that_is_taken_back_at_the_start_of_a_line_is_no_restart() {
        let (mut watch, path) = (RestartWatch::default(), path());
        for seq in 0..60 {
            let jumped = (10..20).contains(&seq);
            let shot = counted(seq, Some(u64::from(seq) * 10_000), seq as i32 + if jumped { 34_000 } else { 0 });
            assert_eq!(watch.next(shot, &path, false, !(11..=20).contains(&seq)), None, "shot {seq}");
        }
    }

    // 20 counts a mm across: from 15 mm to 0 and on, while the crawler drives 1 mm a shot along.
    #[test]
    fn an_encoder_across_that_alone_starts_anew_is_believed_when_it_has_counted_on_and_the_place_along_goes_on() {
        let shot = |seq: u32, across: i32| Counted { across: Some(across), ..counted(seq, Some(u64::from(seq) * 10_000), seq as i32 * 40) };
        let weave = |seq: u32| shot(seq, if seq < 105 { 300 } else { (seq as i32 - 105) * 10 });
        let due = Restart { before: weave(104), after: weave(105), counted: 400, what: StartedAnew::Across };
        assert_eq!(found((100..140).map(|seq| (weave(seq), false))), [due]);
        // Through its start by steps that a scanner makes, once damaged, or less far than a jump.
        let swung = |seq: u32| shot(seq, 300 - (seq as i32 % 60) * 10);
        assert_eq!(found((60..120).map(|seq| (swung(seq), false))), []);
        let damaged = |seq: u32| shot(seq, if seq.is_multiple_of(9) { 0 } else { 300 });
        assert_eq!(found((0..60).map(|seq| (damaged(seq), false))), []);
        let near = |seq: u32| shot(seq, if seq < 105 { 190 } else { 0 });
        assert_eq!(found((100..140).map(|seq| (near(seq), false))), []);
        // The whole device, where the encoder along had not come far.
        let anew = [Counted { encoder: Some(40), ..shot(900, 300) }, Counted { encoder: Some(0), ..shot(0, 0) }];
        assert_eq!(found(anew.map(|shot| (shot, false))).iter().map(|restart| restart.what).collect::<Vec<_>>(), [StartedAnew::Device]);
    }

    #[test]
    fn an_encoder_that_goes_on_is_no_restart_whatever_number_and_clock_say() {
        assert_eq!(restarts(&[(900, Some(9_000_000), 34_000, false), (0, Some(1_000), 34_040, false)]), [0u32; 0]);
        assert_eq!(restarts(&[(900, Some(9_000_000), 150, false), (0, Some(1_000), 0, false)]), [0u32; 0], "it had not come far");
        assert_eq!(restarts(&[(7, Some(70), 400, false), (8, Some(60), 390, false), (7, Some(50), 380, false)]), [0u32; 0]);
    }
}
