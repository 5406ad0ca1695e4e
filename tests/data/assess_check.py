"""Recomputes what `backwall assess --json` says, from the exported CSV of every survey alone, with numpy and scipy.

Argument: a JSON file with a list of cases, each with the file of the assessment, the CSV of the present survey, those of earlier ones with the
years between, the kind of asset and what is required of it. Prints what it found; fails at the first number that is not the program's.
"""

import csv
import datetime
import json
import sys

import numpy as np
from scipy import optimize, stats

Z = stats.norm.ppf(0.95)


def survey(path):
    rows = list(csv.DictReader(open(path)))
    unit = "mm" if "position_mm" in rows[0] else "in"
    number = lambda row, column: float(row[f"{column}_{unit}"]) * (25.4 if unit == "in" else 1) if row[f"{column}_{unit}"] else np.nan
    return np.array([[number(r, "position"), number(r, "thickness"), number(r, "uncertainty_k2")] for r in rows])


def close(name, got, want, tolerance):
    assert got is not None and abs(got - want) <= tolerance, f"{name}: the program has {got}, numpy {want}"
    print(f"{name}: {want:.6g}")


def bins_of(rows, low, high, max_gap):
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


def length_and_tests(case, required, allowance, t2):
    """How long a stretch is averaged over, and what average and minimum must be: API 653 of a tank, API 579-1 Part 4 Level 1 of the rest."""
    diameter, nominal = case["diameter"], case["nominal"]
    if case["kind"] == "tank-shell":
        length = min(3.7 * np.sqrt(diameter / 304.8 * t2 / 25.4), 40.0) * 25.4
        return length, required + allowance, 0.6 * required + allowance
    inside = diameter - 2 * nominal if case["kind"] == "pipe" else diameter
    left = nominal - allowance
    remaining = min((t2 - allowance) / left, 1.0)
    q = 50.0 if remaining >= 0.9 else 1.123 * np.sqrt(((1 - remaining) / (1 - remaining / 0.9)) ** 2 - 1)
    return q * np.sqrt(inside * left), required + allowance, max(0.5 * required, 0.2 * nominal, 2.5) + allowance


def decide(case, rows, low, high, required, allowance, t2, u2):
    nominal, max_gap = case["nominal"], case["max_gap"]
    width, value, expanded = bins_of(rows, low, high, max_gap)
    length, wanted, wanted_least = length_and_tests(case, required, allowance, t2)
    m = min(max(int(round(length / width)), 1), len(value))
    read = ~np.isnan(value)
    kernel = np.ones(m)
    slide = lambda x: np.convolve(x, kernel, "valid")
    total, k, spread = slide(np.where(read, value, 0.0)), slide(read.astype(float)), slide(expanded)
    low_end, high_end = total / m, (total + (m - k) * nominal) / m
    t1 = "met" if np.all((low_end - spread / m >= wanted - 5e-7) & (k >= 0.8 * m - 1e-9)) else "not decided"
    if np.any(high_end + spread / m < wanted - 5e-7):
        t1 = "not met"
    echoes = np.sort(rows[~np.isnan(rows[:, 1]), 0])
    gaps = np.diff(np.concatenate([[low], echoes, [high]]))
    under = stats.norm.cdf((wanted_least - t2) / u2)
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
    miss = lambda life: left - life * rate - Z * np.sqrt(max(u_left**2 + life**2 * u_rate**2 - 2 * life * covariance, 0.0))
    return optimize.brentq(miss, 0.0, left / rate) if miss(0.0) > 0 else 0.0


def losses(rows, before, low, high):
    """Pieces of 50 mm by mean and by minimum: what each lost, with its u."""
    tens = lambda rows: {int(i): rows[(rows[:, 0] - low) // 10 == i] for i in np.unique((rows[:, 0] - low) // 10)}
    of = lambda rows: tens(rows[~np.isnan(rows[:, 1])])
    a, b = of(rows), of(before)
    lost = []
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
    return np.array(lost)


def judged(measured, u):
    """A rate where the loss is beyond U, else none; and what it is not above."""
    loss = max(measured, 0.0)
    return (loss if loss > 2 * u else None, u, loss + Z * u)


def rates(case, course, now, low, high):
    """Every rate of a course with the covariance of rate and wall: minimum to minimum and the worst place against each survey, the trend."""
    here = lambda rows: rows[(rows[:, 0] >= low) & (rows[:, 0] < high)]
    rows = here(now)
    last = np.nanargmin(rows[:, 1])
    t2, u2 = rows[last, 1], rows[last, 2] / 2
    found, points = [], [(0.0, t2, u2)]
    for path, years in case["then"]:
        before = here(survey(path))
        first = np.nanargmin(before[:, 1])
        t1, u1 = before[first, 1], before[first, 2] / 2
        points.append((-years, t1, u1))
        shared = -(u2**2) / years
        found.append((*judged((t1 - t2) / years, np.hypot(u1, u2) / years), shared))
        all = [judged(lost / years, u / years) for lost, u in losses(rows, before, low, high)]
        real = [one for one in all if one[0]]
        one = max(real, key=lambda one: one[0]) if real else max(all, key=lambda one: one[2])
        found.append((one[0], one[1], max(one[2] for one in all), shared))
    if len(points) >= 3:
        x, y, u = np.array(sorted(points)).T
        fit = stats.linregress(x, y)
        own = np.sqrt((((x - x.mean()) * u) ** 2).sum()) / ((x - x.mean()) ** 2).sum()
        of_slope = max(own, fit.stderr)
        found.append((*judged(-fit.slope, of_slope), -of_slope * u2))
    return rows, t2, u2, found


def life_of(left, u2, rate, u, upper, covariance):
    if rate and left > 0:
        return fieller(left, u2, rate, u, covariance)
    return max((left - Z * u2) / upper, 0.0)


def required_of(case):
    """The plan's own, or by the formula of the shape: ASME VIII-1 UG-27 at the end of the life, ASME B31.3 304.1.2 of a pipe."""
    if "required" in case:
        return case["required"]
    p, s, e = case["pressure"], case["stress"], case["joint"]
    outside = case["diameter"] / 2 + case["nominal"]
    return {
        "vessel": lambda: p * outside / (s * e + 0.4 * p),
        "sphere": lambda: p * outside / (2 * s * e + 0.8 * p),
        "pipe": lambda: p * case["diameter"] / (2 * (s * e + p * 0.4)),
    }[case["kind"]]()


def next_of(case, life, rated):
    """Years by API 653 (a shell from outside), API 510, API 570 class 2."""
    if case["kind"] == "tank-shell":
        return min(life / 2, 15.0 if rated else 5.0)
    if case["kind"] == "pipe":
        return min(life / 2, 10.0)
    return min(life, 2.0) if life < 4 else min(life / 2, 10.0)


def check(case):
    found, now = json.load(open(case["assessed"])), survey(case["now"])
    decisions = []
    for course, (low, high) in zip(found["lines"][0]["courses"], case["edges"]):
        summary, name = course["summary"], f"{case['name']} course {course['course']}"
        rows, t2, u2, all = rates(case, course, now, low, high)
        close(f"{name} t2", summary["t2_mm"], t2, 1e-6)
        required = required_of(case)
        close(f"{name} required", summary["required_mm"], required, 1e-6)
        upper = max(one[2] for one in all)
        close(f"{name} rate, not above", summary["rate_upper_mm_y"], upper, 1e-6)
        real = [one[0] for one in all if one[0]]
        if real:
            close(f"{name} rate", summary["rate_mm_y"], max(real), 1e-6)
        else:
            assert summary["rate_mm_y"] is None, f"{name}: a rate from no change: {summary['rate_mm_y']}"
        lives = [life_of(t2 - required, u2, *one) for one in all]
        life = min(lives)
        close(f"{name} life, short end", summary["remaining_life_years"], life, 1e-5 * max(life, 1.0))
        years = next_of(case, life, all[int(np.argmin(lives))][0] is not None)
        day = datetime.date.fromisoformat(found["lines"][0]["date"])
        due = datetime.date.fromisoformat(summary["next"])
        # Whole years by the calendar, the rest in days.
        assert abs((due - day).days - years * 365.25) <= 2.5, f"{name}: next by {due}, {years} years from {day}"

        allowance = case.get("allowance", upper * case["interval"] if "interval" in case else 0.0)
        decision, low_end, high_end, must = decide(case, rows, low, high, required, allowance, t2, u2)
        close(f"{name} t1, unread wall as nothing", summary["t1_low_mm"], low_end, 1e-6)
        close(f"{name} t1, unread wall as nominal", summary["t1_high_mm"], high_end, 1e-6)
        assert summary["decision"] == decision, f"{name}: the program says {summary['decision']}, numpy {decision}"
        if must is None:
            assert summary["unread_must_average_mm"] is None
        else:
            close(f"{name} unread wall must average", summary["unread_must_average_mm"], must, 1e-6)
        decisions.append(decision)
    print(case["name"], "decisions", json.dumps(decisions))


for case in json.load(open(sys.argv[1])):
    check(case)
