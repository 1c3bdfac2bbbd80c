#!/usr/bin/env python3
"""Turning points of coded practice experiments against the truth: pulls.py LINETURN FOLDER SEED... [-- ENCODER OPTIONS OF FFMPEG]

Makes an experiment for each seed in FOLDER, measures its sweeps as Y4M and coded (H.264 as `practice` codes it, or by ffmpeg with the options
given, such as: -c:v libx264 -crf 28 -preset veryfast -pix_fmt yuv420p), and prints for both how many turning points were found, the root
mean square of error over stated uncertainty, the largest, the share within 1.96, and the root mean square of the errors in px.
"""

import json
import math
import os
import subprocess
import sys

SETS = 5
NEAR_PX = 1.5


def main():
    program, folder, *rest = sys.argv[1:]
    seeds, options = (rest[: rest.index("--")], rest[rest.index("--") + 1 :]) if "--" in rest else (rest, [])
    for way in ("y4m", "coded"):
        errors, missed = [], 0
        for seed in seeds:
            clips, truth = footage(program, folder, seed, way, options)
            for number, clip in enumerate(clips, 1):
                seen = json.loads(subprocess.run([program, "watch", clip, "--json"], capture_output=True, check=True).stdout)
                for line in (line for line in truth["lines"] if line["set"] == str(number)):
                    near = [
                        (abs(found["offset_px"] - line["offset_px"]), found)
                        for found in seen["lines"]
                        if found["turned"] and found["offset_px"] is not None
                    ]
                    away, found = min(near, key=lambda pair: pair[0], default=(math.inf, None))
                    if away > NEAR_PX:
                        missed += 1
                        continue
                    error = found["offset_px"] - line["offset_px"]
                    errors.append((error, error / found["u_px"]))
        rms = [math.sqrt(sum(pair[k] ** 2 for pair in errors) / len(errors)) for k in (0, 1)]
        worst = max(abs(pull) for _, pull in errors)
        held = 100 * sum(abs(pull) < 1.96 for _, pull in errors) / len(errors)
        print(f"{way}: {len(errors)} found, {missed} missed; pulls rms {rms[1]:.2f}, largest {worst:.2f}, {held:.0f} % within 1.96; errors rms {rms[0]:.4f} px")


def footage(program, folder, seed, way, options):
    """The clips of the sweeps and the truth of an experiment."""
    made_by_us = way == "y4m" or not options
    own = os.path.join(folder, f"{'y4m' if way == 'y4m' or options else 'h264'}-{seed}")
    form = os.path.basename(own).split("-")[0]
    if not os.path.exists(os.path.join(own, "truth.json")):
        subprocess.run([program, "practice", own, "--experiment", "--seed", seed, "--format", form], check=True, stdout=subprocess.DEVNULL)
    with open(os.path.join(own, "truth.json"), encoding="utf-8") as file:
        truth = json.load(file)
    clips = [os.path.join(own, f"line-{number}.{'y4m' if form == 'y4m' else 'mp4'}") for number in range(1, SETS + 1)]
    if made_by_us:
        return clips, truth
    coded = []
    for clip in clips:
        coded.append(clip.replace(".y4m", ".mp4"))
        subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", clip, *options, coded[-1]], check=True)
    return coded, truth


if __name__ == "__main__":
    main()
