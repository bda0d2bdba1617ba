# SPDX-License-Identifier: GPL-3.0-or-later
"""Outputs appear complete or not at all: full disk, shut folder, taken names, broken bodies."""

from __future__ import annotations

import contextlib
import errno
import os
import resource
import subprocess
import threading
from pathlib import Path

import numpy as np
import pytest

from dsp.audio import OutputSet, SampleFormat, atomic, complete_file, output_set, write_track
from dsp.errors import OutputError, UsageError

PCM24 = SampleFormat("wav", "pcm24")


def names(folder: Path) -> list[str]:
    return sorted(each.name for each in folder.iterdir())


@contextlib.contextmanager
def files_of_at_most(size):
    """Let the kernel refuse longer files (EFBIG), as a quota does."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.fixture
def small_disk(tmp_path):
    """A real file system of 256 KiB, where this machine lets us mount one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    try:
        mounted = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        mounted = False
    if not mounted:
        pytest.skip("mounting needs root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def read_only_folder(tmp_path):
    """A folder that refuses new files; root passes over modes, but not in /sys."""
    folder = tmp_path / "shut"
    folder.mkdir()
    folder.chmod(0o555)
    if os.access(folder, os.W_OK):
        folder = Path("/sys")
        if not folder.is_dir():
            pytest.skip("no folder here refuses root")
    return folder


def test_a_file_has_its_name_only_at_the_end(tmp_path):
    path = tmp_path / "a.json"
    with complete_file(path) as file:
        file.write(b"{}")
        file.flush()
        assert not path.exists()
        assert len(names(tmp_path)) == 1
    assert path.read_bytes() == b"{}"
    assert names(tmp_path) == ["a.json"]
    reference = tmp_path / "reference"
    reference.touch()
    assert path.stat().st_mode == reference.stat().st_mode  # the user's umask, not 0600


def test_bytes_are_on_the_disk_before_the_name(tmp_path, monkeypatch):
    path = tmp_path / "a.json"
    forced = []

    def watched(number):
        forced.append((os.fstat(number).st_size, path.exists()))

    monkeypatch.setattr(atomic.os, "fsync", watched)
    with complete_file(path) as file:
        file.write(b"12345")
    assert forced == [(5, False)]


@pytest.mark.parametrize("error", [KeyError("x"), KeyboardInterrupt(), UsageError("x")])
@pytest.mark.parametrize("overwrite", [False, True])
def test_a_broken_body_leaves_nothing(tmp_path, error, overwrite):
    path = tmp_path / "a.json"
    if overwrite:
        path.write_bytes(b"before")

    def break_off():
        with complete_file(path, overwrite) as file:
            file.write(b"half")
            raise error

    with pytest.raises(type(error)):
        break_off()
    assert names(tmp_path) == (["a.json"] if overwrite else [])
    assert not overwrite or path.read_bytes() == b"before"


def test_existing_files_stay_unless_overwriting(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"precious")
    with pytest.raises(OutputError, match=r"a\.wav: found an existing file"):
        write_track(path, np.zeros((5, 1)), 48000, PCM24)
    assert path.read_bytes() == b"precious"
    write_track(path, np.zeros((5, 1)), 48000, PCM24, overwrite=True)
    assert path.read_bytes()[:4] == b"RIFF"
    assert names(tmp_path) == ["a.wav"]


@pytest.mark.parametrize("has_links", [True, False])
def test_a_file_that_appears_meanwhile_survives(tmp_path, monkeypatch, has_links):
    if not has_links:
        monkeypatch.setattr(Path, "hardlink_to", _no_links)
    path = tmp_path / "a.json"

    def be_late():
        with complete_file(path) as file:
            file.write(b"ours")
            path.write_bytes(b"theirs")

    with pytest.raises(OutputError, match=r"a\.json"):
        be_late()
    assert path.read_bytes() == b"theirs"
    assert names(tmp_path) == ["a.json"]


def _no_links(*_, **__):
    raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))


def test_file_systems_without_hard_links(tmp_path, monkeypatch):
    monkeypatch.setattr(Path, "hardlink_to", _no_links)
    with complete_file(tmp_path / "a") as file:
        file.write(b"x")
    assert names(tmp_path) == ["a"]


def test_a_link_is_replaced_and_its_target_kept(tmp_path):
    (tmp_path / "real").write_bytes(b"real")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with complete_file(tmp_path / "link", overwrite=True) as file:
        file.write(b"new")
    assert (tmp_path / "real").read_bytes() == b"real"
    assert (tmp_path / "link").read_bytes() == b"new"
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputError, match="existing"), complete_file(tmp_path / "dangling"):
        pass


def test_a_full_disk(small_disk):
    path = small_disk / "a.wav"
    samples = np.random.default_rng(0).uniform(-0.5, 0.5, (200_000, 1))
    with pytest.raises(OutputError, match=r"a\.wav: cannot be written \(No space left") as caught:
        write_track(path, samples, 48000, PCM24)
    assert isinstance(caught.value, OSError)
    assert names(small_disk) == []
    path.write_bytes(b"before")
    with pytest.raises(OutputError, match="No space left"):
        write_track(path, samples, 48000, PCM24, overwrite=True)
    assert path.read_bytes() == b"before"
    assert names(small_disk) == ["a.wav"]


@pytest.mark.parametrize("frames", [200_000, 10])  # refused while writing, and at the last flush
def test_a_file_longer_than_allowed(tmp_path, frames):
    samples = np.zeros((frames, 1))
    with files_of_at_most(60), pytest.raises(OutputError, match="File too large"):
        write_track(tmp_path / "a.wav", samples, 48000, PCM24)
    assert names(tmp_path) == []


def test_a_read_only_folder(read_only_folder):
    before = names(read_only_folder)
    path = read_only_folder / "a.wav"
    with pytest.raises(OutputError, match=f"{path}.*(Permission denied|Read-only)"):
        write_track(path, np.zeros((5, 1)), 48000, PCM24)
    entered = False
    with pytest.raises(OutputError, match=str(read_only_folder)), OutputSet([path]):
        entered = True
    assert not entered
    assert names(read_only_folder) == before


def test_no_folder_or_a_folder_as_target(tmp_path):
    with pytest.raises(OutputError, match="no folder"), complete_file(tmp_path / "no" / "a"):
        pass
    for overwrite in (False, True):
        with pytest.raises(OutputError, match="a folder"), complete_file(tmp_path, overwrite):
            pass


def fill(outputs, targets, content=b"new"):
    for target in targets:
        with outputs.open(target) as file:
            file.write(content)


def test_a_set_appears_together(tmp_path):
    targets = [tmp_path / "out" / "top.wav", tmp_path / "out" / "deep" / "top.png"]
    with OutputSet(targets) as outputs:
        fill(outputs, targets)
        assert not any(target.exists() for target in targets)
    assert [target.read_bytes() for target in targets] == [b"new", b"new"]
    assert names(tmp_path / "out") == ["deep", "top.wav"]


def test_a_set_is_written_from_several_threads(tmp_path):
    targets = [tmp_path / str(number) for number in range(20)]
    with OutputSet(targets) as outputs:
        threads = [threading.Thread(target=fill, args=(outputs, [each])) for each in targets]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert len(names(tmp_path)) == 20


def test_a_failing_set_leaves_nothing_not_even_folders(tmp_path):
    targets = [tmp_path / "out" / "a", tmp_path / "out" / "more" / "b"]

    def break_off():
        with OutputSet(targets) as outputs:
            fill(outputs, targets)
            assert names(tmp_path) == ["out"]
            raise KeyError

    with pytest.raises(KeyError):
        break_off()
    assert names(tmp_path) == []


def test_a_set_with_an_unwritten_or_unknown_target(tmp_path):
    targets = [tmp_path / "a", tmp_path / "b"]
    with pytest.raises(UsageError, match="b: found nothing written"), OutputSet(targets) as outputs:
        fill(outputs, targets[:1])
    for wrong in ([tmp_path / "c"], [targets[0], targets[0]]):
        with pytest.raises(UsageError, match="not open to write"), OutputSet(targets) as outputs:
            fill(outputs, wrong)
    assert names(tmp_path) == []


def test_a_set_refuses_existing_targets_before_any_work(tmp_path):
    (tmp_path / "b").write_bytes(b"precious")
    entered = False
    with pytest.raises(OutputError, match="b: found an existing file"):  # noqa: SIM117
        with OutputSet([tmp_path / "new" / "a", tmp_path / "b"]):
            entered = True
    assert not entered
    assert names(tmp_path) == ["b"]


@pytest.mark.parametrize("how", ["same", "dotted", "symlink", "hard link", "missing"])
def test_a_set_refuses_outputs_that_are_inputs(tmp_path, how):
    source, target = tmp_path / "in.wav", tmp_path / "out.wav"
    if how != "missing":
        source.write_bytes(b"take")
    if how in ("same", "missing"):
        target = source
    elif how == "dotted":
        target = tmp_path / "x" / ".." / "in.wav"
        (tmp_path / "x").mkdir()
    elif how == "symlink":
        target.symlink_to(source)
    else:
        target.hardlink_to(source)
    with pytest.raises(UsageError, match="is the input"), OutputSet([target], [source], True):
        pass
    assert how == "missing" or source.read_bytes() == b"take"


def test_a_set_refuses_one_name_twice(tmp_path):
    twice = [tmp_path / "a", tmp_path / "." / "x" / ".." / "a"]
    with pytest.raises(UsageError, match="two outputs"), OutputSet(twice):
        pass


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("has_links", [True, False])
def test_a_set_that_cannot_be_named_is_taken_back(tmp_path, monkeypatch, overwrite, has_links):
    """The last of three names cannot be given: the first two go, former files come back."""
    targets = [tmp_path / name for name in "abc"]
    if overwrite:
        targets[0].write_bytes(b"former a")
        targets[2].write_bytes(b"former c")
    if not has_links:
        monkeypatch.setattr(output_set.os, "link", _no_links)
        monkeypatch.setattr(Path, "hardlink_to", _no_links)
    real = atomic.give_name

    def refuse_c(temporary, target, overwrite):
        if target.name == "c":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(temporary, target, overwrite)

    monkeypatch.setattr(output_set, "give_name", refuse_c)
    with (
        pytest.raises(OutputError, match=r"c: cannot be written \(Input/output error\)"),
        OutputSet(targets, overwrite=overwrite) as outputs,
    ):
        fill(outputs, targets)
    assert names(tmp_path) == (["a", "c"] if overwrite else [])
    if overwrite:
        assert targets[0].read_bytes() == b"former a"
        assert targets[2].read_bytes() == b"former c"


def test_a_set_replaces_former_files(tmp_path):
    targets = [tmp_path / "a", tmp_path / "b"]
    targets[0].write_bytes(b"former")
    with OutputSet(targets, overwrite=True) as outputs:
        fill(outputs, targets)
    assert names(tmp_path) == ["a", "b"]
    assert targets[0].read_bytes() == b"new"


def test_a_set_on_a_full_disk(small_disk):
    (small_disk / "a").write_bytes(b"former")
    targets = [small_disk / "a", small_disk / "b"]

    def overfill():
        with OutputSet(targets, overwrite=True) as outputs:
            fill(outputs, targets[:1])
            fill(outputs, targets[1:], bytes(2**20))

    with pytest.raises(OutputError, match=r"b: cannot be written \(No space left"):
        overfill()
    assert names(small_disk) == ["a"]
    assert (small_disk / "a").read_bytes() == b"former"


@pytest.mark.parametrize("step", ["mkdir", "open"])
def test_ctrl_c_while_folders_are_made_leaves_none(tmp_path, monkeypatch, step):
    real = getattr(Path, step)

    def stopped(path, *args, **kwargs):
        done = real(path, *args, **kwargs)
        if step == "open":
            done.close()
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, step, stopped)
    with pytest.raises(KeyboardInterrupt), OutputSet([tmp_path / "a" / "b" / "out.wav"]):
        pass
    assert list(tmp_path.iterdir()) == []
