//! What an assessment needs beside the readings: the optional `[assess]` table of a plan, and earlier walls of a course.

use super::plan::Date;
use crate::integrity::interval::{PipingClass, Rules};
use backwall_units::{Length, Pressure, Years};
use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AssessPlan {
    /// Whose interval rules count; without it, those of the asset's kind.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<Rules>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub piping_class: Option<PipingClass>,
    /// When the wall was new, for the long-term rate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub built: Option<Date>,
    /// Highest liquid level above the datum.
    #[serde(rename = "fill_height_mm", skip_serializing_if = "Option::is_none")]
    pub fill_height: Option<Length>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub specific_gravity: Option<f64>,
    #[serde(rename = "design_pressure_mpa", skip_serializing_if = "Option::is_none")]
    pub design_pressure: Option<Pressure>,
    /// What may corrode until the next inspection.
    #[serde(rename = "corrosion_allowance_mm", skip_serializing_if = "Option::is_none")]
    pub corrosion_allowance: Option<Length>,
    /// The planned time to the next inspection; with a rate it gives what may corrode until then.
    #[serde(rename = "interval_years", skip_serializing_if = "Option::is_none")]
    pub interval: Option<Years>,
    /// Length of a block of which the least wall is taken.
    #[serde(rename = "block_mm", skip_serializing_if = "Option::is_none")]
    pub block: Option<Length>,
    /// Width of wall a pass of the probe sees.
    #[serde(rename = "track_mm", skip_serializing_if = "Option::is_none")]
    pub track: Option<Length>,
}

/// The least wall of a course as an earlier survey found it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EarlierWall {
    pub date: Date,
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
}
