//! A stretch of a line on the unrolled wall: lengths around it from azimuth 0 and above the datum, cut where the wall is slit.

use backwall_survey::job::Plan;
use backwall_survey::job::plan::Line;
use backwall_survey::strip::map::Orientation;
use backwall_units::Length;

/// A place: around the wall clockwise from azimuth 0, on a sphere along its equator, and above the datum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnWall {
    pub around: Length,
    pub up: Length,
}

/// The pieces of a stretch between two places of a line, from one end to the other; `None` where the plan does not say where the line lies.
pub fn pieces(plan: &Plan, line: &Line, from: Length, to: Length) -> Option<Vec<(OnWall, OnWall)>> {
    let circumference = plan.ground().circumference;
    match plan.lie(line).ok()? {
        Orientation::Upright { at } => {
            let around = Length::mm(at.as_mm().rem_euclid(circumference.as_mm()));
            Some(vec![(OnWall { around, up: from }, OnWall { around, up: to })])
        }
        Orientation::Across { elevation: up } => {
            // What ends at the slit goes up to it and begins behind it again at azimuth 0.
            let turn = |along: Length| (along / circumference).floor() as i64;
            let (first, last) = (turn(from), turn(to));
            let mut pieces = Vec::new();
            for turn in first..=last {
                let slit = circumference * turn as f64;
                let (begin, end) = (from.max(slit) - slit, to.min(slit + circumference) - slit);
                if end > begin || first == last {
                    pieces.push((OnWall { around: begin, up }, OnWall { around: end, up }));
                }
            }
            Some(pieces)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: &str = include_str!("../../../demo-stream/plan.toml");

    // Arithmetic: a shell of 18 m has a circumference of 56.5487 m.
    #[test]
    fn a_line_across_is_cut_at_azimuth_0_and_one_up_is_not() {
        let plan = Plan::parse("plan.toml", PLAN).unwrap();
        let around = std::f64::consts::PI * 18_000.0;
        let of = |name: &str, from: f64, to: f64| {
            let pieces = pieces(&plan, plan.line(name).unwrap(), Length::mm(from), Length::mm(to)).unwrap();
            pieces.iter().map(|(a, b)| [a.around, a.up, b.around, b.up].map(|it| it.as_mm().round())).collect::<Vec<_>>()
        };
        assert_eq!(of("A090", 100.0, 300.0), [[(around / 4.0).round(), 100.0, (around / 4.0).round(), 300.0]]);
        assert_eq!(of("C1", 100.0, 300.0), [[100.0, 300.0, 300.0, 300.0]]);
        assert_eq!(of("C1", around - 50.0, around + 70.0), [[56499.0, 300.0, 56549.0, 300.0], [0.0, 300.0, 70.0, 300.0]]);
        assert_eq!(of("C1", -50.0, 20.0), [[56499.0, 300.0, 56549.0, 300.0], [0.0, 300.0, 20.0, 300.0]]);
    }
}
