# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint compare`: its files, what they hold, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from dsp.audio import bext_time_reference, read_track
from dsp.cli.app import run
from dsp.compare.loudness import loudness
from dsp.true_peak import true_peak_dbtp
from tests.cli import takes

SOFT = """\
drumprint: 1
tracks:
  top:
    steps:
      - gate: {open_at: -30 dB, close_at: -36 dB, range: 40 dB}
      - level: {gain: -7 dB}
"""
PRINT = [f"{t}{end}" for t in ("top", "bottom") for end in (".curves.npz", ".lanes.png", ".wav")]


def compare(folder: Path, *arguments: str, out: str = "cmp") -> int:
    files = [f"{name}={folder / f'{name}_in.wav'}" for name in ("top", "bottom")]
    return run(["compare", *arguments, *files, "-o", str(folder / out)])


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two recipes and a ready pair of files over a take of two tracks."""
    folder = tmp_path_factory.mktemp("take")
    takes.pair(folder)
    (folder / "soft.yaml").write_text(SOFT)
    for name in ("top", "bottom"):
        samples = read_track(folder / f"{name}_in.wav").samples
        takes.write(folder / f"{name}_mine.wav", np.tanh(3 * samples) / 3, subtype="float32")
    ready = [f"mine:{name}={folder / f'{name}_mine.wav'}" for name in ("top", "bottom")]
    options = ["--difference", "pair", "mine", "--difference", "soft", "soft", "--jobs", "2"]
    recipes = [str(folder / f"{name}.yaml") for name in ("pair", "soft")]
    assert compare(folder, *recipes, *ready, *options) == 0
    return folder


def report(folder: Path) -> dict:
    return json.loads((folder / "cmp/compare.json").read_text())


def test_writes_every_file(done):
    names = {str(path.relative_to(done / "cmp")) for path in (done / "cmp").rglob("*.*")}
    pairs = [("raw-to-pair", True), ("raw-to-soft", False), ("raw-to-mine", True)]
    pairs += [("pair-to-mine", True), ("soft-to-soft", True)]
    expected = {"compare.json", "measures.md", "page.html", "pair/print.json", "pair/resolved.yaml"}
    expected |= {f"pair/{name}" for name in PRINT}
    expected |= {f"soft/{name}" for name in PRINT if name.startswith("top")}
    expected |= {"soft/print.json", "soft/resolved.yaml"}
    expected |= {f"raw/{name}" for name in (*PRINT, "print.json", "resolved.yaml")}
    for pair, both in pairs:
        tracks = ("top", "bottom") if both else ("top",)
        expected |= {f"differences/{pair}/{t}{e}" for t in tracks for e in (".wav", ".levels.npz")}
    for name in ("raw", "pair", "soft", "mine"):
        expected |= {f"matched/{name}/{sound}.wav" for sound in ("top", "bottom", "sum")}
    assert names == expected
    told = report(done)["files"]
    assert set(told) == expected - {"compare.json"}
    assert all((done / "cmp" / name).stat().st_size == size for name, size in told.items())


def test_prints_are_those_of_render(done):
    files = [f"{name}={done / f'{name}_in.wav'}" for name in ("top", "bottom")]
    assert run(["render", str(done / "pair.yaml"), *files, "-o", str(done / "print")]) == 0
    assert takes.contents(done / "cmp/pair") == takes.contents(done / "print")


def test_the_raw_print_is_the_raw_take(done):
    for name in ("top", "bottom"):
        raw = read_track(done / f"{name}_in.wav").samples
        assert np.array_equal(read_track(done / f"cmp/raw/{name}.wav").samples, raw)


def print_of(done: Path, variant: str, track: str) -> np.ndarray:
    place = {
        "raw": done / f"{track}_in.wav",
        "mine": done / f"{track}_mine.wav",
        "pair": done / f"cmp/pair/{track}.wav",
        "soft": done / f"cmp/soft/{track}.wav",
    }[variant]
    return read_track(place).samples


@pytest.mark.parametrize(
    ("first", "second", "track"),
    [
        ("raw", "pair", "top"),
        ("raw", "pair", "bottom"),
        ("raw", "soft", "top"),
        ("raw", "mine", "bottom"),
        ("pair", "mine", "top"),
    ],
)
def test_a_difference_gives_the_second_back_sample_for_sample(done, first, second, track):
    difference = read_track(done / f"cmp/differences/{first}-to-{second}/{track}.wav")
    added = print_of(done, first, track) + difference.samples
    assert np.array_equal(added, print_of(done, second, track))
    assert difference.samples.any()
    assert bext_time_reference(difference.chunks) == takes.TIME_REFERENCE


def test_the_difference_of_a_variant_with_itself_is_silence(done):
    assert not read_track(done / "cmp/differences/soft-to-soft/top.wav").samples.any()
    told = [each for each in report(done)["differences"] if each["from"] == "soft"]
    assert [each["rms_dbfs"] for each in told] == [None, None]


def test_the_level_over_time_is_that_of_the_file(done):
    samples = read_track(done / "cmp/differences/raw-to-pair/top.wav").samples
    with np.load(done / "cmp/differences/raw-to-pair/top.levels.npz") as levels:
        at, rms = levels["at"], levels["rms_dbfs"]
    assert len(at) == 300
    for index in (0, 17, 299):
        part = samples[at[index] : at[index] + 480]
        assert rms[index] == pytest.approx(10 * np.log10((part**2).mean()))
    (told,) = [
        each
        for each in report(done)["differences"]
        if (each["to"], each["track"]) == ("pair", "top")
    ]
    assert len(told["level"]["rms_dbfs"]) == 3
    assert told["inexact_samples"] == 0


@pytest.mark.parametrize("sound", ["top", "bottom", "sum"])
def test_matched_files_are_equally_loud_and_under_full_scale(done, sound):
    told = report(done)
    matched = {
        name: read_track(done / f"cmp/matched/{name}/{sound}.wav").samples
        for name in ("raw", "pair", "soft", "mine")
    }
    assert told["match"]["by"][sound] == "loudness"
    levels = [loudness(samples, takes.RATE).lufs for samples in matched.values()]
    assert max(levels) - min(levels) <= 0.1
    assert max(true_peak_dbtp(samples) for samples in matched.values()) <= -0.9


def test_matched_sounds_are_the_prints_with_their_gain(done):
    told = {each["name"]: each for each in report(done)["variants"]}
    for name in ("raw", "pair", "soft"):
        gain = 10 ** (told[name]["match"]["top"]["gain_db"] / 20)
        heard = read_track(done / f"cmp/matched/{name}/top.wav").samples
        assert heard == pytest.approx(gain * print_of(done, name, "top"), abs=2**-23)
    gain = 10 ** (told["pair"]["match"]["sum"]["gain_db"] / 20)
    both = print_of(done, "pair", "top") + print_of(done, "pair", "bottom")
    heard = read_track(done / "cmp/matched/pair/sum.wav").samples
    assert heard == pytest.approx(gain * both, abs=2**-23)


def test_measures_stand_beside_each_other(done):
    rows = {(row["track"], row["name"]): row["values"] for row in report(done)["measures"]}
    assert list(rows["top", "loudness"]) == ["raw", "pair", "soft", "mine"]
    spread = rows["top", "level spread of full strokes"]
    assert spread["pair"] < spread["raw"]  # ride_level
    bleed = rows["top", "full strokes above bleed"]
    assert bleed["soft"] > bleed["raw"] + 20  # the gate
    assert rows["bottom", "loudness"]["soft"] == rows["bottom", "loudness"]["raw"]
    assert (
        rows["bottom", "attack above sustain"]["pair"]
        < rows["bottom", "attack above sustain"]["raw"]
    )
    assert ("sum", "loudness") in rows
    table = (done / "cmp/measures.md").read_text()
    assert "| top | | raw | pair | soft | mine |" in table


def test_a_moved_microphone_is_told(done):
    """The pair recipe turns the bottom's polarity and moves it by 2 samples."""
    notes = {each["name"]: each["notes"] for each in report(done)["variants"]}
    moved = [note for note in notes["pair"] if note.startswith("bottom: against top")]
    assert len(moved) == 1
    assert "0.04 ms later, phase turned by up to" in moved[0]
    assert "bottom: delay and phase against top unchanged" in notes["mine"]
    rows = {(row["track"], row["name"]): row["values"] for row in report(done)["measures"]}
    delay = rows["bottom", "delay after top"]
    assert delay["raw"] == pytest.approx(1000 * 20 / takes.RATE, abs=0.005)
    assert delay["pair"] == pytest.approx(1000 * 22 / takes.RATE, abs=0.005)
    turned = rows["bottom", "turned against top, at most"]
    assert turned["raw"] == 0
    assert abs(turned["pair"]) > 120
    assert abs(turned["mine"]) < 6
    assert "bottom: as recorded" in notes["soft"]


def test_a_group_is_what_is_heard_as_the_sum(done):
    (done / "group.yaml").write_text(
        takes.PAIR + "groups:\n  snare:\n    of: [top, bottom]\n    steps: [level: {gain: -3 dB}]\n"
    )
    assert compare(done, str(done / "group.yaml"), out="group") == 0
    told = json.loads((done / "group/compare.json").read_text())["variants"][1]
    gain = 10 ** (told["match"]["sum"]["gain_db"] / 20)
    group = read_track(done / "group/group/snare.wav").samples
    heard = read_track(done / "group/matched/group/sum.wav").samples
    assert heard == pytest.approx(gain * group, abs=2**-23)
    assert "the sum is made of the prints of snare" in told["notes"]
    lanes = page_data_of(done / "group/page.html")["variants"][1]["lanes"]
    assert [*lanes] == ["top", "bottom", "snare"]
    assert [lane["name"] for lane in lanes["snare"]] == ["level"]


def page_data_of(page: Path) -> dict:
    """What a page was made from."""
    text = page.read_text("utf-8").partition('id="data">')[2].partition("</script>")[0]
    return json.loads(text)


def test_a_recipe_is_given_to_a_track_by_name(done, capsys):
    text = "drumprint: 1\ntracks:\n  any:\n    steps: [level: {gain: -3 dB}]\n"
    (done / "any.yaml").write_text(text)
    recipe = done / "any.yaml"
    each = [f"each:{track}={recipe}" for track in ("bottom", "top")]
    assert compare(done, f"low:bottom={recipe}", *each, "--length", "1", out="named") == 0
    report = json.loads((done / "named/compare.json").read_text())
    told = {one["name"]: one["treated"] for one in report["variants"]}
    assert told == {"raw": [], "low": ["bottom"], "each": ["top", "bottom"]}
    assert (
        takes.contents(done / "named/each")["bottom.wav"]
        == (takes.contents(done / "named/low")["bottom.wav"])
    )
    capsys.readouterr()


def test_two_runs_and_other_workers_give_the_same_bytes(done):
    first, again = [str(done / "soft.yaml")], {}
    for out, jobs in (("one", "1"), ("two", "2")):
        assert compare(done, *first, "--jobs", jobs, "--from", "0.5", out=out) == 0
        files = sorted((done / out).rglob("*.*"))
        again[out] = [(str(path.relative_to(done / out)), path.read_bytes()) for path in files]
    assert again["one"] == again["two"]


def test_json_is_the_report(done, capsys):
    arguments = [str(done / "soft.yaml"), "--json", "--length", "1 s", "--title", "<b>One</b>"]
    assert compare(done, *arguments, out="json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads((done / "json/compare.json").read_text())
    assert told["title"] == "<b>One</b>"
    assert told["stretch"]["frames"] == takes.RATE


def test_a_ready_file_needs_no_name_where_there_is_one_track(done, capsys):
    top, mine = done / "top_in.wav", done / "top_mine.wav"
    assert run(["compare", str(mine), f"snare={top}", "-o", str(done / "ready")]) == 0
    told = json.loads((done / "ready/compare.json").read_text())
    assert [each["kind"] for each in told["variants"]] == ["raw", "file"]
    assert not (done / "ready/top_mine").exists()
    assert "top_mine" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        ([], 2, "found no variant"),
        (["{0}/soft.yaml", "--difference", "soft", "hard"], 2, "found no variant 'hard'"),
        (["{0}/top_mine.wav"], 2, "for a take of 2 tracks; accepted: NAME:TRACK=FILE"),
        (["mine:=x.wav"], 2, "accepted: NAME:TRACK=FILE"),
        (["mine:top={0}/none.wav"], 3, "none.wav"),
        (["mine:top={0}/none.yaml"], 2, "no such recipe"),
        (["mine:top={0}/soft.yaml", "mine:bottom={0}/top_mine.wav"], 2, "audio files and recipes"),
        (["preclean"], 2, "for a take of 2; accepted: NAME:TRACK=RECIPE, as preclean:top=RECIPE"),
        (["{0}/soft.yaml", "--from", "9"], 2, "compared stretch from 9 s"),
        (["{0}/soft.yaml", "--length", "500"], 2, "accepted: 1 to 120 s"),
        (["none.yaml"], 2, "no such recipe"),
    ],
)
def test_what_cannot_be_is_refused_and_writes_nothing(done, capsys, arguments, status, message):
    given = [argument.format(done) for argument in arguments]
    assert compare(done, *given, out="refused") == status
    assert message in capsys.readouterr().err
    assert not (done / "refused").exists()


def test_a_second_comparison_needs_overwrite(done, capsys):
    before = (done / "cmp/compare.json").read_bytes()
    assert compare(done, str(done / "pair.yaml")) == 1
    assert "--overwrite" in capsys.readouterr().err
    assert (done / "cmp/compare.json").read_bytes() == before
