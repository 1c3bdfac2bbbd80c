#!/usr/bin/env python3
"""Holds lineturn's frames against ffmpeg's, and hurts clips: compare.py FRAMES CLIPS [--damage N]

FRAMES is the example `frames` (cargo build --release --example frames), CLIPS a folder of clips (fetch.sh). Of each clip that both read: the
count, the times from the first frame, the size as shown (rotation) and every level of luma must agree; levels may differ by 1 in motion JPEG,
where the standard leaves the rounding open, and by nothing else elsewhere. With --damage, N hurt variants (cut short, bytes changed, zeroed,
taken out, doubled; from a fixed seed) must each end within 10 s, without a panic and without more than 300 MiB of memory.
"""

import os
import random
import resource
import subprocess
import sys
import tempfile
import time

# Its last frame is cut off within its codes, which no decoder here complains of: each makes up what is missing in its own way.
MADE_UP = {"openh264-multi_512x512_truncated.h264.mp4"}
TIME_TOLERANCE_S = 1.1e-6  # ffprobe prints microseconds: two roundings of half of one
MOST_SECONDS = 10
MOST_KIB = 300 * 1024


def ours(frames, clip, planes=None, own=True):
    """(status, lines, seconds, KiB at most) of the example."""
    command = [frames] + (["--own"] if own else []) + (["--planes", planes] if planes else []) + [clip]
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        begun = time.monotonic()
        child = subprocess.Popen(command, stdout=out, stderr=err, stdin=subprocess.DEVNULL)
        status, usage = None, None
        while status is None and time.monotonic() - begun < MOST_SECONDS + 50:
            pid, code, usage = os.wait4(child.pid, os.WNOHANG)
            status = os.waitstatus_to_exitcode(code) if pid else None
            time.sleep(0.002)
        if status is None:
            child.kill()
            _, _, usage = os.wait4(child.pid, 0)
            status = "hung"
        child.returncode = 0
        out.seek(0)
        err.seek(0)
        # The time that counts is its own, not that of other programs on this machine.
        seconds = usage.ru_utime + usage.ru_stime
        return status, out.read().decode(errors="replace").splitlines(), seconds, usage.ru_maxrss, err.read().decode(errors="replace")


def theirs(clip, wide, planes):
    """Times from the first frame, by ffprobe, and planes, by ffmpeg; None where they give none."""
    probe = subprocess.run(["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries", "frame=pts_time,best_effort_timestamp_time",
                            "-of", "csv=p=0", clip], capture_output=True, text=True)
    rows = [row.split(",") for row in probe.stdout.splitlines() if row.strip(",")]
    times = []
    for row in rows:
        stamps = [part for part in row if part not in ("", "N/A")]
        times.append(float(stamps[0]) if stamps else None)
    made = subprocess.run(["ffmpeg", "-nostdin", "-v", "error", "-y", "-i", clip, "-map", "0:v:0", "-fps_mode", "passthrough", "-vf", "extractplanes=y",
                           "-pix_fmt", "gray10le" if wide else "gray", "-f", "rawvideo", planes], capture_output=True, text=True)
    return (times, made.stderr) if times and os.path.exists(planes) and os.path.getsize(planes) else (None, made.stderr)


def largest_difference(a, b, wide):
    """Largest difference of two files of levels, and the number of levels that differ."""
    import array
    most = count = 0
    with open(a, "rb") as one, open(b, "rb") as other:
        while True:
            x, y = one.read(1 << 20), other.read(1 << 20)
            if not x and not y:
                return most, count
            if x == y:
                continue
            p, q = array.array("H" if wide else "B", x), array.array("H" if wide else "B", y)
            apart = [abs(m - n) for m, n in zip(p, q)]
            most = max(most, max(apart, default=0))
            count += sum(d > 0 for d in apart)


def compare(frames, clips):
    agreed, refused, failed = [], [], []
    for name in sorted(os.listdir(clips)):
        clip = f"{clips}/{name}"
        with tempfile.TemporaryDirectory() as folder:
            status, lines, seconds, kib, err = ours(frames, clip, f"{folder}/ours")
            rows = [line.split() for line in lines if line.startswith("frame ")]
            lost = sum(int(line.split()[1]) for line in lines if line.startswith("lost "))
            last = lines[-1] if lines else ""
            kind = next((line[line.rindex("("):] for line in lines if line.startswith("source ")), "")
            if status != 0:
                failed.append(name)
                print(f"FAIL {name}: status {status}, {err.strip()[-200:]}")
                continue
            if not rows:
                refused.append(name)
                print(f"     {name}: {last[6:]}")
                continue
            wide = int(rows[0][6]) > 255
            times, said = theirs(clip, wide, f"{folder}/theirs")
            if times is None:
                failed.append(name)
                print(f"FAIL {name}: {len(rows)} frames here, none by ffmpeg: {said.strip()[-200:]}")
                continue
            width, height = int(rows[0][3]), int(rows[0][4])
            size = width * height * (2 if wide else 1)
            counts = (len(rows), len(times), os.path.getsize(f"{folder}/ours") // size, os.path.getsize(f"{folder}/theirs") / size)
            apart = max(abs(float(row[2]) - (t - times[0])) for row, t in zip(rows, times))
            most, differ = largest_difference(f"{folder}/ours", f"{folder}/theirs", wide) if len(set(counts)) == 1 else (None, None)
            jpeg = "JPEG" in kind
            # Of a clip that is cut short both give what is whole, and it is said here where it ends.
            whole = last == "end" and not lost or "is cut short at byte" in last
            alike = most is not None and (most <= (1 if jpeg else 0) or name in MADE_UP)
            good = len(set(counts)) == 1 and apart <= TIME_TOLERANCE_S and alike and whole
            (agreed if good else failed).append(name)
            print(f"{'ok  ' if good else 'FAIL'} {name}: {len(rows)} frames {width} x {height} {kind}, times {apart:.1e} s apart, "
                  f"levels {most} apart ({differ} differ), {seconds:.2f} s, {kib >> 10} MiB"
                  + ("" if good else f"; counts {counts}, {lost} lost, {last[:200]}; ffmpeg: {said.strip()[-200:]}"))
    print(f"{len(agreed)} clips agree, {len(refused)} are refused in a sentence, {len(failed)} fail")
    return failed


def hurt(data, chance):
    """A hurt variant, and how."""
    data = bytearray(data)
    at = chance.randrange(len(data))
    # As often in the first kilobytes, where the boxes of many files are, as anywhere.
    if chance.random() < 0.3:
        at = chance.randrange(min(len(data), 4096))
    way = chance.choice(["cut", "byte", "bytes", "zeros", "taken", "doubled"])
    if way == "cut":
        del data[at:]
    elif way == "byte":
        data[at] ^= 1 << chance.randrange(8)
    elif way == "bytes":
        for _ in range(chance.choice([4, 30, 300])):
            data[chance.randrange(len(data))] = chance.randrange(256)
    elif way == "zeros":
        data[at:at + 500] = bytes(len(data[at:at + 500]))
    elif way == "taken":
        del data[at:at + chance.choice([1, 7, 512])]
    else:
        data[at:at] = data[at:at + 64]
    return bytes(data), f"{way} at {at}"


def damage(frames, clips, count):
    names = [n for n in sorted(os.listdir(clips)) if os.path.getsize(f"{clips}/{n}") < 700_000]
    chance = random.Random(1)
    failed, ends, slowest, largest = [], {}, 0, 0
    for n in range(count):
        name = names[n % len(names)]
        data, how = hurt(open(f"{clips}/{name}", "rb").read(), chance)
        with tempfile.NamedTemporaryFile(suffix=os.path.splitext(name)[1]) as file:
            file.write(data)
            file.flush()
            status, lines, seconds, kib, err = ours(frames, file.name)
        last = lines[-1] if lines else ""
        good = status == 0 and (last == "end" or last.startswith("error ")) and seconds < MOST_SECONDS and kib < MOST_KIB
        good = good and (last == "end" or (len(last) > 25 and "; " in last)) and "panicked" not in err
        lost = any(line.startswith("lost ") for line in lines)
        end = "a sentence" if last != "end" else "gaps" if lost else "all frames"
        ends[end] = ends.get(end, 0) + 1
        slowest, largest = max(slowest, seconds), max(largest, kib)
        if not good:
            failed.append(name)
            print(f"FAIL {name}, {how}: status {status}, {seconds:.1f} s, {kib >> 10} MiB, {last[:200]} {err.strip()[-300:]}")
    print(f"{count} hurt clips of {len(names)}: {ends}; slowest {slowest:.1f} s, largest {largest >> 10} MiB, {len(failed)} fail")
    return failed


def main():
    frames, clips = sys.argv[1:3]
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    failed = []
    if "--only-damage" not in sys.argv:
        failed += compare(frames, clips)
    for flag in ("--damage", "--only-damage"):
        if flag in sys.argv:
            failed += damage(frames, clips, int(sys.argv[sys.argv.index(flag) + 1]))
    sys.exit(1 if failed else 0)


main()
