//! What was read by hand, as the walk shows it: at the wall's face, and in a line of words.

use crate::console::state::App;
use crate::console::text::safe_text;
use backwall_units::{Length, LengthUnit};

/// Places on a line with what was read there by hand.
pub fn places(app: &App, line: &str) -> Vec<(Length, Length)> {
    app.contents.force.hand_on(line).filter_map(|(entered, along)| Some((along, entered.what.mean()?))).collect()
}

/// Each with its place, when it was entered, and in words.
pub fn lines(app: &App, line: &str, unit: LengthUnit) -> Vec<(Option<Length>, i64, String)> {
    let words = |entered: &backwall_survey::job::force::Entered<backwall_survey::job::hand::HandReading>| {
        let what = &entered.what;
        let value = what.mean().map_or_else(String::new, |mean| format!("{} {} ", unit.thickness(mean), unit.thickness_symbol()));
        let proof = what.proof.as_ref().map_or_else(String::new, |proof| format!(", spot {} {}", proof.spot, proof.word()));
        let note = if entered.note.is_empty() { String::new() } else { format!(": {}", safe_text(&entered.note)) };
        format!("{value}by hand{proof}{note}")
    };
    app.contents.force.hand_on(line).map(|(entered, along)| (Some(along), entered.by.at_us, words(entered))).collect()
}

/// The lowest that was read by hand in a stretch of a line.
pub fn least_in(app: &App, line: &str, from: Length, to: Length) -> Option<Length> {
    let inside = app.contents.force.hand_on(line).filter(|(_, along)| *along >= from && *along < to);
    inside.filter_map(|(entered, _)| entered.what.mean()).reduce(Length::min)
}
