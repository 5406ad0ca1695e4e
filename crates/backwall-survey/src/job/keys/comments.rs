//! PURE. The comments of a plan or basis, each with the key or table it belongs to, so that a form can write them back where they were.

use std::collections::BTreeMap;
use toml::de::{DeTable, DeValue};

/// What people wrote about one key or table.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Comment {
    /// Lines above it with their `#`; an empty one stands between blocks.
    pub above: Vec<String>,
    /// Behind it on its own line.
    pub beside: Option<String>,
}

/// Of a key by its table's path and its name; of a table itself by its path and nothing.
pub type CommentOf = (String, Option<String>);

/// All comments of a text.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Comments {
    pub of: BTreeMap<CommentOf, Comment>,
    /// Lines behind everything.
    pub below: Vec<String>,
}

/// Something comments can belong to, from the first to behind the last of its bytes.
struct CommentAnchor {
    from: usize,
    to: usize,
    of: CommentOf,
    /// Comments between the entries of a list.
    within: Vec<String>,
}

impl Comments {
    /// Of a text that is no TOML there are none.
    pub fn of(text: &str) -> Self {
        let Ok(root) = DeTable::parse(text) else { return Self::default() };
        let mut anchors = Vec::new();
        find(text, "", root.get_ref(), &mut anchors);
        anchors.sort_by_key(|anchor| anchor.from);
        let mut comments = Self::default();
        let mut before: Option<(usize, CommentOf)> = None;
        let mut before_all = true;
        for CommentAnchor { from, to, of, within } in anchors {
            let gap = text.get(before.as_ref().map_or(0, |(end, _)| *end)..from).unwrap_or_default();
            let mut above = comments.beside(gap, before.map(|(_, of)| of));
            above.extend(within);
            // Before any table: what stands above all of it is of all of it.
            let is_first = before_all && of.0.is_empty();
            let owner = if is_first { (String::new(), None) } else { of.clone() };
            before_all = false;
            comments.of.entry(owner).or_default().above = above;
            before = Some((to, of));
        }
        let rest = text.get(before.as_ref().map_or(0, |(end, _)| *end)..).unwrap_or_default();
        comments.below = comments.beside(rest, before.map(|(_, of)| of));
        comments.of.retain(|_, comment| *comment != Comment::default());
        comments
    }

    /// Puts what is behind an anchor on its own line beside it; answers the lines that follow.
    fn beside(&mut self, gap: &str, anchor: Option<CommentOf>) -> Vec<String> {
        let (own, following) = match &anchor {
            Some(_) => gap.split_once('\n').unwrap_or((gap, "")),
            None => ("", gap),
        };
        if let (Some(at), Some(of)) = (own.find('#'), anchor) {
            self.of.entry(of).or_default().beside = Some(own[at..].trim_end().to_owned());
        }
        let mut lines: Vec<String> = Vec::new();
        for line in following.lines().map(str::trim) {
            let is_blank = line.is_empty() && lines.last().is_some_and(|last| !last.is_empty());
            if line.starts_with('#') || is_blank {
                lines.push(line.to_owned());
            }
        }
        while lines.last().is_some_and(String::is_empty) {
            lines.pop();
        }
        lines
    }
}

/// What is commented between the entries of a list.
fn within(text: &str, value: &toml::Spanned<DeValue<'_>>) -> Vec<String> {
    let DeValue::Array(items) = value.get_ref() else { return Vec::new() };
    let ends = items.iter().map(|item| item.span().end);
    let starts = items.iter().map(|item| item.span().start).chain([value.span().end]);
    let gaps = std::iter::once(value.span().start).chain(ends).zip(starts);
    let lines = gaps.flat_map(|(from, to)| text.get(from..to).unwrap_or_default().lines());
    lines.filter_map(|line| line.find('#').map(|at| line[at..].trim_end().to_owned())).collect()
}

/// Tables and keys with where they stand. What is written in one value has one place.
fn find(text: &str, path: &str, table: &DeTable<'_>, anchors: &mut Vec<CommentAnchor>) {
    let starts = |at: usize, with: char| text.get(at..).is_some_and(|rest| rest.starts_with(with));
    for (name, value) in table {
        let below = if path.is_empty() { name.get_ref().to_string() } else { format!("{path}.{}", name.get_ref()) };
        let span = value.span();
        let is_header =
            |value: &toml::Spanned<DeValue<'_>>| matches!(value.get_ref(), DeValue::Table(_)) && starts(value.span().start, '[');
        match value.get_ref() {
            DeValue::Table(inner) if !starts(span.start, '{') => {
                // One that only others stand in has no header.
                if starts(span.start, '[') {
                    anchors.push(CommentAnchor { from: span.start, to: span.end, of: (below.clone(), None), within: Vec::new() });
                }
                find(text, &below, inner, anchors);
            }
            DeValue::Array(items) if items.iter().next().is_some_and(is_header) => {
                for (index, item) in items.iter().enumerate() {
                    let DeValue::Table(inner) = item.get_ref() else { continue };
                    let below = format!("{below}[{index}]");
                    let span = item.span();
                    anchors.push(CommentAnchor { from: span.start, to: span.end, of: (below.clone(), None), within: Vec::new() });
                    find(text, &below, inner, anchors);
                }
            }
            _ => {
                let of = (path.to_owned(), Some(name.get_ref().to_string()));
                anchors.push(CommentAnchor { from: name.span().start, to: span.end, of, within: within(text, value) });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comment_belongs_to_what_it_is_above_of_or_beside() {
        let text = "# by the office\n\n# for the field\n[job] # the job\nnumber = \"a # b\" # as ordered\n\n# which site?\n# this one\nsite = '''x\n# no comment\n'''\n[[line]]\nname = \"A\"\n#length_mm = 2\n[[line]]# second\nname = \"B\"\nearlier = [{ a = 1 }, # first\n  { a = 2 }]\n\n# the end\n";
        let found = Comments::of(text);
        let of = |path: &str, key: Option<&str>| found.of.get(&(path.to_owned(), key.map(str::to_owned))).cloned().unwrap_or_default();
        let comment = |above: &[&str], beside: Option<&str>| Comment {
            above: above.iter().map(|line| (*line).to_owned()).collect(),
            beside: beside.map(str::to_owned),
        };
        assert_eq!(of("job", None), comment(&["# by the office", "", "# for the field"], Some("# the job")));
        assert_eq!(of("job", Some("number")), comment(&[], Some("# as ordered")));
        assert_eq!(of("job", Some("site")), comment(&["# which site?", "# this one"], None));
        assert_eq!(of("line[1]", None), comment(&["#length_mm = 2"], Some("# second")));
        assert_eq!(found.below, ["# the end"]);
        assert_eq!(of("line[1]", Some("earlier")), comment(&["# first"], None));
        assert_eq!(found.of.len(), 5, "what stands inside a text is not taken for a comment: {:?}", found.of);
    }
}
