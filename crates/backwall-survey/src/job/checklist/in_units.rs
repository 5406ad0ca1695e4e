//! Quantities of a checklist in the units they are read in. What is asked for and stored stays in the unit of its item.

use backwall_units::LengthUnit;

/// A unit of items, what is read in its place where lengths are in inches, and how many of that it is (NIST SP 811, appendix B.8).
const INSTEAD: [(&str, &str, f64); 6] = [
    ("mm", "in", 1.0 / 25.4),
    ("m", "ft", 1.0 / 0.3048),
    ("m/s", "mph", 1.0 / 0.447_04),
    ("kg", "lb", 1.0 / 0.453_592_37),
    ("N", "lbf", 1.0 / 4.448_221_615_260_5),
    ("kN", "lbf", 1000.0 / 4.448_221_615_260_5),
];

/// A number with its unit, `8 m` or `26.25 ft`.
pub fn number_in(number: f64, of: &str, unit: LengthUnit) -> String {
    let instead = INSTEAD.iter().find(|(known, ..)| *known == of).filter(|_| unit == LengthUnit::Inch);
    match (of, instead) {
        ("°C", _) if unit == LengthUnit::Inch => format!("{} °F", four_digits(number * 1.8 + 32.0)),
        (_, Some((_, symbol, times))) => format!("{} {symbol}", four_digits(number * times)),
        _ => format!("{number} {of}"),
    }
}

/// Four digits that mean something, without zeros behind them.
fn four_digits(number: f64) -> String {
    let before = if number == 0.0 { 0.0 } else { libm::floor(libm::log10(number.abs())) };
    let scale = libm::pow(10.0, 3.0 - before);
    format!("{}", (number * scale).round() / scale)
}

/// Words of a template: a quantity in braces, `{500 mm}`, is read in the units of the screen or report; all else is as it is written.
pub fn words_in(words: &str, unit: LengthUnit) -> String {
    let mut shown = String::with_capacity(words.len());
    let mut rest = words;
    while let Some((before, open)) = rest.split_once('{') {
        shown.push_str(before);
        let quantity = open.split_once('}').and_then(|(inside, behind)| {
            let (number, of) = inside.split_once(' ')?;
            Some((number.parse::<f64>().ok().filter(|number| number.is_finite())?, of, behind))
        });
        rest = match quantity {
            Some((number, of, behind)) => {
                shown.push_str(&number_in(number, of, unit));
                behind
            }
            None => {
                shown.push('{');
                open
            }
        };
    }
    shown + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    // NIST SP 811: 1 ft is 0.3048 m, 1 mile an hour 0.44704 m/s, 1 lb 0.453 592 37 kg, 1 lbf 4.448 222 N.
    #[test]
    fn quantities_are_read_in_either_unit() {
        let inch = |number: f64, of: &str| number_in(number, of, LengthUnit::Inch);
        assert_eq!(number_in(8.0, "m", LengthUnit::Mm), "8 m");
        assert_eq!([inch(8.0, "m"), inch(500.0, "mm"), inch(10.3, "m/s")], ["26.25 ft", "19.69 in", "23.04 mph"]);
        assert_eq!([inch(12.0, "kg"), inch(590.0, "N"), inch(2.3, "kN")], ["26.46 lb", "132.6 lbf", "517.1 lbf"]);
        assert_eq!([inch(18.0, "°C"), inch(0.0, "m"), inch(20.9, "% by volume")], ["64.4 °F", "0 ft", "20.9 % by volume"]);
    }

    #[test]
    fn only_a_quantity_in_braces_is_read_otherwise() {
        let asked = "over at least {500 mm}, as {A} in {the} plan {1e999 m} {12 mm";
        assert_eq!(words_in(asked, LengthUnit::Mm), "over at least 500 mm, as {A} in {the} plan {1e999 m} {12 mm");
        assert_eq!(words_in(asked, LengthUnit::Inch), "over at least 19.69 in, as {A} in {the} plan {1e999 m} {12 mm");
    }
}
