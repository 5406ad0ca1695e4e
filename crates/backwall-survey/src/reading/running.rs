//! The median of the last so many values, kept in order as they come and go: the same value as a median taken anew each time.

use std::collections::VecDeque;

/// The last `room` values, both as they came and by size.
#[derive(Debug, Clone)]
pub(super) struct RunningMedian {
    room: usize,
    came: VecDeque<f64>,
    sorted: Vec<f64>,
}

impl RunningMedian {
    pub fn of_last(room: usize) -> Self {
        Self { room, came: VecDeque::with_capacity(room + 1), sorted: Vec::with_capacity(room + 1) }
    }

    pub fn push(&mut self, value: f64) {
        self.came.push_back(value);
        let here = self.place(value);
        self.sorted.insert(here, value);
        if self.came.len() > self.room
            && let Some(gone) = self.came.pop_front()
        {
            let there = self.place(gone);
            self.sorted.remove(there);
        }
    }

    /// The first place of a value among those in order.
    fn place(&self, value: f64) -> usize {
        self.sorted.partition_point(|before| before.total_cmp(&value).is_lt())
    }

    pub fn is_full(&self) -> bool {
        self.came.len() == self.room
    }

    /// Of an even number of values the mean of the two in the middle; `None` of none.
    pub fn median(&self) -> Option<f64> {
        let half = self.sorted.len() / 2;
        let middle = *self.sorted.get(half)?;
        Some(if self.sorted.len() % 2 == 1 { middle } else { 0.5 * (self.sorted[half - 1] + middle) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Against a median taken anew, as numpy.median is defined: the middle value, of an even number the mean of the two.
    #[test]
    fn it_is_the_median_taken_anew_each_time() {
        let mut value = 1u64;
        let mut all = Vec::new();
        let mut running = [1, 4, 5, 33].map(RunningMedian::of_last);
        assert_eq!(running[0].median(), None);
        for _ in 0..500 {
            value = value.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // Few different values, so that many are alike; both zeros too.
            all.push(((value >> 60) as f64 - 8.0) * if value & 1 == 0 { -0.5 } else { 0.25 });
            for of in &mut running {
                of.push(all[all.len() - 1]);
                let mut last: Vec<f64> = all.iter().rev().take(of.room).copied().collect();
                last.sort_by(f64::total_cmp);
                let half = last.len() / 2;
                let anew = if last.len() % 2 == 1 { last[half] } else { 0.5 * (last[half - 1] + last[half]) };
                assert_eq!(of.median().map(f64::to_bits), Some(anew.to_bits()));
                assert_eq!(of.is_full(), all.len() >= of.room);
            }
        }
    }
}
