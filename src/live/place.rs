//! A place that is set again while a run goes on: at a seam the operator can see, or at a mark on the wall. Says which seam is meant, and
//! in words both places; the engine does it.

use backwall_survey::travel::{Counted, Restart, StartedAnew};
use backwall_units::{Length, LengthUnit, Wording, parse_length};

/// The seams of a line, the nearest first.
pub fn nearest(seams: &[Length], here: Option<Length>) -> Vec<Length> {
    let mut found = seams.to_vec();
    if let Some(here) = here {
        found.sort_by(|a, b| (*a - here).abs().total_cmp(&(*b - here).abs()));
    }
    found
}

/// What is kept of it: where the encoder had it, and where it is.
pub fn words(counted: Option<Length>, along: Length, across: Option<Length>) -> Wording {
    let set = Wording::from("place set: ");
    let words = match counted {
        Some(counted) => set
            .length(counted, 1)
            .say(" by the encoder is taken to be at ")
            .length(along, 1)
            .say(" from the next shot on (")
            .signed(along - counted, 1)
            .say(")"),
        None => set.length(along, 1).say(" from the next shot on; before that no place was believed"),
    };
    match across {
        Some(across) => words.say("; beside the line at ").signed(across, 1),
        None => words,
    }
}

/// A scanner swings no further to either side of its line than a probe's track may lie.
pub const MOST_ACROSS: Length = Length::mm(10_000.0);

/// What was typed for the place beside the line: nothing where nothing was, or why it is none.
pub fn across(typed: &str, unit: LengthUnit) -> Result<Option<Length>, String> {
    if typed.trim().is_empty() {
        return Ok(None);
    }
    let across = parse_length(typed, unit).map_err(|error| error.to_string())?;
    if across.abs() > MOST_ACROSS {
        return Err(format!("{typed} is more than 10 m beside the line"));
    }
    Ok(Some(Length::micrometres(across.as_micrometres())))
}

/// What is kept where a device started anew: how that shows, and where the crawler is held; or where the operator has just said that it stands.
pub fn held_words(restart: &Restart, held: Option<Length>, was_said: bool) -> Wording {
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
    let began = Wording::from(format!("{who} started anew ({} after {}): ", of(after), of(before)));
    match (held, what) {
        (Some(said), _) if was_said => began.say("the place that was set before, ").length(said, 1).say(", stays"),
        (Some(held), StartedAnew::Device) => began
            .say("the place is held at ")
            .length(held, 1)
            .say(", what was driven meanwhile is not counted; set the place where the crawler is"),
        (Some(held), StartedAnew::Encoder) => began
            .say("the place was held at ")
            .length(held, 1)
            .say(" and goes on with what it has counted since; set the place where the crawler is"),
        (Some(_), StartedAnew::Across) => began.say(
            "the place across was held and goes on with what it has counted since; where the probe is not there, end the run and begin another with the \
             probe on the line",
        ),
        (None, _) => began.say("there was no place to hold; set the place where the crawler is"),
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
