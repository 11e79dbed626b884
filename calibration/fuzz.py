"""Mutated photos and files by the thousand: each is measured, read or refused in words, and nothing crashes or hangs.

`python -m calibration.fuzz --count 20000` prints what came of them, by kind of file, and ends with 1 where a process
broke down, an exception got through, or something took longer than a minute. The seed corpus is made anew each time:
rendered shots in all formats, a print profile, size classes, a decks file, results and a journal. The same seed gives
the same mutations; `--keep DIR` saves the inputs that broke something.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from cardmeasure.batch.workers import Crash, work_through

TIME_LIMIT_S = 60.0
SHOTS = 4
WIDTH_PX, HEIGHT_PX, PX_PER_MM = 640, 480, 2.6
SUFFIXES = (".jpg", ".png", ".webp", ".tif", ".avif", ".heic")
TEXTS = {
    "print.toml": '[long_bar]\nreading_mm = 249.6\ninstrument = "steel-rule"\n\n[short_bar]\nreading_mm = 180.3\n'
    'u_mm = 0.1\n\n[calliper_across]\nreading_mm = 76.12\ninstrument = "calliper"\n',
    "classes.toml": 'enable = ["iso-b8"]\ndisable = []\n\n[[class]]\nid = "my-size"\nnames = ["mine"]\n'
    'cuts_mm = [[50, 75], [50.8, 76.2]]\nu_cut_mm = 0.2\nsource = "my own"\n',
    "decks.toml": '[[deck]]\nname = "Events"\nphotos = ["events/*"]\ncards = ["a.jpg#3"]\ncount = 110\n'
    'pile_height_mm = 34.5\ncard_thickness_mm = 0.31\nhandling = "often"\nleave_bare = false\n',
}
_INTERESTING = (b"\0", b"\xff", b"\xff\xff\xff\xff", b"\x80\0\0\0", b"-", b"nan", b"inf", b"1e999", b"9" * 400, b'"',
                b"\n", b"\xed\xa0\x80", b"[[", b"{}", b"null")  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Case:
    """One mutation: a file of the corpus, and the seed it is changed by."""

    source: Path
    seed: str


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line; returns its exit code."""
    parser = argparse.ArgumentParser(prog="python -m calibration.fuzz", description="Mutated photos and files.")
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", default="1")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--keep", type=Path, metavar="DIR", help="save inputs that broke something here")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        corpus = write_corpus(Path(folder))
        figures, broken = fuzz(corpus, count=options.count, seed=options.seed, processes=options.processes)
        for number, (case, crash) in enumerate(broken, start=1):
            print(f"{case.source.name} by seed {case.seed!r}: {crash.reason}", file=sys.stderr)
            if options.keep is not None:
                options.keep.mkdir(exist_ok=True, parents=True)
                (options.keep / f"{number}-{case.source.name}").write_bytes(mutated(case))
    print(json.dumps(figures) if options.json else _table(figures))
    return 1 if broken else 0


def fuzz(
    corpus: Sequence[Path], *, count: int, seed: str, processes: int
) -> tuple[dict[str, dict[str, int]], list[tuple[Case, Crash]]]:
    """Outcomes by kind of file, and the cases that broke something."""
    figures: dict[str, Counter[str]] = {}
    broken: list[tuple[Case, Crash]] = []
    for case, answer in work_through(
        outcome, _cases(corpus, count, seed), processes=processes, time_limit_s=TIME_LIMIT_S
    ):
        words = "BROKEN" if isinstance(answer, Crash) else answer
        figures.setdefault(case.source.suffix, Counter())[words] += 1
        if isinstance(answer, Crash):
            broken.append((case, answer))
    return {kind: dict(outcomes.most_common()) for kind, outcomes in sorted(figures.items())}, broken


def _cases(corpus: Sequence[Path], count: int, seed: str) -> Iterator[Case]:
    return (Case(source=corpus[i % len(corpus)], seed=f"{seed}-{i}") for i in range(count))


def write_corpus(folder: Path) -> list[Path]:
    """The seeds of all mutations, as files."""
    from cardmeasure.batch.journal import Journal, Key
    from cardmeasure.batch.measuring import Measured
    from cardmeasure.decks import summarised
    from cardmeasure.pipeline import measure_photo
    from cardmeasure.reports.json_results import results_json

    photos = list(_write_photos(folder))
    texts = [folder / name for name in TEXTS]
    for path in texts:
        path.write_text(TEXTS[path.name], encoding="utf-8")
    shots = [measure_photo(path) for path in photos[:: len(SUFFIXES)]]
    results, journal = folder / "results.json", folder / "results.journal"
    results.write_text(results_json(shots, decks=summarised(shots)), encoding="utf-8")
    with Journal(journal) as kept:
        for shot in shots:
            kept.put(Key(sha256=shot.sha256 or "", settings=""), Measured(shot=shot, small=b"\xff\xd8"))
    return [*photos, *texts, results, journal]


def _write_photos(folder: Path) -> Iterator[Path]:
    from calibration.rig.develop import develop
    from calibration.rig.groups import random_scene
    from calibration.rig.rendering import render
    from calibration.rig.shots import save_picture

    for seed in range(SHOTS):
        scene = random_scene("kind", 60 + seed, width=WIDTH_PX, height=HEIGHT_PX, px_per_mm=PX_PER_MM, cards=2)
        pixels = develop(render(scene, seed=seed), scene.post, camera=scene.camera, seed=seed)
        for suffix in SUFFIXES:
            path = folder / f"{seed}{suffix}"
            save_picture(pixels, path, scene.post)
            yield path


def outcome(case: Case) -> str:
    """What came of one mutated file, in a word; whatever it raises is a find."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / case.source.name
        path.write_bytes(mutated(case))
        return _READERS.get(case.source.name, _photo)(path)


def mutated(case: Case) -> bytes:
    """The file of a case, changed; of photos sometimes the picture instead of the file."""
    chance = random.Random(case.seed)
    data = _content(case.source)
    if case.source.suffix in SUFFIXES and chance.random() < 0.4:
        return _spoilt_picture(data, chance)
    for _ in range(chance.choice((1, 1, 2, 5, 20))):
        data = _changed(data, chance)
    return data


@lru_cache(maxsize=64)
def _content(path: Path) -> bytes:
    return path.read_bytes()


def _changed(data: bytes, chance: random.Random) -> bytes:
    """One change: bytes flipped, set, cut, left out, doubled, put in; mostly near the beginning, where structure is."""
    if not data:
        return chance.choice(_INTERESTING)
    reach = len(data) if chance.random() < 0.5 else min(len(data), 1200)
    at = chance.randrange(reach)
    length = chance.choice((1, 2, 4, 40, 1000))
    kind = chance.choice(("flip", "flip", "set", "cut", "omit", "double", "insert"))
    if kind == "cut":
        return data[:at]
    if kind == "omit":
        return data[:at] + data[at + length :]
    if kind == "double":
        return data[: at + length] + data[at:]
    if kind == "insert":
        return data[:at] + chance.choice(_INTERESTING) + data[at:]
    new = bytes([data[at] ^ (1 << chance.randrange(8))]) if kind == "flip" else chance.choice(_INTERESTING)
    return data[:at] + new + data[at + len(new) :]


def _spoilt_picture(data: bytes, chance: random.Random) -> bytes:
    """The picture decoded, spoilt in ways that a table and a phone can spoil it, or no one can, and saved anew."""
    import cv2

    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if pixels is None:  # a format that this decoder does not know
        return _changed(data, chance)
    rng = np.random.default_rng(chance.randrange(2**32))
    for _ in range(chance.randint(1, 4)):
        pixels = _spoilt(pixels, chance, rng)
    suffix, quality = chance.choice(((".png", 0), (".jpg", 90), (".jpg", 20), (".jpg", 3)))
    _, encoded = cv2.imencode(suffix, pixels, [cv2.IMWRITE_JPEG_QUALITY, quality] if quality else [])
    return encoded.tobytes()


def _spoilt(pixels: NDArray[np.uint8], chance: random.Random, rng: np.random.Generator) -> NDArray[np.uint8]:
    import cv2

    height, width = pixels.shape[:2]
    kind = chance.choice(("patch", "copy", "noise", "blur", "crop", "warp", "invert", "contrast", "stripes", "shrink"))
    x, y = chance.randrange(width), chance.randrange(height)
    w, h = chance.randint(1, width), chance.randint(1, height)
    out = pixels.copy()
    if kind == "patch":
        out[y : y + h, x : x + w] = rng.integers(0, 256, 3)
    elif kind == "copy":
        part = pixels[: min(h, height - y), : min(w, width - x)]
        out[y : y + part.shape[0], x : x + part.shape[1]] = part
    elif kind == "noise":
        out = np.clip(pixels + rng.normal(0, chance.choice((3, 30, 200)), pixels.shape), 0, 255)
    elif kind == "blur":
        out = cv2.GaussianBlur(pixels, (0, 0), chance.uniform(0.5, 12))
    elif kind == "crop" and min(w, h) > 40:
        out = pixels[y : y + h, x : x + w]
    elif kind == "warp":
        corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
        moved = corners + rng.uniform(-0.35, 0.35, (4, 2)).astype(np.float32) * (width, height)
        matrix = cv2.getPerspectiveTransform(corners, moved.astype(np.float32))
        out = cv2.warpPerspective(pixels, matrix, (width, height), borderMode=chance.choice((0, 1, 2)))
    elif kind == "invert":
        out = 255 - pixels
    elif kind == "contrast":
        out = np.clip(
            (pixels.astype(float) - 128) * chance.choice((0.02, 0.3, 8.0)) + chance.choice((0, 128, 255)), 0, 255
        )
    elif kind == "stripes":
        out[:: chance.randint(2, 9)] = rng.integers(0, 256, 3)
    elif kind == "shrink":
        factor = chance.choice((0.3, 0.7, 1.5))
        out = cv2.resize(pixels, None, fx=factor, fy=factor)
    return np.ascontiguousarray(out if out.size else pixels, np.uint8)


def _photo(path: Path) -> str:
    """Measured, and written in every form; or the code of its trouble."""
    from cardmeasure.batch.faces import faces_of
    from cardmeasure.photo import is_photo, read_photo
    from cardmeasure.pipeline import measure_photo
    from cardmeasure.reports.picture import small_jpeg

    is_photo(path)
    shot = measure_photo(path)
    _all_forms([shot])
    if shot.trouble is not None:
        return shot.trouble.code
    pixels = read_photo(path, max_megapixels=120.0).pixels_bgr
    small_jpeg(pixels, shot)
    faces_of(pixels, shot)
    return "measured"


def _all_forms(shots: Sequence[object]) -> None:
    from cardmeasure.batch.duplicates import with_duplicates
    from cardmeasure.decks import summarised
    from cardmeasure.reports.csv_results import results_csv
    from cardmeasure.reports.json_lines import results_json_lines
    from cardmeasure.reports.json_results import results_json
    from cardmeasure.reports.reading_json import parse_results
    from cardmeasure.reports.terminal_decks import decks_text
    from cardmeasure.reports.terminal_table import shot_text, summary_text

    marked = with_duplicates([*shots, *(replace(shot, file="again") for shot in shots)])  # type: ignore[call-overload]
    decks = summarised(marked)
    assert len(parse_results(results_json(marked, decks=decks))) == len(marked)
    results_csv(marked)
    results_json_lines(marked)
    assert all(line.isprintable() for shot in marked for line in shot_text(shot).split("\n"))
    assert all(line.isprintable() for line in (summary_text(marked) + decks_text(decks)).split("\n"))


def _print_profile(path: Path) -> str:
    from cardmeasure.errors import UsageError
    from cardmeasure.reference.print_profile import read_print_profile

    try:
        read_print_profile(path)
    except UsageError as error:
        return _refused(error)
    return "read"


def _classes(path: Path) -> str:
    from cardmeasure.classes import match_size, read_classes
    from cardmeasure.errors import UsageError

    try:
        table = read_classes(path)
    except UsageError as error:
        return _refused(error)
    match_size(63.0, 88.0, u_width_mm=0.05, u_height_mm=0.05, correlation=0.0, classes=table)
    return "read"


def _decks(path: Path) -> str:
    from cardmeasure.decks import read_decks, summarised
    from cardmeasure.errors import UsageError

    try:
        summarised([], decks=read_decks(path))
    except UsageError as error:
        return _refused(error)
    return "read"


def _results(path: Path) -> str:
    from cardmeasure.classes import standard_classes
    from cardmeasure.decks import summarised
    from cardmeasure.errors import UsageError
    from cardmeasure.reports.html_report import html_report
    from cardmeasure.reports.reading_json import read_document

    try:
        document = read_document(path)
    except UsageError as error:
        return _refused(error)
    decks = summarised(document.shots, decks=document.decks)
    html_report(document.shots, decks=decks, classes=standard_classes())
    _all_forms(document.shots)
    return "read"


def _journal(path: Path) -> str:
    from cardmeasure.batch.journal import Journal, Key, small_pictures
    from cardmeasure.batch.measuring import Measured
    from cardmeasure.errors import CannotWriteError
    from cardmeasure.results import ShotResult

    with small_pictures(path) as picture:
        picture("0" * 64)
    shot = ShotResult(file="a", sha256=None, trouble=None, flags=(), photo=None, reference=None, cards=())
    try:
        with Journal(path) as journal:
            len(journal)
            journal.put(Key(sha256="0" * 64, settings=""), Measured(shot=shot))
            journal.get(Key(sha256="0" * 64, settings=""))
    except CannotWriteError as error:
        return _refused(error)
    return "read"


def _refused(error: Exception) -> str:
    assert "\n" not in str(error), "a refusal is one line"
    return "refused"


_READERS = {
    "print.toml": _print_profile,
    "classes.toml": _classes,
    "decks.toml": _decks,
    "results.json": _results,
    "results.journal": _journal,
}


def _table(figures: dict[str, dict[str, int]]) -> str:
    rows = [
        f"{kind:<10}{sum(outcomes.values()):>7}  " + ", ".join(f"{count} {words}" for words, count in outcomes.items())
        for kind, outcomes in figures.items()
    ]
    total = sum(count for outcomes in figures.values() for count in outcomes.values())
    broken = sum(outcomes.get("BROKEN", 0) for outcomes in figures.values())
    return "\n".join([*rows, f"{'in all':<10}{total:>7}  {broken} broken"])


if __name__ == "__main__":
    sys.exit(main())
