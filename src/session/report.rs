//! The report of a job: gathered elsewhere, here worked out, laid out and written, for the command and for the console alike.

use anyhow::bail;
use backwall_report::assessment::Request;
use backwall_report::contents::{self, Gathered, Issue, ReportWanted};
use backwall_report::document::{Logo, Paper};
use backwall_report::left::left;
use backwall_report::template::{SHIPPED, Section, Template};
use backwall_report::{html, pdf, whole_file};
use backwall_store::{JobFile, JobReader};
use backwall_units::LengthUnit;
use std::path::Path;

/// What is wanted of a report, beside the job.
pub struct ReportOrder<'a> {
    pub template: &'a Template,
    pub logo: Option<Logo>,
    /// Instead of the template's, and of the job's.
    pub paper: Option<Paper>,
    pub unit: Option<LengthUnit>,
    pub issued_us: i64,
    pub issue: Issue,
}

/// What the file's name ends in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReportFormat {
    Pdf,
    Html,
}

/// What was written.
pub struct ReportWritten {
    pub bytes: usize,
    /// Of a PDF.
    pub pages: Option<usize>,
}

impl ReportFormat {
    pub fn of(out: &Path) -> anyhow::Result<Self> {
        let ending = out.extension().map(|ending| ending.to_string_lossy().to_lowercase());
        match ending.as_deref() {
            Some("pdf") => Ok(Self::Pdf),
            Some("html" | "htm") => Ok(Self::Html),
            _ => bail!("{}: the name must end in .pdf or .html, which says what to write", out.display()),
        }
    }

    pub const fn word(self) -> &'static str {
        match self {
            Self::Pdf => "pdf",
            Self::Html => "html",
        }
    }
}

/// Writes the report of a gathered job; one of an earlier report is replaced as a whole.
pub fn write(reader: &JobReader, job: &Gathered, order: ReportOrder<'_>, out: &Path) -> anyhow::Result<ReportWritten> {
    let format = ReportFormat::of(out)?;
    let unit = order.unit.or(order.template.units).unwrap_or(job.contents.plan.job.units);
    let left = match order.template.sections.contains(&Section::Left) {
        true => left(reader, &job.contents, order.issued_us, unit, &mut |_| true)?,
        false => None,
    };
    let wanted = ReportWanted {
        left,
        paper: order.paper.unwrap_or(order.template.paper),
        unit,
        template: order.template,
        logo: order.logo,
        issued_us: order.issued_us,
        issue: order.issue,
    };
    let report = contents::report(job, &wanted);
    let (bytes, pages) = match format {
        ReportFormat::Pdf => {
            let done = pdf::pdf(&report)?;
            (done.bytes, Some(done.pages))
        }
        ReportFormat::Html => (html::html(&report).into_bytes(), None),
    };
    whole_file::write_bytes(out, &bytes)?;
    Ok(ReportWritten { bytes: bytes.len(), pages })
}

/// Writes the full report beside a job file and says where.
pub fn beside(job: &Path) -> anyhow::Result<String> {
    let out = job.with_extension("pdf");
    let (name, text) = SHIPPED[0];
    let template = Template::parse(name, text)?;
    let reader = JobFile::open_read_only(job)?;
    let contents = reader.contents()?;
    let unit = template.units.unwrap_or(contents.plan.job.units);
    let request = super::basis::chosen(None, job, &contents)?.request(Request { unit: Some(unit), ..Request::default() }, &contents)?;
    let job = contents::gather(&reader, template.spot_figures, &request, &mut |_, _| true)?;
    let (issued_us, issue) = (crate::live::now_us(), Issue::default());
    let order = ReportOrder { template: &template, logo: None, paper: None, unit: Some(unit), issued_us, issue };
    let written = write(&reader, &job, order, &out)?;
    let pages = written.pages.map_or_else(String::new, |pages| format!("{}, ", backwall_report::words::count(pages as u64, "page")));
    Ok(format!("report written: {} ({pages}{})", shown(&out), backwall_report::words::bytes(written.bytes as u64)))
}

/// The name of a file, which lies beside the job.
fn shown(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}
