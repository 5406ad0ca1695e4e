"""One run: scipy's envelope alone against a whole evaluated shot, shots a second on one core, and the ratio.

    pip install numpy==2.2.6 scipy==1.15.3
    python3 crates/backwall-ultrasound/benches/against_scipy.py

scipy's part is abs(scipy.signal.hilbert(x)) over a batch of 512 records of 1024 float32 samples, one thread, warm, best of
30. Ours is `cargo bench --bench shots`: filter, noise, echo decision, timing, thickness, U and flags, one thread, best of 30.
"""
import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"
import re
import subprocess
import time

import numpy
import scipy
import scipy.signal

rng = numpy.random.default_rng(1)
batch = rng.standard_normal((512, 1024)).astype(numpy.float32)


def theirs() -> float:
    best = 1e9
    for _ in range(30):
        start = time.perf_counter()
        numpy.abs(scipy.signal.hilbert(batch, axis=1))
        best = min(best, time.perf_counter() - start)
    return len(batch) / best


def ours() -> float:
    command = ["cargo", "bench", "--quiet", "-p", "backwall-ultrasound", "--bench", "shots"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return float(re.search(r"shots_per_s (\d+)", said).group(1))


ours()
pairs = [(ours(), theirs()) for _ in range(3)]
for a, b in pairs:
    print(f"ours {a:9.0f} shots/s   scipy {scipy.__version__} envelope {b:9.0f} records/s   ratio {a / b:.2f}")
