//! What became of something that was to be sent to the device, in words: for a run and for the bench.

use backwall_stream::command::{CommandOrder, Ordered};

/// `gain 26 dB sent by R. Aldane`.
pub fn words(order: &CommandOrder, became: &Ordered) -> String {
    let CommandOrder { words, by, patience, .. } = order;
    match became {
        Ordered::Sent => format!("{words} sent by {by}"),
        Ordered::Answered => format!("{words}: the device answered"),
        Ordered::Unanswered => {
            format!("{words} was NOT answered within {:.1} s: whether the device took it is not known", patience.as_secs_f64())
        }
        Ordered::NotSent(why) => format!("{words} was NOT sent: {why}"),
    }
}

/// Why nothing can be sent.
pub const NO_LINE: &str = "the stream is no line that can be written to";
