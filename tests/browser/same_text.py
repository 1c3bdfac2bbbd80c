#!/usr/bin/env python3
"""Whether a report's PDF says all that its page says: every word of the page, as often as there, is in what pdftotext reads.

    python3 same_text.py REPORT.html REPORT.pdf

Needs Python 3 and poppler's pdftotext; no packages. Exit status 1 and the words where some are missing.
"""

import re
import subprocess
import sys
from collections import Counter
from html.parser import HTMLParser


class Words(HTMLParser):
    """Words that are printed: not the ways about the page, drawings, or what only screen readers say."""

    LEFT_OUT = {"head", "nav", "svg"}

    def __init__(self):
        super().__init__()
        self.open = []
        self.text = []

    def handle_starttag(self, tag, attributes):
        self.open.append((tag, "unseen" in (dict(attributes).get("class") or "").split()))
        # Cells and blocks part words, letters in italics and indices do not.
        if tag not in {"i", "b", "sub", "a", "span", "code"}:
            self.text.append(" ")

    def handle_startendtag(self, tag, attributes):
        pass

    def handle_endtag(self, tag):
        if self.open:
            self.open.pop()
        if tag not in {"i", "b", "sub", "a", "code"}:
            self.text.append(" ")

    def handle_data(self, data):
        if not any(tag in self.LEFT_OUT or unseen for tag, unseen in self.open):
            self.text.append(data)


def letters(text):
    """All letters and figures without spaces: where lines break does not matter."""
    return re.sub(r"\s+", "", text.replace("\u00a0", ""))


def main():
    page, sheets = sys.argv[1:]
    reader = Words()
    reader.feed(open(page, encoding="utf-8").read())
    wanted = Counter(word for word in "".join(reader.text).split() if len(letters(word)) > 3)
    read = subprocess.run(["pdftotext", "-raw", sheets, "-"], check=True, capture_output=True, text=True).stdout
    whole = letters(read)
    missing = [word for word, count in wanted.items() if whole.count(letters(word)) < count]
    # Words that are broken across lines in narrow columns are read in two places.
    broken = [word for word in missing if len(word) > 18]
    missing = [word for word in missing if word not in broken]
    if missing or len(broken) > 0.02 * sum(wanted.values()):
        sys.exit(f"not in the PDF: {missing[:20]} {broken[:20]}")
    print(f"{sum(wanted.values())} words of the page are in the PDF")


main()
