"""Power cuts, played on what the program really wrote: python3 power_cuts.py BACKWALL STREAM PLAN [--states 70000]

A run is recorded while strace notes every write, sync, truncation, creation and removal. For each moment between two of them disks are laid out as
a power cut could leave them: what was synced is there; of what was not, nothing, all, or any part in any choice, single writes torn at 512 bytes. A name in a
folder is sure once the folder was synced. Each disk must open, be whole, and hold every reading that the program had said was saved by then, and the end
of the run once that was said. Needs Linux, strace, and Python with SQLite 3.37 or newer."""
import argparse
import os
import random
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
options.add_argument("--states", type=int, default=70_000)
options.add_argument("--lying-disk", action="store_true", help="syncs do nothing: shows that this finds what is lost")
options = options.parse_args()
random.seed(1)
memory = "/dev/shm" if os.path.isdir("/dev/shm") else None
folder = tempfile.mkdtemp(dir=memory)
job = os.path.join(folder, "cut.job")
backwall = lambda *words: subprocess.run([options.backwall, *words], capture_output=True, text=True)


class File:
    def __init__(self, data=b""):
        self.synced, self.waiting = bytearray(data), []


def apply(data, change):
    kind, at, new = change
    if kind == "cut":
        del data[at:]
        data.extend(bytes(at - len(data)))
    else:
        data.extend(bytes(max(0, at - len(data))))
        data[at : at + len(new)] = new


def some(changes, how):
    """Which of the changes that wait are on the disk."""
    for change in changes:
        if how == "all" or (how == "any" and random.random() < 0.5):
            kind, at, new = change
            if how == "any" and kind == "write" and len(new) > 512 and random.random() < 0.3:
                new = new[: 512 * random.randrange(1, (len(new) + 511) // 512)]
            yield kind, at, new


def text(quoted):
    return bytes.fromhex(quoted.replace("\\x", ""))


made = backwall("new", job, "--from", options.plan)
assert made.returncode == 0, made.stderr
start = open(job, "rb").read()
trace = os.path.join(folder, "trace")
calls = "openat,close,write,pwrite64,fsync,fdatasync,ftruncate,unlink"
scan = [options.backwall, "scan", job, "--line", "A090", "--headless", "--stream", f"file:{options.stream}", "--override-checklist", "power cuts"]
done = subprocess.run(["strace", "-f", "-xx", "-s", "67108864", "-e", f"trace={calls}", "-o", trace, *scan], capture_output=True, text=True)
if not os.path.exists(trace) or "ptrace" in done.stderr:
    print("NOT CHECKED: strace may not trace here")
    sys.exit(3)
assert done.returncode == 0, done.stderr

# One line a call, in the order they were finished.
steps, begun = [], {}
for line in open(trace):
    pid, line = line.rstrip("\n").split(None, 1)
    if line.endswith("<unfinished ...>"):
        begun[pid] = line[: -len("<unfinished ...>")]
    elif line.startswith("<... "):
        steps.append(begun.pop(pid) + line.split("resumed>", 1)[1].lstrip(" "))
    else:
        steps.append(line)

disk = {job: File(start)}  # names that are sure
names = dict(disk)  # names as the program sees them
name_changes = []  # not yet sure
open_files = {}
saved, ended = 0, False
moments = []


def moment():
    """Remembers the disk as it may be now."""
    files = set(disk.values()) | set(names.values())
    moments.append((dict(disk), list(name_changes), {file: (bytes(file.synced), list(file.waiting)) for file in files}, saved, ended))


def is_job(path):
    return path.startswith(job) and path.removeprefix(job) in ("", "-wal", "-journal")


for step in steps:
    call = re.match(r"(\w+)\((.*)\)\s+= (-?\d+)", step)
    if not call or int(call[3]) < 0:
        continue
    what, arguments, answer = call[1], call[2], int(call[3])
    if what == "openat":
        path = text(re.search(r'"([^"]*)"', arguments)[1]).decode()
        open_files[answer] = path
        if is_job(path) and path not in names:
            names[path] = File()
            name_changes.append(("new", path, names[path]))
            moment()
        continue
    if what == "unlink":
        path = text(re.search(r'"([^"]*)"', arguments)[1]).decode()
        if is_job(path):
            names.pop(path, None)
            name_changes.append(("gone", path, None))
            moment()
        continue
    number = int(re.match(r"\d+", arguments)[0])
    if what == "close":
        open_files.pop(number, None)
        continue
    if what == "write" and number == 1:
        said = text(re.search(r'"([^"]*)"', arguments)[1]).decode()
        for found in re.findall(r"saved (\d+) reading", said):
            saved = int(found)
        ended |= "(the stream ended)" in said
        moment()
        continue
    path = open_files.get(number, "")
    if path == folder and what in ("fsync", "fdatasync"):
        for kind, name, file in name_changes:
            disk.pop(name, None)
            if kind == "new":
                disk[name] = file
        name_changes.clear()
        moment()
    file = names.get(path) if is_job(path) else None
    if file is None:
        continue
    if what == "pwrite64":
        file.waiting.append(("write", int(arguments.rsplit(", ", 1)[1]), text(re.search(r'"([^"]*)"', arguments)[1])))
    elif what == "ftruncate":
        file.waiting.append(("cut", int(arguments.rsplit(", ", 1)[1]), b""))
    elif what in ("fsync", "fdatasync"):
        for change in [] if options.lying_disk else file.waiting:
            apply(file.synced, change)
        file.waiting = file.waiting if options.lying_disk else []
    moment()

place = os.path.join(folder, "after", "cut.job")


def lay(state, how):
    sure, changes, files, _, _ = state
    shutil.rmtree(os.path.dirname(place), ignore_errors=True)
    os.mkdir(os.path.dirname(place))
    left = dict(sure)
    for kind, name, file in changes:
        if how == "all" or (how == "any" and random.random() < 0.5):
            left.pop(name, None)
            if kind == "new":
                left[name] = file
    for name, file in left.items():
        synced, waiting = files[file]
        data = bytearray(synced)
        for change in some(waiting, how):
            apply(data, change)
        open(place + name.removeprefix(job), "wb").write(data)


failed = tried = 0
each = max(1, -(-options.states // len(moments)))
for number, state in enumerate(moments):
    _, _, _, saved, ended = state
    for variant in range(each):
        lay(state, ["none", "all"][variant] if variant < 2 else "any")
        tried += 1
        try:
            base = sqlite3.connect(place)
            whole = base.execute("PRAGMA quick_check").fetchone()[0]
            count, last = base.execute("SELECT count(*), coalesce(max(row), -1) FROM reading").fetchone()
            ends = base.execute("SELECT count(*) FROM run_end").fetchone()[0]
            base.close()
            said = "" if tried % 200 else backwall("verify", place).stderr
            good = whole == "ok" and count >= saved and count == last + 1 and ends >= ended and not said
        except sqlite3.Error as error:
            good, whole, count, ends, said = False, error, None, None, ""
        if not good:
            failed += 1
            print(f"moment {number}, variant {variant}: {whole}; {count} readings, {saved} were said to be saved; {ends} ends, said {ended}; {said}")
print(f"{tried} disks after a power cut at {len(moments)} moments, {failed} bad")
shutil.rmtree(folder)
sys.exit(failed > 0 or tried == 0)
