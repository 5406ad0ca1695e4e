//! A survey from a table: CSV with comma, semicolon or tab, columns found by name. No unit is ever guessed: the header
//! names it (`thickness_mm`, `Wall (in)`) or the operator tells it.

use super::titles::{NoDay, day, split_unit, titles};
use super::{EarlierError, EarlierTable, EarlierTold};
use backwall_store::small_file;
use backwall_survey::strip::compare::{Point, SetupFacts, SurveyLine, along, same_text};
use backwall_survey::travel::Direction;
use backwall_units::Length;
use chrono::NaiveDate;
use csv::ByteRecord;
use std::borrow::Cow;
use std::collections::HashMap;
use std::fmt;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnRole {
    /// Along the line
    Position,
    Thickness,
    /// Uncertainty of the thickness: standard (k = 1), or expanded (k = 2) where the name ends in k2
    Uncertainty,
    /// Name of the line
    Line,
    /// Day of the reading
    Date,
    /// "suspect" rows are left out
    Calibration,
}

impl ColumnRole {
    const EACH: [Self; 6] = [Self::Position, Self::Thickness, Self::Uncertainty, Self::Line, Self::Date, Self::Calibration];
    /// Names a column is known by; lengths have their unit behind that.
    const fn names(self) -> &'static [&'static str] {
        match self {
            Self::Position => &["position"],
            Self::Thickness => &["thickness"],
            Self::Uncertainty => &["uncertainty", "uncertainty_k2"],
            Self::Line => &["line"],
            Self::Date => &["date", "host_time"],
            Self::Calibration => &["calibration"],
        }
    }
    const fn word(self) -> &'static str {
        self.names()[0]
    }
}

impl std::str::FromStr for ColumnRole {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        Self::EACH
            .into_iter()
            .find(|role| role.word().eq_ignore_ascii_case(text))
            .ok_or_else(|| format!("'{text}' is not a kind of column; one of position, thickness, uncertainty, line, date, calibration"))
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnUnit {
    Mm,
    M,
    In,
    Ft,
}

impl ColumnUnit {
    /// Each unit with its name and what it is.
    pub const ALL: &[(Self, &str, &str)] =
        &[(Self::Mm, "mm", "millimetre"), (Self::M, "m", "metre"), (Self::In, "in", "inch"), (Self::Ft, "ft", "foot")];
    fn length(self, value: f64) -> Length {
        match self {
            Self::Mm => Length::mm(value),
            Self::M => Length::metres(value),
            Self::In => Length::inch(value),
            Self::Ft => Length::mm(value * 304.8),
        }
    }
}

impl fmt::Display for ColumnUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Mm => "mm",
            Self::M => "m",
            Self::In => "in",
            Self::Ft => "ft",
        })
    }
}

/// A column that holds lengths.
#[derive(Debug, Clone, Copy)]
struct Lengths {
    index: usize,
    unit: ColumnUnit,
}

struct Columns {
    position: Lengths,
    thickness: Lengths,
    uncertainty: Option<Lengths>,
    /// Whether the uncertainty is an expanded one (k = 2).
    is_expanded: bool,
    line: Option<usize>,
    date: Option<usize>,
    calibration: Option<usize>,
}

struct ReadTable<'a> {
    path: &'a Path,
    told: &'a EarlierTold,
    headers: Vec<String>,
    /// The line the headers stand in.
    at: u64,
    decimal_comma: bool,
}

/// What was taken of the rows up to here.
struct Taking {
    survey: EarlierTable,
    /// Where in the survey each line stands: a table may have as many names as rows.
    lines: HashMap<String, usize>,
    /// The day that was written last, and what it means: in most tables row after row has the same.
    day: (Vec<u8>, Option<NaiveDate>),
}

pub(super) fn read(path: &Path, told: &EarlierTold) -> Result<EarlierTable, EarlierError> {
    let file =
        small_file::open(path, small_file::TABLE).map_err(|error| whole(path, format!("cannot be read: {error}; check the path")))?;
    read_from(path, file, told)
}

/// The same of bytes from anywhere; `path` is what they are called.
pub(super) fn read_from(path: &Path, from: impl Read, told: &EarlierTold) -> Result<EarlierTable, EarlierError> {
    let mut file = BufReader::new(from);
    let head = file.fill_buf().map_err(|error| whole(path, format!("cannot be read: {error}")))?;
    if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
        return Err(whole(path, "is UTF-16 text: save it as CSV in UTF-8".to_owned()));
    }
    if head.contains(&0) {
        return Err(whole(path, "is neither a job file nor text: give a job file, or a table as CSV".to_owned()));
    }
    let bom = if head.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    let first = head[bom..].split(|byte| *byte == b'\n').next().unwrap_or_default();
    let count = |wanted: u8| first.iter().filter(|byte| **byte == wanted).count();
    let delimiter = [b',', b';', b'\t'].into_iter().rev().max_by_key(|byte| count(*byte)).unwrap_or(b',');
    file.consume(bom);
    let mut rows = csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).has_headers(false).from_reader(file);
    let mut row = ByteRecord::new();
    let csv_error = |error: csv::Error| match error.position() {
        Some(position) => at_line(path, position.line(), error.to_string()),
        None => whole(path, error.to_string()),
    };
    if !rows.read_byte_record(&mut row).map_err(csv_error)? {
        return Err(whole(path, "is empty: it needs a line with column names and a line for each reading".to_owned()));
    }
    let headers = row.iter().map(|field| String::from_utf8_lossy(field).trim().to_owned()).collect();
    let at = row.position().map_or(1, csv::Position::line);
    let table = ReadTable { path, told, headers, at, decimal_comma: delimiter != b',' };
    let columns = table.columns()?;
    let survey = EarlierTable { source: path.display().to_string(), lines: Vec::new(), remarks: Vec::new() };
    let mut taking = Taking { survey, lines: HashMap::new(), day: (Vec::new(), None) };
    let mut suspect = 0u64;
    while rows.read_byte_record(&mut row).map_err(csv_error)? {
        if row.iter().all(|field| field.trim_ascii().is_empty()) {
            continue;
        }
        if columns.calibration.and_then(|index| row.get(index)) == Some(b"suspect") {
            suspect += 1;
            continue;
        }
        if row.iter().skip(table.headers.len()).any(|field| !field.trim_ascii().is_empty()) {
            let what = format!(
                "has {} fields under {} column names: a comma as decimal mark, or text without quotes?",
                row.len(),
                table.headers.len()
            );
            return Err(at_line(path, row.position().map_or(0, csv::Position::line), what));
        }
        table.take(&row, &columns, &mut taking)?;
    }
    let mut survey = taking.survey;
    if suspect > 0 {
        survey.remarks.push(format!("{}: {suspect} readings of suspect calibration are left out", survey.source));
    }
    if survey.lines.iter().all(|line| line.points.is_empty()) {
        return Err(whole(path, "has no reading with a position and a thickness".to_owned()));
    }
    Ok(survey)
}

fn whole(path: &Path, what: String) -> EarlierError {
    EarlierError::File { path: path.to_path_buf(), what }
}

fn at_line(path: &Path, line: u64, what: String) -> EarlierError {
    EarlierError::Row { path: path.to_path_buf(), line, what }
}

impl ReadTable<'_> {
    fn columns(&self) -> Result<Columns, EarlierError> {
        if self.told.direction == Some(Direction::Down) && self.told.start.is_none() {
            return Err(whole(
                self.path,
                "a survey driven down counts from where it started: give that place as well (--earlier-start)".into(),
            ));
        }
        let uncertainty = self.find(ColumnRole::Uncertainty)?.map(|index| self.unit(index)).transpose()?;
        let is_expanded = uncertainty.is_some_and(|lengths| {
            let name = split_unit(&self.headers[lengths.index]).0.to_ascii_lowercase();
            name.ends_with("k2") || name.ends_with("k=2") || name.ends_with("k = 2")
        });
        let columns = Columns {
            position: self.lengths(ColumnRole::Position)?,
            thickness: self.lengths(ColumnRole::Thickness)?,
            uncertainty,
            is_expanded,
            line: self.find(ColumnRole::Line)?,
            date: self.find(ColumnRole::Date)?,
            calibration: self.find(ColumnRole::Calibration)?,
        };
        if columns.line.is_none() && self.told.line.is_none() {
            let what = format!(
                "there is no column with the line's name: name its column (--column line=NAME) or the line itself (--earlier-line NAME); \
                 the columns are {}",
                self.names()
            );
            return Err(at_line(self.path, self.at, what));
        }
        let all = [Some(columns.position), Some(columns.thickness), columns.uncertainty];
        let named = |lengths: &Lengths| split_unit(&self.headers[lengths.index]).1;
        if let Some(told) = self.told.unit
            && all.iter().flatten().all(|lengths| named(lengths).is_some())
            && all.iter().flatten().any(|lengths| lengths.unit != told)
        {
            let what = format!("--unit {told} contradicts the column names, which give their units: {}; leave it out", self.names());
            return Err(at_line(self.path, self.at, what));
        }
        Ok(columns)
    }

    fn names(&self) -> String {
        self.headers.join(", ")
    }

    /// The column that was told for a role, else the one with its name.
    fn find(&self, role: ColumnRole) -> Result<Option<usize>, EarlierError> {
        if let Some((_, name)) = self.told.columns.iter().find(|(told, _)| *told == role) {
            let found = self.headers.iter().position(|header| same_text(header, name));
            return found.map(Some).ok_or_else(|| {
                at_line(
                    self.path,
                    self.at,
                    format!("there is no column '{name}' for the {}; the columns are {}", role.word(), self.names()),
                )
            });
        }
        let matching = |name: &str| self.headers.iter().position(|header| split_unit(header).0.to_lowercase() == name);
        if let Some(own) = role.names().iter().find_map(|name| matching(name)) {
            return Ok(Some(own));
        }
        let known = |header: &String| titles(role).contains(&split_unit(header).0.to_lowercase().as_str());
        let found: Vec<usize> = self.headers.iter().enumerate().filter(|(_, header)| known(header)).map(|(index, _)| index).collect();
        match found[..] {
            [] => Ok(None),
            [one] => Ok(Some(one)),
            _ => {
                let names: Vec<&str> = found.iter().map(|index| self.headers[*index].as_str()).collect();
                let word = role.word();
                let what = format!("'{}' could each be the {word}: say which (--column {word}=NAME)", names.join("' and '"));
                Err(at_line(self.path, self.at, what))
            }
        }
    }

    fn lengths(&self, role: ColumnRole) -> Result<Lengths, EarlierError> {
        let word = role.word();
        let index = self.find(role)?.ok_or_else(|| {
            let what =
                format!("there is no column '{word}': name the one that holds it (--column {word}=NAME); the columns are {}", self.names());
            at_line(self.path, self.at, what)
        })?;
        self.unit(index)
    }

    fn unit(&self, index: usize) -> Result<Lengths, EarlierError> {
        let header = &self.headers[index];
        let unit = split_unit(header).1.or(self.told.unit).ok_or_else(|| {
            let what = format!(
                "column '{header}' does not give its unit: name it {header}_mm or {header}_in, or give it (--unit mm or --unit in)"
            );
            at_line(self.path, self.at, what)
        })?;
        Ok(Lengths { index, unit })
    }

    fn take(&self, row: &ByteRecord, columns: &Columns, taking: &mut Taking) -> Result<(), EarlierError> {
        let field = |index: usize| row.get(index).unwrap_or_default();
        let written = columns.line.map_or(Cow::Borrowed(""), |index| String::from_utf8_lossy(field(index)));
        let name = match written.trim() {
            "" => self.told.line.as_deref().unwrap_or_default(),
            name => name,
        };
        if name.is_empty() {
            return Err(self.wrong(row, ColumnRole::Line, "is empty: every reading needs its line"));
        }
        let Taking { survey, lines, day } = taking;
        let index = match lines.get(name) {
            Some(index) => *index,
            None => {
                survey.lines.push(self.empty_line(name, &survey.source));
                lines.insert(name.to_owned(), survey.lines.len() - 1);
                survey.lines.len() - 1
            }
        };
        let line = &mut survey.lines[index];
        if let (Some(index), None) = (columns.date, self.told.date) {
            if day.0 != field(index) {
                *day = (field(index).to_owned(), self.date(row, field(index))?);
            }
            line.date = line.date.max(day.1);
        }
        let position = self.number(row, ColumnRole::Position, columns.position)?;
        let thickness = self.number(row, ColumnRole::Thickness, columns.thickness)?;
        if thickness.is_some_and(|thickness| thickness <= Length::ZERO) {
            return Err(self.wrong(row, ColumnRole::Thickness, "is not greater than 0: leave it empty where there was no echo"));
        }
        let own = columns.uncertainty.map(|lengths| self.number(row, ColumnRole::Uncertainty, lengths)).transpose()?.flatten();
        if own.is_some_and(|own| own < Length::ZERO) {
            return Err(self.wrong(row, ColumnRole::Uncertainty, "is less than 0"));
        }
        let Some((position, thickness)) = position.zip(thickness) else {
            line.without += 1;
            return Ok(());
        };
        let (start, direction) = (self.told.start.unwrap_or_default(), self.told.direction.unwrap_or(Direction::Up));
        let own = own.map(|own| if columns.is_expanded { own / 2.0 } else { own });
        let uncertainty = own.or(self.told.expanded.map(|expanded| expanded / 2.0));
        line.points.push(Point { along: along(position, start, direction), thickness, uncertainty });
        Ok(())
    }

    fn empty_line(&self, name: &str, source: &str) -> SurveyLine {
        SurveyLine {
            line: name.to_owned(),
            source: source.to_owned(),
            datum: self.told.datum.clone(),
            direction: self.told.direction,
            date: self.told.date,
            setup: SetupFacts { velocity: self.told.velocity, mode: self.told.mode, ..SetupFacts::default() },
            points: Vec::new(),
            without: 0,
        }
    }

    fn wrong(&self, row: &ByteRecord, role: ColumnRole, what: &str) -> EarlierError {
        at_line(self.path, row.position().map_or(0, csv::Position::line), format!("{}: {what}", role.word()))
    }

    fn number(&self, row: &ByteRecord, role: ColumnRole, lengths: Lengths) -> Result<Option<Length>, EarlierError> {
        let field = String::from_utf8_lossy(row.get(lengths.index).unwrap_or_default());
        let text = field.trim();
        if text.is_empty() {
            return Ok(None);
        }
        let point = if self.decimal_comma { Cow::Owned(text.replace(',', ".")) } else { Cow::Borrowed(text) };
        match point.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Some(lengths.unit.length(value))),
            _ => Err(self.wrong(row, role, &format!("'{text}' is not a number; leave it empty where there is none"))),
        }
    }

    fn date(&self, row: &ByteRecord, field: &[u8]) -> Result<Option<NaiveDate>, EarlierError> {
        let text = String::from_utf8_lossy(field);
        let text = text.trim();
        if text.is_empty() {
            return Ok(None);
        }
        day(text, self.told.date_order).map(Some).map_err(|why| match why {
            NoDay::Either(one, other) => self.wrong(
                row,
                ColumnRole::Date,
                &format!("'{text}' may be {one} or {other}: say how days are written (--earlier-date-order day-first or month-first)"),
            ),
            NoDay::Not => {
                self.wrong(row, ColumnRole::Date, &format!("'{text}' is not a day such as 2019-05-31; or give it for all (--earlier-date)"))
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Numbers of readings in the column that was named as the line: looking each up among all others took 19 s in a release build.
    #[test]
    fn a_table_with_as_many_lines_as_rows_is_read_at_once() {
        let rows: String = (0..60_000).map(|row| format!("P{row:05},{row},9.5\n")).collect();
        let began = std::time::Instant::now();
        let table = format!("line,position_mm,thickness_mm\n{rows}");
        let survey = read_from(Path::new("t.csv"), table.as_bytes(), &EarlierTold::default()).unwrap();
        assert_eq!((survey.lines.len(), survey.lines[59_999].line.as_str()), (60_000, "P59999"));
        assert!(began.elapsed().as_secs() < 3, "{:?}", began.elapsed());
    }

    #[test]
    fn days_and_names_of_a_row_are_its_own() {
        let table = "line,date,position_mm,thickness_mm\nA,2019-05-31,1,9\nB,2019-06-01,1,9\nA,,2,9\nB,2019-05-31,2,9\nA,2020-01-01,3,9\n";
        let survey = read_from(Path::new("t.csv"), table.as_bytes(), &EarlierTold::default()).unwrap();
        let found: Vec<_> =
            survey.lines.iter().map(|line| (line.line.as_str(), line.points.len(), line.date.map(|day| day.to_string()))).collect();
        assert_eq!(found, [("A", 3, Some("2020-01-01".to_owned())), ("B", 2, Some("2019-06-01".to_owned()))]);
    }

    #[test]
    fn a_foot_is_a_foot() {
        assert_eq!(ColumnUnit::Ft.length(1.0), Length::mm(304.8));
    }
}
