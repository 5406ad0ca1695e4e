"""Makes every digest of a job file anew, apart from the program: python3 digests.py JOB (needs the package blake3).
The order in which rows count is what this page of code says; it is described in job-file.md."""
import sqlite3
import struct
import sys

from blake3 import blake3


class Text(bytes):
    """Text as the file has it, told from a blob by its type."""


def value(v):
    if v is None:
        return b"-"
    if isinstance(v, int):
        return b"i" + struct.pack("<q", v)
    if isinstance(v, float):
        return b"r" + struct.pack("<d", v)
    return (b"t" if isinstance(v, Text) else b"b") + struct.pack("<Q", len(v)) + v


def row(values, began=1000):
    """All columns a table began with; of those it got later, the ones that hold something, with their number."""
    later = [b"+" + struct.pack("<Q", i) + value(v) for i, v in enumerate(values) if i >= began and v is not None]
    return b"(" + b"".join([value(v) for v in values[:began]] + later)


def digest(what, before, *parts):
    key = lambda b: b"k" + struct.pack("<Q", len(b)) + b
    return blake3(key(what.encode()) + key(before) + b"".join(parts), derive_key_context="backwall job file 1").digest()


job = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
job.text_factory = Text
rows = lambda sql, args=(), began=1000: b"".join(row(r, began) for r in job.execute(sql, args))
wrong = []


def check(what, made, stored):
    if made != stored:
        wrong.append(what)
    return stored


for (run,) in job.execute("SELECT id FROM run ORDER BY id").fetchall():
    before = digest("run", bytes(32), rows("SELECT * FROM run WHERE id = ?", (run,), 6), b".")
    for link, first, end, stored in job.execute("SELECT link, first_row, end_row, digest FROM link WHERE run_id = ? ORDER BY link", (run,)).fetchall():
        parts = [rows("SELECT * FROM reading WHERE run_id = ? AND row >= ? AND row < ? ORDER BY row", (run, first, end), 20), b"."]
        parts += [rows("SELECT * FROM waveform_block WHERE run_id = ? AND link = ? AND first_row >= ? AND first_row < ? ORDER BY id", (run, link, first, end)), b"."]
        for table in ["time_base", "mark", "event", "spot", "note"]:
            parts += [rows(f"SELECT * FROM {table} WHERE run_id = ? AND link = ? ORDER BY id", (run, link), {"spot": 13, "event": 8, "note": 6}.get(table, 1000)), b"."]
        parts += [rows(f"SELECT * FROM {table} WHERE run_id = ? AND link = ? ORDER BY id", (run, link)) for table in ["judgement", "setup_change", "place_set"]]
        before = check(f"run {run}, commit {link}", digest("link", before, *parts), stored)
    for ended in job.execute("SELECT * FROM run_end WHERE run_id = ?", (run,)).fetchall():
        before = check(f"run {run}, end", digest("run end", before, row(ended[:-1]), b"."), ended[-1])
    for evaluation, stored in job.execute("SELECT id, digest FROM evaluation WHERE run_id = ? ORDER BY id", (run,)).fetchall():
        parts = rows("SELECT * FROM evaluated WHERE evaluation_id = ? ORDER BY row", (evaluation,), 11), rows("SELECT * FROM evaluated_judgement WHERE evaluation_id = ? ORDER BY id", (evaluation,))
        check(f"evaluation {evaluation}", digest("evaluation", before, *parts, b"."), stored)
seal = bytes(32)
for number, (id, item, at, stored) in enumerate(job.execute("SELECT id, item, item_id, digest FROM ledger ORDER BY id").fetchall(), 1):
    item = item.decode()
    made = digest(item, seal, rows(f'SELECT * FROM "{item}" WHERE rowid = ?', (at,), {"evaluation": 12, "run": 6, "note": 6, "setup": 6}.get(item, 1000)), b".")
    seal = check(f"ledger entry {number}", made if id == number else None, stored)
print("\n".join(f"WRONG: {what}" for what in wrong) or "all as saved")
print(f"seal {seal.hex()}")
sys.exit(bool(wrong))
