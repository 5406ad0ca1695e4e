//! Ticks for a scale, and labels that keep out of each other's way.

use backwall_units::{Length, LengthUnit};

/// A step of 1, 2 or 5 times a power of ten that is at least `least`.
pub fn nice_step(least: f64) -> f64 {
    if !(least.is_finite() && least > 0.0) {
        return 1.0;
    }
    let power = libm::exp10(libm::log10(least).floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|factor| factor * power).find(|step| *step >= least * (1.0 - 1e-9)).unwrap_or(power * 10.0)
}

/// Multiples of `step` from `from` to `to`, both included where they are multiples.
pub fn ticks(from: f64, to: f64, step: f64) -> Vec<f64> {
    let (first, last) = ((from / step - 1e-9).ceil() as i64, (to / step + 1e-9).floor() as i64);
    (first..=last).map(|index| index as f64 * step).collect()
}

/// Decimals that tell two ticks apart.
pub fn decimals(step: f64) -> usize {
    (-libm::log10(step) - 1e-9).ceil().clamp(0.0, 6.0) as usize
}

/// A scale of lengths in the reader's unit: how one tick unit is read, and what it is in length.
#[derive(Debug, Clone, Copy)]
pub struct AxisReading {
    pub symbol: &'static str,
    pub one: Length,
}

pub fn thickness(unit: LengthUnit) -> AxisReading {
    let one = if unit == LengthUnit::Mm { Length::mm(1.0) } else { Length::inch(1.0) };
    AxisReading { symbol: unit.thickness_symbol(), one }
}
pub fn place(unit: LengthUnit) -> AxisReading {
    let one = if unit == LengthUnit::Mm { Length::metres(1.0) } else { Length::inch(1.0) };
    AxisReading { symbol: unit.place_symbol(), one }
}

/// A tick: where it is, and its number.
pub fn scale(reading: AxisReading, from: Length, to: Length, least_step: Length) -> Vec<(Length, String)> {
    let step = nice_step(least_step / reading.one);
    let digits = decimals(step);
    ticks(from / reading.one, to / reading.one, step).into_iter().map(|tick| (reading.one * tick, format!("{tick:.digits$}"))).collect()
}

/// Moves wished positions apart to at least `pitch`, inside `0..length`, in their order. Which of them are kept, with
/// where they come to stand: where there is no room for all, those with the least weight go first.
pub fn spread(wished: &[(f64, u32)], pitch: f64, length: f64) -> Vec<(usize, f64)> {
    let room = ((length / pitch).floor() as usize + 1).min(wished.len());
    let mut by_weight: Vec<usize> = (0..wished.len()).collect();
    by_weight.sort_by_key(|index| std::cmp::Reverse(wished[*index].1));
    by_weight.truncate(room);
    by_weight.sort_by(|a, b| wished[*a].0.total_cmp(&wished[*b].0));
    let mut placed: Vec<(usize, f64)> = by_weight.into_iter().map(|index| (index, wished[index].0)).collect();
    let mut least = 0.0;
    for (_, at) in &mut placed {
        *at = at.max(least);
        least = *at + pitch;
    }
    let mut most = length;
    for (_, at) in placed.iter_mut().rev() {
        *at = at.min(most);
        most = *at - pitch;
    }
    placed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_one_two_or_five_and_never_too_narrow() {
        let steps = [0.03, 0.2, 0.21, 1.0, 3.0, 7.0, 120.0].map(nice_step);
        assert_eq!(steps.map(|step| format!("{step:.2}")), ["0.05", "0.20", "0.50", "1.00", "5.00", "10.00", "200.00"]);
        assert_eq!(nice_step(f64::NAN), 1.0);
        assert_eq!(ticks(-0.1, 0.2, 0.1).len(), 4);
        assert_eq!((decimals(0.05), decimals(0.1), decimals(1.0), decimals(5.0)), (2, 1, 0, 0));
    }

    #[test]
    fn labels_stand_apart_in_their_order_and_the_lightest_give_way() {
        let placed = spread(&[(5.0, 1), (5.5, 1), (6.0, 1)], 3.0, 20.0);
        assert_eq!(placed, [(0, 5.0), (1, 8.0), (2, 11.0)]);
        let placed = spread(&[(19.0, 1), (19.5, 1), (20.0, 1)], 3.0, 20.0);
        assert_eq!(placed, [(0, 14.0), (1, 17.0), (2, 20.0)]);
        let placed = spread(&[(1.0, 5), (2.0, 1), (3.0, 9)], 10.0, 10.0);
        assert_eq!(placed.iter().map(|(index, _)| *index).collect::<Vec<_>>(), [0, 2]);
        assert_eq!(spread(&[], 3.0, 10.0), []);
    }
}
