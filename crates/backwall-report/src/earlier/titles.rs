//! What the columns of other people's tables are called, in common forms and languages, and how they write a day. A title that could be
//! two things and a day that could be two days are asked about, never guessed.

use super::ColumnRole;
use super::table::ColumnUnit;
use chrono::NaiveDate;

/// Other titles of a column, in lower case and without their unit (common practice, no source).
pub(super) const fn titles(role: ColumnRole) -> &'static [&'static str] {
    match role {
        ColumnRole::Position => &[
            "elevation",
            "elev",
            "height",
            "pos",
            "distance",
            "dist",
            "station",
            "chainage",
            "höhe",
            "hoehe",
            "abstand",
            "hauteur",
            "élévation",
            "elevation above datum",
            "altura",
            "elevación",
            "quota",
            "altezza",
            "wysokość",
            "hoogte",
            "høyde",
        ],
        ColumnRole::Thickness => &[
            "wall",
            "wall thickness",
            "wt",
            "thk",
            "remaining wall",
            "thickness reading",
            "wanddicke",
            "wandstärke",
            "restwanddicke",
            "épaisseur",
            "epaisseur",
            "espesor",
            "spessore",
            "grubość",
            "wanddikte",
            "tykkelse",
        ],
        ColumnRole::Line => &["scan line", "line no", "line no.", "track", "linie", "ligne", "línea", "linea", "linia", "lijn", "linje"],
        ColumnRole::Date => &["day", "date measured", "survey date", "messdatum", "prüfdatum", "fecha", "data", "dato"],
        // Whether another word for it means k = 1 or k = 2 is not known.
        ColumnRole::Uncertainty | ColumnRole::Calibration => &[],
    }
}

const UNITS: [(ColumnUnit, &[&str]); 4] = [
    (ColumnUnit::Mm, &["mm", "millimetre", "millimeter"]),
    (ColumnUnit::M, &["m", "metre", "meter"]),
    (ColumnUnit::In, &["in", "in.", "inch", "inches", "\""]),
    (ColumnUnit::Ft, &["ft", "ft.", "feet", "foot"]),
];

/// A title without its unit, and the unit: `thickness_mm`, `Thickness (mm)`, `Elev [ft]`, `Wall, in`, `Höhe / mm`, `Wall mm`.
pub(super) fn split_unit(title: &str) -> (&str, Option<ColumnUnit>) {
    let title = title.trim();
    let bracketed = title.strip_suffix([')', ']']).and_then(|inner| inner.rsplit_once(['(', '[']));
    let parts = [bracketed, title.rsplit_once('_'), title.rsplit_once(','), title.rsplit_once('/'), title.rsplit_once(' ')];
    for (name, unit) in parts.into_iter().flatten() {
        let unit = unit.trim().to_lowercase();
        if let Some((unit, _)) = UNITS.iter().find(|(_, words)| words.contains(&unit.as_str())) {
            return (name.trim(), Some(*unit));
        }
    }
    (title, None)
}

/// Whether day or month stands first where a day is written with three numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateOrder {
    DayFirst,
    MonthFirst,
}

impl DateOrder {
    pub const ALL: &[(Self, &str, &str)] = &[(Self::DayFirst, "day-first", "31/05/2019"), (Self::MonthFirst, "month-first", "05/31/2019")];
}

/// Why a text is no day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoDay {
    /// It may be two days.
    Either(NaiveDate, NaiveDate),
    Not,
}

/// A day as tables have it: of an RFC 3339 time, `2019-05-31`, `31.05.2019`, `5/31/2019`, `31 May 2019`.
pub(super) fn day(text: &str, order: Option<DateOrder>) -> Result<NaiveDate, NoDay> {
    let text = text.trim();
    if let Ok(time) = chrono::DateTime::parse_from_rfc3339(text) {
        return Ok(time.date_naive());
    }
    if let Some(day) = text.get(..10).and_then(|day| NaiveDate::parse_from_str(day, "%Y-%m-%d").ok()) {
        return Ok(day);
    }
    for format in ["%Y/%m/%d", "%Y.%m.%d", "%d %b %Y", "%d-%b-%Y", "%d %B %Y", "%b %d, %Y", "%B %d, %Y"] {
        if let Ok(day) = NaiveDate::parse_from_str(text, format) {
            return Ok(day);
        }
    }
    let first = text.split([' ', 'T']).next().unwrap_or_default();
    let parts: Vec<Option<u32>> = first.split(['.', '/', '-']).map(|part| part.parse().ok()).collect();
    let [Some(a), Some(b), Some(year @ 1900..=2200)] = parts[..] else { return Err(NoDay::Not) };
    let of = |day, month| i32::try_from(year).ok().and_then(|year| NaiveDate::from_ymd_opt(year, month, day));
    match (of(a, b), of(b, a), order) {
        (Some(day), _, Some(DateOrder::DayFirst)) | (_, Some(day), Some(DateOrder::MonthFirst)) => Ok(day),
        (_, _, Some(_)) | (None, None, None) => Err(NoDay::Not),
        (Some(one), Some(other), None) if one != other => Err(NoDay::Either(one, other)),
        (Some(day), _, None) | (None, Some(day), None) => Ok(day),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_read_off_the_title_and_nowhere_else() {
        for (title, name, unit) in [
            ("thickness_mm", "thickness", Some(ColumnUnit::Mm)),
            ("Wall (in)", "Wall", Some(ColumnUnit::In)),
            ("Elev [ft]", "Elev", Some(ColumnUnit::Ft)),
            ("Elevation (m)", "Elevation", Some(ColumnUnit::M)),
            ("Höhe (mm)", "Höhe", Some(ColumnUnit::Mm)),
            ("Höhe / mm", "Höhe", Some(ColumnUnit::Mm)),
            ("Wall, in.", "Wall", Some(ColumnUnit::In)),
            ("Position_M", "Position", Some(ColumnUnit::M)),
            ("Wall mm", "Wall", Some(ColumnUnit::Mm)),
            ("minimum", "minimum", None),
            ("host_time", "host_time", None),
        ] {
            assert_eq!(split_unit(title), (name, unit), "{title}");
        }
    }

    #[test]
    fn a_day_that_could_be_two_is_asked_about() {
        let may = NaiveDate::from_ymd_opt(2019, 5, 31).unwrap();
        for text in [
            "2019-05-31",
            "2019-05-31T23:30:00+02:00",
            "31.05.2019",
            "31/5/2019",
            "5/31/2019",
            "31 May 2019",
            "31-May-2019",
            "May 31, 2019",
        ] {
            assert_eq!(day(text, None), Ok(may), "{text}");
        }
        let (april, march) = (NaiveDate::from_ymd_opt(2019, 4, 3).unwrap(), NaiveDate::from_ymd_opt(2019, 3, 4).unwrap());
        assert_eq!(day("03/04/2019", None), Err(NoDay::Either(april, march)));
        assert_eq!(day("03.04.2019", Some(DateOrder::DayFirst)), Ok(april));
        assert_eq!(day("03/04/2019", Some(DateOrder::MonthFirst)), Ok(march));
        assert_eq!(day("05/05/2019", None), Ok(NaiveDate::from_ymd_opt(2019, 5, 5).unwrap()), "both ways the same day");
        assert_eq!(day("31/05/2019", Some(DateOrder::MonthFirst)), Err(NoDay::Not));
        assert_eq!(day("top of weld", None), Err(NoDay::Not));
        assert_eq!(day("43616", None), Err(NoDay::Not));
    }
}
