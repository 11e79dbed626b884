"""`print-scale`, `lens` and bank cards at the command line: files written, answers asked for, mistakes named."""

from __future__ import annotations

import io
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from calibration.rig.scene import Post
from calibration.rig.shots import exif_of
from cardmeasure.cli import app, main
from cardmeasure.lens.profile import read_lens_profiles
from cardmeasure.reference.print_profile import read_print_profile
from tests.command.runs import environment

BARS = ["--long-bar", "249.6", "--short-bar", "180,3"]


def test_readings_become_a_profile_that_can_be_read_and_what_they_mean_is_said(tmp_path: Path) -> None:
    out = tmp_path / "print.toml"
    run = CliRunner().invoke(app, ["print-scale", str(out), *BARS, "--calliper-across", "76.13 mm"])
    assert run.exit_code == 0, run.output
    profile = read_print_profile(out)
    assert profile.source == "entered"
    assert profile.scale_y == pytest.approx(249.6 / 250, abs=1e-4)
    assert 'instrument = "calliper"' in out.read_text(encoding="utf-8")
    assert "99.84 %" in run.output and "JIS B 7516" in run.output and "DIN 862" in run.output
    assert max(map(len, run.output.splitlines()[1:])) <= 80


def test_an_own_uncertainty_goes_before_the_instruments(tmp_path: Path) -> None:
    out = tmp_path / "p.toml"
    run = CliRunner().invoke(app, ["print-scale", str(out), *BARS, "--u-reading", "0.05", "--read-with", "ruler"])
    assert run.exit_code == 0, run.output
    assert read_print_profile(out).u_scale_y == pytest.approx(0.05 / 250)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--long-bar", "99"], "--long-bar is 99 mm; it must be within 10 %"),
        (["--long-bar", "a lot"], "--long-bar is 'a lot'; it must be a length in millimetres"),
        (["--long-bar", "nan"], "--long-bar is nan mm"),
        ([*BARS, "--diagonal", "251.9"], "the diagonal is"),
        ([*BARS, "--u-reading", "9"], "--u-reading is 9"),
        (["--long-bar", "239.6", "--short-bar", "180.3"], "long_bar is 4.2 % shorter than the 250 mm"),
        (["--long-bar", "246.5", "--short-bar", "180.3"], "printers differ by less"),
        ([], "no reading was given"),
    ],
)
def test_a_mistake_is_one_sentence_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], words: str
) -> None:
    out = tmp_path / "print.toml"
    assert main(["print-scale", str(out), *options]) == 2
    said = capsys.readouterr().err
    assert words in said and said.count("\n") == 1
    assert not out.exists()


def test_a_profile_that_is_there_is_kept_unless_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "print.toml"
    out.write_text("mine", encoding="utf-8")
    assert main(["print-scale", str(out), *BARS]) == 2
    assert "--replace" in capsys.readouterr().err and out.read_text(encoding="utf-8") == "mine"
    assert main(["print-scale", str(out), *BARS, "--replace"]) == 0
    assert read_print_profile(out).source == "entered"


def test_in_a_terminal_it_asks_and_asks_again(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "cardmeasure", "print-scale", "p.toml"],
        cwd=tmp_path, env=environment(), stdin=theirs, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    os.write(ours, b"wood\nruler\n249,5\nabc\n180.2\n\n\n\n")
    said, _ = process.communicate(timeout=60)
    os.close(ours)
    os.close(theirs)
    assert process.returncode == 0, said
    assert "Answer steel-rule or ruler." in said and "'abc'" in said and "p.toml: written (2 readings)" in said
    profile = read_print_profile(tmp_path / "p.toml")
    assert profile.scale_x == pytest.approx(180.2 / 180, abs=1e-6)


@pytest.mark.parametrize("long_bar", ["239.6", "246.5"])
def test_who_insists_is_believed(tmp_path: Path, long_bar: str) -> None:
    out = tmp_path / "print.toml"
    assert main(["print-scale", str(out), "--long-bar", long_bar, "--short-bar", "180.3", "--insist"]) == 0
    assert read_print_profile(out).scale_y == pytest.approx(float(long_bar) / 250, abs=1e-3)


def asked(tmp_path: Path, answers: list[str]) -> tuple[int, str]:
    """Exit code and output of `print-scale p.toml` in a terminal where these answers are given."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "cardmeasure", "print-scale", "p.toml"],
        cwd=tmp_path, env=environment(), stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    os.write(ours, ("\n".join(answers) + "\n").encode())
    said, _ = process.communicate(timeout=60)
    os.close(ours)
    os.close(theirs)
    return process.returncode, said


def test_far_readings_are_asked_for_again_and_taken_when_they_stay(tmp_path: Path) -> None:
    bars = ["steel-rule", "239.6", "172.9", "", "", ""]
    code, said = asked(tmp_path, bars + bars)
    assert code == 0 and said.count("Answer once more; the same answers are taken then.") == 1
    assert read_print_profile(tmp_path / "p.toml").scale_y == pytest.approx(239.6 / 250, abs=1e-3)


def test_a_slip_is_asked_for_again_and_put_right(tmp_path: Path) -> None:
    code, said = asked(
        tmp_path,
        ["ruler", "239.6", "180.3", "", "", "", "steel-rule", "249.6", "180.3", "252", "", "",
         "steel-rule", "249.6", "180.3", "250", "", ""],
    )  # fmt: skip
    assert code == 0, said
    assert "long_bar is 4.2 % shorter" in said and "leave the doubtful one out" in said
    assert read_print_profile(tmp_path / "p.toml").scale_y == pytest.approx(249.6 / 250, abs=1e-3)


def photos_of_one_phone(source: Path, folder: Path, *, qualities: tuple[int, ...]) -> None:
    """The same picture, saved with several qualities, each naming its camera."""
    folder.mkdir()
    for quality in qualities:
        data = io.BytesIO()
        Image.open(source).save(data, "JPEG", quality=quality, exif=exif_of(Post(model="Fjordlys P7")).tobytes())
        (folder / f"{quality}.jpg").write_bytes(data.getvalue())


def test_a_lens_is_learned_from_three_photos_used_and_refused_for_another_phone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sample = Path(__file__).parents[2] / "sample_images/demo_box/photos/crew.jpg"
    photos_of_one_phone(sample, tmp_path / "shots", qualities=(95, 90, 85))
    out = tmp_path / "lens.toml"
    options = ["--out", str(out), "--processes", "0"]
    assert main(["lens", str(tmp_path / "shots"), *options]) == 0
    assert "from 3 photos" in " ".join(capsys.readouterr().out.split())
    (profile,) = read_lens_profiles(out)
    assert (profile.identity.model, profile.shots) == ("Fjordlys P7", 3)
    assert main(["measure", str(tmp_path / "shots/95.jpg"), str(sample), "--lens", str(out), "--processes", "0"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "lens profile of Fjordlys P7 at 26 mm, from 3 shots" in said
    assert "lens profile not used: the profile is of another camera" in said
    assert main(["lens", str(tmp_path / "shots"), *options]) == 2
    assert "--replace" in capsys.readouterr().err


def test_too_few_photos_make_no_lens_and_say_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "shots").mkdir()
    out = tmp_path / "lens.toml"
    assert main(["lens", str(tmp_path / "shots"), "--out", str(out), "--processes", "0"]) == 2
    said = capsys.readouterr().err
    assert "needs 3 photos of one phone" in said and "1 photo refused" in said
    assert not out.exists()


def test_a_bank_card_gives_the_scale_unless_told_otherwise(capsys: pytest.CaptureFixture[str]) -> None:
    sample = str(Path(__file__).parents[2] / "sample_images/no_readings/bank_card.jpg")
    assert main(["measure", sample, "--processes", "0"]) == 0
    assert "print scale from a bank card" in capsys.readouterr().out
    assert main(["measure", sample, "--processes", "0", "--no-bank-card"]) == 0
    said = capsys.readouterr().out
    assert "print scale assumed" in said and "scale-assumed" in said and "bank-card-used" not in said
