"""How long a key takes to its picture, in a terminal of 190x50, where the console could be kept waiting: while it connects to an address
that does not answer, while the disk takes 300 ms for each sync, and while it scans at 200 shots a second.

    pip install pyte==0.8.2
    backwall simulate --shots 12000 --samples 1024 --rate 200 --out s.shots
    python3 tests/proofs/key_to_picture.py target/release/backwall s.shots PLAN LINE

The help page is opened and closed again, by turns; the time runs from the key's being written to the terminal to the picture's standing in
it. Prints median, 99th percentile and worst of each. Needs Linux; the slow disk needs strace.
"""

import fcntl
import multiprocessing
import os
import pty
import select
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import termios
import time

import pyte

binary, stream, plan, line = sys.argv[1:5]
COLUMNS, LINES, RATE, KEYS, EVERY = 190, 50, 200, 200, 0.12
# F1 is help also where a letter would begin an answer; q leaves the page, as Esc does, which alone waits for what might follow it.
HELP, BACK = b"\x1bOP", b"q"
folder = tempfile.mkdtemp()
job = os.path.join(folder, "j.job")
frames = [frame + b"\0" for frame in open(stream, "rb").read().split(b"\0") if frame]


def serve(server):
    link, _ = server.accept()
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    began, shots = time.perf_counter(), 0
    for frame in frames:
        if len(frame) > 1000:
            time.sleep(max(0, began + shots / RATE - time.perf_counter()))
            shots += 1
        try:
            link.sendall(frame)
        except OSError:
            return
    time.sleep(60)


def measure(name, command, before=(), settle=2.0, scans=False):
    child, screen_end = pty.fork()
    if child == 0:
        os.environ["TERM"] = "xterm-256color"
        os.execvp((list(before) + command)[0], list(before) + command)
    fcntl.ioctl(screen_end, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))
    came, pressed = [], []

    def take_until(moment):
        while (left := moment - time.perf_counter()) > 0:
            if select.select([screen_end], [], [], left)[0]:
                came.append((time.perf_counter(), os.read(screen_end, 1 << 16)))

    take_until(time.perf_counter() + settle)
    began = len(came)
    for press in range(KEYS):
        pressed.append(time.perf_counter())
        os.write(screen_end, HELP if press % 2 == 0 else BACK)
        take_until(pressed[-1] + EVERY)
    os.kill(child, 9)
    screen = pyte.Screen(COLUMNS, LINES)
    terminal = pyte.ByteStream(screen)
    for _, written in came[:began]:
        terminal.feed(written)
    if scans and "REC" not in screen.display[0]:
        sys.exit(f"{name}: nothing is recorded:\n" + "\n".join(screen.display))
    if any("help: " in row for row in screen.display):
        sys.exit(f"{name}: the help page stands already")
    delays, waits_for = [], 0
    for at, written in came[began:]:
        terminal.feed(written)
        shown = any("help: " in row for row in screen.display)
        while waits_for < KEYS and pressed[waits_for] <= at and shown == (waits_for % 2 == 0):
            delays.append(1e3 * (at - pressed[waits_for]))
            waits_for += 1
    if waits_for < KEYS:
        sys.exit(f"{name}: {KEYS - waits_for} of {KEYS} keys had no picture:\n" + "\n".join(screen.display))
    delays.sort()
    print(f"{name}: {KEYS} keys, median {delays[KEYS // 2]:.1f} ms, 99 % under {delays[int(0.99 * KEYS)]:.1f} ms, worst {delays[-1]:.1f} ms", flush=True)


def scan(server=None):
    if not server:
        server = socket.create_server(("127.0.0.1", 0))
        multiprocessing.Process(target=serve, args=(server,), daemon=True).start()
    address = f"tcp:127.0.0.1:{server.getsockname()[1]}"
    return [binary, "scan", job, "--line", line, "--stream", address, "--override-checklist", "a measurement"]


def new():
    if os.path.exists(job):
        os.remove(job)
    subprocess.run([binary, "new", job, "--from", plan], check=True, capture_output=True)


# Its queue is full, so that the system lets a connection wait and does not refuse it.
dead = socket.socket()
dead.bind(("127.0.0.1", 0))
dead.listen(0)
full = [socket.socket() for _ in range(4)]
for one in full:
    one.setblocking(False)
    one.connect_ex(dead.getsockname())
new()
measure("connecting to an address that does not answer", scan(dead))
new()
measure("scanning", scan(), scans=True)
new()
if shutil.which("strace"):
    slow = ["strace", "-f", "--seccomp-bpf", "-qq", "-o", os.path.join(folder, "trace"), "-e", "trace=fdatasync,fsync", "-e", "inject=fdatasync,fsync:delay_exit=300000"]
    measure("scanning, each sync takes 300 ms", scan(), before=slow, settle=4.0, scans=True)
    delayed = open(os.path.join(folder, "trace")).read().count("DELAYED")
    assert delayed > 10, f"only {delayed} syncs were slow"
else:
    print("scanning with a slow disk: NOT MEASURED, strace is not there")
shutil.rmtree(folder)
