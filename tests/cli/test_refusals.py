# SPDX-License-Identifier: GPL-3.0-or-later
"""Bad input of every kind: one message that says what is wrong, the right status, no file."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from dsp.cli.app import run
from tests.cli import takes


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return takes.write(tmp_path / "good.wav", takes.strokes(1.0))


@pytest.fixture
def one(tmp_path: Path) -> Path:
    path = tmp_path / "one.yaml"
    path.write_text(takes.ONE)
    return path


def refused(capsys, tmp_path: Path, *arguments: object, status: int) -> str:
    """Run, expect `status`, an untouched output folder and one message; return the message."""
    out = tmp_path / "out"
    before = sorted(out.iterdir()) if out.is_dir() else None
    assert run(["render", *map(str, arguments), "-o", str(out)]) == status
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("drumprint: ")
    assert "Traceback" not in printed.err
    assert (sorted(out.iterdir()) if out.is_dir() else None) == before
    return printed.err


def not_finite(path: Path) -> None:
    samples = takes.strokes(1.0)
    samples[1234, 0] = np.nan
    sf.write(path, samples, takes.RATE, subtype="FLOAT")


def truncated(path: Path) -> None:
    takes.write(path, takes.strokes(1.0))
    path.write_bytes(path.read_bytes()[:-1000])


def no_frames(path: Path) -> None:
    sf.write(path, np.zeros((0, 1)), takes.RATE, subtype="PCM_24")


UNUSABLE = {
    "missing": (lambda path: None, ["no such file"]),
    "text": (lambda path: path.write_text("not audio at all, just text"), ["first bytes", "WAV"]),
    "empty": (lambda path: path.write_bytes(b""), ["empty file"]),
    "folder": (lambda path: path.mkdir(), ["a folder"]),
    "truncated": (truncated, ["truncated"]),
    "no frames": (no_frames, ["0 frames", "at least 1 frame"]),
    "NaN": (not_finite, ["nan", "sample 1234", "channel 1"]),
    "8 kHz": (
        lambda path: sf.write(path, np.zeros(800), 8000, subtype="PCM_16"),
        ["8000 Hz", "44100 to 192000"],
    ),
}


@pytest.mark.parametrize("kind", UNUSABLE)
def test_unusable_audio_ends_with_3_and_names_file_and_place(capsys, tmp_path, one, kind):
    make, words = UNUSABLE[kind]
    bad = tmp_path / "bad.wav"
    make(bad)
    message = refused(capsys, tmp_path, one, f"top={bad}", status=3)
    assert str(bad) in message
    assert "accepted: " in message
    for word in words:
        assert word in message


@pytest.mark.parametrize(
    ("rate", "seconds", "words"),
    [(44_100, 3.0, ["44100 Hz", "48000 Hz"]), (48_000, 2.0, ["96000 frames", "144000 frames"])],
)
def test_tracks_that_do_not_belong_together_are_both_named(capsys, tmp_path, rate, seconds, words):
    files = takes.pair(tmp_path)
    other = takes.write(tmp_path / "other.wav", takes.strokes(seconds, rate), rate)
    message = refused(
        capsys,
        tmp_path,
        tmp_path / "pair.yaml",
        f"top={files['top']}",
        f"bottom={other}",
        status=3,
    )
    for word in (str(files["top"]), str(other), *words):
        assert word in message


def recipe(step: str) -> str:
    return f"drumprint: 1\ntracks:\n  top:\n    steps:\n      - {step}\n"


BOMB = "drumprint: 1\na: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join([f'*{before}'] * 9)}]\n"
    for before, name in zip("abcdefg", "bcdefgh", strict=True)
)
WRONG = {
    "unknown step": (recipe("levle: {gain: 1 dB}"), ["levle", "level", "line 5"]),
    "unknown setting": (recipe("level: {gian: 1 dB}"), ["gian", "gain", "line 5"]),
    "out of range": (recipe("level: {gain: 90 dB}"), ["90 dB", "-60 to 24 dB", "line 5"]),
    "wrong unit": (recipe("level: {gain: 3 ms}"), ["3 ms", "dB", "line 5"]),
    "duplicate key": (recipe("level: {gain: 1 dB, gain: 2 dB}"), ["gain", "line 5"]),
    "bomb": (BOMB, ["accepted"]),
    "newer format": (takes.ONE.replace("drumprint: 1", "drumprint: 2"), ["2", "newer", "line 1"]),
    "not YAML": ("tracks: [", ["line"]),
    "empty": ("", []),
}


@pytest.mark.parametrize("kind", WRONG)
@pytest.mark.parametrize("command", ["check", "render"])
def test_a_wrong_recipe_ends_with_2_and_says_where(capsys, tmp_path, good, kind, command):
    text, words = WRONG[kind]
    path = tmp_path / "wrong.yaml"
    path.write_text(text)
    if command == "check":
        assert run(["check", str(path)]) == 2
        message = capsys.readouterr().err
    else:
        message = refused(capsys, tmp_path, path, f"top={good}", status=2)
    for word in (str(path), *words):
        assert word in message


def test_all_faults_of_a_recipe_are_told_at_once(capsys, tmp_path):
    path = tmp_path / "wrong.yaml"
    path.write_text(recipe("level: {gain: 90 dB, polarity: sideways}") + "      - gaet\n")
    assert run(["check", str(path), "--json"]) == 2
    printed = capsys.readouterr()
    error = json.loads(printed.out)["error"]
    assert error["kind"] == "RecipeError"
    assert [fault["line"] for fault in error["faults"]] == [5, 5, 6]


def test_a_track_the_recipe_does_not_know_is_named_with_those_it_does(capsys, tmp_path):
    files = takes.pair(tmp_path)
    message = refused(
        capsys,
        tmp_path,
        tmp_path / "pair.yaml",
        f"top={files['top']}",
        f"botom={files['bottom']}",
        status=2,
    )
    for word in ("botom", "did you mean bottom", "top=FILE, bottom=FILE"):
        assert word in message


def test_a_track_too_many_is_not_taken_for_one_that_is_there(capsys, tmp_path):
    files = [f"{track}={path}" for track, path in takes.pair(tmp_path).items()]
    extra = files[0].replace("top=", "bottle=")
    message = refused(capsys, tmp_path, tmp_path / "pair.yaml", *files, extra, status=2)
    assert "found track bottle" in message
    assert "did you mean" not in message


@pytest.mark.parametrize("argument", ["top", "=file.wav", "top="])
def test_what_is_no_track_argument_is_refused(capsys, tmp_path, one, argument):
    assert "TRACK=FILE" in refused(capsys, tmp_path, one, argument, status=2)


@pytest.mark.parametrize("name", ["a/b", "..", "hits", "con", " x"])
def test_a_track_name_that_is_no_file_name_is_refused(capsys, tmp_path, one, good, name):
    assert "accepted" in refused(capsys, tmp_path, one, f"{name}={good}", status=2)


def test_a_track_given_twice_is_refused(capsys, tmp_path, one, good):
    assert "twice" in refused(capsys, tmp_path, one, f"top={good}", f"top={good}", status=2)


def test_an_unknown_ready_chain_is_answered_with_the_nearest(capsys, tmp_path, good):
    assert "did you mean snare_top?" in refused(
        capsys, tmp_path, "snare_tip", f"top={good}", status=2
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ["rendr"],
        ["render"],
        ["check"],
        ["demo", "--seconds", "0"],
        ["--no-such"],
        ["render", "x", "a=b"],
    ],
)
def test_a_wrong_command_line_ends_with_2(capsys, arguments):
    assert run(arguments) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("drumprint: ") == 1


@pytest.mark.parametrize(("start", "stop"), [("2", "3"), ("0.5", "0.5"), ("0.6", "0.2")])
def test_a_picture_outside_the_take_is_refused(capsys, tmp_path, one, good, start, stop):
    message = refused(capsys, tmp_path, one, f"top={good}", "--from", start, "--to", stop, status=2)
    assert "0 to 1.000 s" in message


def test_existing_output_stays_and_is_named(capsys, tmp_path, one, good):
    (tmp_path / "out").mkdir()
    existing = tmp_path / "out/top.wav"
    existing.write_text("mine")
    message = refused(capsys, tmp_path, one, f"top={good}", status=1)
    assert str(existing) in message
    assert existing.read_text() == "mine"


def test_the_input_is_never_the_output(capsys, tmp_path, one):
    (tmp_path / "out").mkdir()
    source = takes.write(tmp_path / "out/top.wav", takes.strokes(1.0))
    before = source.read_bytes()
    message = refused(capsys, tmp_path, one, f"top={source}", "--overwrite", status=2)
    assert str(source) in message
    assert source.read_bytes() == before


def test_a_folder_that_cannot_be_written_is_named_before_the_work(capsys, tmp_path, one, good):
    # The kernel's own file system takes no folder from anybody, not even from root.
    folder = Path("/proc/drumprint")
    if not folder.parent.is_dir():
        folder = tmp_path / "read only"
        folder.mkdir(mode=0o555)
    assert run(["render", str(one), f"top={good}", "-o", str(folder)]) == 1
    message = capsys.readouterr().err
    assert str(folder) in message
    assert "cannot be written" in message


def test_a_file_where_the_folder_should_be_is_named(capsys, tmp_path, one, good):
    (tmp_path / "out").write_text("a file")
    assert run(["render", str(one), f"top={good}", "-o", str(tmp_path / "out")]) == 1
    assert "found a file; accepted: a folder" in capsys.readouterr().err
    assert (tmp_path / "out").read_text() == "a file"


def test_a_full_disk_leaves_nothing(capsys, tmp_path, one, good, monkeypatch):
    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    assert "No space left" in refused(capsys, tmp_path, one, f"top={good}", status=1)
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(shutil.which("bash") is None, reason="limits are set by bash")
def test_a_file_that_may_not_grow_leaves_nothing(tmp_path, one, good):
    command = [sys.executable, "-m", "dsp.cli", "render", str(one), f"top={good}"]
    limited = ["bash", "-c", 'ulimit -f 32; exec "$@"', "-", *command, "-o", str(tmp_path / "out")]
    done = subprocess.run(limited, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "File too large" in done.stderr
    assert not (tmp_path / "out").exists()


def test_json_errors_are_one_object(capsys, tmp_path, one):
    arguments = ["render", str(one), f"top={tmp_path / 'none.wav'}", "-o", str(tmp_path / "o")]
    assert run([*arguments, "--json"]) == 3
    printed = capsys.readouterr()
    error = json.loads(printed.out)["error"]
    assert (error["kind"], error["status"]) == ("AudioError", 3)
    assert error["message"] in printed.err


def test_a_fault_of_the_program_is_one_message(capsys, tmp_path, one, good, monkeypatch):
    import dsp.rendering

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("oops")

    monkeypatch.setattr(dsp.rendering, "render", broken)
    message = refused(capsys, tmp_path, one, f"top={good}", status=1)
    assert "internal fault, ZeroDivisionError: oops" in message


def test_debug_shows_where(capsys, tmp_path, one):
    assert run(["--debug", "render", str(one), "top=none", "-o", str(tmp_path / "o")]) == 3
    assert "Traceback" in capsys.readouterr().err


def test_a_plugin_needs_leave_and_a_file(capsys, tmp_path):
    recipe = tmp_path / "plugin.yaml"
    recipe.write_text(
        "drumprint: 1\ntracks:\n  top:\n    steps:\n      - insert: {plugin: none.vst3}\n"
    )
    take = takes.write(tmp_path / "top.wav", takes.strokes(1.0))
    asked = ["render", str(recipe), f"top={take}", "-o", str(tmp_path / "out")]
    assert run(["check", str(recipe)]) == 0
    assert run(asked) == 2
    assert "--allow-plugins" in capsys.readouterr().err
    assert run([*asked, "--allow-plugins"]) == 2
    assert "none.vst3: no such plug-in file" in capsys.readouterr().err
    (tmp_path / "bad.vst3").write_bytes(b"no plug-in")
    recipe.write_text(recipe.read_text().replace("none.vst3", str(tmp_path / "bad.vst3")))
    assert run([*asked, "--allow-plugins"]) == 1
    assert "bad.vst3: cannot be loaded as a plug-in" in capsys.readouterr().err
    assert not list((tmp_path / "out").glob("*"))
