#!/usr/bin/env python3
"""Lines and cross-hairs of practice stills: lineturn beside general libraries, on the same frames, in one run.

    python3 -m venv target/libraries && target/libraries/bin/pip install -r tests/libraries/requirements.txt
    LINETURN_STILLS=6 cargo bench --bench accuracy -- --stills target/stills
    OMP_NUM_THREADS=1 target/libraries/bin/python tests/libraries/compare.py target/stills

Stills, truth, bounds, our results and our times are written by `cargo bench` (tests/exported.rs): ours is a look at the whole frame,
of which nothing is known, in one thread (shortest of seven). The libraries are not asked to find anything. They get of each line: its tilt
and bow as they are and its place wrong by up to 2 px, the rows that it covers, which other lines are near, where the hairs are, and the noise of
the camera. Their times are processor time of one thread for all lines of a frame, without reading the file.

- rows: scipy.optimize.curve_fit of slit * Gaussian and a straight background on every row, the shape taken from the mean
  of all rows first; a weighted parabola through the rows.
- 2-D: scipy.optimize.least_squares of the whole window: slit * Gaussian, tilt, bow, light along the line, background plane, and the
  hair where an upright one stands in the window (light times hair, then blurred). Pixels 5 standard deviations off are left out and it is fitted again.
- 1-D Gaussian, centre of mass: photutils.centroids on bands of rows; a parabola through the bands.
- ridge: OpenCV, second derivative of the blurred picture, parabola through its peak on every row; a parabola through the rows.
- cornerSubPix: OpenCV, for the cross-hairs, from within 2 px, in a window of up to 17 px that keeps clear of the lines (larger ones slip to other corners).

Clipped pixels are left out everywhere, pixels under hairs wherever the hair is not fitted.
"""

import json
import os
import sys
import time
import warnings
from collections import defaultdict
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from photutils.centroids import centroid_1dg, centroid_com  # noqa: E402
from scipy.ndimage import correlate1d  # noqa: E402
from scipy.optimize import curve_fit, least_squares  # noqa: E402
from scipy.special import ndtr  # noqa: E402

START_WITHIN_PX = 2.0
HALF_PX = 14  # half the width of a window
TOGETHER_PX = 22.0  # lines that stand so near are fitted together
LOST_PX = 2.5  # farther off is no measurement of this line
HAIR_RIM_PX = 3.5
K95 = 1.96
METHODS = ["ours", "rows", "2-D", "1-D Gaussian", "centre of mass", "ridge"]


class Still:
    """A frame with its masks, and what the libraries are told."""

    def __init__(self, folder, entry):
        picture = cv2.imread(str(folder / entry["file"]), cv2.IMREAD_UNCHANGED)
        self.full = int(np.iinfo(picture.dtype).max)
        self.clipped = picture >= self.full
        if picture.ndim == 3:
            self.clipped = self.clipped.any(axis=2)
            self.full *= picture.shape[2]
            picture = picture.astype(float).sum(axis=2)
        self.levels = picture.astype(float)
        self.entry = entry
        rows, columns = np.mgrid[: self.levels.shape[0], : self.levels.shape[1]]
        self.hair_masks = []
        hairs = entry["hairs"]
        if hairs:
            for degrees in (0.0, 90.0):
                turn = np.radians(hairs["rotation_deg"] + degrees)
                apart = (columns - hairs["x_px"]) * np.cos(turn) + (rows - hairs["y_px"]) * np.sin(turn)
                self.hair_masks.append(np.abs(apart) < hairs["width_px"] / 2 + HAIR_RIM_PX)
        self.under_hair = np.any(self.hair_masks, axis=0) if self.hair_masks else np.zeros_like(self.clipped)
        camera = entry["camera"]
        share = np.clip(self.levels / self.full - camera["black_share"], 1e-3, None)
        electrons = camera["full_well_e"] * share ** (1 / camera["gamma"])
        per_electron = camera["gamma"] * share / electrons * self.full
        variance = electrons + camera["read_noise_e"] ** 2 + (camera["gain_spread"] * electrons) ** 2
        self.sigma = np.sqrt(per_electron**2 * variance + 1 / 12)

    def groups(self, rng):
        """Lines that are fitted together, each with its start."""
        lines = sorted(self.entry["lines"], key=lambda line: line["x_px"])
        groups = []
        for line in lines:
            line = dict(line, start_px=line["x_px"] + rng.uniform(-START_WITHIN_PX, START_WITHIN_PX))
            if groups and line["x_px"] - groups[-1][-1]["x_px"] < TOGETHER_PX:
                groups[-1].append(line)
            else:
                groups.append([line])
        return groups


def axis_of(line, y, x=None):
    dy = y - line["y_px"]
    return (line["start_px"] if x is None else x) + line["slope"] * dy + line["curvature_per_px"] / 2 * dy**2


class Window:
    """The surroundings of a group of lines, sheared so that its columns follow the lines' tilt and bow."""

    def __init__(self, still, group):
        top = max(line["rows"][0] for line in group)
        bottom = min(line["rows"][1] for line in group)
        self.rows = np.arange(int(np.ceil(top)), int(bottom) + 1)
        middle = np.mean([line["start_px"] for line in group])
        half = HALF_PX + int(np.ceil((group[-1]["start_px"] - group[0]["start_px"]) / 2))
        first = np.round(axis_of(group[0], self.rows, middle)).astype(int)
        columns = first[:, None] + np.arange(-half, half + 1)[None, :]
        inside = (columns >= 0) & (columns < still.levels.shape[1])
        columns = np.clip(columns, 0, still.levels.shape[1] - 1)
        at = (self.rows[:, None], columns)
        self.x = columns.astype(float)
        self.y = np.broadcast_to(self.rows[:, None], columns.shape).astype(float)
        self.levels = still.levels[at]
        self.sigma = still.sigma[at]
        self.usable = inside & ~still.clipped[at]
        self.hairs = [mask[at] for mask in still.hair_masks]
        self.clear = self.usable & ~still.under_hair[at]
        self.still = still
        self.group = group


def profile(offset, slit, blur):
    """A slit image at `offset` px from its axis, averaged over the pixel; 1 at the top of a wide slit."""

    def ramp(z):
        return z * ndtr(z) + np.exp(-z * z / 2) / np.sqrt(2 * np.pi)

    def integral(x):
        return blur * (ramp((x + slit / 2) / blur) - ramp((x - slit / 2) / blur))

    return integral(offset + 0.5) - integral(offset - 0.5)


def shape_of(window):
    """Width of the slit and blur from the mean of all rows, each shifted onto the first line's axis."""
    group = window.group
    x = window.x - axis_of(group[0], window.y, 0.0)
    keep = window.clear
    x, levels = x[keep], window.levels[keep]
    edges = np.arange(np.floor(x.min()), np.ceil(x.max()) + 1, 0.5)
    bins = np.digitize(x, edges)
    count = np.bincount(bins, minlength=len(edges) + 1)
    ok = count > 3
    means = np.bincount(bins, levels, minlength=len(edges) + 1)[ok] / count[ok]
    places = np.bincount(bins, x, minlength=len(edges) + 1)[ok] / count[ok]

    def model(x, log_slit, log_blur, back, tilt, *lines):
        total = back + tilt * (x - group[0]["start_px"])
        for place, top in zip(lines[::2], lines[1::2]):
            total = total + top * profile(x - place, np.exp(log_slit), np.exp(log_blur))
        return total

    start = [np.log(3.0), np.log(1.6), np.percentile(means, 10), 0.0]
    for line in group:
        start += [line["start_px"], np.ptp(means)]
    found, _ = curve_fit(model, places, means, p0=start, maxfev=4000)
    slit, blur = np.exp(found[:2])
    return float(np.clip(slit, 0.3, 15)), float(np.clip(blur, 0.4, 8)), found


def parabola(y_px, y, x, u, correlated_over=1.0):
    """Places along a line, as (place at the height y_px, its standard uncertainty); places far off are left out."""
    y, x, u = np.asarray(y, float), np.asarray(x, float), np.asarray(u, float)
    keep = np.isfinite(x) & np.isfinite(u) & (u > 0)
    if keep.sum() < 6:
        return None
    h = (y - y_px) / 100.0
    design = np.stack([np.ones_like(h), h, h * h], axis=1)
    weight = 1 / np.maximum(u, 0.5 * np.median(u[keep]))
    # A first look that a few wrong rows cannot turn.
    middle = np.median(x[keep] - np.polyval(np.polyfit(h[keep], x[keep], 1), h[keep])) if keep.sum() > 12 else 0.0
    line = np.polyfit(h[keep], x[keep], 1)
    off = np.abs(x - np.polyval(line, h) - middle)
    keep &= off <= max(6 * 1.48 * np.median(off[keep]), 0.05)
    for _ in range(4):
        if keep.sum() < 6:
            return None
        a = design[keep] * weight[keep, None]
        solution = np.linalg.lstsq(a, x[keep] * weight[keep], rcond=None)[0]
        pull = (x - design @ solution) * weight
        scatter2 = np.sum(pull[keep] ** 2) / max(keep.sum() - 3, 1)
        again = np.isfinite(pull) & (np.abs(pull) < 4 * np.sqrt(scatter2))
        if (again == keep).all():
            break
        keep = again
    covariance = np.linalg.inv(a.T @ a) * scatter2 * correlated_over
    return solution[0], np.sqrt(covariance[0, 0])


def by_rows(window):
    group = window.group
    slit, blur, _ = shape_of(window)
    count = len(group)
    rows, places, errors = [], [[] for _ in group], [[] for _ in group]
    for k, row in enumerate(window.rows):
        keep = window.clear[k]
        if keep.sum() < 2 * count + 6:
            continue
        x, levels, sigma = window.x[k, keep], window.levels[k, keep], window.sigma[k, keep]
        near = [axis_of(line, row) for line in group]
        middle = np.mean(near)

        def model(x, back, tilt, *lines):
            total = back + tilt * (x - middle)
            for place, top in zip(lines[::2], lines[1::2]):
                total = total + top * profile(x - place, slit, blur)
            return total

        back = np.percentile(levels, 20)
        start = [back, 0.0]
        for place in near:
            start += [place, max(levels.max() - back, 1.0)]
        try:
            found, covariance = curve_fit(model, x, levels, p0=start, sigma=sigma, absolute_sigma=True, maxfev=600)
        except RuntimeError:
            continue
        rows.append(row)
        for i in range(count):
            wrong = abs(found[2 + 2 * i] - near[i]) > 2 * LOST_PX
            places[i].append(np.nan if wrong else found[2 + 2 * i])
            errors[i].append(np.sqrt(covariance[2 + 2 * i, 2 + 2 * i]))
    return [parabola(line["y_px"], rows, places[i], errors[i]) for i, line in enumerate(group)]


FINER = 3  # points a pixel where a hair stands in the window


def in_two_dimensions(window):
    group = window.group
    slit, blur, mean = shape_of(window)
    hairs = window.still.entry["hairs"]
    usable = window.usable.copy()
    # A hair that runs along the lines is fitted, one that crosses them is left out.
    along = None
    for which, mask in enumerate(window.hairs):
        if mask.any(axis=1).mean() > 0.3 and abs(hairs["rotation_deg"]) < 20 and which == 0:
            along = hairs
        else:
            usable &= ~mask
    y_px = group[0]["y_px"]
    h = (window.y - y_px) / 100.0
    apart = window.x - np.mean([line["start_px"] for line in group])
    edge = FINER * 6
    if along:
        offsets = (np.arange(-edge, FINER * (window.x.shape[1] - 1) + edge + 1)) / FINER
        fine_x = window.x[:, :1] + offsets[None, :]
        fine_h = np.broadcast_to(h[:, :1], fine_x.shape)
        turn = np.radians(along["rotation_deg"])

    def light(p, x, h, blur):
        total = p[2] + p[3] * (x - np.mean([line["start_px"] for line in group])) / 10 + p[4] * h
        for i, line in enumerate(group):
            place, slope, bow, top, top1, top2 = p[5 + 6 * i : 11 + 6 * i]
            dy = 100.0 * h
            centre = axis_of(line, dy + y_px, place) + slope * h + bow * h * h
            total = total + top * (1 + top1 * h + top2 * h * h) * profile(x - centre, np.exp(p[0]), blur)
        return total

    def model(p):
        if not along:
            return light(p, window.x, h, np.exp(p[1]))
        lens, place, lean, width, depth = p[-5:]
        lens = np.clip(np.exp(lens), 0.3, 3.0)
        distance = (fine_x - place) * np.cos(turn) + (100.0 * fine_h) * (np.sin(turn) + lean / 100)
        width = np.exp(width)
        cover = ndtr((distance + width / 2) / 0.45) - ndtr((distance - width / 2) / 0.45)
        through = light(p, fine_x, fine_h, np.exp(p[1])) * (1 - depth * cover)
        reach = int(np.ceil(3.5 * lens * FINER))
        kernel = np.exp(-((np.arange(-reach, reach + 1) / FINER / lens) ** 2) / 2)
        blurred = correlate1d(through, kernel / kernel.sum(), axis=1, mode="nearest")
        return blurred[:, edge : blurred.shape[1] - edge : FINER]

    start = [np.log(slit), np.log(blur), mean[2], 0.0, 0.0]
    for i, line in enumerate(group):
        start += [line["start_px"] if along else mean[4 + 2 * i], 0.0, 0.0, max(mean[5 + 2 * i], 1.0), 0.0, 0.0]
    if along:
        start += [np.log(0.9), along["x_px"], 0.0, np.log(2.7), 0.9]
    for _ in range(3):
        keep = usable
        fit = least_squares(lambda p: ((model(p) - window.levels) / window.sigma)[keep], start, method="lm",
                            x_scale="jac", max_nfev=60 * len(start))
        scatter2 = 2 * fit.cost / max(keep.sum() - len(start), 1)
        misfit = np.abs(model(fit.x) - window.levels) / window.sigma
        far = keep & (misfit > 5 * max(1.0, np.sqrt(scatter2)))
        if not far.any():
            break
        usable = keep & ~far
        start = list(fit.x)
    try:
        covariance = np.linalg.inv(fit.jac.T @ fit.jac) * scatter2
    except np.linalg.LinAlgError:
        return [None] * len(group)
    return [(fit.x[5 + 6 * i], np.sqrt(max(covariance[5 + 6 * i, 5 + 6 * i], 0))) for i in range(len(group))]


BAND = 8


def by_bands(window, centroid):
    """Centroids of bands of rows, background taken off by a straight line through both edges."""
    group = window.group
    results = []
    for i, line in enumerate(group):
        half = HALF_PX - 4.0
        for other in group:
            if other is not line:
                half = min(half, abs(other["start_px"] - line["start_px"]) / 2)
        half = max(int(half), 2)
        rows, places = [], []
        starts = range(0, len(window.rows) - BAND + 1, BAND)
        clear = [k for k in starts if window.clear[k : k + BAND].all()]
        for k in clear if len(clear) > 8 else starts:
            part = slice(k, k + BAND)
            y = window.rows[part].mean()
            left = window.x[part, 0]
            at = np.round(axis_of(line, y)).astype(int) - int(np.median(left))
            back = window.levels[part]
            good = window.clear[part]
            outer = np.abs(window.x[part] - np.median(window.x[part])) > window.x.shape[1] / 2 - 4
            if (good & outer).sum() < 12:
                continue
            where = window.x[part]
            level = np.polyval(np.polyfit(where[good & outer], back[good & outer], 1), where)
            found = None
            for _ in range(3 if centroid is centroid_com else 1):
                low, high = at - half, at + half + 1
                if low < 0 or high > window.x.shape[1]:
                    break
                data = (back - level)[:, low:high]
                masked = ~good[:, low:high]
                if masked.mean() > 0.6:
                    break
                extra = {} if centroid is centroid_com else {"error": window.sigma[part][:, low:high]}
                try:
                    x = centroid(data, mask=masked, **extra)[0]
                except (ValueError, RuntimeError):
                    break
                if not np.isfinite(x):
                    break
                found = x + low + np.median(left)
                shift = int(np.round(found - np.median(left))) - at
                if shift == 0 or abs(shift) > 4:
                    break
                at += shift
            if found is not None and abs(found - axis_of(line, y)) < 2 * LOST_PX:
                # The columns of a band follow the line from row to row: what the median took off is put back by the mean.
                rows.append(y)
                places.append(found + left.mean() - np.median(left))
        results.append(parabola(line["y_px"], rows, places, np.ones(len(rows))))
    return results


RIDGE_PX = 2.0


def by_ridge(window):
    still, group = window.still, window.group
    top, bottom = window.rows[0], window.rows[-1] + 1
    left = int(max(0, window.x.min() - 8))
    right = int(min(still.levels.shape[1], window.x.max() + 9))
    strip = still.levels[top:bottom, left:right].astype(np.float32)
    blurred = cv2.GaussianBlur(strip, (0, 0), sigmaX=RIDGE_PX, sigmaY=2.0)
    ridge = -cv2.Sobel(blurred, cv2.CV_32F, 2, 0, ksize=3)
    results = []
    for line in group:
        rows, places = [], []
        for k, row in enumerate(window.rows):
            near = axis_of(line, row) - left
            low, high = int(max(1, near - 4)), int(min(strip.shape[1] - 1, near + 5))
            if high - low < 3:
                continue
            at = low + int(np.argmax(ridge[k, low:high]))
            level_hair = len(window.hairs) > 1 and window.hairs[1][k].all()
            if at in (low, high - 1) or level_hair:
                continue
            a, b, c = ridge[k, at - 1 : at + 2].astype(float)
            bend = a - 2 * b + c
            if bend < 0:
                rows.append(row)
                places.append(at + left + 0.5 * (a - c) / bend)
        # Neighbouring rows share their noise: a Gaussian of 2 rows counts as 7.
        results.append(parabola(line["y_px"], rows, places, np.ones(len(rows)), correlated_over=2 * np.sqrt(np.pi) * 2.0))
    return results


def corner(still, start):
    """cornerSubPix in the largest window that keeps clear of the lines, whose crossings with the hair are corners, too."""
    picture = (still.levels / still.full * 255).astype(np.float32)
    clear = min((abs(line["x_px"] - start[0]) for line in still.entry["lines"]), default=np.inf) - 9
    window = int(np.clip(clear, 5, 8))
    corners = np.array([[start]], np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4)
    return cv2.cornerSubPix(picture, corners, (window, window), (-1, -1), stop)[0, 0]


class Tally:
    """Errors of one method on one kind of still."""

    def __init__(self):
        self.px, self.bounds, self.u, self.lost, self.seconds, self.frames = [], [], [], 0, 0.0, 0

    def add(self, error, bound, u):
        self.px.append(error)
        self.bounds.append(error / bound)
        self.u.append(error / u if u else np.nan)

    def rms(self):
        return rms(self.bounds)

    def cell(self, digits=3):
        if not self.px:
            return f"— ({self.lost} lost)" if self.lost else "—"
        inside = np.array(self.u)[np.isfinite(self.u)]
        covered = f", {100 * np.mean(np.abs(inside) < K95):.0f} %" if len(inside) else ""
        lost = f", {self.lost} lost" if self.lost else ""
        return f"{self.rms():.2f} ({rms(self.px):.{digits}f} px{covered}{lost})"

    def milliseconds(self):
        return 1e3 * self.seconds / max(self.frames, 1)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else np.nan


def measure(folder, document):
    lines, hairs = defaultdict(lambda: defaultdict(Tally)), defaultdict(lambda: defaultdict(Tally))
    methods = {
        "rows": by_rows,
        "2-D": in_two_dimensions,
        "1-D Gaussian": lambda window: by_bands(window, centroid_1dg),
        "centre of mass": lambda window: by_bands(window, centroid_com),
        "ridge": by_ridge,
    }
    for entry in document["stills"]:
        kind = entry["kind"]
        rng = np.random.default_rng([entry["seed"], len(kind)])
        still = Still(folder, entry)
        groups = still.groups(rng)
        tallies = lines[kind]
        ours = tallies["ours"]
        ours.seconds += entry["ours"]["milliseconds"] / 1e3
        ours.frames += 1
        free = list(entry["ours"]["lines"])
        for line in sorted(entry["lines"], key=lambda line: line["x_px"]):
            found = min(free, key=lambda found: abs(found["x_px"] - line["x_px"]), default=None)
            if found is None or abs(found["x_px"] - line["x_px"]) > LOST_PX:
                ours.lost += 1
                continue
            free.remove(found)
            ours.add(found["x_px"] - line["x_px"], line["bound_px"], found["u_px"])
        for name, method in methods.items():
            tally = tallies[name]
            tally.frames += 1
            for group in groups:
                begin = time.thread_time()
                try:
                    places = method(Window(still, group))
                except (RuntimeError, ValueError, np.linalg.LinAlgError) as error:
                    print(f"{entry['file']} {kind}, {name}: {error}", file=sys.stderr)
                    places = [None] * len(group)
                tally.seconds += time.thread_time() - begin
                for line, place in zip(group, places):
                    if place is None or not abs(place[0] - line["x_px"]) < LOST_PX:
                        tally.lost += 1
                    else:
                        tally.add(place[0] - line["x_px"], line["bound_px"], place[1])
        if entry["hairs"]:
            true = [entry["hairs"]["x_px"], entry["hairs"]["y_px"]]
            begin = time.thread_time()
            found = corner(still, np.array(true) + rng.uniform(-START_WITHIN_PX, START_WITHIN_PX, 2))
            tally = hairs[kind]["cornerSubPix"]
            tally.seconds += time.thread_time() - begin
            tally.frames += 1
            own = entry["ours"]["hairs"]
            for k, axis in enumerate("xy"):
                bound = entry["hairs"]["bounds_px"][k]
                if abs(found[k] - true[k]) < LOST_PX:
                    tally.add(found[k] - true[k], bound, None)
                else:
                    tally.lost += 1
                if own and abs(own[f"{axis}_px"] - true[k]) < LOST_PX:
                    hairs[kind]["ours"].add(own[f"{axis}_px"] - true[k], bound, own[f"u_{axis}_px"])
                else:
                    hairs[kind]["ours"].lost += 1
    return lines, hairs


def tables(lines, hairs, seeds):
    print(f"Lines, {seeds} stills of each kind: root mean square of error / bound (the same in px, share in the stated 95 %)\n")
    print("| kind | lines | " + " | ".join(METHODS) + " | best of the others | ours against it |")
    print("|---" * (len(METHODS) + 4) + "|")
    for kind, tallies in lines.items():
        ours = tallies["ours"]
        asked = len(ours.px) + ours.lost
        others = [name for name in METHODS[1:] if tallies[name].px]
        # The best is the one that loses the fewest lines, and among these the one with the smallest errors.
        best = min(others, key=lambda name: (tallies[name].lost, tallies[name].rms()))
        ratio = tallies[best].rms() / ours.rms() if ours.px else np.nan
        cells = " | ".join(tallies[name].cell() for name in METHODS)
        print(f"| {kind} | {asked} | {cells} | {best} | {ratio:.2f} times as accurate |")
    print("\nTime a frame, ms, one thread\n")
    print("| kind | " + " | ".join(METHODS) + " | best of the others takes |")
    print("|---" * (len(METHODS) + 2) + "|")
    for kind, tallies in lines.items():
        others = [name for name in METHODS[1:] if tallies[name].px]
        best = min(others, key=lambda name: (tallies[name].lost, tallies[name].rms()))
        cells = " | ".join(f"{tallies[name].milliseconds():.1f}" for name in METHODS)
        times = tallies[best].milliseconds() / tallies["ours"].milliseconds()
        print(f"| {kind} | {cells} | {best}: {times:.{0 if times >= 10 else 1}f} times as long |")
    print("\nCross-hairs, both coordinates: root mean square of error / bound (the same in px, share in the stated 95 %)\n")
    print("| kind | ours | cornerSubPix | cornerSubPix, ms |")
    print("|---|---|---|---|")
    for kind, tallies in hairs.items():
        other = tallies["cornerSubPix"]
        print(f"| {kind} | {tallies['ours'].cell(4)} | {other.cell(4)} | {other.milliseconds():.1f} |")


def main():
    if len(sys.argv) != 2:
        sys.exit("compare.py: one argument, the folder that `cargo bench --bench accuracy -- --stills FOLDER` wrote")
    folder = Path(sys.argv[1])
    try:
        document = json.loads((folder / "stills.json").read_text())
    except OSError as error:
        sys.exit(f"compare.py: {folder / 'stills.json'} cannot be read ({error}); "
                 "write it by `cargo bench --bench accuracy -- --stills FOLDER`")
    cv2.setNumThreads(1)
    warnings.simplefilter("ignore")  # fits that do not settle are counted as lost, or show in the errors
    lines, hairs = measure(folder, document)
    tables(lines, hairs, max(entry["seed"] for entry in document["stills"]))


if __name__ == "__main__":
    main()
