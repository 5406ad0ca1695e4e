//! The unrolled wall with its spots as a drawing for CAD programs: DXF in ASCII of release 12, which all of them read. Coordinates are in
//! millimetres, around the wall from azimuth 0 and above the datum.
//!
//! Pairs of lines, a number that says what the value is and the value; the meaning of the numbers after the published reference of the
//! format (values from memory, read back by an independent reader).

use super::readings::SpotRow;
use super::unrolled::{OnWall, pieces};
use super::words::safe_text;
use backwall_store::Seal;
use backwall_survey::job::Plan;
use backwall_survey::neighbours::Kind;
use backwall_survey::strip::Level;
use backwall_units::{Length, LengthUnit};
use std::fmt::Write;

/// Layers with the numbers of their colours.
const LAYERS: [(&str, u8); 8] = [(WALL, 7), (COURSES, 8), (LINES, 5), (THIN, 1), (WATCH, 30), (LAMINATION, 6), (TEXT, 7), (NOTES, 8)];
const WALL: &str = "WALL";
const COURSES: &str = "COURSES";
const LINES: &str = "LINES";
const THIN: &str = "SPOTS-THIN";
const WATCH: &str = "SPOTS-WATCH";
const LAMINATION: &str = "SPOTS-LAMINATION";
const TEXT: &str = "SPOTS-TEXT";
const NOTES: &str = "NOTES";

/// Heights of letters, millimetres on the wall.
const SMALL: f64 = 60.0;
const LARGE: f64 = 150.0;
/// Longest text of release 12, in letters of its own.
const LONGEST: usize = 250;

/// A drawing as spots come.
pub struct Drawing<'a> {
    plan: &'a Plan,
    unit: LengthUnit,
    /// Of the probe, which a spot is drawn as wide as.
    beam: Length,
    out: String,
    spots: u64,
    /// Spots whose line has no place on the wall.
    pub without_place: u64,
}

impl<'a> Drawing<'a> {
    /// The wall with its courses and planned lines.
    pub fn new(plan: &'a Plan, beam: Length) -> Self {
        let mut drawing = Self { plan, unit: plan.job.units, beam, out: String::new(), spots: 0, without_place: 0 };
        drawing.wall();
        drawing
    }

    pub fn len(&self) -> u64 {
        self.spots
    }

    pub fn is_empty(&self) -> bool {
        self.spots == 0
    }

    fn wall(&mut self) {
        let plan = self.plan;
        let ground = plan.ground();
        let (right, bottom, top) = (ground.circumference, ground.bottom, ground.top);
        let at = |around, up| OnWall { around, up };
        let corners = [at(Length::ZERO, bottom), at(right, bottom), at(right, top), at(Length::ZERO, top)];
        self.polyline(WALL, &corners, true, Length::ZERO);
        for (number, low, high) in plan.course_edges() {
            if low > bottom {
                self.line(COURSES, at(Length::ZERO, low), at(right, low));
            }
            let course = plan.asset.courses.iter().find(|course| course.number == number);
            let required = course.and_then(|course| course.required);
            let required = required.map_or_else(String::new, |required| format!(", required {}", self.thickness(required)));
            let nominal = course.map_or_else(String::new, |course| format!(", nominal {}", self.thickness(course.nominal)));
            let middle = at(right + Length::mm(LARGE), (low + high) * 0.5);
            self.text(COURSES, middle, LARGE, &format!("course {number}{nominal}{required}"));
        }
        for line in &plan.lines {
            let (from, to) = plan.path(line).span();
            let Some(pieces) = pieces(plan, line, from, to) else { continue };
            for (index, (begin, end)) in pieces.iter().enumerate() {
                self.line(LINES, *begin, *end);
                if index == 0 {
                    self.text(LINES, at(end.around + Length::mm(SMALL / 2.0), end.up + Length::mm(SMALL / 2.0)), LARGE, &line.name);
                }
            }
        }
        let notes = [
            format!(
                "{}, job {}: unrolled wall, millimetres; right: around it from azimuth 0, up: above the datum",
                plan.asset.name, plan.job.number
            ),
            format!("datum: {}", plan.asset.datum),
            "Only the lines were scanned. Spots are screening results: the code, the procedure and the responsible engineer decide."
                .to_owned(),
        ];
        for (row, note) in notes.iter().enumerate() {
            self.text(NOTES, at(Length::ZERO, bottom - Length::mm(LARGE * 2.0 * (row as f64 + 1.0))), LARGE, note);
        }
    }

    /// A spot from edge to edge of its line, as wide as the beam, with its number and minimum; a point where it has no length.
    pub fn add(&mut self, row: &SpotRow<'_>) {
        let spot = &row.spot;
        let line = self.plan.line(&row.run.start.line);
        let edges = spot.edges.or(spot.least_at.map(|at| (at, at)));
        let found = line.zip(edges).and_then(|(line, (from, to))| pieces(self.plan, line, from, to));
        let Some(pieces) = found else {
            self.without_place += 1;
            return;
        };
        let layer = match (spot.finding.map(|finding| finding.kind), spot.level) {
            (Some(Kind::Lamination), _) => LAMINATION,
            (_, Level::Thin) => THIN,
            _ => WATCH,
        };
        for (index, (begin, end)) in pieces.iter().enumerate() {
            if begin == end {
                self.entity("POINT", layer);
                self.at(0, *begin);
            } else {
                self.polyline(layer, &[*begin, *end], false, self.beam);
            }
            if index == 0 {
                let place = OnWall { around: begin.around + Length::mm(SMALL), up: begin.up };
                let words = format!("spot {} of run {}: {} {}", spot.id, row.run.id, spot.level, self.thickness(spot.least));
                self.text(TEXT, place, SMALL, &words);
            }
        }
        self.spots += 1;
    }

    fn thickness(&self, length: Length) -> String {
        super::words::thickness(self.unit, length)
    }

    fn pair(&mut self, code: u16, value: impl std::fmt::Display) {
        pair(&mut self.out, code, value);
    }

    fn entity(&mut self, kind: &str, layer: &str) {
        self.pair(0, kind);
        self.pair(8, layer);
    }

    /// A place under the numbers 10, 20, 30, or 11, 21, 31 for `offset` 1.
    fn at(&mut self, offset: u16, place: OnWall) {
        place_of(&mut self.out, offset, place);
    }

    fn line(&mut self, layer: &str, from: OnWall, to: OnWall) {
        self.entity("LINE", layer);
        self.at(0, from);
        self.at(1, to);
    }

    fn polyline(&mut self, layer: &str, corners: &[OnWall], is_closed: bool, width: Length) {
        self.entity("POLYLINE", layer);
        self.pair(66, 1);
        self.at(0, OnWall { around: Length::ZERO, up: Length::ZERO });
        self.pair(70, u8::from(is_closed));
        self.pair(40, millimetres(width));
        self.pair(41, millimetres(width));
        for corner in corners {
            self.entity("VERTEX", layer);
            self.at(0, *corner);
        }
        self.entity("SEQEND", layer);
    }

    fn text(&mut self, layer: &str, place: OnWall, height: f64, words: &str) {
        self.entity("TEXT", layer);
        self.at(0, place);
        self.pair(40, height);
        self.pair(1, ascii(words));
    }

    /// The finished file; `seal` is the job's, in a comment, which readers pass over.
    pub fn file(self, seal: Option<&Seal>) -> String {
        let ground = self.plan.ground();
        let mut out = String::new();
        pair(&mut out, 999, "unrolled wall, written by Backwall");
        if let Some(seal) = seal {
            pair(&mut out, 999, format_args!("{}", super::sealed::words(seal)));
        }
        section(&mut out, "HEADER");
        pair(&mut out, 9, "$ACADVER");
        pair(&mut out, 1, "AC1009");
        pair(&mut out, 9, "$EXTMIN");
        place_of(&mut out, 0, OnWall { around: Length::ZERO, up: ground.bottom });
        pair(&mut out, 9, "$EXTMAX");
        place_of(&mut out, 0, OnWall { around: ground.circumference, up: ground.top });
        pair(&mut out, 0, "ENDSEC");
        section(&mut out, "TABLES");
        table(&mut out, "LTYPE", 1);
        for (code, value) in
            [(0, "LTYPE"), (2, "CONTINUOUS"), (70, "0"), (3, "Solid line"), (72, "65"), (73, "0"), (40, "0.0"), (0, "ENDTAB")]
        {
            pair(&mut out, code, value);
        }
        table(&mut out, "LAYER", LAYERS.len());
        for (name, colour) in LAYERS {
            pair(&mut out, 0, "LAYER");
            pair(&mut out, 2, name);
            pair(&mut out, 70, 0);
            pair(&mut out, 62, colour);
            pair(&mut out, 6, "CONTINUOUS");
        }
        pair(&mut out, 0, "ENDTAB");
        pair(&mut out, 0, "ENDSEC");
        section(&mut out, "ENTITIES");
        out.push_str(&self.out);
        pair(&mut out, 0, "ENDSEC");
        pair(&mut out, 0, "EOF");
        out
    }
}

fn pair(out: &mut String, code: u16, value: impl std::fmt::Display) {
    // Writing to a string cannot fail.
    let _ = write!(out, "{code:>3}\r\n{value}\r\n");
}

fn place_of(out: &mut String, offset: u16, place: OnWall) {
    pair(out, 10 + offset, millimetres(place.around));
    pair(out, 20 + offset, millimetres(place.up));
    pair(out, 30 + offset, "0.0");
}

fn section(out: &mut String, name: &str) {
    pair(out, 0, "SECTION");
    pair(out, 2, name);
}

fn table(out: &mut String, name: &str, entries: usize) {
    pair(out, 0, "TABLE");
    pair(out, 2, name);
    pair(out, 70, entries);
}

/// To the micrometre.
fn millimetres(length: Length) -> String {
    format!("{:.3}", length.as_mm())
}

/// Letters that release 12 does not have, by their numbers, and no longer than it takes.
fn ascii(words: &str) -> String {
    let mut out = String::new();
    for letter in safe_text(words).chars() {
        let mut coded = String::new();
        match letter {
            ' '..='~' => coded.push(letter),
            other => {
                for unit in other.encode_utf16(&mut [0; 2]) {
                    coded.push_str(&format!("\\U+{unit:04X}"));
                }
            }
        }
        if out.len() + coded.len() > LONGEST {
            break;
        }
        out.push_str(&coded);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_ascii_of_a_bounded_length_and_carry_no_second_line() {
        assert_eq!(ascii("Höhe\n5"), "H\\U+00F6he 5");
        assert_eq!(ascii(&"ä".repeat(300)).len(), 245, "no letter is cut in its middle");
    }
}
