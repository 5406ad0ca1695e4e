//! What has changed between surveys: the difference along a line with its U, and the minimum of each course over the years.

use super::axis::{self, AxisReading, decimals, nice_step, ticks};
use super::mark::{BODY, EDGE, SMALL, TITLE};
use super::{Anchor, Dash, Figure, FigurePoint, Ink, LineWeight, Stroke, Text, font, point, rectangle};
use backwall_survey::strip::compare::{Comparison, Difference};
use backwall_units::{Length, LengthUnit};
use chrono::{Datelike, NaiveDate};

/// On paper, millimetres: of one among few, of one among many, and of one that stands for all.
pub const HEIGHT: f64 = 48.0;
pub const LOW: f64 = 40.0;
pub const HIGH: f64 = 58.0;
/// From the last survey to the names beside it.
const LEADER: f64 = 4.0;
const INKS: [Ink; 5] = [Ink::Blue, Ink::Vermilion, Ink::Green, Ink::Purple, Ink::Orange];
const DASHES: [Dash; 4] = [Dash::Solid, Dash::Dashed, Dash::Dotted, Dash::Chain];
const LATTICE: Stroke = Stroke::solid(Ink::Pale, 0.15);

/// The minimum of a course at one survey.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Minimum {
    pub date: NaiveDate,
    pub thickness: Length,
    /// U (k = 2).
    pub expanded: Option<Length>,
}

/// A course over the years, with what is required of it.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangeOfCourse {
    pub name: String,
    pub minima: Vec<Minimum>,
    pub required: Option<Length>,
}

/// A field with two scales.
struct ChangeField {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    x: (f64, f64),
    y: (f64, f64),
}

impl ChangeField {
    fn new((wide, high): (f64, f64), x: (f64, f64), y: (f64, f64)) -> Self {
        Self { left: 14.0, top: TITLE * 1.9, width: wide - 16.0, height: high - TITLE * 1.9 - 9.5, x, y }
    }
    fn x(&self, value: f64) -> f64 {
        self.left + (value - self.x.0) / (self.x.1 - self.x.0) * self.width
    }
    fn y(&self, value: f64) -> f64 {
        self.top + (self.y.1 - value.clamp(self.y.0, self.y.1)) / (self.y.1 - self.y.0) * self.height
    }
    fn at(&self, x: f64, y: f64) -> FigurePoint {
        point(self.x(x), self.y(y))
    }

    /// The frame with its ticks and what they count.
    fn frame(&self, figure: &mut Figure, (along, upward): (&str, &str), years: bool) {
        let step = nice_step((self.y.1 - self.y.0) / (self.height / 6.0));
        for tick in ticks(self.y.0, self.y.1, step) {
            let y = self.y(tick);
            figure.line(point(self.left, y), point(self.left + self.width, y), LATTICE);
            let number = format!("{tick:.digits$}", digits = decimals(step));
            figure.text(Text::new(point(self.left - 1.2, y + SMALL * 0.36), number, SMALL).anchored(Anchor::End));
        }
        let least = (self.x.1 - self.x.0) / (self.width / 14.0);
        let step = nice_step(if years { least.max(1.0) } else { least });
        let bottom = self.top + self.height;
        for tick in ticks(self.x.0, self.x.1, step) {
            let x = self.x(tick);
            figure.line(point(x, self.top), point(x, bottom + 1.0), LATTICE);
            let number = format!("{tick:.digits$}", digits = decimals(step));
            figure.text(Text::new(point(x, bottom + 3.8), number, SMALL).anchored(Anchor::Middle));
        }
        figure.outline(&rectangle(self.left, self.top, self.width, self.height), EDGE);
        figure.text(Text::new(point(self.left + self.width / 2.0, bottom + 7.6), along, SMALL).anchored(Anchor::Middle));
        let side = point(SMALL * 1.2, self.top + self.height / 2.0);
        figure.text(Text::new(side, upward, SMALL).anchored(Anchor::Middle).turned(90.0));
    }
}

fn titled(title: &str, (wide, high): (f64, f64)) -> Figure {
    let mut figure = Figure::new(title, wide, high);
    figure.text(Text::new(point(0.0, TITLE), font::fitted(title, wide, TITLE, LineWeight::Bold), TITLE).bold());
    figure
}

/// The difference of each bin that both surveys read: its mean as a line, its minimum as a dot, U of the mean as a field about nothing.
/// `None` where nothing was read by both.
pub fn along(title: &str, comparison: &Comparison, unit: LengthUnit, (wide, high): (f64, f64)) -> Option<Figure> {
    let (first, last) = (comparison.bins.first()?, comparison.bins.last()?);
    let (place, wall) = (axis::place(unit), axis::thickness(unit));
    let of = |length: Length, scale: AxisReading| length / scale.one;
    let differences = || comparison.bins.iter().flat_map(|bin| [bin.mean, bin.least]);
    let reach = |found: Difference| found.difference.abs().max(found.expanded.unwrap_or_default());
    let most = of(differences().map(reach).fold(Length::ZERO, Length::max), wall);
    let low = of(differences().map(|found| found.difference).fold(Length::ZERO, Length::min), wall);
    let upper = of(differences().map(|found| found.difference).fold(Length::ZERO, Length::max), wall);
    let u = of(comparison.bins.iter().filter_map(|bin| bin.mean.expanded).fold(Length::ZERO, Length::max), wall);
    let room = (most * 0.08).max(1e-6);
    let field = ChangeField::new(
        (wide, high),
        (of(first.from, place), of(last.to, place).max(of(first.from, place) + 1e-6)),
        (low.min(-u) - room, upper.max(u) + room),
    );
    let mut figure = titled(title, (wide, high));
    let band = comparison.bins.iter().filter_map(|bin| {
        let expanded = of(bin.mean.expanded?, wall);
        let (left, top) = (field.x(of(bin.from, place)), field.y(expanded));
        Some(rectangle(left, top, field.x(of(bin.to, place)) - left, field.y(-expanded) - top))
    });
    figure.areas(band.collect(), Ink::Pale);
    field.frame(&mut figure, (&format!("along the line, {}", place.symbol), &format!("now less then, {}", wall.symbol)), false);
    figure.line(field.at(field.x.0, 0.0), field.at(field.x.1, 0.0), EDGE);
    let middle = |bin: &backwall_survey::strip::compare::Compared| of((bin.from + bin.to) / 2.0, place);
    // A line only through neighbours: what one of the surveys did not read is left open.
    let mut lines: Vec<Vec<FigurePoint>> = Vec::new();
    let mut end: Option<Length> = None;
    for bin in &comparison.bins {
        let here = field.at(middle(bin), of(bin.mean.difference, wall));
        match lines.last_mut() {
            Some(line) if end.is_some_and(|end| (bin.from - end).abs() < Length::mm(0.5)) => line.push(here),
            _ => lines.push(vec![here]),
        }
        end = Some(bin.to);
    }
    figure.lines(lines, Stroke::solid(Ink::Blue, 0.25));
    let dot = |bin: &backwall_survey::strip::compare::Compared| {
        let here = field.at(middle(bin), of(bin.least.difference, wall));
        rectangle(here.x - 0.3, here.y - 0.3, 0.6, 0.6)
    };
    figure.areas(comparison.bins.iter().map(dot).collect(), Ink::Vermilion);
    Some(figure)
}

/// The minimum of each course at every survey with its U, and what is required. `None` where there are not two surveys.
pub fn by_year(title: &str, courses: &[ChangeOfCourse], unit: LengthUnit, (wide, high): (f64, f64)) -> Option<Figure> {
    let shown: Vec<&ChangeOfCourse> = courses.iter().filter(|course| course.minima.len() > 1).collect();
    let wall = axis::thickness(unit);
    let of = |length: Length| length / wall.one;
    let year = |date: NaiveDate| f64::from(date.year()) + f64::from(date.ordinal0()) / 365.25;
    let ends =
        |of: &mut dyn Iterator<Item = f64>| of.fold((f64::INFINITY, f64::NEG_INFINITY), |ends, one| (ends.0.min(one), ends.1.max(one)));
    let minima = || shown.iter().flat_map(|course| &course.minima);
    let (first, last) = ends(&mut minima().map(|minimum| year(minimum.date)));
    let spread = |minimum: &Minimum| {
        let expanded = of(minimum.expanded.unwrap_or_default());
        [of(minimum.thickness) - expanded, of(minimum.thickness) + expanded]
    };
    let required = shown.iter().filter_map(|course| course.required).map(of);
    let (low, upper) = ends(&mut minima().flat_map(spread).chain(required));
    if last <= first {
        return None;
    }
    let (across, room) = ((last - first) * 0.06, ((upper - low) * 0.08).max(1e-6));
    let mut known: Vec<Length> = shown.iter().filter_map(|course| course.required).collect();
    known.sort_by(Length::total_cmp);
    known.dedup();
    let of_courses = shown.iter().enumerate().map(|(index, course)| {
        let last = course.minima.last().map_or(0.0, |last| of(last.thickness));
        (last, course.name.clone(), INKS[index % INKS.len()])
    });
    let of_required = known.iter().map(|required| (of(*required), format!("required {}", unit.thickness(*required)), Ink::Black));
    let mut names: Vec<(f64, String, Ink)> = of_courses.chain(of_required).collect();
    // To the right of the last survey stand the names, in a margin as wide as they are.
    let widest = names.iter().map(|(_, name, _)| font::width(name, SMALL, LineWeight::Regular)).fold(0.0, f64::max);
    let (field_wide, margin) = (wide - 16.0, (widest + LEADER + 2.5).min((wide - 16.0) / 2.0));
    let to = first - across + (last - first + across) * field_wide / (field_wide - margin);
    let field = ChangeField::new((wide, high), (first - across, to), (low - room, upper + room));
    let mut figure = titled(title, (wide, high));
    field.frame(&mut figure, ("year", &format!("minimum, {}", wall.symbol)), true);
    // Each at the height of what it names, as far as they do not crowd, with a line to it, and clear of the frame.
    let clear = SMALL * 0.7;
    for (at, ..) in &mut names {
        *at = field.y(*at) - field.top - clear;
    }
    names.sort_by(|a, b| a.0.total_cmp(&b.0));
    let wished: Vec<(f64, u32)> = names.iter().map(|(at, ..)| (*at, 1)).collect();
    for (index, down) in axis::spread(&wished, BODY, field.height - 2.0 * clear) {
        let (at, name, ink) = &names[index];
        let (from, x, y) = (field.x(last) + 0.8, field.x(last) + LEADER, field.top + clear + down);
        figure.line(point(from, field.top + clear + at), point(x - 0.5, y), Stroke::solid(*ink, 0.12));
        let text = font::fitted(name, field.left + field.width - x - 0.5, SMALL, LineWeight::Regular);
        figure.text(Text::new(point(x, y + SMALL * 0.36), text, SMALL).ink(*ink));
    }
    for required in &known {
        let y = field.y(of(*required));
        figure.line(point(field.left, y), point(field.x(last), y), Stroke::solid(Ink::Black, 0.25).dashed(Dash::Dashed));
    }
    for (index, course) in shown.iter().enumerate() {
        let stroke = Stroke::solid(INKS[index % INKS.len()], 0.35).dashed(DASHES[index % DASHES.len()]);
        figure.lines(vec![course.minima.iter().map(|minimum| field.at(year(minimum.date), of(minimum.thickness))).collect()], stroke);
        for minimum in &course.minima {
            let here = field.at(year(minimum.date), of(minimum.thickness));
            figure.areas(vec![rectangle(here.x - 0.5, here.y - 0.5, 1.0, 1.0)], INKS[index % INKS.len()]);
            if minimum.expanded.is_some() {
                let [low, high] = spread(minimum);
                figure.line(point(here.x, field.y(low)), point(here.x, field.y(high)), Stroke::solid(INKS[index % INKS.len()], 0.25));
            }
        }
    }
    Some(figure)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::FigureItem;

    fn minima(walls: &[(i32, f64)]) -> Vec<Minimum> {
        let of = |(year, wall): &(i32, f64)| Minimum {
            date: NaiveDate::from_ymd_opt(*year, 3, 1).unwrap(),
            thickness: Length::mm(*wall),
            expanded: Some(Length::mm(0.1)),
        };
        walls.iter().map(of).collect()
    }

    #[test]
    fn minima_stand_at_their_year_and_height_and_names_apart() {
        let course =
            |name: &str, walls: &[(i32, f64)]| ChangeOfCourse { name: name.into(), minima: minima(walls), required: Some(Length::mm(6.2)) };
        let courses = [course("course 1", &[(2012, 9.0), (2019, 8.0), (2026, 7.0)]), course("course 2", &[(2012, 9.1), (2026, 7.01)])];
        let figure = by_year("minima", &courses, LengthUnit::Mm, (85.0, HEIGHT)).unwrap();
        let lines: Vec<&Vec<FigurePoint>> = figure
            .items
            .iter()
            .filter_map(
                |item| if let FigureItem::Lines { lines, stroke } = item { (stroke.width == 0.35).then_some(&lines[0]) } else { None },
            )
            .collect();
        // 2019 lies half way between 2012 and 2026, and 8 mm half way between 9 and 7 mm.
        let [first, middle, last] = lines[0][..] else { panic!("{lines:?}") };
        assert!((middle.x - (first.x + last.x) / 2.0).abs() < 0.05 && (middle.y - (first.y + last.y) / 2.0).abs() < 1e-9);
        assert!(last.y > first.y, "what was lost lies lower");
        let named: Vec<&Text> = figure
            .items
            .iter()
            .filter_map(|item| if let FigureItem::Text(text) = item { text.text.starts_with("course").then_some(text) } else { None })
            .collect();
        assert!(named.len() == 2 && (named[0].at.y - named[1].at.y).abs() >= BODY - 1e-9, "{named:?}");
        for item in &figure.items {
            if let FigureItem::Text(text) = item {
                let left = text.at.x - if text.anchor == Anchor::End { text.width() } else { 0.0 };
                assert!(left >= -0.01 && (text.turn != 0.0 || left + text.width() <= figure.width + text.width() / 2.0), "{text:?}");
            }
        }
        assert!(by_year("one survey", &[course("course 1", &[(2026, 7.0)])], LengthUnit::Mm, (85.0, HEIGHT)).is_none());
    }
}
