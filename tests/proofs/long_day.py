"""A long day changes nothing: what a run holds in memory does not grow with what it has read.

    python3 tests/proofs/long_day.py target/release/backwall demo-stream/plan.toml --readings 5760000

The virtual crawler drives to and fro for ever, through a pipe, as fast as the program takes it; 5,760,000 readings are eight hours at 200 a second. So many
times on the way memory is read from /proc/PID/smaps_rollup (proc(5)): anonymous pages are the program's own, the rest belongs to files (the program itself,
the job's log). Anonymous memory after the first quarter may not rise by more than --most MB over the most of that quarter. The job needs 1 kB a reading with 1024 samples, and is
removed. Ends with 1 where memory grew, 3 where it cannot be read."""
import argparse
import os
import re
import subprocess
import sys
import tempfile
import time

parser = argparse.ArgumentParser()
parser.add_argument("backwall")
parser.add_argument("plan")
parser.add_argument("--readings", type=int, default=5_760_000)
parser.add_argument("--samples", default="1024")
parser.add_argument("--points", type=int, default=24)
parser.add_argument("--most", type=float, default=4.0)
parser.add_argument("--folder")
given = parser.parse_args()


def megabytes(pid):
    found = {}
    for line in open(f"/proc/{pid}/smaps_rollup"):
        match = re.match(r"(\w+): +(\d+) kB", line)
        if match:
            found[match[1]] = int(match[2]) / 1024
    return found["Rss"], found["Anonymous"]


if not os.path.exists("/proc/self/smaps_rollup"):
    print("NOT CHECKED: this system does not say how much memory a process has")
    sys.exit(3)
with tempfile.TemporaryDirectory(dir=given.folder) as folder:
    job = f"{folder}/day.job"
    subprocess.run([given.backwall, "new", job, "--from", given.plan], check=True, stdout=subprocess.DEVNULL)
    crawler = subprocess.Popen(
        [given.backwall, "simulate", "--samples", given.samples, "--rate", "200", "--loop", "--out", "-"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    scan = subprocess.Popen(
        [given.backwall, "scan", job, "--headless", "--line", "A090", "--stream", "-", "--pace", "max", "--override-checklist", "a test"],
        stdin=crawler.stdout, stdout=subprocess.PIPE, text=True)
    crawler.stdout.close()
    seen, began, due, saved = [], time.time(), 1, 0
    for line in scan.stdout:
        match = re.match(r"saved (\d+) readings", line)
        saved = int(match[1]) if match else saved
        if saved * given.points >= due * given.readings:
            rss, anonymous = megabytes(scan.pid)
            seen.append(anonymous)
            print(f"{saved:>9} readings, {time.time() - began:7.1f} s: {rss:6.1f} MB, of them the program's own {anonymous:6.1f} MB", flush=True)
            due = saved * given.points // given.readings + 1
        if saved >= given.readings:
            break
    crawler.kill()
    rest = scan.stdout.read()
    code = scan.wait()
quarter = max(1, len(seen) // 4)
grew = max(seen[quarter:], default=0.0) - max(seen[:quarter], default=0.0)
is_flat = code == 0 and len(seen) >= given.points // 2 and grew <= given.most
print(f"{saved} readings, exit code {code}: behind the first quarter the program's own memory rose by {grew:.1f} MB over the most of that quarter, {0 if is_flat else 1} bad")
sys.exit(0 if is_flat else 1)
