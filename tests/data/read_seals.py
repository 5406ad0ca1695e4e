"""What the seal is in exported files, as programs of others read them: python3 read_seals.py FOLDER (needs duckdb, pyarrow, ezdxf, blake3).

The folder has readings.csv with its .seal, readings.parquet, wall.geojson and wall.dxf. Prints one JSON object: the seal and the entries each has."""
import csv
import json
import re
import sys
import tomllib

import duckdb
import ezdxf
import pyarrow.parquet as pq
from blake3 import blake3
from ezdxf import comments

folder = sys.argv[1]
beside = tomllib.load(open(f"{folder}/readings.csv.seal", "rb"))
table = open(f"{folder}/{beside['table']}", "rb").read()
header = table.decode().split("\r\n")[0].split(",")
rows = list(csv.DictReader(table.decode().splitlines()))
seen = duckdb.execute("SELECT count(*), count(run) FROM read_csv(?)", [f"{folder}/readings.csv"]).fetchone()
keys = pq.read_metadata(f"{folder}/readings.parquet").metadata
by_duckdb = dict(duckdb.execute("SELECT key, value FROM parquet_kv_metadata(?)", [f"{folder}/readings.parquet"]).fetchall())
wall = json.load(open(f"{folder}/wall.geojson"))
drawing = ezdxf.readfile(f"{folder}/wall.dxf")
assert not drawing.audit().errors
found = [re.match(r"seal of the job ([0-9a-f]{64}) over (\d+) entries$", tag.value.strip()) for tag in comments.from_file(f"{folder}/wall.dxf")]
found = [match for match in found if match]
print(json.dumps({
    "csv": [beside["digest"], beside["entries"]],
    "csv_whole": blake3(table).hexdigest() == beside["table_blake3"],
    "csv_rows": [len(rows), *seen, header[0]],
    "pyarrow": [keys[b"backwall.seal"].decode(), int(keys[b"backwall.seal_entries"])],
    "duckdb": [by_duckdb[b"backwall.seal"].decode(), int(by_duckdb[b"backwall.seal_entries"])],
    "geojson": [wall["seal"]["digest"], wall["seal"]["entries"]],
    "geojson_kind": wall["type"],
    "dxf": [found[0][1], int(found[0][2])] if len(found) == 1 else None,
}))
