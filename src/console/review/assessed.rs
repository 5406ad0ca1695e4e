//! Whether each course is enough, on screen: what the lines say together, what to do, the worst places; and the same by another basis
//! beside it. The words are those of the assessment itself; here they are put in order, each with the place it leads to.

use backwall_report::assessment::{Against, Assessment, RolledCourse, Worst, named, worst_rows};
use backwall_report::words::safe_text;
use backwall_survey::integrity::Decision;
use backwall_survey::job::statement::BasisText;
use backwall_units::{Length, LengthUnit};
use std::sync::Arc;

/// The assessment on screen, and the basis it is set against.
#[derive(Debug, Clone, Default)]
pub struct AssessedShown {
    pub what_if: Option<Box<BasisText>>,
    /// Readings read, and of how many; nothing once all is worked out.
    pub progress: Option<(u64, u64)>,
    pub found: Option<Arc<Against>>,
    pub failed: Option<String>,
    /// What the cursor is on, counted from the top.
    pub at: usize,
}

/// A line, and a place in it.
pub type Goes = Option<(String, Option<Length>)>;

/// A piece of the screen.
#[derive(Debug, Clone)]
pub enum AssessedBlock {
    Heading(String),
    Words(String, RowWeight),
    /// The same rows in several widths, the widest first; each row leads somewhere.
    Rows(Vec<Vec<Vec<String>>>, Vec<(Goes, RowWeight)>),
}

/// How much something is to be seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RowWeight {
    Plain,
    Strong,
    /// Not decided.
    Open,
    /// Not met.
    Bad,
}

impl AssessedShown {
    /// Being read, with another basis beside it or without.
    pub fn reading(what_if: Option<Box<BasisText>>) -> Self {
        Self { what_if, progress: Some((0, 0)), ..Self::default() }
    }

    /// Reads again; what is known stays on screen meanwhile.
    pub fn again(&mut self) {
        (self.progress, self.failed) = (Some((0, 0)), None);
    }

    pub fn take(&mut self, found: Arc<Against>) {
        (self.progress, self.failed, self.found) = (None, None, Some(found));
        self.walk(0, true);
    }

    pub fn fail(&mut self, why: String) {
        (self.progress, self.failed) = (None, Some(why));
    }

    pub fn walk(&mut self, by: usize, back: bool) {
        let last = self.goes().len().saturating_sub(1);
        self.at = if back { self.at.saturating_sub(by) } else { self.at.saturating_add(by) }.min(last);
    }

    /// What the cursor leads to.
    pub fn chosen(&self) -> Goes {
        self.goes().into_iter().nth(self.at).flatten()
    }

    /// Where each thing the cursor can be on leads.
    fn goes(&self) -> Vec<Goes> {
        let of = |block: AssessedBlock| match block {
            AssessedBlock::Heading(_) => Vec::new(),
            AssessedBlock::Words(..) => vec![None],
            AssessedBlock::Rows(_, rows) => rows.into_iter().map(|(goes, _)| goes).collect(),
        };
        self.blocks(LengthUnit::Mm).into_iter().flat_map(of).collect()
    }

    pub fn blocks(&self, unit: LengthUnit) -> Vec<AssessedBlock> {
        let Some(found) = &self.found else { return Vec::new() };
        let mut blocks: Vec<AssessedBlock> = found.about().into_iter().map(|words| AssessedBlock::Words(words, RowWeight::Plain)).collect();
        if !found.differs.is_empty() {
            blocks.push(AssessedBlock::Heading("where B differs from A".to_owned()));
            blocks.extend(found.differs.iter().map(|change| AssessedBlock::Words(safe_text(change), RowWeight::Plain)));
        }
        blocks.push(AssessedBlock::Heading(format!("all lines together, lengths in {}", unit.thickness_symbol())));
        blocks.push(courses(found, unit));
        to_do(found, unit, &mut blocks);
        for (index, course) in found.a.roll_up.courses.iter().enumerate() {
            of_course(found, index, course, unit, &mut blocks);
        }
        worst("worst places of all lines", &found.a.roll_up.worst, unit, &mut blocks);
        worst("may be laminations, whose depth may not be the wall's", &found.a.roll_up.laminations, unit, &mut blocks);
        blocks.push(AssessedBlock::Heading("in plain words".to_owned()));
        for judged in [Some(&found.a), found.b.as_ref()].into_iter().flatten() {
            let mark = mark(found, judged);
            blocks.extend(plain(judged, unit).into_iter().map(|words| AssessedBlock::Words(format!("{mark}{words}"), RowWeight::Plain)));
        }
        blocks
    }
}

/// `A: ` or `B: `, where there are two.
fn mark(found: &Against, of: &Assessment) -> &'static str {
    match &found.b {
        None => "",
        Some(b) if std::ptr::eq(b, of) => "B: ",
        Some(_) => "A: ",
    }
}

fn weight(decision: Decision) -> RowWeight {
    match decision {
        Decision::Met => RowWeight::Plain,
        Decision::NotDecided => RowWeight::Open,
        Decision::NotMet => RowWeight::Bad,
    }
}

fn rows_of<const N: usize>(rows: Vec<[String; N]>) -> Vec<Vec<String>> {
    rows.into_iter().map(Vec::from).collect()
}

/// A row for each course, or two where there are two bases.
fn courses(found: &Against, unit: LengthUnit) -> AssessedBlock {
    let goes = |course: &RolledCourse| {
        let place = course.minimum.as_ref().map(|minimum| (minimum.line.clone(), minimum.at));
        (place, weight(course.decision))
    };
    let both = rows_of(found.rows(unit));
    let Some(b) = &found.b else {
        let wide = rows_of(found.a.roll_up.course_rows(unit));
        // What to do stands beneath as well.
        let narrower = wide.iter().map(|row| row[..row.len() - 1].to_vec()).collect();
        return AssessedBlock::Rows(vec![wide, narrower, both], found.a.roll_up.courses.iter().map(goes).collect());
    };
    let pairs = found.a.roll_up.courses.iter().zip(&b.roll_up.courses);
    AssessedBlock::Rows(vec![both], pairs.flat_map(|(a, b)| [goes(a), goes(b)]).collect())
}

/// What to do next by A, and by B where that is something else.
fn to_do(found: &Against, unit: LengthUnit, blocks: &mut Vec<AssessedBlock>) {
    let steps = found.a.roll_up.next_steps(unit);
    let others = found.b.as_ref().map(|b| b.roll_up.next_steps(unit));
    let mut section = |by: &str, judged: &Assessment, steps: &[String]| {
        blocks.push(AssessedBlock::Heading(format!("what to do next{by}")));
        blocks.push(AssessedBlock::Words(judged.roll_up.headline(), weight(judged.roll_up.asset.decision)));
        blocks.extend(steps.iter().map(|step| AssessedBlock::Words(safe_text(step), RowWeight::Strong)));
    };
    match (&found.b, others) {
        (Some(b), Some(others)) if others != steps || b.roll_up.headline() != found.a.roll_up.headline() => {
            section(", by A", &found.a, &steps);
            section(", by B", b, &others);
        }
        _ => section("", &found.a, &steps),
    }
}

/// All that is known of a course, by each basis.
fn of_course(found: &Against, index: usize, course: &RolledCourse, unit: LengthUnit, blocks: &mut Vec<AssessedBlock>) {
    blocks.push(AssessedBlock::Heading(format!("course {}", course.course)));
    let other = found.b.as_ref().and_then(|b| Some((b, b.roll_up.courses.get(index)?))).filter(|(_, other)| *other != course);
    for (judged, course) in std::iter::once((&found.a, course)).chain(other) {
        let mark = if other.is_some() { mark(found, judged) } else { "" };
        let rows = judged.roll_up.course_rows(unit);
        let (head, row) = (&rows[0], &rows[index + 1]);
        // The number stands in the heading, and what to do beneath.
        blocks.push(AssessedBlock::Words(format!("{mark}{}", named(&head[1..head.len() - 1], &row[1..row.len() - 1])), RowWeight::Plain));
        blocks.push(AssessedBlock::Words(format!("{mark}{}", course.decision_words()), weight(course.decision)));
        blocks.extend(
            course.to_do.iter().map(|it| AssessedBlock::Words(format!("{mark}to do: {}", safe_text(&it.words(unit))), RowWeight::Strong)),
        );
    }
    blocks.extend(course.rests_on.iter().map(|words| AssessedBlock::Words(safe_text(words), RowWeight::Open)));
}

fn worst(title: &str, spots: &[Worst], unit: LengthUnit, blocks: &mut Vec<AssessedBlock>) {
    if spots.is_empty() {
        return;
    }
    blocks.push(AssessedBlock::Heading(title.to_owned()));
    let goes = |spot: &Worst| (Some((spot.place.line.clone(), spot.place.at)), RowWeight::Plain);
    blocks.push(AssessedBlock::Rows(vec![rows_of(worst_rows(spots, unit))], spots.iter().map(goes).collect()));
}

fn plain(judged: &Assessment, unit: LengthUnit) -> Vec<String> {
    let mut lines = judged.roll_up.plain(&safe_text(&judged.asset), unit);
    lines.extend(judged.remarks.iter().map(|remark| safe_text(remark)));
    lines.push(judged.caution.to_owned());
    lines
}
