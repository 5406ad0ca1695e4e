"""Somebody who owns a job file and a copy of its description: python3 forge.py JOB ATTACK plain|recomputed (the second needs blake3).

Takes something away or changes it past the triggers, and with `recomputed` makes every digest fit again, by the code of docs/digests.py."""
import os
import sqlite3
import sys

attack, form = sys.argv[2:]
functions = open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../docs/digests.py")).read().split("\njob = ")[0]
if form == "plain":
    functions = functions.replace("from blake3 import blake3", "blake3 = None")
exec(functions)
job = sqlite3.connect(sys.argv[1])
tables = [name for (name,) in job.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")]
columns = {table: [row[1] for row in job.execute(f'PRAGMA table_info("{table}")')] for table in tables}
triggers = job.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
for name, _ in triggers:
    job.execute(f"DROP TRIGGER {name}")


def remove(item, at):
    job.execute(f'DELETE FROM "{item}" WHERE rowid = ?', (at,))
    job.execute("DELETE FROM ledger WHERE item = ? AND item_id = ?", (item, at))


last = lambda table, where="1": job.execute(f'SELECT max(rowid) FROM "{table}" WHERE {where}').fetchone()[0]
if attack == "verification":
    remove("block_check", last("block_check"))
elif attack == "run":
    run = last("run")
    for table in tables:
        if "run_id" in columns[table] and table != "run_end":
            job.execute(f'DELETE FROM "{table}" WHERE run_id = ?', (run,))
    remove("run_end", run)
    remove("run", run)
elif attack == "end":
    remove("run_end", last("run_end"))
elif attack == "date":
    week = 7 * 24 * 3600 * 1_000_000
    job.execute("UPDATE run SET start_json = json_set(start_json, '$.started_us', (start_json ->> '$.started_us') - ?) WHERE id = 1", (week,))
    for table, column in [("reading", "host_time_us"), ("event", "at_us"), ("mark", "at_us"), ("run_end", "closed_us")]:
        job.execute(f"UPDATE {table} SET {column} = {column} - ? WHERE run_id = 1", (week,))
elif attack == "thickness":
    job.execute("UPDATE reading SET thickness_nm = thickness_nm + 50000 WHERE run_id = 1 AND level = 'SOUND'")
    job.execute("DELETE FROM waveform_block WHERE run_id = 1")
elif attack == "triggers":
    triggers = [one for one in triggers if one[0] != "reading_no_update"]

if form == "recomputed":
    job.text_factory = Text
    rows = lambda sql, args=(), began=1000: b"".join(row(r, began) for r in job.execute(sql, args))
    for (run,) in job.execute("SELECT id FROM run ORDER BY id").fetchall():
        before = digest("run", bytes(32), rows("SELECT * FROM run WHERE id = ?", (run,), 6), b".")
        for link, first, end in job.execute("SELECT link, first_row, end_row FROM link WHERE run_id = ? ORDER BY link", (run,)).fetchall():
            parts = [rows("SELECT * FROM reading WHERE run_id = ? AND row >= ? AND row < ? ORDER BY row", (run, first, end), 20), b"."]
            parts += [rows("SELECT * FROM waveform_block WHERE run_id = ? AND link = ? AND first_row >= ? AND first_row < ? ORDER BY id", (run, link, first, end)), b"."]
            for table in ["time_base", "mark", "event", "spot", "note"]:
                parts += [rows(f"SELECT * FROM {table} WHERE run_id = ? AND link = ? ORDER BY id", (run, link), {"spot": 13, "event": 8, "note": 6}.get(table, 1000)), b"."]
            parts += [rows(f"SELECT * FROM {table} WHERE run_id = ? AND link = ? ORDER BY id", (run, link)) for table in ["judgement", "setup_change", "place_set"]]
            before = digest("link", before, *parts)
            job.execute("UPDATE link SET digest = ? WHERE run_id = ? AND link = ?", (before, run, link))
        for ended in job.execute("SELECT * FROM run_end WHERE run_id = ?", (run,)).fetchall():
            job.execute("UPDATE run_end SET digest = ? WHERE run_id = ?", (digest("run end", before, row(ended[:-1]), b"."), run))
    seal = bytes(32)
    for number, (old, item, at) in enumerate(job.execute("SELECT id, item, item_id FROM ledger ORDER BY id").fetchall(), 1):
        item = item.decode()
        seal = digest(item, seal, rows(f'SELECT * FROM "{item}" WHERE rowid = ?', (at,), {"evaluation": 12, "run": 6, "note": 6, "setup": 6}.get(item, 1000)), b".")
        job.execute("UPDATE ledger SET id = ?, digest = ? WHERE id = ?", (number, seal, old))
for _, sql in triggers:
    job.execute(sql)
job.commit()
