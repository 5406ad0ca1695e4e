"""The disk refuses one call: python3 io_errors.py BACKWALL STREAM PLAN [--every N]

A run is recorded again and again; each time strace lets another write, sync, truncation or lock of it fail, once, with an error of the disk, with no room, or with
no lock to be had.
Afterwards the job must open and be whole, hold every reading that was said to be saved, and the program may only end with 0 where all of the run is in
the file and it was closed. Needs Linux, strace and Python."""
import argparse
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile

options = argparse.ArgumentParser()
options.add_argument("backwall")
options.add_argument("stream")
options.add_argument("plan")
options.add_argument("--every", type=int, default=1, help="only every so many calls")
options = options.parse_args()
folder = tempfile.mkdtemp(dir="/dev/shm" if os.path.isdir("/dev/shm") else None)
job, trace = os.path.join(folder, "j.job"), os.path.join(folder, "trace")
CALLS = {"pwrite64": ["EIO", "ENOSPC"], "fsync": ["EIO", "ENOSPC"], "fdatasync": ["EIO", "ENOSPC"], "ftruncate": ["EIO", "ENOSPC"], "flock": ["EIO", "ENOLCK"], "fcntl": ["EIO", "ENOLCK"]}


def record(inject):
    for name in os.listdir(folder):
        os.remove(os.path.join(folder, name))
    made = subprocess.run([options.backwall, "new", job, "--from", options.plan], capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    scan = [options.backwall, "scan", job, "--line", "A090", "--headless", "--stream", f"file:{options.stream}", "--pace", "max", "--override-checklist", "faults"]
    calls = ["-e", f"trace={','.join(CALLS)}"] + (["-e", f"inject={inject}"] if inject else [])
    return subprocess.run(["strace", "-f", "-o", trace, *calls, *scan], capture_output=True, text=True, timeout=60)


clean = record(None)
if not os.path.exists(trace) or "ptrace" in clean.stderr:
    print("NOT CHECKED: strace may not trace here")
    sys.exit(3)
assert clean.returncode == 0, clean.stderr
whole = int(re.search(r"(\d+) readings, \d+ without", clean.stdout)[1])
lines = open(trace).read().splitlines()
counts = {call: sum(f" {call}(" in line for line in lines) for call in CALLS}
tried = failed = told = 0
for call in CALLS:
    for error in CALLS[call]:
        # Some more than the clean run had: what a fault makes the program do may fail too.
        for when in range(1, counts[call] + 2, options.every):
            done = record(f"{call}:error={error}:when={when}")
            if "(INJECTED)" not in open(trace).read():
                continue
            tried += 1
            told += done.returncode != 0
            saved = max([int(found) for found in re.findall(r"saved (\d+) reading", done.stdout)], default=0)
            try:
                base = sqlite3.connect(job)
                state = base.execute("PRAGMA quick_check").fetchone()[0]
                count = base.execute("SELECT count(*) FROM reading").fetchone()[0]
                ends = base.execute("SELECT count(*) FROM run_end WHERE state = 'closed'").fetchone()[0]
                base.close()
                good = state == "ok" and count >= saved and (done.returncode != 0 or (count == whole and ends == 1))
                good &= done.returncode == 0 or bool(done.stderr.strip())
            except sqlite3.Error as wrong:
                good, state, count, ends = False, wrong, None, None
            if not good or "panicked" in done.stderr:
                failed += 1
                print(f"{call} {error} {when}: {state}, {count} of {whole} readings, {saved} said, {ends} ends, exit code {done.returncode}: {done.stderr.strip()[-200:]}")
print(f"{tried} calls refused, {told} ended the program with an error, {failed} bad")
shutil.rmtree(folder)
sys.exit(failed > 0 or tried == 0)
