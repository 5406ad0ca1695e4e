//! `backwall note`: a note or a mark at a place, put there afterwards; a drawing of characters may go with it.

use super::choice::choice;
use super::enter::{EnterArgs, enter};
use super::place::PlaceArgs;
use anyhow::Context;
use backwall_survey::job::noted::{MarkKind, Noted};
use backwall_survey::job::statement::Said;
use clap::Args;
use serde_json::json;
use std::path::{Path, PathBuf};

#[derive(Args, Debug)]
pub struct NoteArgs {
    #[command(flatten)]
    pub enter: EnterArgs,
    #[command(flatten)]
    pub place: PlaceArgs,
    /// What is noted
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub text: String,
    /// Makes it a mark of this kind
    #[arg(long, value_name = "KIND", value_parser = choice(MarkKind::WORDS))]
    pub mark: Option<MarkKind>,
    /// A text file with a drawing in text characters; the report prints it in a fixed-width font
    #[arg(long, value_name = "FILE")]
    pub drawing: Option<PathBuf>,
}

/// Wider and taller than this no drawing fits a page in letters that can be read.
const WIDEST: usize = 100;
const TALLEST: usize = 60;

pub fn run(args: &NoteArgs) -> anyhow::Result<()> {
    let drawing = args.drawing.as_deref().map(drawing).transpose()?.unwrap_or_default();
    let kept = enter(&args.enter, "", |_, contents| {
        Ok(Said::Note(Noted { at: args.place.read(contents)?, mark: args.mark, text: args.text.trim().to_owned(), drawing }))
    })?;
    kept.say(&args.enter, &kept.statement.said.to_string(), json!({}))
}

/// The lines of a drawing without what stands behind the last character of each.
fn drawing(path: &Path) -> anyhow::Result<String> {
    let of = path.display();
    let text = backwall_store::small_file::text(path).with_context(|| format!("{of}: cannot be read"))?;
    let lines: Vec<String> = text.lines().map(|line| line.replace('\t', "    ").trim_end().to_owned()).collect();
    let first = lines.iter().position(|line| !line.is_empty()).with_context(|| format!("{of}: there is nothing in it"))?;
    let last = lines.iter().rposition(|line| !line.is_empty()).unwrap_or(first);
    let lines = &lines[first..=last];
    let widest = lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
    anyhow::ensure!(
        widest <= WIDEST && lines.len() <= TALLEST,
        "{of}: {widest} characters wide and {} lines high; a drawing fits the report with up to {WIDEST} characters and {TALLEST} lines",
        lines.len()
    );
    let wrong = lines.iter().flat_map(|line| line.chars()).find(|c| c.is_control());
    anyhow::ensure!(wrong.is_none(), "{of}: has control characters; save it as plain text");
    Ok(lines.join("\n"))
}
