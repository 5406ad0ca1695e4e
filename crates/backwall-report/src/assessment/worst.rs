//! The worst places over all lines, ranked: what lies deepest under its required thickness first, with what is known of it by hand.

use backwall_store::{JobContents, JobReader, RunId, RunSummary, StoreError};
use backwall_survey::job::Plan;
use backwall_survey::job::hand::Proven;
use backwall_survey::neighbours::Kind;
use backwall_survey::reading::Reading;
use backwall_survey::strip::{Limits, Spot};
use backwall_ultrasound::Measurement;
use backwall_units::Length;
use serde::Serialize;
use std::collections::BTreeMap;

/// A thickness at a place of a line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WorstPlace {
    pub line: String,
    #[serde(rename = "at_mm")]
    pub at: Option<Length>,
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
    /// U (k = 2), where one holds.
    #[serde(rename = "expanded_mm")]
    pub expanded: Option<Length>,
    /// Part of the beam stood on something else: no U holds for the least wall under it.
    pub even_wall_only: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Worst {
    pub run: RunId,
    pub spot: u32,
    pub course: Option<u16>,
    pub level: &'static str,
    #[serde(flatten)]
    pub place: WorstPlace,
    #[serde(rename = "required_mm")]
    pub required: Option<Length>,
    /// The minimum less what is required.
    #[serde(rename = "left_mm")]
    pub left: Option<Length>,
    /// Where the wall lies within the watch margin: the spot.
    #[serde(rename = "edges_mm")]
    pub edges: Option<(Length, Length)>,
    /// From the first to the last reading under the required thickness: shorter than the spot.
    #[serde(rename = "under_mm")]
    pub under: Option<(Length, Length)>,
    pub kind: Option<&'static str>,
    /// Confirmed by hand or by other means, or not; `None` while neither.
    #[serde(rename = "confirmed", serialize_with = "confirmed")]
    pub proven: Option<Proven>,
    #[serde(skip)]
    pub seq: u32,
}

fn confirmed<S: serde::Serializer>(proven: &Option<Proven>, serializer: S) -> Result<S::Ok, S::Error> {
    proven.map(|proven| proven.confirmed).serialize(serializer)
}

impl Worst {
    /// How long the wall lies under its required thickness.
    pub fn under_length(&self) -> Option<Length> {
        self.under.map(|(from, to)| to - from)
    }
}

/// Gathers what spots need of the readings while these go by.
pub(super) struct Gathering {
    limits: Limits,
    spots: BTreeMap<RunId, Vec<Spot>>,
    /// The readings that are the minimum of a spot.
    minima: BTreeMap<(RunId, u32), Option<Measurement>>,
    /// Places under the required thickness.
    thin: BTreeMap<RunId, Vec<Length>>,
}

impl Gathering {
    /// Of the runs that count; `plan` has the required thicknesses that the assessment goes by.
    pub(super) fn of(reader: &JobReader, runs: &[&RunSummary], plan: &Plan) -> Result<Self, StoreError> {
        let mut found = Self { limits: plan.limits(), spots: BTreeMap::new(), minima: BTreeMap::new(), thin: BTreeMap::new() };
        for run in runs {
            let spots = reader.spots(run.id)?;
            found.minima.extend(spots.iter().map(|spot| ((run.id, spot.least_seq), None)));
            found.spots.insert(run.id, spots);
        }
        Ok(found)
    }

    pub(super) fn add(&mut self, run: &RunSummary, reading: &Reading) {
        if let Some(known) = self.minima.get_mut(&(run.id, reading.seq)) {
            *known = Some(reading.measurement);
        }
        let (Some(thickness), Some(along)) = (reading.measurement.thickness, reading.place.along) else { return };
        if self.limits.required(reading.place.course).is_some_and(|required| thickness < required) {
            self.thin.entry(run.id).or_default().push(along);
        }
    }

    /// All spots, worst first, and apart from them those that may be laminations.
    pub(super) fn ranked(self, contents: &JobContents) -> (Vec<Worst>, Vec<Worst>) {
        let mut all = Vec::new();
        for (run, spots) in &self.spots {
            let Some(line) = contents.runs.iter().find(|known| known.id == *run).map(|run| run.start.line.as_str()) else { continue };
            all.extend(spots.iter().map(|spot| (is_lamination(spot), self.worst(contents, *run, line, spot))));
        }
        // The deepest under what is required first; where nothing is required the lowest, behind them.
        let depth = |worst: &Worst| (worst.left.is_none(), worst.left.unwrap_or(worst.place.thickness).as_mm());
        all.sort_by(|(_, a), (_, b)| {
            let (a_depth, b_depth) = (depth(a), depth(b));
            a_depth.0.cmp(&b_depth.0).then(a_depth.1.total_cmp(&b_depth.1)).then((a.run, a.spot).cmp(&(b.run, b.spot)))
        });
        let (laminations, worst): (Vec<_>, Vec<_>) = all.into_iter().partition(|(lamination, _)| *lamination);
        let bare = |list: Vec<(bool, Worst)>| list.into_iter().map(|(_, worst)| worst).collect();
        (bare(worst), bare(laminations))
    }

    fn worst(&self, contents: &JobContents, run: RunId, line: &str, spot: &Spot) -> Worst {
        let required = self.limits.required(spot.course);
        let inside = |(from, to): (Length, Length)| {
            let thin = self.thin.get(&run).map(Vec::as_slice).unwrap_or_default();
            let places = thin.iter().filter(move |at| **at >= from && **at <= to);
            places
                .fold(None, |ends: Option<(Length, Length)>, at| Some(ends.map_or((*at, *at), |(low, high)| (low.min(*at), high.max(*at)))))
        };
        let minimum = self.minima.get(&(run, spot.least_seq)).copied().flatten();
        let even_wall_only = minimum.is_some_and(|minimum| minimum.is_for_even_wall_only());
        let expanded = minimum.and_then(|minimum| minimum.uncertainty).map(|u| u * 2.0).filter(|_| !even_wall_only);
        Worst {
            run,
            spot: spot.id,
            course: spot.course,
            level: spot.level.word(),
            place: WorstPlace { line: line.to_owned(), at: spot.least_at, thickness: spot.least, expanded, even_wall_only },
            required,
            left: required.map(|required| spot.least - required),
            edges: spot.edges,
            under: spot.edges.and_then(inside),
            kind: spot.finding.map(|finding| finding.kind.word()),
            proven: contents.force.proven(run, spot),
            seq: spot.least_seq,
        }
    }
}

fn is_lamination(spot: &Spot) -> bool {
    spot.finding.is_some_and(|finding| finding.kind == Kind::Lamination)
}
