#!/usr/bin/env python3
"""Makes what the guest's cameras show out of practice footage: feed.py CLIP.y4m CLIP.avi FOLDER

lines.y4m, lines.yuyv, lines.grey   the middle of the clip's frames, grey in limited range, the same levels in all three
bad.avi                             the same with every 5th picture cut off in its middle, every 7th with 200 bytes overwritten
bad.json                            which pictures of bad.avi are bad
"""

import json
import random
import struct
import sys

WIDTH, HEIGHT = 320, 240


def frames_of_y4m(path):
    with open(path, "rb") as file:
        head = file.readline().split()
        width = int(next(p[1:] for p in head if p.startswith(b"W")))
        height = int(next(p[1:] for p in head if p.startswith(b"H")))
        while file.readline():
            yield width, height, file.read(width * height)


def middle(width, height, luma):
    left, top = (width - WIDTH) // 2, (height - HEIGHT) // 2
    rows = (luma[(top + y) * width + left:][:WIDTH] for y in range(HEIGHT))
    # Levels of limited range, so that neither file nor camera has to guess: 16 is black, 235 white.
    table = bytes(16 + (v * 219 + 127) // 255 for v in range(256))
    return b"".join(rows).translate(table)


def chunks_of_avi(data, start, end):
    at = start
    while at + 8 <= end:
        kind, size = data[at:at + 4], struct.unpack("<I", data[at + 4:at + 8])[0]
        body = at + 8
        if kind in (b"RIFF", b"LIST"):
            yield from chunks_of_avi(data, body + 4, min(body + size, end))
        elif kind[2:] == b"dc":
            yield data[body:body + size]
        at = body + size + size % 2


def write_chunks(path, pictures):
    body = b"".join(b"00dc" + struct.pack("<I", len(p)) + p + b"\0" * (len(p) % 2) for p in pictures)
    movi = b"LIST" + struct.pack("<I", len(body) + 4) + b"movi" + body
    with open(path, "wb") as file:
        file.write(b"RIFF" + struct.pack("<I", len(movi) + 4) + b"AVI " + movi)


def main(y4m, avi, folder):
    with open(f"{folder}/lines.y4m", "wb") as plain, open(f"{folder}/lines.yuyv", "wb") as yuyv, \
            open(f"{folder}/lines.grey", "wb") as grey:
        plain.write(b"YUV4MPEG2 W%d H%d F25:1 Ip A1:1 Cmono XCOLORRANGE=LIMITED\n" % (WIDTH, HEIGHT))
        for width, height, luma in frames_of_y4m(y4m):
            luma = middle(width, height, luma)
            plain.write(b"FRAME\n" + luma)
            grey.write(luma)
            both = bytearray(b"\x80" * (2 * len(luma)))
            both[::2] = luma
            yuyv.write(both)
    with open(avi, "rb") as file:
        data = file.read()
    pictures = list(chunks_of_avi(data, 0, len(data)))
    random.seed(1)
    bad = {}
    for n, picture in enumerate(pictures):
        if n % 5 == 4:
            pictures[n], bad[n] = picture[:len(picture) // 2], "cut"
        elif n % 7 == 6:
            broken = bytearray(picture)
            middle_at = len(broken) // 2
            broken[middle_at:middle_at + 200] = random.randbytes(200)
            pictures[n], bad[n] = bytes(broken), "overwritten"
    write_chunks(f"{folder}/bad.avi", pictures)
    with open(f"{folder}/bad.json", "w") as file:
        json.dump(bad, file)


main(*sys.argv[1:])
