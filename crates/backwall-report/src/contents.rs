//! What the report says: a job's facts in the order of a template, as a document that belongs to no file format. Pure:
//! the time of issue and the clock are told, so that the same job gives the same report.

mod amended;
mod answer;
mod assessed;
mod closing;
mod compared;
mod daily;
mod gather;
mod hand;
mod job;
mod laminated;
mod lines;
mod measuring;
mod missing;
mod noted;
mod record;
mod runs;
mod standing;
mod summary;
mod working;
mod worst;

pub use gather::{GatherError, Gathered, RunFacts, SpotFacts, gather};

use self::worst::tone as tone_of;
use super::document::{Captioned, Document, DocumentTable, Logo, Paper, Tone};
use super::left::Left;
use super::template::{Section, Template};
use super::words::{self, count};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::plan::Date;
use backwall_survey::job::validity::Validity;
use backwall_ultrasound::Measurement;
use backwall_units::{Length, LengthUnit, Temperature, Time, Velocity};

/// What a report is made with, besides the job.
pub struct ReportWanted<'a> {
    pub template: &'a Template,
    pub logo: Option<Logo>,
    pub paper: Paper,
    pub unit: LengthUnit,
    /// µs since 1970-01-01 UTC.
    pub issued_us: i64,
    /// What is left to do, where the template asks for it.
    pub left: Option<Left>,
    pub issue: Issue,
}

/// What is known of a report only when it is issued. What is empty is said to be missing.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Issue {
    pub number: String,
    pub revision: String,
    pub status: ReportStatus,
    pub conclusions: String,
    pub follow_up: String,
    /// Who signed a seal of the job, in words with the public key.
    pub signed: Option<String>,
}

/// How a report stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ReportStatus {
    #[default]
    Draft,
    Issued,
    Superseded,
}

impl ReportStatus {
    pub const ALL: &[(Self, &str, &str)] = &[
        (Self::Draft, "draft", "not released yet"),
        (Self::Issued, "issued", "released"),
        (Self::Superseded, "superseded", "a newer report replaces it"),
    ];

    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(status, ..)| *status == self).map_or("", |(_, word, _)| word)
    }
}

impl Issue {
    /// `report R-7 revision 1, issued`.
    fn words(&self) -> String {
        let part = |name: &str, value: &str| if value.is_empty() { String::new() } else { format!("{name} {value}") };
        let named: Vec<String> =
            [part("report", &self.number), part("revision", &self.revision)].into_iter().filter(|it| !it.is_empty()).collect();
        let named = if named.is_empty() { "report without a number".to_owned() } else { named.join(" ") };
        format!("{named}, {}", self.status.word().to_uppercase())
    }
}

/// The report of a job.
pub fn report(job: &Gathered, wanted: &ReportWanted<'_>) -> Document {
    let template = wanted.template;
    let mut writer = DocumentWriter { job, wanted, out: blank(job, wanted) };
    let sections = sections(template, job.unseen.is_some());
    for section in &sections {
        writer.section(*section);
        if *section == Section::Summary {
            writer.out.first_page = writer.out.blocks.len();
        }
    }
    let left_out: Vec<_> =
        Section::ALL.iter().filter(|it| !template.sections.contains(it) && !it.is_asked_for()).map(|it| it.heading()).collect();
    if !left_out.is_empty() && !template.is_daily {
        writer.out.paragraph(format!("Left out by the template '{}': {}.", template.name, left_out.join(", ")));
    }
    writer.out
}

/// The template's sections; what could not have been seen only where it was asked for, and then always.
fn sections(template: &Template, unseen: bool) -> Vec<Section> {
    let mut sections = template.sections.clone();
    match (unseen, sections.contains(&Section::Unseen)) {
        (false, _) => sections.retain(|section| *section != Section::Unseen),
        (true, true) => {}
        (true, false) => {
            let before = sections.iter().position(|section| *section == Section::Missing).unwrap_or(sections.len());
            sections.insert(before, Section::Unseen);
        }
    }
    sections
}

fn blank(job: &Gathered, wanted: &ReportWanted<'_>) -> Document {
    let plan = &job.contents.plan;
    let template = wanted.template;
    let client = plan.job.client.as_ref().map_or_else(String::new, |client| format!(" for {client}"));
    let issued = words::moment(wanted.issued_us, plan.zone());
    let foot = [format!("Job {}", plan.job.number), plan.asset.name.clone(), format!("issued {issued}"), template.foot.clone()];
    Document {
        title: template.title.clone(),
        subtitle: vec![
            format!("{}, {}: job {}{client}", plan.asset.name, plan.asset.kind.word(), plan.job.number),
            format!("{}; issued {issued}; {}", plan.job.site, wanted.issue.words()),
        ],
        foot: foot.into_iter().filter(|part| !part.trim().is_empty()).collect::<Vec<_>>().join(" · "),
        language: template.language.clone(),
        paper: wanted.paper,
        logo: wanted.logo.clone(),
        issued_us: wanted.issued_us,
        blocks: Vec::new(),
        first_page: 0,
        rest_is_in: template.is_brief.then_some("in the full report"),
    }
}

/// The document being written.
struct DocumentWriter<'a> {
    job: &'a Gathered,
    wanted: &'a ReportWanted<'a>,
    out: Document,
}

impl DocumentWriter<'_> {
    fn section(&mut self, section: Section) {
        let heading = self.wanted.template.heading(section).to_owned();
        if section == Section::Runs {
            // Each run has a heading of its own.
            return self.runs(&heading);
        }
        self.out.heading(1, heading);
        match section {
            Section::Summary => self.summary(),
            Section::Day => self.day(),
            Section::Worst => self.worst(),
            Section::Record => self.record(),
            Section::Working => self.working(),
            Section::Left => self.left(),
            Section::Shifts => self.shifts(),
            Section::Job => self.job_facts(),
            Section::People => self.people(),
            Section::Kit => self.kit(),
            Section::Asset => self.asset(),
            Section::Procedure => self.procedure(),
            Section::Results => self.results(),
            Section::Map => self.map(),
            Section::Statistics => self.statistics(),
            Section::Runs => {}
            Section::Comparison => self.comparison(),
            Section::Assessment => self.assessment(),
            Section::Unseen => self.unseen(),
            Section::Missing => self.missing(),
            Section::Uncertainty => self.uncertainty(),
            Section::Setup => self.setups(),
            Section::Calibration => self.calibration(),
            Section::Encoder => self.encoder(),
            Section::Checklist => self.checklist(),
            Section::Method => self.method(),
            Section::Seals => self.seals(),
            Section::Signatures => self.signatures(),
        }
    }

    fn thickness(&self, length: Length) -> String {
        words::thickness(self.wanted.unit, length)
    }
    fn thickness_or(&self, length: Option<Length>, none: &str) -> String {
        length.map_or_else(|| none.to_owned(), |length| self.thickness(length))
    }
    /// Without its unit, for columns whose head names it.
    fn bare(&self, length: Option<Length>) -> String {
        length.map_or_else(|| "–".to_owned(), |length| self.wanted.unit.thickness(length))
    }
    /// A thickness with its expanded uncertainty: `4.37 mm ± 0.12 mm (k = 2)`; without where none holds.
    fn with_uncertainty(&self, thickness: Length, measurement: &Measurement, validity: &Validity) -> String {
        match measurement.uncertainty {
            _ if matches!(validity, Validity::Suspect(_)) => format!("{}, not valid", self.thickness(thickness)),
            _ if measurement.is_for_even_wall_only() => format!("{}, even wall only", self.thickness(thickness)),
            Some(u) => format!("{} ± {} (k = 2)", self.thickness(thickness), self.thickness(u * 2.0)),
            None => format!("{} (uncertainty not known)", self.thickness(thickness)),
        }
    }
    fn velocity(&self, velocity: Velocity) -> String {
        format!("{} {}", self.wanted.unit.velocity(velocity), self.wanted.unit.velocity_symbol())
    }
    fn temperature(&self, temperature: Temperature) -> String {
        format!("{} {}", self.wanted.unit.temperature(temperature), self.wanted.unit.temperature_symbol())
    }
    fn place(&self, along: Option<Length>) -> String {
        along.map_or_else(|| "no place".to_owned(), |along| words::place(self.wanted.unit, along))
    }
    fn stretch(&self, from: Length, to: Length) -> String {
        let unit = self.wanted.unit;
        format!("{} to {} {}", unit.place(from), unit.place(to), unit.place_symbol())
    }
    fn long(&self, length: Length) -> String {
        words::stretch(self.wanted.unit, length)
    }
    fn time(&self, us: i64) -> String {
        words::day_and_clock(us, self.job.contents.plan.zone())
    }
    fn signed(&self, by: &Signed) -> String {
        let certificate = if by.certificate.is_empty() { "no certificate given" } else { by.certificate.as_str() };
        let name = if by.name.is_empty() { "no person named" } else { by.name.as_str() };
        format!("{name} ({certificate}), {}", self.time(by.at_us))
    }
    fn head(&self, name: &str) -> String {
        format!("{name}, {}>", self.wanted.unit.thickness_symbol())
    }

    /// The days on which something was measured, or the day of issue while nothing was.
    fn days(&self) -> Vec<chrono::NaiveDate> {
        let day = |us| words::day(us, self.job.contents.plan.zone());
        let runs: Vec<_> = self.job.runs.iter().filter_map(|run| day(run.summary.start.started_us)).collect();
        if runs.is_empty() { day(self.wanted.issued_us).into_iter().collect() } else { runs }
    }
    /// Whether a date had passed on a day on which something was measured.
    fn expired(&self, date: Option<Date>) -> bool {
        date.is_some_and(|date| self.days().iter().any(|day| *day > date.0))
    }

    /// A list cut to what the template allows; what is left out is said.
    fn shortened(&mut self, mut table: DocumentTable, what: &str, how: &str) {
        let most = self.wanted.template.list_rows;
        let left_out = table.rows.len().saturating_sub(most);
        table.rows.truncate(most);
        self.out.table(table);
        if left_out > 0 {
            self.out.notice(
                Tone::Watch,
                format!("Not all {what} are listed here: {left_out} more ({how}); `backwall export` writes all of them."),
                vec![],
            );
        }
    }
}

fn micro(time: Time) -> String {
    format!("{:.3} µs", time.as_us())
}

fn captioned(figure: super::figure::Figure, caption: impl Into<String>) -> Captioned {
    Captioned { figure, caption: caption.into() }
}

fn fact(name: &str, value: impl Into<String>) -> (String, String) {
    (name.to_owned(), value.into())
}
