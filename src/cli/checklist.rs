//! `backwall checklist`: the pre-scan checklist, on the console or from a file of answers.

use super::console::{OpenArgs, ScreenArgs};
use crate::session::Session;
use anyhow::{Context, bail};
use backwall_store::JobFile;
use backwall_survey::job::Checklist;
use backwall_survey::job::checklist::{Answer, AnswerError, Signature, Signed};
use clap::Args;
use serde::Deserialize;
use serde_json::json;
use std::path::{Path, PathBuf};

#[derive(Args, Debug)]
pub struct ChecklistArgs {
    /// The job file
    pub job: PathBuf,
    /// No screen: take answers from --answers, sign with --sign, and say the state of the checklist
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object
    #[arg(long, requires = "headless")]
    pub json: bool,
    /// Answers in TOML: [[answer]] with item, value and, if wanted, note
    #[arg(long, value_name = "FILE", requires = "headless")]
    pub answers: Option<PathBuf>,
    /// Sign as this person after the answers
    #[arg(long, value_name = "NAME", requires = "headless")]
    pub sign: Option<String>,
    /// Certificate to sign with, if the plan does not name it
    #[arg(long, value_name = "TEXT", requires = "sign")]
    pub certificate: Option<String>,
    #[command(flatten)]
    pub screen: ScreenArgs,
}

/// A file of answers.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AnswerFile {
    #[serde(rename = "answer")]
    answers: Vec<AnswerText>,
    /// Who wrote the file; who signs is said on the command line.
    #[serde(default)]
    #[expect(dead_code, reason = "kept in the file for those who read it")]
    by: Option<ByText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "kept in the file for those who read it")]
struct ByText {
    name: String,
    certificate: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AnswerText {
    item: String,
    value: String,
    #[serde(default)]
    note: String,
}

/// Reads a file of answers against its checklist.
pub fn read_answers(file: &str, text: &str, checklist: &Checklist, by: &Signed) -> anyhow::Result<Vec<Answer>> {
    let parsed: AnswerFile = toml::from_str(text).map_err(|error| {
        let problem = backwall_survey::job::check::toml_problem(text, &error);
        anyhow::anyhow!("{file}:{}: {}", problem.line.unwrap_or(1), problem.message)
    })?;
    parsed
        .answers
        .into_iter()
        .enumerate()
        .map(|(index, answer)| {
            let line = backwall_survey::job::check::line_of_key(text, &format!("answer[{index}].item")).unwrap_or(1);
            let item = checklist
                .item(&answer.item)
                .ok_or_else(|| AnswerError::NoSuchItem(answer.item.clone()))
                .with_context(|| format!("{file}:{line}"))?;
            let value = item.parse(&answer.value).with_context(|| format!("{file}:{line}: {}", answer.item))?;
            Ok(Answer { item: answer.item, value, note: answer.note, by: by.clone() })
        })
        .collect()
}

/// Stores answers and a signature under them; without a signature while a hold point is open or an answer stops the job.
pub fn answer_and_sign(file: &JobFile, answers: Vec<Answer>, sign: Option<Signed>) -> anyhow::Result<()> {
    let writer = file.writer();
    writer.answer_all(answers)?;
    if let Some(by) = sign {
        let contents = file.contents()?;
        if !contents.checklist.unanswered(&contents.answers, &contents.conditions(by.at_us, None, &by.name)).is_empty() {
            return Ok(());
        }
        let answers = contents.answers.len();
        writer.sign(Signature { by, answers })?;
    }
    Ok(())
}

pub fn run(args: ChecklistArgs) -> anyhow::Result<()> {
    if !args.headless {
        return super::console::checklist(OpenArgs::of(args.job, args.screen));
    }
    let session = Session::open(&args.job, args.sign.as_deref())?;
    let done = headless(&session, &args);
    let closed = session.file.close();
    let clear = done?;
    closed?;
    if clear { Ok(()) } else { bail!("the checklist does not allow scanning") }
}

/// Answers, signs, reports; `true` when nothing stops scanning.
fn headless(session: &Session, args: &ChecklistArgs) -> anyhow::Result<bool> {
    let now = crate::live::now_us();
    let mut by = Signed { at_us: now, ..session.operator.clone() };
    if let Some(certificate) = &args.certificate {
        by.certificate.clone_from(certificate);
    }
    let answers = match &args.answers {
        Some(path) => {
            let text = backwall_store::small_file::text(path).with_context(|| format!("{} cannot be read", path.display()))?;
            read_answers(&path.display().to_string(), &text, &session.file.contents()?.checklist, &by)?
        }
        None => Vec::new(),
    };
    if args.sign.is_some() && by.certificate.trim().is_empty() {
        bail!("{} has no certificate in the plan: give it with --certificate", by.name);
    }
    let conditions = session.file.contents()?.conditions(now, None, &session.operator.name);
    answer_and_sign(&session.file, answers, args.sign.is_some().then_some(by))?;
    let contents = session.file.contents()?;
    let obstacles = contents.checklist.obstacles(&contents.answers, &contents.signatures, &conditions);
    if args.json {
        let object = json!({
            "event": "checklist", "job": path_text(&args.job), "items": contents.checklist.items.len(),
            "answers": contents.answers.len(), "signatures": contents.signatures.len(), "obstacles": obstacles,
        });
        say!("{object}");
    } else if obstacles.is_empty() {
        say!("checklist done and signed by {}", contents.signatures.last().map_or("nobody", |s| s.by.name.as_str()));
    } else {
        say!("scanning is not allowed yet:\n  {}", obstacles.join("\n  "));
    }
    Ok(obstacles.is_empty())
}

fn path_text(path: &Path) -> String {
    path.display().to_string()
}
