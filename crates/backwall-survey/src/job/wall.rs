//! Where the lines of a plan lie on the unrolled wall of its asset.

use super::Plan;
use super::plan::{AssetKind, Line};
use crate::strip::Strip;
use crate::strip::map::{Ground, MapBand, Orientation, WallMap};
use backwall_units::Length;
use std::collections::BTreeMap;

/// Width of the stripe a wheel probe's readings speak for where the plan does not tell it (common practice for
/// 5 MHz dual elements, no source).
pub const ASSUMED_BEAM: Length = Length::mm(5.0);

impl Plan {
    /// The asset's wall, slit at azimuth 0. Where no course tells the height, the lines do.
    pub fn ground(&self) -> Ground {
        let spans = || self.lines.iter().filter(|line| line.direction.is_upright()).map(|line| self.path(line).span());
        let (bottom, top) = match self.course_edges().last() {
            Some((_, _, top)) => (Length::ZERO, *top),
            None => spans().fold((Length::ZERO, Length::ZERO), |(low, high), (from, to)| (low.min(from), high.max(to))),
        };
        match self.asset.kind {
            AssetKind::Sphere => Ground::sphere(self.asset.diameter, bottom, top, self.asset.datum_latitude_deg),
            AssetKind::TankShell | AssetKind::Column | AssetKind::Vessel | AssetKind::Pipe => {
                Ground::cylinder(self.asset.diameter, bottom, top)
            }
        }
    }

    /// Where a line lies on the wall, or what the plan would have to tell.
    pub fn lie(&self, line: &Line) -> Result<Orientation, &'static str> {
        match (line.direction.is_upright(), line.azimuth_deg, line.elevation) {
            (true, Some(azimuth), _) => Ok(Orientation::Upright { at: self.ground().circumference * (azimuth / 360.0) }),
            (true, None, _) => Err("the plan gives it no azimuth_deg"),
            (false, _, Some(elevation)) => Ok(Orientation::Across { elevation }),
            (false, _, None) => Err("the plan gives it no elevation_mm"),
        }
    }

    /// Azimuth in degrees and elevation of a place along a line, where the plan gives both.
    pub fn on_wall(&self, line: &str, along: Length) -> Option<(f64, Length)> {
        self.beside(line, along, Length::ZERO)
    }

    /// The same so far beside the line: clockwise beside lines up and down, upward beside lines across.
    pub fn beside(&self, line: &str, along: Length, across: Length) -> Option<(f64, Length)> {
        let line = self.line(line)?;
        let degrees = |length: Length| length / self.ground().circumference * 360.0;
        match line.direction.is_upright() {
            true if across == Length::ZERO => Some((line.azimuth_deg?, along)),
            true => Some(((line.azimuth_deg? + degrees(across)).rem_euclid(360.0), along)),
            false => Some((degrees(along).rem_euclid(360.0), line.elevation? + across)),
        }
    }

    /// The stripe beside a line that a place across belongs to, counted in widths of the beam; 0 is the line's own.
    pub fn stripe(&self, across: Option<Length>) -> i32 {
        let beam = self.probe.beam_width.unwrap_or(ASSUMED_BEAM);
        across.map_or(0, |across| (across / beam).round() as i32)
    }

    /// All lines on the wall; `strips` gives what was read along a line in all of its runs, for each stripe beside it.
    pub fn wall_map(&self, mut strips: impl FnMut(&str) -> BTreeMap<i32, Strip>) -> WallMap {
        let beam = self.probe.beam_width.unwrap_or(ASSUMED_BEAM);
        let mut map = WallMap { ground: self.ground(), beam, bands: Vec::new(), off: Vec::new() };
        for line in &self.lines {
            match self.lie(line) {
                Ok(lie) => {
                    let mut strips = strips(&line.name);
                    strips.entry(0).or_default();
                    for (stripe, strip) in strips {
                        let lie = lie.beside(beam * f64::from(stripe));
                        map.bands.push(MapBand::new(&line.name, lie, self.path(line), self.limits(), strip));
                    }
                }
                Err(why) => map.off.push((line.name.clone(), why)),
            }
        }
        map
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan() -> Plan {
        let text = include_str!("../../../../demo-stream/plan.toml");
        Plan::parse("plan.toml", text).unwrap()
    }

    #[test]
    fn lines_lie_at_their_azimuth_or_elevation_and_others_say_what_is_missing() {
        let mut plan = plan();
        let quarter = Length::mm(18_000.0 * std::f64::consts::PI / 4.0);
        assert_eq!(plan.lie(&plan.lines[0]), Ok(Orientation::Upright { at: quarter }));
        assert_eq!(plan.lie(&plan.lines[2]), Ok(Orientation::Across { elevation: Length::mm(300.0) }));
        assert_eq!((plan.ground().bottom, plan.ground().top), (Length::ZERO, Length::mm(12_000.0)));
        plan.lines[0].azimuth_deg = None;
        let map = plan.wall_map(|_| BTreeMap::new());
        assert_eq!((map.bands.len(), map.off.len(), map.off[0].0.as_str()), (2, 1, "A090"));
        assert_eq!((map.beam, map.scanned_share()), (ASSUMED_BEAM, Some(0.0)));
    }

    #[test]
    fn without_courses_the_lines_tell_the_height() {
        let mut plan = plan();
        plan.asset.courses.clear();
        assert_eq!(plan.ground().top, Length::mm(6_000.0));
    }
}
