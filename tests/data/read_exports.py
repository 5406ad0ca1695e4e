"""Reads exports with other people's programs. Called by tests/export.rs; prints what it found as JSON.

equal CSV PARQUET  every value of the Parquet file (pyarrow) as the text the CSV has for it, but for the zero that it puts behind three digits
units PARQUET      unit of each column as pyarrow shows it, and as the file's key has it
fleet FOLDER       thinnest place per course and year over all tanks, by DuckDB and by pyarrow
"""

import csv
import datetime
import decimal
import json
import sys

import duckdb
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq


def text(value):
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, decimal.Decimal):
        return format(value, "f")
    if isinstance(value, datetime.datetime):
        return value.astimezone(datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return str(value)


def in_csv(value):
    """As the CSV has it: no number there has three digits behind its point."""
    of_three = isinstance(value, decimal.Decimal) and value.as_tuple().exponent == -3
    return text(value) + ("0" if of_three else "")


def equal(csv_path, parquet_path):
    with open(csv_path, newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    header, rows = rows[0], rows[1:]
    table = pq.read_table(parquet_path)
    columns = [column.to_pylist() for column in table.columns]
    different = []
    for index, row in enumerate(rows):
        for name, want, column in zip(header, row, columns):
            got = in_csv(column[index]) if index < len(column) else "no such row"
            if got != want and len(different) < 5:
                different.append([index, name, want, got])
    con = duckdb.connect()
    counted = con.execute("select count(*) from read_parquet(?)", [parquet_path]).fetchone()[0]
    nothing = sum(text(value) == "" for column in columns for value in column)
    return {
        "names": table.column_names == header,
        "rows": [len(rows), table.num_rows, counted],
        "different": different,
        "nothing": nothing,
        "empty": sum(field == "" for row in rows for field in row),
    }


def units(parquet_path):
    schema = pq.read_schema(parquet_path)
    columns = {field.name: (field.metadata or {}).get(b"unit", b"").decode() for field in schema}
    keys = json.loads(pq.read_metadata(parquet_path).metadata[b"backwall.units"])
    types = {field.name: str(field.type) for field in schema}
    return {"columns": columns, "keys": {name: value["unit"] for name, value in keys.items()}, "types": types}


# The queries of docs/exports.md.
QUESTION = """
SELECT course, year, min(thickness_mm) AS thinnest_mm,
       arg_min(asset, thickness_mm) AS asset, arg_min(line, thickness_mm) AS line,
       arg_min(position_mm, thickness_mm) AS position_mm
FROM read_parquet('{folder}/**/*.parquet', hive_partitioning = true)
WHERE thickness_mm IS NOT NULL AND calibration <> 'suspect'
GROUP BY course, year ORDER BY course, year
"""


def fleet(folder):
    rows = duckdb.connect().execute(QUESTION.format(folder=folder)).fetchall()
    by_duckdb = [[text(value) for value in row] for row in rows]

    data = ds.dataset(folder, partitioning="hive")
    sound = pc.field("thickness_mm").is_valid() & (pc.field("calibration") != "suspect")
    table = data.to_table(columns=["asset", "year", "course", "line", "position_mm", "thickness_mm"], filter=sound)
    least = table.group_by(["course", "year"]).aggregate([("thickness_mm", "min")])
    found = table.join(least, ["course", "year"])
    found = found.filter(pc.equal(found["thickness_mm"], found["thickness_mm_min"]))
    found = found.sort_by([("course", "ascending"), ("year", "ascending")])
    names = ["course", "year", "thickness_mm", "asset", "line", "position_mm"]
    by_pyarrow = [[text(row[name]) for name in names] for row in found.to_pylist()]
    return {"duckdb": by_duckdb, "pyarrow": by_pyarrow}


if __name__ == "__main__":
    print(json.dumps({"equal": equal, "units": units, "fleet": fleet}[sys.argv[1]](*sys.argv[2:])))
