# SPDX-License-Identifier: GPL-3.0-or-later
"""For tests that need the recordings: present, or a failure in CI, or a skip that says why."""

import os

import pytest

from tests.open_takes import fetch


def recordings() -> None:
    """Make sure that the required recordings are here.

    Without them the calling test fails where `CI` is `true`; elsewhere it is skipped with the
    reason and what to do about it.
    """
    try:
        fetch.required_folder()
    except fetch.RecordingsMissingError as fault:
        reason = (
            f"open recordings not available: {fault}. They are fetched once to "
            f"{fetch.cache_folder()} (or the folder in ${fetch.CACHE_VARIABLE})"
        )
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(reason)
        pytest.skip(reason)


def optional_recordings() -> None:
    """Skip the calling test, with the reason, where the optional recordings cannot be fetched."""
    recordings()
    try:
        fetch.optional_folder()
    except fetch.RecordingsMissingError as fault:
        pytest.skip(f"optional open recordings not available: {fault}")
