//! Spots on the unrolled wall as GeoJSON (RFC 7946) in coordinates of the wall and not of the earth: metres around it from azimuth 0, metres
//! above the datum. The RFC leaves other coordinates to those who agree on them: each file says which these are.

use super::readings::{SpotRow, spot_columns};
use super::table::{Kind, Value, decimal};
use backwall_survey::job::Plan;
use backwall_units::Length;
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

    /// A spot from edge to edge of its line; a point where it has no length.
    pub fn add(&mut self, row: &SpotRow<'_>) {
        let at = |along: Length| {
            let (azimuth, elevation) = self.plan.on_wall(&row.run.start.line, along)?;
            let around = self.plan.ground().circumference.as_metres() * azimuth / 360.0;
            Some(json!([rounded(around), rounded(elevation.as_metres())]))
        };
        let ends = row.spot.edges.and_then(|(from, to)| Some((at(from)?, at(to)?)));
        let geometry = match ends {
            Some((from, to)) if from != to => json!({ "type": "LineString", "coordinates": [from, to] }),
            Some((from, _)) => json!({ "type": "Point", "coordinates": from }),
            None => {
                self.without_place += 1;
                return;
            }
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

    pub fn text(self) -> String {
        let about = format!(
            "coordinates of the unrolled wall of {}: metres around it from azimuth 0 (clockwise by the datum), metres above the datum",
            self.plan.asset.name
        );
        let ground = self.plan.ground();
        json!({
            "type": "FeatureCollection", "coordinates": about, "datum": self.plan.asset.datum,
            "circumference_m": rounded(ground.circumference.as_metres()), "without_place": self.without_place, "features": self.features,
        })
        .to_string()
    }
}

/// To the millimetre.
fn rounded(metres: f64) -> f64 {
    (metres * 1e3).round() / 1e3
}

fn value_of(kind: Kind, value: &Value<'_>) -> Json {
    match (value, kind) {
        (Value::None, _) => Json::Null,
        (Value::Fixed(scaled), Kind::Fixed(digits)) => decimal(*scaled, digits).parse::<f64>().map_or(Json::Null, Json::from),
        (Value::Fixed(whole), _) | (Value::Time(whole), _) => json!(whole),
        (Value::Whole(whole), _) => i64::try_from(*whole).map_or(Json::Null, Json::from),
        (Value::Text(text), _) => json!(text),
        (Value::Truth(truth), _) => json!(truth),
    }
}
