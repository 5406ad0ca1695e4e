"""Recomputes what `backwall assess --json` says, from the exported CSV of both surveys alone, with numpy and scipy.

Arguments: assessment as JSON, CSV of the present survey, CSV of the earlier one, required thickness, nominal, upper edges of the
courses, years between the two, diameter of the tank, longest gap allowed. Prints what it found; fails at the first number that is not the
program's.
"""

import csv
import json
import sys

import numpy as np
from scipy import optimize, stats

found, now_csv, then_csv = json.load(open(sys.argv[1])), sys.argv[2], sys.argv[3]
required, nominal, edges, years, diameter, max_gap, allowance = json.loads(sys.argv[4])


def survey(path):
    rows = list(csv.DictReader(open(path)))
    number = lambda row, column: float(row[column]) if row[column] else np.nan
    return np.array([[number(r, "position_mm"), number(r, "thickness_mm"), number(r, "uncertainty_k2_mm")] for r in rows])


def close(name, got, want, tolerance):
    assert got is not None and abs(got - want) <= tolerance, f"{name}: the program has {got}, numpy {want}"
    print(f"{name}: {want:.6g}")


def bins_of(rows, low, high):
    places = np.sort(rows[:, 0])
    steps = np.diff(places)
    spacing = np.quantile(steps[steps > 1e-3], 0.99)
    cell = min(max(spacing, 1.0), max(max_gap, 1.0))
    each = max(int(max_gap / cell + 1e-9), 1)
    count = max(int(round((high - low) / (cell * each))), 1)
    width = (high - low) / count
    index = np.minimum(((rows[:, 0] - low) / (width / each)).astype(int), count * each - 1)
    value, expanded = np.full(count * each, np.nan), np.zeros(count * each)
    for one in range(count * each):
        shots = rows[index == one]
        read = ~np.isnan(shots[:, 1])
        if read.any():
            value[one], expanded[one] = shots[read, 1].mean(), shots[read, 2].max()
    cells, expanded = value.reshape(count, each), expanded.reshape(count, each).max(axis=1)
    enough = (~np.isnan(cells)).mean(axis=1) >= 0.8 - 1e-9
    value = np.full(count, np.nan)
    for bin in np.flatnonzero(enough):
        value[bin] = np.where(np.isnan(cells[bin]), np.nanmin(cells[bin]), cells[bin]).mean()
    return width, value, np.where(enough, expanded, 0.0)


def decide(rows, low, high, t2, u2):
    width, value, expanded = bins_of(rows, low, high)
    length = min(3.7 * np.sqrt(diameter / 304.8 * t2 / 25.4), 40.0) * 25.4
    m = min(int(round(length / width)), len(value))
    read = ~np.isnan(value)
    kernel = np.ones(m)
    slide = lambda x: np.convolve(x, kernel, "valid")
    total, k, spread = slide(np.where(read, value, 0.0)), slide(read.astype(float)), slide(expanded)
    low_end, high_end = total / m, (total + (m - k) * nominal) / m
    wanted = required + allowance
    t1 = "met" if np.all((low_end - spread / m >= wanted - 5e-7) & (k >= 0.8 * m - 1e-9)) else "not decided"
    if np.any(high_end + spread / m < wanted - 5e-7):
        t1 = "not met"
    echoes = np.sort(rows[~np.isnan(rows[:, 1]), 0])
    gaps = np.diff(np.concatenate([[low], echoes, [high]]))
    under = stats.norm.cdf((0.6 * required + allowance - t2) / u2)
    least = "not met" if under >= 0.95 else "met" if under <= 0.05 and gaps.max() <= max_gap else "not decided"
    words = {t1, least}
    decision = "not met" if "not met" in words else "met" if words == {"met"} else "not decided"
    must = None
    open_windows = (low_end - spread / m < wanted) | (k < 0.8 * m)
    unread = open_windows & (k < m)
    if t1 == "not decided" and unread.any():
        must = max(0.0, ((wanted * m - total + spread)[unread] / (m - k)[unread]).max())
    return decision, low_end.min(), high_end.min(), must


def fieller(left, u_left, rate, u_rate, covariance):
    z = stats.norm.ppf(0.95)
    miss = lambda life: left - life * rate - z * np.sqrt(u_left**2 + life**2 * u_rate**2 - 2 * life * covariance)
    return optimize.brentq(miss, 0.0, left / rate)


now, then = survey(now_csv), survey(then_csv)
courses = found["lines"][0]["courses"]
decisions = []
low = 0.0
for course, high in zip(courses, edges):
    summary = course["summary"]
    here = lambda rows: rows[(rows[:, 0] >= low) & (rows[:, 0] < high)]
    rows, before = here(now), here(then)
    first, last = np.nanargmin(before[:, 1]), np.nanargmin(rows[:, 1])
    (t1, u1), (t2, u2) = before[first, 1:] / [1, 2], rows[last, 1:] / [1, 2]
    name = f"course {course['course']}"
    close(f"{name} t2", summary["t2_mm"], t2, 1e-6)

    # Minimum to minimum, and pieces of 50 mm by mean and by minimum; the greatest beyond U counts.
    lost = [(t1 - t2, np.hypot(u1, u2))]
    tens = lambda rows: {int(i): rows[(rows[:, 0] - low) // 10 == i] for i in np.unique((rows[:, 0] - low) // 10)}
    of = lambda rows: tens(rows[~np.isnan(rows[:, 1])])
    a, b = of(rows), of(before)
    for piece in range(int((high - low) / 50) + 1):
        both = [i for i in range(piece * 5, piece * 5 + 5) if i in a and i in b]
        if not both:
            continue
        one, other = np.concatenate([a[i] for i in both]), np.concatenate([b[i] for i in both])
        # Scatter is what readings differ by within their 10 mm, not the shape of the wall.
        within = lambda s: sum(s[i][:, 1].var() * len(s[i]) for i in both) / sum(len(s[i]) - 1 for i in both)
        u = lambda s, rows: np.sqrt((rows[:, 2].mean() / 2) ** 2 + within(s) / len(rows))
        lost.append((other[:, 1].mean() - one[:, 1].mean(), np.hypot(u(a, one), u(b, other))))
        around = np.concatenate([b[i] for i in range(piece * 5 - 1, piece * 5 + 6) if i in b])
        low_then, low_now = around[np.argmin(around[:, 1])], one[np.argmin(one[:, 1])]
        lost.append((low_then[1] - low_now[1], np.hypot(low_then[2], low_now[2]) / 2))
    lost = np.array(lost)
    real = lost[lost[:, 0] > 2 * lost[:, 1]]
    z = stats.norm.ppf(0.95)
    upper = ((np.maximum(lost[:, 0], 0) + z * lost[:, 1]) / years).max()
    close(f"{name} rate, not above", summary["rate_upper_mm_y"], upper, 1e-5)
    if len(real):
        rate = real[:, 0].max() / years
        close(f"{name} rate", summary["rate_mm_y"], rate, 1e-5)
        assert summary["rate_mm_y"] >= (t1 - t2) / years - 1e-9, "below minimum to minimum"
        # The shortest life: of minimum to minimum, or of a piece.
        assert summary["remaining_life_years"] <= summary["life"]["middle_years"]
        if lost[0, 0] > 2 * lost[0, 1] and t2 > required:
            short = fieller(t2 - required, u2, lost[0, 0] / years, lost[0, 1] / years, -(u2**2) / years)
            assert summary["remaining_life_years"] <= short + 1e-6, f"{name}: {summary['remaining_life_years']} and {short}"
            # By that or by the same place's piece.
            close(f"{name} life, short end", summary["remaining_life_years"], short, 0.02 * short)
    else:
        assert summary["rate_mm_y"] is None, f"{name}: a rate from no change: {summary['rate_mm_y']}"

    decision, low_end, high_end, must = decide(rows, low, high, t2, u2)
    close(f"{name} t1, unread wall as nothing", summary["t1_low_mm"], low_end, 1e-6)
    close(f"{name} t1, unread wall as nominal", summary["t1_high_mm"], high_end, 1e-6)
    assert summary["decision"] == decision, f"{name}: the program says {summary['decision']}, numpy {decision}"
    if must is None:
        assert summary["unread_must_average_mm"] is None
    else:
        close(f"{name} unread wall must average", summary["unread_must_average_mm"], must, 1e-6)
    decisions.append(decision)
    low = high
print("decisions", json.dumps(decisions))
