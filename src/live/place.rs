//! A place that is set again while a run goes on: at a seam the operator can see, or at a mark on the wall. Says which seam is meant, and
//! in words both places; the engine does it.

use backwall_survey::travel::{Counted, Restart, StartedAnew};
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
        None => format!("place set: {:.1} mm from the next shot on; before that no place was believed", along.as_mm()),
    }
}

/// What is kept where a device started anew: how that shows, and where the crawler is held.
pub fn held_words(restart: &Restart, held: Option<Length>) -> String {
    let Restart { before, after, what, .. } = restart;
    let clock = |counted: &Counted| counted.device_us.map_or_else(String::new, |us| format!(", clock {:.3} s", us as f64 / 1e6));
    let across = |counted: &Counted| counted.across.map_or_else(String::new, |counts| format!(", across {counts}"));
    let of = |counted: &Counted| {
        let encoder = counted.encoder.map_or_else(String::new, |counts| format!(", encoder {counts}"));
        format!("seq {}{encoder}{}{}", counted.seq, across(counted), clock(counted))
    };
    let who = match what {
        StartedAnew::Device => "the device",
        StartedAnew::Encoder => "the encoder alone",
        StartedAnew::Across => "the encoder across alone",
    };
    let place = match (held, what) {
        (Some(held), StartedAnew::Device) => {
            format!("the place is held at {:.1} mm, what was driven meanwhile is not counted; set the place where the crawler is", held.as_mm())
        }
        (Some(held), StartedAnew::Encoder) => {
            format!("the place was held at {:.1} mm and goes on with what it has counted since; set the place where the crawler is", held.as_mm())
        }
        (Some(_), StartedAnew::Across) => {
            "the place across was held and goes on with what it has counted since; where the probe is not there, end the run and begin another with the \
             probe on the line"
                .to_owned()
        }
        (None, _) => "there was no place to hold; set the place where the crawler is".to_owned(),
    };
    format!("{who} started anew ({} after {}): {place}", of(after), of(before))
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
