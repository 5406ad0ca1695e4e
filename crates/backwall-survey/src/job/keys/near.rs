//! The word somebody most likely meant.

/// The nearest of `known`, where it is near enough to be meant.
pub fn meant<'a>(written: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = written.to_lowercase();
    let allowed = (written.chars().count() / 3).clamp(1, 3);
    let near = known.into_iter().map(|word| (distance(&lower, word), word)).min_by_key(|(distance, _)| *distance);
    near.filter(|(distance, _)| *distance <= allowed).map(|(_, word)| word)
}

/// Letters to add, remove, replace or swap with their neighbour to get from one word to the other.
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows = vec![vec![0; b.len() + 1]; a.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let replaced = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut least = replaced.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                least = least.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = least;
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    // Levenshtein's own measure with swaps of neighbours; counted by hand.
    #[test]
    fn a_slip_of_the_finger_is_near_and_another_word_is_not() {
        assert_eq!([distance("kitten", "sitting"), distance("abdc", "abcd"), distance("", "ab")], [3, 1, 2]);
        let known = ["max_gap_mm", "max_speed_mm_s", "guard_band"];
        assert_eq!(meant("max_gape_mm", known), Some("max_gap_mm"));
        assert_eq!(meant("Gaurd_band", known), Some("guard_band"));
        assert_eq!(meant("colour", known), None);
    }
}
