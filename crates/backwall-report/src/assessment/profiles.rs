//! The critical thickness profile of a course over its parallel lines, and what a screening of a local thin area takes from it.

use backwall_survey::integrity::average::BinShot;
use backwall_survey::integrity::profile::{ProfileLowest, ThinArea, critical_profile, remaining_strength};
use backwall_survey::job::Plan;
use backwall_survey::job::plan::AssetKind;
use backwall_units::Length;
use serde::Serialize;

/// Along the lines, each place with the lowest reading of all of them.
#[derive(Debug, Clone, PartialEq)]
pub struct ThicknessProfile {
    pub from: Length,
    /// Of a place: the longest gap that the procedure allows.
    pub width: Length,
    pub lines: usize,
    pub places: Vec<ProfileLowest>,
}

/// The longest stretch of the profile under the required thickness: inputs for a screening, and no verdict.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ThinStretch {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    #[serde(rename = "minimum_mm")]
    pub minimum: Length,
    /// The wall away from it: the median of the profile.
    #[serde(rename = "wall_mm")]
    pub wall: Length,
    /// Remaining strength factor of a cylinder with these inputs, nothing taken off for loss to come.
    #[serde(rename = "rsf")]
    pub strength: Option<f64>,
    /// Why there is none.
    pub refused: Option<String>,
}

/// Of the lines that run along the course, each with its shots.
pub(super) fn of_course(edges: (Length, Length), max_gap: Length, lines: &[&[BinShot]]) -> Option<ThicknessProfile> {
    let (from, long) = (edges.0, edges.1 - edges.0);
    let count = libm::floor(long / max_gap + 1e-9) as usize;
    if count == 0 || lines.is_empty() {
        return None;
    }
    let width = long / count as f64;
    let of_line = |shots: &&[BinShot]| {
        let mut places: Vec<Option<Length>> = vec![None; count];
        for (along, thickness) in shots.iter().filter_map(|shot| Some((shot.along, shot.thickness?))) {
            let index = libm::floor((along - from) / width);
            if index >= 0.0 && (index as usize) < count {
                let place = &mut places[index as usize];
                *place = Some(place.map_or(thickness, |known| known.min(thickness)));
            }
        }
        places
    };
    let all: Vec<Vec<Option<Length>>> = lines.iter().map(of_line).collect();
    let places = critical_profile(&all.iter().map(Vec::as_slice).collect::<Vec<_>>())?;
    Some(ThicknessProfile { from, width, lines: lines.len(), places })
}

/// The longest stretch under `required`; a place that no line read ends none.
pub(super) fn thin_stretch(profile: &ThicknessProfile, required: Length, plan: &Plan) -> Option<ThinStretch> {
    let mut longest: Option<(usize, usize)> = None;
    let mut begun: Option<(usize, usize)> = None;
    for (index, place) in profile.places.iter().enumerate() {
        match place.lowest {
            Some(lowest) if lowest < required => begun = Some((begun.map_or(index, |begun| begun.0), index)),
            Some(_) => begun = None,
            None => {}
        }
        if let Some((first, last)) = begun
            && longest.is_none_or(|(from, to)| last - first > to - from)
        {
            longest = Some((first, last));
        }
    }
    let (first, last) = longest?;
    let mut read: Vec<Length> = profile.places.iter().filter_map(|place| place.lowest).collect();
    let minimum = profile.places[first..=last].iter().filter_map(|place| place.lowest).reduce(Length::min)?;
    read.sort_by(Length::total_cmp);
    let wall = read[read.len() / 2];
    let (from, to) = (profile.from + profile.width * first as f64, profile.from + profile.width * (last + 1) as f64);
    let diameter = plan.asset.diameter;
    let strength = match plan.asset.kind {
        AssetKind::Sphere => Err("the formula is that of a cylinder".to_owned()),
        AssetKind::Pipe => Ok(diameter - wall * 2.0),
        AssetKind::TankShell | AssetKind::Column | AssetKind::Vessel => Ok(diameter),
    };
    let strength = strength.and_then(|inside_diameter| {
        let area = ThinArea { inside_diameter, wall, least: minimum, length: to - from };
        remaining_strength(&area).map(|answer| answer.value).map_err(|refusal| refusal.to_string())
    });
    Some(ThinStretch { from, to, minimum, wall, refused: strength.as_ref().err().cloned(), strength: strength.ok() })
}
