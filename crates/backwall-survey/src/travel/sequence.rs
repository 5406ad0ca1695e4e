//! Shots that never came: a jump in the sequence number says how many were lost.

/// Watches a wrapping sequence number.
#[derive(Debug, Clone, Default)]
pub struct SequenceWatch {
    last: Option<u32>,
    lost: u64,
    restarts: u64,
}

/// A jump longer than this is a device that started counting anew, not that many lost shots.
const LONGEST_JUMP: u32 = 1 << 20;

impl SequenceWatch {
    /// Takes the next number; answers how many shots are missing before it.
    pub fn next(&mut self, seq: u32) -> u32 {
        let missing = match self.last {
            None => 0,
            Some(last) => match seq.wrapping_sub(last).wrapping_sub(1) {
                jump if jump <= LONGEST_JUMP => jump,
                _ => {
                    self.restarts += 1;
                    0
                }
            },
        };
        self.last = Some(seq);
        self.lost += u64::from(missing);
        missing
    }
    /// Shots lost so far.
    pub fn lost(&self) -> u64 {
        self.lost
    }
    /// How often the device started counting anew.
    pub fn restarts(&self) -> u64 {
        self.restarts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_jump_counts_the_missing_shots_and_wrapping_counts_none() {
        let mut watch = SequenceWatch::default();
        assert_eq!(watch.next(u32::MAX - 1), 0);
        assert_eq!(watch.next(u32::MAX), 0);
        assert_eq!(watch.next(0), 0);
        assert_eq!(watch.next(4), 3);
        assert_eq!((watch.lost(), watch.restarts()), (3, 0));
    }

    #[test]
    fn a_device_that_starts_anew_has_lost_nothing_that_can_be_counted() {
        let mut watch = SequenceWatch::default();
        watch.next(50_000);
        assert_eq!(watch.next(0), 0);
        assert_eq!((watch.lost(), watch.restarts()), (0, 1));
    }
}
