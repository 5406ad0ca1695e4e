//! Shots that never came: a jump in the sequence number says how many were lost, once the next number confirms it.

/// What a sequence number says beside "one more".
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SequenceNews {
    /// Shots that never came, before `before`.
    Missing {
        count: u32,
        before: u32,
    },
    /// A single number that fits neither those before nor those after it; nothing is lost by it.
    Stray {
        seq: u32,
    },
    /// The device counts anew from `from`; what was lost cannot be told.
    Anew {
        after: u32,
        from: u32,
    },
    /// The same number came again; at the end of it, how often in all.
    StandsStill {
        seq: u32,
    },
    StoodStill {
        seq: u32,
        times: u64,
    },
    /// Numbers that follow in no order; at the end of it, how many.
    OutOfOrder {
        seq: u32,
    },
    WasOutOfOrder {
        count: u64,
    },
}

/// Watches a wrapping sequence number.
#[derive(Debug, Clone, Default)]
pub struct SequenceWatch {
    last: Option<u32>,
    /// A number that did not follow, and the one before it; the next number says which of both counts.
    jump: Option<(u32, u32)>,
    lost: u64,
    /// How often the last number came.
    times: u64,
    out_of_order: u64,
    beside: ShotsAhead,
}

/// Numbers of shots that another channel has, ahead of the last of this one.
#[derive(Debug, Clone, Default)]
struct ShotsAhead {
    ahead: Vec<u32>,
    /// Both channels have had one number: each is numbered by itself, and nothing follows from the other's.
    apart: bool,
}

/// So many numbers of other channels are kept; more come beside no device's own.
const MOST_BESIDE: usize = 64;

impl ShotsAhead {
    fn take(&mut self, seq: u32, last: Option<u32>) {
        self.apart |= last == Some(seq);
        if !self.apart && self.ahead.len() < MOST_BESIDE && last.is_some_and(|last| follows(seq, last)) {
            self.ahead.push(seq);
        }
    }

    /// How many of the numbers between two of this channel were of another.
    fn between(&mut self, last: u32, seq: u32) -> u32 {
        self.apart |= self.ahead.contains(&seq);
        let step = seq.wrapping_sub(last);
        let between = self.ahead.iter().filter(|other| other.wrapping_sub(last) < step).count();
        self.ahead.retain(|other| follows(*other, seq));
        // Not more than fit between.
        if self.apart || !follows(seq, last) { 0 } else { (between as u32).min(step - 1) }
    }
}

/// A jump longer than this is a device that started counting anew, not that many lost shots.
const LONGEST_JUMP: u32 = 1 << 20;
/// A number this close behind another follows it, one or the other shot lost between.
const FOLLOWS: u32 = 1_000;

fn follows(seq: u32, last: u32) -> bool {
    (1..=FOLLOWS).contains(&seq.wrapping_sub(last))
}

impl SequenceWatch {
    /// Takes the number of a shot that another channel has. Where a device numbers the shots of all in one, it is not lost.
    pub fn beside(&mut self, seq: u32) {
        self.beside.take(seq, self.last);
    }

    /// Takes the next number.
    pub fn next(&mut self, seq: u32) -> Vec<SequenceNews> {
        let mut news = Vec::new();
        let Some(last) = self.last.replace(seq) else { return news };
        if seq == last {
            self.times += 1;
            if self.times == 1 {
                news.push(SequenceNews::StandsStill { seq });
            }
            return news;
        }
        self.stood_still(last, &mut news);
        let between = self.beside.between(last, seq);
        let last = last.wrapping_add(between);
        match self.jump.take() {
            None if seq.wrapping_sub(last) == 1 => {}
            None => self.jump = Some((last, seq)),
            // Where it follows both, the nearer one is right.
            Some((before, jumped)) if follows(seq, jumped) && seq.wrapping_sub(jumped) < seq.wrapping_sub(before) => {
                self.in_order(&mut news);
                self.confirmed(before, jumped, &mut news);
                self.jump = (seq.wrapping_sub(jumped) > 1 + between).then_some((jumped.wrapping_add(between), seq));
            }
            Some((before, jumped)) if follows(seq, before) => {
                self.in_order(&mut news);
                news.push(SequenceNews::Stray { seq: jumped });
                // The stray number was that of one of the shots between.
                self.missing(seq.wrapping_sub(before).saturating_sub(2), seq, &mut news);
            }
            Some((_, jumped)) => {
                if self.out_of_order == 0 {
                    news.push(SequenceNews::OutOfOrder { seq });
                }
                self.out_of_order += 1;
                self.jump = Some((jumped, seq));
            }
        }
        news
    }

    /// No number comes any more: a jump that waits for the next is what it looks like.
    pub fn end(&mut self) -> Vec<SequenceNews> {
        let mut news = Vec::new();
        if let Some(last) = self.last {
            self.stood_still(last, &mut news);
        }
        if let Some((before, jumped)) = self.jump.take() {
            match self.out_of_order {
                0 if follows(jumped, before) => self.confirmed(before, jumped, &mut news),
                0 => news.push(SequenceNews::Stray { seq: jumped }),
                _ => {}
            }
        }
        self.in_order(&mut news);
        news
    }

    fn confirmed(&mut self, before: u32, jumped: u32, news: &mut Vec<SequenceNews>) {
        match jumped.wrapping_sub(before).wrapping_sub(1) {
            missing if missing <= LONGEST_JUMP => self.missing(missing, jumped, news),
            _ => news.push(SequenceNews::Anew { after: before, from: jumped }),
        }
    }

    fn missing(&mut self, count: u32, before: u32, news: &mut Vec<SequenceNews>) {
        if count > 0 {
            self.lost += u64::from(count);
            news.push(SequenceNews::Missing { count, before });
        }
    }

    fn stood_still(&mut self, seq: u32, news: &mut Vec<SequenceNews>) {
        if self.times > 0 {
            news.push(SequenceNews::StoodStill { seq, times: self.times + 1 });
            self.times = 0;
        }
    }

    fn in_order(&mut self, news: &mut Vec<SequenceNews>) {
        if self.out_of_order > 0 {
            news.push(SequenceNews::WasOutOfOrder { count: self.out_of_order });
            self.out_of_order = 0;
        }
    }

    /// Shots lost so far.
    pub fn lost(&self) -> u64 {
        self.lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use SequenceNews::*;

    fn watch(numbers: impl IntoIterator<Item = u32>) -> (Vec<SequenceNews>, u64) {
        let mut watch = SequenceWatch::default();
        let mut news: Vec<_> = numbers.into_iter().flat_map(|seq| watch.next(seq)).collect();
        news.extend(watch.end());
        (news, watch.lost())
    }

    #[test]
    fn a_jump_counts_the_missing_shots_and_wrapping_counts_none() {
        assert_eq!(watch([u32::MAX - 1, u32::MAX, 0, 4, 5]), (vec![Missing { count: 3, before: 4 }], 3));
        // Also twice in a row, and where nothing comes any more to confirm it.
        assert_eq!(watch([0, 2, 4]), (vec![Missing { count: 1, before: 2 }, Missing { count: 1, before: 4 }], 2));
        assert_eq!(watch([7, 1_007, 1_008]), (vec![Missing { count: 999, before: 1_007 }], 999));
    }

    /// Numbers of this channel, and of others with a minus.
    fn watch_beside(numbers: impl IntoIterator<Item = i64>) -> (Vec<SequenceNews>, u64) {
        let mut watch = SequenceWatch::default();
        let mut news = Vec::new();
        for number in numbers {
            match u32::try_from(number) {
                Ok(seq) => news.extend(watch.next(seq)),
                Err(_) => watch.beside(number.unsigned_abs() as u32),
            }
        }
        news.extend(watch.end());
        (news, watch.lost())
    }

    #[test]
    fn shots_of_another_channel_are_not_lost_where_all_are_numbered_in_one_and_hide_no_loss_where_each_has_its_own() {
        assert_eq!(watch_beside((1..200).map(|number| if number % 2 == 0 { -number } else { number })), (vec![], 0));
        assert_eq!(watch_beside((1..200).map(|number| if number % 3 == 0 { number } else { -number })), (vec![], 0), "of three");
        let lost = |number: &i64| ![21, 40].contains(number);
        let (news, count) = watch_beside((1..200).filter(lost).map(|number| if number % 2 == 0 { -number } else { number }));
        assert_eq!((news.len(), count), (2, 2), "one of each: whose it was is not known, {news:?}");
        let own = (1..200).flat_map(|number| [number, -number]).filter(|number| *number != 30);
        assert_eq!(watch_beside(own), (vec![Missing { count: 1, before: 31 }], 1));
        let ahead = (1..200).flat_map(|number| [-number - 7, number]).filter(|number| *number != 30);
        assert_eq!(watch_beside(ahead), (vec![Missing { count: 1, before: 31 }], 1));
    }

    #[test]
    fn a_device_that_starts_anew_has_lost_nothing_that_can_be_counted() {
        assert_eq!(watch([50_000, 0, 1, 2]), (vec![Anew { after: 50_000, from: 0 }], 0));
    }

    #[test]
    fn a_stray_number_is_no_loss_however_far_it_is() {
        for stray in [1 << 31, 500_000, 50, 0] {
            assert_eq!(watch([5, 6, stray, 8, 9]), (vec![Stray { seq: stray }], 0), "{stray}");
        }
        assert_eq!(watch([5, 6, 1 << 31, 10, 11]), (vec![Stray { seq: 1 << 31 }, Missing { count: 2, before: 10 }], 2));
        assert_eq!(watch([5, 6, 500_000]), (vec![Stray { seq: 500_000 }], 0));
    }

    #[test]
    fn a_number_that_stands_still_and_numbers_out_of_order_are_said_once_with_their_count() {
        let still = std::iter::repeat_n(7, 50).chain([8]);
        assert_eq!(watch(still), (vec![StandsStill { seq: 7 }, StoodStill { seq: 7, times: 50 }], 0));
        assert_eq!(watch((0..10).rev()), (vec![OutOfOrder { seq: 7 }, WasOutOfOrder { count: 8 }], 0));
    }
}
