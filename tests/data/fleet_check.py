"""Makes 200 jobs out of one exported assessment, runs the queries of docs/fleet.md over them with DuckDB, and ranks the same jobs without SQL.

Arguments: the exported Parquet file, the page with the queries, a folder to work in. Every job has one asset; each asset in ten has an older job as
well, with the worst numbers of all, which must not count.
"""

import os
import re
import sys

import duckdb

exported, page, work = sys.argv[1:4]
os.makedirs(f"{work}/fleet/assessment")
os.chdir(work)
queries = re.findall(r"```sql\n(.*?)```", open(page).read(), re.S)
assert len(queries) == 2, f"{len(queries)} queries in the page"

con = duckdb.connect()
con.execute("SET threads = 1")
con.execute("CREATE TABLE one AS SELECT * FROM read_parquet(?)", [exported])
columns = [row[0] for row in con.execute("DESCRIBE one").fetchall()]
for needed in ["scope", "asset", "site", "date", "decision", "life_low_years", "rate_mm_y", "rate_from_mm", "line"]:
    assert needed in columns, needed

# Numbers of each job follow from its number alone; 7919 is a prime, so that the order of the files is not that of the ranking.
con.execute("""
CREATE TABLE fleet AS
SELECT one.* REPLACE (
    printf('TK-%03d', n // 2 * 2 + CASE WHEN old THEN 0 ELSE n % 2 END) AS asset,
    CASE WHEN old THEN '2021-05-04' ELSE '2026-03-01' END AS date,
    CASE WHEN old THEN 'not met' WHEN (n * 7919) % 11 = 0 THEN 'not met' WHEN (n * 7919) % 5 = 0 THEN 'not decided' ELSE 'met' END AS decision,
    CASE WHEN old THEN 0.1 WHEN (n * 7919) % 13 = 0 THEN NULL ELSE ((n * 7919 + course * 37) % 1009) / 10 END AS life_low_years,
    CASE WHEN old THEN 9.0 WHEN (n * 7919) % 17 = 0 THEN NULL ELSE ((n * 7919 + course * 53 + length(line)) % 997) / 1000 END AS rate_mm_y,
    (n * 100 + course)::DECIMAL(18,3) AS rate_from_mm),
    n, old
FROM one, (SELECT range AS n, false AS old FROM range(180) UNION ALL SELECT range * 2, true FROM range(20)) AS jobs
""")
jobs = con.execute("SELECT DISTINCT n, old FROM fleet ORDER BY n, old").fetchall()
assert len(jobs) == 200, len(jobs)
for n, old in jobs:
    con.execute(f"COPY (SELECT * EXCLUDE (n, old) FROM fleet WHERE n = {n} AND old = {old}) TO 'fleet/assessment/{n}-{old}.parquet'")

rows = [dict(zip(columns, row)) for row in con.execute("SELECT * EXCLUDE (n, old) FROM fleet").fetchall()]
newest = {}
for row in rows:
    key = (row["site"], row["asset"])
    newest[key] = max(newest.get(key, ""), row["date"])
assets = {}
for row in rows:
    key = (row["site"], row["asset"])
    if row["date"] == newest[key]:
        assets.setdefault(key, []).append(row)

by_life = []
for key, of in assets.items():
    courses = [row for row in of if row["scope"] == "course"]
    lives = [row["life_low_years"] for row in courses if row["life_low_years"] is not None]
    not_met = sum(row["decision"] == "not met" for row in courses)
    by_life.append((not not_met, min(lives) if lives else -1, *key))
by_life.sort()
answer = con.execute(queries[0]).fetchall()
assert [(row[0], row[1]) for row in answer] == [row[2:] for row in by_life], "the ranking by life"
assert [row[4] if row[4] is not None else -1 for row in answer] == [row[1] for row in by_life]

by_rate = []
for key, of in assets.items():
    found = [row for row in of if row["scope"] == "line" and row["rate_mm_y"] is not None]
    if found:
        worst = max(found, key=lambda row: row["rate_mm_y"])
        by_rate.append((-worst["rate_mm_y"], *key, worst["rate_from_mm"]))
by_rate.sort()
answer = con.execute(queries[1]).fetchall()
assert [(row[0], row[1]) for row in answer] == [row[1:3] for row in by_rate], "the ranking by rate"
assert [row[2] for row in answer] == [-row[0] for row in by_rate] and [row[6] for row in answer] == [row[3] for row in by_rate]
assert float(answer[0][2]) < 9, "an older job counts for nothing"
print(f"200 jobs, {len(assets)} assets; first by life {by_life[0][3]}, fastest {by_rate[0][2]}")
