# SPDX-License-Identifier: GPL-3.0-or-later
"""The text itself: every fault with its line, and nothing but plain data comes out."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from dsp.errors import RecipeError
from dsp.recipe import load_recipe, parse_recipe
from dsp.recipe.document import DEEPEST, LARGEST, MOST_VALUES, read_document
from tests.recipe.recipes import FUZZ


def faults(text: str) -> list[str]:
    return [str(fault) for fault in read_document(text).faults]


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("on", "on"),
        ("off", "off"),
        ("yes", "yes"),
        ("No", "No"),
        ("y", "y"),
        ("true", True),
        ("False", False),
        ("null", None),
        ("~", None),
        ("", None),
        ("1:30", "1:30"),
        ("12:30:45", "12:30:45"),
        ("1e3", 1000.0),
        ("1.5", 1.5),
        (".5", 0.5),
        ("+3", 3),
        ("-7", -7),
        ("010", 10),
        ("0x10", "0x10"),
        ("0o10", "0o10"),
        ("1_000", "1_000"),
        (".inf", ".inf"),
        ("-.inf", "-.inf"),
        (".nan", ".nan"),
        ("2001-01-01", "2001-01-01"),
        ("-38 dB", "-38 dB"),
        ("70 %", "70 %"),
        ("'1'", "1"),
        ('"true"', "true"),
        ("!!str 1", "1"),
        ("! 1", "1"),
        ("9" * 400, float("inf")),
        ("=", "="),
    ],
)
def test_scalars_mean_one_thing(written: str, meant: Any) -> None:
    document = read_document(f"a: {written}")
    assert not document.faults
    assert document.data == {"a": meant}
    assert type(document.data["a"]) is type(meant)


def test_twice_the_same_name_tells_both_lines() -> None:
    (fault,) = faults("a: 1\nb:\n  c: 2\n  d: 3\n  c: 4\n")
    assert fault.startswith("line 5, b.c: found 'c' twice, on line 3 and on line 5")


def test_the_first_of_two_stays_and_is_checked() -> None:
    with pytest.raises(RecipeError) as error:
        parse_recipe("drumprint: 1\nabout: 3\nabout: text\ntracks: {top: {steps: []}}\n")
    assert [fault.line for fault in error.value.faults] == [2, 3]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a: 1\n3: x\n", "line 2, 3: found 3 as a name"),
        ("a: 1\ntrue: x\n", "line 2, true: found true as a name"),
        ("~: x\n", "line 1, nothing: found nothing as a name"),
        ("a:\n  ? [b]\n  : c\n", "line 2, a.a list: found a list as a name"),
        ("a: &x {b: 1}\nc:\n  <<: *x\n", "line 3, c.<<: found a merge key"),
        ("a:\n- !!python/object/apply:os.system [x]\n", "line 2, a[0]: found the tag"),
        ("a:\n- !!python/name:os.system\n", "line 2, a[0]: found the tag"),
        ("a: !!int 3\n", "line 1, a: found the tag 'tag:yaml.org,2002:int'"),
        ("a: !mine {b: 1}\n", "line 1, a: found the tag '!mine'"),
        ("a: 1\n---\nb: 2\n", "line 2, document: found a second document"),
        ("a: 1\n...\n---\n---\n", "line 3, document: found a second document"),
        ("", "line 1, document: found an empty document"),
        ("# only a comment\n", "line 1, document: found an empty document"),
        ("---\n", "line 1, document: found an empty document"),
        ("a: 1\nb: *x\n", "line 2, b: found the alias *x"),
        ("a:\n  b: &x\n    c: *x\n", "line 3, a.b.c: found the alias *x inside its own anchor"),
        ("- &x [1, *x]\n", "line 1, [0][1]: found the alias *x inside its own anchor"),
        ("a: 1\nb: [2\n", "line 3, document: not YAML: did not find expected"),
        ("a: b: c\n", "line 1, document: not YAML: mapping values are not allowed"),
        ("a: 1\n\tb: 2\n", "line 2, document: not YAML: found"),
        ("a: 'x\n", "document: not YAML: found unexpected end of stream"),
        ("a: 1\nb: @x\n", "line 2, document: not YAML: found character"),
        ("a: 1\nb: \x07\n", "line 2, document: found the character U+0007"),
        ("a: \x00", "line 1, document: found the character U+0000"),
        ("a: \ud800", "line 1, document: found the character U+D800"),
        ('a: "\\ud800"', "line 1, document: not YAML"),
        ("%YAML 3.0\n---\na: 1\n", "document: not YAML: found incompatible YAML document"),
    ],
)
def test_each_fault_tells_its_line(text: str, told: str) -> None:
    (fault,) = faults(text)
    assert told in fault


def test_a_tab_is_named() -> None:
    assert "found a tab, accepted: spaces" in faults("a:\n\tb: 2\n")[0]


def test_all_at_once() -> None:
    text = "a: 1\na: 2\n3: x\nb: !!binary eA==\nc: *none\nd: [\n"
    assert [fault.line for fault in read_document(text).faults] == [2, 3, 4, 5, 7]


def test_plain_aliases_are_fine() -> None:
    document = read_document("a: &x {b: [1, 2]}\nc: *x\nd: [*x, *x]\n")
    assert not document.faults
    inner = {"b": [1, 2]}
    assert document.data == {"a": inner, "c": inner, "d": [inner, inner]}


def test_ten_to_the_tenth_values_are_refused_at_once() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 10)]
    # it ends where the number is passed, before anything is written out
    assert read_document("\n".join(lines)).faults[0].line == 5
    with pytest.raises(RecipeError, match=f"more than {MOST_VALUES} values"):
        parse_recipe("\n".join(lines))


@pytest.mark.parametrize("text", ["[" * 900, "a: " + "{b: " * 1000, "- " * 10_000 + "x"])
def test_deep_nesting_is_refused(text: str) -> None:
    assert f"more than {DEEPEST} levels" in faults(text)[0]


def test_nesting_past_what_the_parser_takes_is_refused() -> None:
    assert len(faults("[" * 100_000)) == 1


def test_depth_counts_through_aliases() -> None:
    lines = ["a0: &a0 [x]", *(f"a{n}: &a{n} [*a{n - 1}]" for n in range(1, 80))]
    assert f"more than {DEEPEST} levels" in faults("\n".join(lines))[0]


def test_depth_up_to_the_limit_is_read() -> None:
    assert not faults("[" * (DEEPEST - 1) + "x" + "]" * (DEEPEST - 1))


def test_as_many_values_as_accepted() -> None:
    assert not faults("\n".join(["- x"] * (MOST_VALUES - 1)))
    assert "values" in faults("\n".join(["- x"] * MOST_VALUES))[0]


def test_places_lead_to_lines() -> None:
    document = read_document("a:\n  - b: 1\n    c:\n      d: 2\n  - e\n")
    places = ((), ("a",), ("a", 0), ("a", 0, "c", "d"), ("a", 1))
    assert [document.spot(place).line for place in places] == [1, 1, 2, 4, 5]
    assert document.spot(("a", 0, "none")).line == 2
    assert document.known(("a", 0, "[key]", "c", "d")) == ("a", 0, "c", "d")


GOOD = b"drumprint: 1\ntracks: {top: {steps: []}}\n"


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"a: 1\nb: \xff\n", "line 2, document: found byte 0xFF at position 8, not UTF-8"),
        (GOOD.decode().encode("utf-16"), "at position 0, not UTF-8"),
        (b"a: " + b"x" * LARGEST, f"found more than {LARGEST} bytes"),
        (b"", "found an empty document"),
    ],
)
def test_files_that_are_no_text(content: bytes, told: str, tmp_path: Path) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_bytes(content)
    with pytest.raises(RecipeError) as error:
        load_recipe(path)
    assert told in str(error.value)
    assert str(error.value).startswith(f"{path}: 1 fault\n")
    assert error.value.exit_status == 2


def test_a_byte_order_mark_and_dos_lines_are_fine(tmp_path: Path) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace(b"\n", b"\r\n"))
    assert list(load_recipe(path).tracks) == ["top"]


def test_no_file(tmp_path: Path) -> None:
    for path, told in (
        (tmp_path / "none.yaml", "no such file"),
        (tmp_path, "found a folder"),
        (tmp_path / "x\0y", "cannot be read"),
        (tmp_path / ("x" * 300), "cannot be read"),
    ):
        with pytest.raises(RecipeError, match=told) as error:
            load_recipe(path)
        assert error.value.exit_status == 2


WORDS = st.sampled_from(
    ["a", "drumprint", "tracks", "steps", "key", "level", "gain", "1", "true", "~", "<<", "=",
     ": ", "- ", "? ", "[", "]", "{", "}", ",", "&x ", "*x", "!!str ", "!y ", "'", '"', "|\n",
     ">-\n", "#", "---\n", "...\n", "%YAML 1.1\n", "\n", "\n  ", "\n    ", "\t", "\\", "3 dB",
     "9" * 30, "\ufeff", "\x85", "\u2028", "é", "\x01"]
)  # fmt: skip


@FUZZ
@given(st.one_of(st.text(), st.lists(WORDS, max_size=40).map("".join)))
def test_any_text_is_read_or_refused(text: str) -> None:
    with suppress(RecipeError):
        parse_recipe(text)


@FUZZ
@given(st.lists(WORDS, max_size=30).map("".join))
def test_any_text_in_place_of_steps(text: str) -> None:
    inner = text.replace("\n", "\n        ")
    with suppress(RecipeError):
        parse_recipe(f"drumprint: 1\ntracks:\n  top:\n    steps:\n      - level: {inner}\n")


@FUZZ
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.yaml"
    path.write_bytes(content)
    with pytest.raises(RecipeError):
        load_recipe(path)


@FUZZ
@given(st.lists(WORDS, max_size=30).map("".join))
def test_the_slower_parser_refuses_no_less(text: str) -> None:
    """PyYAML without libyaml, as some systems install it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("dsp.recipe.document._LOADER", yaml.SafeLoader)
        with suppress(RecipeError):
            parse_recipe(text)


def test_the_slower_parser_counts_like_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dsp.recipe.document._LOADER", yaml.SafeLoader)
    assert faults("a: &x [1, {b: yes}]\nc: *x\na: 2\n")[0].startswith("line 3, a: found 'a' twice")
    assert "more than 64 levels" in faults("[" * 100_000)[0]
