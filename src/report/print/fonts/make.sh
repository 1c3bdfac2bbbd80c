#!/usr/bin/env bash
# Makes the three fonts of the printed report anew: Noto Sans with the letters of Europe's languages, Greek and Cyrillic,
# and the few signs of arithmetic that only Noto Sans Math has. Unhinted; 37 kB each.
# Sources: Debian 12, package fonts-noto-core 20201225-1 (SIL Open Font Licence 1.1, see OFL.txt); PyPI fonttools 4.59.0.
# Use: ./make.sh FOLDER, with FOLDER holding the package's NotoSans-*.ttf and NotoSansMath-Regular.ttf, and pyftsubset on the PATH.
set -euo pipefail
from=$1
here=$(cd "$(dirname "$0")" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
letters="U+0020-007E,U+00A0-017F,U+0384-03CE,U+03D1,U+03D5,U+0400-045F,U+1E9E,U+2010-2015,U+2018-201E,U+2020-2022,U+2026,U+2030,U+2032-2033,U+2039-203A,U+2044,U+2070-2071,U+2074-208E,U+20AC,U+2103,U+2116,U+2122,U+2126,U+212B,U+FFFD"
signs="U+2190-2193,U+2202,U+2206,U+2211,U+2212,U+221A,U+221E,U+2248,U+2260,U+2264,U+2265"
plain=(--layout-features= --no-hinting --drop-tables+=GSUB,GPOS,GDEF,kern,MATH)
pyftsubset "$from/NotoSansMath-Regular.ttf" --unicodes="$signs" "${plain[@]}" --output-file="$work/signs.ttf"
for face in Regular Bold Italic; do
    pyftsubset "$from/NotoSans-$face.ttf" --unicodes="$letters" "${plain[@]}" --name-IDs='*' --notdef-outline --output-file="$work/$face.ttf"
    python3 - "$work/$face.ttf" "$work/signs.ttf" "$here/sheet-${face,,}.ttf" <<'P'
import sys
from fontTools.merge import Merger
from fontTools.ttLib import TTFont
letters, signs, out = sys.argv[1:]
merged = Merger().merge([letters, signs])
merged["name"] = TTFont(letters)["name"]
merged.save(out)
P
done
