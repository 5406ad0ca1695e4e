//! What must stand on one page stands there: where its lists are too long they are cut, say how much more there is and where, and go on
//! behind the page. What is decided and the headlines are never cut.

use super::layout::TEXT;
use super::{DocumentBlock, Tone};
use crate::words::count;

/// The first page's blocks as they fit, and what goes on behind it.
pub(super) struct HeldOnPage {
    pub first: Vec<DocumentBlock>,
    pub later: Vec<DocumentBlock>,
}

/// Rows that a single line of a list may take, tried one after the other.
const ROWS: [usize; 3] = [3, 2, 1];
/// Where the rest stands, if nothing else is said: the page behind the first.
const BEHIND: &str = "on page 2";

/// Cuts blocks until `fits`; `elsewhere` says where the rest is found if it does not go on here. `width` is that of a line in a box.
pub(super) fn held(
    blocks: &[DocumentBlock],
    elsewhere: Option<&'static str>,
    width: f64,
    fits: impl Fn(&[DocumentBlock]) -> bool,
) -> HeldOnPage {
    if blocks.is_empty() || fits(blocks) {
        return HeldOnPage { first: blocks.to_vec(), later: Vec::new() };
    }
    let mut cut = PageCut {
        blocks,
        kept: blocks.iter().map(lines_of).collect(),
        rows: vec![ROWS[0]; blocks.len()],
        rows_of_whole: usize::MAX,
        place: elsewhere.unwrap_or(BEHIND),
        width,
    };
    for rows in ROWS {
        cut.rows.fill(rows);
        while !fits(&cut.first()) && cut.longest_is_shortened() {}
    }
    // With single rows left even the boxes' last lines go, from the last box on; and only then is what is decided said more briefly.
    while !fits(&cut.first()) && cut.last_is_closed() {}
    for rows in ROWS {
        cut.rows_of_whole = if fits(&cut.first()) { cut.rows_of_whole } else { rows };
    }
    cut.fill(&fits);
    let later = if elsewhere.is_some() { Vec::new() } else { cut.later() };
    HeldOnPage { first: cut.first(), later }
}

fn lines_of(block: &DocumentBlock) -> usize {
    match block {
        DocumentBlock::Notice { lines, .. } => lines.len(),
        _ => 0,
    }
}

struct PageCut<'a> {
    blocks: &'a [DocumentBlock],
    /// Lines of each box that stay.
    kept: Vec<usize>,
    /// Rows that a line of each block may take, and one of a box that stays whole.
    rows: Vec<usize>,
    rows_of_whole: usize,
    place: &'static str,
    width: f64,
}

impl PageCut<'_> {
    /// Takes a line off the box with the most rows that may be cut and has more than one; the later of equals.
    fn longest_is_shortened(&mut self) -> bool {
        let rows = |index: usize| match &self.blocks[index] {
            DocumentBlock::Notice { lines, is_whole: false, .. } if self.kept[index] > 1 => {
                Some(lines[..self.kept[index]].iter().map(|line| self.wrapped(line).len().min(self.rows[index])).sum::<usize>())
            }
            _ => None,
        };
        let longest = (0..self.blocks.len()).filter_map(|index| Some((rows(index)?, index))).max();
        if let Some((_, index)) = longest {
            // What says how many more there are takes a row itself.
            let is_uncut = self.kept[index] == lines_of(&self.blocks[index]);
            self.kept[index] -= if is_uncut && self.kept[index] > 2 { 2 } else { 1 };
        }
        longest.is_some()
    }

    /// Leaves of the last open box that may be cut its title alone.
    fn last_is_closed(&mut self) -> bool {
        let open = |index: &usize| self.kept[*index] > 0 && matches!(&self.blocks[*index], DocumentBlock::Notice { is_whole: false, .. });
        let last = (0..self.blocks.len()).rev().find(open);
        if let Some(index) = last {
            self.kept[index] = 0;
        }
        last.is_some()
    }

    /// Uses the rows that cutting whole lines left free: what comes first is given back first.
    fn fill(&mut self, fits: impl Fn(&[DocumentBlock]) -> bool) {
        let mut given = true;
        while given {
            given = false;
            for index in 0..self.blocks.len() {
                if matches!(self.blocks[index], DocumentBlock::Notice { is_whole: true, .. }) {
                    continue;
                }
                let (kept, rows) = (self.kept[index], self.rows[index]);
                let missing = lines_of(&self.blocks[index]) - kept;
                // The last line of a list takes no more room than what says that there is one more.
                for (more, rows_more) in [(2, 0), (1, 0), (0, 1)] {
                    let is_possible = if more == 2 { missing == 2 } else { more <= missing };
                    if !is_possible || rows + rows_more > ROWS[0] {
                        continue;
                    }
                    (self.kept[index], self.rows[index]) = (kept + more, rows + rows_more);
                    if fits(&self.first()) {
                        given = true;
                        break;
                    }
                    (self.kept[index], self.rows[index]) = (kept, rows);
                }
            }
        }
    }

    fn rows_of(&self, index: usize) -> usize {
        if matches!(self.blocks[index], DocumentBlock::Notice { is_whole: true, .. }) { self.rows_of_whole } else { self.rows[index] }
    }

    fn wrapped(&self, text: &str) -> Vec<String> {
        TEXT.wrap(text, self.width)
    }

    /// A text in as many rows as it may take, with where the whole of it stands.
    fn clipped(&self, text: &str, most: usize) -> String {
        let rows = self.wrapped(text);
        if rows.len() <= most {
            return text.to_owned();
        }
        let mut words: Vec<&str> = rows[..most].iter().flat_map(|row| row.split(' ')).collect();
        loop {
            let clipped = format!("{} … (whole {})", words.join(" "), self.place);
            if words.len() <= 1 || self.wrapped(&clipped).len() <= most {
                return clipped;
            }
            words.pop();
        }
    }

    fn first(&self) -> Vec<DocumentBlock> {
        let of = |(index, block): (usize, &DocumentBlock)| match block {
            DocumentBlock::Notice { tone, title, lines, is_whole } => {
                let (kept, most) = (self.kept[index], self.rows_of(index));
                let mut shown: Vec<String> = lines[..kept].iter().map(|line| self.clipped(line, most)).collect();
                let mut title = self.clipped(title, most);
                match lines.len() - kept {
                    0 => {}
                    more if kept == 0 => title = format!("{title} ({} {})", count(more as u64, "line"), self.place),
                    more => shown.push(format!("and {more} more, {}", self.place)),
                }
                DocumentBlock::Notice { tone: *tone, title, lines: shown, is_whole: *is_whole }
            }
            DocumentBlock::Paragraph(text) => DocumentBlock::Paragraph(self.clipped(text, self.rows[index])),
            DocumentBlock::Facts(facts) => {
                DocumentBlock::Facts(facts.iter().map(|(name, value)| (name.clone(), self.clipped(value, self.rows[index]))).collect())
            }
            other => other.clone(),
        };
        self.blocks.iter().enumerate().map(of).collect()
    }

    /// What was cut off, whole, under the titles it belongs to.
    fn later(&self) -> Vec<DocumentBlock> {
        let mut later = Vec::new();
        for (index, block) in self.blocks.iter().enumerate() {
            let is_clipped = |text: &str| self.wrapped(text).len() > self.rows_of(index);
            let (tone, title, lines): (Tone, &str, Vec<String>) = match block {
                DocumentBlock::Notice { tone, title, lines, .. } => {
                    let (stayed, gone) = lines.split_at(self.kept[index]);
                    (*tone, title, stayed.iter().filter(|line| is_clipped(line)).chain(gone).cloned().collect())
                }
                DocumentBlock::Paragraph(text) if is_clipped(text) => (Tone::Plain, "", vec![text.clone()]),
                DocumentBlock::Facts(facts) => {
                    let long = facts.iter().filter(|(_, value)| is_clipped(value));
                    (Tone::Plain, "", long.map(|(name, value)| format!("{name}: {value}")).collect())
                }
                _ => continue,
            };
            if !lines.is_empty() || is_clipped(title) {
                later.push(DocumentBlock::Notice { tone, title: title.to_owned(), lines, is_whole: false });
            }
        }
        if !later.is_empty() {
            later.insert(0, DocumentBlock::Heading { level: 1, text: "What did not fit on the first page".to_owned() });
            later.insert(0, DocumentBlock::PageBreak);
        }
        later
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn notice(title: &str, lines: usize, is_whole: bool) -> DocumentBlock {
        let lines = (1..=lines).map(|line| format!("{title}{line}")).collect();
        DocumentBlock::Notice { tone: Tone::Watch, title: title.to_owned(), lines, is_whole }
    }

    fn rows(blocks: &[DocumentBlock]) -> usize {
        let of = |block: &DocumentBlock| if let DocumentBlock::Notice { lines, .. } = block { 1 + lines.len() } else { 1 };
        blocks.iter().map(of).sum()
    }

    fn lines(block: &DocumentBlock) -> Vec<&str> {
        if let DocumentBlock::Notice { lines, .. } = block { lines.iter().map(String::as_str).collect() } else { Vec::new() }
    }

    #[test]
    fn the_longest_lists_are_cut_say_how_many_more_and_go_on() {
        let blocks = [notice("a", 9, true), notice("b", 6, false), notice("c", 3, false)];
        let held = held(&blocks, None, 100.0, |blocks| rows(blocks) <= 18);
        assert_eq!(lines(&held.first[0]).len(), 9, "what is decided stays whole");
        assert_eq!(lines(&held.first[1]), ["b1", "b2", "b3", "and 3 more, on page 2"]);
        assert_eq!(lines(&held.first[2]), ["c1", "and 2 more, on page 2"]);
        let (heading, later) = (&held.later[1], &held.later[2..]);
        assert!(matches!(heading, DocumentBlock::Heading { level: 1, .. }));
        assert_eq!(later.iter().flat_map(lines).collect::<Vec<_>>(), ["b4", "b5", "b6", "c2", "c3"]);
    }

    #[test]
    fn rows_that_are_left_free_are_used() {
        // Each of b takes two rows: cutting the list leaves one or the other free.
        let two = |blocks: &[DocumentBlock]| {
            let of = |block: &DocumentBlock| match block {
                DocumentBlock::Notice { title, lines, .. } if title == "b" => {
                    1 + lines.iter().map(|line| if line.starts_with('b') { 2 } else { 1 }).sum::<usize>()
                }
                DocumentBlock::Notice { lines, .. } => 1 + lines.len(),
                _ => 1,
            };
            blocks.iter().map(of).sum::<usize>()
        };
        let blocks = [notice("a", 6, false), notice("b", 8, false)];
        for most in 8..24 {
            let held = held(&blocks, None, 100.0, |blocks| two(blocks) <= most);
            let used = two(&held.first);
            assert!(used <= most && used + 2 > most, "{used} of {most} rows");
        }
    }

    #[test]
    fn titles_alone_stay_where_nothing_else_has_room_and_long_lines_end_where_they_go_on() {
        let blocks = [notice("a", 2, true), notice("b", 6, false), notice("c", 3, false)];
        let held = held(&blocks, Some("in the full report"), 100.0, |blocks| rows(blocks) <= 5);
        let title = |block: &DocumentBlock| {
            if let DocumentBlock::Notice { title, lines, .. } = block { (title.clone(), lines.len()) } else { Default::default() }
        };
        assert_eq!(title(&held.first[0]), ("a".to_owned(), 2), "what is decided stays whole");
        assert_eq!(title(&held.first[1]), ("b (6 lines in the full report)".to_owned(), 0));
        assert_eq!(title(&held.first[2]), ("c (3 lines in the full report)".to_owned(), 0));
        assert!(held.later.is_empty(), "it is elsewhere");
        let long = DocumentBlock::Notice { tone: Tone::Bad, title: "t".into(), lines: vec!["word ".repeat(300)], is_whole: true };
        let held = super::held(&[long], None, 100.0, |blocks| lines(&blocks[0])[0].len() < 300);
        assert!(lines(&held.first[0])[0].ends_with("word … (whole on page 2)"), "{:?}", lines(&held.first[0]));
        assert_eq!(lines(&held.later[2])[0].matches("word").count(), 300);
    }
}
