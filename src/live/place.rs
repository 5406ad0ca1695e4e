//! A place that is set again while a run goes on: at a seam the operator can see, or at a mark on the wall. Says which seam is meant, and
//! in words both places; the engine does it.

use backwall_units::Length;

/// The seams of a line, the nearest first.
pub fn nearest(seams: &[Length], here: Option<Length>) -> Vec<Length> {
    let mut found = seams.to_vec();
    if let Some(here) = here {
        found.sort_by(|a, b| (*a - here).abs().total_cmp(&(*b - here).abs()));
    }
    found
}

/// What is kept of it: where the encoder had it, and where it is.
pub fn words(counted: Option<Length>, along: Length) -> String {
    match counted {
        Some(counted) => {
            let off = (along - counted).as_mm();
            format!(
                "place set: {:.1} mm by the encoder is taken to be at {:.1} mm from the next shot on ({off:+.1} mm)",
                counted.as_mm(),
                along.as_mm()
            )
        }
        None => format!("place set: {:.1} mm from the next shot on; before there was no place that is believed", along.as_mm()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_seam_comes_first_whichever_side_it_is_on() {
        let seams = [2400.0, 4800.0, 7200.0].map(Length::mm);
        let order = |here: Option<f64>| nearest(&seams, here.map(Length::mm)).iter().map(|seam| seam.as_mm()).collect::<Vec<_>>();
        assert_eq!(order(Some(4780.0)), [4800.0, 2400.0, 7200.0]);
        assert_eq!(order(Some(4810.0))[0], 4800.0);
        assert_eq!(order(None), [2400.0, 4800.0, 7200.0]);
    }
}
