//! The unrolled wall: every line where it lies, its readings in cells that keep the worst, and how much of the wall
//! was looked at at all. Screen and picture both draw from here.

mod scanned;

use super::{Bin, Level, Limits, Strip};
use crate::travel::{Direction, Path};
use backwall_units::Length;

/// The wall that lines lie on, slit at azimuth 0 and laid flat.
#[derive(Debug, Clone, PartialEq)]
pub struct Ground {
    pub circumference: Length,
    /// Elevations above the datum.
    pub bottom: Length,
    pub top: Length,
    /// Whole surface, mm².
    surface: f64,
    sphere: Option<Sphere>,
}

/// A sphere, with the latitude its elevations count from where that is known: they are lengths along a meridian.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Sphere {
    radius: Length,
    datum_latitude_deg: Option<f64>,
}

impl Ground {
    pub fn cylinder(diameter: Length, bottom: Length, top: Length) -> Self {
        let circumference = diameter * std::f64::consts::PI;
        Self { circumference, bottom, top, surface: circumference.as_mm() * (top - bottom).max(Length::ZERO).as_mm(), sphere: None }
    }
    /// Unrolled by azimuth and place along the meridian; the surface is the sphere's own.
    pub fn sphere(diameter: Length, bottom: Length, top: Length, datum_latitude_deg: Option<f64>) -> Self {
        let surface = std::f64::consts::PI * diameter.as_mm() * diameter.as_mm();
        let sphere = Some(Sphere { radius: diameter / 2.0, datum_latitude_deg });
        Self { surface, sphere, ..Self::cylinder(diameter, bottom, top) }
    }

    pub const fn is_sphere(&self) -> bool {
        self.sphere.is_some()
    }

    /// How long a parallel is at an elevation, as a part of the circumference: 1 on a cylinder, the cosine of the latitude on a sphere. `None`
    /// on a sphere whose datum has no known latitude.
    pub fn narrowing(&self, elevation: Length) -> Option<f64> {
        let Some(sphere) = self.sphere else { return Some(1.0) };
        let latitude = sphere.datum_latitude_deg?.to_radians() + elevation / sphere.radius;
        Some(libm::cos(latitude).max(0.0))
    }

    pub fn surface_m2(&self) -> f64 {
        self.surface / 1e6
    }
}

/// Where a line lies on the wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Orientation {
    /// Up or down, `at` this far clockwise from azimuth 0 along the circumference.
    Upright { at: Length },
    /// Around, at an elevation; places along it count from azimuth 0.
    Across { elevation: Length },
}

impl Orientation {
    /// So far beside it.
    pub fn beside(self, across: Length) -> Self {
        match self {
            Self::Upright { at } => Self::Upright { at: at + across },
            Self::Across { elevation } => Self::Across { elevation: elevation + across },
        }
    }
}

/// A stretch of a line with the thicknesses that count there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CourseSpan {
    pub course: Option<u16>,
    pub from: Length,
    pub to: Length,
    pub nominal: Option<Length>,
    pub required: Option<Length>,
}

/// The courses a line runs through between two places, in rising order and without a hole, as readings are judged: below the first
/// course the first counts, above the last the last, and across the one course it runs in.
pub fn course_spans(path: &Path, limits: &Limits, from: Length, to: Length) -> Vec<CourseSpan> {
    let span = |course: Option<u16>, from: Length, to: Length| CourseSpan {
        course,
        from,
        to,
        nominal: limits.nominal(course),
        required: limits.required(course),
    };
    let mut edges = vec![from];
    if path.direction.is_upright() {
        edges.extend(path.courses.iter().skip(1).map(|(_, bottom, _)| *bottom).filter(|edge| *edge > from && *edge < to));
    }
    edges.push(to);
    edges.windows(2).filter(|edge| edge[0] < edge[1]).map(|edge| span(path.course_at(edge[0]), edge[0], edge[1])).collect()
}

/// How a cell stands; each has a glyph and a colour of its own wherever it is drawn. Ordered from nothing known to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Class {
    /// Nobody was there.
    NotScanned,
    /// Driven over, nothing could be read.
    NoEcho,
    /// Read, but there is no nominal thickness to hold it against.
    Unrated,
    /// At least nine tenths of the nominal thickness are left.
    Ninety,
    /// At least eight tenths.
    Eighty,
    /// Less than eight tenths, and yet neither WATCH nor THIN.
    Less,
    Watch,
    Thin,
}

impl Class {
    pub const ALL: [Self; 8] =
        [Self::NotScanned, Self::NoEcho, Self::Unrated, Self::Ninety, Self::Eighty, Self::Less, Self::Watch, Self::Thin];

    pub const fn words(self) -> &'static str {
        match self {
            Self::NotScanned => "not scanned",
            Self::NoEcho => "no echo",
            Self::Unrated => "no nominal",
            Self::Ninety => "90 % of nominal or more",
            Self::Eighty => "80 to 90 % of nominal",
            Self::Less => "under 80 % of nominal",
            Self::Watch => "WATCH",
            Self::Thin => "THIN",
        }
    }

    /// For a level and the share of the nominal thickness that is left.
    fn of(bin: &Bin, nominal: Option<Length>) -> Self {
        let Some(least) = bin.least else {
            return if bin.lost > 0 { Self::NoEcho } else { Self::NotScanned };
        };
        match (bin.worst, nominal) {
            (Level::Thin, _) => Self::Thin,
            (Level::Watch, _) => Self::Watch,
            (_, None) => Self::Unrated,
            (_, Some(nominal)) if least >= nominal * 0.9 => Self::Ninety,
            (_, Some(nominal)) if least >= nominal * 0.8 => Self::Eighty,
            _ => Self::Less,
        }
    }
}

/// A stretch of a line, drawn as one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MapCell {
    pub from: Length,
    pub to: Length,
    pub bin: Bin,
    /// The worst in it.
    pub class: Class,
    /// Part of its length that was read, 0 to 1.
    pub read: f64,
    /// Part of its length that was driven without an echo.
    pub no_echo: f64,
}

/// A line on the wall with everything read along it; a place passed twice keeps the worst.
#[derive(Debug, Clone)]
pub struct MapBand {
    pub line: String,
    pub lie: Orientation,
    /// The planned stretch, in rising order.
    pub planned: (Length, Length),
    pub strip: Strip,
    path: Path,
    limits: Limits,
}

impl MapBand {
    pub fn new(line: impl Into<String>, lie: Orientation, path: Path, limits: Limits, strip: Strip) -> Self {
        Self { line: line.into(), lie, planned: path.span(), strip, path, limits }
    }

    pub fn direction(&self) -> Direction {
        self.path.direction
    }

    /// `count` cells of equal length from one place to another.
    pub fn cells(&self, from: Length, to: Length, count: usize) -> Vec<MapCell> {
        self.cells_over(&Stretches::between(&self.strip, from, to, Length::ZERO), from, to, count)
    }

    /// The same, for who has the [`Stretches`] of the whole band at hand: they are costly, and the same for all cells.
    pub fn cells_over(&self, stretches: &Stretches, from: Length, to: Length, count: usize) -> Vec<MapCell> {
        let rows = self.strip.rows(from, to, count);
        rows.into_iter()
            .map(|row| {
                let parts = course_spans(&self.path, &self.limits, row.from, row.to);
                let class = match parts.as_slice() {
                    [only] => Class::of(&row.bin, only.nominal),
                    parts => {
                        let worst = parts.iter().map(|part| Class::of(&self.strip.stretch(part.from, part.to), part.nominal)).max();
                        worst.unwrap_or(Class::NotScanned)
                    }
                };
                let length = row.to - row.from;
                let share = |stretches: &[(Length, Length)]| (covered(stretches, row.from, row.to) / length).min(1.0);
                let (read, no_echo) = (share(&stretches.read), share(&stretches.no_echo));
                MapCell { from: row.from, to: row.to, bin: row.bin, class, read, no_echo }
            })
            .collect()
    }

    /// Where along the whole band something was read, with what lies between readings nearer than the beam is wide.
    pub fn stretches(&self, beam: Length) -> Stretches {
        let (from, to) = self.strip.extent().unwrap_or((Length::ZERO, Length::ZERO));
        Stretches::between(&self.strip, from, to, beam)
    }

    /// The stretches that were read, in rising order. Readings nearer to each other than the beam is wide join up.
    pub fn read(&self, beam: Length) -> Vec<(Length, Length)> {
        self.strip.extent().map_or_else(Vec::new, |(from, to)| Stretches::between(&self.strip, from, to, beam).read)
    }
}

/// What was read and what was driven in vain, as stretches in rising order.
#[derive(Debug, Clone)]
pub struct Stretches {
    read: Vec<(Length, Length)>,
    no_echo: Vec<(Length, Length)>,
}

impl Stretches {
    /// A hole of up to `join` between two readings (or between two without an echo) is part of the stretch, but never where
    /// one of the other kind lies in it.
    fn between(strip: &Strip, from: Length, to: Length, join: Length) -> Self {
        let mut found = Self { read: Vec::new(), no_echo: Vec::new() };
        let Some((first, last)) = strip.extent() else {
            return found;
        };
        let mut broken = false;
        for index in first.max(from).as_mm().floor() as i64..last.min(to).as_mm().ceil() as i64 {
            let (from, to) = (Length::mm(index as f64), Length::mm((index + 1) as f64));
            let bin = strip.stretch(from, to);
            if bin.read > 0 {
                match found.read.last_mut() {
                    Some(last) if last.1 == from || (!broken && from - last.1 <= join) => last.1 = to,
                    _ => found.read.push((from, to)),
                }
                broken = false;
            } else if bin.lost > 0 {
                let read_to = found.read.last().map(|read| read.1);
                broken = true;
                match found.no_echo.last_mut() {
                    Some(last) if last.1 == from || (from - last.1 <= join && read_to.is_none_or(|read| read <= last.1)) => last.1 = to,
                    _ => found.no_echo.push((from, to)),
                }
            }
        }
        found
    }
}

/// How much of `from..to` lies in sorted stretches without overlap.
fn covered(stretches: &[(Length, Length)], from: Length, to: Length) -> Length {
    let first = stretches.partition_point(|(_, end)| *end <= from);
    stretches[first..]
        .iter()
        .take_while(|(start, _)| *start < to)
        .fold(Length::ZERO, |sum, (start, end)| sum + (end.min(to) - start.max(from)))
}

/// All lines of an asset on its unrolled wall.
#[derive(Debug, Clone)]
pub struct WallMap {
    pub ground: Ground,
    /// Width of the stripe a line's readings speak for.
    pub beam: Length,
    pub bands: Vec<MapBand>,
    /// Lines that have no place on the map, and why.
    pub off: Vec<(String, &'static str)>,
}

impl WallMap {
    /// Upright lines from azimuth 0 on.
    pub fn upright(&self) -> Vec<(&MapBand, Length)> {
        let mut bands: Vec<_> = self
            .bands
            .iter()
            .filter_map(|band| match band.lie {
                Orientation::Upright { at } => Some((band, at)),
                Orientation::Across { .. } => None,
            })
            .collect();
        bands.sort_by(|a, b| a.1.total_cmp(&b.1));
        bands
    }

    /// Lines across, from the lowest up.
    pub fn across(&self) -> Vec<(&MapBand, Length)> {
        let mut bands: Vec<_> = self
            .bands
            .iter()
            .filter_map(|band| match band.lie {
                Orientation::Across { elevation } => Some((band, elevation)),
                Orientation::Upright { .. } => None,
            })
            .collect();
        bands.sort_by(|a, b| a.1.total_cmp(&b.1));
        bands
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // A parallel at latitude φ is cos φ of the equator (spherical geometry): a quarter of a turn up from the equator there is nothing left.
    #[test]
    fn parallels_of_a_sphere_grow_shorter_towards_its_poles() {
        let diameter = Length::mm(10_000.0);
        let of = |latitude| Ground::sphere(diameter, Length::ZERO, Length::mm(10_000.0), latitude);
        let up = |degrees: f64| diameter / 2.0 * degrees.to_radians();
        for (degrees, part) in [(0.0, 1.0), (60.0, 0.5), (-60.0, 0.5), (90.0, 0.0)] {
            assert!((of(Some(0.0)).narrowing(up(degrees)).unwrap() - part).abs() < 1e-12, "{degrees}");
            assert!((of(Some(-30.0)).narrowing(up(degrees + 30.0)).unwrap() - part).abs() < 1e-12, "{degrees}");
        }
        assert_eq!(of(None).narrowing(Length::ZERO), None);
        assert_eq!(Ground::cylinder(diameter, Length::ZERO, diameter).narrowing(diameter), Some(1.0));
    }
    use crate::strip::CourseLimits;

    pub(super) fn mm(value: f64) -> Length {
        Length::mm(value)
    }
    fn limits() -> Limits {
        let course = |number, bottom, top, nominal| CourseLimits {
            number,
            bottom: mm(bottom),
            top: mm(top),
            nominal: mm(nominal),
            required: Some(mm(6.0)),
        };
        Limits { courses: vec![course(1, 0.0, 1000.0, 10.0), course(2, 1000.0, 2000.0, 8.0)], watch_margin: mm(0.5), guard_band: false }
    }
    fn path(direction: Direction) -> Path {
        Path {
            counts_per_mm: 40.0,
            start: Length::ZERO,
            offset: Length::ZERO,
            length: mm(2000.0),
            direction,
            courses: vec![(1, mm(0.0), mm(1000.0)), (2, mm(1000.0), mm(2000.0))],
            across_course: (direction == Direction::Across).then_some(1),
            max_speed: None,
            across_counts_per_mm: None,
            across_jump: None,
            across_start: Length::ZERO,
            track: Length::ZERO,
        }
    }
    /// A reading a millimetre from `from` to `to`.
    pub(super) fn strip(from: i32, to: i32, thickness: Option<f64>) -> Strip {
        let mut strip = Strip::default();
        push(&mut strip, from, to, thickness);
        strip
    }
    pub(super) fn push(strip: &mut Strip, from: i32, to: i32, thickness: Option<f64>) {
        for place in from..to {
            let level = match thickness {
                None => Level::NoEcho,
                Some(t) if t < 6.0 => Level::Thin,
                Some(t) if t < 6.5 => Level::Watch,
                Some(_) => Level::Clear,
            };
            strip.push(Some(mm(f64::from(place) + 0.5)), thickness.map(mm), level);
        }
    }
    fn band(lie: Orientation, direction: Direction, strip: Strip) -> MapBand {
        MapBand::new("L", lie, path(direction), limits(), strip)
    }
    pub(super) fn map(bands: Vec<MapBand>) -> WallMap {
        let ground = Ground::cylinder(mm(10_000.0 / std::f64::consts::PI), mm(0.0), mm(2000.0));
        WallMap { ground, beam: mm(10.0), bands, off: Vec::new() }
    }
    pub(super) fn upright(at: f64, strip: Strip) -> MapBand {
        band(Orientation::Upright { at: mm(at) }, Direction::Up, strip)
    }
    pub(super) fn across(elevation: f64, strip: Strip) -> MapBand {
        band(Orientation::Across { elevation: mm(elevation) }, Direction::Across, strip)
    }
    pub(super) fn close(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-6, "{got} is not {want}");
    }

    #[test]
    fn holes_narrower_than_the_beam_join_up_and_wider_ones_do_not() {
        let mut holes = strip(0, 10, Some(9.0));
        push(&mut holes, 20, 30, Some(9.0));
        push(&mut holes, 41, 50, Some(9.0));
        assert_eq!(upright(0.0, holes.clone()).read(mm(10.0)), [(mm(0.0), mm(30.0)), (mm(41.0), mm(50.0))]);
        push(&mut holes, 15, 16, None);
        assert_eq!(upright(0.0, holes).read(mm(10.0)).len(), 3);
        // Without an echo at 0, 4, 8 and 30 mm, and read at 2 mm: nothing joins over the reading.
        let mut lost = Strip::default();
        for (place, thickness) in [(0, None), (2, Some(9.0)), (4, None), (8, None), (30, None)] {
            push(&mut lost, place, place + 1, thickness);
        }
        let stretches = upright(0.0, lost).stretches(mm(10.0));
        assert_eq!(stretches.no_echo, [(mm(0.0), mm(1.0)), (mm(4.0), mm(9.0)), (mm(30.0), mm(31.0))]);
        assert_eq!(stretches.read, [(mm(2.0), mm(3.0))]);
    }

    #[test]
    fn a_cell_has_the_class_of_its_worst_reading_against_the_nominal_of_its_course() {
        // 7.5 mm is 75 % of 10.0 below the seam and 94 % of 8.0 above it.
        let classes = |cells: Vec<MapCell>| cells.iter().map(|cell| cell.class).collect::<Vec<_>>();
        let wall = upright(0.0, strip(0, 2000, Some(7.5)));
        assert_eq!(classes(wall.cells(mm(0.0), mm(2000.0), 4)), [Class::Less, Class::Less, Class::Ninety, Class::Ninety]);
        assert_eq!(classes(wall.cells(mm(800.0), mm(1200.0), 1)), [Class::Less]);
        let mut mixed = strip(0, 100, Some(9.5));
        push(&mut mixed, 40, 41, Some(5.0));
        push(&mut mixed, 100, 150, None);
        let cells = upright(0.0, mixed).cells(mm(0.0), mm(300.0), 3);
        assert_eq!(classes(cells.clone()), [Class::Thin, Class::NoEcho, Class::NotScanned]);
        assert_eq!((cells[0].read, cells[1].no_echo, cells[2].read), (1.0, 0.5, 0.0));
        assert_eq!(classes(across(300.0, strip(1500, 1600, Some(7.5))).cells(mm(1500.0), mm(1600.0), 1)), [Class::Less]);
    }

    #[test]
    fn spans_have_no_hole_and_follow_the_courses_as_readings_do() {
        let spans = course_spans(&path(Direction::Up), &limits(), mm(-50.0), mm(2500.0));
        assert_eq!(
            spans.iter().map(|s| (s.course, s.from, s.to)).collect::<Vec<_>>(),
            [(Some(1), mm(-50.0), mm(1000.0)), (Some(2), mm(1000.0), mm(2500.0)),]
        );
        let flat = course_spans(&path(Direction::Across), &limits(), mm(0.0), mm(5000.0));
        assert_eq!((flat.len(), flat[0].course, flat[0].nominal), (1, Some(1), Some(mm(10.0))));
    }
}
