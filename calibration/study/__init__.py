"""The accuracy study: renders shots of every group once, measures them, and writes how far results are from the truth.

`python -m calibration.study` runs it; `command` is its command line. Data flows from `planning` and `cache` (pictures)
by `measuring` and `textbook` (what each method finds) to `scoring`, `figures` and `bootstrap` (errors and counts), and
from there to `report` and `plots`.
"""
