//! A number with its way: what screen, report and command print alike.

use backwall_units::LengthUnit;
use serde::Serialize;
use std::fmt;

/// How well a source is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SourceStanding {
    /// Checked against a published text or worked example.
    Published,
    /// A value or clause recalled: to be confirmed in the owner's copy.
    FromMemory,
    /// Common practice, no single source.
    Practice,
}

/// Where a formula comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct FormulaSource {
    /// Standard, clause and edition as far as known.
    pub text: &'static str,
    pub standing: SourceStanding,
}

impl FormulaSource {
    pub const fn published(text: &'static str) -> Self {
        Self { text, standing: SourceStanding::Published }
    }
    pub const fn from_memory(text: &'static str) -> Self {
        Self { text, standing: SourceStanding::FromMemory }
    }
    pub const fn practice(text: &'static str) -> Self {
        Self { text, standing: SourceStanding::Practice }
    }
}

impl fmt::Display for FormulaSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text)?;
        f.write_str(match self.standing {
            SourceStanding::Published => "",
            SourceStanding::FromMemory => " (from memory: confirm in your copy)",
            SourceStanding::Practice => " (common practice, no source)",
        })
    }
}

/// One value that went in or came out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WorkedFigure {
    /// As it stands in the formula.
    pub symbol: &'static str,
    pub meaning: String,
    pub value: f64,
    pub unit: &'static str,
}

impl WorkedFigure {
    pub fn new(symbol: &'static str, meaning: impl Into<String>, value: f64, unit: &'static str) -> Self {
        Self { symbol, meaning: meaning.into(), value, unit }
    }
}

/// What a millimetre, a metre and a megapascal are in the units of inches.
const INCH: [(&str, &str, f64); 5] = [
    ("mm", "in", 1.0 / 25.4),
    ("mm/y", "in/y", 1.0 / 25.4),
    ("m", "ft", 1.0 / 0.3048),
    ("MPa", "psi", 145.037_737_7),
    ("kPa", "psi", 0.145_037_737_7),
];

impl WorkedFigure {
    fn turn_to_inch(&mut self) {
        if let Some((_, unit, factor)) = INCH.iter().find(|(metric, ..)| *metric == self.unit) {
            (self.value, self.unit) = (self.value * factor, unit);
        }
    }
}

impl fmt::Display for WorkedFigure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.meaning)?;
        if !self.symbol.is_empty() {
            write!(f, " {}", self.symbol)?;
        }
        write!(f, " = {}", digits(self.value))?;
        if self.unit.is_empty() { Ok(()) } else { write!(f, " {}", self.unit) }
    }
}

/// A value with as many digits as a reader can check by hand: six figures, no tail of zeros.
pub fn digits(value: f64) -> String {
    if !value.is_finite() {
        return "-".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let before = libm::floor(libm::log10(value.abs())) as i32 + 1;
    let text = format!("{value:.*}", usize::try_from(6 - before).unwrap_or(0).min(9));
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A worked number.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Worked {
    pub title: String,
    pub formula: String,
    pub inputs: Vec<WorkedFigure>,
    pub results: Vec<WorkedFigure>,
    /// What follows from the numbers, in words: "passes", "use profiles".
    pub verdict: Option<String>,
    pub source: FormulaSource,
    pub cautions: Vec<String>,
    /// Whether the formula has constants that are right in the units of its inputs alone.
    #[serde(skip)]
    own_units: bool,
}

impl Worked {
    pub fn new(title: impl Into<String>, formula: impl Into<String>, source: FormulaSource) -> Self {
        let (title, formula) = (title.into(), formula.into());
        Self { title, formula, inputs: Vec::new(), results: Vec::new(), verdict: None, source, cautions: Vec::new(), own_units: false }
    }
    pub fn given(mut self, symbol: &'static str, meaning: impl Into<String>, value: f64, unit: &'static str) -> Self {
        self.inputs.push(WorkedFigure::new(symbol, meaning, value, unit));
        self
    }
    pub fn gives(mut self, symbol: &'static str, meaning: impl Into<String>, value: f64, unit: &'static str) -> Self {
        self.results.push(WorkedFigure::new(symbol, meaning, value, unit));
        self
    }
    pub fn verdict(mut self, words: impl Into<String>) -> Self {
        self.verdict = Some(words.into());
        self
    }
    pub fn caution(mut self, words: impl Into<String>) -> Self {
        self.cautions.push(words.into());
        self
    }
    pub fn caution_if(self, condition: bool, words: impl Into<String>) -> Self {
        if condition { self.caution(words) } else { self }
    }

    /// The same with lengths, rates and stresses in a unit. What a formula with constants of its own units takes stays as it is.
    pub fn shown_in(&self, unit: LengthUnit) -> Self {
        let mut shown = self.clone();
        if unit == LengthUnit::Inch && !self.own_units {
            shown.inputs.iter_mut().chain(&mut shown.results).for_each(WorkedFigure::turn_to_inch);
        }
        shown
    }

    /// Its formula holds in the units of its inputs alone.
    pub fn in_own_units(mut self) -> Self {
        self.own_units = true;
        self
    }

    /// The lines that screen, report and command print.
    pub fn lines(&self) -> Vec<String> {
        let list = |figures: &[WorkedFigure]| figures.iter().map(WorkedFigure::to_string).collect::<Vec<_>>().join("; ");
        let mut lines = vec![format!("{}: {}", self.title, list(&self.results))];
        lines.extend(self.verdict.iter().map(|verdict| format!("  => {verdict}")));
        lines.push(format!("  formula  {}", self.formula));
        lines.push(format!("  inputs   {}", list(&self.inputs)));
        lines.push(format!("  source   {}", self.source));
        lines.extend(self.cautions.iter().map(|caution| format!("  caution  {caution}")));
        lines
    }
}

/// A value with its way.
#[derive(Debug, Clone, PartialEq)]
pub struct WorkedAnswer<T> {
    pub value: T,
    pub worked: Worked,
}

impl<T> WorkedAnswer<T> {
    pub fn new(value: T, worked: Worked) -> Self {
        Self { value, worked }
    }
}

/// Why there is no number.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    #[error("{title}: missing {}", .what.join(", "))]
    Missing { title: String, what: Vec<String> },
    #[error("{title}: {what}")]
    Impossible { title: String, what: String },
    #[error("{title} is not given: {}", .why.join("; "))]
    Conditions { title: String, why: Vec<String> },
}

impl Refusal {
    pub fn impossible(title: &str, what: impl Into<String>) -> Self {
        Self::Impossible { title: title.to_owned(), what: what.into() }
    }
    pub fn missing(title: &str, what: impl IntoIterator<Item = &'static str>) -> Self {
        Self::Missing { title: title.to_owned(), what: what.into_iter().map(str::to_owned).collect() }
    }
}

/// Refuses a value that must be finite and greater than 0.
pub(super) fn positive(title: &str, name: &str, value: f64) -> Result<f64, Refusal> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(Refusal::impossible(title, format!("{name} of {} is not possible: it must be greater than 0", digits(value))))
    }
}

/// Refuses a factor outside of (0, 1].
pub(super) fn part(title: &str, name: &str, value: f64) -> Result<f64, Refusal> {
    if value > 0.0 && value <= 1.0 {
        Ok(value)
    } else {
        Err(Refusal::impossible(title, format!("{name} of {} is not possible: it must be above 0 and at most 1", digits(value))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_printed_so_that_they_can_be_checked() {
        for (value, text) in
            [(0.319177, "0.319177"), (23600.0, "23600"), (-0.072, "-0.072"), (4.0, "4"), (1234567.0, "1234567"), (f64::NAN, "-")]
        {
            assert_eq!(digits(value), text);
        }
    }
}
