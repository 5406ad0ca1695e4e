//! What is handed over besides readings: the assessment and the comparison as tables, spots on the wall as GeoJSON and as a
//! drawing, and the schema of each table.

use super::data::{csv_file, of_parquet};
use super::{ExportDone, ExportOrder, ExportWhat, Format, what_of};
use crate::session::basis;
use backwall_report::assessment::assess;
use backwall_report::csv;
use backwall_report::dxf::Drawing;
use backwall_report::geojson::Collection;
use backwall_report::hand::hand_columns;
use backwall_report::handover::{
    assessment_columns, assessment_rows, comparison_columns, comparison_rows, json_schema, point_columns, point_rows, profile_columns,
    profile_rows,
};
use backwall_report::parquet;
use backwall_report::readings::{each_spot, reading_columns, spot_columns};
use backwall_report::statistics::statistics_columns;
use backwall_report::table::Column;
use backwall_report::whole_file::{self, Tick};
use backwall_store::StoreError;

/// The rows of an assessment as CSV or Parquet.
pub fn write(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<ExportDone> {
    let ExportOrder { args, reader, job, .. } = order;
    let request = args.earlier.request(job.plan.job.units)?;
    let request = basis::chosen(args.basis.as_deref(), &args.job, job)?.request(request, job)?;
    let assessment = assess(reader, &request, tick)?;
    let what = what_of(args);
    let count = match what {
        ExportWhat::Comparison => put(order, "comparison", comparison_columns(), &comparison_rows(job, &assessment))?,
        ExportWhat::Points => put(order, "points", point_columns(), &point_rows(job, &assessment))?,
        ExportWhat::Profile => put(order, "profile", profile_columns(), &profile_rows(job, &assessment))?,
        _ => put(order, "assessment", assessment_columns(), &assessment_rows(job, &assessment))?,
    };
    let runs = assessment.runs.iter().filter(|run| run.used).map(|run| run.run).collect();
    let words = format!("{count} rows, {}", backwall_report::words::safe_text(&assessment.basis));
    Ok(ExportDone { count, files: vec![args.out.clone()], runs, words })
}

fn put<R>(order: &ExportOrder<'_>, what: &str, columns: Vec<Column<R>>, rows: &[R]) -> anyhow::Result<u64> {
    let ExportOrder { args, job, .. } = order;
    if args.format == Format::Parquet {
        return whole_file::write(&args.out, |file| parquet::write_rows(what, columns, job, rows, file)).map_err(of_parquet);
    }
    csv_file(args, |out| csv::write_rows(columns, rows, out))
}

/// Spots of the runs, on the unrolled wall.
pub fn geojson(order: &ExportOrder<'_>) -> anyhow::Result<ExportDone> {
    let ExportOrder { reader, job, sources, .. } = order;
    let mut collection = Collection::new(&job.plan);
    each_spot::<StoreError>(reader, job, sources, |row| {
        collection.add(row);
        Ok(())
    })?;
    let (count, without) = (collection.len(), collection.without_place);
    on_the_wall(order, &collection.text(job.seal.as_ref()), count, without)
}

/// The unrolled wall with the spots of the runs, as a drawing.
pub fn dxf(order: &ExportOrder<'_>) -> anyhow::Result<ExportDone> {
    let ExportOrder { reader, job, sources, .. } = order;
    let beam = job.plan.wall_map(|_| Default::default()).beam;
    let mut drawing = Drawing::new(&job.plan, beam);
    each_spot::<StoreError>(reader, job, sources, |row| {
        drawing.add(row);
        Ok(())
    })?;
    let (count, without) = (drawing.len(), drawing.without_place);
    on_the_wall(order, &drawing.file(job.seal.as_ref()), count, without)
}

fn on_the_wall(order: &ExportOrder<'_>, text: &str, count: u64, without: u64) -> anyhow::Result<ExportDone> {
    let ExportOrder { args, sources, .. } = order;
    whole_file::write_bytes(&args.out, text.as_bytes())?;
    let left_out =
        if without > 0 { format!("; {without} left out, whose line has no azimuth or elevation in the plan") } else { String::new() };
    let runs = sources.iter().map(|source| source.run().id).collect();
    Ok(ExportDone {
        count,
        files: vec![args.out.clone()],
        runs,
        words: format!("{}{left_out}", backwall_report::words::count(count, "spot")),
    })
}

/// What the rows of a table hold.
pub fn schema(order: &ExportOrder<'_>) -> anyhow::Result<ExportDone> {
    let schema = match what_of(order.args) {
        ExportWhat::Readings => json_schema("reading", &reading_columns()),
        ExportWhat::Spots => json_schema("spot", &spot_columns()),
        ExportWhat::Statistics => json_schema("statistics", &statistics_columns()),
        ExportWhat::Hand => json_schema("hand", &hand_columns()),
        ExportWhat::Assessment => json_schema("assessment", &assessment_columns()),
        ExportWhat::Comparison => json_schema("comparison", &comparison_columns()),
        ExportWhat::Points => json_schema("point", &point_columns()),
        ExportWhat::Profile => json_schema("profile", &profile_columns()),
    };
    let count = schema["required"].as_array().map_or(0, |columns| columns.len() as u64);
    whole_file::write_bytes(&order.args.out, serde_json::to_string_pretty(&schema)?.as_bytes())?;
    Ok(ExportDone { count, files: vec![order.args.out.clone()], runs: Vec::new(), words: format!("{count} columns") })
}
