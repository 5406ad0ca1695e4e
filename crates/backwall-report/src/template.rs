//! Report templates: which sections, in which order, under which headings, on which paper, with which logo. A template
//! cannot leave out what a reader must not miss.

use super::document::{Logo, Paper};
use backwall_survey::job::PlanError;
use backwall_survey::job::check::{Problem, line_of_key, toml_problem};
use backwall_units::LengthUnit;
use serde::Deserialize;
use std::collections::BTreeMap;

macro_rules! sections {
    ($($(#[$doc:meta])* $name:ident $key:literal $heading:literal;)*) => {
        /// A part of the report.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Section { $($(#[$doc])* $name,)* }

        impl Section {
            /// In the order of a template that says nothing.
            pub const ALL: &[Section] = &[$(Section::$name,)*];
            pub const fn key(self) -> &'static str {
                match self { $(Self::$name => $key,)* }
            }
            pub const fn heading(self) -> &'static str {
                match self { $(Self::$name => $heading,)* }
            }
        }
    };
}

sections! {
    Summary "summary" "What matters first";
    /// Of a daily report only.
    Day "day" "Done and found on this day";
    /// Over all lines, with their waveforms.
    Worst "worst" "Worst places of all lines";
    /// What the standards of thickness measurement want in a report.
    Record "record" "Record of the measurement";
    Job "job" "Job";
    People "people" "People";
    Kit "kit" "Equipment";
    Asset "asset" "Object examined";
    Procedure "procedure" "Procedure and limits";
    Results "results" "Results by line";
    Statistics "statistics" "Statistics by course";
    Map "map" "Map of the unrolled wall";
    Runs "runs" "Runs";
    Comparison "comparison" "Comparison with earlier surveys";
    Assessment "assessment" "Assessment (screening)";
    /// Only where it was asked for: it takes a model to be driven.
    Unseen "unseen" "What the scan could not have seen";
    Missing "missing" "Missing and suspect data";
    Left "left" "What is left to do";
    Shifts "shifts" "Shifts";
    Uncertainty "uncertainty" "Uncertainty";
    Setup "setup" "Set-up";
    Calibration "calibration" "Calibration and verifications";
    Encoder "encoder" "Encoder";
    Checklist "checklist" "Pre-scan checklist";
    Method "method" "Limits of the method";
    Seals "seals" "Seals";
    Signatures "signatures" "Signatures";
    Working "working" "Appendix: how the numbers came about";
}

impl Section {
    /// Sections that may be moved and renamed but not left out of a survey report: without them a reader could take a number for more than it is.
    pub const ALWAYS: &[Section] = &[Self::Summary, Self::Missing, Self::Method, Self::Seals];

    /// Whether it is there only where somebody asks for it.
    pub const fn is_asked_for(self) -> bool {
        matches!(self, Self::Day | Self::Unseen)
    }

    fn of(key: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|section| section.key() == key)
    }
}

/// Which numbers a report shows with formula, inputs and source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Working {
    /// Of every course on every line.
    #[default]
    All,
    /// Of each course on the line that decides, what its row on the first page rests on.
    Governing,
}

/// A template, ready for use.
#[derive(Debug, Clone, PartialEq)]
pub struct Template {
    /// What it is called in messages: a shipped name or a file.
    pub name: String,
    /// A report of one day, which may leave out what a survey report must not, and says that it is preliminary.
    pub is_daily: bool,
    pub title: String,
    pub language: String,
    pub paper: Paper,
    /// `None`: as the job says.
    pub units: Option<LengthUnit>,
    /// A PNG file, beside the template.
    pub logo: Option<String>,
    pub foot: String,
    pub sections: Vec<Section>,
    headings: BTreeMap<Section, String>,
    /// Who signs by hand on the last page.
    pub signatures: Vec<String>,
    /// Waveforms drawn for each run, of its worst spots.
    pub spot_figures: usize,
    /// Rows a list of spots, gaps, events has at most; what is left out is counted.
    pub list_rows: usize,
    pub working: Working,
    /// What stands on the first page is not said again further on.
    pub is_brief: bool,
}

/// A template as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenTemplate {
    #[serde(default)]
    kind: ReportKind,
    title: String,
    #[serde(default = "english")]
    language: String,
    #[serde(default)]
    paper: Paper,
    units: Option<LengthUnit>,
    logo: Option<String>,
    #[serde(default)]
    foot: String,
    sections: Option<Vec<String>>,
    #[serde(default)]
    headings: BTreeMap<String, String>,
    #[serde(default)]
    signatures: Vec<String>,
    #[serde(default = "twelve")]
    spot_figures: usize,
    #[serde(default = "two_hundred")]
    list_rows: usize,
    #[serde(default)]
    working: Working,
    #[serde(default)]
    brief: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum ReportKind {
    #[default]
    Survey,
    Daily,
}

fn english() -> String {
    "en".to_owned()
}
const fn twelve() -> usize {
    12
}
const fn two_hundred() -> usize {
    200
}

/// A report with more waveforms or rows than this cannot be read any more.
const MOST_FIGURES: usize = 500;
const MOST_ROWS: usize = 20_000;

impl Template {
    /// Reads and checks a template. `name` stands for the file in messages.
    pub fn parse(name: &str, text: &str) -> Result<Self, PlanError> {
        let refuse = |problems| PlanError { file: name.to_owned(), problems };
        let written: WrittenTemplate = toml::from_str(text).map_err(|error| refuse(vec![toml_problem(text, &error)]))?;
        let mut problems = Vec::new();
        let mut problem = |key: String, message: String| problems.push(Problem { line: line_of_key(text, &key), key, message });
        let known = || Section::ALL.iter().map(|section| section.key()).collect::<Vec<_>>().join(", ");
        let mut sections = Vec::new();
        let is_daily = written.kind == ReportKind::Daily;
        let (always, first): (&[Section], _) =
            if is_daily { (&[Section::Day, Section::Left], Section::Day) } else { (Section::ALWAYS, Section::Summary) };
        match &written.sections {
            None if is_daily => sections.extend([Section::Day, Section::Left, Section::Shifts, Section::Signatures]),
            None => sections.extend(Section::ALL.iter().filter(|section| **section != Section::Day)),
            Some(keys) => {
                for (index, key) in keys.iter().enumerate() {
                    match Section::of(key) {
                        None => problem(format!("sections[{index}]"), format!("there is no section '{key}'; there are: {}", known())),
                        Some(section) if sections.contains(&section) => {
                            problem(format!("sections[{index}]"), format!("'{key}' is given twice: name it once"));
                        }
                        Some(section) => sections.push(section),
                    }
                }
                for section in always.iter().filter(|section| !sections.contains(section)) {
                    let why = format!("'{}' is missing: it may be moved and renamed, not left out; add it", section.key());
                    problem("sections".to_owned(), why);
                }
                if !is_daily && sections.contains(&Section::Day) {
                    problem("sections".to_owned(), "'day' belongs to a daily report: leave it out, or say kind = \"daily\"".to_owned());
                }
                if sections.first() != Some(&first) && sections.contains(&first) {
                    problem(
                        "sections".to_owned(),
                        format!("'{}' must come first: a report begins with whether its numbers hold", first.key()),
                    );
                }
            }
        }
        let mut headings = BTreeMap::new();
        for (key, heading) in &written.headings {
            match Section::of(key) {
                None => problem(format!("headings.{key}"), format!("there is no section '{key}'; there are: {}", known())),
                Some(_) if heading.trim().is_empty() => {
                    problem(format!("headings.{key}"), "is empty: fill it in, or leave the key out".to_owned())
                }
                Some(section) => {
                    headings.insert(section, heading.clone());
                }
            }
        }
        if written.title.trim().is_empty() {
            problem("title".to_owned(), "is empty: fill it in".to_owned());
        }
        for (key, value, most) in [("spot_figures", written.spot_figures, MOST_FIGURES), ("list_rows", written.list_rows, MOST_ROWS)] {
            if value > most {
                problem(key.to_owned(), format!("{value} is not possible: it must be {most} or less"));
            }
        }
        if !problems.is_empty() {
            return Err(refuse(problems));
        }
        let WrittenTemplate {
            title,
            language,
            paper,
            units,
            logo,
            foot,
            signatures,
            spot_figures,
            list_rows,
            working,
            brief: is_brief,
            ..
        } = written;
        let name = name.to_owned();
        Ok(Self {
            name,
            is_daily,
            title,
            language,
            paper,
            units,
            logo,
            foot,
            sections,
            headings,
            signatures,
            spot_figures,
            list_rows,
            working,
            is_brief,
        })
    }

    pub fn heading(&self, section: Section) -> &str {
        self.headings.get(&section).map_or(section.heading(), String::as_str)
    }
}

/// A logo no larger than this, in dots either way: more cannot be seen on paper.
const MOST_DOTS: u32 = 4000;

/// Reads a PNG picture and puts it on white; says what is wrong with it otherwise.
pub fn logo(png: &[u8]) -> Result<Logo, String> {
    // The PNG specification (ISO/IEC 15948): a signature of eight bytes, then the header chunk with width and height.
    let number = |at: usize| png.get(at..at + 4).and_then(|bytes| bytes.try_into().ok()).map(u32::from_be_bytes);
    let size = number(16).zip(number(20)).filter(|_| png.starts_with(b"\x89PNG\r\n\x1a\n"));
    let (width, height) = size.ok_or("it is not a PNG picture")?;
    if width == 0 || height == 0 || width > MOST_DOTS || height > MOST_DOTS {
        return Err(format!("it is {width} by {height} dots; the most is {MOST_DOTS} either way"));
    }
    let picture = tiny_skia::Pixmap::decode_png(png).map_err(|error| error.to_string())?;
    // Colours are stored times their cover already: what is not covered is white paper.
    let on_white = |dot: &tiny_skia::PremultipliedColorU8| {
        let paper = 255 - dot.alpha();
        [dot.red().saturating_add(paper), dot.green().saturating_add(paper), dot.blue().saturating_add(paper)]
    };
    let rgb = picture.pixels().iter().flat_map(on_white).collect();
    Ok(Logo { width: picture.width(), height: picture.height(), rgb, png: png.to_vec() })
}

/// Name and text of each template that comes with the program; the first is what a report is where nothing else is asked for.
pub const SHIPPED: &[(&str, &str)] = &[
    ("full", include_str!("../../../profiles/report/full.toml")),
    ("summary", include_str!("../../../profiles/report/summary.toml")),
    ("complete", include_str!("../../../profiles/report/complete.toml")),
    ("daily", include_str!("../../../profiles/report/daily.toml")),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_template_reads_and_the_complete_one_has_every_section() {
        for (name, text) in SHIPPED {
            let template = Template::parse(name, text).unwrap();
            let first = if *name == "daily" { Section::Day } else { Section::Summary };
            assert_eq!(template.sections.first(), Some(&first), "{name}");
            if *name == "complete" {
                assert_eq!(template.sections.len(), Section::ALL.len() - 1, "all but the day's");
            }
        }
    }

    #[test]
    fn mistakes_name_file_line_and_key() {
        let said = |text: &str| Template::parse("t.toml", text).unwrap_err().to_string();
        assert!(said("title = \"T\"\npapper = \"a4\"\n").starts_with("t.toml:2: "));
        assert!(said("title = \"T\"\npaper = \"a5\"\n").starts_with("t.toml:2: "));
        let sections = said("title = \"T\"\n\nsections = [\"summary\", \"missing\", \"method\", \"seals\", \"figures\"]\n");
        assert!(sections.starts_with("t.toml:3: sections[4]: there is no section 'figures'"), "{sections}");
        let left_out = said("title = \"T\"\nsections = [\"summary\", \"method\", \"seals\"]\n");
        assert!(left_out.starts_with("t.toml:2: sections: 'missing' is missing"), "{left_out}");
        let heading = said("title = \"T\"\n[headings]\nsumary = \"Überblick\"\n");
        assert!(heading.starts_with("t.toml:3: headings.sumary"), "{heading}");
        assert!(said("title = \" \"\n").starts_with("t.toml:1: title"));
    }
}
