#!/usr/bin/env python3
"""How well a turning point can be known to somebody who is not told the table's angle, against somebody who is.

    python3 turning_limit.py        # numpy only; prints a table

Positions of a line are x = x0 + g(t)^2 with noise (white, or correlated from frame to frame), where g is the table's angle in units of
sqrt(px). The one who is told knows g and fits a polynomial of the fourth degree (5 unknowns). The other knows of the hand how unsteady it is, no
more: its speed wanders (an integrated random walk of velocity), tremor is white. Both are the least variance of x0 by linear theory
(generalised least squares about the true course), so no estimator without further knowledge does better. With further lines,
g of each is a polynomial of g of the first (offset, scale, bend unknown), and all share the hand.

The hand is the calm one of the practice footage (src/simulate/hand.rs) at 25 frames a second and 10 arcsec a pixel: 1.2 degrees a second are
3 sqrt(px)/s, the speed wanders by 12 % within 0.8 s, the tremor of 0.006 degrees is 0.015 sqrt(px). Lines d px apart turn at values of g that
differ by d/2 * sqrt(0.017/degree * 10 arcsec): 0.4 for 110 px (Hg 546 and 579 nm in F2), 1.5 for the whole field.
"""

import numpy as np

INTERVAL_S = 0.04
REACH_S = 2.5  # 3 degrees on either side
SPEED = 3.0
DRIFT, DRIFT_S = 0.12, 0.8
TREMOR = 0.015


def course():
    time = np.arange(-REACH_S, REACH_S + 1e-9, INTERVAL_S)
    return time, SPEED * time


def noise_of(count, noise, correlation):
    apart = np.abs(np.arange(count)[:, None] - np.arange(count)[None, :])
    return noise**2 * (correlation**apart if correlation > 0 else np.eye(count))


def least(design, covariance):
    """Least standard deviation of the first unknown."""
    information = design.T @ np.linalg.solve(covariance, design)
    return np.sqrt(np.linalg.inv(information)[0, 0])


def told(noise, correlation):
    time, g = course()
    design = np.stack([(g / g.max()) ** k for k in range(5)], axis=1)
    # The place of the extremum is the value there: to first order its error is that of the first coefficient.
    return least(design, noise_of(len(time), noise, correlation))


def untold(noise, correlation, offsets):
    """The first line's turning point; `offsets` are the values of g by which the other lines turn later."""
    time, g = course()
    count = len(time)
    walk = 2 * (DRIFT * SPEED) ** 2 / DRIFT_S * np.minimum(*np.meshgrid(time - time[0], time - time[0]))
    sums = np.tril(np.ones((count, count))) * INTERVAL_S
    hand = sums @ walk @ sums.T + TREMOR**2 * np.eye(count)
    of_lines = [g] + [g + offset for offset in offsets]
    lines = len(of_lines)
    slopes = np.concatenate([2 * g for g in of_lines])
    covariance = slopes[:, None] * np.tile(hand, (lines, lines)) * slopes[None, :]
    columns = []
    for k in range(lines):
        part = slice(k * count, (k + 1) * count)
        covariance[part, part] += noise_of(count, noise, correlation)
        column = np.zeros(lines * count)
        column[part] = 1.0
        columns.append(column)
    columns += [slopes, slopes * np.tile(time, lines)]
    for k in range(1, lines):
        for power in range(3):
            column = np.zeros(lines * count)
            part = slice(k * count, (k + 1) * count)
            column[part] = slopes[part] * (g / g.max()) ** power
            columns.append(column)
    return least(np.stack(columns, axis=1), covariance)


def main():
    print("| noise | told the angle, px | one line | two lines 110 px apart | two, 280 px | two, 420 px | four, 110 px from one to the next |")
    print("|---|---|---|---|---|---|---|")
    for correlation in (0.0, 0.7):
        for noise in (0.02, 0.05, 0.1, 0.2):
            best = told(noise, correlation)
            cases = [[], [0.4], [1.0], [1.5], [0.4, 0.8, 1.2]]
            cells = " | ".join(f"{untold(noise, correlation, offsets) / best:.2f}" for offsets in cases)
            kind = f"correlated {correlation}" if correlation else "white"
            print(f"| {noise} px, {kind} | {best:.4f} | {cells} |")


if __name__ == "__main__":
    main()
