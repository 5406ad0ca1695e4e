//! The key table written out: the page `docs/plan.md` and the commented example.

use super::{KeyLeftOut, PlanKey, PlanTable, TABLES};
use std::fmt::Write;

/// Columns of the example.
const WIDEST: usize = 100;

const ABOUT: &str = "\
# The job plan

A job plan is a TOML file that the office writes and a technician takes into the field; `backwall new JOB --from PLAN.toml` makes a job
file from it. `backwall new --example > plan.toml` writes a plan with every key in it and its meaning beside it, to be changed. This page is
made from the same table as that example and the messages of mistakes.

Every key carries its unit in its name; numbers have a point as decimal mark. An unknown key is refused. A plan with mistakes makes no job: all
of them are shown at once, each with file, line and key and what is possible there.

What the job will take (metres, time, battery, cable, size of the job file) is shown by `backwall new` and on the Prepare screen, from lines,
speed limit and `[crawler]`. It counts each line once and one way at the speed limit: the way back, turns and second passes come on top.
";

const EXAMPLE_ABOUT: &str = "\
# A job plan with every key it can have. Place, people, kit and numbers are invented: put yours in.
# Lines that begin with # and no space after it are keys that may be left out; remove the # to use one.
# What follows # and a space is a comment. Text goes in quotes, numbers have a point as decimal mark.
";

/// `docs/plan.md`.
pub fn page() -> String {
    page_of(ABOUT, TABLES)
}

/// A page that explains tables of keys.
pub(in crate::job) fn page_of(about: &str, tables: &[PlanTable]) -> String {
    let mut page = about.to_owned();
    for table in tables {
        let must = if table.needed { "Must be there." } else { "May be left out." };
        let title = if table.path.is_empty() { "Without a table".to_owned() } else { format!("`{}`", table.header()) };
        let _ = write!(page, "\n## {title}\n\n{} {must}\n\n", table.meaning);
        page.push_str("| key | unit | may be | left out | example | means |\n| --- | --- | --- | --- | --- | --- |\n");
        for key in table.keys {
            let (allowed, left_out) = (key.allowed_words(), key.left_out_words().unwrap_or_else(|| "must be there".to_owned()));
            let (name, unit, example, meaning) = (key.name, key.unit, key.example, key.meaning);
            let _ = writeln!(page, "| `{name}` | {unit} | {allowed} | {left_out} | `{example}` | {meaning} |");
        }
    }
    page
}

/// A plan that is accepted as it is, with every key in it.
pub fn example() -> String {
    let mut text = EXAMPLE_ABOUT.to_owned();
    for table in TABLES {
        let must = if table.needed { "" } else { " May be left out." };
        text.push('\n');
        comment(&mut text, &format!("{}{must}", table.meaning));
        let _ = writeln!(text, "{}{}", off(!is_used(table)), table.header());
        for key in table.keys {
            let left_out = key.left_out_words().map_or_else(String::new, |then| format!(" Left out: {then}."));
            comment(&mut text, &format!("{} Write {}.{left_out}", key.meaning, key.allowed_words()));
            let _ = writeln!(text, "{}{} = {}", off(!is_used(table) || !is_usual(key)), key.name, key.example);
        }
    }
    text
}

/// Words behind `# `, in lines that a small editor shows whole.
pub(super) fn comment(text: &mut String, words: &str) {
    let mut column = 0;
    for word in words.split(' ') {
        let width = word.chars().count() + 1;
        if column == 0 || column + width > WIDEST {
            text.push_str(if column == 0 { "#" } else { "\n#" });
            column = 1;
        }
        text.push(' ');
        text.push_str(word);
        column += width;
    }
    text.push('\n');
}

fn off(off: bool) -> &'static str {
    if off { "#" } else { "" }
}

/// Whether most plans have it.
fn is_usual(key: &PlanKey) -> bool {
    matches!(key.left_out, KeyLeftOut::Needed | KeyLeftOut::Usual(_))
}

/// The example shows a table switched off where all of it is seldom needed.
fn is_used(table: &PlanTable) -> bool {
    table.needed || table.keys.iter().any(|key| matches!(key.left_out, KeyLeftOut::Usual(_)))
}
