"""What the seal is in exported files, as programs of others read them: python3 read_seals.py FOLDER (needs duckdb, pyarrow, ezdxf, blake3).

The folder has readings.csv with its .seal, readings.parquet, wall.geojson, wall.dxf, strip.svg, strip.png, assessed.json and status.json. Chunks of
the PNG are taken apart as its specification has it, with the CRC of zlib. Prints one JSON object: the seal and the entries each has."""
import csv
import json
import re
import struct
import sys
import tomllib
import xml.etree.ElementTree as ElementTree
import zlib

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
LINE = r"seal of the job ([0-9a-f]{64}) over (\d+) entries; all but this has BLAKE3 ([0-9a-f]{64})$"
picture = open(f"{folder}/strip.svg", "rb").read()
metadata = ElementTree.fromstring(picture).find("{http://www.w3.org/2000/svg}metadata").text
svg = re.match(LINE, metadata)
bare_svg = picture.replace(f"<metadata>{metadata}</metadata>\n".encode(), b"", 1)

dots = open(f"{folder}/strip.png", "rb").read()
at, png, bare_png = 8, None, dots[:8]
while at < len(dots):
    length, kind = struct.unpack(">I4s", dots[at:at + 8])
    chunk, data = dots[at:at + 12 + length], dots[at + 8:at + 8 + length]
    assert zlib.crc32(kind + data) == struct.unpack(">I", chunk[-4:])[0]
    if kind == b"tEXt" and data.startswith(b"Seal\0"):
        png = re.match(LINE, data[5:].decode("latin-1"))
    else:
        bare_png += chunk
    at += len(chunk)
told = {name: json.load(open(f"{folder}/{name}.json"))["seal"] for name in ("assessed", "status")}
print(json.dumps({
    "svg": [svg[1], int(svg[2])],
    "svg_whole": blake3(bare_svg).hexdigest() == svg[3],
    "png": [png[1], int(png[2])],
    "png_whole": blake3(bare_png).hexdigest() == png[3],
    **{name: [seal["digest"], seal["entries"]] for name, seal in told.items()},
    "csv": [beside["digest"], beside["entries"]],
    "csv_whole": blake3(table).hexdigest() == beside["table_blake3"],
    "csv_rows": [len(rows), *seen, header[0]],
    "pyarrow": [keys[b"backwall.seal"].decode(), int(keys[b"backwall.seal_entries"])],
    "duckdb": [by_duckdb[b"backwall.seal"].decode(), int(by_duckdb[b"backwall.seal_entries"])],
    "geojson": [wall["seal"]["digest"], wall["seal"]["entries"]],
    "geojson_kind": wall["type"],
    "dxf": [found[0][1], int(found[0][2])] if len(found) == 1 else None,
}))
