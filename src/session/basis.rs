//! What an assessment is judged by, as a person names it: a file, one that was kept, or the plan, with the earlier surveys it names. And
//! the assessment by it, or by two side by side: command and console have this one.

use anyhow::{Context, bail};
use backwall_report::assessment::{Against, Judge, Request, assess};
use backwall_report::earlier::{self, EarlierTold};
use backwall_report::whole_file::Tick;
use backwall_store::{JobContents, JobReader, small_file};
use backwall_survey::job::statement::BasisText;
use backwall_survey::job::{Basis, Said};
use std::path::{Path, PathBuf};

/// Stands for no basis at all.
const PLAN: &str = "plan";

/// A basis as an option names it.
pub struct Chosen {
    pub judge: Judge,
    /// As its file has it; nothing for one that is kept already.
    pub text: Option<BasisText>,
    /// Where the files of its surveys lie.
    folder: PathBuf,
}

/// What the option means in this job; without one what is in force.
pub fn chosen(option: Option<&str>, job: &Path, contents: &JobContents) -> anyhow::Result<Chosen> {
    let beside = |path: &Path| path.parent().map(Path::to_path_buf).unwrap_or_default();
    let of_job = |judge| Chosen { judge, text: None, folder: beside(job) };
    match option {
        None => Ok(of_job(Judge::InForce)),
        Some(PLAN) => Ok(of_job(Judge::Plan)),
        Some(number) if number.bytes().all(|byte| byte.is_ascii_digit()) && !number.is_empty() => {
            let id: i64 = number.parse()?;
            let kept = contents.statements.iter().find(|statement| statement.id == id);
            match kept.map(|statement| &statement.said) {
                Some(Said::Basis(kept)) => Ok(of_job(Judge::By(Box::new(kept.basis.clone()), format!("statement {id}")))),
                _ => bail!("--basis {id}: statement {id} is not a basis; the job has {}", kept_ones(contents)),
            }
        }
        Some(file) => {
            let path = Path::new(file);
            let text = small_file::text(path)
                .with_context(|| format!("--basis {file}: neither a file that can be read, nor a number, nor '{PLAN}'"))?;
            let basis = Basis::parse(file, &text)?;
            let judge = Judge::By(Box::new(basis.clone()), format!("file {}", path.file_name().unwrap_or_default().to_string_lossy()));
            Ok(Chosen { judge, text: Some(BasisText { text, basis }), folder: beside(path) })
        }
    }
}

/// One that was typed in the console and lies in no file: its surveys lie beside the job.
pub fn typed(basis: BasisText, job: &Path) -> Chosen {
    let judge = Judge::By(Box::new(basis.basis.clone()), "what if".to_owned());
    Chosen { judge, text: Some(basis), folder: job.parent().map(Path::to_path_buf).unwrap_or_default() }
}

/// The job judged by one basis, and where asked for by another; tells the tick how many readings are read.
pub fn judged(
    reader: &JobReader,
    contents: &JobContents,
    (one, other): (&Chosen, Option<&Chosen>),
    request: &Request,
    tick: &mut Tick<'_>,
) -> anyhow::Result<Against> {
    let mut by = |chosen: &Chosen| anyhow::Ok(assess(reader, &chosen.request(request.clone(), contents)?, tick)?);
    let a = by(one)?;
    let b = other.map(by).transpose()?;
    let of = |chosen: &Chosen| chosen.judge.of(contents).map(|(basis, _)| basis.clone());
    let differs = other.map(|other| Basis::differs(of(one).as_ref(), of(other).as_ref(), &contents.plan)).unwrap_or_default();
    Ok(Against { a, b, differs: differs.iter().map(ToString::to_string).collect() })
}

fn kept_ones(contents: &JobContents) -> String {
    let kept = contents.statements.iter().filter(|statement| matches!(statement.said, Said::Basis(_)));
    let kept: Vec<String> = kept.map(|statement| statement.id.to_string()).collect();
    if kept.is_empty() { "none: `--keep` keeps one".to_owned() } else { kept.join(", ") }
}

impl Chosen {
    /// The request judged by it, with the surveys it names read beside those that were given.
    pub fn request(&self, mut request: Request, contents: &JobContents) -> anyhow::Result<Request> {
        let surveys = self.judge.of(contents).map(|(basis, _)| basis.surveys.clone()).unwrap_or_default();
        for survey in surveys {
            let path = self.folder.join(&survey);
            let named = |known: &earlier::EarlierTable| Path::new(&known.source).file_name() == path.file_name();
            if request.earlier.iter().any(named) {
                continue;
            }
            request.earlier.push(earlier::load(&path, &EarlierTold::default()).with_context(|| format!("surveys of the basis: {survey}"))?);
        }
        request.basis = self.judge.clone();
        Ok(request)
    }
}
