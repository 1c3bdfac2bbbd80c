#!/usr/bin/env python3
"""Judges what the guest's runs left: check.py FEED OUT PROGRAM, with OUT/uvc, OUT/loop, OUT/vivid and OUT/none.

Every check prints a line; the exit status is 1 where one failed. The messages of the camera's process are read here by a reader of their own.
"""

import collections
import json
import os
import struct
import subprocess
import sys
import tempfile

feed, out, program = sys.argv[1:]
failures = []


def check(what, good, seen=""):
    print(f"{'ok  ' if good else 'FAIL'} {what}" + (f"  [{seen}]" if seen != "" else ""))
    if not good:
        failures.append(what)


def read(name):
    path = f"{out}/{name}"
    return open(path).read() if os.path.exists(path) else ""


def document(name):
    try:
        return json.loads(read(name))
    except ValueError:
        return {}


def log(name):
    """Lines of a log with the guest's time: [(seconds, text)]."""
    lines = []
    for line in read(name).splitlines():
        time, _, text = line.partition(" ")
        lines.append((float(time), text))
    return lines


def when(name):
    return {line.split()[1]: float(line.split()[0]) for line in read(name).splitlines()}


def codes(name):
    return [w["code"] for w in document(name).get("warnings", [])]


def dump(name):
    """The messages of a camera process: [(kind, lost, number, stamp_ns, body)]."""
    data, at, messages = open(f"{out}/{name}", "rb").read(), 0, []
    while at + 32 <= len(data):
        marks, kind, length, lost, number, stamp = struct.unpack("<4sc3xIIQQ", data[at:at + 32])
        assert marks == b"ltCm", f"{name}: no message at byte {at}"
        body = data[at + 32:at + 32 + length]
        if len(body) == length:
            messages.append((kind.decode(), lost, number, stamp, body))
        at += 32 + length
    return messages


def raw_feed(name, size):
    data = open(f"{feed}/{name}", "rb").read()
    return {data[i:i + size]: i // size for i in range(0, len(data), size)}


def frames_are_those_fed(name, known, most_foreign=0):
    messages = dump(name)
    frames = [m for m in messages if m[0] == "F"]
    numbers = [known.get(m[4]) for m in frames]
    foreign = numbers.count(None)
    check(f"{name}: every frame is byte for byte one that was fed", frames and foreign <= most_foreign,
          f"{len(frames)} frames, {foreign} foreign")
    count = max(known.values()) + 1
    steps, wanted, last = [], [], None
    for message, number in zip(frames, numbers):
        if number is not None and last is not None:
            steps.append((number - last[1]) % count)
            wanted.append(message[2] - last[0])
        last = (message[2], number) if number is not None else None
    check(f"{name}: frames are in order, none twice", all(0 < step < count // 2 for step in steps), collections.Counter(steps))
    stamps = [m[3] for m in frames]
    check(f"{name}: the driver's time stamps rise", 0 not in stamps and stamps == sorted(set(stamps)))
    return messages


def measured_again(name, live, track):
    """Measures a recording on this machine and compares with what was measured in the guest."""
    with tempfile.NamedTemporaryFile(suffix=".csv") as again:
        done = subprocess.run([program, "watch", "--json", "--track", again.name, f"{out}/{name}"], capture_output=True, text=True)
        rows = open(again.name).read()
    result, before = json.loads(done.stdout or "{}"), document(live)
    keys = ["frames", "duration_s", "toward", "cross_hairs", "lines", "turning_points"]
    unlike = [key for key in keys if result.get(key, "?") != before.get(key)]
    lines = rows.count("\n") - 1
    check(f"{name}: measured again, the same to the last digit", not unlike and rows == read(track) and result.get("frames", 0) >= 1,
          f"{result.get('frames')} frames, {lines} positions, unlike: {unlike}")
    return rows


def opens(name, least):
    done = subprocess.run([program, "watch", "--json", f"{out}/{name}"], capture_output=True, text=True)
    frames = json.loads(done.stdout or "{}").get("frames", 0)
    check(f"{name}: opens", done.returncode == 0 and frames >= least, f"status {done.returncode}, {frames} frames {done.stderr[-200:] if done.returncode else ''}")


def pictures_of_avi(data, at=0, end=None):
    """The JPEGs of an AVI, in order."""
    end = len(data) if end is None else min(end, len(data))
    while at + 8 <= end:
        kind, size = data[at:at + 4], struct.unpack("<I", data[at + 4:at + 8])[0]
        if kind in (b"RIFF", b"LIST"):
            yield from pictures_of_avi(data, at + 12, at + 8 + size)
        elif kind[2:] == b"dc":
            yield data[at + 8:at + 8 + size]
        at += 8 + size + size % 2


def one_sentence(name, status, *words):
    text = [text for _, text in log(name)] if name.startswith("uvc") and "permission" not in name else read(name).splitlines()
    said = [t for t in text if t.startswith("lineturn: ")]
    check(f"{name}: one sentence, status {status}, says {words}", text and text[-1] == f"rc {status}" and len(said) == 1
          and all(word in said[0] for word in words), " / ".join(text))


# What a program and its camera process take to start and to stop in the guest, beside the settling of automatic controls.
START_AND_STOP_S = 2.5
SETTLE_S = 1.2
# No scene may hold the user up for longer than this.
HANG_S = 3


def never_hangs(folder):
    """Every watch ends soon after its --seconds, or soon where it cannot begin."""
    worst, at = 0, ""
    for name in sorted(os.listdir(f"{out}/{folder}")):
        lines = log(f"{folder}/{name}") if name.endswith(".log") and " begun " in read(f"{folder}/{name}")[:40] else []
        if not lines or not lines[-1][1].startswith("rc "):
            continue
        words = lines[0][1].split()
        seconds = float(words[words.index("--seconds") + 1]) + SETTLE_S if "--seconds" in words else 0
        beyond = lines[-1][0] - lines[0][0] - seconds - START_AND_STOP_S
        if beyond > worst:
            worst, at = beyond, name
    check(f"{folder}: no watch hangs for {HANG_S} s", worst < HANG_S, f"{worst:.2f} s beyond what was asked and needed {at}")


def is_back(text):
    return text.startswith("lineturn: ") and text.endswith(") is back")


def clean(folder):
    never_hangs(folder)
    texts = [open(f"{out}/{folder}/{f}", errors="replace").read() for f in os.listdir(f"{out}/{folder}")
             if f.endswith((".log", ".err")) and f not in ("serial.log", "feeder.log")]
    check(f"{folder}: no panic in any of {len(texts)} logs", not any("panicked" in t for t in texts))


# An emulated USB camera.
camera = document("uvc/list.json").get("cameras", [{}])
check("uvc: one camera is listed, not its channel of metadata", len(camera) == 1 and camera[0].get("source") == "camera:0")
modes = {m["mode"] for m in camera[0].get("modes", [])}
check("uvc: all modes are listed", {"640x480@25:MJPG", "320x240@25:YUYV", "320x240@12.5:GREY"} <= modes, sorted(modes))
lockable = {c["control"] for c in camera[0].get("controls", []) if c["lockable"]}
check("uvc: all controls can be locked", lockable == {"exposure", "gain", "white-balance", "focus"}, sorted(lockable))
frames_are_those_fed("uvc/yuyv.dump", raw_feed("lines.yuyv", 320 * 240 * 2))
frames_are_those_fed("uvc/grey.dump", raw_feed("lines.grey", 320 * 240))
controls = read("uvc/controls-locked.txt")
for control, value in [("Auto Exposure ", 1), ("White Balance, Automatic", 0), ("Focus, Automatic", 0)]:
    line = next((x for x in controls.splitlines() if control in x), "")
    check(f"uvc: after locking, {control.strip()} is {value}", line.endswith(f"value {value}"), line[-10:])
controls = read("uvc/controls-asked.txt")
for control, value in [("Exposure Time, Absolute", 80), ("Gain", 55), ("Focus, Absolute", 20)]:
    line = next((x for x in controls.splitlines() if control in x), "")
    check(f"uvc: {control} is {value} as asked", line.endswith(f"value {value}"), line[-10:])
check("uvc: all is locked, and nothing else is said", "camera-not-locked" not in codes("uvc/lock.json"))
check("uvc: a value out of range is told", any("10000 and not 999999" in t for _, t in log("uvc/range.log")))
check("uvc: opened by its place", document("uvc/identity.json").get("frames", 0) > 0)
one_sentence("uvc/metadata.log", 2, "camera:1", "no pictures", "camera:0")
one_sentence("uvc/missing.log", 2, "camera:7", "not there", "camera:0")
one_sentence("uvc/mode.log", 2, "no such mode", "320x240@25:GREY")
one_sentence("uvc/busy.log", 2, "in use")
one_sentence("uvc/permission.log", 2, "may not be opened", "usermod")
check("uvc: the first is not disturbed by the second", document("uvc/first.json").get("complete") is True
      and document("uvc/first.json").get("frames", 0) > 0)
check("uvc: left grey at 12.5 frames/s by another program, it opens", read("uvc/left.txt").strip().endswith("2/25")
      and document("uvc/odd.json").get("frames", 0) > 0)
check("uvc: a change from outside is told and undone", any("changed from 100 to 333 from outside and was set back" in t
      for _, t in log("uvc/changed.log")))
jpeg = document("uvc/jpeg.json")
check("uvc: cut and overwritten JPEGs are lost, others are measured", jpeg.get("frames", 0) > 0 and "frames-lost" in codes("uvc/jpeg.json"),
      f"{jpeg.get('frames')} measured, {jpeg.get('dropped')} not")
times = when("uvc/stall.times")
told = [t for t, text in log("uvc/stall.log") if "no frame for" in text]
delay = told[0] - times["stalled"] if told else 99
check("uvc: a stall is told within 2 s", delay < 2, f"{delay:.2f} s")
stalled = document("uvc/stall.json")
check("uvc: after a stall the frames go on", stalled.get("complete") is True and stalled.get("duration_s", 0) > 7, stalled.get("duration_s"))
check("uvc: a camera that stalls for ever is told and does not stop the end", document("uvc/forever.json").get("complete") is True
      and any("no frame for" in text for _, text in log("uvc/forever.log")))
killed = [t for t, text in log("uvc/killed.log") if text.startswith("lineturn: ") and "was started again" in text]
times = when("uvc/killed.times")
check("uvc: a camera process that is killed, or hangs, is replaced", len(killed) == 2 and killed[1] - times["stopped"] < 4
      and document("uvc/killed.json").get("complete") is True, f"{killed}, {times}")
times = when("uvc/interrupted.times")
check("uvc: Ctrl-C ends and prints", document("uvc/interrupted.json").get("complete") is True and "rc 0" in read("uvc/interrupted.log")
      and times["ended"] - times["interrupted"] < HANG_S, f"{times['ended'] - times['interrupted']:.2f} s")
check("uvc: no camera process is left behind", read("uvc/orphans.txt").strip() == "")
messages = dump("uvc/short.dump")
faulty = [m for m in messages if m[0] == "X"]
frames = [m for m in messages if m[0] == "F"]
lost = sum(m[1] for m in messages)
check("uvc: frames that end early are marked faulty and never passed on", len(frames) > 10 and len(faulty) + lost >= len(frames) // 12,
      f"{len(frames)} good, {len(faulty)} faulty, {lost} lost")
known = raw_feed("lines.yuyv", 320 * 240 * 2)
check("uvc: beside faulty frames, good ones are those fed", all(m[4] in known for m in frames))
times = when("uvc/replug.times")
told = [t for t, text in log("uvc/replug.log") if "was pulled out" in text]
back = [t for t, text in log("uvc/replug.log") if is_back(text)]
# It is plugged in again after 2.5 s, and the system takes its time to know it.
check("uvc: a pulled cable is told at once, and the camera found again", bool(told and back) and told[0] - times["pulled"] < 1
      and back[0] - times["pulled"] < 2.5 + HANG_S,
      f"told after {told[0] - times['pulled']:.2f} s, back after {back[0] - times['pulled']:.2f} s" if told and back else "")
replug = document("uvc/replug.json")
check("uvc: the measurement goes on after it", replug.get("complete") is True and replug.get("duration_s", 0) > 10, replug.get("duration_s"))
line = next((x for x in read("uvc/controls-replug.txt").splitlines() if "Exposure Time, Absolute" in x), "")
check("uvc: and its exposure is as it was", line.endswith("value 120"), line[-10:])
measured_again("uvc/record.avi", "uvc/record.json", "uvc/record.csv")
recorded = list(pictures_of_avi(open(f"{out}/uvc/record.avi", "rb").read()))
fed = {picture: number for number, picture in enumerate(pictures_of_avi(open(f"{feed}/bad.avi", "rb").read()))}
bad = json.load(open(f"{feed}/bad.json"))
kinds = collections.Counter(bad.get(str(fed[picture]), "whole") if picture in fed else "foreign" for picture in recorded)
numbers = [fed.get(picture, -1) for picture in recorded]
check("uvc: every JPEG that was measured is a whole one that was fed, in order", kinds["whole"] == len(recorded) > 5 and numbers == sorted(set(numbers)),
      f"{dict(kinds)}, {numbers}")
clean("uvc")

# v4l2loopback.
frames_are_those_fed("loop/loop.dump", raw_feed("lines.yuyv", 320 * 240 * 2))
check("loop: through nokhwa, too, frames are measured", document("loop/nokhwa.json").get("frames", 0) > 0)
odd = document("loop/odd-name.json").get("cameras", [])
check("loop: a device of an odd name does not hide the camera", [c["index"] for c in odd] == [0])
rows = measured_again("loop/record.y4m", "loop/record.json", "loop/record.csv")
known = {frame: number for number, frame in enumerate(
    open(f"{feed}/lines.grey", "rb").read()[i:i + 320 * 240] for i in range(0, os.path.getsize(f"{feed}/lines.grey"), 320 * 240))}
recorded = open(f"{out}/loop/record.y4m", "rb").read()
recorded = recorded[recorded.index(b"\n") + 1:]
numbers = [known.get(recorded[i + 6:i + 6 + 320 * 240]) for i in range(0, len(recorded), 6 + 320 * 240)]
check("loop: every recorded frame is one that was fed", None not in numbers and numbers == sorted(set(numbers)), numbers)
# Where the clip has these frames, the lines lie where they lie when the clip is measured as a file.
with tempfile.NamedTemporaryFile(suffix=".csv") as whole:
    subprocess.run([program, "watch", "--json", "--track", whole.name, f"{feed}/lines.y4m"], capture_output=True, check=True)
    of_file = {int(r.split(",")[0]): float(r.split(",")[3]) for r in open(whole.name).read().splitlines()[1:]}
times = read("loop/record.y4m.times.csv").splitlines()[1:]
fed_as = {int(row.split(",")[0]): number for row, number in zip(times, numbers)}
apart = [abs(float(r.split(",")[3]) - of_file[fed_as[int(r.split(",")[0])]]) for r in rows.splitlines()[1:]
         if fed_as.get(int(r.split(",")[0])) in of_file]
# Not to the last digit: the hairs of a whole clip are known better than those of its first frames.
check("loop: lines lie where they lie in the file", len(apart) > 5 and max(apart) < 0.02, f"{len(apart)} positions, at most {max(apart, default=9):.4f} px apart")
opens("loop/killed.y4m", 2)
opens("loop/full.y4m", 1)
check("loop: a full disk ends the recording, not the measurement", "recording-ended" in codes("loop/full.json")
      and document("loop/full.json").get("complete") is True)
clean("loop")

# The kernel's test driver.
messages = dump("vivid/flagged.dump")
faulty = [m for m in messages if m[0] == "X"]
check("vivid: three frames that the driver flags are faulty", len(faulty) == 3 and all(b"marked as faulty" in m[4] for m in faulty), len(faulty))
messages = dump("vivid/dropped.dump")
frames, lost = sum(m[0] == "F" for m in messages), sum(m[1] for m in messages)
check("vivid: of 30 % dropped buffers, all are counted", 0.15 < lost / max(lost + frames, 1) < 0.45, f"{lost} of {lost + frames}")
for name in ("fatal", "gone"):
    text = [t for _, t in log(f"vivid/{name}.log")]
    check(f"vivid: {name} error is told and overcome", any(is_back(t) for t in text) and document(f"vivid/{name}.json").get("complete") is True)
clean("vivid")

# No camera.
check("none: an empty list", document("none/list.json").get("cameras") == [] and "rc 0" in read("none/list.log"))
one_sentence("none/watch.log", 2, "camera:0", "not there")
clean("none")

print(f"{len(failures)} failed" if failures else "all well")
sys.exit(1 if failures else 0)
