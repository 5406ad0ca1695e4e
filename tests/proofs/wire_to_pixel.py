"""How long a shot takes from the wire to the screen: the time between its frame's being sent over TCP and the first picture
in a terminal of 190x50 whose count of readings holds it.

    pip install pyte==0.8.2
    backwall simulate --shots 6000 --samples 1024 --rate 200 --out s.shots
    python3 tests/proofs/wire_to_pixel.py target/release/backwall s.shots JOB LINE

JOB needs no calibration: the run is started with an override. Prints median, 99th percentile and worst.
"""

import fcntl
import multiprocessing
import os
import pty
import re
import select
import socket
import struct
import sys
import termios
import time

import pyte

binary, stream, job, line = sys.argv[1:5]
COLUMNS, LINES, RATE, MOST = 190, 50, 200, 4000

frames = [frame + b"\0" for frame in open(stream, "rb").read().split(b"\0") if frame]
# The sender is a process of its own: in one process the emulator's work would delay it between a stamp and its frame.
sent = multiprocessing.Array("d", MOST, lock=False)
server = socket.create_server(("127.0.0.1", 0))


def serve():
    link, _ = server.accept()
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    time.sleep(1.0)
    began, shots = time.perf_counter(), 0
    for frame in frames:
        if len(frame) > 1000:
            pause = began + shots / RATE - time.perf_counter()
            if pause > 0:
                time.sleep(pause)
            sent[shots] = time.perf_counter()
            shots += 1
        link.sendall(frame)
        if shots >= MOST:
            break
    time.sleep(3)


multiprocessing.Process(target=serve, daemon=True).start()
child, screen_end = pty.fork()
if child == 0:
    address = f"tcp:127.0.0.1:{server.getsockname()[1]}"
    os.environ["TERM"] = "xterm-256color"
    os.execv(binary, [binary, "scan", job, "--line", line, "--stream", address, "--override-checklist", "a measurement"])
fcntl.ioctl(screen_end, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))

# Only taken down while it goes on; what stood on the screen when is made of it afterwards.
came, until = [], time.perf_counter() + MOST / RATE + 6
while time.perf_counter() < until:
    if select.select([screen_end], [], [], 0.2)[0]:
        at = time.perf_counter()
        came.append((at, os.read(screen_end, 1 << 16)))
os.kill(child, 15)

screen = pyte.Screen(COLUMNS, LINES)
terminal = pyte.ByteStream(screen)
seen, delays = 0, []
for at, written in came:
    terminal.feed(written)
    shown = re.search(r"received\s+(\d+) reading", "\n".join(screen.display))
    if shown and int(shown[1]) > seen:
        # The first second is the start of the run.
        delays += [1e3 * (at - sent[shot]) for shot in range(seen, min(int(shown[1]), MOST)) if shot >= RATE]
        seen = int(shown[1])
if not delays:
    sys.exit("no count of readings came on the screen:\n" + "\n".join(screen.display))
delays.sort()
pick = lambda share: delays[min(int(share * len(delays)), len(delays) - 1)]
print(f"{len(delays)} shots: median {pick(0.5):.1f} ms, 99 % under {pick(0.99):.1f} ms, worst {delays[-1]:.1f} ms")
