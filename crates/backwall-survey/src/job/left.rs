//! PURE. What is left to do in a job, worst first: what stops scanning, then what spoils data, then what the report will miss.
//! Its callers are the status command, the console and the daily report, so that all three say the same.

use super::checklist::Due;
use super::plan::AskedFor;
use super::statement::RunId;
use crate::neighbours::Kind;
use crate::strip::{Level, Spot, SpotId, Strip};
use backwall_units::{Length, LengthUnit};

/// How much hangs on an open item; the order in which they are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Weight {
    StopsScanning,
    SpoilsData,
    MissesInReport,
}

impl Weight {
    pub const ALL: [Self; 3] = [Self::StopsScanning, Self::SpoilsData, Self::MissesInReport];

    pub const fn heading(self) -> &'static str {
        match self {
            Self::StopsScanning => "Before the next run",
            Self::SpoilsData => "While you are on site",
            Self::MissesInReport => "Before the report",
        }
    }
}

/// What an open item is about, and so where to go to do it.
#[derive(Debug, Clone, PartialEq)]
pub enum About {
    /// The checklist, or what else stands against scanning.
    Checklist,
    Calibration,
    /// A line to drive.
    Line(String),
    /// A stretch of a line to drive again.
    Stretch {
        line: String,
        from: Length,
        to: Length,
    },
    /// A run that ended in the middle.
    Interrupted(RunId),
    Run(RunId),
    Spot(RunId, u32),
    /// A witness point or a photo of the plan, by its name.
    Witness(String),
    Photo(String),
    /// What an answer of the checklist, by its short name, holds for runs out.
    RunsOut(String),
    /// The plan.
    Plan,
}

/// Something left to do.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenItem {
    pub weight: Weight,
    pub about: About,
    pub words: String,
    /// When it is due, µs since 1970-01-01 UTC, where it has a time.
    pub due_us: Option<i64>,
}

/// A stretch of a line without a thickness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unread {
    pub from: Length,
    pub to: Length,
    pub why: Why,
}

/// Why a stretch has no thickness.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    NotDriven,
    /// Not driven, and the link went away there.
    LinkOut,
    NoEcho,
}

impl Why {
    pub const fn word(self) -> &'static str {
        match self {
            Self::NotDriven => "not driven",
            Self::LinkOut => "cable or link out",
            Self::NoEcho => "no echo",
        }
    }

    /// What is to be done: a place that was never driven is not driven again.
    pub const fn to_do(self) -> &'static str {
        match self {
            Self::NotDriven => "drive it",
            Self::LinkOut => "nothing was read there, drive it",
            Self::NoEcho => "drive it again",
        }
    }
}

/// A planned line, as far as it is driven by all runs that count; where the plan has tracks, one of them.
#[derive(Debug, Clone, PartialEq)]
pub struct LineDone {
    pub line: String,
    /// The channel whose track it is.
    pub channel: Option<String>,
    /// The planned places, in rising order.
    pub span: (Length, Length),
    pub runs: Vec<RunId>,
    /// Stretches longer than the plan's greatest gap.
    pub unread: Vec<Unread>,
}

impl LineDone {
    /// What the runs of a line come to; a metre that two of them drove counts once. `links` are the places where a link went.
    pub fn of(line: &str, span: (Length, Length), runs: Vec<RunId>, strip: &Strip, most: Length, links: &[Length]) -> Self {
        Self { line: line.to_owned(), channel: None, span, runs, unread: unread(strip, span, most, links) }
    }

    /// The same of one track: its metres are no other's.
    pub fn on_track(self, channel: &str) -> Self {
        Self { channel: Some(channel.to_owned()), ..self }
    }

    /// `A090`, or `A090, channel 2`.
    pub fn name(&self) -> String {
        self.channel.as_ref().map_or_else(|| self.line.clone(), |channel| format!("{}, channel {channel}", self.line))
    }

    pub fn planned(&self) -> Length {
        self.span.1 - self.span.0
    }

    /// How much of it has thicknesses, gaps the plan allows included.
    pub fn read(&self) -> Length {
        self.unread.iter().fold(self.planned(), |left, gap| left - (gap.to - gap.from))
    }

    pub fn is_done(&self) -> bool {
        self.unread.is_empty()
    }
}

/// Stretches of `span` without a thickness that are longer than `most`.
fn unread(strip: &Strip, span: (Length, Length), most: Length, links: &[Length]) -> Vec<Unread> {
    let mut found = Vec::new();
    let mut gap = |from: Length, to: Length| {
        if to - from > most {
            let inside = strip.stretch(from, to);
            let out = links.iter().any(|at| *at >= from - most && *at <= to + most);
            let why = match (inside.lost, out) {
                (0, true) => Why::LinkOut,
                (0, false) => Why::NotDriven,
                // Some shots at its edges do not make a stretch that was driven.
                (lost, _) if Length::mm(f64::from(lost)) < (to - from) * SHOTS_OF_A_DRIVE => Why::NotDriven,
                _ => Why::NoEcho,
            };
            found.push(Unread { from, to, why });
        }
    };
    let mut at = span.0;
    for (place, _) in strip.finest().filter(|(_, bin)| bin.least.is_some()) {
        if place > span.1 {
            break;
        }
        if place > at {
            gap(at, place);
        }
        at = at.max(place + Length::mm(1.0));
    }
    gap(at.min(span.1), span.1);
    found
}

/// Shots a millimetre that make a stretch one that was driven; a crawler takes at least one in 10 mm (common practice, no source).
const SHOTS_OF_A_DRIVE: f64 = 0.1;

/// A run, as far as something may be left to do of it.
#[derive(Debug, Clone, PartialEq)]
pub struct RunKnown {
    pub run: RunId,
    pub line: String,
    pub is_interrupted: bool,
    /// Another run goes on from it, or it is left as it is.
    pub is_settled: bool,
    /// The last place saved.
    pub last: Option<Length>,
    /// The validity of its calibration in words, where it is not valid; whether it is suspect.
    pub doubt: Option<(String, bool)>,
    pub readings_lost: u64,
    pub spots: Vec<Spot>,
    /// Spots that were confirmed or not confirmed by hand or by other means.
    pub proven: Vec<SpotId>,
}

/// What is known of a job at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownOfJob {
    pub obstacles: Vec<String>,
    /// When the next verification is due.
    pub verification_due_us: Option<i64>,
    /// What of the checklist runs out, and when.
    pub due: Vec<Due>,
    /// What a report wants and the plan does not have.
    pub lacks: Vec<&'static str>,
    pub lines: Vec<LineDone>,
    pub runs: Vec<RunKnown>,
    /// What the plan asks for besides readings and is not there yet.
    pub witness_points: Vec<AskedFor>,
    pub photos: Vec<AskedFor>,
    pub now_us: i64,
    pub unit: LengthUnit,
}

/// What runs out within a day is said: what must be done again while one is on site.
const SOON_US: i64 = 24 * 3_600_000_000;
/// Answers that run out so near to each other are one item, of which so many are named. Common practice, no source.
const TOGETHER_US: i64 = 10 * 60_000_000;
const NAMED: usize = 3;

/// Of what stops scanning so many are named; the checklist lists all.
const MOST_OBSTACLES: usize = 6;

/// What is left, worst first, and in the order of lines and runs.
pub fn open_items(known: &KnownOfJob) -> Vec<OpenItem> {
    let mut items = Vec::new();
    let mut add = |weight, about, words: String, due_us| items.push(OpenItem { weight, about, words, due_us });
    let unit = known.unit;
    let m = |length: Length| unit.place(length);
    let symbol = unit.place_symbol();
    for run in known.runs.iter().filter(|run| run.is_interrupted && !run.is_settled) {
        let at = run.last.map_or_else(|| "before its first place".to_owned(), |at| format!("at {} {symbol}", m(at)));
        let words = format!("run {} on {} ended in the middle, {at}: go on from there, or leave it as it is", run.run, run.line);
        add(Weight::StopsScanning, About::Interrupted(run.run), words, None);
    }
    // Where every line is done nothing more is scanned, and no verification will be due.
    let goes_on = known.lines.iter().any(|line| !line.is_done());
    let open: Vec<&String> = known.obstacles.iter().filter(|_| goes_on).collect();
    let named = if open.len() > MOST_OBSTACLES { MOST_OBSTACLES - 1 } else { open.len() };
    for obstacle in &open[..named] {
        add(Weight::StopsScanning, About::Checklist, (*obstacle).clone(), None);
    }
    if open.len() > named {
        add(Weight::StopsScanning, About::Checklist, format!("and {} more in the checklist", open.len() - named), None);
    }
    // Once it is overdue it stands among what stops scanning.
    if let Some(due) = known.verification_due_us.filter(|due| goes_on && *due > known.now_us) {
        add(Weight::SpoilsData, About::Calibration, "verify the calibration on a block".to_owned(), Some(due));
    }
    for run in &known.runs {
        let name = format!("run {} on {}", run.run, run.line);
        match &run.doubt {
            Some((why, true)) => add(Weight::SpoilsData, About::Run(run.run), format!("{name} is SUSPECT: {why}; drive it again"), None),
            Some((why, false)) => add(Weight::SpoilsData, About::Calibration, format!("{name}: calibration pending, {why}"), None),
            None => {}
        }
    }
    for line in &known.lines {
        if line.runs.is_empty() {
            let length = line.planned();
            add(Weight::SpoilsData, About::Line(line.line.clone()), format!("{} {} {symbol}, not scanned", line.name(), m(length)), None);
            continue;
        }
        for gap in &line.unread {
            let words = format!("{} {} to {} {symbol}, {}: {}", line.name(), m(gap.from), m(gap.to), gap.why.word(), gap.why.to_do());
            add(Weight::SpoilsData, About::Stretch { line: line.line.clone(), from: gap.from, to: gap.to }, words, None);
        }
    }
    for run in &known.runs {
        // Whoever has proven a spot has looked at it.
        for spot in run.spots.iter().filter(|spot| !run.proven.contains(&spot.id)) {
            let thickness = format!("{} {}", unit.thickness(spot.least), unit.thickness_symbol());
            let at = spot.least_at.map_or_else(String::new, |at| format!(" at {} {symbol}", m(at)));
            let name = format!("{} {thickness} on {}{at}, run {}", spot.level, run.line, run.run);
            let kind = spot.finding.map(|finding| finding.kind);
            if !spot.acknowledged {
                add(Weight::SpoilsData, About::Spot(run.run, spot.id), format!("{name}: look at it and acknowledge it"), None);
            } else if spot.level == Level::Thin || kind.is_some_and(|kind| matches!(kind, Kind::Lamination | Kind::Unproven)) {
                let what = kind.map_or("thin wall", Kind::word);
                add(Weight::MissesInReport, About::Spot(run.run, spot.id), format!("{name}: {what}, to be proven by hand"), None);
            }
        }
        if run.readings_lost > 0 {
            let words = format!(
                "run {} on {} lost {} between device and computer",
                run.run,
                run.line,
                super::takes::counted(run.readings_lost as usize, "shot")
            );
            add(Weight::MissesInReport, About::Run(run.run), words, None);
        }
    }
    let soon = |due: &&Due| goes_on && due.at_us > known.now_us && due.at_us <= known.now_us.saturating_add(SOON_US);
    let mut soon: Vec<&Due> = known.due.iter().filter(soon).collect();
    soon.sort_by_key(|due| due.at_us);
    // Answered in one go they run out in one go: a checklist of fifty items must not hide what else is left.
    for together in soon.chunk_by(|one, next| next.at_us - one.at_us <= TOGETHER_US) {
        let names: Vec<&str> = together.iter().take(NAMED).map(|due| due.what.as_str()).collect();
        let more = match together.len().saturating_sub(NAMED) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        let first = together[0];
        add(Weight::SpoilsData, About::RunsOut(first.what.clone()), format!("{}{more}: answer again", names.join(", ")), Some(first.at_us));
    }
    let of = |asked: &AskedFor| asked.line.as_ref().map_or_else(String::new, |line| format!(" on {line}"));
    for point in &known.witness_points {
        let words = format!("witness point '{}'{}: no initials yet", point.name, of(point));
        add(Weight::SpoilsData, About::Witness(point.name.clone()), words, None);
    }
    for photo in &known.photos {
        let words = format!("photo '{}'{}: not taken yet", photo.name, of(photo));
        add(Weight::SpoilsData, About::Photo(photo.name.clone()), words, None);
    }
    if !known.lacks.is_empty() {
        let words = format!("the plan does not have: {}; the report says that it is missing", known.lacks.join(", "));
        add(Weight::MissesInReport, About::Plan, words, None);
    }
    items.sort_by_key(|item| item.weight);
    items
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mm(mm: f64) -> Length {
        Length::mm(mm)
    }

    /// A strip read every 2 mm from `from` to `to`, without echo where asked.
    fn drive(strip: &mut Strip, from: f64, to: f64, read: bool) {
        let mut at = from;
        while at <= to {
            let (thickness, level) = if read { (Some(mm(9.0)), Level::Clear) } else { (None, Level::NoEcho) };
            strip.push(Some(mm(at)), thickness, level);
            at += 2.0;
        }
    }

    #[test]
    fn a_line_is_what_all_its_runs_read_and_a_metre_counts_once() {
        let mut strip = Strip::default();
        drive(&mut strip, 0.0, 1790.0, true);
        drive(&mut strip, 1000.0, 1790.0, true);
        drive(&mut strip, 2070.0, 2500.0, true);
        drive(&mut strip, 2502.0, 2600.0, false);
        drive(&mut strip, 2602.0, 3000.0, true);
        let line = LineDone::of("A000", (mm(0.0), mm(4000.0)), vec![1, 2], &strip, mm(10.0), &[mm(1790.0)]);
        let found: Vec<_> = line.unread.iter().map(|gap| (gap.from.as_mm().round(), gap.to.as_mm().round(), gap.why)).collect();
        assert_eq!(found, [(1791.0, 2070.0, Why::LinkOut), (2501.0, 2602.0, Why::NoEcho), (3001.0, 4000.0, Why::NotDriven)]);
        assert!((line.read().as_mm() - (4000.0 - 279.0 - 101.0 - 999.0)).abs() < 1.0, "{}", line.read());
        assert!(!line.is_done());
        let known = KnownOfJob {
            obstacles: Vec::new(),
            verification_due_us: None,
            due: Vec::new(),
            lacks: Vec::new(),
            lines: vec![line],
            runs: Vec::new(),
            witness_points: Vec::new(),
            photos: Vec::new(),
            now_us: 0,
            unit: LengthUnit::Mm,
        };
        let words: Vec<String> = open_items(&known).into_iter().map(|item| item.words).collect();
        assert_eq!(
            words,
            [
                "A000 1.791 to 2.070 m, cable or link out: nothing was read there, drive it",
                "A000 2.501 to 2.602 m, no echo: drive it again",
                "A000 3.001 to 4.000 m, not driven: drive it",
            ]
        );
    }

    #[test]
    fn answers_that_run_out_together_are_one_item_due_with_the_first() {
        let minute = 60_000_000;
        let due = [("wind", 30), ("gas", 181), ("storm", 185), ("h2s", 190), ("tyre", 195), ("toxic", 200), ("permit", 700)];
        let known = KnownOfJob {
            obstacles: Vec::new(),
            verification_due_us: None,
            due: due.iter().rev().map(|(what, at)| Due { what: (*what).to_owned(), at_us: at * minute }).collect(),
            lacks: Vec::new(),
            lines: vec![LineDone::of("B", (mm(0.0), mm(2000.0)), Vec::new(), &Strip::default(), mm(10.0), &[])],
            runs: Vec::new(),
            witness_points: Vec::new(),
            photos: Vec::new(),
            now_us: minute,
            unit: LengthUnit::Mm,
        };
        let found: Vec<_> = open_items(&known).into_iter().filter_map(|item| Some((item.words, item.due_us? / minute))).collect();
        let want = [("wind: answer again", 30), ("gas, storm, h2s and 2 more: answer again", 181), ("permit: answer again", 700)];
        assert_eq!(found, want.map(|(words, at)| (words.to_owned(), at)));
    }

    #[test]
    fn what_stops_scanning_comes_first_and_a_line_never_driven_is_left_whole() {
        let known = KnownOfJob {
            obstacles: vec!["tether: not answered".to_owned()],
            verification_due_us: Some(150),
            due: [("wind", 130), ("gas", 90), ("kit", 150 + SOON_US)].map(|(what, at_us)| Due { what: what.to_owned(), at_us }).into(),
            lacks: vec!["standard", "drawing"],
            lines: vec![LineDone::of("B", (mm(0.0), mm(2000.0)), Vec::new(), &Strip::default(), mm(10.0), &[])],
            runs: vec![RunKnown {
                run: 3,
                line: "A".to_owned(),
                is_interrupted: true,
                is_settled: false,
                last: Some(mm(1790.0)),
                doubt: Some(("no verification after it".to_owned(), false)),
                readings_lost: 0,
                spots: Vec::new(),
                proven: Vec::new(),
            }],
            witness_points: vec![AskedFor { name: "calibration on blocks".to_owned(), line: None }],
            photos: vec![AskedFor { name: "weld".to_owned(), line: Some("B".to_owned()) }],
            now_us: 100,
            unit: LengthUnit::Mm,
        };
        let items = open_items(&known);
        let words: Vec<&str> = items.iter().map(|item| item.words.as_str()).collect();
        assert_eq!(
            words,
            [
                "run 3 on A ended in the middle, at 1.790 m: go on from there, or leave it as it is",
                "tether: not answered",
                "verify the calibration on a block",
                "run 3 on A: calibration pending, no verification after it",
                "B 2.000 m, not scanned",
                "wind: answer again",
                "witness point 'calibration on blocks': no initials yet",
                "photo 'weld' on B: not taken yet",
                "the plan does not have: standard, drawing; the report says that it is missing",
            ]
        );
        let settled = KnownOfJob { runs: vec![RunKnown { is_settled: true, ..known.runs[0].clone() }], ..known };
        assert!(open_items(&settled).iter().all(|item| !matches!(item.about, About::Interrupted(_))));
    }
}
