//! Spots on the unrolled wall as GeoJSON (RFC 7946) in coordinates of the wall and not of the earth: metres around it from azimuth 0, metres
//! above the datum. The RFC leaves other coordinates to those who agree on them: each file says which these are.

use super::readings::{SpotRow, spot_columns};
use super::table::{CellValue, ColumnKind, decimal};
use super::unrolled::{OnWall, pieces};
use backwall_store::Seal;
use backwall_survey::job::Plan;
use serde_json::{Map, Value as Json, json};

/// Spots as they come, gathered to one collection.
pub struct Collection<'a> {
    plan: &'a Plan,
    features: Vec<Json>,
    /// Spots whose line has no place on the wall.
    pub without_place: u64,
}

impl<'a> Collection<'a> {
    pub fn new(plan: &'a Plan) -> Self {
        Self { plan, features: Vec::new(), without_place: 0 }
    }

    /// A spot from edge to edge of its line, in two parts where it lies on both sides of azimuth 0; a point where it has no length.
    pub fn add(&mut self, row: &SpotRow<'_>) {
        let at = |place: OnWall| json!([rounded(place.around.as_metres()), rounded(place.up.as_metres())]);
        let found = row.spot.edges.zip(self.plan.line(&row.run.start.line));
        let pieces = found.and_then(|((from, to), line)| pieces(self.plan, line, from, to)).unwrap_or_default();
        let lines: Vec<Json> = pieces.iter().map(|(from, to)| json!([at(*from), at(*to)])).collect();
        let geometry = match (pieces.as_slice(), lines.as_slice()) {
            ([(from, to)], _) if at(*from) == at(*to) => json!({ "type": "Point", "coordinates": at(*from) }),
            (_, [line]) => json!({ "type": "LineString", "coordinates": line }),
            (_, []) => {
                self.without_place += 1;
                return;
            }
            (_, lines) => json!({ "type": "MultiLineString", "coordinates": lines }),
        };
        let properties: Map<String, Json> =
            spot_columns().iter().map(|column| (column.name.to_owned(), value_of(column.kind, &(column.of)(row)))).collect();
        self.features.push(json!({ "type": "Feature", "geometry": geometry, "properties": properties }));
    }

    pub fn len(&self) -> u64 {
        self.features.len() as u64
    }

    pub fn is_empty(&self) -> bool {
        self.features.is_empty()
    }

    /// The file; `seal` is the job's.
    pub fn text(self, seal: Option<&Seal>) -> String {
        let about = format!(
            "coordinates of the unrolled wall of {}: metres around it from azimuth 0 (clockwise by the datum), metres above the datum",
            self.plan.asset.name
        );
        let ground = self.plan.ground();
        json!({
            "type": "FeatureCollection", "coordinates": about, "datum": self.plan.asset.datum,
            "circumference_m": rounded(ground.circumference.as_metres()), "without_place": self.without_place,
            "seal": seal.map(super::sealed::object), "features": self.features,
        })
        .to_string()
    }
}

/// To the millimetre.
fn rounded(metres: f64) -> f64 {
    (metres * 1e3).round() / 1e3
}

fn value_of(kind: ColumnKind, value: &CellValue<'_>) -> Json {
    match (value, kind) {
        (CellValue::None, _) => Json::Null,
        (CellValue::Fixed(scaled), ColumnKind::Fixed(digits)) => decimal(*scaled, digits).parse::<f64>().map_or(Json::Null, Json::from),
        (CellValue::Fixed(whole), _) | (CellValue::Time(whole), _) => json!(whole),
        (CellValue::Whole(whole), _) => i64::try_from(*whole).map_or(Json::Null, Json::from),
        (CellValue::Text(text), _) => json!(text),
        (CellValue::Truth(truth), _) => json!(truth),
    }
}
