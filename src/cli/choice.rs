//! Options that take one of a few words: the words and their meanings stand with the type, clap shows them.

use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};

/// One of `all`, by name; the third of each is what the help says of it.
pub fn choice<T: Copy + Send + Sync + 'static>(all: &'static [(T, &'static str, &'static str)]) -> impl TypedValueParser<Value = T> {
    PossibleValuesParser::new(all.iter().map(|(_, name, means)| PossibleValue::new(*name).help(*means)))
        .try_map(move |word| all.iter().find(|(_, name, _)| *name == word).map(|(value, ..)| *value).ok_or("no such word"))
}
